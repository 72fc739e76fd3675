"""The sound of a run with several cells, from its table to the engine: over LSL, with its dose put down step by step."""

from __future__ import annotations

import datetime
import json
import threading
import uuid
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.plan.cell_table import CellRow, CellTable, read_cells
from quietfloor.monitor.plan.run_plan import Plan, PlanError, make_plan
from quietfloor.monitor.run.sound_output import Sound, make_cells, make_stimulus
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.cell_frames import CellFrames
from tests.slow import patience
from tests.stimuli.test_player import Receiver

TODAY = datetime.date(2026, 3, 1)
CHOICES = [0, 2, 5, 7, None, 1, 6, 6, 3, 0]


def plan_of(**more: object) -> Plan:
    sound = {"level_db_nhl": 40.0, "calibration": str(virtual_calibration()), "device_source_id": f"cells-{uuid.uuid4().hex[:8]}"}
    return make_plan({"sound": sound | more})


def table_of(plan: Plan, noise_db_em: tuple[float | None, ...] = (None,) * 4) -> CellTable:
    """Bursts of 1 and 4 kHz at four levels, softest first."""
    assert plan.sound is not None
    return CellTable(
        plan.sound,
        tuple(
            CellRow(ear="right", stimulus="tone-burst", frequency_hz=hz, level_db_nhl=level, masking_level_db_em=noise)
            for hz in (1000.0, 4000.0)
            for level, noise in zip((20.0, 40.0, 60.0, 75.0), noise_db_em, strict=True)
        ),
    )


@pytest.mark.lsl
def test_what_the_engine_reads_from_the_sound_is_what_was_chosen_and_what_the_markers_say(tmp_path: Path) -> None:
    plan = plan_of(speed=8.0)
    folder = RunFolder.create(tmp_path)
    table_of(plan).write(folder)
    table = read_cells(folder, plan.sound)
    assert table is not None
    enough = threading.Event()

    def choose(unit: int) -> int | None:
        if unit > len(CHOICES) + 8:
            enough.set()
        return CHOICES[unit] if unit < len(CHOICES) else None

    stimulus = make_cells(table, choose, TODAY)
    sound = Sound(stimulus)
    receiver, marked = Receiver(table.sound.device_source_id), Receiver(sound.marker_source_id)
    sound.reserve(tmp_path, "run-001", 640)
    for cell in range(len(table.cells)):
        sound.reserve_more(cell, 640)
    sound.start()
    assert enough.wait(patience(60))
    sound.stop()
    sound.close()
    frames, stamps_s = receiver.sound()
    texts, _ = marked.close()

    layout = Layout(48_000.0, ("eeg", "trigger"), (0,), 1)
    engine = Engine(table.engine_settings(plan.engine_settings(layout)))
    eeg = np.random.default_rng(1).standard_normal(frames.shape[1])
    units = [event for event in engine.feed(Chunk(np.stack([eeg, frames[2]]), stamps_s)) if isinstance(event, CellUnit)]
    expected = [0, 1, 5, 6, 6, 1, 6, 6, 3, 0]  # a rise of 35 or 40 dB takes two units
    assert [unit.cell for unit in units][: len(expected)] == expected
    assert engine.verdict is None
    said = {marker["unit"]: marker for marker in (json.loads(text[0]) for text in texts)}
    for number, cell in enumerate(expected):
        row = table.cells[cell]
        assert said[number]["cell"] == cell
        assert (said[number]["frequency_hz"], said[number]["level_db_nhl"]) == (row.frequency_hz, row.level_db_nhl)
    assert sound.record["limited_samples"] == 0


def test_a_cell_sounds_as_a_run_of_it_alone_does() -> None:
    """Same waveform, gain, ceiling and dose as the plan of one sound gives."""
    table = table_of(plan_of())
    frames = make_cells(table, lambda unit: None, TODAY).frames
    assert isinstance(frames, CellFrames)
    for number, sound in enumerate(table.sounds):
        alone = make_stimulus(sound, TODAY).frames
        cell = frames.cells[number]
        assert cell.gain == alone.gain
        np.testing.assert_array_equal(cell.waveform.samples, alone.waveform.samples)
        assert frames.exposure_of(number, 100, 5.0) == alone.exposure(100, 5.0)
    assert frames.below_ceiling_db == min(make_stimulus(sound, TODAY).frames.below_ceiling_db for sound in table.sounds)


def test_a_cell_above_the_ceiling_is_refused_with_the_table() -> None:
    plan = plan_of(age_group="infant")  # at most 85 dB nHL
    assert plan.sound is not None
    rows = tuple(CellRow(ear="right", stimulus="click", level_db_nhl=level) for level in (40.0, 90.0))
    with pytest.raises(PlanError, match="above the output ceiling"):
        make_cells(CellTable(plan.sound, rows), lambda unit: None, TODAY)


def test_noise_follows_the_cells() -> None:
    table = table_of(plan_of(masking="white", masking_level_db_em=30), (None, None, 20.0, 35.0))
    frames = make_cells(table, lambda unit: None, TODAY).frames
    assert isinstance(frames, CellFrames)
    quiet, soft, loud = (frames.cells[number].masking for number in (1, 2, 3))
    assert quiet is None
    assert soft is not None
    assert loud is not None
    assert 20 * np.log10(loud.rms / soft.rms) == pytest.approx(15.0)
    octaves = plan_of(masking="octave-band", masking_level_db_em=30, stimulus="tone-burst", frequency_hz=1000)
    frames = make_cells(table_of(octaves, (None, None, 20.0, 35.0)), lambda unit: None, TODAY).frames
    assert isinstance(frames, CellFrames)
    assert {one.masking.frequency_hz for one in frames.cells if one.masking is not None} == {1000.0, 4000.0}


@pytest.mark.lsl
def test_the_dose_is_put_down_step_by_step_before_it_is_given(tmp_path: Path) -> None:
    table = table_of(plan_of())
    stimulus = make_cells(table, lambda unit: 7 if unit else 1, TODAY)
    frames = stimulus.frames
    assert isinstance(frames, CellFrames)
    sound = Sound(stimulus)
    sound.reserve(tmp_path, "run-001", 16)
    first = SessionDose(tmp_path).spent()
    sound.reserve_more(7, 3200)
    account = SessionDose(tmp_path).spent()
    assert account.right_pa2s == pytest.approx(frames.exposure_of(7, 3200, 0.0).right_pa2s)
    assert account.right_pa2s > first.right_pa2s
    sound.reserve_more(7, 3200)
    sound.reserve_more(1, 1600)  # softer
    assert SessionDose(tmp_path).spent() == account
    frames.read(48_000 * 120)  # as the player would
    assert frames.dose_exhausted
    assert 0.99 * account.right_pa2s < frames.dose.right_pa2s <= account.right_pa2s
    with pytest.raises(PlanError, match="more than the right ear may get"):
        sound.reserve_more(7, 10**7)
    assert SessionDose(tmp_path).spent() == account
    sound.stop()
    sound.close()
    assert SessionDose(tmp_path).spent() == frames.dose
