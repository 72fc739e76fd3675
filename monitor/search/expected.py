"""What thresholds that are known already say of another one of the same head, before it is searched.

Thresholds of neighbouring frequencies, and of the two ears, are alike more often than not. An ear that is unlike its other ear,
or falls steeply, must be found all the same: half of what is believed beforehand is spread evenly over all levels. Only where a
search looks, and its interval, depend on this; the evidence for a response never does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Floats

OCTAVE_DB, OTHER_EAR_DB = 12.0, 12.0  # SD between neighbouring octaves, and between the ears at one frequency; own choice
MOST_DB = 25.0  # what says less than this is left out
OPEN = 0.5  # of the prior: spread evenly, whatever is known; own choice


@dataclass(frozen=True)
class Expected:
    """Threshold in dB nHL and the SD of what is not known of it."""

    threshold_db: float
    sd_db: float


def passed_on(known: Expected, octaves: float, same_ear: bool) -> tuple[Expected, ...]:
    """What a known threshold says of one so many octaves away (nan: not known); nothing where that is next to nothing."""
    sd_db = math.hypot(known.sd_db, OCTAVE_DB * octaves, 0.0 if same_ear else OTHER_EAR_DB)
    return (Expected(known.threshold_db, sd_db),) if sd_db <= MOST_DB else ()


def log_weights(threshold_db: Floats, expected: Sequence[Expected], range_db: float) -> Floats:
    """Log of the prior of thresholds (n,) over one that is flat over ``range_db``: partly flat, else normal about the expected
    ones."""
    if not expected:
        return np.zeros_like(threshold_db)
    density = np.zeros_like(threshold_db)
    for one in expected:
        off = (threshold_db - one.threshold_db) / one.sd_db
        density += np.exp(-0.5 * off**2) / (math.sqrt(2.0 * math.pi) * one.sd_db * len(expected))
    return np.asarray(np.log(OPEN + (1.0 - OPEN) * range_db * density))
