"""Search settings of a plan: conditions, levels, width of the interval, and time limit."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from quietfloor.monitor.core.cell_order import CellOrder
from quietfloor.monitor.plan.sound_plan import Section
from quietfloor.monitor.storage.record_schema import MOST_MS
from quietfloor.stimuli.stimulus import Kind

MOST_LEVELS = 41  # own choice: 0 to 100 dB nHL in steps of 2.5 dB
HURRIED_DB = 4.0  # own choice: how much wider an interval may become where the search lasts long


class SearchConditionPlan(Section):
    """One ear with one sound, at levels from the softest to the loudest. Keys of the sound are those of [sound]."""

    ear: Literal["left", "right"]
    stimulus: Kind = "click"
    frequency_hz: float | None = Field(default=None, ge=100, le=20_000)
    levels_db_nhl: tuple[float, ...] = Field(
        min_length=1, max_length=MOST_LEVELS, description="the softest first", examples=[[0, 5, 10]]
    )
    start_db_nhl: float = Field(default=40.0, ge=-40, le=120, description="the nearest level is played first")
    rank: int = Field(default=0, ge=0, le=1000, description="all conditions of a lower rank come first")
    sound: int = Field(default=1, ge=1, le=2, description="which of two sounds at once, with sound.sounds_per_ear = 2")
    masking_db_em: tuple[float, ...] = Field(default=(), description="noise in the other ear, of the loudest levels, one each")
    masking: Literal["white", "octave-band"] | None = Field(default=None, description="that noise; by default as [sound] says")
    expected_db_nhl: float | None = Field(default=None, ge=-60, le=140, description="where the threshold is expected")
    expected_sd_db: float | None = Field(default=None, ge=3, le=60, description="how surely")
    window_ms: tuple[float, float] | None = Field(
        default=None, description="by default from stimulus, levels and age", examples=[[5, 17]]
    )
    latency_ms: tuple[tuple[float, float], ...] | None = Field(
        default=None, description="where wave V is expected at each level; by default from stimulus, level and age"
    )

    @field_validator("levels_db_nhl")
    @classmethod
    def _softest_first(cls, levels: tuple[float, ...]) -> tuple[float, ...]:
        if list(levels) != sorted(set(levels)) or not -40 <= levels[0] <= levels[-1] <= 120:
            raise ValueError(f"levels_db_nhl = {list(levels)}: give each level once, the softest first, -40 to 120 dB nHL")
        return levels

    @field_validator("window_ms")
    @classmethod
    def _rising(cls, pair: tuple[float, float] | None) -> tuple[float, float] | None:
        if pair is not None and not 0 <= pair[0] < pair[1] <= MOST_MS:
            raise ValueError(f"window_ms = {pair[0]:g} to {pair[1]:g}: give two rising times, 0 to {MOST_MS:g} ms")
        return pair

    @model_validator(mode="after")
    def _one_for_each_level(self) -> SearchConditionPlan:
        if len(self.masking_db_em) > len(self.levels_db_nhl):
            raise ValueError(f"masking_db_em has {len(self.masking_db_em)} values for {len(self.levels_db_nhl)} levels")
        if self.latency_ms is not None and len(self.latency_ms) != len(self.levels_db_nhl):
            raise ValueError(f"latency_ms has {len(self.latency_ms)} pairs for {len(self.levels_db_nhl)} levels: one for each")
        if (self.expected_db_nhl is None) != (self.expected_sd_db is None):
            raise ValueError("expected_db_nhl and expected_sd_db go together: give both or none")
        return self

    @property
    def name(self) -> str:
        of = "" if self.frequency_hz is None else f" {self.frequency_hz:g} Hz"
        return f"{self.stimulus}{of}, {self.ear} ear"

    def noise_db_em(self, level: int) -> float | None:
        """Level of the noise in the other ear in dB EM at a level (index); None for no noise."""
        place = level - (len(self.levels_db_nhl) - len(self.masking_db_em))
        return self.masking_db_em[place] if place >= 0 else None


class SearchPlan(Section):
    """Several levels and sounds in one recording, chosen while it runs. [sound] has the keys that all of them share."""

    condition: tuple[SearchConditionPlan, ...] = Field(min_length=1, max_length=100)
    width_db: float = Field(default=10.0, ge=5, le=40, description="of the 95 % interval of a threshold; 15 when hurried")
    widest_db: float | None = Field(default=None, ge=5, le=60, description="that it may become where a search lasts long")
    deciding: tuple[str, str] | None = Field(
        default=None, description="EEG channels that decide for the left and the right ear; by default the first",
        examples=[["Cz-M1", "Cz-M2"]],
    )
    minutes: float = Field(default=60.0, gt=0, le=1440, description="of recording, then the search ends")

    @model_validator(mode="after")
    def _each_once(self) -> SearchPlan:
        for number, one in enumerate(self.condition):
            for earlier, other in enumerate(self.condition[:number]):
                if (one.ear, one.stimulus, one.frequency_hz) == (other.ear, other.stimulus, other.frequency_hz):
                    raise ValueError(f"condition {number + 1} ({one.name}) is condition {earlier + 1} again: leave one out")
        if self.widest_db is not None and self.widest_db < self.width_db:
            raise ValueError(f"widest_db = {self.widest_db:g} is below width_db = {self.width_db:g}: give at least that")
        return self

    @property
    def widest(self) -> float:
        """Largest accepted width of the interval in dB."""
        return self.width_db + HURRIED_DB if self.widest_db is None else self.widest_db

    @property
    def window_ms(self) -> tuple[float, float] | None:
        """A window that contains the windows of all conditions; None before they are known."""
        windows = [one.window_ms for one in self.condition if one.window_ms is not None]
        if len(windows) < len(self.condition):
            return None
        return min(start for start, _ in windows), max(stop for _, stop in windows)

    @property
    def cells(self) -> CellOrder:
        return CellOrder(tuple(len(one.levels_db_nhl) for one in self.condition))
