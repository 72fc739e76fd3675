"""Choice of the next level, and the end of a search: functions of the posterior."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietfloor.monitor.core.samples import Bools, Floats

from .posterior import Belief

LARGEST_RISE_DB = 20.0
UNITS, SHARE = 4, 0.02  # between choices: about two seconds, and a part of what there is already; own choice
LEAST_UNITS = 8  # of the level that carries a finding: 128 sweeps

Why = Literal["start", "operator", "threshold", "proof"]


@dataclass(frozen=True)
class Wanted:
    """The aim of a search: an interval of the threshold no wider than ``width_db``, and a response found near it.

    After ``patience_s`` the interval may be wider, up to ``widest_db`` after twice that time, because small responses that grow
    slowly would take very long in much noise.
    """

    width_db: float = 10.0
    widest_db: float = 14.0
    patience_s: float = 120.0
    alpha: float = 0.01
    reach_db: float = 10.0  # a response is found at most so far above the interval
    visible_uv: float = 0.015  # RMS over the response window of what counts as a response

    def __post_init__(self) -> None:
        if not 5.0 <= self.width_db <= 40.0:
            raise ValueError(f"width_db = {self.width_db:g}: the interval of a threshold may be 5 to 40 dB wide (10; 15 hurried)")
        if not 0.0 < self.alpha <= 0.1:
            raise ValueError(f"alpha = {self.alpha:g}: give the share of searches with a false threshold, above 0 and up to 0.1")

    def width_after_db(self, seconds: float) -> float:
        """Accepted width of the interval in dB after ``seconds`` of signal."""
        late = min(max(seconds / self.patience_s - 1.0, 0.0), 1.0)
        return self.width_db + late * max(self.widest_db - self.width_db, 0.0)


@dataclass(frozen=True)
class Choice:
    """The next level (index), the reason, and the expected gain of its next units: reduction of the variance of the threshold
    (dB2) per second."""

    level: int
    why: Why
    gain_db2_per_s: float


def narrow(belief: Belief, wanted: Wanted, seconds: float) -> bool:
    return belief.high_db - belief.low_db <= wanted.width_after_db(seconds)


def over(belief: Belief, wanted: Wanted, levels_db: Floats, found: Bools, seconds: float, offered: Bools) -> bool:
    """Whether the search is complete. ``found`` (n_levels,): levels at which there is a response. ``offered`` (n_levels,): levels
    that may be played."""
    loudest_db = levels_db[offered][-1] if offered.any() else levels_db[-1]
    if belief.low_db > loudest_db:
        return True
    if not narrow(belief, wanted, seconds):
        return False
    if belief.high_db > loudest_db:
        return True
    near = levels_db <= max(belief.high_db + wanted.reach_db, levels_db[0])
    return bool((found & near).any())


def gains(belief: Belief, unit_weight: float, unit_s: float) -> Floats:
    """Reduction of the variance of the threshold per second by the next units at each level (n_levels,), one look ahead, in a
    normal approximation; ``unit_weight`` in 1/uV2 of the next unit."""
    noise = 1.0 / (UNITS * unit_weight * np.maximum(belief.energy, 1e-12))
    return np.asarray(belief.shared_uv_db**2 / (belief.variance_uv2 + noise) / (UNITS * unit_s))


def within_rise(levels_db: Floats, offered: Bools, now_db: float) -> Bools:
    """Offered levels that may be played next: the softest, and those at most ``LARGEST_RISE_DB`` above the present one. At least
    one level must be offered.

    ``now_db``: the present level, -inf where nothing has been played yet.
    """
    softest = levels_db[np.argmax(offered)]
    return np.asarray(offered & (levels_db <= max(now_db + LARGEST_RISE_DB, softest)))


def proof_s(belief: Belief, wanted: Wanted, levels_db: Floats, log10: Floats, offered: Bools, weight_per_s: float) -> float:
    """About how long a response near the threshold takes to be proven (inf: never), in seconds of signal.

    By the expected growth of its evidence; ``weight_per_s`` in 1/uV2.
    """
    near = offered & (levels_db <= max(belief.high_db + wanted.reach_db, levels_db[0]))
    missing = math.log(10.0) * np.maximum(0.3 - math.log10(wanted.alpha) - log10, 0.1)
    growth = 0.5 * weight_per_s * np.maximum(belief.mean_uv, 1e-5) ** 2 * belief.energy
    return float(np.where(near, missing / np.maximum(growth, 1e-12), np.inf).min())


def choose(
    belief: Belief, wanted: Wanted, levels_db: Floats, log10: Floats, reachable: Bools, unit_weight: float, unit_s: float,
    seconds: float,
) -> Choice:
    """The next level among those that are reachable: the one that narrows the interval of the threshold most; once it is narrow
    enough, the one at which a response is proven soonest. ``seconds``: signal so far."""  # fmt: skip
    gain = gains(belief, unit_weight, unit_s)
    if narrow(belief, wanted, seconds):
        near = reachable & (levels_db <= max(belief.high_db + wanted.reach_db, levels_db[np.argmax(reachable)]))
        missing = np.maximum(-math.log10(wanted.alpha) + 1.0 - log10, 0.1)
        pace = np.where(near, np.maximum(belief.mean_uv, 1e-5) ** 2 * belief.energy / missing, -np.inf)
        level = int(np.argmax(pace))
        return Choice(level, "proof", float(gain[level]))
    level = int(np.argmax(np.where(reachable, gain, -np.inf)))
    return Choice(level, "threshold", float(gain[level]))
