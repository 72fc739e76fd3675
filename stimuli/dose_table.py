"""Table of how long an ear may hear a sound in a day, by level, age and sound, before and with the steps of `ear_steps`. Pure."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.dose import counted_steps_db, limit_pa2s
from quietfloor.stimuli.ear_steps import FLAT_INFANT_DB
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform, standard_form

RATE_HZ, RATE_PER_S = 48_000.0, 47.1
AGES: tuple[tuple[str, str, float | None], ...] = (
    ("adult", "adult", None), ("child from 5 years on", "child", 60.0), ("child, age not stated", "child", None),
    ("infant of 12 to 23 months", "infant", 12.0), ("infant of 1 to 11 months", "infant", 1.0),
    ("infant below 1 month, or age not stated", "infant", None),
)  # fmt: skip
SOUNDS: tuple[float | None, ...] = (None, 500.0, 1000.0, 2000.0, 4000.0)  # click, tone bursts


@dataclass(frozen=True)
class Entry:
    """Seconds that a sound at a level may last in a day, and that it might before there were steps; nan: above the ceiling."""

    age: str
    frequency_hz: float | None
    level_db_nhl: float
    seconds: float
    before_s: float
    steps_db: float


def entries(levels: Sequence[float], coupler: str = "occluded-ear-simulator", times: float = 1.0) -> Iterator[Entry]:
    """All entries for an insert earphone that was calibrated on ``coupler``, at 47.1 per second. Raises LevelError."""
    day = datetime.date(2026, 1, 1)
    known = Calibration("table", "-", "-", RATE_HZ, "insert", coupler, 140.0, 140.0, day, 365, "-")
    for age, group, months in AGES:
        ceiling = Ceiling("insert", group, known, age_months=months)
        for frequency_hz in SOUNDS:
            sound = standard_form("click" if frequency_hz is None else "tone-burst", RATE_HZ, frequency_hz)
            steps_db = counted_steps_db(ceiling, sound)
            flat_db = ceiling.reads_less_db + (FLAT_INFANT_DB if group == "infant" else 0.0)
            for level in levels:
                seconds = _seconds(sound, level, ceiling, known, times)
                yield Entry(age, frequency_hz, level, seconds, seconds / times * 10.0 ** ((steps_db - flat_db) / 10.0), steps_db)


def _seconds(sound: Waveform, level: float, ceiling: Ceiling, known: Calibration, times: float) -> float:
    try:
        frames = FrameSource(sound, gain(level, sound, "right", known), "right", Schedule(RATE_PER_S, RATE_HZ), ceiling)
    except LevelError:
        return math.nan
    return limit_pa2s(ceiling.age_group, times) / frames.exposure(RATE_PER_S, 1.0).right_pa2s


def time_words(seconds: float) -> str:
    """A duration in the unit that fits, two or three digits; "-" for nan."""
    if math.isnan(seconds):
        return "-"
    minutes = seconds / 60.0
    if seconds < 90:
        return f"{seconds:.0f} s"
    if minutes < 90:
        return f"{minutes:.1f} min" if minutes < 10 else f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 24 * 60 else "over 24 h"


def sound_words(frequency_hz: float | None) -> str:
    return "click" if frequency_hz is None else f"{frequency_hz:g} Hz"
