"""The weighted average beside the plain one: the same sweeps, each unit of 16 with a weight of one over its noise. Pure.

The weights are those of the engine (`quietfloor.monitor.core.averaging`): accepted sweeps over their variance. For independent
noise of unequal size they give the average with the least noise, 1 / sqrt(sum of the weights). Elberling & Wahlgreen 1985 (Scand
Audiol 14:89, abstract) weight blocks of sweeps like this.
"""

from __future__ import annotations

import math

import numpy as np

from quietfloor.monitor.core.averaging import WeightedAverage, Window, reduce_unit
from quietfloor.monitor.core.samples import Bools, Floats


class Weighted:
    """Feed it units of 16 sweeps. It never ends, so that it can be compared with the plain average at any time."""

    def __init__(self, n_times: int, window: Window) -> None:
        self._average, self._window = WeightedAverage((), n_times), window

    def unit(self, sweeps_uv: Floats, used: Bools) -> None:
        """(16, n_times), and which of them the engine did not reject (16,)."""
        self._average.update(reduce_unit(sweeps_uv, used, self._window))

    def parts_nv(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Weighted average, its halves (every other unit), its plus-minus average, (n_times,) each; nan where there are none."""
        average = self._average
        a, b = average.half_uv(0), average.half_uv(1)
        return 1e3 * average.average_uv(), 1e3 * a, 1e3 * b, 1e3 * average.plus_minus_uv()

    @property
    def noise_nv(self) -> float:
        """Residual noise in nV from the spread of the sweeps inside their units; nan before the first unit."""
        weight = float(self._average.weight)
        return 1e3 / math.sqrt(weight) if weight > 0 else math.nan

    def real_noise_nv(self, truth_nv: Floats) -> float:
        """True noise in nV: RMS over the window of the weighted average minus the true response (n_times,)."""
        error = self._window.of(self.parts_nv()[0] - truth_nv)
        return float(np.sqrt((error**2).mean()))
