"""A live muted recording as a null source: the sweeps at the real triggers of a run without sound, cut by the engine of a live
run.

Simulated onsets at random places (``recordings``) test the noise alone. Real triggers test the whole loop: disturbances that are
time-locked to the stimulus, such as crosstalk of the trigger into the EEG, or mains hum that is locked to the rate, are in these
sweeps as in a real run. Artefacts that only a driven transducer makes are not.
"""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.noises import Grid
from quietfloor.bench.simulate.recordings import RecordingError
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.epoching import Epoch
from quietfloor.monitor.core.events import Event, UnitDone
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.plan.run_plan import Plan, load_run_plan
from quietfloor.monitor.sources.base import EndOfRecording
from quietfloor.monitor.sources.channels import resolve_channels, unit_to_uv
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
NEVER = 2**30  # units: a block of so many never ends, so nothing is judged while sweeps are cut
PIECE_S = 1.0  # how much the engine is fed at once; where it is cut changes nothing
WANTED = "make a run with `muted = true` under [sound] in its plan and give its folder, or give other recordings as --recording"


@dataclass(frozen=True)
class MutedRun:
    """The folder of a muted run, and the settings of the engine for its stream."""

    path: Path
    settings: EngineSettings

    @property
    def grid(self) -> Grid:
        """That of the sweeps of a live run, the margins of its epoch included."""
        band, epoch = self.settings.band, self.settings.epoch
        return Grid(band.analysis_rate_hz, epoch.first_ms, epoch.n_times, self.settings.band_hz)


@dataclass(frozen=True)
class Loop:
    """Sweeps (n_units, 16, n_times) in uV, in units and in order as in the live run. ``presented`` (n_units, 16): places at which
    there was a trigger. ``usable`` (n_units, 16): sweeps without a fault; the others are 0. ``left_out``: number of the others,
    by reason."""

    name: str
    sha256: str
    channel: str
    duration_s: float
    sweeps: Singles
    usable: Bools
    presented: Bools
    left_out: dict[str, int]

    def require(self, units: int) -> None:
        """Raise RecordingError if a run of this many units would use the same noise twice."""
        if units > len(self.sweeps):
            held = len(self.sweeps) * UNIT_SWEEPS
            raise RecordingError(
                f"{self.name} holds {held} sweeps in whole units, and a run of {units * UNIT_SWEEPS} would meet the same noise "
                f"twice, which looks like a response: give --max-sweeps {held} or fewer, or make a longer muted run (see --help)"
            )


def plan_of(path: Path) -> Plan:
    """The plan of a muted run. Raises RecordingError for anything else, PlanError for a plan that cannot be read."""
    if not path.exists():
        raise RecordingError(f"--muted {path}: there is nothing of that name; {WANTED}")
    if not path.is_dir():
        raise RecordingError(f"--muted {path} is a file, not the folder of a run: {WANTED}")
    try:
        folder = RunFolder.open(path)
    except FolderError as error:
        raise RecordingError(f"--muted: {error}; {WANTED}") from error
    if not folder.plan.is_file():
        raise RecordingError(f"--muted {path} has no {folder.plan.name}: the run ended in its first second; {WANTED}")
    plan = load_run_plan(folder.plan)
    if plan.sound is None:
        raise RecordingError(
            f"--muted {path} is a run that listened to other equipment ({folder.plan.name} has no [sound]): nothing says that it "
            f"was silent; {WANTED}"
        )
    if not plan.sound.muted:
        raise RecordingError(
            f"--muted {path} is a run with sound ({folder.plan.name}: muted = false under [sound]): its sweeps may hold a "
            f"response; {WANTED}"
        )
    return plan


def muted_run(path: Path, plan: Plan, channel: str | None = None, unit: str | None = None) -> MutedRun:
    """``plan`` on the stream that was recorded in ``path``; ``channel`` instead of those of the plan, ``unit`` where it has none.

    Raises RecordingError, PlanError, SourceError, XdfError.
    """
    seen = RecordingSource(RunFolder.open(path).raw).description
    channels = resolve_channels(seen, plan.stream.eeg if channel is None else (channel,), plan.stream.trigger)
    uv = unit_to_uv(plan.stream.unit or unit or "")
    if math.isnan(uv):
        raise RecordingError(f"--muted {path}: its plan names no unit of the stream: give --unit uV, mV or V")
    labels = tuple(seen.label(index) for index in range(seen.channel_count))
    return MutedRun(path, plan.engine_settings(Layout(seen.rate_hz, labels, channels.eeg, channels.trigger, uv)))


@lru_cache(maxsize=2)
def sweeps_of(run: MutedRun) -> Loop:
    """Cut all sweeps; kept in memory, since a worker draws many batches from the same run. Raises RecordingError, XdfError."""
    settings, raw = run.settings, RunFolder.open(run.path).raw
    still = replace(settings.evidence, block_units=NEVER, warm_up_units=NEVER)
    signal = _Signal(settings.epoch)
    engine = Engine(replace(settings, criteria=(), evidence=still), signal.take)
    source = RecordingSource(raw, chunk_samples=max(1, round(PIECE_S * settings.layout.rate_hz)))
    events: list[Event] = []
    while engine.verdict is None:
        try:
            chunk = source.pull()
        except EndOfRecording:
            break
        events += engine.feed(chunk) if chunk is not None else []
    ended = engine.verdict.reason if engine.verdict is not None else "the recording ends before"
    events += engine.finish("fault", ended)
    units = [event for event in events if isinstance(event, UnitDone)]
    if not units:
        raise RecordingError(f"{run.path} holds no whole unit of {UNIT_SWEEPS} sweeps ({ended}): make a longer muted run")
    sweeps: Singles = np.zeros((len(units), UNIT_SWEEPS, settings.epoch.n_times), dtype=np.float32)
    usable = np.zeros(sweeps.shape[:2], dtype=bool)
    presented = np.zeros_like(usable)
    left_out: Counter[str] = Counter()
    for number, unit in enumerate(units):
        left_out.update(fault for fault in unit.left_out if fault is not None)
        presented[number, : len(unit.left_out)] = True
        usable[number, : len(unit.left_out)] = [fault is None for fault in unit.left_out]
        for place in np.flatnonzero(usable[number]):
            sweeps[number, place] = signal.sweep(unit.positions[place])
    sweeps.setflags(write=False)
    return Loop(
        name=str(run.path),
        sha256=hashlib.sha256(raw.read_bytes()).hexdigest(),
        channel=settings.layout.labels[settings.layout.eeg[0]],
        duration_s=(units[-1].positions[-1] - units[0].positions[0]) / settings.layout.rate_hz,
        sweeps=sweeps,
        usable=usable,
        presented=presented,
        left_out=dict(left_out),
    )


class _Signal:
    """The filtered signal of the deciding channel, in unbroken segments, as an engine hands it on."""

    def __init__(self, epoch: Epoch) -> None:
        self._epoch = epoch
        self._origins: list[int] = []  # raw sample of the first output of each segment
        self._parts: list[list[Floats]] = []
        self._next = math.nan

    def take(self, first: float, filtered_uv: Floats) -> None:
        """``on_signal`` of the engine: outputs (n_channels, n), the first at raw sample ``first``."""
        if first != self._next:
            self._origins.append(round(first))
            self._parts.append([])
        self._parts[-1].append(filtered_uv[0].copy())
        self._next = first + filtered_uv.shape[1] * self._epoch.band.step

    def sweep(self, position: float) -> Floats:
        """The sweep (n_times,) of an onset at raw ``position``; all its samples must be there."""
        number = bisect_right(self._origins, position + self._epoch.band.first_output) - 1
        if len(self._parts[number]) > 1:
            self._parts[number] = [np.concatenate(self._parts[number])]
        cut = self._epoch.plan(position, self._origins[number])
        outputs = self._parts[number][0][np.newaxis, cut.first : cut.stop]
        return np.asarray(self._epoch.read(outputs, cut.phase)[0])


class MutedDraws:
    """Units of sweeps for one run per seed; see ``Source`` in noises.

    A run begins at a random unit and continues in order; after the last unit comes the first. Slow changes, and disturbances that
    are time-locked to the stimulus, are therefore preserved. No run may be longer than the recording.
    """

    def __init__(self, loop: Loop, seeds: Sequence[np.random.SeedSequence]) -> None:
        self._loop = loop
        units = len(loop.sweeps)
        self._at = np.array([np.random.Generator(np.random.PCG64(seed)).integers(units) for seed in seeds])
        self._given = 0
        self.gain: Floats = np.ones((len(seeds), UNIT_SWEEPS))
        self.usable = self.presented = np.zeros((len(seeds), UNIT_SWEEPS), dtype=bool)

    def unit(self) -> Singles:
        self._given += 1
        self._loop.require(self._given)
        sweeps: Singles = self._loop.sweeps[self._at]  # a copy: what is added to a run stays out of the loop
        self.usable, self.presented = self._loop.usable[self._at], self._loop.presented[self._at]
        self._at = (self._at + 1) % len(self._loop.sweeps)
        return sweeps
