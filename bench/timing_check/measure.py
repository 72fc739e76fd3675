"""Measurement of the sound relative to the trigger from a recording of both: offset, scatter, drift, missing and extra ones.
Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietfloor.bench.timing_check.match import match
from quietfloor.bench.timing_check.sounds import FaintSound, NoSound, find_sounds
from quietfloor.monitor.core.onsets import OnsetFinder
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.monitor.run.timing_certificate import problems
from quietfloor.stimuli.schedule import Sweep

NEAR_S = 0.05  # a break of the sound that far before the first click, or after the last one, touches none of them


class TimingError(ValueError):
    """Raised if the recording gives no result; the text says what is missing and what to do."""


@dataclass(frozen=True)
class Played:
    """What was played: sweeps in the order of the schedule, the rate of their clock, and one sound in condensation form, (n,)."""

    sweeps: Sequence[Sweep]
    rate_hz: float
    waveform: Floats


@dataclass(frozen=True)
class Measurement:
    """Result of the measurement. `offsets_ms` (n,), one per sweep: delay of the sound after its trigger, nan if either is
    missing; positions (n,) in EEG samples.

    The SDs of triggers and sounds are relative to the schedule, after the drift is removed; `noise_sd_ms` is the part that the
    noise of the sound channel alone explains. Drift: EEG clock relative to the clock of the sound, positive if the EEG clock is
    faster.
    """

    rate_hz: float
    offsets_ms: Floats
    trigger_positions: Floats
    sound_positions: Floats
    double_triggers: int
    double_sounds: int
    wrong_polarity: int
    breaks: int
    inverted: bool
    trigger_edges: Literal["digital", "analogue"]
    drift_ppm: float
    drift_se_ppm: float
    trigger_sd_ms: float
    sound_sd_ms: float
    noise_sd_ms: float

    @property
    def offset_ms(self) -> float:
        return float(np.nanmean(self.offsets_ms))

    @property
    def sd_ms(self) -> float:
        return float(np.nanstd(self.offsets_ms, ddof=1))

    @property
    def range_ms(self) -> tuple[float, float]:
        return float(np.nanmin(self.offsets_ms)), float(np.nanmax(self.offsets_ms))

    @property
    def problems(self) -> tuple[str, ...]:
        """Why the check fails; empty when it passes."""
        return problems(self.sd_ms, self.counts)

    @property
    def counts(self) -> dict[str, int]:
        """By the names that a certificate has for them."""
        return {
            "missing_triggers": int(np.isnan(self.trigger_positions).sum()),
            "double_triggers": self.double_triggers,
            "missing_sounds": int(np.isnan(self.sound_positions).sum()),
            "double_sounds": self.double_sounds,
            "wrong_polarity": self.wrong_polarity,
            "breaks": self.breaks,
        }


def measure(trigger: Floats, sound: Floats, rate_hz: float, played: Played, settings: TriggerSettings) -> Measurement:
    """Trigger and sound channel (m,) of one unbroken recording. Raises TimingError when one of them shows nothing."""
    finder = OnsetFinder(rate_hz, settings)
    onsets = [*finder.feed(np.asarray(trigger, dtype=np.float64)), *finder.cut_off()]
    if finder.model is None:
        raise TimingError(
            "no trigger stands out in the trigger channel: connect the output's trigger to it, or name the right one (--trigger)"
        )
    expected = np.array([sweep.onset_sample for sweep in played.sweeps]) * (rate_hz / played.rate_hz)
    triggers = np.array([onset.position for onset in onsets if not onset.breaks])
    matched = match(triggers, expected, rate_hz)
    if matched is None:
        raise TimingError(
            f"{len(triggers)} triggers came, but not as the {len(expected)} sounds were played: is this the trigger of other "
            "equipment, or did the sound break up?"
        )
    signs = np.array([float(sweep.sign) for sweep in played.sweeps])
    try:
        sounds = find_sounds(
            np.asarray(sound, dtype=np.float64), rate_hz, matched.line(expected), signs, played.waveform, played.rate_hz
        )
    except NoSound as error:
        raise TimingError(
            "no sound keeps step with the trigger in the sound channel: connect one output to it through a divider (no earphone "
            "on a person meanwhile), name the right channel (--sound-channel) and side (--ear), or raise --level-db-fs"
        ) from error
    except FaintSound as error:
        raise TimingError(f"{error}: raise --level-db-fs, or let the divider pass more") from error
    except ValueError as error:
        raise TimingError(f"{error}: try again") from error
    offsets_ms = 1e3 * (sounds.positions - matched.positions) / rate_hz
    if np.isfinite(offsets_ms).sum() < 3:
        raise TimingError("fewer than three sounds have both their trigger and their pulse in the recording: check both cables")
    first, last = matched.line(expected)[[0, -1]]
    near = NEAR_S * rate_hz
    slope, slope_se, sound_sd = _line(expected, sounds.positions)
    return Measurement(
        rate_hz=rate_hz,
        offsets_ms=offsets_ms,
        trigger_positions=matched.positions,
        sound_positions=sounds.positions,
        double_triggers=matched.extra,
        double_sounds=sounds.extra,
        wrong_polarity=sounds.wrong_polarity,
        breaks=len([one for one in onsets if one.breaks and first - near < one.position < last + near]),
        inverted=sounds.inverted,
        trigger_edges=finder.model.kind,
        drift_ppm=1e6 * (slope - 1.0),
        drift_se_ppm=1e6 * slope_se,
        trigger_sd_ms=1e3 * _line(expected, matched.positions)[2] / rate_hz,
        sound_sd_ms=1e3 * sound_sd / rate_hz,
        noise_sd_ms=1e3 * sounds.noise_sd / rate_hz,
    )


def _line(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Slope of a straight line through the finite points (n,), its standard error, and the SD about it."""
    there = np.isfinite(y)
    if there.sum() < 3:
        return math.nan, math.nan, math.nan
    x, y = x[there] - x[there].mean(), y[there] - y[there].mean()
    slope = float((x @ y) / (x @ x))
    rest = y - slope * x
    sd = math.sqrt(float(rest @ rest) / (len(x) - 2))
    return slope, sd / math.sqrt(float(x @ x)), sd
