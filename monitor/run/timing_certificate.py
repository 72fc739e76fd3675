"""The timing certificate: the result of `quietfloor timing` for one output and one EEG stream, and whether it holds for a run.

It is a TOML file with one entry for each EEG rate. The ``id`` of an entry is a hash over all its values, so that a number changed
by hand is detected.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from quietfloor.monitor.core.identity import identity
from quietfloor.monitor.plan.run_plan import FROM_CERTIFICATE, Plan, PlanError, TriggerPlan, override
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.untrusted.bounded_io import toml_of
from quietfloor.monitor.untrusted.wrong_keys import wrong_key

FORMAT = "quietfloor timing certificate 1"
LARGEST_SD_MS = 0.1  # Gaussian jitter of 0.1 ms costs 18 % of a wave of 1 kHz (computed: 1 - exp(-(2 pi 1 kHz 0.1 ms)^2 / 2))
VALID_DAYS = 30  # own choice: drivers are updated, cables are moved
NO_CERTIFICATE = "no timing certificate: `quietfloor timing` makes one"
# Each count that must be 0, with its words for one and for several.
FAULTS: Mapping[str, tuple[str, str]] = {
    "missing_triggers": ("trigger is missing", "triggers are missing"),
    "double_triggers": ("trigger is too much", "triggers are too many"),
    "missing_sounds": ("sound is missing", "sounds are missing"),
    "double_sounds": ("sound is too much", "sounds are too many"),
    "wrong_polarity": ("sound has the wrong polarity", "sounds have the wrong polarity"),
    "breaks": ("break of the sound: end other programs", "breaks of the sound: end other programs"),
}


def problems(sd_ms: float, counts: Mapping[str, int]) -> tuple[str, ...]:
    """Reasons why a timing check fails, empty when it passes; ``counts`` by the names in FAULTS."""
    found = []
    if not sd_ms <= LARGEST_SD_MS:
        found.append(f"the sound scatters by {sd_ms:.3f} ms (SD) against its trigger; allowed is {LARGEST_SD_MS:g} ms")
    found += [f"{counts[name]} {words[counts[name] > 1]}" for name, words in FAULTS.items() if counts[name]]
    return tuple(found)


_Channel = Annotated[int, Field(ge=1, le=256)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class OutputOf(_Table):
    """The output whose sound was measured."""

    device: str
    host_interface: str
    rate_hz: float = Field(gt=0)
    channels: tuple[_Channel, _Channel, _Channel] | None = Field(
        default=None, description="outputs of a sound card for left, right, trigger; None for audio over LSL, and in older files"
    )


class StreamOf(_Table):
    """The EEG stream that recorded the sound, and how its trigger channel was read."""

    name: str
    source_id: str
    trigger: str
    edge: Literal["auto", "rising", "falling"]
    kind: Literal["auto", "digital", "analogue"]

    @classmethod
    def of(cls, description: StreamDescription, trigger: int, how: TriggerPlan) -> StreamOf:
        return cls(
            name=description.name,
            source_id=description.source_id,
            trigger=description.label(trigger),
            edge=how.edge,
            kind=how.kind,
        )


class Measured(_Table):
    """Result of one timing check. Offset: delay of the sound in the EEG after its trigger, in ms. Drift: EEG clock re sound
    clock, in ppm."""

    rate_hz: float = Field(gt=0, description="of the EEG")
    issued: datetime.date
    valid_days: int = Field(ge=1, le=3660)
    sounds: int = Field(ge=1)
    offset_ms: float
    sd_ms: float = Field(ge=0)
    min_ms: float
    max_ms: float
    drift_ppm: float
    drift_se_ppm: float = Field(ge=0)
    missing_triggers: int = Field(ge=0)
    double_triggers: int = Field(ge=0)
    missing_sounds: int = Field(ge=0)
    double_sounds: int = Field(ge=0)
    wrong_polarity: int = Field(ge=0)
    breaks: int = Field(ge=0)
    trigger_edges: Literal["digital", "analogue"]
    sound_channel: str
    version: str = Field(description="of this program")

    @property
    def problems(self) -> tuple[str, ...]:
        return problems(self.sd_ms, {name: getattr(self, name) for name in FAULTS})

    @property
    def passed(self) -> bool:
        return not self.problems

    @property
    def expires(self) -> datetime.date:
        """The last day on which it is valid."""
        return self.issued + datetime.timedelta(days=self.valid_days)


class Certificate(_Table):
    """A certificate; ``measured`` has one entry for each EEG rate, in rising order."""

    output: OutputOf
    stream: StreamOf
    measured: tuple[Measured, ...]

    @model_validator(mode="after")
    def _one_a_rate(self) -> Certificate:
        rates = [entry.rate_hz for entry in self.measured]
        if sorted(set(rates)) != rates:
            raise ValueError(f"measured: one entry for each EEG rate in rising order, not {rates}")
        return self

    def id_of(self, entry: Measured) -> str:
        """Twelve hexadecimal digits over all values of an entry and the equipment on which it was measured."""
        tables = (self.output, self.stream, entry)
        return identity(tuple((name, _plain(value)) for table in tables for name, value in _stated(table).items()))

    def at(self, rate_hz: float) -> Measured | None:
        return next((entry for entry in self.measured if entry.rate_hz == rate_hz), None)

    def having(self, entry: Measured) -> Certificate:
        """A copy of the certificate in which this entry replaces the one at the same rate."""
        others = [other for other in self.measured if other.rate_hz != entry.rate_hz]
        return self.model_copy(update={"measured": tuple(sorted([*others, entry], key=lambda one: one.rate_hz))})


def _stated(table: BaseModel) -> dict[str, Any]:
    """All values of a table that are present: a key of a later version that is missing does not change the id."""
    return table.model_dump(exclude_none=True)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime.date) else value


class CertificateError(PlanError):
    """Raised if the file is no certificate, or was changed."""


def load_certificate(path: Path) -> Certificate:
    """Read a certificate. Raises CertificateError that names file and key."""
    try:
        content = toml_of(path)
    except OSError as error:
        raise CertificateError(
            f"timing certificate {path} cannot be read ({error.strerror or error}): `quietfloor timing` writes one"
        ) from error
    except ValueError as error:
        raise CertificateError(f"timing certificate {path} is not TOML: {error}") from error
    if content.pop("format", None) != FORMAT:
        raise CertificateError(f"{path} is no timing certificate of this version: it does not begin with format = {FORMAT!r}")
    entries = content.get("measured")
    entries = [dict(entry) for entry in entries if isinstance(entry, dict)] if isinstance(entries, list) else []
    ids = [entry.pop("id", None) for entry in entries]
    try:
        certificate = Certificate.model_validate(content | {"measured": entries})
    except ValidationError as error:
        raise CertificateError(f"timing certificate {path}: {wrong_key(error.errors()[0])}; repeat the check") from error
    for entry, told in zip(certificate.measured, ids, strict=True):
        if told != certificate.id_of(entry):
            raise CertificateError(
                f"timing certificate {path} was changed after it was written (entry for {entry.rate_hz:g} Hz): repeat the check"
            )
    return certificate


def save_certificate(path: Path, certificate: Certificate) -> None:
    """Write a certificate in one step: a reader finds the old file or the new one, never a part. Raises OSError."""
    content = _stated(certificate)
    content["measured"] = [{"id": certificate.id_of(entry)} | entry.model_dump() for entry in certificate.measured]
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, suffix=".part", delete=False) as file:
        draft = Path(file.name)
        try:
            file.write(tomli_w.dumps({"format": FORMAT} | content))
            file.flush()
            os.fsync(file.fileno())
            os.replace(draft, path)
        except OSError:
            with contextlib.suppress(OSError):
                draft.unlink()
            raise


@dataclass(frozen=True)
class Timing:
    """Timing of sound and EEG in one run: nan and None where nothing is known; ``reason`` says why it is not verified."""

    verified: bool = False
    offset_ms: float = math.nan
    sd_ms: float = math.nan
    certificate: str | None = None
    reason: str | None = NO_CERTIFICATE

    @property
    def text(self) -> str:
        """Whether timing is verified, as text for a title line."""
        if not self.verified:
            return "timing not verified"
        sd_us = 1e3 * self.sd_ms
        return f"timing verified, SD {sd_us:.1f} us" if sd_us < 10 else f"timing verified, SD {sd_us:.0f} us"

    @classmethod
    def of_record(cls, timing: Mapping[str, Any]) -> Timing:
        """Read it from ``timing`` of a run.json."""
        offset_ms, sd_ms = (math.nan if (value := timing.get(key)) is None else value for key in ("offset_ms", "sd_ms"))
        return cls(bool(timing.get("verified")), offset_ms, sd_ms, timing.get("certificate"), timing.get("reason"))


def judge(
    plan: Plan, output: tuple[str, str] | None, description: StreamDescription, trigger: int, today: datetime.date
) -> Timing:
    """Judge whether the plan's certificate holds for this run. ``output``: device and host interface of its sound, None without
    sound.

    Raises CertificateError for a file that cannot be read.
    """
    if plan.timing.certificate is None:
        return Timing()
    path = Path(plan.timing.certificate)
    certificate = load_certificate(path)
    entry = certificate.at(description.rate_hz)
    reason = _misfit(certificate, entry, plan, output, StreamOf.of(description, trigger, plan.trigger), description, today)
    if reason is not None or entry is None:
        return Timing(reason=f"{path.name}: {reason}")
    return Timing(True, entry.offset_ms, entry.sd_ms, certificate.id_of(entry), None)


def _misfit(
    certificate: Certificate,
    entry: Measured | None,
    plan: Plan,
    output: tuple[str, str] | None,
    stream: StreamOf,
    description: StreamDescription,
    today: datetime.date,
) -> str | None:
    """Reason why the certificate does not hold, None if it does."""
    if plan.sound is None or output is None:
        return "it is for our own sound, and this run listens to other equipment"
    rate_hz, channels = plan.sound.sample_rate_hz, plan.sound.card_channels
    used = OutputOf(device=output[0], host_interface=output[1], rate_hz=rate_hz, channels=channels)
    differing = differences(certificate, used, stream)
    if differing:
        return differing
    if entry is None:
        known = ", ".join(f"{one.rate_hz:g}" for one in certificate.measured)
        return f"the EEG runs at {description.rate_hz:g} Hz, the timing was checked at {known} Hz"
    if not entry.passed:
        return f"the timing check of {entry.issued} failed: {'; '.join(entry.problems)}"
    if not entry.issued <= today <= entry.expires:
        return f"the timing was checked on {entry.issued} and that held until {entry.expires}"
    return None


def differences(certificate: Certificate, output: OutputOf, stream: StreamOf) -> str:
    """Differences between the equipment now and at the time of the check, in words; empty if there are none."""
    here = {"output": output, "stream": stream}
    found = []
    if output.channels is not None and certificate.output.channels is None:
        found.append("it does not say which outputs of the card were measured, as older ones did not: repeat `quietfloor timing`")
        here["output"] = output.model_copy(update={"channels": None})
    for table, used in here.items():
        kept = getattr(certificate, table)
        for name in type(used).model_fields:
            if getattr(used, name) != getattr(kept, name):
                found.append(f"{table} {name} is {getattr(used, name)!r}, it was {getattr(kept, name)!r}")
    return "; ".join(found)


def advice(plan: Plan, timing: Timing) -> str:
    """Advice on the timing before the run; empty if there is none."""
    if plan.timing.certificate is not None and not timing.verified:
        return f"timing not verified: {timing.reason}"
    delay_ms = plan.analysis.amplifier_delay_ms
    if timing.verified and not isinstance(delay_ms, str) and abs(delay_ms - timing.offset_ms) > LARGEST_SD_MS:
        return (
            f"analysis.amplifier_delay_ms is {delay_ms:g}, but the timing check found {timing.offset_ms:.3f} ms; write "
            'amplifier_delay_ms = "certificate" to use that'
        )
    return ""


def with_delay(plan: Plan, timing: Timing) -> Plan:
    """The plan with the measured delay, if the plan asks for it. Raises PlanError if no valid certificate gives one."""
    if plan.analysis.amplifier_delay_ms != FROM_CERTIFICATE:
        return plan
    asked = 'analysis.amplifier_delay_ms = "certificate"'
    if not timing.verified:
        raise PlanError(f"{asked}: {timing.reason}. Repeat `quietfloor timing`, or give the delay in ms")
    if timing.offset_ms < -LARGEST_SD_MS:
        raise PlanError(
            f"{asked}: the EEG is {-timing.offset_ms:.3f} ms ahead of its trigger, which no delay makes good: let the trigger "
            "channel pass the same filter as the EEG"
        )
    return override(plan, {"analysis": {"amplifier_delay_ms": max(0.0, timing.offset_ms)}})
