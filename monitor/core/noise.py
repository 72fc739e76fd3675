"""Residual noise of the average (RMS over the response window), estimated in several ways with different weaknesses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from .averaging import WeightedAverage, Window
from .samples import Bools, Floats

NORMAL_999 = 3.0902  # upper 0.1 % point of the normal distribution
REPEATS_ERROR = 0.001  # of a whole run


@dataclass(frozen=True)
class ResidualNoise:
    """Estimates of the residual noise, each (...,) in nV RMS. Rules use ``value_nv``."""

    value_nv: Floats
    within_units_nv: Floats  # from the spread of sweeps inside units: sqrt(1 / sum of weights)
    between_units_nv: Floats  # from the spread of unit means; includes what is constant in a unit, such as locked hum
    single_point_nv: Floats
    plus_minus_nv: Floats
    repeats: Bools  # the spread between units is larger than chance allows at any look so far, in 999 of 1,000 runs
    between: Floats  # 1.0: the spread between units is larger than chance allows, -1.0: smaller, and therefore used; else 0.0


def residual_noise(average: WeightedAverage, window: Window, freedom: Floats) -> ResidualNoise:
    """Estimates from the running average; ``freedom`` (...,) is the number of independent points in the window.

    The value is the within-unit estimate unless the spread between units lies outside its 99.8 % range for noise (chi-square,
    Wilson & Hilferty 1931); then it is the between-unit estimate, and the cause is named. A larger spread: something has the same
    phase throughout a unit, such as hum that is time-locked to the stimulus. A smaller spread: something alternates inside a unit
    and cancels in its mean.

    By chance one look in 1,000 lies above that range, and a run has hundreds of looks. ``repeats`` is therefore judged over all
    looks: the look after n units spends 1 / (n (n + 1)) of ``REPEATS_ERROR``, and these parts add up to 1.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        within = np.sqrt(1.0 / average.weight)
        dispersion = average.dispersion(window)
        between = within * np.sqrt(dispersion)
        df = freedom * (average.weighted_units - 1)
        middle, reach = 1 - 2 / (9 * df), NORMAL_999 * np.sqrt(2 / (9 * df))
        n = float(max(average.units, 1))
        beyond_all = -ndtri(REPEATS_ERROR / (n * (n + 1))) * np.sqrt(2 / (9 * df))
        larger, smaller = dispersion > (middle + reach) ** 3, dispersion < (middle - reach) ** 3  # nan decides nothing
        repeats = dispersion > (middle + beyond_all) ** 3
        plus_minus = np.sqrt((window.of(average.plus_minus_uv()) ** 2).mean(axis=-1))
    return ResidualNoise(
        value_nv=1e3 * np.where(larger | smaller, between, within),
        within_units_nv=1e3 * within,
        between_units_nv=1e3 * between,
        single_point_nv=1e3 * np.sqrt(average.point_variance_uv2()),
        plus_minus_nv=1e3 * plus_minus,
        repeats=np.asarray(repeats),
        between=larger.astype(np.float64) - smaller,
    )
