"""The click stimulus."""

from __future__ import annotations

import numpy as np

from quietfloor.stimuli.base import Waveform

DURATION_US = 100.0  # of the click for which reference levels hold: IEC 60645-3 (from memory)
ALLOWED_US = (40.0, 1000.0)  # own choice: two samples at 48 kHz, and a wave of 1 kHz


def click(rate_hz: float, duration_us: float = DURATION_US) -> Waveform:
    """One rectangular pulse of `duration_us`. A click of another duration than 100 us is named by it, such as "click 200 us",
    because no reference level, and no measurement of the click of 100 us, holds for it.

    The duration is seldom a whole number of samples (4.8 at 48 kHz). The last sample then has the remaining fraction, so that the
    area is exact: 1, 1, 1, 1, 0.8 at 48 kHz. At that rate the spectrum is within 0.2 dB of the ideal pulse up to 4 kHz. The
    converter's low-pass filter changes the pulse further; therefore levels are measured at the earphone, not computed from
    samples.
    """
    length = rate_hz * duration_us * 1e-6
    if not (np.isfinite(length) and length >= 1.0):
        raise ValueError(
            f"a click of {duration_us} us is {length:g} samples at {rate_hz} Hz; it needs at least one: "
            f"raise the rate to {1e6 / duration_us:g} Hz or more"
            if duration_us > 0
            else f"duration_us = {duration_us}; it must be above 0"
        )
    whole = int(np.floor(length + 1e-9))
    remainder = length - whole
    samples = np.ones(whole + (remainder > 1e-9))
    if remainder > 1e-9:
        samples[-1] = remainder
    return Waveform("click" if duration_us == DURATION_US else f"click {duration_us:g} us", samples, rate_hz)
