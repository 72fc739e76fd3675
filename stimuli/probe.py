"""Sounds for measurements, a continuous tone and a click train, through the same output ceiling and dose count as stimuli."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.stimuli.calibration import EARS, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.dose import Dose
from quietfloor.stimuli.frames import TRIGGER_DB_FS, FrameSource
from quietfloor.stimuli.levels import REFERENCE_TRAIN_PER_S, gain_db_fs
from quietfloor.stimuli.masking import RAMP_S, Tone
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform

LONGEST_S = 60.0


class ToneFrames(FrameSource):
    """A tone in one ear for `seconds`, rise and fall included; `level_db_fs` in dB re a peak-to-peak value of 1.0. Raises
    LevelError.

    `whole`: the largest dose that the tone may give. There are no triggers; `trigger_db_fs` is the size of marks of breaks.
    """

    def __init__(
        self,
        frequency_hz: float,
        level_db_fs: float,
        ear: str,
        seconds: float,
        ceiling: Ceiling,
        rate_hz: float,
        spent: Dose | None = None,
        trigger_db_fs: float = TRIGGER_DB_FS,
    ) -> None:
        if ear not in EARS:
            raise LevelError(f"ear = {ear!r}; allowed are {', '.join(EARS)}")
        if not 2.0 * RAMP_S <= seconds <= LONGEST_S:
            raise LevelError(f"seconds = {seconds:g}; allowed is {2 * RAMP_S:g} to {LONGEST_S:g} s")
        if not 20.0 <= frequency_hz <= 0.4 * rate_hz:
            raise LevelError(f"frequency = {frequency_hz:g} Hz; allowed is 20 to {0.4 * rate_hz:g} Hz")
        lasting = Waveform("tone", np.sin(2.0 * math.pi * frequency_hz / rate_hz * np.arange(1, round(0.05 * rate_hz))), rate_hz)
        schedule = Schedule(1.0, rate_hz, n_sweeps=0, lead_in_s=seconds)
        super().__init__(lasting, 0.0, ear, schedule, ceiling, None, spent, trigger_db_fs)
        column = EARS.index(ear)
        peak = 0.5 * 10.0 ** (level_db_fs / 20.0)
        limit = min(self._limits[column], 2.0 * math.sqrt(2.0) * self._rms_limits[column] * (1.0 - 1e-5))
        if not 2.0 * peak <= limit:
            raise LevelError(
                f"level_db_fs = {level_db_fs:g}: the output ceiling allows {20.0 * math.log10(limit):.1f} dB re full scale here: "
                "lower it"
            )
        self._noise = Tone(frequency_hz, peak, rate_hz, stop=round(seconds * rate_hz))
        self._noise_column = column
        energy = 0.5 * peak**2 * seconds * rate_hz
        self.whole = Dose(*(weight * energy for weight in self._weights[column]))


def train_frames(
    waveform: Waveform, level_db_fs: float, ear: str, seconds: float, ceiling: Ceiling, trigger_db_fs: float = TRIGGER_DB_FS,
    earphone_jack: bool = False,
) -> FrameSource:  # fmt: skip
    """Frames of a train of one polarity, 20 per second without pauses: the train for which reference levels are stated. Raises
    LevelError."""
    if not 0.1 <= seconds <= LONGEST_S:
        raise LevelError(f"seconds = {seconds:g}; allowed is 0.1 to {LONGEST_S:g} s")
    schedule = Schedule(
        REFERENCE_TRAIN_PER_S, waveform.rate_hz, "condensation", n_sweeps=round(seconds * REFERENCE_TRAIN_PER_S), pauses_s=(),
        lead_in_s=0.5,
    )  # fmt: skip
    gain = gain_db_fs(level_db_fs, waveform)
    return FrameSource(waveform, gain, ear, schedule, ceiling, None, None, trigger_db_fs, earphone_jack)
