"""From a trigger channel to stimulus onsets with sub-sample precision.

The channel is learned first (resting level, direction, height, whether its edges are those of a digital port or of a
converter) on a fixed grid of samples, then searched from its beginning, so nothing that came while learning is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .samples import Floats

GRID_S = 0.5  # learning is tried at multiples of this
ENOUGH_PULSES = 4
LONGEST_LEARN_S = 2.0  # from here on one pulse is enough, and older samples are dropped
NOISE_FACTOR = 8.0  # a pulse stands this many noise SDs above rest
MARK_LOOKAHEAD_MS = 3.0  # a pulse is at most this wide, otherwise it is a step


@dataclass(frozen=True)
class TriggerSettings:
    """How to read the trigger channel.

    ``edge``: which edge is the onset ("auto": the edge that leaves the resting level).
    ``kind``: "digital" takes the first sample at the new level; "analogue" interpolates the half-height crossing.
    ``unit_mark_ms``: first lobes at least this wide open a new unit of sweeps; nan where the equipment marks none.
    """

    edge: Literal["auto", "rising", "falling"] = "auto"
    kind: Literal["auto", "digital", "analogue"] = "auto"
    refractory_ms: float = 4.0
    unit_mark_ms: float = np.nan


@dataclass(frozen=True)
class TriggerModel:
    """What was learned: onset where ``sign * (x - rest)`` crosses ``threshold`` upwards (stream units)."""

    rest: float
    sign: int
    threshold: float
    kind: Literal["digital", "analogue"]


@dataclass(frozen=True)
class Onset:
    """One stimulus onset at ``position`` (raw samples, absolute, fractional), known once sample ``ready`` has come."""

    position: float
    ready: int
    width: float  # raw samples above threshold; inf for a step
    doubled: bool  # closer to the one before than half the usual interval


def learn(x: Floats, rate_hz: float, settings: TriggerSettings, enough: int) -> TriggerModel | None:
    """Learn from samples x (n,); None while fewer than ``enough`` pulses stand out."""
    model = _learn_steps(x, settings) or _learn_pulses(x, rate_hz, settings)
    if model is None:
        return None
    z = model.sign * (x - model.rest)
    up = np.flatnonzero((z[1:] >= model.threshold) & (z[:-1] < model.threshold)) + 1
    if len(up) < enough:
        return None
    kind = settings.kind
    if kind == "auto":
        height = 2 * model.threshold
        at_once = (np.abs(z[up - 1]) <= 0.1 * height) & (z[up] >= 0.9 * height)
        kind = "digital" if at_once.mean() >= 0.9 else "analogue"
    return TriggerModel(model.rest, model.sign, model.threshold, kind)


def _learn_steps(x: Floats, settings: TriggerSettings) -> TriggerModel | None:
    """Two levels, both held for a good part of the time (a gate rather than a pulse)."""
    middle = (float(x.max()) + float(x.min())) / 2
    high = x >= middle
    if not 0.2 < high.mean() < 0.8:
        return None
    low_level, high_level = float(np.median(x[~high])), float(np.median(x[high]))
    noise = 1.4826 * float(np.median(np.abs(x - np.where(high, high_level, low_level))))
    if high_level - low_level <= max(NOISE_FACTOR * noise, 0.0):
        return None
    sign = -1 if settings.edge == "falling" else 1
    rest = low_level if sign > 0 else high_level
    return TriggerModel(rest, sign, (high_level - low_level) / 2, "analogue")


def _learn_pulses(x: Floats, rate_hz: float, settings: TriggerSettings) -> TriggerModel | None:
    rest = float(np.median(x))
    away = x - rest
    noise = 1.4826 * float(np.median(np.abs(away)))
    peak = float(np.abs(away).max())
    if peak <= NOISE_FACTOR * noise or peak == 0.0:
        return None
    codes = bool(np.all(x == np.round(x)))  # an event port: 1 and 255 are both pulses
    floor = 0.5 if codes else max(NOISE_FACTOR * noise, 0.2 * peak)
    out = np.flatnonzero(np.abs(away) > floor)
    groups = np.split(out, np.flatnonzero(np.diff(out) > settings.refractory_ms * 1e-3 * rate_hz) + 1)
    first_signs = np.array([np.sign(away[group[0]]) for group in groups])
    sign = {"rising": 1, "falling": -1}.get(settings.edge) or (1 if first_signs.sum() >= 0 else -1)
    wanted = first_signs == sign if settings.edge == "auto" else np.ones(len(groups), dtype=bool)
    heights = [float((sign * away[group]).max()) for group, use in zip(groups, wanted, strict=True) if use]
    if max(heights) <= floor:
        return None
    return TriggerModel(rest, sign, 0.5 * float(np.percentile(heights, 10)), "analogue")


class OnsetFinder:
    """Feeds on the trigger channel of one stream; the same onsets come out however the stream is cut."""

    def __init__(self, rate_hz: float, settings: TriggerSettings, model: TriggerModel | None = None) -> None:
        self._rate_hz = rate_hz
        self._settings = settings
        self.model = model
        self.learned_at: int | None = None
        self._grid = max(1, round(GRID_S * rate_hz))
        self._refractory = settings.refractory_ms * 1e-3 * rate_hz
        self._ahead = max(2, int(np.ceil(MARK_LOOKAHEAD_MS * 1e-3 * rate_hz)))
        self._intervals: list[float] = []
        self.restart(0)

    def restart(self, index: int) -> None:
        """Begin a new segment at absolute sample ``index``; what was learned stays."""
        self._begin = index
        self._first = index  # absolute number of the first sample held
        self._held = np.empty(0)
        self._scan = index + 1  # next sample to be looked at as an onset
        self._last = -np.inf  # position of the onset before
        self._armed = True
        self._armed_from = index

    def feed(self, x: Floats) -> list[Onset]:
        """Next trigger samples (n,) of this segment -> onsets that are now certain, in order."""
        onsets: list[Onset] = []
        start = 0
        while self.model is None and start < len(x):
            stop = min(len(x), start + self._grid - (self._first + len(self._held) - self._begin) % self._grid)
            self._held = np.concatenate([self._held, x[start:stop]])
            start = stop
            if (self._first + len(self._held) - self._begin) % self._grid == 0:
                self._try_to_learn()
        if self.model is not None:
            self._held = np.concatenate([self._held, x[start:]])
            onsets = self._search(self.model)
        return onsets

    def _try_to_learn(self) -> None:
        long = len(self._held) >= LONGEST_LEARN_S * self._rate_hz
        self.model = learn(self._held, self._rate_hz, self._settings, 1 if long else ENOUGH_PULSES)
        if self.model is not None:
            self.learned_at = self._first + len(self._held) - 1
        elif long:
            self._held = self._held[self._grid :]
            self._first += self._grid
            self._scan = max(self._scan, self._first + 1)

    def _search(self, model: TriggerModel) -> list[Onset]:
        stop = self._first + len(self._held) - self._ahead  # onsets before this one have their whole pulse here
        if stop <= self._scan:
            return []
        z = model.sign * (self._held - model.rest)
        a, b = self._scan - self._first, stop - self._first
        up = np.flatnonzero((z[a:b] >= model.threshold) & (z[a - 1 : b - 1] < model.threshold)) + a
        onsets = [onset for i in up if (onset := self._onset(model, z, int(i))) is not None]
        self._scan = stop
        self._rearm(z, model, b)
        drop = self._scan - 1 - self._first
        self._held = self._held[drop:]
        self._first += drop
        return onsets

    def _rearm(self, z: Floats, model: TriggerModel, stop: int) -> None:
        """Hysteresis: after an onset the channel must fall below half the threshold before the next one."""
        if not self._armed:
            self._armed = bool(np.any(z[self._armed_from - self._first : stop] < 0.5 * model.threshold))
            self._armed_from = self._first + stop

    def _onset(self, model: TriggerModel, z: Floats, i: int) -> Onset | None:
        """The crossing at z[i] as an onset, or None where it is the bounce or the chatter of the one before."""
        at = self._first + i
        self._rearm(z, model, i)
        if not self._armed or at - self._last < self._refractory:
            return None
        before, after = z[i - 1], z[i]
        position = float(at) if model.kind == "digital" else at - 1 + float((model.threshold - before) / (after - before))
        below = np.flatnonzero(z[i : i + self._ahead] < model.threshold)
        width = np.inf
        if len(below):
            j = i + int(below[0])
            width = self._first + j - 1 + float((z[j - 1] - model.threshold) / (z[j - 1] - z[j])) - position
        interval = position - self._last
        usual = float(np.median(self._intervals)) if len(self._intervals) >= 4 else np.nan
        doubled = bool(interval < 0.5 * usual)
        if np.isfinite(interval):
            self._intervals = [*self._intervals[-63:], interval]
        self._last, self._armed, self._armed_from = position, False, at + 1
        return Onset(position, at + self._ahead, width, doubled)
