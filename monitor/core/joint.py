"""A sharper error budget: the same p-value at every look, chosen from the joint distribution over the looks.

Averages grow by independent increments, so an average times its number of sweeps is a Brownian motion. A quadratic form in it
(T2, F) is the squared distance of that motion from its start, divided by time: chi-square at each look, and dependent between
looks. The probability of at least one crossing is found by numerical integration from look to look, without random numbers.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, gammaln, ive

from .samples import Floats

# More dimensions pass a little more often (0.00115, 0.00098, 0.00093 for 1, 12, 48 at 24 looks and alpha = 0.01): 64 is
# on the safe side of anything that a window of 12 ms at 4 kHz can hold.
SAFE_DIMENSIONS = 64
NODES = 64  # for 24 looks or fewer: nine digits after the point; more looks make the steps from one to the next sharper


def passes(p_value: float, times: Floats, dimensions: float) -> float:
    """Probability that |B(t)|^2 / t exceeds the chi-square quantile of ``p_value`` at any of the ``times`` (n_looks,)."""
    most = np.sqrt(chdtri(dimensions, p_value))
    least = np.sqrt(chdtri(dimensions, 1.0 - 1e-13))  # the probability of a smaller distance is negligible
    nodes, weights = np.polynomial.legendre.leggauss(math.ceil(NODES * math.sqrt(max(1.0, len(times) / 24))))
    nodes, weights = least + (most - least) * (nodes + 1.0) / 2.0, (most - least) * weights / 2.0  # of |B(t)| / sqrt(t)
    order = dimensions / 2.0 - 1.0
    first = times[0]
    radius = nodes * np.sqrt(first)
    log_density = (dimensions - 1) * np.log(radius) - radius**2 / (2 * first) - order * np.log(2.0)
    mass = np.exp(log_density - gammaln(order + 1) - (order + 1) * np.log(first)) * weights * np.sqrt(first)
    for before, now in pairwise(times):
        step = now - before
        beyond = nodes * np.sqrt(now)
        a, b = radius[:, np.newaxis], beyond[np.newaxis, :]
        # from radius a to radius b (Bessel process): density in b
        density = b / step * (b / a) ** order * np.exp(-((b - a) ** 2) / (2 * step)) * ive(order, a * b / step)
        mass = (mass @ density) * weights * np.sqrt(now)
        radius = beyond
    return float(1.0 - mass.sum())


@lru_cache(maxsize=256)
def _constant(alpha: float, times: tuple[float, ...], dimensions: float) -> float:
    if len(times) == 1:
        return alpha
    low, high = np.log(alpha / len(times)), np.log(alpha)  # union bound, and a single look
    return float(np.exp(brentq(lambda log_p: passes(np.exp(log_p), np.array(times), dimensions) - alpha, low, high, xtol=1e-6)))


def constant_p_value(alpha: float, times: Floats, dimensions: float = SAFE_DIMENSIONS) -> float:
    """The p-value which, applied at each of the ``times`` (n_looks,), is reached at least once with probability ``alpha``."""
    return _constant(float(alpha), tuple(float(t) for t in times), float(dimensions))
