"""Values between the samples of a band-limited signal: short windowed-sinc interpolators."""

from __future__ import annotations

import numpy as np

from .samples import Floats


def interpolators(half: int, phases: int, shape: float) -> Floats:
    """Taps (phases + 1, 2 half): row p gives the value at p / phases of a sample after the sample under tap ``half - 1``.

    The taps are a Kaiser-windowed sinc with parameter ``shape``; each row is scaled to a gain of exactly 1 at DC.
    """
    fraction = np.arange(phases + 1)[:, np.newaxis] / phases
    distance = np.arange(-half + 1, half + 1) - fraction
    inside = np.clip(1 - (distance / half) ** 2, 0.0, None)
    taps = np.sinc(distance) * np.i0(shape * np.sqrt(inside))
    return np.asarray(taps / taps.sum(axis=1, keepdims=True))
