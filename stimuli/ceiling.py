"""Output ceiling: the last stage on the sound columns of every frame, which limits their level.

The limits are constants of this file, per transducer, age group and route; no field, argument or plan changes them. There are two
limits. The first is the peak-to-peak value within any 5 ms (half a period of 100 Hz), the measure by which levels of short
signals are stated. The second is the RMS within any 125 ms (time constant F of a sound level meter, IEC 61672-1), because short
sounds that follow each other closely are as loud as a continuous one. `dose` limits how long a sound may last.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from quietfloor.stimuli.calibration import BONE, EARS, TRANSDUCERS, Calibration, LevelError, plausible_range_db, route_of
from quietfloor.stimuli.ear_steps import AGES_MONTHS
from quietfloor.stimuli.levels import zeq_minus_ppe_db
from quietfloor.stimuli.waveforms import Waveform, click

AGE_GROUPS = ("adult", "child", "infant")

# "Never above 85 dB HL" for babies with insert earphones: British Society of Audiology, ABR stimulus calibration reference
# values, October 2025, note 4 (verified). In a newborn's ear canal the same drive gives 10-20 dB more (same text, verified).
INFANT_INSERT_DB_HL = 85.0

# What 0 dB nHL is for the purpose of that limit, dB p-p.e. SPL; apart from references.toml, which the user may edit. Click and
# 2-1-2 bursts (by frequency): ISO 389-6 (from memory), 2 cc minus 9.0, 4.0, 5.5, 8.5, 9.5 dB (verified). Long sounds: 0 dB HL
# of a tone of 1 kHz, ISO 389-2 (secondary). A sound counts by its own samples, whatever its name.
_ZERO_CLICK: Mapping[str, float] = MappingProxyType({"occluded-ear-simulator": 35.5, "2cc": 26.5})
_ZERO_BURST: Mapping[str, Mapping[float, float]] = MappingProxyType(
    {
        "occluded-ear-simulator": MappingProxyType({500.0: 23.5, 1000.0: 21.5, 2000.0: 28.5, 4000.0: 32.5}),
        "2cc": MappingProxyType({500.0: 19.5, 1000.0: 16.0, 2000.0: 20.0, 4000.0: 23.0}),
    }
)
_ZERO_LONG: Mapping[str, float] = MappingProxyType({"occluded-ear-simulator": 5.5, "2cc": 0.0})
_SHORT_S = 0.0125  # own choice: a 2-1-2 burst of 500 Hz lasts 10 ms

# Own choice, dB p-p.e. SPL. A one-sided pulse of 130 dB p-p.e. peaks at 139 dB, below the 140 dB that no peak may pass (from
# memory: NIOSH 98-126). The same sound reads 4 to 9.5 dB less on a 2 cc coupler (note 5 of the same text, verified), and up to
# 2 dB less on 6 cc than on an artificial ear (note 2, verified).
_GENERAL: Mapping[str, float] = MappingProxyType({"adult": 130.0, "child": 125.0, "infant": 110.0})
READS_LESS_DB: Mapping[str, float] = MappingProxyType({"2cc": 9.5, "6cc": 2.0})
# Own choice, dB p-p.e. re 1 uN, by bone: at most 113 dB SPL by air at equal hearing level (see `dose`). Vibrators distort
# below it. A newborn's ear canal has up to 21 dB more from the same vibrator (Cone-Wesson et al. 1997, abstract, verified).
_FORCE: Mapping[str, float] = MappingProxyType({"adult": 130.0, "child": 125.0, "infant": 109.0})
# Own choice: no 125 ms have more than 115 dB RMS (what noise may never have, however short: from memory, NIOSH 98-126); children
# 110, infants 95, which in their canal are up to 115 (note 4 of the same text, verified).
_STEADY_LESS_DB = 15.0
# Own choice, for the limit by hearing level: sounds that fill more of the time than this count as one that lasts. Shorter ones
# have no more RMS than a burst of 2-1-2 cycles of their frequency (or a click) at 85 dB HL has at 50 per second.
_LASTING_SHARE = 0.6
_USUAL_PER_S = 50.0
_BURST_CYCLES = 7.0 / 3.0  # whose energy a linear 2-1-2 burst has
_CLICK_S = 8 * 100e-6  # a sine of the same peak-to-peak value has the energy of a 100 us click in this time

# Own choice, dB re full scale, peak to peak of the samples: without a calibration nobody knows how loud full scale is.
_UNCALIBRATED: Mapping[str, float] = MappingProxyType({"adult": -20.0, "child": -30.0, "infant": -40.0})
_UNCALIBRATED_STEADY_LESS_DB = 14.0  # own choice: a train of clicks at 47.1/s has 14.2 dB less (computed)

# Own choice: twice the 3.3 dB by which a real earphone's click has less energy than the ideal pulse of its peak-to-peak value
# (JASA 1982, secondary: see `levels.zeq_minus_ppe_db`); a measured energy that is lower still is not believed.
_ENERGY_LESS_DB = 6.6

CREST = 4.0  # masking noise never leaves plus or minus 4 times its RMS: +9.03 dB p-p.e. against RMS

WINDOW_S = 0.005
RMS_WINDOW_S = 0.125
_PEAK_TO_PEAK_OF_RMS = 2.0 * math.sqrt(2.0)  # of a sine
_ROUNDING = 1.0 - 2.0**-21  # so that rounding to float32 afterwards stays below the limit
_TOUCHED = 2.0**-20  # of the limit: what a limiter changes by no more than this is rounding, not a fault
_TELLING_SHARE = 1e-4  # of the energy of a sound: what is less tells nothing about its frequency


@dataclass(frozen=True)
class Ceiling:
    """Level limits for one transducer and age group. Without a plausible `calibration` the uncalibrated limits hold.

    A waveform of None is masking noise. ``age_months`` moves no limit; the sound dose uses it. ``shared_by``: so many sounds may
    play at once in one column, and each may have this part of peak and RMS, so that their sum stays below the limits however they
    meet.
    """

    transducer: str
    age_group: str
    calibration: Calibration | None = None
    shared_by: int = 1
    age_months: float | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.shared_by <= 2:
            raise LevelError(f"shared_by = {self.shared_by}; allowed are 1 and 2 sounds at once")
        for name, value, allowed in (
            ("transducer", self.transducer, TRANSDUCERS),
            ("age_group", self.age_group, AGE_GROUPS),
        ):
            if value not in allowed:
                raise LevelError(f"{name} = {value!r}; allowed are {', '.join(allowed)}")
        low, high = AGES_MONTHS[self.age_group]
        if self.age_months is not None and not low <= self.age_months <= high:  # nan ends here too
            raise LevelError(
                f"age_months = {self.age_months:g} with age_group = {self.age_group!r}: allowed are {low:g} to {high:g} months"
            )
        if self.calibration is not None and self.calibration.transducer != self.transducer:
            raise LevelError(
                f"calibration {self.calibration.id!r} is for {self.calibration.transducer!r}, the plan says {self.transducer!r}: "
                "choose the calibration of the earphone in use"
            )

    @property
    def route(self) -> str:
        return route_of(self.transducer)

    def limit_db_ppe(self, waveform: Waveform | None, rate_per_s: float = 0.0) -> float:
        """The limit for this sound on the calibration's coupler, dB p-p.e. SPL or re 1 uN; nan without a usable calibration.

        rate_per_s: how often the sound is repeated; 0 for a single sound.
        """
        calibration = self._usable_calibration()
        if calibration is None:
            return math.nan
        general = self._general_db()
        if waveform is None:
            general -= _STEADY_LESS_DB - 20.0 * math.log10(2.0 * CREST / _PEAK_TO_PEAK_OF_RMS)  # which is p-p.e. less RMS
        elif _duration_s(waveform) > _SHORT_S:
            general -= _STEADY_LESS_DB
        if self._by_hearing_level:
            return min(general, INFANT_INSERT_DB_HL + _zero_db(waveform, calibration.coupler, rate_per_s))
        return general

    def limit_db_rms(self, waveform: Waveform | None, rate_per_s: float) -> float:
        """The limit for the RMS of any 125 ms of this sound at this rate, dB SPL or re 1 uN; nan without a usable calibration."""
        calibration = self._usable_calibration()
        if calibration is None:
            return math.nan
        general = self._general_db() - _STEADY_LESS_DB
        if not self._by_hearing_level:
            return general
        if waveform is None:
            return min(general, self.limit_db_ppe(None) - 20.0 * math.log10(2.0 * CREST / _PEAK_TO_PEAK_OF_RMS))
        return min(general, INFANT_INSERT_DB_HL + _zero_db(waveform, calibration.coupler, rate_per_s, of_rms=True))

    def peak_to_peak(self, waveform: Waveform | None, rate_per_s: float = 0.0) -> tuple[float, float]:
        """Largest allowed peak-to-peak value of the samples (left, right) re 1.0; never above 2 (-1..+1), whatever the
        calibration says. The limit holds for the curve that a converter makes of them, unless the calibration measured that."""
        limit, uncalibrated = self.limit_db_ppe(waveform, rate_per_s), _UNCALIBRATED[self.age_group]
        over_db = 0.0 if waveform is None else waveform.overshoot_db
        of_curve = (self._of_full_scale(ear, waveform, limit, uncalibrated, over_db) for ear in EARS)
        left, right = (min(peak_to_peak, 2.0) / self.shared_by for peak_to_peak in of_curve)
        return left, right

    def rms(self, waveform: Waveform | None, rate_per_s: float) -> tuple[float, float]:
        """Largest RMS (left, right) re 1.0 that is allowed within any 125 ms of samples; never above 1."""
        limit = self.limit_db_rms(waveform, rate_per_s)
        uncalibrated = _UNCALIBRATED[self.age_group] - _UNCALIBRATED_STEADY_LESS_DB
        of_sines = (self._of_full_scale(ear, waveform, limit, uncalibrated) for ear in EARS)
        left, right = (min(peak_to_peak / _PEAK_TO_PEAK_OF_RMS, 1.0) / self.shared_by for peak_to_peak in of_sines)
        return left, right

    @property
    def reads_less_db(self) -> float:
        """How much less than an occluded-ear simulator or an artificial ear the calibration's coupler reads, at most, in dB."""
        calibration = self._usable_calibration()
        return 0.0 if calibration is None else READS_LESS_DB.get(calibration.coupler, 0.0)

    @property
    def coupler(self) -> str | None:
        """Coupler of the calibration; None without a usable one."""
        calibration = self._usable_calibration()
        return None if calibration is None else calibration.coupler

    def _general_db(self) -> float:
        table = _FORCE if self.transducer == BONE else _GENERAL
        return table["child" if self._by_hearing_level else self.age_group] - self.reads_less_db

    @property
    def _by_hearing_level(self) -> bool:
        return self.transducer == "insert" and self.age_group == "infant"

    def _of_full_scale(
        self, ear: str, waveform: Waveform | None, limit_db: float, uncalibrated_db: float, over_db: float = 0.0
    ) -> float:  # fmt: skip
        full_scale = self._known_full_scale_db(ear, waveform, over_db)
        return float(10.0 ** ((uncalibrated_db if math.isnan(full_scale) else limit_db - full_scale) / 20.0))

    def loudest_full_scale_db(self, ear: str, waveform: Waveform | None) -> float:
        """Highest possible level of a sound of peak-to-peak 1.0, dB p-p.e.

        It is the largest level that any row of the calibration gives for this sound, so that one wrong row makes nothing louder.
        Without a calibration it is the largest plausible level.
        """
        known = self._known_full_scale_db(ear, waveform)
        return plausible_range_db(self.transducer)[1] if math.isnan(known) else known

    def energy_full_scale_db(self, ear: str, waveform: Waveform | None) -> float:
        """`loudest_full_scale_db` by energy: dB of a waveform of peak-to-peak 1.0 that the earphone would not change.

        Where the calibration measured this sound as RMS of its train, that is its energy, down to `_ENERGY_LESS_DB` below what
        the peak-to-peak values say.
        """
        loudest, calibration = self.loudest_full_scale_db(ear, waveform), self._usable_calibration()
        if waveform is None or calibration is None:
            return loudest
        own = calibration.measured_db(waveform.name, waveform.frequency_hz, ear)
        if own is None or own[1] != "zeq":
            return loudest
        return max(own[0] - zeq_minus_ppe_db(waveform), loudest - _ENERGY_LESS_DB)

    def _known_full_scale_db(self, ear: str, waveform: Waveform | None, over_db: float = 0.0) -> float:
        """`over_db`: what the curve between the samples adds, where another sound was measured."""
        calibration = self._usable_calibration()
        if calibration is None:
            return math.nan
        main = calibration.left_db_ppe if ear == "left" else calibration.right_db_ppe
        frequency_hz = None if waveform is None else waveform.frequency_hz
        if frequency_hz is not None:
            moved = [calibration.response_db(ear, frequency_hz)]
        else:
            moved = [row[1 + EARS.index(ear)] for row in calibration.response]
        loudest = main + max([0.0, *moved])
        if waveform is not None and calibration.measured_with != waveform.name:
            loudest += over_db
        # Of a sound of a file an older row that does not say which file counts too: it makes no limit higher.
        names = () if waveform is None else dict.fromkeys((waveform.name, waveform.name.partition(" ")[0]))
        for name in names:
            own = calibration.measured_db(name, frequency_hz, ear)
            if waveform is None or own is None:
                continue
            db, scale = own
            # An earphone may leave of a wide band 3.3 dB less RMS than the waveform has (see `levels.zeq_minus_ppe_db`).
            loudest = max(loudest, db if scale == "ppe" else db - zeq_minus_ppe_db(waveform) + 3.3)
        return loudest  # nan for an ear that was not measured

    def _usable_calibration(self) -> Calibration | None:
        """The calibration, unless it was damaged after it was checked."""
        calibration = self.calibration
        if calibration is None or calibration.transducer != self.transducer:
            return None
        try:
            return replace(calibration)  # every check once more
        except Exception:  # whatever stands there now: it is no calibration
            return None


def _duration_s(waveform: Waveform) -> float:
    sounding = np.flatnonzero(waveform.samples)
    return float(sounding[-1] - sounding[0] + 1) / waveform.rate_hz


def loudest_rms(samples: NDArray[np.float64], interval_samples: float, rate_hz: float) -> float:
    """The largest RMS within any 125 ms of a train of (n,) samples, one every `interval_samples`, which is n or more."""
    window, period = _rms_window(rate_hz), max(math.floor(interval_samples), samples.size)
    energy = np.zeros(period)
    energy[: samples.size] = samples**2
    whole, rest = divmod(window, period)
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([energy, energy[:rest]]))])
    return math.sqrt((whole * float(energy.sum()) + float(np.max(sums[rest:] - sums[: sums.size - rest]))) / window)


def _rms_window(rate_hz: float) -> int:
    return max(1, math.ceil(RMS_WINDOW_S * rate_hz))


def _zero_db(waveform: Waveform | None, coupler: str, rate_per_s: float = 0.0, of_rms: bool = False) -> float:
    """0 dB nHL of this sound, dB p-p.e. SPL, for the limit alone: rather too low than too high. of_rms: dB SPL RMS at the usual
    rate, of the standard sound with this spectrum."""
    bursts = {
        hz: zero + (10.0 * math.log10(_BURST_CYCLES / hz * _USUAL_PER_S) if of_rms else 0.0)
        for hz, zero in _ZERO_BURST.get(coupler, {1000.0: 0.0}).items()
    }
    lowest = min(bursts.values())
    if waveform is None:
        return lowest  # by it masking noise stays below 82 dB of effective masking (computed)
    duration_s = _duration_s(waveform)
    if duration_s > _SHORT_S or duration_s * rate_per_s > _LASTING_SHARE:
        return _ZERO_LONG.get(coupler, 0.0)
    if waveform.rate_hz >= 1e4 and np.array_equal(waveform.samples, click(waveform.rate_hz).samples):
        return _ZERO_CLICK.get(coupler, lowest) + (10.0 * math.log10(_CLICK_S * _USUAL_PER_S) if of_rms else 0.0)
    # By octaves, each as far above its own zero as its share of the energy, against the largest share, lets it be.
    size = max(4096, waveform.samples.size)
    energy = np.abs(np.fft.rfft(waveform.samples, size)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / waveform.rate_hz)
    octaves = [(zero, (hz >= centre / math.sqrt(2.0)) & (hz < centre * math.sqrt(2.0))) for centre, zero in bursts.items()]
    shares = [(zero, float(energy[inside].sum() / energy.sum())) for zero, inside in octaves]
    shares.append((lowest, 1.0 - sum(share for _, share in shares)))
    largest = max(share for _, share in shares)
    return min(zero - 10.0 * math.log10(share / largest) for zero, share in shares if share > _TELLING_SHARE)


class Limiter:
    """Limit the peak-to-peak value of one column within any 5 ms, silence included. State: the extremes of the last 5 ms.

    Sound below the limit passes unchanged. Values that are not finite become silence. The result does not depend on how the
    column is cut into blocks.
    """

    def __init__(self, peak_to_peak: float, rate_hz: float) -> None:
        self.limit_to(peak_to_peak)
        self.limited_samples = 0
        self._window = max(1, math.ceil(WINDOW_S * rate_hz))
        self._past = np.zeros(self._window - 1)  # what left last

    def limit_to(self, peak_to_peak: float) -> None:
        """Change the limit (peak-to-peak re 1.0) from the next sample on. Raises LevelError."""
        if not 0.0 <= peak_to_peak <= 2.0:  # nan ends here too
            raise LevelError(f"peak-to-peak limit {peak_to_peak}; allowed is 0 to 2")
        self.limit = peak_to_peak * _ROUNDING
        self._rounding = _TOUCHED * peak_to_peak

    def apply(self, column: NDArray[np.float64]) -> NDArray[np.float64]:
        """Limit the next samples of the column, (n,) float64; returns (n,) float64."""
        finite = np.nan_to_num(column, nan=0.0, posinf=0.0, neginf=0.0)
        self.limited_samples += int(np.count_nonzero(~np.isfinite(column)))
        if not self._within(finite):
            finite = self._held(finite)
        if self._past.size:
            self._past = np.concatenate([self._past, finite])[-self._past.size :]
        return finite

    def _within(self, column: NDArray[np.float64]) -> bool:
        """Whether no 5 ms of `column`, with the samples before it, exceed the limit."""
        if not column.size:
            return True
        x = np.concatenate([self._past, column])
        high, low = max(float(x.max()), 0.0), min(float(x.min()), 0.0)
        if self._near(high, low) and max(high, -low) <= 1.0:
            return True
        if max(column.max(), -column.min()) > 1.0:
            return False
        # Each window ends at a sample: its extremes, silence included, as a filter that looks back.
        back = (self._window - 1) // 2
        highest = maximum_filter1d(x, self._window, mode="constant", cval=0.0, origin=back)
        lowest = minimum_filter1d(x, self._window, mode="constant", cval=0.0, origin=back)
        ends = slice(self._past.size, None)
        return bool(np.all(self._near(np.maximum(highest, 0.0)[ends], np.minimum(lowest, 0.0)[ends])))

    def _near(self, high: Any, low: Any) -> Any:
        """As `_within`, with the rounding of `_held`: both give the same answer."""
        return (low >= high - self.limit) & (high <= low + self.limit)

    def _held(self, column: NDArray[np.float64]) -> NDArray[np.float64]:
        """Limit sample by sample: each stays within the limit together with the output of the 5 ms before. Only for sound that is
        too loud."""
        highs: deque[tuple[int, float]] = deque()  # positions rising, values falling: the front is the largest
        lows: deque[tuple[int, float]] = deque()
        held = np.zeros_like(column)
        for position, value in enumerate([*self._past.tolist(), *column.tolist()]):
            for extremes in (highs, lows):
                while extremes and extremes[0][0] <= position - self._window:
                    extremes.popleft()
            if position >= self._past.size:
                highest = max(highs[0][1], 0.0) if highs else 0.0
                lowest = min(lows[0][1], 0.0) if lows else 0.0
                limited = min(max(value, highest - self.limit, -1.0), lowest + self.limit, 1.0)
                self.limited_samples += abs(limited - value) > self._rounding
                held[position - self._past.size] = value = limited
            while highs and highs[-1][1] <= value:
                highs.pop()
            highs.append((position, value))
            while lows and lows[-1][1] >= value:
                lows.pop()
            lows.append((position, value))
        return held


_FINE = 2**24  # squares are counted in whole numbers of its own square, so that sums do not depend on how they are made


class RmsLimiter:
    """Limit the RMS of one column, whose magnitude is at most 1, within any 125 ms. State: the output of the last 125 ms.

    Sound below the limit passes unchanged. Above the limit samples become smaller, down to 0, never larger, so that the
    peak-to-peak value within any time stays or falls. The result does not depend on how the column is cut into blocks.
    """

    def __init__(self, rms: float, rate_hz: float) -> None:
        self.limited_samples = 0
        self._window = _rms_window(rate_hz)
        self._past = np.zeros(self._window - 1, dtype=np.int64)  # squares of what left last
        self.limit_to(rms)

    def limit_to(self, rms: float) -> None:
        """Change the limit (RMS re 1.0) from the next sample on. Raises LevelError."""
        if not 0.0 <= rms <= 1.0:  # nan ends here too
            raise LevelError(f"RMS limit {rms}; allowed is 0 to 1")
        self._most = math.floor(self._window * (rms * _ROUNDING * _FINE) ** 2)
        self._rounding = _TOUCHED * rms

    def apply(self, column: NDArray[np.float64]) -> NDArray[np.float64]:
        """Limit the next samples of the column, (n,) float64, finite; returns (n,) float64."""
        squares = np.ceil(np.square(column * _FINE)).astype(np.int64)
        x = np.concatenate([self._past, squares])
        if x.sum(dtype=np.float64) > 0.999 * self._most:  # less in all is less in each
            sums = np.concatenate([[0], np.cumsum(x)])  # may pass 64 bits and begin anew; differences do not
            if np.any(sums[self._window :] - sums[: -self._window] > self._most):
                column, x = self._held(column, x)
        self._past = x[x.size - self._past.size :]
        return column

    def _held(self, column: NDArray[np.float64], x: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Limit sample by sample: each stays within the energy that the 125 ms before leave. Only for sound that is too loud."""
        held, left = column.copy(), x.tolist()
        before = self._past.size
        running = sum(left[:before])
        for at, value in enumerate(column.tolist()):
            room = self._most - running
            if left[at + before] > room:
                root = math.isqrt(max(0, room))
                held[at] = math.copysign(root / _FINE, value)
                left[at + before] = root**2
                self.limited_samples += abs(held[at] - value) > self._rounding
            running += left[at + before] - left[at]
        return held, np.array(left, dtype=np.int64)
