"""Run folders with path tricks: links to devices, pipes, files of the system, themselves. Every command ends, and writes nothing
outside of the folder that it was given."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from quietfloor.bench.devtools.fuzz_binary import plain_run
from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED
from quietfloor.monitor.storage.folder_lock import sole_writer

FILES = ("raw.xdf", "plan.toml", "events.jsonl", "run.json", "average.csv", "marks.json", "begun.json")
TRICKS = ("/dev/zero", "/dev/urandom", "pipe", "loop", "folder", "passwd", "nowhere")
STATUSES = (DONE, FAILED, BAD_ARGUMENTS)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plain_run(tmp_path_factory.mktemp("whole"), unfinished=False)


def _trick(path: Path, trick: str, outside: Path) -> None:
    path.unlink(missing_ok=True)
    if trick == "pipe":
        os.mkfifo(path)
    elif trick == "folder":
        path.mkdir()
    else:
        path.symlink_to({"loop": path.name, "passwd": str(outside), "nowhere": str(outside) + "-made"}.get(trick, trick))


def _commands(run: Path, out: Path) -> list[list[str]]:
    return [
        ["replay", str(run), "--no-window"],
        ["finish", str(run)],
        ["report", str(run.parent), "--out", str(out / "report")],
        ["waves", str(run)],
        ["export", str(run), "--to", "csv", "--out", str(out / "csv")],
        ["import", str(run / "raw.xdf"), "--eeg", "1", "--trigger", "trigger", "--unit", "uV", "--out", str(out / "session")],
    ]


@pytest.mark.long
@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("trick", TRICKS)
def test_no_trick_in_a_run_folder_hangs_a_command_or_leads_it_away(
    whole: Path, tmp_path: Path, name: str, trick: str, capsys: pytest.CaptureFixture[str]
) -> None:
    outside = tmp_path / "outside"
    outside.write_text("root:x:0:0\n")
    run = tmp_path / "session" / "run-001"
    shutil.copytree(whole, run)
    _trick(run / name, trick, outside)
    for command in _commands(run, tmp_path / "out"):
        assert main(command) in STATUSES, command
    assert outside.read_text() == "root:x:0:0\n"
    assert sorted(one.name for one in tmp_path.iterdir()) in (["out", "outside", "session"], ["outside", "session"])
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("name", [".in-use", "run-001/.run.json.part", "run-001/.events.jsonl.part", "run-001/.average.csv.part"])
def test_finishing_writes_through_no_link(tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    run = plain_run(tmp_path / "made", unfinished=True)
    (run / "events.jsonl").unlink()
    outside = tmp_path / "outside"
    outside.write_text("keep")
    (run.parent / name).symlink_to(outside)
    status = main(["finish", str(run)])
    assert outside.read_text() == "keep"
    said = capsys.readouterr().err
    if name == ".in-use":
        assert status == FAILED
        assert "link to another place" in said
    else:
        assert status == DONE, said
        assert (run / "run.json").is_file()
        assert not (run / "run.json").is_symlink()


def test_a_lock_that_is_a_link_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / ".in-use").symlink_to(tmp_path / "made-elsewhere")
    with pytest.raises(OSError, match="link to another place"), sole_writer(tmp_path):
        pass
    assert not (tmp_path / "made-elsewhere").exists()


def test_runs_that_are_links_are_finished_at_their_own_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = plain_run(tmp_path / "made", unfinished=True)
    before = sorted(path.name for path in run.iterdir())
    session = tmp_path / "session"
    session.mkdir()
    (session / "run-001").symlink_to(run)
    (session / "run-002").symlink_to("run-002")
    assert main(["finish", str(session)]) == FAILED
    assert "finish it there" in capsys.readouterr().err
    assert sorted(path.name for path in run.iterdir()) == before


def test_an_export_replaces_nothing_and_follows_no_link(whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = tmp_path / "session" / "run-001"
    shutil.copytree(whole, run)
    outside = tmp_path / "outside"
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "session-run-001.xdf").symlink_to(outside)
    assert main(["export", str(run), "--to", "xdf", "--out", str(tmp_path / "out")]) == BAD_ARGUMENTS
    assert "exists" in capsys.readouterr().err
    assert not outside.exists()
