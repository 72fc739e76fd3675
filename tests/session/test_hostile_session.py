"""A session folder with path tricks, and names made from what others wrote: every command ends in words, in the folder
that it was given."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED
from quietfloor.monitor.commands.session import _as_name
from quietfloor.monitor.export.bids import _subject_labels
from quietfloor.monitor.export.material import Material
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.untrusted.safe_paths import file_name
from tests.session.conftest import write_run

TRICKS = ("/dev/zero", "pipe", "loop", "folder", "outside", "nowhere")
STATUSES = (DONE, FAILED, BAD_ARGUMENTS)
PSEUDONYMS = ("../../x", "/etc/x", ".", "..", ".hidden", "CON", "nul", "com1", "COM¹", "a" * 60, "𠀀" * 60, "-rf", "~", "$HOME",
              "a b", "\u202eabc", "x\x1b[31m", "C:\\x", "<b>", "aux.txt")  # fmt: skip
DEVICES = {"con", "prn", "aux", "nul", *(f"{kind}{number}" for kind in ("com", "lpt") for number in "0123456789¹²³")}


def _trick(path: Path, trick: str, outside: Path) -> None:
    path.unlink(missing_ok=True)
    if trick == "pipe":
        os.mkfifo(path)
    elif trick == "folder":
        path.mkdir()
    else:
        path.symlink_to({"loop": path.name, "outside": str(outside), "nowhere": str(outside) + "-made"}.get(trick, trick))


@pytest.fixture
def session(tmp_path: Path, plan_text: str) -> Path:
    (tmp_path / "plan.toml").write_text(plan_text, encoding="utf-8")
    assert main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--status", "--no-window"]) == DONE
    write_run(tmp_path / "s", "40+")
    return tmp_path / "s"


def _commands(session: Path) -> list[list[str]]:
    here, plan = str(session), str(session.parent / "plan.toml")
    return [
        ["session", here, "--status"],
        ["session", here, "--discard", "1", "--why", "she woke up"],
        ["session", here, "--restore", "1"],
        ["session", here, "--note", "1", "a note"],
        ["session", plan, "--out", here, "--status"],
    ]


@pytest.mark.parametrize("name", ["session.json", "session-plan.toml", ".in-use", ".session.json.part", "dose.jsonl", "run-002",
                                  "run-001/run.json", "run-001/events.jsonl"])  # fmt: skip
@pytest.mark.long
@pytest.mark.parametrize("trick", TRICKS)
def test_no_trick_in_a_session_hangs_a_command_or_leads_it_away(
    session: Path, name: str, trick: str, capsys: pytest.CaptureFixture[str]
) -> None:
    outside = session.parent / "outside"
    outside.write_text("keep")
    _trick(session / name, trick, outside)
    reports = trick == "pipe" and name in ("session-plan.toml", "run-001/run.json")
    report = ["report", str(session), "--out", str(session.parent / "report")]
    for command in [*_commands(session), *([report] if reports else [])]:
        assert main(command) in STATUSES, command
    assert outside.read_text() == "keep"
    assert {one.name for one in session.parent.iterdir()} <= {"s", "plan.toml", "outside", "report"}
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("trick", TRICKS)
def test_a_plan_that_is_no_file_begins_nothing(tmp_path: Path, trick: str, capsys: pytest.CaptureFixture[str]) -> None:
    outside = tmp_path / "outside"
    outside.write_text("keep")
    _trick(tmp_path / "plan.toml", trick, outside)
    assert main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--status"]) in (FAILED, BAD_ARGUMENTS)
    assert not (tmp_path / "s").exists()
    assert "plan" in capsys.readouterr().err


def test_runs_that_are_links_are_read_and_stay_as_they_are(session: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    write_run(elsewhere, "30-")
    before = sorted((path.name, path.read_bytes()) for path in (elsewhere / "run-001").iterdir())
    (session / "run-002").symlink_to(elsewhere / "run-001")
    for name in ("run-003", "run-004"):
        (session / name).symlink_to(name if name == "run-003" else session)
    assert main(["session", str(session), "--note", "2", "a note"]) == DONE
    assert [run.number for run in Session.open(session).runs()] == [1, 2]
    assert sorted((path.name, path.read_bytes()) for path in (elsewhere / "run-001").iterdir()) == before


@pytest.mark.parametrize("pseudonym", PSEUDONYMS)
def test_a_session_of_any_pseudonym_is_one_folder_below_sessions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plan_text: str, pseudonym: str, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "here" / "below"
    home.mkdir(parents=True)
    monkeypatch.chdir(home)
    (home / "plan.toml").write_text(plan_text.replace('"S07"', _quoted(pseudonym)), encoding="utf-8")
    assert main(["session", "plan.toml", "--status"]) == DONE, capsys.readouterr().err
    assert sorted(one.name for one in home.iterdir()) == ["plan.toml", "sessions"]
    assert [one.name for one in tmp_path.iterdir()] == ["here"]
    (made,) = (home / "sessions").iterdir()
    assert {one.name for one in made.iterdir()} >= {"session-plan.toml", "session.json"}
    _holds(made.name)
    assert capsys.readouterr().out.replace("\n", "").isprintable()


@pytest.mark.parametrize("pseudonym", ["", " ", "a" * 61, "a" * 300])
def test_no_pseudonym_and_endless_ones_are_refused(
    tmp_path: Path, plan_text: str, pseudonym: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.toml").write_text(plan_text.replace('"S07"', f'"{pseudonym}"'), encoding="utf-8")
    assert main(["session", str(tmp_path / "plan.toml"), "--status"]) == BAD_ARGUMENTS
    assert "pseudonym" in capsys.readouterr().err


def test_pseudonyms_with_one_name_do_not_share_a_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plan_text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for pseudonym, status in (("a/b", DONE), ("a-b", BAD_ARGUMENTS)):
        (tmp_path / "plan.toml").write_text(plan_text.replace("S07", pseudonym), encoding="utf-8")
        assert main(["session", "plan.toml", "--status"]) == status
    assert "another --out" in capsys.readouterr().err


@pytest.mark.parametrize("text", [*PSEUDONYMS, "", " ", "a" * 300, "é" * 200, "x.", "y ", "con.csv", "b\udcff", "\x00"])
def test_a_file_name_is_one_name_on_every_system(text: str) -> None:
    _holds(file_name(text))
    _holds(_as_name(text))
    assert file_name(file_name(text)) == file_name(text)


def test_usual_names_stay() -> None:
    for name in ("run-001", "sessions monday", "Größe 3", "s07.2", "subject_4"):
        assert file_name(name) == name


def _quoted(text: str) -> str:
    return '"' + "".join(f"\\U{ord(one):08x}" for one in text) + '"'


def _holds(name: str) -> None:
    assert name
    assert name not in (".", "..")
    assert len(name.encode()) <= 200
    assert not set(name) & set('/\\:*?"<>|\x00')
    assert name.isprintable()
    assert name[0] != "."
    assert name[-1] not in " ."
    assert name.split(".")[0].lower() not in DEVICES


def test_two_people_are_never_one_participant(monkeypatch: pytest.MonkeyPatch) -> None:
    class One:
        def __init__(self, pseudonym: str | None) -> None:
            self.subject = None if pseudonym is None else type("Subject", (), {"pseudonym": pseudonym})()

    pseudonyms = ["a", "ax3", "a!", "A", "a?", "ax4", "../a", None, "unknown", "\u202e", "x", "a"]
    materials: list[Material] = [One(one) for one in pseudonyms]  # type: ignore[misc]
    labels = _subject_labels(materials)
    assert len({label.lower() for label in labels}) == len(pseudonyms) - 1
    assert labels[0] == labels[-1] == "a"
    assert all(label.isascii() and label.isalnum() for label in labels)
