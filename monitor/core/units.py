"""Whole units of sweeps of a live run: rejected sweeps with reasons, averages, looks and the decision."""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.signal import resample_poly

from .analysis import SHOWN, UNIT_SWEEPS, Look, RunningAnalysis, UnitResult
from .artefacts import Faults
from .events import AverageNow, CellUnit, Event, LookDone, UnitDone, Verdict
from .onsets import Onset
from .polarity import Polarities
from .reporting import DECIDING, look_event, reason
from .samples import Bools, Floats
from .settings import EngineSettings
from .watching import StreamWatch

DISPLAY_RATE_HZ = 16000.0  # averages leave the engine at least this finely sampled
KEPT_INTERVALS = 512
CELL_UNREAD = "cell_unread"


class Sweep(NamedTuple):
    """A sweep (n_channels, n_times) in uV with the faults of its channels; without a signal if no channel can be used.

    ``sign``: 1 for condensation, -1 for rarefaction, 0 if not known. ``sound``: number of its sound in the plan, negative if not
    known.
    """

    onset: Onset
    faults: Faults
    signal: Floats | None
    sign: int = 0
    sound: int = -1


@dataclass
class Counts:
    """Running totals of a run, up to its last whole unit."""

    presented: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    unread_units: int = 0  # of a recording with several cells


class UnitBuilder:
    """Joins sweeps to units. A sweep whose trigger is at least ``mark`` raw samples long, as sent by this program's player, is
    the first of a new unit; nan: units are not marked."""

    def __init__(self, mark: float) -> None:
        self.sweeps: list[Sweep] = []  # of the unit that is being filled
        self._mark = mark

    @property
    def missing(self) -> int:
        """Number of sweeps that the unit still needs."""
        return UNIT_SWEEPS - len(self.sweeps)

    def add(self, sweep: Sweep) -> list[list[Sweep]]:
        """Add a sweep; return the units that it completes, in order."""
        closed = []
        if self.sweeps and self._mark <= sweep.onset.width < np.inf:
            closed.append(self.close())
        self.sweeps.append(sweep)
        if not self.missing:
            closed.append(self.close())
        return closed

    def close(self) -> list[Sweep]:
        """Return the unit in its present state; the next sweep begins another unit."""
        unit, self.sweeps = self.sweeps, []
        return unit


class UnitEvaluator:
    """Judges one unit after the other."""

    def __init__(self, settings: EngineSettings, watch: StreamWatch) -> None:
        self.settings = settings
        self.counts = Counts()
        self.last_look: LookDone | None = None
        self.found: LookDone | None = None  # the look at which a response was found, if the run then went on
        self.intervals: deque[float] = deque(maxlen=KEPT_INTERVALS)  # raw samples between neighbouring onsets
        self._watch = watch
        self._channels = len(settings.layout.eeg)
        self._analysis = RunningAnalysis(settings.analysis, (self._channels,), SHOWN | settings.finds.needs)
        analysis = settings.analysis
        self._polarities = Polarities(self._channels, analysis.times_ms, analysis.window)
        self._first_position = np.nan  # of the first sweep, raw samples

    def judge(self, unit: list[Sweep], ready: int, lost_samples: int) -> list[Event]:
        """Judge a unit that was complete at raw sample ``ready``; return its events, a verdict last."""
        sweeps, usable, presented = self._together(unit)
        result = self._analysis.update(sweeps, usable, presented)
        signs = tuple(sweep.sign for sweep in unit)
        if any(signs):
            by_place = np.array([*signs, *[0] * (UNIT_SWEEPS - len(unit))], dtype=np.float64)
            self._polarities.update(sweeps, result.accepted, result.weight, by_place)
        reasons = left_out([sweep.faults[DECIDING] for sweep in unit], result)
        self.counts.presented += len(unit)
        self.counts.rejected.update(why for why in reasons if why is not None)
        positions = tuple(sweep.onset.position for sweep in unit)
        if self.counts.presented == len(unit):
            self._first_position = positions[0]
        self.intervals.extend(b - a for a, b in pairwise(positions))
        limits = self._analysis.limits.limits
        peak_limit = float(limits["peak"][DECIDING]) if "peak" in limits else np.nan
        own, used = sweeps[DECIDING], usable[DECIDING]
        return [
            *self._watch.unit(ready, own if used.all() else own[used]),
            UnitDone(ready, self._analysis.average.units, positions, reasons, peak_limit, signs),
            *([] if result.look is None else self._look(result.look, ready, positions[-1], lost_samples)),
        ]

    def count(self, unit: CellUnit) -> list[Event]:
        """Count a unit of a recording with several cells, which is judged elsewhere; return events on the noise, and the unit."""
        left_out = unit.faults if unit.cell >= 0 else (CELL_UNREAD,) * len(unit.faults)
        self.counts.presented += len(unit.positions)
        self.counts.rejected.update(why for why in left_out if why is not None)
        self.counts.unread_units += unit.cell < 0
        self.intervals.extend(b - a for a, b in pairwise(unit.positions))
        return [*self._watch.unit(unit.sample, unit.sweeps_uv[DECIDING][unit.usable[DECIDING]]), unit]

    def _together(self, unit: list[Sweep]) -> tuple[Floats, Bools, Bools | None]:
        """Sweeps (n_channels, UNIT_SWEEPS, n_times), which are usable, and which were presented (None: all)."""
        shape = (self._channels, UNIT_SWEEPS)
        sweeps = np.zeros((*shape, self.settings.epoch.n_times))
        usable: Bools = np.zeros(shape, dtype=bool)
        faultless: Faults = (None,) * self._channels
        for place, sweep in enumerate(unit):
            if sweep.signal is not None:
                sweeps[:, place] = sweep.signal
                usable[:, place] = True if sweep.faults == faultless else [fault is None for fault in sweep.faults]
        presented = None if len(unit) == UNIT_SWEEPS else np.broadcast_to(np.arange(UNIT_SWEEPS) < len(unit), shape)
        return sweeps, usable, presented

    def _look(self, look: Look, ready: int, last_position: float, lost_samples: int) -> list[Event]:
        settings, watch = self.settings, self._watch
        lasted = last_position - self._first_position
        per_s = (self.counts.presented - 1) * settings.layout.rate_hz / lasted if lasted > 0 else np.nan
        said = look_event(ready, look, settings.analysis, self.counts.rejected, lost_samples, per_s)
        self.last_look = said
        average_uv = self._analysis.average.average_uv()[DECIDING]
        events = [said, *watch.look(ready, settings.analysis.times_ms, average_uv, said.residual_noise_nv)]
        events += self._polarities.look(ready)
        if self.found is None and math.isfinite(said.waits_for_nv):
            self.found = said
        met = int(look.rule[DECIDING])
        if met >= 0:
            rule = settings.analysis.rules[met]
            why = self._present(said) if rule.outcome == "response_present" else reason(rule.stopped_by, said, settings)
            events.append(Verdict(ready, rule.outcome, rule.stopped_by, why))
        return events

    @property
    def waits(self) -> str | None:
        """Reason of a response that was found earlier while the run waits for a quieter average; None if there is none."""
        return None if self.found is None or self.last_look is None else self._present(self.last_look)

    def _present(self, look: LookDone) -> str:
        why = reason("response", look, self.settings, self.found)
        if self._watch.told_artefact:
            why += "; but the trigger leaks into the EEG, which alone may look like this: make a muted run"
        return why

    def average_now(self) -> AverageNow:
        """Present averages of all EEG channels, on a grid of at least 16 kHz inside the epoch."""
        average, epoch = self._analysis.average, self.settings.epoch
        up = max(1, int(np.ceil(DISPLAY_RATE_HZ / epoch.band.analysis_rate_hz)))
        times = epoch.first_ms + np.arange(epoch.n_times * up) * 1e3 / (epoch.band.analysis_rate_hz * up)
        inside = (times >= epoch.start_ms - 1e-9) & (times <= epoch.stop_ms + 1e-9)

        def fine(coarse: Floats) -> Floats:
            return np.asarray((resample_poly(coarse, up, 1, axis=-1) if up > 1 else coarse)[..., inside], dtype=np.float64)

        condensation_uv, rarefaction_uv = self._polarities.averages_uv()
        return AverageNow(
            times[inside].astype(np.float64),
            average_uv=fine(average.average_uv()),
            a_uv=fine(average.half_uv(0)),
            b_uv=fine(average.half_uv(1)),
            plus_minus_uv=fine(average.plus_minus_uv()),
            condensation_uv=fine(condensation_uv),
            rarefaction_uv=fine(rarefaction_uv),
        )


def left_out(faults: list[str | None], result: UnitResult) -> Faults:
    """Reason of rejection for each sweep in the deciding channel: its fault, else the first criterion that it exceeds."""
    if result.accepted[DECIDING, : len(faults)].all():
        return (None,) * len(faults)
    reasons = list(faults)
    for name, over in result.exceeded:
        for place in np.flatnonzero(over[DECIDING, : len(faults)]):
            reasons[place] = reasons[place] or name
    return tuple(reasons)
