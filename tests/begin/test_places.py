"""Where plans and templates go, and what a folder can be opened as."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from quietfloor.monitor.begin.draft import Cell, new, plan_data, with_stream
from quietfloor.monitor.begin.places import Places, command_line, found_folders, what_is, write_plan
from quietfloor.monitor.cli import parser
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from tests.begin.conftest import EARPHONE, stream

RUN = Path(__file__).parents[1] / "data" / "runs"


def test_what_was_remembered_comes_back_and_a_damaged_file_is_nothing(places: Places, tmp_path: Path) -> None:
    kept = places.opened(tmp_path / "a").opened(tmp_path / "b").opened(tmp_path / "a").with_calibration(tmp_path / "c.toml")
    kept.remember()
    again = Places.recall(places.settings)
    assert again == kept
    assert again.remembered.recent == (str(tmp_path / "a"), str(tmp_path / "b"))
    for text in ("{", "[]", '{"folder": 1}', '{"folder": "x", "recent": 3, "calibrations": []}'):
        (places.settings / "start.json").write_text(text, encoding="utf-8")
        assert Places.recall(places.settings).remembered.recent == ()


def test_a_free_code_is_offered(places: Places) -> None:
    assert places.next_code() == "P01"
    for name in ("P01", "P07", "Paul", "s99"):
        (places.folder / name).mkdir(parents=True)
    assert places.next_code() == "P08"


def test_a_plan_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "new" / "plan.toml"
    write_plan(path, "a = 1\n")
    write_plan(path, "a = 1\n")
    with pytest.raises(FileExistsError):
        write_plan(path, "a = 2\n")
    assert path.read_text(encoding="utf-8") == "a = 1\n"


def test_templates_are_files_of_their_name(places: Places) -> None:
    path = places.keep_template("../our lab", "a = 1\n")
    assert path.parent == places.templates
    assert places.known_templates() == (path,)
    with pytest.raises(FileExistsError):
        places.keep_template("../our lab", "a = 2\n")


# -- opening -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def run_folder(tmp_path: Path) -> Path:
    source = next(path for path in sorted(RUN.rglob("raw.xdf")) if (path.parent / "run.json").is_file()).parent
    return Path(shutil.copytree(source, tmp_path / "kept" / "run-001"))


def test_a_run_is_replayed_and_its_folder_reported(run_folder: Path) -> None:
    assert [way.arguments[0] for way in what_is(str(run_folder)).ways] == ["replay", "waves"]
    found = what_is(str(run_folder.parent))
    assert "1 run, and no session" in found.said
    assert [way.arguments[0] for way in found.ways] == ["report", "replay"]


def test_a_run_that_was_cut_short_is_finished(run_folder: Path) -> None:
    (run_folder / "run.json").unlink()
    assert what_is(str(run_folder)).ways[0].arguments == ("finish", str(run_folder))


def test_a_session_is_continued(tmp_path: Path, run_folder: Path) -> None:
    draft = replace(
        with_stream(new("session", "P01"), stream()), device="lsl", calibration=EARPHONE, grid=(Cell("left", "air", "click"),)
    )
    folder = tmp_path / "P01"
    Session.begin(folder, make_session_plan(plan_data(draft)))
    assert [way.arguments for way in what_is(str(folder)).ways] == [
        ("session", str(folder)), ("session", str(folder), "--status"),
    ]  # fmt: skip
    shutil.copytree(run_folder, folder / "run-001")
    assert what_is(str(folder)).ways[-1].arguments == ("report", str(folder))


@pytest.mark.parametrize(
    ("name", "said"), [("", "Choose"), ("nothing", "no folder"), ("empty", "neither a session"), ("plan.toml", "is a plan")]
)
def test_what_cannot_be_opened_says_what_it_is_not(name: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "plan.toml").write_text("", encoding="utf-8")
    found = what_is(str(tmp_path / name) if name else "")
    assert said in found.said
    assert found.ways == ()


def test_every_way_is_a_command_that_the_program_has(run_folder: Path, tmp_path: Path) -> None:
    (tmp_path / "cut").mkdir()
    for folder in (run_folder, run_folder.parent):
        for way in what_is(str(folder)).ways:
            assert parser().parse_args(way.arguments).command == way.arguments[0]


def test_folders_are_offered_newest_first_and_once(places: Places, run_folder: Path) -> None:
    places.folder.mkdir(parents=True)
    shutil.copytree(run_folder.parent, places.folder / "P01")
    (places.folder / "nothing").mkdir()
    known = places.opened(run_folder.parent).opened(places.folder / "gone")
    assert found_folders(known) == (run_folder.parent, places.folder / "P01")


def test_a_command_line_can_be_pasted() -> None:
    assert command_line(("run", "my plan.toml")) == "quietfloor run 'my plan.toml'"
    assert json.dumps(command_line(())) == '"quietfloor"'
