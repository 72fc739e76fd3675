"""Reduction of bets where scores spread more than noise explains."""

from __future__ import annotations

import numpy as np

from .samples import Floats

SPREAD_PRIOR, EXCESS = 8.0, 1.2  # scores of variance 1 taken as seen before the first; variance that chance may still explain


class Spread:
    """Reduces bets where earlier scores of the same direction spread more than noise explains.

    Hum that has the same phase throughout a unit makes scores too large. With a uniform phase its mean is 0, but even harmonics
    make it skewed, and a bet on the sign then gains in proportion to the third power of its size (1.24 % false alarms instead of
    1). Scores are therefore divided by their variance squared, because small bets respond to the mean alone. A bet may depend on
    earlier blocks in any way, so the evidence stays valid. Where the noise is as large as the weights say, nothing changes.
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._count = 0
        self._sum = np.zeros(shape)
        self._square = np.zeros(shape)

    def standardise(self, scores: Floats) -> Floats:
        """The next scores (...,), divided by the squared variance of all earlier ones where that is beyond ``EXCESS``."""
        count = self._count
        variance = (SPREAD_PRIOR + self._square - self._sum**2 / max(count, 1)) / (SPREAD_PRIOR + max(count - 1, 0))
        self._count += 1
        self._sum += scores
        self._square += scores**2
        return np.asarray(scores / np.maximum(variance / EXCESS, 1.0) ** 2)
