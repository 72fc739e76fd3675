"""A report: what it says, that user text stays text, that the same runs give the same bytes, and why none can be made."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.hearing.tables import HearingError
from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.form import Drawing, Heading, Pairs, Table, Text
from quietfloor.monitor.report.html import escaped, figure_of, page_of, report_html
from quietfloor.monitor.report.make import make_report
from quietfloor.monitor.report.material import ReportError, read_material
from quietfloor.monitor.report.methods import Facts, methods, numbers, runs_words
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pdf import A4_INCH, BOTTOM_INCH, WIDTH_INCH, Pages, column_widths, folded, report_pdf, width_inch
from quietfloor.monitor.report.pictures import Area, Picture
from quietfloor.monitor.report.record import report_text

ROOT = Path(__file__).parents[2]
VOID = {"meta", "img", "br", "link", "input"}


class Page(HTMLParser):
    """Elements with their attributes and text; every tag is closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open and "svg" not in self.open:
            self.text.append(data)

    @property
    def drawn(self) -> list[str | None]:
        """What each picture shows, in words; each is there twice, for a page and for a phone."""
        broad, narrow = (
            [attributes["aria-label"] for tag, attributes in self.tags if tag == "svg" and attributes.get("class") == look]
            for look in ("broad", "narrow")
        )
        assert broad == narrow
        return broad

    @property
    def said(self) -> str:
        return " ".join(" ".join(self.text).split())


def page_words(report: Report) -> str:
    """What the page says. Its pictures are drawn, but not written: each would take as long as all words."""
    blocks = blocks_of(report)
    for block in blocks:
        if isinstance(block, Drawing):
            figure_of(block)
    return Page(page_of(report.title, [block for block in blocks if not isinstance(block, Drawing)])).said


@pytest.fixture(scope="module")
def report(made_session: Path) -> Report:
    return make_report(read_material(made_session, ["stapells-2000"]), suggest_marks=True)


@pytest.fixture(scope="module")
def page(report: Report) -> Page:
    return Page(report_html(report))


@pytest.fixture(scope="module")
def pdf(report: Report) -> bytes:
    return report_pdf(report)


def test_words_do_not_depend_on_whether_pictures_are_written(page: Page, report: Report) -> None:
    assert page_words(report) == page.said


def test_cautions_come_first(page: Page) -> None:
    order = ("This is not a medical device", "What changes a conclusion", "Thresholds", "Averages", "Methods, for a paper")
    assert [page.said.index(said) for said in order] == sorted(page.said.index(said) for said in order)
    assert "Sound can harm hearing" in page.said


def test_what_is_not_known_to_be_this_ears_is_said_first(page: Page, report: Report) -> None:
    told = (
        "Right ear, 2000 Hz tone burst by air: masking was due and was not given, or is not known to be enough: the response is "
        "not known to be this ear's, and the threshold of this ear may be higher."
    )
    assert page.said.index("What changes a conclusion") < page.said.index(told) < page.said.index("Thresholds")
    right, left = json.loads(report_text(report))["ladders"]
    assert (right["threshold"]["whose"], left["threshold"]["whose"]) == ("not known to be this ear's", "this ear's")


def test_every_part_is_there(page: Page) -> None:
    for said in (
        "50 dB nHL, none at 40 (95 %: 38 to 52)",
        "clear response by guidance",
        "no masking, although it was due",
        "about 40 dB eHL",
        "licensed professional",
        "at most 1 false alarm in 100 runs",
        "not verified: no timing certificate",
        "virtual-earphone",
        "state of the electrodes was not kept",
        "Run 1 (60 dB nHL, response): she woke up",
        "electrode replaced",
        "Lost samples: 0",
        "Error rate of a ladder by these rules: where nothing is heard, at most 5.9 % of ladders meet a false response",
        "Elberling",
    ):
        assert said in page.said, said
    v, other = (
        re.sub(r"\d+\.\d+|\d+ \(\d+ to \d+\) nV", "n", str(text)) for text in page.drawn if "of wave V" in str(text)
    )
    assert v == other.replace("40 dB", "50 dB") == "Latency and amplitude of wave V against level: 50 dB nHL n (n to n) ms, n"
    assert [text for text in page.drawn if "of wave V" not in str(text)] == [
        "Audiogram: Right ear, 2000 Hz tone burst by air 40 dB eHL",
        "Averages at 50 dB nHL, 40 dB nHL, one above the other; threshold 50 dB nHL",
        "Averages at 40 dB nHL, 40 dB nHL, muted control, one above the other; threshold at most 40 dB nHL",
        "Levels of the runs in order, with what each found: 50 dB nHL, none at 40 (95 %: 38 to 52); not known to be "
        "this ear's",
        "Levels of the runs in order, with what each found: at most 40 dB nHL, with nothing decided below (95 %: below 44)",
    ]


def test_what_users_wrote_stays_text(report: Report, page: Page) -> None:
    text = report_html(report)
    assert not {tag for tag, _ in page.tags} & {"script", "img", "b", "iframe", "object"}
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
    assert "<script>alert('a')</script> & \"b\" $\\frac{x$ <img src=x onerror=y>" in page.said
    assert "S07 <script>alert(1)</script>" in page.said
    assert "\x07" not in text
    assert escaped("a\x00\x1f\"'<&\ud800") == "a  &quot;&#x27;&lt;&amp; "


def test_the_file_needs_nothing_else(page: Page) -> None:
    links = [value for _, attributes in page.tags for name, value in attributes.items() if name in ("src", "href", "xlink:href")]
    assert all(value is not None and value.startswith("#") for value in links)
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert {str(link)[1:] for link in links} <= set(ids)


def test_the_same_runs_give_the_same_bytes(made_session: Path, report: Report, pdf: bytes) -> None:
    again = make_report(read_material(made_session, ["stapells-2000"]), suggest_marks=True)
    assert report_html(report) == report_html(again)
    assert pdf == report_pdf(again)
    assert report_text(report) == report_text(again)


def test_the_pdf_has_pages_of_a4(pdf: bytes) -> None:
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")
    assert len(re.findall(rb"/Type /Page\b", pdf)) == int(re.findall(rb"/Count (\d+)", pdf)[0]) >= 5
    sizes = {tuple(round(float(n)) for n in box.split()[2:]) for box in re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)}
    assert sizes == {(595, 842)}
    assert b"CreationDate" not in pdf


def test_a_picture_is_made_flatter_to_fit_a_page_but_never_flatter_than_can_be_read() -> None:
    drawn: list[Area] = []
    picture = Drawing("levels", Picture(3.0, 1.5, lambda figure, area: drawn.append(area)))
    pages = Pages("title")
    for up_to_inch in (0.0, 2.0, 1.6, 1.4):
        pages.y = A4_INCH[1] - BOTTOM_INCH - up_to_inch if up_to_inch else pages.y
        pages.put(picture, ())
    assert [round(height, 6) for *_, height in drawn] == [3.0, 2.0, 1.6, 3.0]
    assert min(bottom for _, bottom, *_ in drawn) >= BOTTOM_INCH - 1e-6
    assert len(pages.finished()) == 2


def test_a_heading_goes_to_the_page_of_its_picture() -> None:
    picture = Drawing("levels", Picture(3.0, 1.5, lambda figure, area: None))
    pages = Pages("title")
    pages.y = A4_INCH[1] - BOTTOM_INCH - 2.0  # heading and sentences would fit, the picture would not
    for place, block in enumerate(blocks := (Heading("Waveforms", 2), Text("Words. " * 40), Heading("Right ear", 3), picture)):
        pages.put(block, blocks[place + 1 :])
    first, _ = pages.finished()
    assert [text.get_text() for text in first.texts] == ["title · not a medical device", "1 of 2"]


def test_the_report_says_which_session_and_where_it_is(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(session.parent))
    monkeypatch.setenv("USERPROFILE", str(session.parent))
    (facts,) = [block for block in blocks_of(make_report(read_material(session))) if isinstance(block, Pairs)]
    assert facts.items[-2:] == (("Session", "Check <b>one</b>"), ("Folder", "~/s07"))


def test_lines_and_columns_of_the_pdf_fit() -> None:
    for line in folded("a word and " + "averylongword" * 20 + " end", 2.0, 8.0):
        assert width_inch(line, 8.0) <= 2.0
    assert folded("", 2.0, 8.0) == [""]
    table = Table(("run", "what", "why"), (("1", "long " * 40, "x" * 300),))
    assert sum(column_widths(table, 7.0)) + 0.2 <= WIDTH_INCH + 1e-6


def test_json_has_the_keys_of_the_docs(report: Report) -> None:
    content = json.loads(report_text(report))
    section = (ROOT / "docs/file-formats.md").read_text(encoding="utf-8").split("## report.json")[1].split("\n## ")[0]
    table = [line for line in section.splitlines() if line.startswith("| `")]
    documented = {name for line in table for name in re.findall(r"`(\w+)`", line.split("|")[1])}
    assert documented == set(content)
    right = content["ladders"][0]
    assert right["threshold"]["level_db_nhl"] == 50.0
    assert [level["runs"] for level in right["levels"]] == [[2, 3], [4, 5]]
    assert [mark["wave"] for mark in right["levels"][0]["marks"]["marks"]] == ["V", "trough"]
    assert right["levels"][0]["replicates"]["guidance"] == "clear response"
    assert content["runs"][0]["discarded"].startswith("she woke up")
    assert content["hearing"]["estimates"][0]["level_db_ehl"] == 40.0
    assert [row["run"] for row in content["masking"] if row["due"]] == [2, 3]
    assert content["methods"]["settings"]["floor_nv"] == [{"value": 30.0, "runs": [1, 2, 3, 4, 5, 6, 7]}]
    assert len(content["methods"]["settings"]["identity"][0]["value"]) == 12
    assert content["methods"]["discarded"][0]["run"] == 1
    assert content["methods"]["text"] == report.methods.text


@pytest.mark.parametrize(("alpha", "said"), [(1e-6, "1e-06"), (0.0004, "0.0004"), (0.01, "0.01"), (0.0125, "0.0125")])
def test_no_error_rate_is_rounded_to_nothing(alpha: float, said: str) -> None:
    told = methods([Facts(1, {"verdict": "inconclusive", "stream": {}, "alpha": alpha}, {})])
    assert f"with alpha = {said} for the whole run" in told.text


def test_methods_tell_every_value_with_its_runs(report: Report) -> None:
    told = report.methods.text
    assert "37.1/s (runs 1-5); 47.1/s (runs 6, 7)" in told
    assert "levels were 40, 50, 60 dB nHL" in told
    assert "Muted as a control: run 7" in told
    assert "unknown" not in told.replace("seed unknown", "")  # the seed is in the plan of a run that we played
    assert "in alternating polarity (which one began each 16 sweeps was drawn at random: " in told
    bare = methods([Facts(1, {"verdict": "inconclusive", "stream": {}}, {})])
    assert "first bets" not in bare.text
    after = Facts(2, {"rule": {"name": "evidence"}}, {"analysis": {"earlier": {"run": "run-001"}}})
    said = methods([Facts(1, {"rule": {"name": "evidence"}}, {}), after]).text
    assert "The first bets were on the response of an earlier run of the same ear, recorded before: none (run 1); run-001" in said
    assert "made by other equipment" in bare.text
    assert "no error rate" in bare.text
    assert (numbers([7, 1, 2, 3]), numbers([1, 2]), runs_words([4])) == ("1-3, 7", "1, 2", "run 4")
    with pytest.raises(ValueError, match="no run"):
        methods([])


def test_no_table_no_hearing_levels(made_session: Path) -> None:
    report = make_report(read_material(made_session))
    page = Page(report_html(report))
    assert "Not estimated: no table was chosen" in page.said
    assert "eHL" not in page.said
    assert "No waves are marked: none were placed by hand, and --marks was not asked for" in page.said
    assert json.loads(report_text(report))["hearing"] is None


def test_marks_by_hand_are_shown_always(session: Path, report: Report) -> None:
    marks = report.ladders[0].levels[0].marks
    (session / "run-002" / "marks.json").write_text(json.dumps(marks.without("trough").record()), encoding="utf-8")
    level = make_report(read_material(session)).ladders[0].levels[0]
    assert [mark.wave for mark in level.marks.marks] == ["V"]


def test_a_plain_folder_of_runs_will_do(
    session: Path, tmp_path: Path, make_run: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "plain"
    for name in ("run-002", "run-004"):
        shutil.copytree(session / name, folder / name)
    make_run(folder, None, nv=400.0, seed=5)
    (folder / "run-009").mkdir()
    (folder / "run-002" / "check.json").write_text(
        json.dumps({"findings": [{"group": "electrodes", "subject": "Cz", "about": "hum", "said": "3 uV", "severity": "look"}]})
    )
    assert main(["report", str(folder), "--json", "--marks", "--out", str(tmp_path / "out")]) == 0
    found = json.loads(capsys.readouterr().out)
    titles = [ladder["title"] for ladder in found["ladders"]]
    assert titles == ["Right ear, 2000 Hz tone burst by air", "Sound of other equipment"]
    assert found["rules"] is None
    assert found["left_out"] == ["run-009 left no result: it holds no recording"]
    said = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8")).said
    assert "Cz: hum: 3 uV (look)" in said
    assert "level not known" in said
    assert json.loads((tmp_path / "out" / "report.json").read_text()) == {k: v for k, v in found.items() if k != "files"}
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF-")


def test_a_run_without_an_average_is_named(session: Path) -> None:
    (session / "run-003" / "average.csv").unlink()
    page = Page(report_html(make_report(read_material(session), suggest_marks=True)))
    assert "run 3 is not drawn: it left no average" in page.said


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda s: s / "nowhere", "is no folder"),
        (lambda s: s / "run-002", "is a single run: give the folder that holds it"),
        (lambda s: _empty(s), "holds no finished run"),
    ],
)
def test_errors_name_what_is_missing(session: Path, make: Any, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder = make(session)
    with pytest.raises(ReportError, match=said):
        read_material(folder)
    assert main(["report", str(folder)]) == 2
    assert said in capsys.readouterr().err


def _empty(session: Path) -> Path:
    (session.parent / "empty" / "run-001").mkdir(parents=True)
    return session.parent / "empty"


def test_unknown_tables_and_damage_are_named(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(HearingError, match=r"--table: .*nonsense"):
        read_material(session, ["nonsense"])
    (session / "run-003" / "run.json").write_text("{", encoding="utf-8")
    assert any("run-003" in text for text in read_material(session).left_out)
    assert main(["report", str(session), "--out", str(session / "run-002" / "run.json")]) == 1
    assert "choose another --out" in capsys.readouterr().err


def test_what_runs_hold_together_and_none_alone_is_said(session: Path) -> None:
    for number in (4, 5):
        path = session / f"run-00{number}" / "run.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | {"evidence": 1.5}), encoding="utf-8")
    said = page_words(make_report(read_material(session)))
    assert "evidence of all together 3.0 (2.0 needed). No run alone found a response, but together" in said
    assert said.count("No run alone found a response") == 1


def test_a_sound_that_the_ceiling_held_down_is_said(session: Path) -> None:
    path = session / "run-002" / "run.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["stimulus"]["limited_samples"] = 12
    path.write_text(json.dumps(record), encoding="utf-8")
    said = page_words(make_report(read_material(session)))
    assert "Run 2: the output ceiling held down 12 samples of the sound" in said


def test_an_upper_limit_is_rounded_up_as_in_the_reason_of_its_run(session: Path) -> None:
    path = session / "run-002" / "run.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(record | {"upper_limit_nv": 97.2}), encoding="utf-8")
    tables = (block for block in blocks_of(make_report(read_material(session))) if isinstance(block, Table))
    (table,) = (table for table in tables if "limit, nV" in table.head)
    at = table.head.index("limit, nV")
    assert [row[at] for row in table.rows if row[0] == "2"] == ["98"]


def test_a_run_for_growth_is_shown_apart(session: Path) -> None:
    state = json.loads((session / "session.json").read_text())
    state["runs"]["2"] = {"purpose": "growth", "why": "to see growth", "discarded": None, "discarded_at": None, "notes": []}
    (session / "session.json").write_text(json.dumps(state), encoding="utf-8")
    report = make_report(read_material(session), suggest_marks=True)
    labels = [level.label for level in report.ladders[0].levels]
    assert labels == ["50 dB nHL, run for the intensity function", "50 dB nHL", "40 dB nHL"]
    said = page_words(report)
    assert "no masking; due for a threshold, not for a latency/amplitude-intensity function alone" in said
    assert "Run 2: to see growth" in said
