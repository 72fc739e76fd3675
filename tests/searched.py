"""A run folder of a search, made in a closed loop: the virtual patient hears what the search asks for, from sound to EEG."""

from __future__ import annotations

import csv
import datetime
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import PatientSource
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import CellRow, CellTable
from quietfloor.monitor.plan.run_plan import make_plan, override
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.sound_output import make_cells
from quietfloor.monitor.run.unit_check import UnitFinding
from quietfloor.monitor.search import words
from quietfloor.monitor.search.running import Condition, Place, RunningSearch
from quietfloor.monitor.sources.base import marker_description
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.cell_frames import CellFrames
from quietfloor.stimuli.markers import MarkerOutlet

LEVELS = tuple(float(level) for level in range(10, 70, 10))
EARS = ("right", "left")
STARTED = "2026-01-15T10:00:00+00:00"


def searched(session: Path, seconds: float = 60.0) -> Path:
    """Octave chirps of 2000 Hz to both ears of a normal hearing sleeper, until the operator ends it after so much stream."""
    sound = {
        "stimulus": "octave-chirp", "frequency_hz": 2000, "ear": "right", "level_db_nhl": LEVELS[-1], "lead_in_s": 0.7,
        "seed": 12, "calibration": str(VIRTUAL_EARPHONE),
    }  # fmt: skip
    stream = {"name": "Virtual EEG", "eeg": ["eeg"], "trigger": "trigger", "unit": "uV"}
    plan = make_plan({"title": "Both ears", "stream": stream, "sound": sound, "analysis": {"acoustic_delay_ms": 0.9}})
    assert plan.sound is not None
    rows = tuple(
        CellRow(ear=ear, stimulus="octave-chirp", frequency_hz=2000.0, level_db_nhl=level)  # type: ignore[arg-type]
        for ear in EARS for level in LEVELS
    )  # fmt: skip
    table = CellTable(plan.sound, rows, first=3)
    engine = Engine(table.engine_settings(plan.engine_settings(Layout(8000.0, ("eeg", "trigger"), (0,), 1))))
    of_levels = [override(plan, {"sound": {"level_db_nhl": level}}).evidence_settings() for level in LEVELS]
    settings = tuple(replace(engine.settings.analysis, evidence=one) for one in of_levels)
    brackets = tuple(one.latency_ms((0.0, 30.0)) for one in table.sounds[: len(LEVELS)])
    search = RunningSearch((Condition(LEVELS, settings, brackets, 16 * plan.sound.sweep_s),) * len(EARS))

    def choose(unit: int) -> int | None:
        chosen = search.choose()
        return None if chosen is None else chosen.place.condition * len(LEVELS) + chosen.place.level

    stimulus = make_cells(table, choose, datetime.date(2026, 1, 15))
    source = PatientSource(stimulus, load_patient("quiet-sleeper"), 1, 5)
    folder = RunFolder.create(session)
    folder.write_text(folder.plan.name, plan.to_toml())
    table.write(folder)
    outlet = MarkerOutlet("searched", labels={"stimulus": "octave-chirp"}, cells=table.labels())
    description = replace(source.description, labels=("eeg", "trigger"))
    last: Any = None
    accepted = np.zeros(len(rows), dtype=int)
    with Journal(folder.raw, [description, marker_description()]) as journal:
        while source.seconds < seconds:
            chunk = source.pull(0.0)
            if chunk is None:
                continue
            journal.samples(chunk)
            for event in engine.feed(chunk):
                if event.kept:
                    folder.append_event(event.record())
                if not isinstance(event, CellUnit) or event.cell < 0:
                    continue
                condition, level = divmod(event.cell, len(LEVELS))
                accepted[event.cell] += search.update(Place(condition, level), event.sweeps_uv[0], event.usable[0]).sum()
                if event.unit == 60:
                    search.go_to(Place(1, 4))
                    order = {"order": "go_to", "condition": 1, "level_db_nhl": 50.0, "why": "the operator"}
                    folder.append_event({"type": "order", "sample": event.sample, "units": event.unit} | order)
                chosen = search.choose()
                if chosen is not None and chosen != last:
                    folder.append_event(_choice(search, event, chosen))
                last = chosen
        assert isinstance(stimulus.frames, CellFrames)
        for sweep in stimulus.frames.sweeps:
            journal.marker(sweep.onset_sample / plan.sound.sample_rate_hz, outlet.text(sweep))
    outlet.close()
    end = {"verdict": "inconclusive", "stopped_by": "operator", "reason": "stopped by the operator"}
    folder.append_event({"type": "verdict", "sample": int(8000 * seconds)} | end)
    folder.close()
    finding = UnitFinding(1.0, "plan of the run", 8.0)
    about = {"sound": stimulus.record, "calibration": "virtual-earphone", "started": STARTED}
    record = run_record(plan, None, engine, stream=description, unit=finding, **about)
    folder.write_json("run.json", record | end | {"search": _answers(search, accepted)})
    _write_cells(folder.path / "cells.csv", search, settings[0].times_ms)
    return folder.path


def _choice(search: RunningSearch, event: CellUnit, chosen: Any) -> dict[str, Any]:
    answers = [search.answer(number, limits=False) for number in range(len(EARS))]
    lists = {
        "low_db": "low_db", "threshold_db": "threshold_db", "high_db": "high_db", "found_db": "found_db", "finished": "finished",
    }  # fmt: skip
    return {
        "type": "choice", "sample": event.sample, "units": event.unit + 1,
        "cell": chosen.place.condition * len(LEVELS) + chosen.place.level, "why": chosen.choice.why,
        "gain_db2_per_s": chosen.choice.gain_db2_per_s,
        **{key: [getattr(one, name) for one in answers] for key, name in lists.items()},
    }  # fmt: skip


def _answers(search: RunningSearch, accepted: np.ndarray) -> dict[str, Any]:
    found = []
    for number, ear in enumerate(EARS):
        one = search.answer(number)
        cells = []
        for level, level_db in enumerate(LEVELS):
            look = search.look(Place(number, level))
            cells.append({
                "level_db_nhl": level_db, "presented": one.sweeps[level], "accepted": int(accepted[number * len(LEVELS) + level]),
                "evidence": one.log10[level], "residual_noise_nv": None if look is None else float(look.noise.value_nv),
                "upper_limit_nv": one.limits_nv[level], "masking_db_em": None,
            })  # fmt: skip
        beyond = "above" if one.threshold_db == np.inf else "below" if one.threshold_db < LEVELS[0] else None
        found.append({
            "ear": ear, "route": "air", "stimulus": "octave-chirp", "frequency_hz": 2000.0, "levels_db_nhl": LEVELS,
            "threshold_db_nhl": one.threshold_db, "low_db_nhl": one.low_db, "high_db_nhl": one.high_db, "beyond": beyond,
            "found_db_nhl": one.found_db, "finished": one.finished, "seconds": one.seconds,
            "words": words.sentence(one, LEVELS, search.wanted.alpha), "hidden": words.hidden(one, LEVELS), "cells": cells,
        })  # fmt: skip
    order = {"order": "go_to", "condition": 1, "level_db_nhl": 50.0, "why": "the operator"}
    return {"alpha": search.wanted.alpha, "width_db": search.wanted.width_db, "conditions": found, "orders": [order]}


def _write_cells(path: Path, search: RunningSearch, times_ms: np.ndarray) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["cell", "level_db_nhl", "time_ms", "average_uv", "a_uv", "b_uv"])
        for cell in range(len(EARS) * len(LEVELS)):
            condition, level = divmod(cell, len(LEVELS))
            look = search.look(Place(condition, level))
            if look is not None:
                curves = (times_ms, look.average_uv, look.half_a_uv, look.half_b_uv)
                table.writerows([cell, LEVELS[level], *map(repr, row)] for row in np.column_stack(curves).tolist())
