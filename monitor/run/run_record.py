"""run.json: results of a run, how it was stopped, and everything that is needed to judge it. Keys are stable; unknown is null."""

from __future__ import annotations

import contextlib
import importlib.metadata
import math
import platform
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import LookDone, Verdict
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run.timing_certificate import Timing
from quietfloor.monitor.run.unit_check import UnitFinding
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.record import search_record
from quietfloor.monitor.sources.base import StreamDescription

FORMAT = "quietfloor run 1"
BEGUN_FORMAT = "quietfloor begun run 1"
FIGURES = (
    "evidence",
    "p_value",
    "fsp",
    "residual_noise_nv",
    "noise_cause",
    "upper_limit_nv",
    "sweeps_presented",
    "sweeps_accepted",
    "rejected",
)
SERIOUS_PPM = 1000.0  # above 0.1 % times in ms are not to be trusted until the rate is confirmed


def versions() -> dict[str, str]:
    """Versions of this program and of the libraries on which its numbers depend."""
    found = {"python": platform.python_version(), "platform": platform.platform()}
    for name in ("quietfloor", "numpy", "scipy", "pylsl"):
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def processor() -> str:
    """Model of the processor, as the operating system names it."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def machine() -> dict[str, str | None]:
    """Properties of the machine on which the last digits of a number depend: processor, and numerics libraries.

    ``kernels``: libraries of linear algebra, each with its version and the core type whose code it runs, null if that is not
    known. ``simd``: extensions of the processor that numpy uses.
    """
    kernels = None
    with contextlib.suppress(ImportError):
        from threadpoolctl import threadpool_info

        told = [[one.get(key) for key in ("internal_api", "version", "architecture")] for one in threadpool_info()
                if one["user_api"] == "blas"]  # fmt: skip
        kernels = ", ".join(sorted({" ".join(filter(None, one)) for one in told}))
    simd = " ".join(np.show_config("dicts").get("SIMD Extensions", {}).get("found", []))
    return {"processor": processor(), "architecture": platform.machine(), "kernels": kernels, "simd": simd}


def begin_record(
    started: str, *, sound: dict[str, Any] | None, calibration: str | None, timing: Timing, acknowledged: dict[str, Any] | None
) -> dict[str, Any]:
    """The part of run.json that cannot be computed from samples. It is written at the start, in case the program is killed."""
    return {
        "format": BEGUN_FORMAT,
        "started": started,
        "stimulus": sound,
        "calibration": calibration,
        "timing": {"verified": timing.verified, "offset_ms": timing.offset_ms, "sd_ms": timing.sd_ms,
                   "certificate": timing.certificate, "reason": timing.reason},
        "cautions_acknowledged": acknowledged,
    }  # fmt: skip


def run_record(
    plan: Plan,
    verdict: Verdict | None,
    engine: Engine | None,
    *,
    stream: StreamDescription,
    unit: UnitFinding | None,
    sound: dict[str, Any] | None,
    calibration: str | None,
    failure: str | None = None,
    started: str | None = None,
    timing: Timing | None = None,
    acknowledged: dict[str, Any] | None = None,
    from_recording: bool = False,
    search: PlannedSearch | None = None,
) -> dict[str, Any]:
    """Content of run.json. ``sound``: record of the sound played, None if other equipment made it. ``started``: ISO time.
    ``acknowledged``: record of the acknowledgement of the cautions, None without. ``from_recording``: the run was cut short, and
    this is made from its recording."""
    look = None if engine is None else engine.last_look
    return {
        "format": FORMAT,
        "title": plan.title,
        "started": started,
        "verdict": None if verdict is None else verdict.verdict,
        "stopped_by": None if verdict is None else verdict.stopped_by,
        "reason": None if verdict is None else verdict.reason,
        "fault": failure,
        "alpha": plan.decision.alpha,
        "rule": None if engine is None else _rule(engine),
        **_figures(look),
        **_sweeps(engine, search),
        "lost_samples": None if engine is None else engine.lost_samples,
        "foreign_sweeps": None if engine is None else engine.foreign_sweeps,
        "timing": _timing(engine, timing or Timing()),
        "from_recording": from_recording,
        "calibration": calibration or "uncalibrated",
        "cautions_acknowledged": acknowledged,
        "search": None if search is None else search_record(search),
        "stimulus": sound,
        "seed": None if plan.sound is None else plan.sound.seed,
        "stream": {
            "name": stream.name,
            "type": stream.type,
            "source_id": stream.source_id,
            "host": stream.host,
            "rate_hz": stream.rate_hz,
            "eeg": list(plan.stream.eeg),
            "trigger": plan.stream.trigger,
            "uv_per_unit": None if unit is None else unit.uv_per_unit,
            "unit_from": None if unit is None else unit.origin,
            "rms_uv": None if unit is None else unit.rms_uv,
        },
        "filter": _filter(engine),
        "versions": versions(),
        "machine": machine(),
    }


def _figures(look: LookDone | None) -> dict[str, Any]:
    """The last look with the keys of run.json."""
    if look is None:
        return dict.fromkeys(FIGURES)
    return {name: getattr(look, name) for name in FIGURES}


def _sweeps(engine: Engine | None, search: PlannedSearch | None) -> dict[str, Any]:
    """Of a search, which has no last look: all sweeps of the recording, those of pauses too."""
    if engine is None or search is None:
        return {}
    looks = [look for one in search.now().conditions for look in one.looks if look is not None]
    return {
        "sweeps_presented": engine.counts.presented,
        "sweeps_accepted": sum(look.accepted for look in looks),
        "rejected": dict(engine.counts.rejected + search.rejected),
    }


def _rule(engine: Engine) -> dict[str, Any]:
    """The rule that could find a response, its error rate (null: none), and the identity of all settings that shaped the
    decision."""
    finds = engine.settings.finds
    return {"name": engine.settings.rule, "promise": finds.promise, "identity": engine.settings.identity}


def _timing(engine: Engine | None, timing: Timing) -> dict[str, Any]:
    """What is known about timing; "verified" needs a certificate of this output on this stream that holds today."""
    ppm, error = engine.rate.ppm() if engine is not None else (math.nan, math.nan)
    return {
        "verified": timing.verified,
        "offset_ms": timing.offset_ms,
        "sd_ms": timing.sd_ms,
        "certificate": timing.certificate,
        "reason": timing.reason,
        "source": "trigger channel in the EEG stream",
        "trigger_edges": engine.trigger_edges if engine is not None else None,
        "delay_ms": engine.settings.delay_ms if engine is not None else None,
        "rate_ppm": ppm,
        "rate_ppm_se": error,
        "rate_confirmed": None if math.isnan(error) else not abs(ppm) > SERIOUS_PPM + 6 * error,
    }


def _filter(engine: Engine | None) -> dict[str, Any] | None:
    if engine is None:
        return None
    band = engine.settings.band
    return {
        "kind": "linear phase, finite impulse response, delay compensated to 0",
        "low_hz": band.low_hz,
        "high_hz": band.high_hz,
        "taps": [len(band.decimator), len(band.bandpass)],
        "analysis_rate_hz": band.analysis_rate_hz,
        "reach_ms": 1e3 * band.reach / band.rate_hz,
    }
