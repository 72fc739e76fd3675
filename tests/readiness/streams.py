"""Streams with a known trouble in them, and what the check says of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.readiness.findings import Finding
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels
from tests.synthetic import Stream, chunks, stream

RATE = 8000.0
ROOT_CHUNK = 61  # samples: no divisor of anything


def made(channels: int = 1, rate_hz: float = RATE, seconds: float = 6.0, noise_uv: float = 2.0, **how: Any) -> Stream:
    """EEG-like noise with an offset of 1 mV, and a trigger at 47.1/s."""
    rng = np.random.default_rng(5)
    return stream(rng, rate_hz, int((seconds - 1.2) * 47.1), channels=channels, noise_uv=noise_uv, **how)


def described(made: Stream, unit: str = "uV", xml: str = "", source_id: str = "amp") -> StreamDescription:
    count = len(made.samples)
    labels, units = (*(f"E{number}" for number in range(1, count)), "TRIG"), (*[unit] * (count - 1), "")
    return StreamDescription("Amp", "EEG", source_id, "here", "uid", 0.0, count, made.rate_hz, "float32", labels, units, xml)


def tone(made: Stream, hz: float, uv: float, phase: float = 0.3) -> np.ndarray:
    return uv * np.sin(2 * np.pi * hz * np.arange(made.samples.shape[1]) / made.rate_hz + phase)


def listened(made: Stream, plan: Plan | None = None, sizes: Iterable[int] | None = None, **how: Any) -> Readiness:
    """All of a stream, in pieces."""
    count = len(made.samples)
    seen = Readiness(described(made, **how), Channels(tuple(range(count - 1)), count - 1), plan or Plan())
    for chunk in chunks(made, [ROOT_CHUNK] * (made.samples.shape[1] // ROOT_CHUNK) if sizes is None else sizes):
        seen.feed(chunk)
    return seen


def findings(seen: Readiness) -> dict[tuple[str, str], Finding]:
    """By what they are about and which channel; each is said once."""
    listed = [finding for group in seen.groups() for finding in group.findings]
    found = {(finding.about, finding.subject): finding for finding in listed}
    assert len(found) == len(listed)
    return found


def plan_of(**sections: Any) -> Plan:
    return make_plan(sections)
