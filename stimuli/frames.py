"""Frames [left, right, trigger] from a waveform and a schedule, the same for any block size."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.calibration import BOTH, EARS, LevelError, ears_of
from quietfloor.stimuli.ceiling import CREST, RMS_WINDOW_S, Ceiling, Limiter, RmsLimiter, loudest_rms
from quietfloor.stimuli.dose import Dose, DoseGuard, weights
from quietfloor.stimuli.ipsilateral import IpsilateralNoise, most_rms
from quietfloor.stimuli.masking import Masking, Noise, Steady
from quietfloor.stimuli.schedule import Schedule, ScheduleError, Sweep
from quietfloor.stimuli.waveforms import Waveform

COLUMNS = ("left", "right", "trigger")
# Own choice: no ceiling and no dose holds the trigger, so that it begins as small as converters of EEG will do with.
TRIGGER_DB_FS = -30.0
# On a jack that usually feeds an earphone; own choice: below every ceiling of an output without a calibration, infants' included.
EARPHONE_JACK_DB_FS = -60.0
TRIGGER_S = 0.001
UNIT_TRIGGER_S = 0.002
TAIL_S = 0.5  # silence after the last sound, so that its response is recorded and the device ends in silence

# What a player puts into the trigger column where the sound broke: a pulse wider than any trigger, so that whoever reads the
# column, now or from a recording, knows which sweeps were touched.
BREAK_AFTER_S = 0.005  # after the first frame of the block that became silence
BREAK_LOBE_S = 0.0015  # frames came late: this block is where it broke
DEVICE_BREAK_LOBE_S = 0.002  # the device says it broke, somewhere before this block
BREAK_S = 0.01  # silence, mark included, before sound may go on: a trigger sooner would be taken for the mark's own bounce


def trigger_pulse(duration_s: float, rate_hz: float, db_fs: float = TRIGGER_DB_FS) -> NDArray[np.float64]:
    """The trigger, (n,) float64: +peak in the first half, -peak in the second. Its net charge is zero, as AC-coupled outputs
    need.

    db_fs: level of its peak-to-peak value re 1.0, as for all levels.
    """
    half = max(1, round(duration_s / 2 * rate_hz))
    peak = 0.5 * 10.0 ** (db_fs / 20.0)
    return np.repeat([peak, -peak], half)


def break_mark(lobe_s: float, rate_hz: float, db_fs: float = TRIGGER_DB_FS) -> NDArray[np.float64]:
    """The mark of a broken sound, (n,) float64, from `BREAK_AFTER_S` after the first frame of its block: two lobes, zero net
    charge."""
    return trigger_pulse(2.0 * lobe_s, rate_hz, db_fs)


def largest_trigger(ceiling: Ceiling, ear: str, rate_hz: float) -> tuple[float, float]:
    """Largest peak-to-peak value and RMS (re 1.0) of a trigger that may be heard in this ear; the strictest of the limits for
    triggers and marks of breaks."""
    column, lengths_s = EARS.index(ear), (TRIGGER_S, UNIT_TRIGGER_S, 2.0 * BREAK_LOBE_S, 2.0 * DEVICE_BREAK_LOBE_S)
    pulses = [Waveform("trigger", 2.0 * trigger_pulse(length_s, rate_hz, 0.0), rate_hz) for length_s in lengths_s]
    most_per_s = 1.0 / BREAK_S
    return (
        min(ceiling.peak_to_peak(pulse, most_per_s)[column] for pulse in pulses),
        min(ceiling.rms(pulse, most_per_s)[column] for pulse in pulses),
    )


class FrameSource:
    """The frames of one run. Pure: the same arguments give the same frames.

    `gain` multiplies the waveform (0 is a muted control run: trigger without sound); `ear` is "left", "right" or "both". With
    both, `shares` of it are played left and right, where one earphone needs less than the other for the same level. The
    trigger starts at the onset sample and lasts 1 ms, 2 ms for the first sweep of a unit, so that a receiver can count units. No
    ceiling limits the trigger; `trigger_db_fs` sets its size.
    The ceiling is the last stage on the sound columns. A gain above it is refused at once. If a fault in this program makes the
    sound louder, the ceiling reduces it and counts the samples in `limited_samples`. After the ceiling only the sound dose is
    counted: when `spent` (the dose that the session gave before) and this run together reach the limit of an ear, the frames end,
    even in the middle of a sound, and `dose_exhausted` is true. `day_times`: so many times the limit of a day, by a dose policy.

    `masking` is noise in the other ear, from the first frame to the silence at the end, through the same ceiling and dose count.
    `ipsilateral` is noise in the ear of the stimulus, just as long. The sum is then held by the stricter of the limits for the
    stimulus and for noise. Peaks, and RMS values, are added as if they met, so that the ceiling never changes the sum.

    `earphone_jack`: one earphone serves both ears, and the trigger leaves by a jack that usually feeds the other one. Ceiling and
    dose then treat the trigger as a sound in the other ear, by the same earphone. A trigger whose pulse, repeated without a
    pause, would be above the ceiling is refused, so that marks of breaks, which the player adds, are below it too. There can be
    no masking, and no sound in both ears.

    Raises LevelError (gain, ear, ceiling, noise) and ScheduleError (stimulus longer than the interval, rates that differ).
    """

    def __init__(
        self,
        waveform: Waveform,
        gain: float,
        ear: str,
        schedule: Schedule,
        ceiling: Ceiling,
        masking: Masking | None = None,
        spent: Dose | None = None,
        trigger_db_fs: float = TRIGGER_DB_FS,
        earphone_jack: bool = False,
        day_times: float = 1.0,
        ipsilateral: IpsilateralNoise | None = None,
        shares: tuple[float, float] = (1.0, 1.0),
    ) -> None:
        if not trigger_db_fs <= 0.0:  # nan ends here too
            raise LevelError(f"trigger_db_fs = {trigger_db_fs:g}; allowed is up to 0 dB re full scale")
        if ear not in (*EARS, BOTH):
            raise LevelError(f"ear = {ear!r}; allowed are left, right, both")
        if not all(0.0 <= share <= 1.0 for share in shares) or (ear != BOTH and shares != (1.0, 1.0)):
            raise LevelError(f"shares = {shares} with ear = {ear!r}; allowed is 0 to 1 for each of both ears, 1 for one ear")
        if waveform.rate_hz != schedule.sample_rate_hz:
            raise ScheduleError(f"waveform at {waveform.rate_hz} Hz, schedule at {schedule.sample_rate_hz} Hz; make them equal")
        self.waveform, self.gain, self.ear, self.schedule, self.ceiling = waveform, gain, ear, schedule, ceiling
        self.masking, self.trigger_db_fs, self.earphone_jack = masking, trigger_db_fs, earphone_jack
        self.ipsilateral = ipsilateral
        self.sweeps: list[Sweep] = []
        self.position = 0
        self.ended_at: int | None = None  # sample at which the dose limit ended the sound
        limits = ceiling.peak_to_peak(waveform, schedule.rate_per_s)
        rms_limits = ceiling.rms(waveform, schedule.rate_per_s)
        if masking is not None:
            self._refuse_masking(masking)
            of_noise = EARS.index(masking.ear)
            limits = _at(limits, of_noise, masking.ceiling.peak_to_peak(None)[of_noise])
            rms_limits = _at(rms_limits, of_noise, masking.ceiling.rms(None, 0.0)[of_noise])
        if ipsilateral is not None:
            self._refuse_ipsilateral(ipsilateral)
            own = EARS.index(ear)
            limits = _at(limits, own, min(limits[own], ceiling.peak_to_peak(None)[own]))
            rms_limits = _at(rms_limits, own, min(rms_limits[own], ceiling.rms(None, 0.0)[own]))
        self._columns, self.shares = tuple(EARS.index(name) for name in ears_of(ear)), shares
        self._limits, self._rms_limits = limits, rms_limits
        self._refuse_too_loud()
        trigger_limits = self._limits_of_trigger()
        rate_hz = schedule.sample_rate_hz
        sign = ceiling.calibration.condensation_sign if ceiling.calibration is not None else 1
        self._sound = sign * gain * waveform.samples
        self._triggers = tuple(trigger_pulse(length_s, rate_hz, trigger_db_fs) for length_s in (TRIGGER_S, UNIT_TRIGGER_S))
        self._reach = max(self._sound.size, self._triggers[1].size)
        if self._reach > schedule.shortest_samples:
            raise ScheduleError(
                f"stimulus and trigger last {1e3 * self._reach / rate_hz:.2f} ms, longer than the "
                f"{1e3 * schedule.shortest_samples / rate_hz:.2f} ms between stimuli at {schedule.rate_per_s:g}/s: lower the rate"
            )
        self._refuse_too_much()
        self._refuse_noise_too_loud()
        self._limiters = tuple(Limiter(limit, rate_hz) for limit in (*limits, *trigger_limits[:1]))
        self._rms_limiters = tuple(RmsLimiter(limit, rate_hz) for limit in (*rms_limits, *trigger_limits[1:]))
        of_columns = [weights(ceiling, name, waveform, rate_hz) for name in EARS]
        if masking is not None:
            of_columns[EARS.index(masking.ear)] = weights(masking.ceiling, masking.ear, None, rate_hz)
        if ipsilateral is not None:  # sum and parts count by the larger weight
            own = EARS.index(ear)
            of_noise_pa2s = weights(ceiling, ear, None, rate_hz)
            left, right = (max(pair) for pair in zip(of_columns[own], of_noise_pa2s, strict=True))
            of_columns[own] = (left, right)
        if earphone_jack:
            of_columns.append(weights(ceiling, self._other_ear, None, rate_hz))
        self._weights = tuple(of_columns)
        self._guard = DoseGuard(self._weights, spent or Dose(), ceiling.age_group, times=day_times)
        self._upcoming: Iterator[Sweep] = schedule.sweeps()
        self._next: Sweep | None = next(self._upcoming, None)
        self._playing: deque[Sweep] = deque()
        self.total_samples = self._length()
        self._noise: Steady | None = None if masking is None else Noise(masking, self.total_samples)
        self._noise_column = 0 if masking is None else EARS.index(masking.ear)
        self._own_noise = None if ipsilateral is None else Noise(ipsilateral, self.total_samples)

    @property
    def rate_hz(self) -> float:
        return self.schedule.sample_rate_hz

    @property
    def reach_samples(self) -> int:
        """Number of samples from an onset to the end of its sound and trigger."""
        return self._reach

    @property
    def finished(self) -> bool:
        """Whether all sweeps and the silence after them were read, or the dose limit ended them; an endless run never finishes.
        """
        return self.dose_exhausted or (self.total_samples is not None and self.position >= self.total_samples)

    @property
    def dose_exhausted(self) -> bool:
        """Whether an ear has reached its dose limit; from then on the frames are silent and without triggers."""
        return self._guard.exhausted

    @property
    def dose(self) -> Dose:
        """Dose of the frames that were read so far."""
        return self._guard.given

    def exposure(self, sweeps: float, seconds: float) -> Dose:
        """Dose of each ear for this many sweeps, and noise for so many seconds: computed, no frame is read. A trigger
        that counts is taken as the wide one of a unit."""
        squares = [0.0] * len(self._weights)
        for column in self._columns:
            squares[column] = sweeps * self.shares[column] ** 2 * float(np.sum(self._sound**2))
        if self.masking is not None:
            squares[EARS.index(self.masking.ear)] = seconds * self.rate_hz * self.masking.rms**2
        if self.ipsilateral is not None:
            squares[EARS.index(self.ear)] += seconds * self.rate_hz * self.ipsilateral.rms**2
        if self.earphone_jack:
            squares[2] = sweeps * float(np.sum(self._triggers[1] ** 2))
        return self._dose_of(squares)

    def exposure_of_breaks(self, number: int) -> Dose:
        """Dose of each ear for this many marks of breaks, each taken as the longest: they are not part of the frames."""
        mark = break_mark(DEVICE_BREAK_LOBE_S, self.rate_hz, self.trigger_db_fs)
        return self._dose_of([0.0, 0.0, number * float(np.sum(mark**2))]) if self.earphone_jack else Dose()

    def _dose_of(self, squares: Sequence[float]) -> Dose:
        """Dose of each ear for these sums of squares, one for each column that counts."""
        return Dose(*(sum(each[ear] * energy for each, energy in zip(self._weights, squares, strict=True)) for ear in range(2)))

    def allow(self, dose: Dose) -> None:
        """Allow these frames no more than `dose` from now on. An earlier allowance is never raised."""
        self._guard.allow(dose)

    def extend(self, dose: Dose) -> None:
        """Raise the allowance of these frames by `dose`. The limit of an ear is never raised."""
        self._guard.extend(dose)

    @property
    def limited_samples(self) -> int:
        """Samples that the ceiling had to change: 0, unless this program is faulty or was tampered with."""
        return sum(limiter.limited_samples for pair in zip(self._limiters, self._rms_limiters, strict=True) for limiter in pair)

    @property
    def below_ceiling_db(self) -> float:
        """Distance of the sound below the ceiling in dB, by its peaks or its RMS, whichever is nearer; inf for silence. Noise in
        the same ear counts."""
        beside = self.ipsilateral
        peak, rms = (0.0, 0.0) if beside is None else (2.0 * CREST * beside.rms, beside.swing * beside.rms)
        return -max(max(self._over_peak_db(column, peak), self._over_rms_db(column, rms)) for column in self._columns)

    def read(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames, (3, n) float32: left, right, trigger; silence after the end. Appends the sweeps that begin in them
        to `sweeps`."""
        if n < 0:
            raise ValueError(f"n = {n}; allowed is 0 or more")
        frames = np.zeros((3, n))
        self._take_onsets_before(self.position + n)
        for sweep in self._playing:
            start = sweep.onset_sample - self.position
            sound, columns = self._sound_of(sweep)
            for column in columns:
                _place(frames[column], sweep.sign * self.shares[column] * sound, start)
            _place(frames[2], self._triggers[self._is_wide(sweep)], start)
        self._add_noise(frames)
        self.position += n
        while self._playing and self._playing[0].onset_sample + self._reach <= self.position:
            self._playing.popleft()
        for column, limiter in enumerate(self._limiters):
            frames[column] = self._rms_limiters[column].apply(limiter.apply(frames[column]))
        admitted = self._guard.admit(frames[: len(self._weights)])
        if admitted < n:
            frames[:, admitted:] = 0.0
            self._end_at(self.position - n + admitted)
        return frames.astype(np.float32)

    def _sound_of(self, sweep: Sweep) -> tuple[NDArray[np.float64], tuple[int, ...]]:
        """Samples (n,) of this sweep in condensation form, and the columns in which they are played."""
        return self._sound, self._columns

    def _is_wide(self, sweep: Sweep) -> bool:
        """Whether the trigger of this sweep is as wide as the mark of a unit."""
        return sweep.index_in_unit == 0

    def _add_noise(self, frames: NDArray[np.float64]) -> None:
        """Add the noise of the next samples, of either ear, to frames (3, n)."""
        if self._noise is not None:
            frames[self._noise_column] += self._noise.read(frames.shape[1])
        if self._own_noise is not None:
            frames[self._columns[0]] += self._own_noise.read(frames.shape[1])

    def _as_played(self, sweep: Sweep) -> Sweep:
        return sweep

    def _end_at(self, stop: int) -> None:
        if self.ended_at is None:
            self.ended_at = stop
        self._forget_from(stop)

    def _forget_from(self, stop: int) -> None:
        """Drop the sweeps from this sample on; they are not played."""
        while self.sweeps and self.sweeps[-1].onset_sample >= stop:
            self.sweeps.pop()
        self._playing.clear()
        self._next = None

    @property
    def _other_ear(self) -> str:
        return EARS[0] if self.ear == EARS[1] else EARS[1]

    def _limits_of_trigger(self) -> tuple[float, ...]:
        """Peak-to-peak value and RMS that the trigger may have where it counts as a sound; () elsewhere. Raises LevelError."""
        if not self.earphone_jack:
            return ()
        if self.masking is not None or self.ear == BOTH:
            raise LevelError("one earphone for both ears, the trigger on the other output: give sound in one ear, no masking")
        limit, rms_limit = largest_trigger(self.ceiling, self._other_ear, self.rate_hz)
        most = min(limit, 2.0 * rms_limit)
        if not 10.0 ** (self.trigger_db_fs / 20.0) <= most * (1.0 - 1e-5):
            raise LevelError(
                f"trigger_db_fs = {self.trigger_db_fs:g} is above the output ceiling for {self._whom}, which holds the trigger "
                f"too where it leaves by an earphone's jack: lower it to {_floor_tenths(20.0 * math.log10(most)):g}"
            )
        return limit, rms_limit

    def _refuse_masking(self, masking: Masking) -> None:
        if masking.ear in ears_of(self.ear):
            raise LevelError(f"masking noise in the {masking.ear} ear, where the stimulus goes too: mask the other ear")
        if masking.rate_hz != self.schedule.sample_rate_hz:
            raise ScheduleError(f"masking at {masking.rate_hz} Hz, schedule at {self.rate_hz} Hz; make them equal")
        if masking.ceiling.age_group != self.ceiling.age_group:
            raise LevelError(f"masking for {masking.ceiling.age_group}, stimulus for {self.ceiling.age_group}: it is one person")

    def _refuse_ipsilateral(self, noise: IpsilateralNoise) -> None:
        if noise.ear != self.ear:
            raise LevelError(f"ipsilateral noise in the {noise.ear} ear, stimulus in {self.ear}: it is noise in the tested ear")
        if noise.rate_hz != self.schedule.sample_rate_hz:
            raise ScheduleError(f"ipsilateral noise at {noise.rate_hz} Hz, schedule at {self.rate_hz} Hz; make them equal")
        if noise.ceiling != self.ceiling:
            raise LevelError("ipsilateral noise and stimulus with different ceilings: one earphone of one person plays both")

    def _refuse_noise_too_loud(self) -> None:
        """Refuse noise in the ear of the stimulus whose sum with it is too loud."""
        noise = self.ipsilateral
        if noise is None:
            return
        column = self._columns[0]
        used = self.gain * self.waveform.peak_to_peak
        used_rms = loudest_rms(self._sound, self.schedule.shortest_samples, self.rate_hz)
        most = most_rms(self._limits[column] - used, self._rms_limits[column] - used_rms, noise.swing)
        if noise.rms > most * (1.0 - 1e-5):
            level_db, unit = noise.level
            allowed = "leave it out, or lower the level of the stimulus"
            if most > 0.0:
                largest_db = _floor_tenths(level_db + 20.0 * math.log10(most / noise.rms))
                allowed = f"beside this stimulus {largest_db:g} {unit} is allowed: lower the noise to that, or the stimulus"
            raise LevelError(
                f"ipsilateral noise of {level_db:g} {unit} and the stimulus on the {self.ear} ear are together above the output "
                f"ceiling for {self._whom}; {allowed}"
            )

    def _take_onsets_before(self, stop: int) -> None:
        while self._next is not None and self._next.onset_sample < stop:
            sweep = self._as_played(self._next)
            self.sweeps.append(sweep)
            self._playing.append(sweep)
            self._next = next(self._upcoming, None)

    def _refuse_too_loud(self) -> None:
        if not 0.0 <= self.gain <= 1.0:
            raise LevelError(f"gain = {self.gain}; allowed is 0 to 1, as `levels.gain` and `levels.gain_db_fs` give it")
        for column in self._columns:
            if (over_db := self._over_peak_db(column)) > 1e-8:
                raise LevelError(
                    f"the level on the {EARS[column]} ear is {over_db:.2f} dB above the output ceiling for {self._whom}: "
                    "lower it by that much"
                )

    def _refuse_too_much(self) -> None:
        """Refuse sounds that are within the limits one by one, but too loud as a train."""
        for column in self._columns:
            if (over_db := self._over_rms_db(column)) > -1e-4:
                limit_db = self.ceiling.limit_db_rms(self.waveform, self.schedule.rate_per_s)
                allowed = "" if math.isnan(limit_db) else f" of {limit_db:.1f} dB RMS"
                energy = float(np.sum((self.shares[column] * self._sound) ** 2))
                each = energy / (self._rms_limits[column] ** 2 * RMS_WINDOW_S * self.rate_hz)
                slower = f", or rate_per_s to {math.floor(1.0 / each) / RMS_WINDOW_S:g}" if each <= 1.0 else ""
                sounds = f"sounds of {1e3 * self.waveform.duration_s:.3g} ms at rate_per_s = {self.schedule.rate_per_s:g}"
                raise LevelError(
                    f"{sounds} are together, within {1e3 * RMS_WINDOW_S:g} ms, {over_db:.2f} dB above the output ceiling"
                    f"{allowed} for {self._whom}: lower the level on the {EARS[column]} ear by that much{slower}, or make the "
                    "sound shorter"
                )

    def _over_peak_db(self, column: int, beside: float = 0.0) -> float:
        return _db(self.shares[column] * self.gain * self.waveform.peak_to_peak + beside, self._limits[column])

    def _over_rms_db(self, column: int, beside: float = 0.0) -> float:
        rms = self.shares[column] * loudest_rms(self._sound, self.schedule.shortest_samples, self.rate_hz)
        return _db(rms + beside, self._rms_limits[column])

    @property
    def _whom(self) -> str:
        calibration = self.ceiling.calibration
        where = "uncalibrated" if calibration is None else f"calibration {calibration.id!r}"
        both = "" if self.ipsilateral is None else ", with noise in the same ear"
        return f"{self.ceiling.transducer}, {self.ceiling.age_group}, {where}{both}"

    def _length(self) -> int | None:
        schedule = self.schedule
        if schedule.n_sweeps is None:
            return None
        tail = round(TAIL_S * schedule.sample_rate_hz)
        if schedule.n_sweeps == 0:
            return round(schedule.lead_in_s * schedule.sample_rate_hz) + tail
        return int(schedule.onsets(schedule.n_sweeps)[-1]) + self._reach + tail


def _floor_tenths(db: float) -> float:
    """The next value below in steps of 0.1 dB."""
    return math.floor(10.0 * (db - 1e-3)) / 10.0


def _at(pair: tuple[float, float], index: int, value: float) -> tuple[float, float]:
    """The pair with `value` at this index."""
    return (value, pair[1]) if index == 0 else (pair[0], value)


def _db(value: float, limit: float) -> float:
    """Level of `value` re `limit` in dB: positive above the limit, -inf for silence."""
    return 20.0 * math.log10(value / limit) if value > 0.0 else -math.inf


def _place(row: NDArray[np.float64], piece: NDArray[np.float64], start: int) -> None:
    """Add the part of `piece`, beginning at `start` (may be negative), that falls into `row`."""
    first, last = max(start, 0), min(start + piece.size, row.size)
    if first < last:
        row[first:last] += piece[first - start : last - start]
