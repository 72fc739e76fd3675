"""The first page of a report: whose it is, every caution that changes a conclusion, thresholds, audiogram."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.plan.run_plan import make_sound_plan
from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.cautions import Caution, cautions_of
from quietfloor.monitor.report.form import Block, Drawing, Heading, Pairs, Points, Table, Text
from quietfloor.monitor.report.front import front
from quietfloor.monitor.report.html import report_html
from quietfloor.monitor.report.make import make_report
from quietfloor.monitor.report.material import read_material
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pdf import A4_INCH, BOTTOM_INCH, pages_of
from quietfloor.monitor.report.record import report_text
from quietfloor.monitor.review.marked_run import read, several
from quietfloor.monitor.waves.norms_file import load_norms
from tests.report.test_report import Page, page_words


def changed(session: Path, number: int, **keys: Any) -> None:
    """Keys of a run.json replaced; a key of its table ``stimulus`` or ``timing`` as stimulus__key."""
    path = session / f"run-00{number}" / "run.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for key, value in keys.items():
        table, _, inner = key.partition("__")
        if inner:
            record[table][inner] = value
        else:
            record[key] = value
    path.write_text(json.dumps(record), encoding="utf-8")


def told(session: Path) -> list[str]:
    return [one.sentence for one in cautions_of(make_report(read_material(session)))]


@pytest.fixture(scope="module")
def report(made_session: Path) -> Report:
    return make_report(read_material(made_session, ["stapells-2000"]), suggest_marks=True)


def test_a_caution_says_of_what_it_is_and_what_it_changes(report: Report) -> None:
    assert Caution(("run 1", "run 2"), "it rained", "nothing").sentence == "Run 1; run 2: it rained: nothing."
    right, left = "Right ear, 2000 Hz tone burst by air", "Left ear, click by air"
    said = [one.sentence for one in cautions_of(report)]
    assert said[:3] == [
        f"{right}: masking was due and was not given, or is not known to be enough: the response is not known to be this ear's, "
        "and the threshold of this ear may be higher.",
        f"{right}: not settled by the rules of the session: further runs may move the threshold.",
        f"{left} (40 dB nHL was found once, where 2 runs were asked for): nothing was decided below the lowest response: the "
        "threshold may be lower.",
    ]
    assert said[3].startswith("1 of 7 runs was discarded (run 1: she woke up <script>")
    assert said[3].endswith("): no threshold rests on it.")
    assert said[4:] == [
        "Runs 2-7: timing of sound against EEG was not verified (no timing certificate): latencies may be off by a delay that "
        "nobody measured, and a response near an end of the window may be missed.",
        "Runs 2-7: the level of the sound rests on an assumption (measured with the numbers of the bench, flat earphone "
        "assumed): levels in dB nHL may be off.",
        "Runs 2-7: 0 dB nHL is that of ISO 389-6:2007 (from memory): all levels in dB nHL may be off alike.",
        "Runs 2-7: no finished check of the electrodes was kept with the run: the state of the electrodes is not known.",
    ]
    kept = json.loads(report_text(report))["changes_a_conclusion"]
    assert [one["said"] for one in kept] == said
    assert kept[1] == {"of": [right], "what": "not settled by the rules of the session",
                       "changes": "further runs may move the threshold", "said": said[1]}  # fmt: skip


@pytest.mark.parametrize(
    ("number", "keys", "said"),
    [
        (7, {"verdict": "response_present"}, "Run 7: a muted control found a response: other responses here may be electrical"),
        (4, {"stopped_by": "fault"}, "Run 4: ended on a fault: "),
        (2, {"timing__rate_confirmed": False}, "Run 2: the sampling rate of the stream was not confirmed: all times in ms"),
        (2, {"stimulus__stated": True}, "Run 2: ear, sound and level are as the operator of other equipment stated them: "),
        (2, {"stimulus__level_check": {"passed": False}}, "Run 2: the check of the calibration in this session failed: "),
        (2, {"stimulus__reference_source": "a paper (verified); of the usual form of this stimulus, not of this one"},
         "Run 2: 0 dB nHL is that of a paper (verified); of the usual form"),
        (2, {"stimulus__trigger_on_earphone_jack": True}, "Run 2: one earphone served both ears: which ear was tested rests on"),
        (2, {"stimulus__ear": "both"}, "Run 2: both ears heard the same sound: which of them responded is not known"),
        (2, {"stimulus__limited_samples": 12}, "Run 2: the output ceiling held down 12 samples of the sound"),
        (3, {"rule": {"name": "fsp", "promise": None}}, "Run 3: decided by a rule without an error rate: "),
        (3, {"cautions_acknowledged": {"despite": ["Cz: flat"]}}, "Run 3: begun despite: Cz: flat: a response may have been"),
    ],
)
def test_what_else_changes_a_conclusion(session: Path, number: int, keys: dict[str, Any], said: str) -> None:
    before = told(session)
    changed(session, number, **keys)
    assert [text for text in told(session) if text not in before and text.startswith(said)]


def test_verified_timing_and_a_kept_check_leave_no_caution(session: Path) -> None:
    for number in range(1, 8):
        changed(session, number, timing__verified=True, timing__certificate="t", stimulus__level_rests_on="measured")
        bad = number == 2
        found = [
            {"group": "electrodes", "subject": "Cz", "about": "hum", "said": "3 uV", "severity": "ok"},
            {"group": "stream", "subject": "", "about": "rate", "said": "8 kHz", "severity": "look"},
            {"group": "electrodes", "subject": "M1", "about": "flat", "said": "0 uV", "severity": "stop" if bad else "ok"},
        ]
        content = {"findings": found, "acknowledged": {"despite": ["M1: flat"] if bad else []}}
        (session / f"run-00{number}" / "check.json").write_text(json.dumps(content), encoding="utf-8")
    rest = told(session)
    assert not [text for text in rest if "timing" in text or "assum" in text or "no finished check" in text or "Cz" in text]
    assert rest[-2:] == [
        "Run 2: begun despite: M1: flat: a response may have been missed, or its size be wrong.",
        "Run 2: electrode M1, before the run: flat, 0 uV: a response may have been missed, or its size be wrong.",
    ]


@pytest.mark.parametrize(
    "content", ["{", "[]", "{}", '{"findings": 3, "acknowledged": 4}', '{"findings": [3, {"group": "electrodes"}]}',
                '{"format": "quietfloor check 9", "findings": []}'],
)  # fmt: skip
def test_a_damaged_check_leaves_its_run_in_the_report_and_is_said(session: Path, content: str) -> None:
    (session / "run-002" / "check.json").write_text(content, encoding="utf-8")
    material = read_material(session)
    assert (len(material.runs), material.left_out) == (7, ())
    assert any(text.startswith("Run 2: check.json cannot be used (") for text in told(session))


def test_damaged_marks_leave_their_run_in_the_report_and_are_said(session: Path) -> None:
    (session / "run-002" / "marks.json").write_text("{", encoding="utf-8")
    assert not read_material(session).left_out
    assert any(text.startswith("Run 2: marks.json cannot be used (") for text in told(session))


@pytest.mark.parametrize("broken", [
    {"findings": []}, {"failure": "it lost the stream"},
    {"findings": [{"group": "electrodes", "about": "hum", "severity": "wait"}]},
])  # fmt: skip
def test_a_check_that_was_not_finished_says_nothing_of_the_electrodes(session: Path, broken: dict[str, Any]) -> None:
    fine = {"findings": [{"group": "electrodes", "about": "hum", "said": "3 uV", "severity": "ok"}]}
    kept = session / "run-003" / "check.json"
    kept.write_text(json.dumps(fine), encoding="utf-8")
    unknown = "no finished check of the electrodes was kept"
    assert any(text.startswith("Runs 2, 4-7: " + unknown) for text in told(session)), told(session)
    kept.write_text(json.dumps(fine | broken), encoding="utf-8")
    assert any(text.startswith("Runs 2-7: " + unknown) for text in told(session))


def test_same_cautions_of_several_conditions_are_one(search_run: Path) -> None:
    said = [one.sentence for one in cautions_of(make_report(read_material(search_run.parent)))]
    both = "Right ear, 2000 Hz octave chirp by air; Left ear, 2000 Hz octave chirp by air"
    assert said[:2] == [
        f"{both}: which ear responded was not judged, as the runs belong to no session: where masking was due, a response may be "
        "the other ear's.",
        f"{both}: the search in run 1 was ended before it was finished: further runs may move the threshold.",
    ]


def test_operator_site_and_date_are_those_of_the_plans(session: Path, report: Report) -> None:
    def facts(report: Report) -> dict[str, str]:
        (pairs,) = (block for block in front(report) if isinstance(block, Pairs))
        return dict(pairs.items)

    assert facts(report)["Operator"] == facts(report)["Site"] == "not stated in the plan"
    assert facts(report)["Date"] == "2026-01-15 10:01 to 10:07 (UTC+0000)"
    for number in range(1, 8):
        path = session / f"run-00{number}" / "plan.toml"
        who = "MB" if number < 4 else "Žofie <b>"
        text = path.read_text(encoding="utf-8")
        assert 'operator = ""\nsite = ""\n' in text
        path.write_text(text.replace('operator = ""\nsite = ""', f'operator = "{who}"\nsite = "room 2"'), encoding="utf-8")
    changed(session, 7, started="2026-01-16T09:00:00+00:00")
    named = make_report(read_material(session))
    assert facts(named)["Operator"] == "MB (runs 1-3); Žofie <b> (runs 4-7)"
    assert facts(named)["Site"] == "room 2"
    assert facts(named)["Date"] == "2026-01-15 10:01 to 2026-01-16 09:00 (UTC+0000)"
    assert "Žofie &lt;b&gt;" in report_html(named)
    run = json.loads(report_text(named))["runs"][3]
    assert (run["operator"], run["site"]) == ("Žofie <b>", "room 2")
    changed(session, 7, started="yesterday")
    assert facts(make_report(read_material(session)))["Date"] == "2026-01-15T10:01:00+00:00 to yesterday"


def test_thresholds_stand_on_the_first_page_with_their_intervals(report: Report) -> None:
    (table,) = (block for block in front(report) if isinstance(block, Table))
    assert table.rows == (
        ("Right ear, 2000 Hz tone burst by air", "50, not known to be this ear's", "38 to 52", "no", "runs 2-5"),
        ("Left ear, click by air", "at most 40", "below 44", "no", "run 6"),
    )


def words_of(figure: Any) -> str:
    """All text of a page in order, without spaces, as lines are folded; pictures are axes, and their text is not in it."""
    return "".join("".join(text.get_text().split()) for text in figure.texts)


def texts_of(block: Block) -> tuple[str, ...]:
    if isinstance(block, (Heading, Text)):
        return (block.text,)
    if isinstance(block, Points):
        return block.items
    if isinstance(block, Pairs):
        return tuple(text for pair in block.items for text in pair)
    return (*block.head, *(text for row in block.rows for text in row)) if isinstance(block, Table) else ()


def test_the_first_page_of_the_pdf_holds_all_of_the_front(report: Report) -> None:
    first, *rest = pages_of(report)
    said = words_of(first)
    for one in cautions_of(report):
        assert "".join(one.sentence.split()).replace("\x07", "") in said
    assert [axes.get_label() for axes in first.axes] == ["audiogram"]
    assert not [axes for page in rest for axes in page.axes if axes.get_label() == "audiogram"]


def test_a_front_of_many_conditions_and_cautions_stays_on_one_page(report: Report) -> None:
    """Own choice: ten conditions, each with cautions of its own."""
    right = report.ladders[0]
    assert right.threshold is not None
    many = tuple(
        replace(right, title=f"Condition {n} of a session with many of them", threshold=replace(
            right.threshold, notes=(f"note {n}",), level_db_nhl=50.0 + n, whose=right.threshold.whose if n % 2 else ""))
        for n in range(10)
    )  # fmt: skip
    crowded = replace(report, ladders=many)
    assert sum(len(one.of) for one in cautions_of(crowded)) >= 18
    first = pages_of(crowded)[0]
    (chart,) = first.axes
    assert chart.get_label() == "audiogram"
    box = chart.get_position()
    assert box.y0 * A4_INCH[1] >= BOTTOM_INCH - 0.01
    assert box.height * A4_INCH[1] >= 1.7
    assert min(text.get_fontsize() for text in first.texts) >= 5.5


def test_html_and_pdf_carry_the_same_texts(report: Report, search_run: Path) -> None:
    for one in (report, make_report(read_material(search_run.parent), suggest_marks=True)):
        html = "".join(Page(report_html(one)).said.split())
        pdf = "".join(words_of(page) for page in pages_of(one))
        for block in blocks_of(one):
            for text in texts_of(block):
                plain = "".join("".join(letter if letter.isprintable() else " " for letter in text).split())
                assert plain in html, text
                assert plain in pdf or isinstance(block, Table), text
                assert all("".join(word.split()) in pdf for word in text.replace("\x07", " ").split()), text


def test_a_chart_without_tables_is_in_db_nhl_and_says_so(made_session: Path) -> None:
    blocks = tuple(front(make_report(read_material(made_session))))
    drawing = blocks[-1]
    assert isinstance(drawing, Drawing)
    assert drawing.said == "Chart of thresholds: Right ear, 2000 Hz tone burst by air 50 dB nHL"
    said = " ".join(text for block in blocks for text in texts_of(block))
    assert "no hearing levels, as no table to estimate these was chosen" in said
    assert "Not in the chart: Left ear, click by air." in said
    assert "Audiogram" not in said


def test_notes_are_notes_with_number_and_time(session: Path) -> None:
    with (session / "run-005" / "events.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"type": "notice", "what": "note", "text": "she <b>moves", "at_s": 75.4}\n')
        file.write('{"type": "notice", "what": "gap", "text": "no note", "at_s": 80}\n')
        file.write('{"type": "notice", "what": "note", "at_s": null}\n')
    report = make_report(read_material(session))
    blocks = blocks_of(report)
    at = blocks.index(Heading("Notes", 2))
    table = blocks[at + 1]
    assert isinstance(table, Table)
    (first, second) = table.rows
    assert first[:2] == ("1", "run 3")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT.*", first[2])
    assert first[3].startswith("electrode replaced <script>")
    assert second == ("2", "run 5", "1:15 in the run", "she <b>moves")
    assert not [one for one in cautions_of(report) if "electrode replaced" in one.sentence or "moves" in one.sentence]
    kept = json.loads(report_text(report))["runs"]
    assert kept[4]["notes"] == [{"at": "1:15 in the run", "text": "she <b>moves"}]
    (session / "run-005" / "events.jsonl").write_text("nonsense\n", encoding="utf-8")
    (lost,) = make_report(read_material(session)).material.runs[4].notes
    assert lost.text.startswith("events.jsonl cannot be read to its end: notes may be missing (")


def test_without_a_note_this_is_said(make_run: Callable[..., Path], tmp_path: Path) -> None:
    make_run(tmp_path / "plain", None, nv=400.0, seed=5)
    report = make_report(read_material(tmp_path / "plain"))
    said = page_words(report)
    assert "Notes No note was made." in said
    assert "Run 1: the sound was made by other equipment, and nobody stated it: ear, level and kind of sound are not" in said


def test_levels_in_ppe_are_told_in_their_unit_and_compared_with_nothing(
    make_run: Callable[..., Path], tmp_path: Path
) -> None:
    """Two levels of one sound whose reference nobody knows: no ladder in dB nHL, no replicates of each other."""
    sound = {"stimulus": "tone-burst", "frequency_hz": 750, "calibration": str(virtual_calibration()), "rate_per_s": 37.1}
    for number, db in enumerate((90.0, 80.0), 1):
        one = make_sound_plan(sound | {"level_db_ppe_spl": db}, "test")
        make_run(tmp_path / "runs", one, nv=400.0, seed=number)
    report = make_report(read_material(tmp_path / "runs"), suggest_marks=True)
    (ladder,) = report.ladders
    assert (ladder.condition, ladder.threshold, ladder.growth) == (None, None, ())
    assert [level.label for level in ladder.levels] == ["90 dB p-p.e. SPL", "80 dB p-p.e. SPL"]
    assert all(level.published == () for level in ladder.levels)
    said = report_text(report)
    assert "levels were 80, 90 dB p-p.e. SPL" in report.methods.text
    assert "Reference for 0 dB nHL" not in report.methods.text
    assert "the level is in dB p-p.e. SPL, which says how strong the sound is, not how well it is heard" in said
    assert "90 dB nHL" not in said
    assert "80 dB nHL" not in said
    loud, soft = (read(tmp_path / "runs" / name, load_norms()) for name in ("run-001", "run-002"))
    assert several([loud, soft], load_norms()) == []  # neither replicates nor a change per dB of what is published in dB nHL
    assert several([loud, loud], load_norms())[0].startswith("at 90 dB p-p.e. SPL: ")
