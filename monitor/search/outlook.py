"""How long a search still takes: an 80 % range of seconds of signal to its end.

A heuristic, supported by its measured coverage: the time left grows with the width of the interval over the one that is wanted,
and falls with the weight that a second brings; once the interval is narrow, with the time to prove a response near it. Before
anything of a condition was heard its interval is as wide as all its levels. The constants are those of virtual ears, fitted by
`python -m quietfloor.bench.validate.outlook --fit`, which also counts how often the range holds the end.
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
    """Of one condition. ``width``: of the interval, over what is allowed now; ``weight_per_s`` in 1/uV2: what a second of signal
    adds to an average; ``seconds`` so far; ``proof_s``: about how long a response near the threshold takes to be proven."""

    width: float
    weight_per_s: float
    seconds: float
    proof_s: float = 0.0


class Outlook(NamedTuple):
    """Seconds of signal to go: 10, 50 and 90 % points; nan: not known."""

    low_s: float
    median_s: float
    high_s: float


def expected_s(now: Progress) -> float:
    """Of the searches that the constants are from, about the median; nan before anything was heard."""
    if now.width <= 1.0:
        return min(now.proof_s, LARGEST_S) + NARROW_S
    if not now.weight_per_s > 0:
        return math.nan
    late = math.pow(1.0 + now.seconds / TIME_S, TIME_POWER)
    return min(WIDE_S * math.pow(now.width, WIDTH_POWER) * math.pow(now.weight_per_s, WEIGHT_POWER) * late, LARGEST_S)


def foretell(now: Progress) -> Outlook:
    """Until the condition is finished: the interval narrow, and a response proven near it."""
    seconds = expected_s(now)
    return Outlook(*(point * seconds for point in (NARROW if now.width <= 1.0 else WIDE)))


def together(parts: Sequence[Outlook]) -> Outlook:
    """Of conditions that come one after the other: each log-normal, alike within a head; so is the sum, with the sum of the means
    and its own variance (Fenton 1960, from memory)."""
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
