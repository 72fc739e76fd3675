"""Published latencies, intervals and amplitudes of waves, each with its source, as read by `norms_file`.

If a study has two or more levels, values between them are interpolated linearly; outside its levels there is no value. A study of
a single level is used within 5 dB of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

STATUSES = ("verified", "secondary", "from memory")
NEAR_DB = 5.0  # own choice
RANGE_SD = 2.0  # a published range holds 95 of 100 persons, if their spread is Gaussian

# table, wave (or "I-V"), stimulus, age group, span of a chirp, whether of means of studies
Key = tuple[str, str, str, str, float | None, bool]
Row = tuple[float, float, float, float, float]  # level in dB nHL (nan: any), mean, SD, low, high


@dataclass(frozen=True)
class Norm:
    """A published value and its source; nan for values that the source does not give.

    ``low`` to ``high`` is a range: of persons, mean +- 2 SD; with ``of_means`` the lowest and highest mean of studies.
    """

    mean: float
    sd: float
    low: float
    high: float
    source: str
    status: str
    n: int | None = None
    of_means: bool = False

    @property
    def origin(self) -> str:
        """Source, number and status, in words."""
        who = "" if self.n is None else f", n = {self.n}"
        kind = ", range of means" if self.of_means else ""
        return f"{self.source}{who}{kind} ({self.status})"


@dataclass(frozen=True)
class Study:
    """Rows of one source, levels rising; a single row with level nan is valid at any level."""

    rows: tuple[Row, ...]
    source: str
    status: str
    n: int | None

    def at(self, level_db_nhl: float, of_means: bool) -> Norm | None:
        levels = [row[0] for row in self.rows]
        if len(levels) == 1:
            if abs(level_db_nhl - levels[0]) > NEAR_DB:  # nan is never too far
                return None
            mean, sd, low, high = self.rows[0][1:]
        elif not levels[0] <= level_db_nhl <= levels[-1]:
            return None
        else:
            columns = list(zip(*self.rows, strict=True))[1:]
            mean, sd, low, high = (float(np.interp(level_db_nhl, levels, column)) for column in columns)
        return Norm(mean, sd, low, high, self.source, self.status, self.n, of_means)


@dataclass(frozen=True)
class Burst:
    """Latency of wave V of a tone burst, ms: constant + factor x per_level^(-L / 100) x (f / kHz)^per_frequency, L in dB SPL."""

    constant_ms: float
    factor_ms: float
    per_level: float
    per_frequency: float
    frequency_hz: tuple[float, float]
    highest_db_spl: float
    db_spl_at_0_nhl: float
    source: str
    status: str

    def ms(self, level_db_spl: float, frequency_hz: float) -> float:
        level = min(level_db_spl, self.highest_db_spl)
        grown = self.per_level ** (-level / 100.0) * (frequency_hz / 1e3) ** self.per_frequency
        return float(self.constant_ms + self.factor_ms * grown)


@dataclass(frozen=True)
class Norms:
    """Published values by wave, stimulus and age; each query may return None."""

    studies: Mapping[Key, Study]
    bursts: Mapping[str, Burst]  # by age group

    def latency(
        self,
        wave: str,
        stimulus: str | None,
        level_db_nhl: float | None,
        age_group: str | None,
        *,
        frequency_hz: float | None = None,
        span_ms: float | None = None,
    ) -> Norm | None:
        """Published latency of one wave in ms after time zero: range of persons where a study has it, else of study means."""
        if stimulus is None or level_db_nhl is None:
            return None
        age = age_group or "adult"
        if stimulus == "tone-burst" and wave == "V" and frequency_hz is not None and age in self.bursts:
            burst = self.bursts[age]
            if not burst.frequency_hz[0] <= frequency_hz <= burst.frequency_hz[1]:
                return None
            mean = burst.ms(level_db_nhl + burst.db_spl_at_0_nhl, frequency_hz)
            return Norm(mean, math.nan, math.nan, math.nan, burst.source, burst.status)
        return self._find("latency", wave, stimulus, level_db_nhl, age, span_ms)

    def interval(self, first: str, second: str, age_group: str | None) -> Norm | None:
        """Published time from one wave to a later one in ms, at any level."""
        return self._find("interval", f"{first}-{second}", "", math.nan, age_group or "adult", None)

    def amplitude(
        self, stimulus: str | None, level_db_nhl: float | None, age_group: str | None, *, span_ms: float | None = None
    ) -> Norm | None:
        """Published amplitude of wave V, peak to trough in nV."""
        if stimulus is None or level_db_nhl is None:
            return None
        return self._find("amplitude", "V", stimulus, level_db_nhl, age_group or "adult", span_ms)

    def _find(self, table: str, wave: str, stimulus: str, level: float, age: str, span_ms: float | None) -> Norm | None:
        for of_means in (False, True):
            if stimulus != "chirp":
                study = self.studies.get((table, wave, stimulus, age, None, of_means))
                found = None if study is None else study.at(level, of_means)
            else:
                found = None if span_ms is None else self._chirp(table, wave, level, age, span_ms, of_means)
            if found is not None:
                return found
        return None

    def _chirp(self, table: str, wave: str, level: float, age: str, span_ms: float, of_means: bool) -> Norm | None:
        """Value interpolated between the two published spans around the requested one."""
        spans = sorted(key[4] for key in self.studies if key[:4] == (table, wave, "chirp", age) and key[5] == of_means and key[4])
        if not spans or not spans[0] - 1e-6 <= span_ms <= spans[-1] + 1e-6:
            return None
        above = min((span for span in spans if span >= span_ms - 1e-6), default=spans[-1])
        below = max((span for span in spans if span <= span_ms + 1e-6), default=spans[0])
        one, other = (self.studies[(table, wave, "chirp", age, span, of_means)].at(level, of_means) for span in (below, above))
        if one is None or other is None:
            return None
        part = 0.0 if above == below else (span_ms - below) / (above - below)
        mean, sd, low, high = (
            getattr(one, name) + part * (getattr(other, name) - getattr(one, name)) for name in ("mean", "sd", "low", "high")
        )
        status = max(one.status, other.status, key=STATUSES.index)
        return Norm(mean, sd, low, high, one.source, status, one.n, of_means)
