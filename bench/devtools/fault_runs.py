"""Runs on streams with a fault in them, through the engine of a live run: is it named, what is rejected, what is the verdict?

Noise and onsets follow from a seed; onsets are those of the plan's own schedule, whose trigger is read by a digital port.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from quietfloor.bench.patient.stream_faults import STREAM_FAULTS, Injector
from quietfloor.bench.simulate.responses import wave_v
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event, Gap
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.stimuli.schedule import Schedule

Floats = NDArray[np.float64]
RATE_HZ, AUDIO_HZ = 4000.0, 48_000.0
SECONDS = 32.0
ALPHA, FLOOR_NV, MAX_SWEEPS = 0.05, 40.0, 1024  # many false alarms meant, so that fewer runs tell a rate
NOISE_UV, RESPONSE_NV, LATENCY_MS = 1.0, 450.0, 7.0
TRIGGER_UV = 158.0
LEAD_IN_S = 0.5
BLOCK = 200  # samples
EARLIEST_S, LATEST_S = 1.5, 3.0  # when a fault strikes first


@dataclass(frozen=True)
class FaultRun:
    """How one run ended, the names of what was said, sweeps rejected by reason, and samples that were lost and said to be."""

    verdict: str
    stopped_by: str
    named: frozenset[str]
    rejected: dict[str, int] = field(default_factory=dict)
    presented: int = 0
    lost_true: int = 0
    lost_said: int = 0
    seconds: float = 0.0


def settings_for(limit_uv: float = np.inf, seed: int = 1) -> EngineSettings:
    plan = make_plan(
        {
            "sound": {"level_db_fs": -30.0, "lead_in_s": LEAD_IN_S, "seed": seed},
            "analysis": {"window_ms": (5.0, 15.0), "latency_ms": (LATENCY_MS - 1.5, LATENCY_MS + 1.5)},
            "decision": {"alpha": ALPHA, "floor_nv": FLOOR_NV, "max_sweeps": MAX_SWEEPS},
        }
    )
    return plan.engine_settings(Layout(RATE_HZ, ("Cz", "trigger"), (0,), 1, 1.0, limit_uv))


def noise(rng: np.random.Generator, n: int) -> tuple[Floats, Floats]:
    """EEG (n,) in uV that falls with frequency, its RMS as in 100 to 1500 Hz, and a trigger line (n,) at rest."""
    white = rng.standard_normal(n)
    eeg = signal.lfilter(*signal.butter(1, 300.0, fs=RATE_HZ), white) + 0.1 * rng.standard_normal(n)
    band = signal.sosfilt(signal.butter(4, (100.0, 1500.0), "bandpass", fs=RATE_HZ, output="sos"), eeg)
    return np.asarray(eeg * (NOISE_UV / band.std()), dtype=np.float64), np.zeros(n)


def place_sweep(eeg: Floats, line: Floats, onset: int, first: bool, response_nv: float) -> None:
    """Add a response of that size and a trigger at sample ``onset``; nothing where the stream ends before."""
    wave = _wave(response_nv)
    if onset >= len(eeg) - len(wave):
        return
    lobe = round(0.5e-3 * RATE_HZ)
    width = 2 * lobe if first else lobe  # of a unit
    line[onset : onset + width], line[onset + width : onset + 2 * width] = TRIGGER_UV, -TRIGGER_UV
    eeg[onset : onset + len(wave)] += wave


@cache
def _wave(response_nv: float) -> Floats:
    times = np.arange(round(20e-3 * RATE_HZ))
    wave = wave_v(np.asarray(1e3 * times / RATE_HZ - LATENCY_MS, dtype=np.float64))
    return np.asarray(wave * (1e-3 * response_nv / np.ptp(wave)))


def stream(seed: int, response_nv: float) -> tuple[Floats, Floats]:
    """Samples (2, n) in uV, EEG and trigger, and stamps (n,)."""
    n = round(SECONDS * RATE_HZ)
    eeg, line = noise(np.random.default_rng([seed, round(response_nv)]), n)
    schedule = Schedule(47.1, AUDIO_HZ, seed=seed, lead_in_s=LEAD_IN_S)
    onsets = np.ceil(schedule.onsets(2 * MAX_SWEEPS) * RATE_HZ / AUDIO_HZ).astype(int)
    for number, onset in enumerate(onsets.tolist()):
        place_sweep(eeg, line, onset, number % 16 == 0, response_nv)
    return np.vstack([eeg, line]), 100.0 + np.arange(n) / RATE_HZ


def fault_run(name: str, seed: int, response_nv: float = 0.0) -> FaultRun:
    """One run with the fault of that name."""
    fault = STREAM_FAULTS[name]
    engine = Engine(settings_for(fault.limit_uv, seed))
    rng = np.random.default_rng([seed, 99])
    injector = Injector(fault, RATE_HZ, float(rng.uniform(EARLIEST_S, LATEST_S)), seed)
    samples, stamps_s = stream(seed, response_nv)
    events: list[Event] = []
    lost = 0
    for start in range(0, samples.shape[1], BLOCK):
        piece = slice(start, start + BLOCK)
        made, stamped = injector.apply(samples[:, piece], stamps_s[piece])
        lost += len(stamps_s[piece]) - made.shape[1]
        if made.shape[1]:
            events += engine.feed(Chunk(made, stamped))
        if engine.verdict is not None:
            break
    if engine.verdict is None:
        events += engine.finish("fault", "the stream ends here")
    assert engine.verdict is not None
    return FaultRun(
        engine.verdict.verdict,
        engine.verdict.stopped_by,
        frozenset(_name(event) for event in events),
        dict(engine.counts.rejected),
        engine.counts.presented,
        lost,
        engine.lost_samples,
        engine.sample / RATE_HZ,
    )


def _name(event: Event) -> str:
    return f"gap:{event.reason}" if isinstance(event, Gap) else event.kind


@dataclass
class Tally:
    """Runs of one fault, added up."""

    name: str
    null: Counter[str] = field(default_factory=Counter)  # verdicts of runs without a response
    response: Counter[str] = field(default_factory=Counter)
    named: int = 0  # runs in which every event that must be there was
    ended: int = 0  # runs that ended on a fault
    left_out: Counter[str] = field(default_factory=Counter)
    presented: int = 0
    lost_true: int = 0
    lost_said: int = 0

    @property
    def runs(self) -> int:
        return self.null.total() + self.response.total()

    def add(self, run: FaultRun, response: bool) -> None:
        (self.response if response else self.null)[run.verdict] += 1
        fault = STREAM_FAULTS[self.name]
        there = set(fault.says) <= run.named and (not fault.leaves_out or bool(fault.leaves_out & set(run.rejected)))
        said = there or run.seconds < fault.told_after_s
        self.named += said
        self.ended += run.stopped_by == "fault"
        self.left_out.update(run.rejected)
        self.presented += run.presented
        self.lost_true += run.lost_true
        self.lost_said += run.lost_said


def work(names: list[str], runs: int, responses: int, seed: int) -> Iterator[tuple[str, int, float]]:
    """Everything that has to be done: fault, seed and size of the response of each run."""
    for name in names:
        for number in range(runs):
            yield name, seed * 100_000 + number, 0.0
        for number in range(responses):
            yield name, seed * 100_000 + number, RESPONSE_NV
