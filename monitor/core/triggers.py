"""Learning of a trigger channel from its samples: resting level, direction, height, and kind of its edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.signal import resample_poly

from .samples import Floats

NOISE_FACTOR = 8.0  # a pulse stands this many noise SDs away from rest
SAME_HEIGHT = 1.4  # pulses that differ by less are of one height: a converter lowers the narrow ones
FINE = 8  # values per sample when a height is measured
UNFINISHED = 16  # samples: a later end may belong to the beginning of a pulse, or to ringing of a converter before one
CONTEXT = 12  # samples around a pulse that its interpolation uses


@dataclass(frozen=True)
class TriggerSettings:
    """How to read the trigger channel.

    ``edge``: the edge that is the onset ("auto": the edge that leaves the resting level).
    ``kind``: "digital" takes the first sample at the new level; "analogue" interpolates the half-height crossing.
    ``unit_mark_ms``: first lobes at least this wide begin a new unit of sweeps; nan if the equipment marks no units.
    ``break_mark_ms``: first lobes at least this wide are no stimuli but marks of a broken sound; nan if the equipment marks no
    breaks. The sound broke ``break_after_ms`` before the mark or, for lobes from ``device_break_mark_ms`` on, at some time
    between the last stimulus and the mark.
    """

    edge: Literal["auto", "rising", "falling"] = "auto"
    kind: Literal["auto", "digital", "analogue"] = "auto"
    refractory_ms: float = 4.0
    unit_mark_ms: float = np.nan
    break_mark_ms: float = np.nan
    device_break_mark_ms: float = np.nan
    break_after_ms: float = 5.0


@dataclass(frozen=True)
class TriggerModel:
    """Learned model of the channel: an onset is where ``sign * (x - rest)`` rises through ``threshold`` (stream units)."""

    rest: float
    sign: int
    threshold: float
    kind: Literal["digital", "analogue"]


def learn(x: Floats, rate_hz: float, settings: TriggerSettings, enough: int) -> TriggerModel | None:
    """Learn from samples x (n,); None while fewer than ``enough`` pulses stand out."""
    shape = _steps(x, settings) or _pulses(x, rate_hz, settings)
    if shape is None:
        return None
    z = shape.sign * (x - shape.rest)
    up = np.flatnonzero((z[1:] >= shape.threshold) & (z[:-1] < shape.threshold)) + 1
    if len(up) < enough:
        return None
    slack = 0.2 * shape.threshold + 2 * shape.noise
    lowest = 2 * shape.threshold / SAME_HEIGHT
    at_once = float(((np.abs(z[up - 1]) <= slack) & (z[up] >= lowest - slack)).mean()) >= 0.9
    kind = settings.kind if settings.kind != "auto" else "digital" if at_once else "analogue"
    if kind == "analogue":
        return TriggerModel(shape.rest, shape.sign, shape.between_samples, kind)
    # later codes of an event port may be smaller than any seen so far
    return TriggerModel(shape.rest, shape.sign, 0.5 if shape.codes and shape.noise == 0 else shape.threshold, kind)


@dataclass(frozen=True)
class _Shape:
    """Pulses or steps as found: half their height as sampled, and as interpolated; whether all samples are whole numbers."""

    rest: float
    sign: int
    threshold: float
    between_samples: float
    noise: float  # SD about the resting level
    codes: bool = False


def _steps(x: Floats, settings: TriggerSettings) -> _Shape | None:
    """Two levels, both held for a good part of the time (a gate rather than a pulse)."""
    middle = (float(x.max()) + float(x.min())) / 2
    high = x >= middle
    if not 0.2 < high.mean() < 0.8:
        return None
    low_level, high_level = float(np.median(x[~high])), float(np.median(x[high]))
    noise = _sd(x - np.where(high, high_level, low_level))
    if high_level - low_level <= NOISE_FACTOR * noise:
        return None
    sign = -1 if settings.edge == "falling" else 1
    half = (high_level - low_level) / 2
    return _Shape(low_level if sign > 0 else high_level, sign, half, half, noise)


def _pulses(x: Floats, rate_hz: float, settings: TriggerSettings) -> _Shape | None:
    """Short departures from a resting level; the first departure of a group (a bipolar pulse, a bounce) is its onset."""
    rest = float(np.median(x))
    away = x - rest
    noise = _sd(away)
    peak = float(np.abs(away).max())
    if peak <= NOISE_FACTOR * noise or peak == 0.0:
        return None
    codes = bool(np.all(x == np.round(x)))  # an event port: 1 and 255 are both pulses
    floor = max(NOISE_FACTOR * noise, 0.5 if codes else 0.2 * peak)
    out = np.flatnonzero(np.abs(away) > floor)
    groups = np.split(out, np.flatnonzero(np.diff(out) > settings.refractory_ms * 1e-3 * rate_hz) + 1)
    groups = [group for group in groups if group[-1] < len(x) - UNFINISHED]
    if not groups:
        return None
    signs = np.array([np.sign(away[group[0]]) for group in groups])
    usual = 1 if signs.sum() >= 0 else -1
    sign = {"rising": 1, "falling": -1}.get(settings.edge, usual)
    heights = np.array([_plateau(sign * away[group]) for group in groups])
    lobe = sign
    if sign != usual and not (heights > floor).any():  # the wanted edge is the return to rest
        lobe = -sign
        heights = np.array([_plateau(lobe * away[group]) for group in groups])
        rest -= sign * _height(heights[heights > floor])
    tall = np.flatnonzero(heights > floor)
    if not len(tall):
        return None
    finer = np.array([_plateau(lobe * _fine(away, int(groups[i][0]), int(groups[i][-1]) + 1)) for i in tall])
    return _Shape(rest, sign, _height(heights[tall]) / 2, _height(finer) / 2, noise, codes)


def _fine(x: Floats, start: int, stop: int) -> Floats:
    """x from ``start`` to ``stop``, interpolated: the height of a short pulse must not depend on where it was sampled."""
    first = max(0, start - CONTEXT)
    fine = resample_poly(x[first : stop + CONTEXT], FINE, 1)
    return np.asarray(fine[(start - first) * FINE : (stop - 1 - first) * FINE + 1])


def _plateau(lobe: Floats) -> float:
    """Height of one pulse: the median of the samples in its upper half, which overshoot hardly changes; 0 for a negative
    pulse."""
    top = lobe.max()
    return float(np.median(lobe[lobe >= 0.5 * top])) if top > 0 else 0.0


def _height(heights: Floats) -> float:
    """Common height of the pulses: the tallest of those that are about as tall as the smaller ones."""
    return float(heights[heights <= SAME_HEIGHT * np.quantile(heights, 0.1)].max())


def _sd(x: Floats) -> float:
    """Standard deviation of noise (Gaussian) from its median absolute value, which pulses do not raise."""
    return 1.4826 * float(np.median(np.abs(x)))
