"""Looks and a decision from units of sweeps, for one run or for thousands at once.

The live engine feeds a batch of EEG channels of one stream; validation feeds a batch of simulated runs. Earlier modules process a
stream; this module processes sweeps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from .artefacts import CRITERIA, Criterion, RunningLimits
from .averaging import UNIT_SWEEPS, WeightedAverage, Window, reduce_unit
from .evidence import (
    FINER,
    FINER_STEP_MS,
    SHAPES,
    UNEXPECTED,
    EvidenceSettings,
    Gain,
    NoiseShape,
    RunningEvidence,
    response_bank,
)
from .filtering import ANALYSIS_RATE_HZ
from .forecast import ForecastInput, Steadiness
from .looks import Ints
from .noise import ResidualNoise, residual_noise
from .samples import Bools, Floats
from .statistics import ResidualSums, fsp, half_correlation, hotelling, multi_point_f, replicates
from .stopping import (
    EvidenceReached,
    FindsResponse,
    Looks,
    LookStatistics,
    NoiseFloorReached,
    QuietAfterResponse,
    Rule,
    RunningStopping,
    SweepLimit,
    UpperLimitReached,
)
from .upper_limit import RunningUpperLimit

RuleT = TypeVar("RuleT", bound=Rule)

# What a look may hold. Evidence is updated at every block once it is wanted at all; residual noise is always there.
STATISTICS = (
    "evidence",
    "residual_noise",
    "fsp",
    "multi_point_f",
    "hotelling",
    "half_correlation",
    "replicates",
    "upper_limit",
    "forecast",
)
SHOWN = frozenset({"evidence", "fsp", "upper_limit", "forecast"})  # in a live run at every look, whatever the rules need
JUDGED_FROM_MS = 1.0  # after the stimulus reaches the ear; own choice: transducers couple into the leads until the sound is over
DEFAULT_RULES: tuple[Rule, ...] = (EvidenceReached(), NoiseFloorReached(), SweepLimit())


@dataclass(frozen=True)
class AnalysisSettings:
    """Settings of an analysis: ``n_times`` points per sweep at ``rate_hz`` from ``start_ms``; response window in ms; criteria,
    evidence, rules.

    ``gain``: frequency response of the filter that the sweeps went through (see ``response_bank``); None where there was none.
    """

    rate_hz: float
    start_ms: float
    n_times: int
    window_ms: tuple[float, float] = (5.0, 17.0)
    criteria: tuple[Criterion, ...] = CRITERIA
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    rules: tuple[Rule, ...] = DEFAULT_RULES
    gain: Gain | None = None

    def __post_init__(self) -> None:
        start, stop = self.window_ms
        last = self.times_ms[-1]
        if not self.start_ms <= start < stop <= last + 1e-6:
            raise ValueError(f"window_ms = {start:g} to {stop:g} is not inside the epoch, {self.start_ms:g} to {last:.1f} ms")
        points = len(self.window_times_ms)
        if points < 8:
            raise ValueError(f"window_ms = {start:g} to {stop:g} holds only {points} points: widen it to at least 2 ms")

    @property
    def finds(self) -> FindsResponse:
        """The rule that may find a response: the first."""
        first = self.rules[0]
        finds = first.finds if isinstance(first, QuietAfterResponse) else first
        assert isinstance(finds, FindsResponse)
        return finds

    @property
    def quiet_nv(self) -> float | None:
        """Residual noise in nV down to which the run goes on after a response was found; None where it ends at once."""
        return next((rule.quiet_nv for rule in self.rules if isinstance(rule, QuietAfterResponse)), None)

    @cached_property
    def times_ms(self) -> Floats:
        """Time of each point of a sweep (n_times,), ms after the stimulus reaches the ear."""
        return np.asarray(self.start_ms + np.arange(self.n_times) * 1000.0 / self.rate_hz, dtype=np.float64)

    @cached_property
    def stride(self) -> int:
        """Distance between neighbouring window points in sweep points; window points lie at about 4 kHz."""
        return max(1, int(self.rate_hz / ANALYSIS_RATE_HZ + 1e-9))

    @cached_property
    def window(self) -> Window:
        inside = np.flatnonzero((self.times_ms >= self.window_ms[0] - 1e-9) & (self.times_ms <= self.window_ms[1] + 1e-9))
        if not len(inside):
            return Window(slice(0, 0, 1), 0)
        return Window(slice(int(inside[0]), int(inside[-1]) + 1, self.stride), int(inside[len(inside) // 2]))

    @cached_property
    def judged(self) -> slice:
        """Points by which a sweep is judged: all but those that may contain the electrical artefact of the stimulus."""
        return slice(int(np.searchsorted(self.times_ms, min(JUDGED_FROM_MS, self.window_ms[0]) - 1e-9)), self.n_times)

    @cached_property
    def window_times_ms(self) -> Floats:
        return self.window.of(self.times_ms)


@dataclass(frozen=True)
class Look:
    """Everything known after a block of units; arrays (...,) over the batch."""

    figures: LookStatistics
    noise: ResidualNoise
    evidence_log10_max: Floats
    outlook: ForecastInput | None  # what a forecast starts from, where one is wanted
    rule: Ints  # index of the rule that was met at this look, -1 for none
    waits: Bools  # a response was found, and the run goes on until its average is quiet


@dataclass(frozen=True)
class UnitResult:
    """Result for one unit: sweeps accepted (..., n_sweeps), exceeded criteria by name, weight (...,), and a look after each
    block."""

    accepted: Bools
    exceeded: list[tuple[str, Bools]]
    weight: Floats
    look: Look | None


class RunningAnalysis:
    """State of a batch of runs; feed it one unit at a time, in order.

    A look contains the statistics that the rules of the settings and of ``also_for`` need at this look, and those in
    ``also_compute`` (names from STATISTICS) at every look; all others are nan. Leave ``also_compute`` empty for many runs,
    because each statistic costs time.
    """

    def __init__(
        self,
        settings: AnalysisSettings,
        batch: tuple[int, ...] = (),
        also_compute: frozenset[str] = SHOWN,
        also_for: tuple[Rule, ...] = (),
    ) -> None:
        self.settings = settings
        self._batch = batch
        self._wanted = _Wanted((*settings.rules, *also_for), also_compute, batch)
        self._stopping = RunningStopping(settings.rules, batch)
        self._covered = settings.evidence.covered_by(settings.window_ms)
        self._sums = ResidualSums(batch, settings.window_times_ms, self._wanted.names)
        self.average = WeightedAverage(batch, settings.n_times)
        self.limits = RunningLimits(settings.criteria, settings.rate_hz)
        latencies = settings.evidence.latencies_ms(settings.window_ms)
        points = len(settings.window_times_ms)
        times = settings.window_times_ms
        bank = response_bank(times, latencies, settings.gain)
        limit = None
        if "upper_limit" in self._wanted.names:
            held = response_bank(times, latencies, settings.gain, (*SHAPES, *UNEXPECTED))
            limit = RunningUpperLimit(held, float(times[1] - times[0]), batch)
        self.evidence = RunningEvidence(settings.evidence, bank, batch, limit)
        if (earlier := settings.evidence.earlier) is not None:
            self.come_after(np.broadcast_to(earlier.at(times), (*batch, points)), np.full(batch, earlier.weight))
        self._shape = NoiseShape(batch, points)
        self._freedom = np.full(batch, np.nan)
        self._presented = np.zeros(batch)
        self._steadiness = Steadiness(batch)
        self._block_sum = np.zeros((*batch, points))
        self._block_weight = np.zeros(batch)

    def come_after(self, average_uv: Floats, weight: Floats) -> None:
        """Bets begin with what earlier runs of the same ears left: averages over the window points (..., n_points) in uV, weights
        (...,) in 1/uV2. Before the first unit."""
        settings = self.settings
        latencies = replace(settings.evidence, latency_step_ms=FINER_STEP_MS).latencies_ms(settings.window_ms)
        bank = response_bank(settings.window_times_ms, latencies, settings.gain, FINER)
        self.evidence.come_after(average_uv, weight, bank)

    def update(self, sweeps_uv: Floats, usable: Bools, presented: Bools | None = None) -> UnitResult:
        """Take one unit: sweeps (..., n_sweeps, n_times) in uV, all finite; ``usable`` (..., n_sweeps): sweeps without faults.

        ``presented`` (..., n_sweeps): places at which a stimulus was presented (default: all). Unusable places may contain zeros.
        """
        settings = self.settings
        exceeded = self.limits.update(sweeps_uv[..., settings.judged], usable)
        accepted = usable.copy()
        for _, over in exceeded:
            accepted &= ~over
        unit = reduce_unit(sweeps_uv, accepted, settings.window)
        self._presented = self._presented + (usable.shape[-1] if presented is None else presented.sum(axis=-1))
        self.average.update(unit)
        self._steadiness.update(unit.weight)
        self._block_sum += unit.weight[..., np.newaxis] * settings.window.of(unit.mean_uv)
        self._block_weight = self._block_weight + unit.weight
        units = self.average.units
        self._sums.update(unit, settings.window)
        if units <= settings.evidence.warm_up_units:
            self._shape.update(unit.residuals_uv[..., :: settings.stride], unit.variance_uv2)
        if units == settings.evidence.warm_up_units:
            shape = self._shape.matrix()
            self._freedom = np.trace(shape, axis1=-2, axis2=-1) ** 2 / (shape**2).sum(axis=(-2, -1))
            if "evidence" in self._wanted.names:
                self.evidence.learn_noise(shape)
        look = self._look() if units % settings.evidence.block_units == 0 else None
        return UnitResult(accepted, exceeded, unit.weight, look)

    def _look(self) -> Look:
        window, average = self.settings.window, self.average
        wanted = self._wanted.now(self._presented)
        if "evidence" in self._wanted.names:
            scale = np.where(self._block_weight > 0, self._block_weight, 1.0)
            self.evidence.update(self._block_sum / scale[..., np.newaxis], self._block_weight)
        self._block_sum = np.zeros_like(self._block_sum)
        self._block_weight = np.zeros_like(self._block_weight)
        noise = residual_noise(average, window, self._freedom)
        known = {
            "sweeps_presented": self._presented,
            "sweeps_accepted": average.accepted,
            "evidence_log10": self.evidence.log10,
            "residual_noise_nv": noise.value_nv,
        }
        if "fsp" in wanted:
            known["fsp"] = fsp(average, window)
        if "multi_point_f" in wanted:
            known |= multi_point_f(average, window, self._sums, self._freedom)
        if "hotelling" in wanted:
            known |= hotelling(average, window, self._sums, self._freedom)
        if "half_correlation" in wanted:
            known |= half_correlation(average, window, self._sums)
        if "replicates" in wanted:
            known |= replicates(average, window)
        if "upper_limit" in wanted:
            known["upper_limit_nv"] = 1e3 * self.evidence.upper_limit_uv()
        figures = LookStatistics.of(self._batch, self._covered, **known)
        rule = self._stopping.update(figures)
        outlook = self._outlook(figures) if "forecast" in wanted else None
        return Look(figures, noise, self.evidence.log10_max, outlook, rule, self._stopping.found & (rule < 0))

    def _outlook(self, figures: LookStatistics) -> ForecastInput | None:
        """Input of the forecast: distance to a decision by evidence, noise floor, upper limit, sweep limit; None where other
        rules decide."""
        waits = next((rule for rule in self.settings.rules if isinstance(rule, QuietAfterResponse)), None)
        rules = self.settings.rules if waits is None else (waits.finds, *self.settings.rules)
        alpha = next((rule.alpha for rule in rules if isinstance(rule, EvidenceReached)), None)
        if alpha is None:
            return None
        limit = next((rule.max_sweeps for rule in rules if isinstance(rule, SweepLimit)), np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            weight = (1e3 / figures.residual_noise_nv) ** 2  # by the noise that the rules see
            return ForecastInput(
                log_evidence=self.evidence.log10 * np.log(10.0),
                score=self.evidence.score(),
                weight=weight,
                presented=self._presented,
                spread=self._steadiness.spread(),
                absent_weight=self._absent_weight(NoiseFloorReached, lambda rule: (1e3 / rule.floor_nv) ** 2),
                limit_weight=self._absent_weight(
                    UpperLimitReached, lambda rule: weight * (figures.upper_limit_nv / rule.absent_below_nv) ** 2
                ),
                log_needed=-float(np.log(alpha)),
                max_sweeps=float(limit),
                quiet_weight=np.asarray(0.0 if waits is None else (1e3 / waits.quiet_nv) ** 2),
                found=self._stopping.found,
            )

    def _absent_weight(self, kind: type[RuleT], at: Callable[[RuleT], Floats | float]) -> Floats:
        """Weight (...,) at which a rule of this kind will accept that there is no response; infinite where it never will.

        Without a response the upper limit falls in proportion to the noise. Where the limit is unknown, the weight is infinite.
        """
        rule = next((rule for rule in self.settings.rules if isinstance(rule, kind)), None)
        known = np.inf if rule is None or not self._covered else at(rule)
        return np.where(np.isnan(known), np.inf, np.broadcast_to(known, self._batch))


class _Wanted:
    """Selection of the statistics that are computed at a look."""

    def __init__(self, rules: tuple[Rule, ...], always: frozenset[str], batch: tuple[int, ...]) -> None:
        self._always = always.union(*(rule.needs for rule in rules if rule.schedule is None))
        at_looks: dict[Looks, set[str]] = {}
        for rule in rules:
            if rule.schedule is not None:
                at_looks.setdefault(rule.schedule, set()).update(rule.needs)
        self._at_looks = [(looks.begin(batch), names) for looks, names in at_looks.items()]
        self.names = self._always.union(*at_looks.values())
        if self.names & {"upper_limit", "forecast"}:
            self.names |= {"evidence"}
        if strange := self.names.difference(STATISTICS):
            raise ValueError(f"{', '.join(sorted(strange))}: no such statistic; there are {', '.join(STATISTICS)}")

    def now(self, sweeps_presented: Floats) -> frozenset[str]:
        return self._always.union(*(names for looks, names in self._at_looks if (looks.take(sweeps_presented) >= 0).any()))


__all__ = ["SHOWN", "STATISTICS", "UNIT_SWEEPS", "AnalysisSettings", "Look", "RunningAnalysis", "UnitResult"]
