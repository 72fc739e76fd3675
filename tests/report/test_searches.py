"""A report of a search: its answers, its levels on one scale, the order in which they were played; what damaged files leave."""

from __future__ import annotations

import csv
import json
import math
import shutil
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.monitor.report.form import Drawing
from quietfloor.monitor.report.html import figure_of, report_html
from quietfloor.monitor.report.make import make_report
from quietfloor.monitor.report.material import read_material
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pdf import report_pdf
from quietfloor.monitor.report.record import report_text
from quietfloor.monitor.report.search_pictures import order_picture
from quietfloor.monitor.report.searches import interval_words, threshold_words
from quietfloor.monitor.review.search_record import read_search, spans
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.waves.marks import Estimate, Mark, Marks
from tests.report.test_report import Page, page_words
from tests.searched import LEVELS, searched


@pytest.fixture
def folder(search_run: Path, tmp_path: Path) -> Path:
    """A folder with one search of two ears, to be changed."""
    return Path(shutil.copytree(search_run.parent, tmp_path / "searches"))


@pytest.fixture(scope="module")
def report(search_run: Path) -> Report:
    return make_report(read_material(search_run.parent), suggest_marks=True)


@pytest.fixture(scope="module")
def html(report: Report) -> str:
    return report_html(report)


def record_of(folder: Path) -> Any:
    return json.loads((folder / "run-001" / "run.json").read_text(encoding="utf-8"))


def rewritten(folder: Path, change: Callable[[Any], None]) -> None:
    record = record_of(folder)
    change(record)
    (folder / "run-001" / "run.json").write_text(json.dumps(record), encoding="utf-8")


def said_of(folder: Path) -> str:
    return page_words(make_report(read_material(folder)))


def test_answers_of_both_ears_are_told(search_run: Path, report: Report, html: str) -> None:
    page = Page(html)
    for one in record_of(search_run.parent)["search"]["conditions"]:
        assert f"Run 1: {one['words']}." in page.said
        assert f"{one['ear'].capitalize()} ear, 2000 Hz octave chirp by air, run 1: {one['hidden']}." in page.said
    assert "No run belongs to a ladder" not in page.said
    assert "Run 1, left ear, 2000 Hz octave chirp by air: no noise in the other ear at any level that was played." in page.said
    assert "search 0.01 a response by mistake in at most 1 of 100 searches of a condition" in page.said
    assert "At 0:" in page.said
    assert "go to 50 dB nHL, left ear, 2000 Hz octave chirp by air (she stirs)" in page.said
    drawn = [str(name) for name in page.drawn]
    assert drawn.count("Levels of run 1 in the order in which they were played") == 2
    assert sum(name.startswith("Latency and amplitude of wave V against level") for name in drawn) == 2
    assert [name.split(";")[0] for name in drawn if name.startswith("Averages at ")] == [
        f"Averages at {', '.join(level.label for level in ladder.levels)}, one above the other" for ladder in report.ladders
    ]
    kept = record_of(search_run.parent)["search"]["conditions"]
    assert [name.rsplit("; ", 1)[1] for name in drawn if name.startswith("Averages at ")] == [
        f"threshold {one['threshold_db_nhl']:.0f} dB nHL, not settled" for one in kept
    ]


def test_levels_have_the_averages_of_the_file_and_its_halves(search_run: Path, report: Report) -> None:
    with (search_run / "cells.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    right, left = report.ladders
    assert {level.cell.number for one in (right, left) for level in one.levels if level.cell is not None} == {
        int(row["cell"]) for row in rows
    }
    for level in (*right.levels, *left.levels):
        assert level.cell is not None
        own = [row for row in rows if int(row["cell"]) == level.cell.number]
        assert LEVELS[level.cell.number % len(LEVELS)] == level.level_db_nhl
        for curve, column in ((level.average_nv, "average_uv"), *((half[2], name) for half, name in zip(
            level.curves_nv, ("a_uv", "b_uv"), strict=True))):  # fmt: skip
            np.testing.assert_allclose(curve, [1e3 * float(row[column]) for row in own], rtol=1e-12)
    assert [level.level_db_nhl for level in right.levels] == sorted((level.level_db_nhl for level in right.levels), reverse=True)


def test_what_was_played_adds_up_to_the_recording(search_run: Path) -> None:
    folder = RunFolder(search_run)
    search = read_search(folder, folder.read_record())
    assert search is not None
    assert search.missing == ()
    units = [event for event in folder.read_events() if event["type"] == "cell_unit"]
    assert len(search.played) == len(units)
    heard = [unit for unit in search.played if unit.condition is not None]
    silence = 2 * len(LEVELS)
    assert sum(event["cell"] == silence for event in units) == len(units) - len(heard) > 3  # the pause
    assert Counter((unit.condition, unit.level_db_nhl) for unit in heard) == Counter(
        (event["cell"] // len(LEVELS), LEVELS[event["cell"] % len(LEVELS)]) for event in units if event["cell"] != silence
    )
    presented = {(place, cell.level_db_nhl): cell.presented for place, one in enumerate(search.conditions) for cell in one.cells}
    assert presented == {key: 16 * sum(unit.condition == key[0] and unit.level_db_nhl == key[1] for unit in search.played)
                         for key in presented}  # fmt: skip
    stretches = sorted(span for place in (0, 1) for span in spans(search.played, place))
    holes = [after[0] - before[1] for before, after in pairwise(stretches)]
    assert sum(hole > 0 for hole in holes) == 1  # one pause, of about 2 seconds
    assert min(holes) == 0
    assert 1.0 < max(holes) < 4.0
    assert stretches[-1][1] == search.played[-1].seconds


def test_the_picture_shows_each_stretch_and_each_order(report: Report) -> None:
    search = report.material.runs[0].search
    assert search is not None
    (axes,) = figure_of(Drawing("", order_picture(search, 1))).axes
    lines = [line.get_xydata() for line in axes.lines if line.get_linewidth() == 4.0]
    drawn = [(60 * x[0][0], 60 * x[1][0], x[0][1]) for x in lines]
    np.testing.assert_allclose(drawn, list(spans(search.played, 1)))
    assert [text.get_text() for text in axes.texts] == ["pause", "go on", "go to"]
    other = figure_of(Drawing("", order_picture(search, 0))).axes[0]
    assert [text.get_text() for text in other.texts] == ["pause", "go on"]


def test_json_and_methods(search_run: Path, report: Report) -> None:
    content = json.loads(report_text(report))
    (one,) = content["searches"]
    kept = record_of(search_run.parent)["search"]
    for told, answer in zip(one["conditions"], kept["conditions"], strict=True):
        for key in ("threshold_db_nhl", "low_db_nhl", "high_db_nhl", "found_db_nhl", "beyond", "finished", "seconds"):
            assert told[key] == answer[key], key
        assert [cell["upper_limit_nv"] for cell in told["cells"]] == [cell["upper_limit_nv"] for cell in answer["cells"]]
    assert [order["order"] for order in one["orders"]] == ["pause", "go_on", "go_to"]
    assert len(one["choices"]) == sum(event["type"] == "choice" for event in RunFolder(search_run).read_events())
    text = content["methods"]["text"]
    sweeps = sum(cell["presented"] for answer in kept["conditions"] for cell in answer["cells"])
    for said in (
        "presented to the right and left ear", f"{sweeps} sweeps were presented", "Thresholds of run 1 were searched",
        "at most 10 dB wide", "a probability of at most 0.01, all its levels and looks together", "15 nV RMS",
        "changed the order of levels in run 1", "no masking noise",
    ):  # fmt: skip
        assert said in text, said
    assert "decided by the rule" not in text


def test_the_model_fitted_again_believes_what_the_search_believed(search_run: Path, report: Report, html: str) -> None:
    kept = record_of(search_run.parent)["search"]["conditions"]
    (told,) = json.loads(report_text(report))["searches"]
    for one, answer in zip(told["conditions"], kept, strict=True):
        low, middle, high = one["model"]["threshold_db_nhl"]
        assert abs(middle - answer["threshold_db_nhl"]) <= 5.0
        assert low <= answer["threshold_db_nhl"] <= high
        latency_ms, amplitude_nv = (np.array(one["model"][key]) for key in ("latency_ms", "amplitude_nv"))
        assert latency_ms.shape == amplitude_nv.shape == (3, len(LEVELS))
        assert np.all(np.diff(latency_ms, axis=1) <= 0)  # louder, sooner
        assert np.all(np.diff(latency_ms, axis=0) >= 0)
    said = Page(html).said
    assert "fitted once more to the averages that are kept" in said


def test_without_the_plan_the_model_is_not_known_and_the_rest_is_told(folder: Path) -> None:
    plan = folder / "run-001" / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("    10.0,\n", "    5.0,\n"), encoding="utf-8")
    told = said_of(folder)
    assert "Run 1: what its model believes of wave V at each level is not known: " in told
    for one in record_of(folder)["search"]["conditions"]:
        assert f"Run 1: {one['words']}." in told


@pytest.mark.long  # a session does so in test_report
def test_the_same_search_gives_the_same_bytes(search_run: Path, report: Report, html: str) -> None:
    again = make_report(read_material(search_run.parent), suggest_marks=True)
    assert report_html(again) == html
    assert report_pdf(again) == report_pdf(report)


@pytest.mark.parametrize(
    ("low", "middle", "high", "beyond", "said"),
    [
        (28.0, 32.0, 37.0, None, ("32", "28 to 37")),
        (48.0, None, None, "above", ("above 60", "48 or more")),
        (None, 5.0, 9.0, "below", ("below 10", "at most 9")),
        (None, None, None, None, ("not known", "not known")),
    ],
)
def test_answers_beyond_the_levels(folder: Path, low: Any, middle: Any, high: Any, beyond: Any, said: tuple[str, str]) -> None:
    def change(record: Any) -> None:
        record["search"]["conditions"][0] |= {
            "low_db_nhl": low, "threshold_db_nhl": middle, "high_db_nhl": high, "beyond": beyond,
        }  # fmt: skip

    rewritten(folder, change)
    search = read_material(folder).runs[0].search
    assert search is not None
    assert (threshold_words(search.conditions[0]), interval_words(search.conditions[0])) == said


def test_noise_in_the_other_ear_is_told(folder: Path) -> None:
    def change(record: Any) -> None:
        record["search"]["conditions"][0]["cells"][3]["masking_db_em"] = 45.0

    rewritten(folder, change)
    report = make_report(read_material(folder))
    assert "40 dB nHL, other ear masked (noise 45 dB EM)" in [level.label for level in report.ladders[0].levels]
    assert "noise of 45 dB EM in the other ear from 40 dB nHL on" in page_words(report)
    assert "masking noise in the other ear: 45 to 45 dB EM at those levels of a search that need it" in report.methods.text


def test_marks_by_hand_on_a_level_are_shown_always(folder: Path) -> None:
    mark = Mark("V", Estimate(9.9, 9.5, 10.3), Estimate(110.0, 40.0, 180.0), "operator", 50.0)
    number = make_report(read_material(folder)).ladders[1].levels[-1].cell
    assert number is not None
    path = folder / "run-001" / f"marks-cell-{number.number}.json"
    path.write_text(json.dumps(Marks((mark,)).record()), encoding="utf-8")
    report = make_report(read_material(folder))
    assert [level.marks.marks for level in report.ladders[1].levels if level.marks.marks] == [(mark,)]
    said = page_words(report)
    assert "10 dB nHL V 9.90 (9.50 to 10.30)" in said
    assert "a person" in said


def _cut(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: len(text) // 2] + "\nnonsense", encoding="utf-8")


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda run: (run / "cells.csv").unlink(), "averages of its levels are not known: it holds no cells.csv"),
        (lambda run: _cut(run / "cells.csv"), "averages of its levels are not known"),
        (lambda run: (run / "events.jsonl").unlink(), "the order of its levels is not known: it holds no events.jsonl"),
        (lambda run: (run / "marks-cell-1.json").write_text("{}"), "marks on its levels are not known"),
        (lambda run: (run / "events.jsonl").write_text('{"type":"cell_unit","sample":1,"cell":99}\n'), "99 is missing"),
    ],
)
def test_what_damaged_files_leave_is_told(folder: Path, damage: Callable[[Path], object], said: str) -> None:
    damage(folder / "run-001")
    told = said_of(folder)
    assert f"Run 1: {said}" in told or said in told
    for one in record_of(folder)["search"]["conditions"]:
        assert f"Run 1: {one['words']}." in told


@pytest.mark.parametrize("value", [{}, {"conditions": []}, {"conditions": [{"cells": "x"}]}])
def test_answers_that_cannot_be_read_are_named(folder: Path, value: Any) -> None:
    rewritten(folder, lambda record: record.update(search=value))
    told = said_of(folder)
    assert "its answers in run.json cannot be read" in told
    assert "2026-01-15 10:00 (UTC+0000)" in told
    assert "Thresholds of run 1 were searched" in told


@pytest.mark.parametrize(
    ("where", "value"),
    [
        ("level_db_nhl", 1e18), ("level_db_nhl", "loud"), ("presented", None), ("residual_noise_nv", "x"), ("cell", []),
        ("masking_db_em", "x"), ("evidence", True), ("residual_noise_nv", 1e-300),
    ],
)  # fmt: skip
def test_cells_of_another_kind_are_no_cells(folder: Path, where: str, value: Any) -> None:
    rewritten(folder, lambda record: record["search"]["conditions"][0]["cells"][-1].update({where: value}))
    assert "its answers in run.json cannot be read" in said_of(folder)


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("events.jsonl", '"order":"go_to","condition":1', '"order":"go_to","condition":1.0', "an order is of condition 1.0"),
        ("events.jsonl", '"order":"go_to","condition":1', '"order":"go_to","condition":7', "an order is of condition 7"),
        ("cells.csv", "\n3,-4.0,", "\n3,,", "has times of cell 3 that do not rise"),
    ],
)
def test_what_contradicts_itself_in_a_file_is_told(folder: Path, name: str, old: str, new: str, said: str) -> None:
    path = folder / "run-001" / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert said in said_of(folder)


def test_an_average_without_noise_is_not_drawn(folder: Path) -> None:
    def change(record: Any) -> None:
        for cell in record["search"]["conditions"][0]["cells"]:
            cell["residual_noise_nv"] = None

    rewritten(folder, change)
    right, left = make_report(read_material(folder), suggest_marks=True).ladders
    assert all(math.isnan(level.noise_nv) and "is not drawn" in level.untold[0] for level in right.levels)
    assert all(level.noise_nv > 0 for level in left.levels)


def test_a_session_states_the_thresholds_of_its_searches_and_a_discarded_one_counts_no_more(folder: Path) -> None:
    plan = {
        "subject": {"pseudonym": "S08", "age_group": "adult"},
        "condition": [{"ear": ear, "stimulus": "octave-chirp", "frequency_hz": 2000} for ear in ("right", "left")],
        "run": {"sound": {"calibration": str(VIRTUAL_EARPHONE), "rate_per_s": 39.1}},
    }  # fmt: skip

    def finished(record: Any) -> None:
        record |= {"verdict": "searched", "stopped_by": "search"}
        for one, level in zip(record["search"]["conditions"], (21.7, 32.0), strict=True):
            one |= {"finished": True, "threshold_db_nhl": level, "low_db_nhl": level - 4, "high_db_nhl": level + 4}
            one |= {"found_db_nhl": 40.0, "beyond": None, "words": f"threshold {level:.0f} dB nHL (95 %: of this test)"}

    rewritten(folder, finished)
    session = Session.begin(folder, make_session_plan(plan))
    report = make_report(read_material(folder))
    assert [(one.threshold.method, one.threshold.level_db_nhl) for one in report.ladders if one.threshold is not None] == [
        ("search", 22.0), ("search", 32.0),
    ]  # fmt: skip
    page = Page(report_html(report))
    assert "threshold 22 dB nHL (95 %: of this test)" in page.said
    assert "The threshold of a search is where the response begins." in page.said
    assert "Ladders went in steps" not in page.said
    drawn = [name or "" for name in page.drawn]
    assert not [name for name in drawn if name.startswith("Levels of the runs in order")]
    assert "no response larger than" in page.said
    session.note(1, "asleep")
    session.discard(1, "probe fell out")
    said = page_words(make_report(read_material(folder)))
    assert "threshold 22 dB nHL" not in said
    assert "no response larger than" not in said.split("Runs run")[0].split("Searches", 1)[1]
    assert "18 to 26 40 discarded" in said
    assert "asleep" in said
    assert "probe fell out" in said
    assert "1 finished, 1 of them discarded" in said
    assert "Right ear, 2000 Hz octave chirp by air and 1 more condition: next a search" in said


def test_that_both_ears_heard_sounds_at_once_is_told(tmp_path: Path, html: str) -> None:
    run = searched(tmp_path / "both", 30.0, at_once=1)
    record = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert record["stimulus"]["together"] is True
    said = said_of(run.parent)
    assert "In run 1 both ears heard sounds at once: each ear had levels, units and a choice of its own." in said
    for one in record["search"]["conditions"]:
        assert f"Run 1: {one['words']}." in said
    assert "both ears heard sounds at once" not in Page(html).said  # one ear at a time
