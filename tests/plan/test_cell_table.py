"""The table of cells: what it makes of a plan, what it refuses, and that the folder gives back what was written."""

from __future__ import annotations

import json
import uuid
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import CellRow, CellTable, read_cells, settings_of
from quietfloor.monitor.plan.run_plan import PlanError, make_plan
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.markers import MarkerOutlet

PLAN = make_plan({"sound": {"stimulus": "octave-chirp", "frequency_hz": 1000, "level_db_fs": -60, "seed": 9}})
SOUND = PLAN.sound
assert SOUND is not None
LAYOUT = Layout(16000.0, ("eeg", "trigger"), (0,), 1)
ROWS = tuple(
    CellRow(ear=ear, stimulus="octave-chirp", frequency_hz=hz, level_db_fs=level)  # type: ignore[arg-type]
    for ear in ("left", "right")
    for hz in (500.0, 4000.0)
    for level in (-90.0, -70.0, -50.0)
)


def test_each_cell_is_the_plan_of_a_run_of_its_own() -> None:
    table = CellTable(SOUND, (*ROWS, CellRow(ear="right", stimulus="click", level_db_fs=-80.0)), first=4)
    for cell, sound in zip(table.cells, table.sounds, strict=True):
        assert (sound.ear, sound.stimulus, sound.frequency_hz) == (cell.ear, cell.stimulus, cell.frequency_hz)
        assert sound.level_db_fs == cell.level_db
        assert (sound.seed, sound.rate_per_s, sound.schedule()) == (SOUND.seed, SOUND.rate_per_s, SOUND.schedule())
    assert len({cell.condition for cell in ROWS}) == 4
    assert table.code.cells == 13


def test_settings_of_the_engine_have_the_code_and_one_time_zero_for_all_cells() -> None:
    table = CellTable(SOUND, ROWS)
    plain = PLAN.engine_settings(LAYOUT)
    settings = table.engine_settings(plain)
    assert settings.cells == table.code
    assert settings.trigger.break_mark_ms == 1.3
    latest = max(sound.time_zero_ms for sound in table.sounds)
    assert settings.delay_ms == pytest.approx(plain.delay_ms - SOUND.time_zero_ms + latest, abs=0.5e3 / 48_000)


def test_a_cell_may_have_noise_of_its_own_and_another_none() -> None:
    plan = make_plan({"sound": {"level_db_fs": -60, "masking": "white", "masking_level_db_fs": -70}})
    assert plan.sound is not None
    rows = [CellRow(ear="right", stimulus="click", level_db_fs=-60, masking_level_db_fs=level) for level in (None, -65.0)]
    without, with_noise = CellTable(plan.sound, tuple(rows)).sounds
    assert (without.masking, with_noise.masking, with_noise.masking_level_db_fs) == ("none", "white", -65.0)


def test_cells_are_in_quiet() -> None:
    noise = {"ipsilateral_noise": "broadband", "ipsilateral_noise_level_db_fs": -60.0}
    plan = make_plan({"sound": {"level_db_fs": -60} | noise})
    assert plan.sound is not None
    with pytest.raises(PlanError, match="cells: ipsilateral_noise goes with runs of one sound and level"):
        CellTable(plan.sound, (CellRow(ear="right", stimulus="click", level_db_fs=-60),))
    plan = make_plan({"sound": {"level_db_fs": -60, "equalise": True, "calibration": "c.toml"}})
    assert plan.sound is not None
    with pytest.raises(PlanError, match="cells: equalise goes with runs of one sound and level"):
        CellTable(plan.sound, (CellRow(ear="right", stimulus="click", level_db_fs=-60),))
    plan = make_plan({"sound": {"level_db_fs": -60, "ear": "both"}})
    assert plan.sound is not None
    with pytest.raises(PlanError, match='cells: ear = "both" goes with runs of one sound and level'):
        CellTable(plan.sound, (CellRow(ear="right", stimulus="click", level_db_fs=-60),))


def test_the_folder_gives_back_the_table_and_writes_it_again_when_it_is_deleted(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    assert read_cells(folder, SOUND) is None
    assert settings_of(folder, PLAN, LAYOUT) == PLAN.engine_settings(LAYOUT)
    table = CellTable(SOUND, ROWS, first=2)
    table.write(folder)
    assert settings_of(folder, PLAN, LAYOUT) == table.engine_settings(PLAN.engine_settings(LAYOUT))
    assert read_cells(RunFolder(folder.path), SOUND) == table
    folder.cells.unlink()
    assert not folder.is_whole
    assert folder.restore() == ["cells.json"]
    assert read_cells(folder, SOUND) == table


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"key": 8}, "has the seed 8, and plan.toml has the seed 9"),
        ({"format": "quietfloor cells 7"}, "quietfloor cells 1"),
        ({"cells": []}, "cells"),
        ({"cells": [{"ear": "middle", "stimulus": "click", "level_db_fs": -60}]}, "cells.0.ear = 'middle'"),
        ({"cells": [{"ear": "left", "stimulus": "click", "level_db_fs": -60, "louder": 1}]}, "louder"),
        ({"cells": [{"ear": "left", "stimulus": "click"}]}, "cell 0 has no level"),
        ({"first": 40}, "first = 40; allowed is 0 to 11"),
    ],
)
def test_a_table_that_is_damaged_or_of_another_run_is_refused(tmp_path: Path, change: dict[str, Any], says: str) -> None:
    folder = RunFolder.create(tmp_path)
    CellTable(SOUND, ROWS).write(folder)
    folder.cells.write_text(json.dumps(json.loads(folder.cells.read_text(encoding="utf-8")) | change), encoding="utf-8")
    with pytest.raises(PlanError) as error:
        read_cells(folder, SOUND)
    assert says in str(error.value)


def test_what_is_no_json_and_a_run_without_sound_are_refused(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    CellTable(SOUND, ROWS).write(folder)
    with pytest.raises(PlanError, match=r"has no \[sound\]"):
        read_cells(folder, None)
    folder.cells.write_text("{", encoding="utf-8")
    with pytest.raises(PlanError, match="no JSON"):
        read_cells(folder, SOUND)


def test_cells_that_cannot_be_told_apart_are_refused() -> None:
    with pytest.raises(PlanError, match="cell 12 is cell 0 again"):
        CellTable(SOUND, (*ROWS, ROWS[0]))
    with pytest.raises(PlanError, match="give all level_db_nhl, or all level_db_ppe_spl, or all level_db_fs"):
        CellTable(SOUND, (*ROWS, CellRow(ear="left", stimulus="click", level_db_nhl=40.0)))
    many = tuple(CellRow(ear="left", stimulus="click", level_db_fs=-120.0 + 0.5 * step) for step in range(129))
    with pytest.raises(PlanError, match="129 cells; allowed are 1 to 128"):
        CellTable(SOUND, many)
    loose = make_plan({"sound": {"level_db_fs": -60, "random_pause": False}}).sound
    assert loose is not None
    with pytest.raises(PlanError, match="leave held_to_plan and random_pause on"):
        CellTable(loose, ROWS)


@pytest.mark.lsl
def test_a_marker_names_the_cell_of_its_sweep() -> None:
    table = CellTable(SOUND, ROWS)
    outlet = MarkerOutlet(f"markers-{uuid.uuid4().hex[:8]}", labels={"muted": False, "ear": "right"}, cells=table.labels())
    (sweep,) = islice(SOUND.schedule().sweeps(), 1)
    plain = {"sweep": 0, "unit": 0, "polarity": sweep.polarity, "muted": False, "ear": "right"}
    assert json.loads(outlet.text(sweep)) == plain
    own = {"cell": 1, "ear": "left", "stimulus": "octave-chirp", "frequency_hz": 500.0, "level_db_fs": -70.0}
    played = type(sweep)(**{**vars(sweep), "cell": 1})
    assert json.loads(outlet.text(played)) == plain | own
    outlet.close()
