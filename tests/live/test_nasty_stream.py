"""A real stream whose name, source id, labels and unit are what a terminal, a browser or a file system would obey: checked,
recorded, decided again, reported, exported. None of it is obeyed, and the recording keeps what was said."""

from __future__ import annotations

import json
import re
import uuid
from pathlib import Path

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.formats.xdf import read_xdf
from tests.live.harness import Outcome, Program, foreign

pytestmark = pytest.mark.lsl

CONTROL = "\x1b[2J\x1b]0;title\x07"  # in a stream no XML can hold it, so its channels are known by number only
NASTY = "../../<script>alert(1)</script>\" onload='x' \u202eback \x9b31m C:\\x"
OBEYED = set("\x1b\x9b\u202e\r\x07\x00")
FILES = {"raw.xdf", "plan.toml", "events.jsonl", "average.csv", "run.json"}


def _harmless(outcome: Outcome) -> None:
    assert not set(outcome.out + outcome.err) & OBEYED, ascii(outcome.out + outcome.err)


def test_nasty_streams_are_recorded_and_obeyed_by_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = [f"{NASTY} {uuid.uuid4().hex[:8]}", f"{CONTROL}{NASTY} {uuid.uuid4().hex[:8]}"]
    how = ["--rate", "4000", "--per-s", "91", "--nv", "4000", "--noise", "0.5", "--stated", NASTY]
    labels = [f"{NASTY}1", f"{NASTY}2"]
    sessions = [tmp_path / "made" / "labelled", tmp_path / "made" / "numbered"]
    with (
        foreign(names[0], [*how, "--source-id", NASTY, "--labels", ",".join(labels), "--markers", f"{names[0]} marks"]),
        foreign(names[1], [*how, "--source-id", CONTROL, "--labels", f"{CONTROL},2"]),
    ):
        chosen = [["--stream", names[0], "--eeg", labels[0], "--trigger", labels[1], "--unit", "uV"],
                  ["--stream", names[1], "--eeg", "1", "--trigger", "2", "--unit", "uV"]]  # fmt: skip
        chosen_markers = (["--markers", f"{names[0]} marks"], [])
        runs = [Program("run", "--listen", *one, "--max-sweeps", "512", "--out", str(session), *markers)
                for one, session, markers in zip(chosen, sessions, chosen_markers, strict=True)]  # fmt: skip
        check = Program("check", *chosen[1], "--seconds", "3")
        for run in runs:
            outcome = run.wait()
            assert outcome.status == DONE, ascii(outcome.err)
            _harmless(outcome)
        outcome = check.wait()
        assert "alert(1)" in outcome.out + outcome.err
        _harmless(outcome)

    out = tmp_path / "out"
    for session in sessions:
        folder = session / "run-001"
        assert {path.name for path in folder.iterdir()} == FILES
        assert json.loads((folder / "run.json").read_text(encoding="utf-8"))["verdict"] == "response_present"
        commands = [["replay", str(folder), "--no-window"], ["export", str(folder), "--to", "csv", "--out", str(out)]]
        if session == sessions[0]:
            commands.append(["report", str(session), "--out", str(out / "report")])
        for command in commands:
            status = main(command)
            told = capsys.readouterr()
            assert status == DONE, ascii(told.err)
            _harmless(Outcome(status, told.out, told.err))
    recorded = [stream.xml for stream in read_xdf(sessions[0] / "run-001" / "raw.xdf").streams.values()]
    assert any("&lt;script&gt;alert(1)" in xml for xml in recorded)

    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert {path.relative_to(tmp_path).parts[0] for path in files} == {"made", "out"}
    for path in files:
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name)
        if path.suffix in (".csv", ".html"):
            content = path.read_text(encoding="utf-8")
            assert not set(content) & OBEYED, path
            assert path.suffix != ".html" or "<script" not in content.lower()
