"""The data set against the validator of the BIDS project, and its tables against the run."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.export.material import read_material
from tests.export.conftest import Made, rows_of, write_run
from tests.slow import patience
from tests.synthetic import stream

Export = Callable[..., list[dict[str, Any]]]


def validated(folder: Path) -> dict[str, Any]:
    program = Path(sys.executable).with_name("bids-validator-deno")
    command = [program, folder, "--format", "json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=patience(60), check=False)
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_the_validator_finds_no_error_and_the_tables_say_what_the_run_says(
    played: Path, holed: Made, export: Export, tmp_path: Path, mne: Any
) -> None:
    out = tmp_path / "data set"
    told = export("bids", played, holed.path, out=out)
    found = validated(out)
    assert [issue for issue in found["issues"]["issues"] if issue["severity"] == "error"] == []
    assert sorted(found["summary"]["subjects"]) == ["S07", "unknown"]
    assert found["summary"]["tasks"] == ["abr"]
    path = Path(told[0]["file"])
    assert path.relative_to(out) == Path("sub-S07/ses-s07/eeg/sub-S07_ses-s07_task-abr_run-001_eeg.bdf")
    people = rows_of(out / "participants.tsv")
    assert people[0] == {"participant_id": "sub-S07", "pseudonym": "S07", "age": "n/a", "age_group": "adult"}
    events = rows_of(path.with_name(path.name.replace("_eeg.bdf", "_events.tsv")))
    record = json.loads((played / "run.json").read_text())
    sweeps = [row for row in events if row["trial_type"] == "stimulus"]
    counts = {status: sum(row["status"] == status for row in sweeps) for status in ("accepted", "rejected")}
    assert counts["accepted"] == record["sweeps_accepted"]
    assert sum(counts.values()) == record["sweeps_presented"]
    sounds = {tuple(row[key] for key in ("stimulus", "ear", "level", "level_unit")) for row in sweeps}
    assert sounds == {("click", "right", "60", "dB nHL")}
    explained = json.loads(path.with_name(path.name.replace("_eeg.bdf", "_events.json")).read_text())
    assert set(events[0]) == set(explained)
    raw = mne.io.read_raw_bdf(path, verbose="error")
    channels = rows_of(path.with_name(path.name.replace("_eeg.bdf", "_channels.tsv")))
    assert [row["name"] for row in channels] == raw.ch_names
    assert [row["type"] for row in channels] == ["EEG", "EEG", "TRIG"]
    noted = raw.annotations.onset[[text.startswith("stimulus") for text in raw.annotations.description]]
    assert np.abs(noted - [float(row["onset"]) for row in sweeps]).max() < 1e-6
    assert [round(float(row["onset"]) * raw.info["sfreq"]) for row in sweeps] == [int(row["sample"]) for row in sweeps]


def test_polarities_are_those_that_were_played(tmp_path: Path, export: Export) -> None:
    """Labels come 60 ms before their triggers, almost three sweeps, by a clock that is 3 s ahead."""
    made = stream(np.random.default_rng(4), 8000.0, 160, channels=2)
    played = ["condensation" if number % 2 else "rarefaction" for number in range(160)]
    stamps_s = made.stamps_s[made.onsets.astype(int)] - 0.06
    texts = [json.dumps({"sweep": number, "polarity": polarity}) for number, polarity in enumerate(played)]
    run = write_run(tmp_path / "s", made, markers=list(zip((stamps_s + 3.0).tolist(), texts, strict=True)), marker_offset_s=-3.0)
    (told,) = export("bids", run.path, out=tmp_path / "set")
    path = Path(told["file"])
    events = rows_of(path.with_name(path.name.replace("_eeg.bdf", "_events.tsv")))
    assert [row["polarity"] for row in events if row["trial_type"] == "stimulus"] == played
    assert not [row for row in events if row["trial_type"] == "marker"]  # labels of sweeps are told with their sweeps


def test_names_of_people_and_sessions_stay_inside_the_data_set(holed: Made, tmp_path: Path, export: Export) -> None:
    session = tmp_path / "..%2e ses\tsion"
    session.mkdir()
    (session / "run-007").symlink_to(holed.path)
    (told,) = export("bids", session / "run-007", out=tmp_path / "set")
    assert Path(told["file"]).resolve().is_relative_to(tmp_path / "set")
    assert all(path.name.isascii() and " " not in path.name for path in (tmp_path / "set").rglob("*"))

def test_without_labels_polarities_are_those_of_the_plan(tmp_path: Path) -> None:
    """A run on the virtual patient, with no marker stream beside it."""
    plan = plan_for(60.0, max_sweeps=192)
    assert plan.sound is not None
    record = carry_through(plan, load_patient("quiet-deaf"), tmp_path / "s", 1)
    found = [one for one in read_material(Path(record["folder"])).happenings if one.kind == "stimulus" and one.unit is not None]
    assert len(found) == record["sweeps_presented"] == 192
    assert [one.polarity for one in found] == [sweep.polarity for sweep in islice(plan.sound.schedule().sweeps(), 192)]
