"""One nasty text, walked from a stream, a plan and a note to every file and every line that is made of a run."""

from __future__ import annotations

import datetime
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import edfio
import numpy as np
import pytest

from quietfloor.bench.devtools.fuzz_binary import ANALYSIS
from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.export.tables import no_formula
from quietfloor.monitor.formats.xdf import XdfWriter
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.review.import_recording import Wanted, import_recording
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.sources.base import StreamDescription, description_to_xml, marker_description
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.export.conftest import cells

FORMULA = '=HYPERLINK("http://example.invalid")'
NASTY = "<script>alert(1)</script> \" onload='x' &lt; $x^2_{$ [red]x[/red] \u202eback \x9b2J \\frac"
OBEYED = set("\x1b\x9b\u202e\r\x07")
RATE_HZ = 1000.0


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose stream, labels, markers, plan and notes are all nasty."""
    home = tmp_path_factory.mktemp("nasty")
    count = 2500
    labels = (FORMULA, NASTY, "trigger")
    seen = StreamDescription(NASTY, NASTY, NASTY, NASTY, "", 1.0, 3, RATE_HZ, "float32", labels, ("uV", NASTY, ""))
    buffer = io.BytesIO()
    writer = XdfWriter(buffer.write, datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC).isoformat())
    writer.add_stream(1, description_to_xml(seen))
    writer.add_stream(2, description_to_xml(marker_description(NASTY)))
    eeg = np.random.default_rng(1).normal(0, 10, (2, count))
    trigger = (np.arange(count) % 50 < 3) * 100.0
    writer.samples(1, np.vstack([eeg, trigger]).astype(np.float32), 10 + np.arange(count) / RATE_HZ)
    writer.texts(2, [(10.5, NASTY), (10.6, "@SUM(1)"), (10.7, "a\tb\r\nc")])
    (home / "other.xdf").write_bytes(buffer.getvalue())
    stream = {"eeg": ["1", "2"], "trigger": "trigger", "unit": "uV"}
    plan = make_plan({"title": NASTY, "stream": stream, "analysis": ANALYSIS})
    folder = import_recording(home / "other.xdf", home / "session", plan, Wanted()).folder
    done = replay(folder)
    folder.append_event({"type": "notice", "what": "note", "text": NASTY, "at_s": 0.3})
    for event in done.events:
        if event.kept:
            folder.append_event(event.record())
    folder.close()
    now = done.engine.average_now()
    folder.write_average(now.times_ms, *now.columns_uv())
    record = run_record(done.plan, done.verdict, done.engine, stream=done.stream, unit=done.unit, sound=None, calibration=None,
                        failure=None)  # fmt: skip
    folder.write_json(folder.run.name, record)
    return folder.path


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def test_the_report_shows_it_and_does_nothing_it_says(run: Path, tmp_path: Path) -> None:
    assert main(["report", str(run.parent), "--out", str(tmp_path)]) == DONE
    made = {path.suffix: path for path in tmp_path.iterdir()}
    html = made[".html"].read_text(encoding="utf-8")
    tags = _Tags()
    tags.feed(html)
    assert "script" not in tags.tags
    assert not any(name.startswith("on") for name in tags.attributes)
    assert "&lt;script&gt;alert(1)" in html
    assert not set(html) & OBEYED
    assert made[".pdf"].read_bytes().startswith(b"%PDF")
    json.loads(made[".json"].read_text(encoding="utf-8"))


def test_tables_areno_formulas_and_keep_their_columns(run: Path, tmp_path: Path) -> None:
    assert main(["export", str(run), "--to", "csv", "--out", str(tmp_path)]) == DONE
    tables = {path.stem.rsplit("-", 1)[1]: cells(path) for path in tmp_path.iterdir()}
    assert set(tables) == {"samples", "averages", "events"}
    for rows in tables.values():
        assert len({len(row) for row in rows}) == 1
        for cell in {cell for row in rows for cell in row}:
            assert not cell.startswith(("=", "@"))
            assert not set(cell) & OBEYED
    assert tables["samples"][0][2] == f"'{FORMULA} [uV]"
    texts = {row[-1] for row in tables["events"]}
    assert {"'@SUM(1)", "a b  c"} <= texts
    assert any("<script>" in text for text in texts)


def test_a_number_stays_one_and_what_a_spreadsheet_would_compute_does_not() -> None:
    assert [no_formula(cell) for cell in ("-1.5e3", "+2", "n/a", "", "Cz-M2")] == ["-1.5e3", "+2", "n/a", "", "Cz-M2"]
    assert [no_formula(cell) for cell in ("=1+1", "-1+1", "@a", "+x")] == ["'=1+1", "'-1+1", "'@a", "'+x"]


def test_a_table_of_channels_is_no_formula_and_has_the_names_of_its_file(run: Path, tmp_path: Path) -> None:
    assert main(["export", str(run), "--to", "bids", "--out", str(tmp_path / "set")]) == DONE
    (table,), (file,) = (tmp_path / "set").rglob("*_channels.tsv"), (tmp_path / "set").rglob("*.bdf")
    names = [line.split("\t")[0] for line in table.read_text().splitlines()[1:]]
    assert names[0].startswith("'=")
    assert names == [signal.label for signal in edfio.read_bdf(file).signals if "Annotations" not in signal.label]
    for path in (tmp_path / "set").rglob("*.tsv"):
        assert not re.search(r"(^|\t)[=@]", path.read_text(), re.MULTILINE)


@pytest.mark.parametrize("kind", ["bdf", "bids"])
def test_headers_and_sidecars_hold_what_their_format_can(run: Path, tmp_path: Path, kind: str) -> None:
    out = tmp_path / "out"
    assert main(["export", str(run), "--to", kind, "--out", str(out)]) == DONE
    files = [path for path in out.rglob("*") if path.is_file()]
    for path in files:
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name)
        if path.suffix == ".bdf":
            assert path.read_bytes()[1 : 256 * 5].isascii()
        elif path.suffix == ".json":
            json.loads(path.read_text(encoding="utf-8"))
        elif path.suffix == ".tsv":
            assert len({len(row) for row in cells(path)}) == 1
            assert not set(path.read_text(encoding="utf-8")) & OBEYED
    assert files


def test_nothing_of_it_reaches_a_terminal_as_it_is(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    commands = [
        ["replay", str(run), "--no-window"],
        ["replay", str(run), "--no-window", "--json"],
        ["waves", str(run)],
        ["waves", str(run), "--json"],
        ["report", str(run.parent), "--out", str(tmp_path), "--json"],
        ["import", str(run / "raw.xdf"), "--eeg", "nobody", "--trigger", "trigger", "--out", str(tmp_path / "session")],
        ["import", str(run / "raw.xdf"), "--eeg", "1", "--onsets", "no*", "--out", str(tmp_path / "session")],
        ["replay", f"{run}\x1b[2J"],
    ]
    for command in commands:
        main(command)
        told = capsys.readouterr()
        assert told.out + told.err
        assert not set(told.out + told.err) & OBEYED, command
        if "--json" in command:
            assert told.out.isascii()
            json.loads(told.out)
    assert RunFolder.open(run).read_record()
