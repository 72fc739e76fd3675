"""The loudest that may leave this program: the last stage on the sound columns of every frame.

The limits are constants of this file, per transducer and age group, and no field, argument or plan changes them. They hold for
the peak-to-peak value within any 5 ms (half a period of 100 Hz), because levels of short signals are measured by it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from stimuli.calibration import EARS, TRANSDUCERS, Calibration, LevelError, plausible
from stimuli.waveforms import Waveform, is_registered

AGE_GROUPS = ("adult", "child", "infant")

# "Never above 85 dB HL" for babies with insert earphones: British Society of Audiology, ABR stimulus calibration reference
# values, October 2025, note 4 (verified). In a newborn's ear canal the same drive gives 10-20 dB more (same text, verified).
INFANT_INSERT_DB_HL = 85.0

# What 0 dB nHL is for the purpose of that limit, dB p-p.e. SPL; apart from references.toml, which the user may edit. Click:
# ISO 389-6 (from memory), 2 cc minus 9.0 dB (verified). Any other sound counts as a 1 kHz burst, the lowest zero: 21.5 (from
# memory), 2 cc minus 5.5 dB (verified).
_ZERO_CLICK: Mapping[str, float] = MappingProxyType({"occluded-ear-simulator": 35.5, "2cc": 26.5})
_ZERO_LOWEST: Mapping[str, float] = MappingProxyType({"occluded-ear-simulator": 21.5, "2cc": 16.0})

# Own choice, dB p-p.e. SPL. A one-sided pulse of 130 dB p-p.e. peaks at 139 dB, below the 140 dB that no peak may pass (from
# memory: NIOSH 98-126). The same sound reads 4 to 9.5 dB less on a 2 cc coupler (note 5 of the same text, verified).
_GENERAL: Mapping[str, float] = MappingProxyType({"adult": 130.0, "child": 125.0, "infant": 110.0})
_2CC_READS_LESS_DB = 9.5

# Own choice, dB re full scale, peak to peak: without a calibration nobody knows how loud full scale is.
_UNCALIBRATED: Mapping[str, float] = MappingProxyType({"adult": -20.0, "child": -30.0, "infant": -40.0})

_WINDOW_S = 0.005
_ROUNDING = 1.0 - 2.0**-21  # so that rounding to float32 afterwards stays below the limit


@dataclass(frozen=True)
class Ceiling:
    """Whom the sound goes to, and through what. `calibration` None, or one that cannot be true, means the uncalibrated limit."""

    transducer: str
    age_group: str
    calibration: Calibration | None = None

    def __post_init__(self) -> None:
        for name, value, allowed in (
            ("transducer", self.transducer, TRANSDUCERS),
            ("age_group", self.age_group, AGE_GROUPS),
        ):
            if value not in allowed:
                raise LevelError(f"{name} = {value!r}; allowed are {', '.join(allowed)}")
        if self.calibration is not None and self.calibration.transducer != self.transducer:
            raise LevelError(
                f"calibration {self.calibration.id!r} is for {self.calibration.transducer!r}, the plan says {self.transducer!r}: "
                "choose the calibration of the earphone in use"
            )

    def limit_db_ppe_spl(self, waveform: Waveform) -> float:
        """The limit for this stimulus on the calibration's coupler; nan without a usable calibration."""
        calibration = self._usable_calibration()
        if calibration is None:
            return math.nan
        general = _GENERAL[self.age_group] - (_2CC_READS_LESS_DB if calibration.coupler == "2cc" else 0.0)
        if self.transducer == "insert" and self.age_group == "infant":
            zero = _ZERO_CLICK if waveform.name == "click" and is_registered(waveform) else _ZERO_LOWEST
            return INFANT_INSERT_DB_HL + zero.get(calibration.coupler, min(zero.values()))
        return general

    def peak_to_peak(self, waveform: Waveform) -> tuple[float, float]:
        """Largest peak-to-peak value (left, right) re 1.0; never above 2 (-1..+1), whatever the calibration says."""
        calibration = self._usable_calibration()
        if calibration is None:
            uncalibrated = 10.0 ** (_UNCALIBRATED[self.age_group] / 20.0)
            return uncalibrated, uncalibrated
        limit = self.limit_db_ppe_spl(waveform)
        left, right = (min(10.0 ** ((limit - calibration.full_scale_db_ppe_spl(ear)) / 20.0), 2.0) for ear in EARS)
        return left, right

    def _usable_calibration(self) -> Calibration | None:
        """The calibration, unless it was damaged after it was checked."""
        calibration = self.calibration
        if calibration is None or calibration.transducer != self.transducer:
            return None
        try:
            return calibration if plausible(calibration.left_db_ppe_spl, calibration.right_db_ppe_spl) else None
        except TypeError:
            return None


class Limiter:
    """Holds one column to a peak-to-peak value within any 5 ms, silence included. State: the extremes of the last 5 ms.

    Sound below the limit passes bit by bit. Values that are not finite become silence. The result does not depend on how the
    column is cut into blocks.
    """

    def __init__(self, peak_to_peak: float, rate_hz: float) -> None:
        if not 0.0 <= peak_to_peak <= 2.0:  # nan ends here too
            raise LevelError(f"peak-to-peak limit {peak_to_peak}; allowed is 0 to 2")
        self.limit = peak_to_peak * _ROUNDING
        self.limited_samples = 0
        self._window = max(1, math.ceil(_WINDOW_S * rate_hz))
        self._position = 0
        self._highs: deque[tuple[int, float]] = deque()  # positions rising, values falling: the front is the largest
        self._lows: deque[tuple[int, float]] = deque()

    def apply(self, column: NDArray[np.float64]) -> NDArray[np.float64]:
        """column (n,) float64 -> (n,) float64."""
        finite = np.nan_to_num(column, nan=0.0, posinf=0.0, neginf=0.0)
        self.limited_samples += int(np.count_nonzero(~np.isfinite(column)))
        for i in np.flatnonzero(finite):  # zeros stay zeros: the extremes always count silence in
            finite[i] = self._one(float(finite[i]), self._position + int(i))
        self._position += finite.size
        return finite

    def _one(self, value: float, position: int) -> float:
        for extremes in (self._highs, self._lows):
            while extremes and extremes[0][0] <= position - self._window:
                extremes.popleft()
        highest = max(self._highs[0][1], 0.0) if self._highs else 0.0
        lowest = min(self._lows[0][1], 0.0) if self._lows else 0.0
        limited = min(max(value, highest - self.limit, -1.0), lowest + self.limit, 1.0)
        self.limited_samples += limited != value
        while self._highs and self._highs[-1][1] <= limited:
            self._highs.pop()
        self._highs.append((position, limited))
        while self._lows and self._lows[-1][1] >= limited:
            self._lows.pop()
        self._lows.append((position, limited))
        return limited
