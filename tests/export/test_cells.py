"""A recording over several levels, as files for others: each sweep has the label of the sound that it heard."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import pytest
import pyxdf

from quietfloor.monitor.plan.run_plan import load_run_plan
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.export.conftest import rows_of
from tests.searched import EARS, FREQUENCIES_HZ, LEVELS, searched

Export = Callable[..., list[dict[str, Any]]]
TAGS = [f"stimulus/{ear}/octave-chirp/2000Hz/{level:g}dBnHL" for ear in EARS for level in LEVELS]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return searched(tmp_path_factory.mktemp("export") / "searches", 40.0)


@pytest.fixture(scope="module")
def counts(run: Path) -> tuple[dict[str, int], dict[str, int]]:
    """Sweeps presented and accepted by label, as the run itself counted them."""
    answers = json.loads((run / "run.json").read_text(encoding="utf-8"))["search"]["conditions"]
    rows = [cell for one in answers for cell in one["cells"]]
    presented, accepted = ({tag: row[key] for tag, row in zip(TAGS, rows, strict=True) if row[key]} for key in (
        "presented", "accepted"))  # fmt: skip
    assert len(presented) >= 4
    return presented, accepted


def test_events_of_a_data_set_name_the_cell(run: Path, counts: Any, export: Export, tmp_path: Path) -> None:
    (told,) = export("bids", run, out=tmp_path / "set")
    (table,) = (tmp_path / "set").rglob("*_events.tsv")
    rows = [row for row in rows_of(table) if row["trial_type"].startswith("stimulus/")]
    judged = [row for row in rows if row["status"] != "not judged"]
    assert Counter(row["trial_type"] for row in judged) == counts[0]
    assert Counter(row["trial_type"] for row in rows if row["status"] == "accepted") == counts[1]
    for row in rows:
        cell = int(row["cell"])
        assert row["trial_type"] == TAGS[cell]
        assert (row["ear"], row["frequency"], row["level"], row["level_unit"]) == (
            EARS[cell // len(LEVELS)], "2000", f"{LEVELS[cell % len(LEVELS)]:g}", "dB nHL",
        )  # fmt: skip
    meaning = json.loads(table.with_suffix(".json").read_text(encoding="utf-8"))
    assert {*TAGS, "silence"} <= set(meaning["trial_type"]["Levels"])
    paused = [row for row in rows_of(table) if row["trial_type"] == "silence"]
    assert len(paused) > 16
    assert {(row["ear"], row["level"], row["status"], row["unit"]) for row in paused} == {("n/a", "n/a", "not judged", "n/a")}
    assert set(meaning) == set(rows[0])
    assert told["records"] > 30


def test_every_unit_has_the_cell_that_the_run_read(run: Path, export: Export) -> None:
    files = {Path(told["file"]).name.rpartition("-")[2]: Path(told["file"]) for told in export("csv", run)}
    of_unit = {event["unit"] + 1: event["cell"] for event in RunFolder(run).read_events() if event["type"] == "cell_unit"}
    rows = [row for row in rows_of(files["events.csv"]) if row["unit"] != "n/a"]
    silence = len(TAGS)
    assert {(int(row["unit"]), int(row["cell"])) for row in rows} == {
        (unit, cell) for unit, cell in of_unit.items() if cell != silence
    }
    averages = rows_of(files["averages.csv"])
    kept = rows_of(run / "cells.csv")
    assert [(row["cell"], row["time_ms"], row["average_uv"], row["b_uv"]) for row in averages] == [
        (row["cell"], row["time_ms"], row["average_uv"], row["b_uv"]) for row in kept
    ]
    assert {(row["cell"], row["ear"], row["level"]) for row in averages} <= {
        (f"{number}", EARS[number // len(LEVELS)], f"{LEVELS[number % len(LEVELS)]:g}") for number in range(len(TAGS))
    }


def test_readers_choose_by_ear_and_level(run: Path, counts: Any, export: Export, mne: Any) -> None:
    """MNE-Python takes labels apart at slashes; its documentation of Epochs, from memory."""
    (told,) = export("bdf", run)
    presented, accepted = counts
    notes = Counter(note.text for note in edfio.read_bdf(told["file"]).annotations)
    assert {text: count for text, count in notes.items() if text in TAGS} == accepted
    raw = mne.io.read_raw_bdf(told["file"], preload=True, verbose="error")
    events, ids = mne.events_from_annotations(raw, regexp="^stimulus/[^,]*$", verbose="error")
    epochs = mne.Epochs(raw, events, ids, tmin=0.0, tmax=0.01, baseline=None, event_repeated="drop", verbose="error")
    for ear in EARS:
        assert len(epochs[ear].events) == sum(count for tag, count in accepted.items() if f"/{ear}/" in tag)
    tag = max(presented, key=lambda one: presented[one])
    assert len(epochs[tag.rpartition("/")[2]].events) == sum(
        count for one, count in accepted.items() if one.endswith(tag.rpartition("/")[2])
    )


def test_markers_in_the_recording_name_the_cell_of_every_sweep(run: Path, export: Export) -> None:
    (told,) = export("xdf", run)
    streams, _ = pyxdf.load_xdf(told["file"], dejitter_timestamps=False)
    markers = next(one for one in streams if one["info"]["type"] == ["Markers"])
    labels = [json.loads(text[0]) for text in markers["time_series"]]
    cell_of = {event["unit"]: event["cell"] for event in RunFolder(run).read_events() if event["type"] == "cell_unit"}
    known = [label for label in labels if label["unit"] in cell_of]
    assert len(known) == 16 * len(cell_of)
    for label in known:
        cell = cell_of[label["unit"]]
        if cell == len(TAGS):
            assert label["muted"]
            continue
        assert (label["cell"], label["ear"], label["level_db_nhl"], label["frequency_hz"]) == (
            cell, EARS[cell // len(LEVELS)], LEVELS[cell % len(LEVELS)], 2000.0,
        )  # fmt: skip
    assert np.all(np.diff(markers["time_stamps"]) > 0)


@pytest.mark.parametrize("at_once", [1, pytest.param(2, marks=pytest.mark.long)])
def test_with_both_ears_at_once_the_events_are_each_ears_own_sounds(at_once: int, export: Export, tmp_path: Path) -> None:
    run = searched(tmp_path / "both", 30.0, at_once)
    answers = json.loads((run / "run.json").read_text(encoding="utf-8"))["search"]["conditions"]
    cells = [cell for one in answers for cell in one["cells"]]
    tags = [tag.replace("2000Hz", f"{hz}Hz") for hz in FREQUENCIES_HZ[:at_once] for tag in TAGS]
    accepted = {tag: cell["accepted"] for tag, cell in zip(tags, cells, strict=True) if cell["accepted"]}
    assert len({tag.rpartition("/")[0] for tag in accepted}) == 2 * at_once
    export("bids", run, out=tmp_path / "set")
    (table,) = (tmp_path / "set").rglob("*_events.tsv")
    rows = [row for row in rows_of(table) if row["trial_type"].startswith("stimulus/")]
    assert Counter(row["trial_type"] for row in rows if row["status"] == "accepted") == accepted
    assert {row["ear"] for row in rows} == set(EARS)
    plan = load_run_plan(run / "plan.toml")
    assert plan.sound is not None
    both = plan.sound.both_ears
    assert both is not None
    for ear, sound in ((ear, sound) for ear in EARS for sound in range(at_once)):
        onsets_s = both.ear(ear, sound).onsets(16 * 100) / plan.sound.sample_rate_hz
        own = [row for row in rows if row["ear"] == ear and f"/{FREQUENCIES_HZ[sound]}Hz/" in row["trial_type"]]
        late_s = [float(row["onset"]) - onsets_s[np.argmin(np.abs(onsets_s - float(row["onset"])))] for row in own]
        assert len(own) > 160
        assert np.ptp(late_s) < 3 / 8000.0  # every event is a sound of its ear, to a sample or two of the EEG
