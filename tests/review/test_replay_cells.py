"""A recording with several cells is read again: the same units with the same cells, from the samples and the table alone."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.plan.cell_table import CellRow, CellTable
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.sound_output import make_cells
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder

RATE_HZ = 48_000.0
CHOICES = [0, 1, 2, None, 1, 0, 2, 2, 1, 0, 0, 1]


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    """As a run leaves it that was stopped after 12 units; the triggers are those of the sound itself."""
    plan = make_plan(
        {
            "stream": {"eeg": ["eeg"], "trigger": "trigger", "unit": "uV"},
            "sound": {"level_db_fs": -60, "seed": 3, "lead_in_s": 0.5},
        }
    )
    assert plan.sound is not None
    rows = tuple(CellRow(ear="left", stimulus="click", level_db_fs=level) for level in (-80.0, -70.0, -60.0))
    table = CellTable(plan.sound, rows)
    made = RunFolder.create(tmp_path)
    made.write_text(made.plan.name, plan.to_toml())
    table.write(made)
    frames = make_cells(table, lambda unit: CHOICES[unit] if unit < 12 else None, datetime.date.today()).frames
    trigger = frames.read(int(frames.schedule.onsets(16 * 12)[-1]) + 4800)[2]
    eeg = np.random.default_rng(1).standard_normal(trigger.size).astype(np.float32)
    chunk = Chunk(np.stack([eeg, trigger]), 5.0 + np.arange(trigger.size) / RATE_HZ)
    labels, units = ("eeg", "trigger"), ("microvolts", "microvolts")
    stream = StreamDescription("s", "EEG", "id", "here", "", 0.0, 2, RATE_HZ, "float32", labels, units)
    with Journal(made.raw, [stream]) as journal:
        journal.samples(chunk)
    engine = Engine(table.engine_settings(plan.engine_settings(Layout(RATE_HZ, ("eeg", "trigger"), (0,), 1))))
    for event in [*engine.feed(chunk), *engine.finish("operator", "stopped by the operator")]:
        if event.kept:
            made.append_event(event.record())
    made.close()
    return made


def test_a_replay_gives_the_same_units_and_cells(folder: RunFolder) -> None:
    done = replay(folder)
    assert done.identical_by == "bytes"
    assert done.looks == done.live_looks == 12
    cells = [event["cell"] for event in folder.read_events() if event["type"] == "cell_unit"]
    assert cells == [0, 1, 2, 2, 1, 0, 2, 2, 1, 0, 0, 1]


def test_a_unit_that_was_given_to_another_cell_is_found(folder: RunFolder) -> None:
    said = folder.events.read_text(encoding="utf-8")
    folder.events.write_text(said.replace('"unit":5,"cell":0', '"unit":5,"cell":1'), encoding="utf-8")
    assert folder.events.read_text(encoding="utf-8") != said
    done = replay(folder)
    assert not done.identical
    assert done.first_difference == 5
