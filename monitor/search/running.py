"""A search in progress over one or several conditions: it takes units, and gives the next cell and the answers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from quietfloor.monitor.core.analysis import AnalysisSettings
from quietfloor.monitor.core.artefacts import RunningLimits
from quietfloor.monitor.core.averaging import Unit, reduce_unit
from quietfloor.monitor.core.cell_order import Place
from quietfloor.monitor.core.samples import Bools, Floats

from .cells import Cell, CellLook, SharedNoise, found, refuted
from .choice import SHARE, UNITS, Choice, Wanted, choose, over, proof_s, within_rise
from .expected import Expected, passed_on
from .outlook import Outlook, Progress, foretell, in_turn
from .posterior import OUTSIDE_DB, Belief, Posterior
from .prior import GrowthPrior, Waves


@dataclass(frozen=True)
class Condition:
    """A condition to search: levels in dB nHL, softest first, the settings of a run at each level, and latencies not limited to
    the window.

    The settings share epoch, window and filter; only the expected latencies differ. ``brackets_ms`` (n_levels, 2). ``rank``:
    conditions of a lower rank are searched first. ``unit_s``: mean duration of a unit in s. ``expected_db``, ``expected_sd_db``:
    threshold expected beforehand and its SD (nan: none). ``ear`` and ``frequency_hz`` (nan: none, as for a click) determine which
    other thresholds are used as an expectation; an ear without a name is similar to no other.
    """

    levels_db: tuple[float, ...]
    settings: tuple[AnalysisSettings, ...]
    brackets_ms: tuple[tuple[float, float], ...]
    unit_s: float
    start_db: float = 40.0
    rank: int = 0
    ear: str = ""
    frequency_hz: float = math.nan
    expected_db: float = math.nan
    expected_sd_db: float = math.nan

    def __post_init__(self) -> None:
        if not len(self.levels_db) == len(self.settings) == len(self.brackets_ms) > 0:
            raise ValueError("a condition has one setting and one bracket of latencies for each of its levels, at least one")
        if list(self.levels_db) != sorted(set(self.levels_db)):
            raise ValueError(f"levels_db = {self.levels_db}: give each level once, the softest first")
        first = self.settings[0]
        for one in self.settings:
            if (one.rate_hz, one.start_ms, one.n_times, one.window_ms) != (
                first.rate_hz, first.start_ms, first.n_times, first.window_ms,
            ):  # fmt: skip
                raise ValueError("the levels of a condition share rate, epoch and window: take those of its loudest level")

        if math.isfinite(self.expected_db) and not self.expected_sd_db > 0:
            raise ValueError(f"expected_sd_db = {self.expected_sd_db:g}: give how uncertain expected_db is, above 0 dB")

    @cached_property
    def levels(self) -> Floats:
        return np.array(self.levels_db)

    def octaves_from(self, other: Condition) -> float:
        """Distance of the frequencies in octaves; nan if only one condition has a frequency."""
        if math.isnan(self.frequency_hz) and math.isnan(other.frequency_hz):
            return 0.0
        return abs(math.log2(self.frequency_hz / other.frequency_hz))

    @cached_property
    def waves(self) -> Waves:
        first = self.settings[0]
        return Waves(first.window_times_ms, self.levels, np.array(self.brackets_ms), first.gain)

    def growths(self, visible_uv: float) -> GrowthPrior:
        return GrowthPrior(self.levels_db[0], self.levels_db[-1], visible_uv, self.waves.rms_per_peak)


@dataclass(frozen=True)
class Next:
    """The cell to play next, and why."""

    place: Place
    choice: Choice


@dataclass(frozen=True)
class Answer:
    """Answer of one condition. Levels in dB nHL. The threshold and its 95 % interval are nan before the noise is known. +inf
    means above all levels. ``low_db`` is -inf if the lower limit lies so far below all levels that nothing is known.

    ``found_db``: lowest level for which a response at that level or below is proven, nan for none. ``limits_nv`` (n_levels,): the
    largest response that is still possible, peak to trough; nan where not known.
    """

    threshold_db: float
    low_db: float
    high_db: float
    found_db: float
    finished: bool
    seconds: float
    sweeps: tuple[int, ...]  # presented at each level
    log10: tuple[float, ...]
    limits_nv: tuple[float, ...] = field(default=())


class _Running:
    """State of one condition."""

    def __init__(self, condition: Condition, wanted: Wanted) -> None:
        self.condition, self.wanted = condition, wanted
        self.cells: dict[int, Cell] = {}
        self.posterior: Posterior | None = None
        self.belief: Belief | None = None
        self.refuted: Bools = np.zeros(len(condition.levels_db), dtype=bool)
        self.units = np.zeros(len(condition.levels_db), dtype=np.int64)
        self.finished = False
        self.inverse: Floats | None = None
        self.shape: Floats | None = None
        self.offered: Bools = np.ones(len(condition.levels_db), dtype=bool)

    def learn_noise(self, matrix: Floats) -> None:
        points = len(self.condition.settings[0].window_times_ms)
        self.shape = matrix[:points, :points]
        self.inverse = np.asarray(np.linalg.inv(self.shape))
        for cell in self.cells.values():
            cell.learn_noise(self.shape, self.inverse)

    def cell(self, level: int) -> Cell:
        if level not in self.cells:
            cell = self.cells[level] = Cell(self.condition.settings[level])
            if self.shape is not None and self.inverse is not None:
                cell.learn_noise(self.shape, self.inverse)
        return self.cells[level]

    def log10(self) -> Floats:
        out = np.zeros(len(self.condition.levels_db))
        for level, cell in self.cells.items():
            out[level] = cell.log10
        return out

    def update(self, level: int, unit: Unit) -> None:
        self.cell(level).update(unit)
        self.units[level] += 1
        if self.inverse is not None:
            self.refuted |= refuted(self.log10(), self.wanted.alpha)

    @property
    def seconds(self) -> float:
        """Duration of its signal in s."""
        return float(self.units.sum()) * self.condition.unit_s

    @property
    def found(self) -> Bools:
        return found(self.refuted)

    @property
    def open(self) -> bool:
        return not self.finished and bool(self.offered.any())

    def believe(self, expected: tuple[Expected, ...]) -> None:
        """Update the posterior from the cells; does nothing before the noise is known, or if no cell has weight."""
        condition = self.condition
        levels = condition.levels
        if self.inverse is None or not any(cell.weight > 0 for cell in self.cells.values()):
            return
        if self.posterior is None:
            self.posterior = Posterior(condition.waves, condition.growths(self.wanted.visible_uv), self.inverse)
        self.posterior.beforehand = expected
        sums, weights = np.zeros((len(levels), len(self.inverse))), np.zeros(len(levels))
        for level, cell in self.cells.items():
            sums[level], weights[level] = cell.sum, cell.weight
        belief = self.belief = self.posterior.update(sums, weights)
        self.finished = over(belief, self.wanted, levels, self.found, self.seconds, self.offered)

    def progress(self, weight_per_s: float) -> Progress:
        """Progress of the condition; ``weight_per_s`` in 1/uV2."""
        belief, wanted, levels = self.belief, self.wanted, self.condition.levels
        allowed_db = wanted.width_after_db(self.seconds)
        if belief is None:
            return Progress((levels[-1] - levels[0] + 2 * OUTSIDE_DB) / allowed_db, weight_per_s, self.seconds)
        left_s = proof_s(belief, wanted, levels, self.log10(), self.offered, weight_per_s)
        return Progress((belief.high_db - belief.low_db) / allowed_db, weight_per_s, self.seconds, left_s)

    def answer(self, limits: bool) -> Answer:
        levels, belief, got = self.condition.levels, self.belief, self.found
        cells = [self.cells.get(level) for level in range(len(levels))]
        known = tuple(1e3 * cell.upper_limit_uv() if cell is not None and limits else math.nan for cell in cells)
        low, middle, high = (math.nan,) * 3
        if belief is not None:
            low = belief.low_db if belief.low_db > levels[0] - OUTSIDE_DB else -math.inf
            middle, high = (level if level <= levels[-1] else math.inf for level in (belief.middle_db, belief.high_db))
        return Answer(
            threshold_db=middle, low_db=low, high_db=high,
            found_db=float(levels[np.argmax(got)]) if got.any() else math.nan, finished=self.finished, seconds=self.seconds,
            sweeps=tuple(int(16 * units) for units in self.units), log10=tuple(float(one) for one in self.log10()),
            limits_nv=known,
        )  # fmt: skip


class _Stream:
    """Conditions (indices) that are played one at a time, through one channel of the recording: they share noise and artefact
    limits. ``now``: the cell to play, and why; ``since``: units of it since it was chosen."""

    def __init__(self, numbers: tuple[int, ...], conditions: list[Condition]) -> None:
        first = conditions[0].settings[0]
        points = max(len(condition.settings[0].window_times_ms) for condition in conditions)
        shortest = min(len(one.settings[0].times_ms[:: one.settings[0].stride]) for one in conditions)
        self.numbers = numbers
        self.noise = SharedNoise(first.evidence.warm_up_units, points, shortest)
        self.limits = RunningLimits(first.criteria, first.rate_hz)
        self.unit_weight = 0.0
        self.since = 0
        first_ranked = min(zip(numbers, conditions, strict=True), key=lambda pair: pair[1].rank)[0]
        self.now = _begin(first_ranked, conditions[numbers.index(first_ranked)], None)


class RunningSearch:
    """Feed it every unit with its cell, in order; it chooses the next cell.

    ``streams``: the conditions (indices) of each stream of units; by default all are one stream. With both ears at once there are
    two, and a cell is chosen for each.
    """

    def __init__(
        self, conditions: tuple[Condition, ...], wanted: Wanted | None = None, streams: tuple[tuple[int, ...], ...] | None = None
    ) -> None:  # fmt: skip
        if not conditions:
            raise ValueError("give a search at least one condition")
        streams = (tuple(range(len(conditions))),) if streams is None else streams
        if sorted(number for stream in streams for number in stream) != list(range(len(conditions))) or not all(streams):
            raise ValueError(f"streams = {streams}: give each of {len(conditions)} conditions once, at least one in each stream")
        self.wanted = wanted or Wanted()
        self._running = [_Running(condition, self.wanted) for condition in conditions]
        self._streams = [_Stream(numbers, [conditions[number] for number in numbers]) for numbers in streams]
        self._stream_of = {number: stream for stream in self._streams for number in stream.numbers}
        self.rejected: Counter[str] = Counter()  # sweeps without a fault that were larger than usual, by reason
        self.chose = False  # whether the last `choose` looked at what is known and chose anew

    def playing(self, stream: int) -> Next | None:
        """The cell to play of a stream, and why; None if nothing is open in it."""
        one = self._streams[stream]
        return one.now if any(self._running[number].open for number in one.numbers) else None

    @property
    def finished(self) -> bool:
        """Whether the search is complete: every condition has its answer, or no level is offered any more."""
        return not any(one.open for one in self._running)

    def offer(self, condition: int, levels: Bools) -> None:
        """Restrict a condition to these levels (n_levels,) from now on: by ceiling, dose, masking, or the operator's order.

        Without any level the condition is left as it is; it can be offered again.
        """
        levels = np.asarray(levels, dtype=bool)
        one = self._running[condition]
        if levels.shape != one.offered.shape:
            raise ValueError(f"levels have the shape {levels.shape}: give one yes or no for each of {len(one.offered)} levels")
        one.offered = levels
        stream = self._stream_of[condition]
        if not levels.any() or (condition == stream.now.place.condition and not levels[stream.now.place.level]):
            self._next(stream)

    def go_to(self, place: Place) -> Next:
        """Play this cell next, as the operator orders. Raises ValueError if it is not offered."""
        one = self._running[place.condition]
        if not one.offered[place.level]:
            raise ValueError(f"{one.condition.levels_db[place.level]:g} dB nHL is not offered: choose another level")
        stream = self._stream_of[place.condition]
        stream.since = 0
        return self._set(stream, Next(place, Choice(place.level, "operator", math.nan)))

    def update(self, place: Place, sweeps_uv: Floats, usable: Bools) -> Bools:
        """Take one unit: sweeps (16, n_times) in uV, all finite; ``usable`` (16,): sweeps without faults. Returns which were
        accepted (16,)."""
        running, stream = self._running[place.condition], self._stream_of[place.condition]
        settings = running.condition.settings[place.level]
        accepted = usable.copy()
        for reason, beyond in stream.limits.update(sweeps_uv[..., settings.judged], usable):
            self.rejected[reason] += int((accepted & beyond).sum())
            accepted &= ~beyond
        unit = reduce_unit(sweeps_uv, accepted, settings.window)
        weight = float(unit.weight)
        if weight > 0:
            stream.unit_weight += 0.1 * (weight - stream.unit_weight) if stream.unit_weight > 0 else weight
        running.update(place.level, unit)
        if stream.noise.update(unit, settings.stride) and stream.noise.matrix is not None:
            for number in stream.numbers:
                self._running[number].learn_noise(stream.noise.matrix)
        stream.since += place == stream.now.place
        return accepted

    def choose(self, stream: int = 0) -> Next | None:
        """The cell of the next unit of a stream; None when nothing is open in it. It changes every few units, as more becomes
        known."""
        self.chose = False
        if self.playing(stream) is None:
            return None
        one = self._streams[stream]
        condition = one.now.place.condition
        if one.noise.matrix is None or one.since < max(UNITS, SHARE * self._running[condition].units.sum()):
            return one.now
        one.since, self.chose = 0, True
        self._running[condition].believe(self.expected(condition))
        self._next(one)
        return self.playing(stream)

    def expected(self, condition: int) -> tuple[Expected, ...]:
        """Thresholds expected beforehand for a condition: from its plan, and from thresholds found in the same person."""
        asked = self._running[condition].condition
        known = [Expected(asked.expected_db, asked.expected_sd_db)] if math.isfinite(asked.expected_db) else []
        for other, one in enumerate(self._running):
            if other != condition and one.finished and one.belief is not None and asked.ear and one.condition.ear:
                known += passed_on(one.belief.threshold, asked.octaves_from(one.condition), asked.ear == one.condition.ear)
        return tuple(known)

    def _next(self, stream: _Stream) -> None:
        """Choose the best cell of all open conditions of the lowest rank in a stream."""
        best: Next | None = None
        mine = [(number, self._running[number]) for number in stream.numbers]
        lowest = min((one.condition.rank for _, one in mine if one.open), default=0)
        place = stream.now.place
        now_db = self._running[place.condition].condition.levels_db[place.level]
        for number, one in mine:
            if not one.open or one.condition.rank != lowest:
                continue
            levels = one.condition.levels
            reachable = within_rise(levels, one.offered, now_db)
            if one.belief is None:
                self._set(stream, _begin(number, one.condition, reachable))
                return
            choice = choose(
                one.belief, self.wanted, levels, one.log10(), reachable, stream.unit_weight, one.condition.unit_s, one.seconds
            )
            if best is None or choice.gain_db2_per_s > best.choice.gain_db2_per_s:
                best = Next(Place(number, choice.level), choice)
        if best is not None:
            self._set(stream, best)

    def _set(self, stream: _Stream, chosen: Next) -> Next:
        stream.now = chosen
        one = self._running[chosen.place.condition]
        if one.posterior is not None:
            one.cell(chosen.place.level).expect(*one.posterior.guesses(chosen.place.level))
        return chosen

    def progress(self, condition: int) -> Progress:
        """Progress of a condition; its weight is nan before the first unit."""
        one, weight = self._running[condition], self._stream_of[condition].unit_weight
        return one.progress(weight / one.condition.unit_s if weight > 0 else math.nan)

    def outlook(self, condition: int | None = None) -> Outlook:
        """Remaining seconds of signal for one condition, or for all open ones; nan before the first unit. With several streams
        that of the longest one."""
        if condition is not None:
            return self._outlook_of([condition])
        each = [self._outlook_of(stream.numbers) for stream in self._streams]
        return max(each, key=lambda one: math.inf if math.isnan(one.median_s) else one.median_s)

    def _outlook_of(self, numbers: Iterable[int]) -> Outlook:
        return in_turn([foretell(self.progress(number)) for number in numbers if self._running[number].open])

    def look(self, place: Place) -> CellLook | None:
        """Present state of a cell; None if it was never played."""
        cell = self._running[place.condition].cells.get(place.level)
        return None if cell is None or cell.units == 0 else cell.look()

    def offered(self, condition: int) -> Bools:
        """Levels of a condition that may be played (n_levels,)."""
        return self._running[condition].offered

    def times_ms(self, condition: int) -> Floats:
        """Times (n_times,) in ms of the averages of a condition."""
        return self._running[condition].condition.settings[0].times_ms

    def density(self, condition: int) -> tuple[Floats, Floats]:
        """Levels (n,) in dB nHL and the probability of the threshold per dB (n,); empty before the noise is known."""
        posterior = self._running[condition].posterior
        return (np.zeros(0), np.zeros(0)) if posterior is None else posterior.density()

    def answer(self, condition: int = 0, limits: bool = True) -> Answer:
        """Answer of a condition so far."""
        return self._running[condition].answer(limits)


def _begin(number: int, condition: Condition, reachable: Bools | None) -> Next:
    """Begin a condition with the reachable level (None: all are) that is nearest to the wanted one."""
    away_db = abs(condition.levels - condition.start_db)
    level = int(np.argmin(away_db if reachable is None else np.where(reachable, away_db, np.inf)))
    return Next(Place(number, level), Choice(level, "start", math.nan))


__all__ = ["Answer", "CellLook", "Condition", "Next", "Place", "RunningSearch", "Wanted"]
