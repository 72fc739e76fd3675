"""Classical detection statistics, as pure functions on batches."""

from __future__ import annotations

import numpy as np

from .averaging import WeightedAverage, Window
from .samples import Floats


def fsp(average: WeightedAverage, window: Window) -> Floats:
    """Single-point F (...,): variance of the average over the window / variance of the average at one fixed point.

    Elberling & Don 1984 (Scand Audiol 13:187); Don, Elberling & Waring 1984 (Scand Audiol 13:219). With equal weights
    this is their N var_t(average) / var_n(single point); with weights the denominator is its weighted equivalent.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        signal = window.of(average.average_uv()).var(axis=-1, ddof=1)
        return np.asarray(signal / average.point_variance_uv2())
