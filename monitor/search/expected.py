"""Prior of a threshold from known thresholds of the same person, before it is searched.

Thresholds of neighbouring frequencies, and of the two ears, are usually similar. An ear that differs from the other one, or has a
steep loss, must be found as well; therefore half of the prior is spread evenly over all levels. Only the choice of levels and the
interval may depend on it; the evidence for a response never does.
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
    """An expected threshold in dB nHL, and the SD of its uncertainty."""

    threshold_db: float
    sd_db: float


def passed_on(known: Expected, octaves: float, same_ear: bool) -> tuple[Expected, ...]:
    """Expectation that a known threshold gives for another one ``octaves`` away (nan: not known); empty if its SD is too
    large."""
    sd_db = math.hypot(known.sd_db, OCTAVE_DB * octaves, 0.0 if same_ear else OTHER_EAR_DB)
    return (Expected(known.threshold_db, sd_db),) if sd_db <= MOST_DB else ()


def log_weights(threshold_db: Floats, expected: Sequence[Expected], range_db: float) -> Floats:
    """Log of the prior of thresholds (n,) relative to a flat one over ``range_db``: a mixture of a flat part and normal parts
    about the expected thresholds."""
    if not expected:
        return np.zeros_like(threshold_db)
    density = np.zeros_like(threshold_db)
    for one in expected:
        off = (threshold_db - one.threshold_db) / one.sd_db
        density += np.exp(-0.5 * off**2) / (math.sqrt(2.0 * math.pi) * one.sd_db * len(expected))
    return np.asarray(np.log(OPEN + (1.0 - OPEN) * range_db * density))
