"""Exact intervals and comparisons for counts, and survival of runs that were not decided: small functions on plain numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]
CONFIDENCE = 0.95
MOST_RUNS = 10_000_000


@dataclass(frozen=True)
class Proportion:
    """``count`` of ``n``, with its two-sided exact interval and the one-sided exact upper limit, all at 95 %."""

    count: int
    n: int
    low: float
    high: float
    upper: float

    @property
    def rate(self) -> float:
        return self.count / self.n if self.n else float("nan")


def proportion(count: int, n: int, confidence: float = CONFIDENCE) -> Proportion:
    """Clopper & Pearson 1934 (Biometrika 26:404). With n = 0 nothing is known: 0 to 1."""
    if not 0 <= count <= n:
        raise ValueError(f"count = {count} of n = {n}: the count must lie between 0 and n")
    if n == 0:
        return Proportion(0, 0, 0.0, 1.0, 1.0)
    both = stats.binomtest(count, n).proportion_ci(confidence, method="exact")
    one = stats.binomtest(count, n, alternative="less").proportion_ci(confidence, method="exact")
    return Proportion(count, n, float(both.low), float(both.high), float(one.high))


def runs_for_width(width: float, rate: float) -> int:
    """Fewest runs whose exact 95 % interval is no wider than ``width`` when ``rate`` of them alarm."""
    if not 0 < width < 1:
        raise ValueError(f"width = {width} must lie between 0 and 1: it is the width of an interval, such as 0.006")

    def wide(n: int) -> float:
        found = proportion(round(rate * n), n)
        return found.high - found.low

    low, high = 1, 2
    while wide(high) > width:
        low, high = high, 2 * high
        if high > MOST_RUNS:
            raise ValueError(f"width = {width} would need more than {MOST_RUNS} runs: give a larger one")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if wide(middle) > width else (low, middle)
    return high


def mcnemar(only_first: int, only_second: int) -> float:
    """Two-sided exact p for pairs that only one of two rules decided (McNemar 1947; binomial, as there may be few)."""
    pairs = only_first + only_second
    return float(stats.binomtest(only_first, pairs, 0.5).pvalue) if pairs else 1.0


def survival(times: Floats, decided: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Kaplan & Meier 1958: share of runs still undecided after each time at which one was decided.

    ``times`` (n,) until a decision, or until the run ended without one where ``decided`` (n,) is False: those are censored, and
    never count as decided.
    """
    at = np.unique(times[decided])
    events = np.array([np.count_nonzero(decided & (times == t)) for t in at], dtype=float)
    at_risk = np.array([np.count_nonzero(times >= t) for t in at], dtype=float)
    return at, np.cumprod(1.0 - events / at_risk) if len(at) else np.empty(0)


def mean_with_error(values: Floats) -> tuple[float, float]:
    """Mean and its standard error; nan where there is nothing."""
    if not len(values):
        return float("nan"), float("nan")
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values))) if len(values) > 1 else float("nan")
