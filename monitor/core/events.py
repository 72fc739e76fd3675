"""Events of the engine: frozen values. ``record()`` gives the JSON object that is kept (unknown is null, never 0)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from .rules import Measure
from .samples import Bools, Floats
from .stopping import Outcome, StoppedBy
from .train import Stream


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


@dataclass(frozen=True)
class Event:
    """Something that became certain when raw sample ``sample`` had arrived (counted from the start of the run)."""

    sample: int
    kind: ClassVar[str] = "event"
    kept: ClassVar[bool] = True  # goes into events.jsonl
    unsaid: ClassVar[frozenset[str]] = frozenset()  # fields that do not: a replay has them again

    def record(self) -> dict[str, Any]:
        return {"type": self.kind} | {key: _plain(value) for key, value in vars(self).items() if key not in self.unsaid}


@dataclass(frozen=True)
class TriggerLearned(Event):
    """The trigger channel was learned: resting level and threshold in stream units, direction, kind of edges."""

    kind: ClassVar[str] = "trigger_learned"
    rest: float
    threshold: float
    direction: str
    edges: str


@dataclass(frozen=True)
class TriggerSilent(Event):
    """There was no trigger for ``silent_s`` of stream time. Possible causes: cable, wrong channel, or the sound has stopped."""

    kind: ClassVar[str] = "trigger_silent"
    silent_s: float


@dataclass(frozen=True)
class TriggerDoubled(Event):
    """A trigger came sooner after another than half the usual interval; that sweep is rejected."""

    kind: ClassVar[str] = "trigger_doubled"
    position: float


@dataclass(frozen=True)
class SoundBroken(Event):
    """The sound broke at raw sample ``position``, or (``by_device``) before it. ``sweeps``: number of sweeps rejected because of
    it."""

    kind: ClassVar[str] = "sound_broken"
    position: float
    sweeps: int
    by_device: bool


@dataclass(frozen=True)
class ForeignSound(Event):
    """``sweeps`` came before this run's own sound began, and were dropped; or (``refused``) they do not follow its plan, and the
    run ends."""

    kind: ClassVar[str] = "foreign_sound"
    sweeps: int
    refused: bool


@dataclass(frozen=True)
class Gap(Event):
    """The stream is broken here. ``reason``: "lost" (stamps jump ahead), "clock" (stamps go back), "repeated" (stamps repeat),
    "no_stamp" (stamps are not numbers) or "not_finite" (samples are not finite)."""

    kind: ClassVar[str] = "gap"
    reason: str
    by_s: float
    lost_samples: int  # in total so far


@dataclass(frozen=True)
class RateMismatch(Event):
    """The stamps give another sampling rate than the stream states."""

    kind: ClassVar[str] = "rate_mismatch"
    nominal_hz: float
    measured_hz: float
    ppm: float
    serious: bool  # above 0.1 %: times in ms cannot be trusted until the rate is confirmed
    refused: bool = False  # above 1 %: the run ends


@dataclass(frozen=True)
class TriggerMissing(Event):
    """``count`` triggers are missing since the last unit mark, or since the last trigger of a regular train."""

    kind: ClassVar[str] = "trigger_missing"
    count: int


@dataclass(frozen=True)
class TriggerChanged(Event):
    """A trigger at ``position`` is a step, where pulses came before; that sweep is rejected. The cause may be an inverted
    polarity or another source."""

    kind: ClassVar[str] = "trigger_changed"
    position: float


@dataclass(frozen=True)
class TriggerGrid(Event):
    """Triggers come only at multiples of ``samples``: the trigger channel is sampled less often than the EEG, or the stimulator
    shares the clock of the EEG."""

    kind: ClassVar[str] = "trigger_grid"
    samples: int


@dataclass(frozen=True)
class TriggerArtefact(Event):
    """The average is largest at the trigger, before any response is possible: ``uv`` at ``at_ms``."""

    kind: ClassVar[str] = "trigger_artefact"
    uv: float
    at_ms: float


@dataclass(frozen=True)
class StimulusArtefact(Event):
    """A signal that changes sign with the sound extends into the response window: at most ``uv`` there, at ``at_ms``. It is half
    the difference between the averages of the two polarities."""

    kind: ClassVar[str] = "stimulus_artefact"
    uv: float
    at_ms: float


@dataclass(frozen=True)
class NoiseChanged(Event):
    """The usual peak of a sweep went from ``before_uv`` to ``now_uv`` between one unit and the next ones."""

    kind: ClassVar[str] = "noise_changed"
    before_uv: float
    now_uv: float


@dataclass(frozen=True)
class UnitDone(Event):
    """One unit of sweeps was judged: positions of the sweeps (raw samples), and the reason for each rejection (None:
    accepted)."""

    kind: ClassVar[str] = "unit"
    kept: ClassVar[bool] = False
    unit: int
    positions: tuple[float, ...]
    left_out: tuple[str | None, ...]
    peak_limit_uv: float
    signs: tuple[int, ...] = ()  # 1 condensation, -1 rarefaction, 0 not known


@dataclass(frozen=True)
class CellUnit(Event):
    """One unit of a recording with several cells: number of the unit in the run, its cell (negative: it could not be read and is
    left out), and the number of triggers since the previous unit that belong to no sound of the plan.

    For the sweeps that exist, in order: positions (raw samples), fault of the deciding channel, sign. For all 16 places of the
    unit: sweeps (n_channels, 16, n_times) in uV, 0 where a sweep is missing, and whether each has no fault (n_channels, 16).
    ``ear``: where both ears hear sounds at once, that of these sounds; there is then a unit of each ear with the same number.
    ``sound``: where an ear hears two at once, which of them (0, 1); there is then a unit of each with the same number.
    """

    kind: ClassVar[str] = "cell_unit"
    unsaid: ClassVar[frozenset[str]] = frozenset({"positions", "faults", "signs", "sweeps_uv"})
    unit: int
    cell: int
    strays: int
    positions: tuple[float, ...]
    faults: tuple[str | None, ...]
    signs: tuple[int, ...]
    sweeps_uv: Floats = field(compare=False, repr=False)
    usable: Bools = field(compare=False, repr=False)
    ear: str | None = None
    sound: int | None = None

    @property
    def stream(self) -> Stream:
        return self.ear, self.sound or 0

    def record(self) -> dict[str, Any]:
        counts = {"sweeps": len(self.positions), "usable": int(self.usable[0].sum())}
        said = super().record() | {"cell": self.cell if self.cell >= 0 else None} | counts
        return {name: value for name, value in said.items() if name not in ("ear", "sound") or value is not None}


@dataclass(frozen=True)
class LookDone(Event):
    """One look at the deciding channel. Keys are explained in ``docs/file-formats.md``."""

    kind: ClassVar[str] = "look"
    sweeps_presented: int
    sweeps_accepted: int
    rejected: dict[str, int]
    rule: str  # that may find a response
    measure: Measure  # of its standing
    standing: float  # the rule says yes where this reaches what is needed
    needed: float
    evidence: float  # log10
    p_value: float  # anytime-valid, of the evidence
    residual_noise_nv: float
    noise_cause: str
    within_units_nv: float
    between_units_nv: float
    single_point_nv: float
    plus_minus_nv: float
    fsp: float
    upper_limit_nv: float
    forecast_low_sweeps: float  # presented sweeps from now to the end, by a decision or the sweep limit: 10 % point
    forecast_median_sweeps: float
    forecast_high_sweeps: float  # 90 % point
    sweeps_per_s: float  # presented so far, pauses included
    forecast_response: float  # probability that a response will be there, when it was even at the start
    forecast_limit: float  # probability that the sweeps run out first
    lost_samples: int
    noise_repeats: bool = False  # more between units than within, beyond chance over all looks so far
    waits_for_nv: float = math.nan  # noise for which a response that was found waits; nan where none waits


@dataclass(frozen=True)
class Verdict(Event):
    """The decision of the run, its last event."""

    kind: ClassVar[str] = "verdict"
    verdict: Outcome
    stopped_by: StoppedBy
    reason: str


@dataclass(frozen=True)
class AverageNow:
    """Present averages (display and average.csv): each (n_channels, n_times) in uV at ``times_ms``."""

    times_ms: Floats
    average_uv: Floats
    a_uv: Floats
    b_uv: Floats
    plus_minus_uv: Floats
    condensation_uv: Floats | None = None  # None, and nan: the polarities are not known
    rarefaction_uv: Floats | None = None

    def columns_uv(self, channel: int = 0) -> list[Floats]:
        """Columns of average.csv after the time, each (n_times,) in uV."""
        nothing = np.full(len(self.times_ms), np.nan)
        by_polarity = (nothing if one is None else one[channel] for one in (self.condensation_uv, self.rarefaction_uv))
        return [self.average_uv[channel], self.a_uv[channel], self.b_uv[channel], self.plus_minus_uv[channel], *by_polarity]
