"""A search on the virtual patient, from choice to sound to EEG to the next choice: every unit goes to the cell that it played."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import PatientSource
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import CellRow, CellTable
from quietfloor.monitor.plan.run_plan import make_plan, override
from quietfloor.monitor.run.sound_output import make_cells
from quietfloor.monitor.search.running import Condition, Place, RunningSearch
from quietfloor.stimuli.cell_frames import CellFrames

LEVELS = tuple(float(level) for level in range(0, 90, 10))


@pytest.mark.parametrize(
    ("reads", "seconds"), [pytest.param(True, 100.0, marks=pytest.mark.long), (False, 20.0)], ids=["answers", "no answers"]
)
def test_a_search_hears_what_it_asked_for(reads: bool, seconds: float) -> None:
    plan = make_plan(
        {
            "sound": {
                "stimulus": "octave-chirp", "frequency_hz": 2000, "level_db_nhl": LEVELS[-1], "lead_in_s": 0.7, "seed": 12,
                "calibration": str(VIRTUAL_EARPHONE),
            },
            "analysis": {"acoustic_delay_ms": 0.9},
        }
    )  # fmt: skip
    assert plan.sound is not None
    rows = tuple(CellRow(ear="right", stimulus="octave-chirp", frequency_hz=2000.0, level_db_nhl=level) for level in LEVELS)
    table = CellTable(plan.sound, rows, first=4)
    engine = Engine(table.engine_settings(plan.engine_settings(Layout(8000.0, ("eeg", "trigger"), (0,), 1))))
    of_levels = [override(plan, {"sound": {"level_db_nhl": level}}).evidence_settings() for level in LEVELS]
    settings = tuple(replace(engine.settings.analysis, evidence=one) for one in of_levels)
    brackets = tuple(sound.latency_ms((0.0, 30.0)) for sound in table.sounds)
    search = RunningSearch((Condition(LEVELS, settings, brackets, 16 * plan.sound.sweep_s, start_db=40.0),))

    def choose(unit: int) -> int | None:
        chosen = search.choose() if reads else None
        return None if chosen is None else chosen.place.level

    stimulus = make_cells(table, choose, datetime.date.today())
    frames = stimulus.frames
    assert isinstance(frames, CellFrames)
    source = PatientSource(stimulus, load_patient("quiet-sleeper"), 1, 5)
    read: list[int] = []
    while source.seconds < seconds:
        chunk = source.pull(0.0)
        for event in () if chunk is None else engine.feed(chunk):
            if isinstance(event, CellUnit):
                read.append(event.cell)
                search.update(Place(0, event.cell), event.sweeps_uv[0], event.usable[0])
    played = [sweep.cell for sweep in frames.sweeps[::16]]
    assert len(read) > seconds / (16 * plan.sound.sweep_s) - 8
    assert read == played[: len(read)]
    assert engine.verdict is None
    assert frames.limited_samples == 0
    if not reads:
        assert set(read) == {4}
        return
    assert len(set(read)) >= 3
    answer = search.answer()
    assert sum(answer.sweeps) == 16 * len(read)
    assert np.isfinite(answer.found_db)
    assert answer.low_db <= answer.threshold_db <= answer.found_db
