"""Calibration from readings of a level meter: the sound that was measured, and the full scale that follows."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from numpy.typing import NDArray

from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.run.sound_output import output_identity
from quietfloor.stimuli.calibration import BONE, EARS, Calibration, LevelError, Measured
from quietfloor.stimuli.ceiling import Ceiling, loudest_rms
from quietfloor.stimuli.custom import CUSTOM
from quietfloor.stimuli.frames import EARPHONE_JACK_DB_FS, TRIGGER_DB_FS, FrameSource
from quietfloor.stimuli.levels import REFERENCE_TRAIN_PER_S, level_basis, level_db_nhl, zeq_minus_ppe_db
from quietfloor.stimuli.measure import steady_part, tone_rms, train_peak_to_peak, train_rms
from quietfloor.stimuli.probe import ToneFrames, train_frames
from quietfloor.stimuli.references import load_references
from quietfloor.stimuli.stimulus import StimulusSpec
from quietfloor.stimuli.waveforms import Waveform, standard_form

TONE = "tone"
REFERENCE_HZ = 1000.0
DECIMALS = 3  # of levels in a file: more than any meter shows
TONE_DB_FS, TRAIN_DB_FS = -40.0, -30.0  # own choice: bearable should the earphone be on an ear, loud enough for a meter


@dataclass(frozen=True)
class MeasuringSignal:
    """One sound for a measurement. `waveform` is None for a tone; `meter` says how a train is read: "ppe" or "zeq"."""

    plan: SoundPlan
    transducer: str
    words: str
    frequency_hz: float | None
    level_db_fs: float
    waveform: Waveform | None
    meter: str

    @classmethod
    def of(
        cls, plan: SoundPlan, transducer: str, kind: str, frequency_hz: float | None, level_db_fs: float | None, meter: str,
        wav: str | None = None,
    ) -> MeasuringSignal:  # fmt: skip
        """Make the sound. kind: "tone", or the kind of a stimulus for its train; wav: the file of a custom sound. Raises
        ValueError."""
        has_frequency = kind in (TONE, "tone-burst", "octave-chirp")
        if frequency_hz is not None and not has_frequency:
            raise ValueError(f"--frequency-hz belongs to tone, tone-burst and octave-chirp, not to {kind}")
        hz = (REFERENCE_HZ if frequency_hz is None else frequency_hz) if has_frequency else None
        if wav is not None and kind != CUSTOM:
            raise ValueError(f"--wav belongs to --signal custom, not to {kind}")
        if kind == TONE:
            if meter == "zeq":
                raise ValueError("--meter zeq belongs to a train; of a tone the meter shows its level: leave it out")
            level = TONE_DB_FS if level_db_fs is None else level_db_fs
            return cls(plan, transducer, f"tone {hz:g} Hz", hz, level, None, "ppe")
        spec = StimulusSpec(kind, frequency_hz=hz, wav=wav)
        level = TRAIN_DB_FS if level_db_fs is None else level_db_fs
        return cls(plan, transducer, spec.name, hz, level, spec.waveform(plan.sample_rate_hz), meter)

    @property
    def meter_words(self) -> tuple[str, str]:
        """The quantity that is read, and its unit, in words."""
        scale = {"ppe": "peak-to-peak equivalent level", "zeq": "L_Zeq"}[self.meter] if self.waveform is not None else "level"
        return scale, "dB re 1 uN" if self.transducer == BONE else "dB SPL"

    @property
    def _hz(self) -> float:
        return REFERENCE_HZ if self.frequency_hz is None else self.frequency_hz

    def frames(self, ear: str, seconds: float) -> FrameSource:
        """Frames of the sound, limited as for an adult on an uncalibrated output. Raises LevelError."""
        ceiling, jack = Ceiling(self.transducer, "adult"), self.plan.trigger_on_earphone_jack
        size = EARPHONE_JACK_DB_FS if jack else TRIGGER_DB_FS
        if self.waveform is None:
            return ToneFrames(self._hz, self.level_db_fs, ear, seconds, ceiling, self.plan.sample_rate_hz, None, size)
        return train_frames(self.waveform, self.level_db_fs, ear, seconds, ceiling, size, jack)

    def level_db(self, heard: NDArray[Any], rate_hz: float) -> float:
        """Level of a recording (n,), dB re a full-scale sine: RMS of a tone, p-p.e. or RMS of a train. Raises MeasureError."""
        if self.waveform is None:
            return 20.0 * math.log10(tone_rms(steady_part(heard, rate_hz, self._hz), rate_hz, self._hz) * math.sqrt(2.0))
        if self.meter == "zeq":
            return 20.0 * math.log10(train_rms(heard, rate_hz) * math.sqrt(2.0))
        return 20.0 * math.log10(train_peak_to_peak(heard, rate_hz) / 2.0)

    def calibration(
        self, readings: Mapping[str, float], coupler: str, today: datetime.date, name: str, by: str, valid_days: int, sign: int
    ) -> Calibration:
        """Make a new calibration. readings: ear -> dB that the meter showed. Raises CalibrationError and ValueError."""
        left, right = self._full_scales(self._of_earphone(readings))
        measured: tuple[Measured, ...] = ()
        if self.waveform is not None:
            measured = (Measured(self.waveform.name, self.frequency_hz, self.meter, left, right),)
            if self.meter == "zeq":
                if self.frequency_hz is None:
                    raise ValueError(
                        f"a new calibration needs a peak-to-peak equivalent level; L_Zeq of a {self.words} does not give it, as "
                        "an earphone changes its shape: begin with a tone, then --add this"
                    )
                to_ppe_db = zeq_minus_ppe_db(self.waveform)
                left, right = round(left - to_ppe_db, DECIMALS), round(right - to_ppe_db, DECIMALS)
        device, host_interface = output_identity(self.plan)
        return Calibration(
            name, device, host_interface, self.plan.sample_rate_hz, self.transducer, coupler, left, right, today, valid_days, by,
            sign, self.words, measured, channels=None if self.plan.card_channels is None else self.plan.card_channels[:2],
        )  # fmt: skip

    def added(self, old: Calibration, readings: Mapping[str, float]) -> Calibration:
        """Add a measurement to a calibration: a tone adds a row of the response, a stimulus adds its own full scale."""
        readings = self._of_earphone(readings)
        if self.waveform is not None:
            key = (self.waveform.name, self.frequency_hz)
            same = [row for row in old.measured if (row.stimulus, row.frequency_hz) == key]
            kept = tuple(row for row in old.measured if row not in same)
            now = list(self._full_scales(readings))
            for place, ear in enumerate(EARS):
                if ear not in readings and same and same[0].scale == self.meter:
                    now[place] = (same[0].left_db, same[0].right_db)[place]
            return replace(old, measured=(*kept, Measured(*key, self.meter, *now)))
        moved = {ear: round(db - self.level_db_fs - old.full_scale_db_ppe(ear), DECIMALS) for ear, db in readings.items()}
        alike = next(iter(moved.values()))  # earphones of one set are alike: one that was measured stands for both
        before = next(((left, right) for hz, left, right in old.response if hz == self._hz), (alike, alike))
        row = (self._hz, moved.get("left", before[0]), moved.get("right", before[1]))
        rows = {other[0]: other for other in old.response}
        if (main_hz := _tone_hz(old.measured_with)) is not None:
            rows.setdefault(main_hz, (main_hz, 0.0, 0.0))  # there the main number itself was measured
        return replace(old, response=tuple(sorted((rows | {self._hz: row}).values())))

    def _of_earphone(self, readings: Mapping[str, float]) -> Mapping[str, float]:
        """The readings; of one earphone for both ears the one reading for each."""
        if not self.plan.trigger_on_earphone_jack or not readings:
            return readings
        if len(set(readings.values())) > 1:
            raise ValueError(f"readings {dict(readings)}: one earphone for both ears has one reading")
        return dict.fromkeys(EARS, next(iter(readings.values())))

    def _full_scales(self, readings: Mapping[str, float]) -> tuple[float, float]:
        left, right = (round(readings.get(ear, math.nan) - self.level_db_fs, DECIMALS) for ear in EARS)
        return left, right


def _tone_hz(words: str) -> float | None:
    """Frequency of the tone that a calibration was made with; None for another sound."""
    found = re.fullmatch(r"tone ([0-9.]+) Hz", words)
    return None if found is None else float(found.group(1))


def highest(calibration: Calibration) -> list[dict[str, Any]]:
    """The level in dB nHL, for an adult, at which each stimulus with a reference, at 20 per second, reaches full scale
    or the ceiling."""
    rows = []
    for stimulus, hz, transducer, coupler in load_references().signals:
        if (transducer, coupler) != (calibration.transducer, calibration.coupler):
            continue
        waveform = standard_form(stimulus, calibration.rate_hz, hz)
        ceiling = Ceiling(calibration.transducer, "adult", calibration)
        rms = loudest_rms(waveform.samples, calibration.rate_hz / REFERENCE_TRAIN_PER_S, calibration.rate_hz)
        limits = zip(EARS, ceiling.peak_to_peak(waveform), ceiling.rms(waveform, REFERENCE_TRAIN_PER_S), strict=True)
        for ear, limit, rms_limit in limits:
            try:
                factor = min(1.0, limit / waveform.peak_to_peak, rms_limit / rms)
                level = level_db_nhl(factor, waveform, ear, calibration)
                basis = level_basis(waveform, ear, calibration)
            except LevelError:  # an ear that was not measured, a reference on another scale
                continue
            name = stimulus if hz is None else f"{stimulus} {hz:g} Hz"
            row = {"stimulus": name, "ear": ear, "highest_db_nhl": level, "rests_on": basis.text}
            assert basis.reference is not None
            rows.append(row | {"reference_db": basis.reference_db, "reference": basis.reference.words})
    return rows
