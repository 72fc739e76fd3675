"""Table of cells of a run that plays several sounds and levels in turn: ``cells.json`` in its folder, written before the first
sound."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

from pydantic import Field, ValidationError

from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.plan.run_plan import Plan, PlanError, make_sound_plan, window_of
from quietfloor.monitor.plan.sound_plan import Section, SoundPlan
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.wrong_keys import wrong_key
from quietfloor.stimuli.calibration import BOTH
from quietfloor.stimuli.cell_code import BREAK_MARK_MS, MOST_CELLS, CellCode, CellCodeError
from quietfloor.stimuli.levels import STATED, stated_level
from quietfloor.stimuli.stimulus import Kind

FORMAT = "quietfloor cells 1"
OF_KIND = ("duration_us", "cycles", "envelope", "chirp_k", "chirp_d", "chirp_span_ms", "chirp_by_level", "wav", "wav_zero_ms")


class CellRow(Section):
    """Keys of one cell; its number is its place in the table, from 0. Keys, units and limits are those of [sound]."""

    ear: Literal["left", "right"]
    stimulus: Kind
    frequency_hz: float | None = None
    level_db_nhl: float | None = None
    level_db_ppe_spl: float | None = None
    level_db_fs: float | None = None
    masking: Literal["white", "octave-band"] | None = None
    masking_level_db_em: float | None = None
    masking_level_db_fs: float | None = None
    muted: bool | None = None  # true: a pause, only triggers

    @property
    def condition(self) -> str:
        """Name of the condition; cells that differ in level alone share it."""
        of = "" if self.frequency_hz is None else f" {self.frequency_hz:g} Hz"
        return f"{self.stimulus}{of}, {self.ear} ear"

    @property
    def level_db(self) -> float:
        """Level in the unit of `level`."""
        return self.level[0]

    @property
    def level(self) -> tuple[float, str]:
        """The level and its unit; a whole table has one unit."""
        level = stated_level(vars(self))
        assert level is not None
        return level


class _File(Section):
    format: Literal["quietfloor cells 1"]
    key: int = Field(ge=0)
    first: int = Field(ge=0)
    cells: tuple[CellRow, ...] = Field(min_length=1, max_length=MOST_CELLS)


@dataclass(frozen=True)
class CellTable:
    """The cells of a run. All keys that a cell does not have are those of [sound]; ``first`` is played until another cell is
    chosen.

    Raises PlanError.
    """

    sound: SoundPlan
    cells: tuple[CellRow, ...]
    first: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.first < len(self.cells):
            raise PlanError(f"cells: first = {self.first}; allowed is 0 to {len(self.cells) - 1}, a place in the table")
        if not (self.sound.held_to_plan and self.sound.pauses_s):
            raise PlanError("cells: a run with several cells is known by its pauses: leave held_to_plan and random_pause on")
        if self.sound.ipsilateral_noise != "none":
            raise PlanError("cells: ipsilateral_noise goes with runs of one sound and level: leave it out")
        if self.sound.equalise:
            raise PlanError("cells: equalise goes with runs of one sound and level: leave it out")
        if self.sound.ear == BOTH:
            raise PlanError('cells: ear = "both" goes with runs of one sound and level: give left or right')
        for number, cell in enumerate(self.cells):
            given = [name for name in STATED if getattr(cell, name) is not None]
            if len(given) != 1 or getattr(self.cells[0], given[0]) is None:
                has = " and ".join(given) or "no level"
                raise PlanError(f"cells: cell {number} has {has}; give all {', or all '.join(STATED)}")
            if cell in self.cells[:number]:
                raise PlanError(f"cells: cell {number} is cell {self.cells.index(cell)} again: give each once")
        try:
            self.code  # noqa: B018  checks how many there are
        except CellCodeError as error:
            raise PlanError(f"cells: {error}") from error

    @cached_property
    def code(self) -> CellCode:
        return CellCode(self.sound.seed, len(self.cells))

    @cached_property
    def sounds(self) -> tuple[SoundPlan, ...]:
        """Sound plan of each cell, as for a run with that sound alone. Raises PlanError."""
        return tuple(self._sound_of(cell, number) for number, cell in enumerate(self.cells))

    def _sound_of(self, cell: CellRow, number: int) -> SoundPlan:
        without = {*CellRow.model_fields, *(() if cell.stimulus == self.sound.stimulus else OF_KIND)}
        every = self.sound.model_dump(mode="json", exclude_none=True)
        base = {name: value for name, value in every.items() if name not in without}
        if cell.masking_level_db_em is None and cell.masking_level_db_fs is None:
            base["masking"] = "none"
        elif cell.masking is None:
            base["masking"] = self.sound.masking
        base["muted"] = False if cell.muted is None else cell.muted
        return make_sound_plan(base | cell.model_dump(mode="json", exclude_none=True), f"cells: cell {number}")

    @property
    def time_zero_ms(self) -> float:
        """Time zero of all cells in ms after the trigger, as `CellFrames` plays them."""
        rate_hz = self.sound.sample_rate_hz
        return 1e3 * max(round(1e-3 * sound.time_zero_ms * rate_hz) for sound in self.sounds) / rate_hz

    def engine_settings(self, of_plan: EngineSettings) -> EngineSettings:
        """Settings of the run's plan, changed for a recording with these cells."""
        delay_ms = of_plan.delay_ms - self.sound.time_zero_ms + self.time_zero_ms
        trigger = replace(of_plan.trigger, break_mark_ms=BREAK_MARK_MS)
        return replace(of_plan, cells=self.code, delay_ms=delay_ms, trigger=trigger, together=self.sound.both_ears)

    def labels(self) -> list[dict[str, Any]]:
        """Labels of each cell, for its markers."""
        return [cell.model_dump(mode="json", exclude_none=True) for cell in self.cells]

    def write(self, folder: RunFolder) -> None:
        """Write the table, before the first sound. Raises OSError."""
        content = {"format": FORMAT, "key": self.code.key, "first": self.first, "cells": self.labels()}
        folder.write_json(folder.cells.name, content)


def table_of(plan: Plan) -> CellTable | None:
    """The table of a search, its last cell silent; None for a plan with one sound. Raises PlanError."""
    search, sound = plan.search, plan.sound
    if search is None or sound is None:
        return None
    rows = [
        CellRow(
            ear=one.ear, stimulus=one.stimulus, frequency_hz=one.frequency_hz, level_db_nhl=level,
            masking_level_db_em=(noise := one.noise_db_em(number)), masking=None if noise is None else one.masking,
        )
        for one in search.condition
        for number, level in enumerate(one.levels_db_nhl)
    ]  # fmt: skip
    begins = min(range(len(search.condition)), key=lambda number: search.condition[number].rank)
    one = search.condition[begins]
    level = min(range(len(one.levels_db_nhl)), key=lambda level: abs(one.levels_db_nhl[level] - one.start_db_nhl))
    softest = min(rows, key=lambda row: row.level_db)
    silence = softest.model_copy(update={"muted": True, "masking_level_db_em": None, "masking": None})
    return CellTable(sound, (*rows, silence), search.cells.cell(begins, level))


def written_out(plan: Plan) -> Plan:
    """A copy of the plan in which windows and expected latencies of its search are written out, so that a replay with a later
    version uses the same values.

    Raises PlanError if a window does not end before the next sound.
    """
    table, search = table_of(plan), plan.search
    if table is None or search is None:
        return plan
    room_ms = table.sound.room_ms + table.sound.time_zero_ms - table.time_zero_ms
    conditions = []
    for number, one in enumerate(search.condition):
        sounds = [table.sounds[search.cells.cell(number, level)] for level in range(len(one.levels_db_nhl))]
        window_ms = window_of(sounds[0], room_ms) if one.window_ms is None else one.window_ms
        if window_ms[1] > room_ms:
            lower = table.sound.slower_per_s(window_ms[1] + table.time_zero_ms)
            raise PlanError(
                f"search: the response window of {one.name} ends at {window_ms[1]:g} ms, but the next sound comes after "
                f"{room_ms:.1f} ms: lower sound.rate_per_s to {lower:g}"
            )
        latency_ms = one.latency_ms or tuple(sound.latency_ms((0.0, math.inf)) for sound in sounds)
        conditions.append(one.model_copy(update={"window_ms": window_ms, "latency_ms": latency_ms}))
    return plan.model_copy(update={"search": search.model_copy(update={"condition": tuple(conditions)})})


def rate_in_both_ears(plan: Plan, sounds: int = 1) -> float:
    """The largest rate in sweeps per second, no higher than that of a plan for one ear at a time, at which both ears could hear
    its sounds at once, so many in each ear: out of step with the mains, and with room for all windows. Raises PlanError."""
    table, search = table_of(plan), plan.search
    assert table is not None
    assert search is not None
    both = table.sound.model_copy(update={"together": True, "sounds_per_ear": sounds})
    room_ms = both.room_ms + both.time_zero_ms - table.time_zero_ms
    firsts = [table.sounds[search.cells.cell(number, 0)] for number in range(len(search.condition))]
    ends = [(one.window_ms or window_of(sound, room_ms))[1] for one, sound in zip(search.condition, firsts, strict=True)]
    return both.slower_per_s(max(ends) + table.time_zero_ms, both.rate_per_s)


def read_cells(folder: RunFolder, sound: SoundPlan | None) -> CellTable | None:
    """Read the table of a run, None for a run with one sound. ``sound``: the [sound] of its plan. Raises PlanError, OSError."""
    if not folder.cells.exists():
        return None
    try:
        file = _File.model_validate(folder.read_json(folder.cells.name))
    except ValidationError as error:
        raise PlanError(f"{folder.cells}: {wrong_key(error.errors()[0])}; only quietfloor writes this file") from error
    except ValueError as error:
        raise PlanError(f"{folder.cells} is no JSON ({error}); only quietfloor writes this file") from error
    if sound is None or sound.seed != file.key:
        seed = "has no [sound]" if sound is None else f"has the seed {sound.seed}"
        raise PlanError(f"{folder.cells} has the seed {file.key}, and {folder.plan.name} {seed}: they are not of one run")
    return CellTable(sound, file.cells, file.first)


def settings_of(folder: RunFolder, plan: Plan, layout: Layout) -> EngineSettings:
    """Engine settings for the recording of a run, with its table of cells if it has one. Raises PlanError, OSError."""
    table = read_cells(folder, plan.sound)
    if table is None:
        table = table_of(plan)
    settings = plan.engine_settings(layout)
    return settings if table is None else table.engine_settings(settings)
