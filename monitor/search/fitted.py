"""Model of a search fitted again to its averages: posterior of wave V at every level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Floats

from .choice import Wanted
from .posterior import ALL_EVERY, HIGH, LOW, Posterior
from .running import Condition

ROUNDS = ALL_EVERY + 1  # the form is learned meanwhile, and in the last all directions and curves are looked at again with it


@dataclass(frozen=True)
class Fitted:
    """Posterior quantiles (2.5, 50 and 97.5 %): for each level (3, n_levels) latency in ms, and amplitude peak to trough in nV,
    which is that of a wave of the usual waveforms; for the threshold (3,) in dB nHL."""

    latency_ms: Floats
    amplitude_nv: Floats
    threshold_db: tuple[float, float, float]


def fit(
    condition: Condition, wanted: Wanted, averages_uv: Mapping[int, Floats], noise_uv: Mapping[int, float], shape: Floats
) -> Fitted:
    """Fit the model. ``averages_uv``: averages at the window points (n_points,) of the levels (index) that were played;
    ``noise_uv``: RMS noise of each; ``shape`` (n_points, n_points): correlation of the noise. Raises ValueError if no level has
    an average."""
    levels, points = len(condition.levels_db), len(shape)
    sums, weights = np.zeros((levels, points)), np.zeros(levels)
    for level, average in averages_uv.items():
        weights[level] = 1.0 / noise_uv[level] ** 2
        sums[level] = weights[level] * average
    if not weights.any():
        raise ValueError("no level has an average: there is nothing to fit")
    posterior = Posterior(condition.waves, condition.growths(wanted.visible_uv), np.asarray(np.linalg.inv(shape)))
    for _ in range(ROUNDS):
        belief = posterior.update(sums, weights)
    latencies_ms, sizes_uv = posterior.spread(condition.waves.latencies_ms, (LOW, 0.5, HIGH))
    threshold_db = belief.low_db, belief.middle_db, belief.high_db
    return Fitted(latencies_ms, 1e3 * sizes_uv / condition.waves.rms_per_peak, threshold_db)
