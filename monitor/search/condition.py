"""One condition of a search: what is asked, and what its cells say of it so far."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np

from quietfloor.monitor.core.analysis import AnalysisSettings
from quietfloor.monitor.core.averaging import Unit
from quietfloor.monitor.core.samples import Bools, Floats

from .cells import Cell, found, refuted
from .choice import Wanted, gains, over, proof_s
from .expected import Expected
from .outlook import NARROW_S, Progress, expected_s
from .posterior import OUTSIDE_DB, Belief, Posterior
from .prior import GrowthPrior, Waves

BEGINS_S = 180.0  # of a condition of which nothing is known, where the noise is not known either: own choice


@dataclass(frozen=True)
class Condition:
    """A condition to search: levels in dB nHL, softest first, the settings of a run at each level, and latencies not limited to
    the window.

    The settings share epoch, window and filter; only the expected latencies differ. ``brackets_ms`` (n_levels, 2). ``rank``:
    conditions of a lower rank are searched first. ``unit_s``: mean duration of a unit in s. ``expected_db``, ``expected_sd_db``:
    threshold expected beforehand and its SD (nan: none). ``ear`` and ``frequency_hz`` (nan: none, as for a click) determine which
    other thresholds are used as an expectation; an ear without a name is similar to no other. ``noisy`` (n_levels,): levels that
    are played with noise in the other ear; empty: none.
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
    noisy: tuple[bool, ...] = ()

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
        if self.noisy and len(self.noisy) != len(self.levels_db):
            raise ValueError(f"noisy has {len(self.noisy)} values for {len(self.levels_db)} levels")
        if math.isfinite(self.expected_db) and not self.expected_sd_db > 0:
            raise ValueError(f"expected_sd_db = {self.expected_sd_db:g}: give how uncertain expected_db is, above 0 dB")

    @cached_property
    def levels(self) -> Floats:
        return np.array(self.levels_db)

    @cached_property
    def quiet(self) -> Bools:
        """Levels that are played without noise (n_levels,)."""
        return ~np.array(self.noisy, dtype=bool) if self.noisy else np.ones(len(self.levels_db), dtype=bool)

    def octaves_from(self, other: Condition) -> float:
        """Distance of the frequencies in octaves; nan if only one condition has a frequency."""
        if math.isnan(self.frequency_hz) and math.isnan(other.frequency_hz):
            return 0.0
        return abs(math.log2(self.frequency_hz / other.frequency_hz))

    @cached_property
    def waves(self) -> Waves:
        return _waves(self.settings[0], self.levels_db, self.brackets_ms)

    def growths(self, visible_uv: float) -> GrowthPrior:
        return GrowthPrior(self.levels_db[0], self.levels_db[-1], visible_uv, self.waves.rms_per_peak)


@lru_cache(maxsize=64)
def _waves(settings: AnalysisSettings, levels_db: tuple[float, ...], brackets_ms: tuple[tuple[float, float], ...]) -> Waves:
    """Those of a condition; the other ear mostly has the same ones."""
    return Waves(settings.window_times_ms, np.array(levels_db), np.array(brackets_ms), settings.gain)


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


class ConditionSearch:
    """The search of one condition: its cells, and what they say of its threshold."""

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

    @property
    def needs_noise(self) -> bool:
        """Whether its threshold is likely above all levels that are played without noise."""
        quiet = self.condition.levels[self.condition.quiet]
        if not quiet.size or self.posterior is None:
            return not quiet.size
        return len(quiet) < len(self.condition.levels) and self.posterior.below(float(quiet[-1])) < 0.5

    def pace(self, reachable: Bools, weight_per_s: float, unit_weight: float) -> float:
        """About what part of its remaining time a second at these levels (n_levels,) saves, 1/s; 0 where they do not help.

        Levels below the threshold cannot bring the search to its end, so the saving is multiplied by the probability that they
        reach it.
        """
        belief, levels, now = self.belief, self.condition.levels, self.progress(weight_per_s)
        if not reachable.any():
            return 0.0
        if belief is None or self.posterior is None or not unit_weight > 0:
            left_s = expected_s(now)
            return 1.0 / (BEGINS_S if math.isnan(left_s) else left_s)
        if now.width <= 1.0:
            left_s = proof_s(belief, self.wanted, levels, self.log10(), reachable, weight_per_s)
            return 1.0 / (left_s + NARROW_S)
        gain = gains(belief, unit_weight, self.condition.unit_s)
        most = gain[self.offered].max()
        loudest_db = levels[reachable][-1]
        inside = 1.0 if loudest_db == levels[self.offered][-1] else self.posterior.below(loudest_db)
        return float(inside * gain[reachable].max() / most) / expected_s(now) if most > 0 else 0.0

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
