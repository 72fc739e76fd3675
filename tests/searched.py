"""A run folder of a search, made in a closed loop: the virtual patient hears what the search asks for, from sound to EEG."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import PatientSource
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import table_of, written_out
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run.run import NextCell
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.run.sound_output import make_cells
from quietfloor.monitor.run.unit_check import UnitFinding
from quietfloor.monitor.search.record import cells_csv
from quietfloor.monitor.search.said import Order
from quietfloor.monitor.sources.base import marker_description
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.cell_frames import CellFrames
from quietfloor.stimuli.markers import MarkerOutlet
from quietfloor.stimuli.together_frames import TogetherFrames

LEVELS = tuple(float(level) for level in range(10, 70, 10))
EARS = ("right", "left")
STARTED = "2026-01-15T10:00:00+00:00"
ORDERS = {14.0: Order("pause"), 16.0: Order("go_on"), 18.0: Order("go_to", 1, 50.0, "she stirs")}  # after so many seconds


FREQUENCIES_HZ = (2000, 500)


def searched(session: Path, seconds: float = 60.0, at_once: int = 0) -> Path:
    """Octave chirps of 2000 Hz to both ears of a normal hearing sleeper, until the operator ends it after so much stream.
    ``at_once``: sounds at once in each ear, 0: one ear at a time; 2: those of 500 Hz too."""
    common = {"stimulus": "octave-chirp", "frequency_hz": FREQUENCIES_HZ[0]}
    conditions = [
        common | {"ear": ear, "levels_db_nhl": LEVELS, "frequency_hz": frequency_hz, "sound": sound}
        for sound, frequency_hz in enumerate(FREQUENCIES_HZ[: max(at_once, 1)], 1)
        for ear in EARS
    ]
    plan = written_out(make_plan({
        "title": "Both ears",
        "stream": {"name": "Virtual EEG", "eeg": ["eeg"], "trigger": "trigger", "unit": "uV"},
        "sound": common | {"level_db_nhl": LEVELS[-1], "lead_in_s": 0.7, "seed": 12, "calibration": str(VIRTUAL_EARPHONE)}
        | ({"rate_per_s": 36.1 if at_once > 1 else 39.1, "together": True, "sounds_per_ear": at_once} if at_once else {}),
        "analysis": {"acoustic_delay_ms": 0.9},
        "search": {"condition": conditions},
    }))  # fmt: skip
    table = table_of(plan)
    assert table is not None
    settings = table.engine_settings(plan.engine_settings(Layout(8000.0, ("eeg", "trigger"), (0,), 1)))
    search = make_search(plan, settings)
    assert search is not None
    engine, played = Engine(settings, None, search.judge), NextCell.of(plan)
    stimulus = make_cells(table, played, datetime.date(2026, 1, 15))
    assert isinstance(stimulus.frames, (CellFrames, TogetherFrames))
    source = PatientSource(stimulus, load_patient("quiet-sleeper"), 1, 5)
    folder = RunFolder.create(session)
    folder.write_text(folder.plan.name, plan.to_toml())
    table.write(folder)
    outlet = MarkerOutlet("searched", labels={"stimulus": "octave-chirp"}, cells=table.labels())
    description = replace(source.description, labels=("eeg", "trigger"))
    orders = dict(ORDERS)
    with Journal(folder.raw, [description, marker_description()]) as journal:
        while source.seconds < seconds:
            chunk = source.pull(0.0)
            if chunk is None:
                continue
            journal.samples(chunk)
            for event in engine.feed(chunk):
                if event.kept:
                    folder.append_event(event.record())
            played.cells = [search.cell_of(stream) for stream in range(len(search.streams))]
            for at_s in [at_s for at_s in orders if at_s <= source.seconds]:
                search.order(orders.pop(at_s))
        for event in engine.finish("operator", "stopped by the operator"):
            folder.append_event(event.record())
        for sweep in stimulus.frames.sweeps:
            journal.marker(sweep.onset_sample / table.sound.sample_rate_hz, outlet.text(sweep))
    outlet.close()
    folder.close()
    record = run_record(
        plan, engine.verdict, engine, stream=description, unit=UnitFinding(1.0, "plan of the run", 8.0), sound=stimulus.record,
        calibration="virtual-earphone", started=STARTED, search=search,
    )  # fmt: skip
    folder.write_text(folder.cell_averages.name, cells_csv(search))
    folder.write_json(folder.run.name, record)
    return folder.path
