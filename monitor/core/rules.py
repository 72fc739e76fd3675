"""Interface of a stopping rule, and the rules of a live run."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol

import numpy as np

from .identity import identity
from .look_statistics import LookStatistics
from .looks import Looks
from .samples import Bools, Floats

Outcome = Literal["response_present", "response_absent", "inconclusive", "searched"]  # searched: several levels, see search
StoppedBy = Literal["response", "noise_floor", "upper_limit", "sweep_limit", "operator", "fault", "search", "time_limit"]
Measure = Literal["evidence", "p_value", "ratio"]  # log10 of the evidence; log10 of 1 / p; a plain ratio


class RunningRule(Protocol):
    """State of a rule for a batch of runs; it is fed with the statistics of every look, in order."""

    def update(self, figures: LookStatistics) -> Bools:
        """Whether the rule is met now (...,)."""
        ...


@dataclass(frozen=True)
class Rule(ABC):
    """A rule as a frozen set of parameters. When it is met, the run ends with ``outcome``; ``needs`` names the statistics that it
    uses (see STATISTICS).

    ``looks``: numbers of sweeps at which it needs them; None: at every look of the analysis.
    """

    name: ClassVar[str]
    outcome: ClassVar[Outcome]
    stopped_by: ClassVar[StoppedBy]
    needs: ClassVar[frozenset[str]]

    @property
    def schedule(self) -> Looks | None:
        return None

    @abstractmethod
    def begin(self, batch: tuple[int, ...]) -> RunningRule:
        """Start on a batch of runs."""

    def identity(self) -> str:
        """Twelve hexadecimal digits over the class and all parameters, the look schedule included."""
        return identity(self)


@dataclass(frozen=True)
class RuleProgress:
    """Progress of a rule, (...,) over the batch: it is met where ``value`` reaches ``needed``. nan where it is not known."""

    value: Floats
    needed: Floats


class FindsResponse(Rule):
    """A rule that ends a run with a response. ``title``: name of its statistic for display. ``measure``: the quantity that
    ``standing`` returns."""

    outcome = "response_present"
    stopped_by = "response"
    title: ClassVar[str]
    measure: ClassVar[Measure]

    @abstractmethod
    def standing(self, figures: LookStatistics) -> RuleProgress: ...

    @property
    @abstractmethod
    def promise(self) -> str | None:
        """The error rate that it guarantees, in words; None where it guarantees none."""


class SingleLookRule(Rule):
    """A rule that needs only the figures of the present look."""

    @abstractmethod
    def met(self, figures: LookStatistics) -> Bools: ...

    def begin(self, batch: tuple[int, ...]) -> RunningRule:
        return _Unchanging(self)


class _Unchanging:
    def __init__(self, rule: SingleLookRule) -> None:
        self._rule = rule

    def update(self, figures: LookStatistics) -> Bools:
        return self._rule.met(figures)


def between(name: str, value: float, low: float, high: float, advice: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{name} = {value} is outside {low:g} to {high:g}: {advice}")


def check_alpha(alpha: float) -> None:
    between("alpha", alpha, 1e-6, 0.2, "it is the false-alarm rate of the whole run, usually 0.01")


def in_hundred(alpha: float) -> str:
    return f"at most {100 * alpha:g} false {'alarm' if alpha == 0.01 else 'alarms'} in 100 runs"


@dataclass(frozen=True)
class EvidenceReached(FindsResponse, SingleLookRule):
    """Response present: the anytime-valid evidence reaches 1 / alpha; alpha holds over all looks together."""

    name = "evidence"
    title = "evidence"
    measure = "evidence"
    needs = frozenset({"evidence"})

    alpha: float = 0.01

    def __post_init__(self) -> None:
        check_alpha(self.alpha)

    @property
    def threshold_log10(self) -> float:
        return -math.log10(self.alpha)

    @property
    def promise(self) -> str:
        return f"{in_hundred(self.alpha)}, however often one looks"

    def standing(self, figures: LookStatistics) -> RuleProgress:
        return RuleProgress(figures.evidence_log10, np.full_like(figures.evidence_log10, self.threshold_log10))

    def met(self, figures: LookStatistics) -> Bools:
        return np.asarray(figures.evidence_log10 >= self.threshold_log10)


@dataclass(frozen=True)
class NoiseFloorReached(SingleLookRule):
    """Response absent at this noise floor: the residual noise is low enough to have shown a response of interest.

    The rule is never met if the window does not contain all expected latencies (``LookStatistics.covered``). 15 nV RMS is about
    the 25 nV gap between two replicates of published guidance (gap = 1.596 x residual noise).
    """

    name = "noise_floor"
    outcome = "response_absent"
    stopped_by = "noise_floor"
    needs = frozenset({"residual_noise"})

    floor_nv: float = 15.0
    min_sweeps: int = 256

    def __post_init__(self) -> None:
        between("floor_nv", self.floor_nv, 1.0, 500.0, "residual noise in nV RMS at which a missing response is believed")

    def met(self, figures: LookStatistics) -> Bools:
        quiet = figures.residual_noise_nv <= self.floor_nv
        return np.asarray(quiet & (figures.sweeps_accepted >= self.min_sweeps) & figures.covered)


@dataclass(frozen=True)
class UpperLimitReached(SingleLookRule):
    """Response absent below a size: no response can be as large as ``absent_below_nv``, peak to trough.

    The limit is true at every look together, so a response of at least that size is called absent in at most 5 of 100 runs,
    whenever the run ends. The rule is never met if the window does not contain all expected latencies.
    """

    name = "upper_limit"
    outcome = "response_absent"
    stopped_by = "upper_limit"
    needs = frozenset({"upper_limit"})

    absent_below_nv: float = 100.0
    min_sweeps: int = 256

    def __post_init__(self) -> None:
        advice = "the size in nV, peak to trough, from which a response matters"
        between("absent_below_nv", self.absent_below_nv, 5.0, 2000.0, advice)

    def met(self, figures: LookStatistics) -> Bools:
        small = figures.upper_limit_nv <= self.absent_below_nv
        return np.asarray(small & (figures.sweeps_accepted >= self.min_sweeps) & figures.covered)


@dataclass(frozen=True)
class SweepLimit(SingleLookRule):
    """Inconclusive: the next block would pass the largest number of sweeps."""

    name = "sweep_limit"
    outcome = "inconclusive"
    stopped_by = "sweep_limit"
    needs = frozenset()

    max_sweeps: int = 6144
    block_sweeps: int = 32

    def __post_init__(self) -> None:
        between("max_sweeps", self.max_sweeps, 32, 10_000_000, "nothing is decided before 256 sweeps; 2000 to 6000 are usual")

    def met(self, figures: LookStatistics) -> Bools:
        return np.asarray(figures.sweeps_presented + self.block_sweeps > self.max_sweeps)


@dataclass(frozen=True)
class QuietAfterResponse(Rule):
    """Response present, and the noise low enough to read its waves: ``finds`` was met at this look or before, and residual noise
    is at most ``quiet_nv``, or ``limit`` is met.

    The rule is never met without ``finds``, so its false alarms are at most those of ``finds``. It uses every look.
    """

    name = "quiet_after_response"
    outcome = "response_present"
    stopped_by = "response"

    finds: FindsResponse
    limit: SweepLimit
    quiet_nv: float

    def __post_init__(self) -> None:
        between("quiet_nv", self.quiet_nv, 1.0, 500.0, "residual noise in nV RMS at which waves can be read; 20 is usual")

    @property
    def needs(self) -> frozenset[str]:  # type: ignore[override]  # those of what it waits for
        return self.finds.needs | {"residual_noise"}

    def begin(self, batch: tuple[int, ...]) -> Waiting:
        return Waiting(self, batch)


class Waiting:
    """State of QuietAfterResponse. ``found`` (...,): whether a response was found, now or before."""

    def __init__(self, rule: QuietAfterResponse, batch: tuple[int, ...]) -> None:
        self._finds, self._limit, self._quiet_nv = rule.finds.begin(batch), rule.limit.begin(batch), rule.quiet_nv
        self.found: Bools = np.zeros(batch, dtype=bool)

    def update(self, figures: LookStatistics) -> Bools:
        self.found = self.found | self._finds.update(figures)
        return np.asarray(self.found & ((figures.residual_noise_nv <= self._quiet_nv) | self._limit.update(figures)))
