"""Matching of triggers with the sounds of the schedule, also with missing or extra ones, or a drift. Pure."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Floats

TOLERANCE_S = 0.003  # of one trigger against where those before it say it should be
_FOLLOW = 0.5  # how far each trigger moves the place of the next one: drift is followed, jitter halved
_TRIED = 20  # of the first triggers and sounds, to begin with
_LEAST = 0.5  # of all sounds must have a trigger, else this is not their trigger channel


@dataclass(frozen=True)
class Match:
    """`positions` (n,): the trigger of each sound, nan where it is missing; `extra`: triggers among them that have none."""

    positions: Floats
    extra: int

    def line(self, expected: Floats) -> Floats:
        """Where the triggers should be (n,), by a straight line through those that are there."""
        there = np.isfinite(self.positions)
        middle = expected[there].mean()
        slope, at_middle = np.polyfit(expected[there] - middle, self.positions[there], 1)
        return np.asarray(at_middle + slope * (expected - middle))


def match(found: Floats, expected: Floats, rate_hz: float) -> Match | None:
    """Match triggers `found` (m,) and sounds `expected` (n,), both rising, in samples from different origins.

    The random pauses of the schedule make the pairing unique: one that is shifted by a whole sound does not fit everywhere. None
    if not even half of the sounds get a trigger.
    """
    tolerance = TOLERANCE_S * rate_hz
    triggers = found.tolist()
    lags = np.sort((found[:_TRIED, None] - expected[None, :_TRIED]).ravel())
    lags = lags[np.diff(lags, prepend=-np.inf) > tolerance / 4]
    best: list[int | None] = []
    for lag in lags:
        pairs = _follow(triggers, expected, float(lag), tolerance)
        if sum(pair is not None for pair in pairs) > sum(pair is not None for pair in best):
            best = pairs
    taken = [pair for pair in best if pair is not None]
    if len(taken) < max(2, _LEAST * len(expected)):
        return None
    positions = np.array([np.nan if pair is None else triggers[pair] for pair in best])
    matched = Match(positions, 0)
    margin = 0.5 * float(np.median(np.diff(expected)))
    first, last = matched.line(expected)[[0, -1]]
    between = int(((found > first - margin) & (found < last + margin)).sum())
    return Match(positions, between - len(taken))


def _follow(triggers: list[float], expected: Floats, lag: float, tolerance: float) -> list[int | None]:
    """For each sound the number of its trigger, beginning where `lag` says."""
    pairs: list[int | None] = []
    free = 0  # triggers before this one are used up
    for at in expected.tolist():
        place = at + lag
        near = bisect_left(triggers, place, free)
        choices = [i for i in (near - 1, near) if free <= i < len(triggers) and abs(triggers[i] - place) <= tolerance]
        if not choices:
            pairs.append(None)
            continue
        pair = min(choices, key=lambda i: abs(triggers[i] - place))
        pairs.append(pair)
        lag += _FOLLOW * (triggers[pair] - place)
        free = pair + 1
    return pairs
