"""Remaining time of a search: an 80 % range of seconds of signal until its end.

This is a heuristic, supported by its measured coverage. The remaining time grows with the ratio of the interval's width to the
wanted width, and falls with the weight that is added per second. Once the interval is narrow, it grows with the time to prove a
response near it. Before the first data of a condition its interval is as wide as all its levels. The module
`quietfloor.bench.validate.outlook` fits the constants on virtual ears, and counts how often the range contains the end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

Z80 = 1.2816  # of the normal distribution, 10 and 90 %
# Until the interval is narrow: seconds at the width that is wanted, with a weight of 1/uV2 a second, at the begin; powers of the
# width over the wanted one, of the weight, of the time so far; 10, 50 and 90 % points over that.
WIDE_S, WIDTH_POWER, WEIGHT_POWER, TIME_POWER, TIME_S = 160.0, 0.85, -0.49, 0.44, 60.0
WIDE = (0.39, 1.03, 2.6)
NARROW_S, NARROW = 8.0, (0.33, 1.3, 5.5)  # added to the time of a proof; points over that sum
ALIKE = 0.5  # correlation of the times of conditions of one head; own choice
LARGEST_S = 36_000.0


class Progress(NamedTuple):
    """Progress of one condition. ``width``: width of the interval relative to the allowed one. ``weight_per_s`` in 1/uV2: weight
    that a second of signal adds to an average. ``seconds``: signal so far. ``proof_s``: approximate time to prove a response near
    the threshold."""

    width: float
    weight_per_s: float
    seconds: float
    proof_s: float = 0.0


class Outlook(NamedTuple):
    """Remaining seconds of signal: 10, 50 and 90 % points; nan: not known."""

    low_s: float
    median_s: float
    high_s: float


def expected_s(now: Progress) -> float:
    """Approximate median of the remaining time in s, for searches like those of the fit; nan before the first data."""
    if now.width <= 1.0:
        return min(now.proof_s, LARGEST_S) + NARROW_S
    if not now.weight_per_s > 0:
        return math.nan
    late = math.pow(1.0 + now.seconds / TIME_S, TIME_POWER)
    return min(WIDE_S * math.pow(now.width, WIDTH_POWER) * math.pow(now.weight_per_s, WEIGHT_POWER) * late, LARGEST_S)


def foretell(now: Progress) -> Outlook:
    """Time until the condition is finished: its interval is narrow enough, and a response near it is proven."""
    seconds = expected_s(now)
    return Outlook(*(point * seconds for point in (NARROW if now.width <= 1.0 else WIDE)))


def in_turn(parts: Sequence[Outlook]) -> Outlook:
    """Sum for conditions that are searched one after the other. Each time is log-normal, and times of one person are correlated;
    the sum is treated as log-normal with the sum of the means and its own variance (Fenton 1960, from memory)."""
    if len(parts) < 2:
        return parts[0] if parts else Outlook(0.0, 0.0, 0.0)
    means, deviations = [], []
    for part in parts:
        spread = (math.log(part.high_s) - math.log(part.low_s)) / (2.0 * Z80)
        middle = (math.log(part.high_s) + math.log(part.low_s)) / 2.0
        means.append(math.exp(middle + spread**2 / 2.0))
        deviations.append(math.sqrt(math.expm1(spread**2)) * means[-1])
    mean = sum(means)
    variance = ALIKE * sum(deviations) ** 2 + (1.0 - ALIKE) * sum(one**2 for one in deviations)
    spread = math.sqrt(math.log1p(variance / mean**2))
    median_s = mean * math.exp(-(spread**2) / 2.0)
    return Outlook(median_s * math.exp(-Z80 * spread), median_s, median_s * math.exp(Z80 * spread))
