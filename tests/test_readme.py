"""The README is true: its commands run, its plan is a plan, its tables name what is really written.

Commands run in the order of the README, in one empty folder, on real Lab Streaming Layer, with the rig of the README beside them.
Those it marks as needing hardware or the Internet are only parsed.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, FAULT
from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.core.reporting import none_larger
from quietfloor.monitor.plan.run_plan import Plan, load_plan
from quietfloor.monitor.storage.run_folder import AVERAGE_COLUMNS
from tests.documents import PROGRAM, ROOT, blocks, commands, rig, table
from tests.live.test_words import LOOK
from tests.slow import patience

pytestmark = pytest.mark.timeout(1200)  # every command of the README one after the other, in real time
README = (ROOT / "README.md").read_text(encoding="utf-8")
FORMATS = (ROOT / "docs/file-formats.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RUNS = (ROOT / "docs/runs.md").read_text(encoding="utf-8")
# What the test adds, to be done sooner; the README's own words stay as they are.
FASTER = {"quietfloor demo": ["--only", "hearing", "--speed", "20"]}
SPEED = 15


OURS = [command for command in commands(README) if command.words[0] == "quietfloor" and not command.needs]


def test_every_command_is_of_a_known_kind() -> None:
    strange = [
        command.text
        for command in commands(README)
        if not command.needs and command.words[0] not in ("quietfloor", "make")
    ]
    assert strange == []
    assert {command.needs for command in commands(README)} == {"", "the Internet"}
    assert {command.words[1] for command in OURS} == {"demo", "doctor", "rig", "streams", "check", "run", "replay"}


def test_the_readme_is_read_in_one_go() -> None:
    """Hardware and cautions before installation; about 200 lines, the rest is in docs/."""
    heads = re.findall(r"^## (.+)$", README, flags=re.MULTILINE)
    assert heads[:3] == ["What your hardware will and will not do", "Cautions", "Try it: two commands, no hardware"]
    assert len(README.splitlines()) <= 220


@pytest.mark.skipif(shutil.which("make") is None, reason="no make on this machine")
@pytest.mark.parametrize("target", ["demo", "test", "long", "check", "docs", "help", "clean"])
def test_make_knows_its_targets(target: str) -> None:
    subprocess.run(["make", "--dry-run", target], cwd=ROOT, check=True, capture_output=True)


def test_make_targets_in_the_readme_exist() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    asked = {command.words[-1] for command in commands(README) if command.words[0] == "make"}
    assert asked == {"demo", "test", "long", "check"}
    assert all(re.search(rf"^{target}:", makefile, flags=re.MULTILINE) for target in asked)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty folder with the README's plan and the calibration that it names; only ``speed`` is added."""
    folder = tmp_path_factory.mktemp("readme")
    (folder / "bench").mkdir()
    shutil.copy(ROOT / "bench" / "virtual-earphone.toml", folder / "bench")
    (text,) = blocks("toml", README)
    (folder / "plan.toml").write_text(text.replace("[sound]", f"[sound]\nspeed = {SPEED}"), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def ran(place: Path) -> Iterator[dict[str, subprocess.CompletedProcess[str]]]:
    """Every command of ours in order; the rig stays until the end."""
    with contextlib.ExitStack() as stack:
        done = {}
        for command in OURS:
            if command.words[1] == "rig":
                stack.enter_context(rig(command.words[1:], place))
            else:
                words = [*PROGRAM, *command.words[1:], *FASTER.get(command.text, [])]
                done[command.text] = subprocess.run(
                    words, cwd=place, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8", timeout=patience(120),
                    check=False,
                )  # fmt: skip
        yield done


@pytest.mark.lsl
@pytest.mark.long
def test_every_command_succeeds(ran: dict[str, Any]) -> None:
    failed = {text: done.stderr[-2000:] for text, done in ran.items() if done.returncode != DONE}
    assert failed == {}


@pytest.mark.lsl
@pytest.mark.long
def test_the_run_of_the_readme_finds_the_response_and_replays(ran: dict[str, Any], place: Path) -> None:
    first = json.loads((place / "sessions/first/run-001/run.json").read_text(encoding="utf-8"))
    assert (first["verdict"], first["stopped_by"]) == ("response_present", "response")
    assert "byte for byte" in ran["quietfloor replay sessions/first/run-001"].stdout
    assert json.loads((place / "trial/run-001/run.json").read_text(encoding="utf-8"))["alpha"] == 0.05


@pytest.mark.lsl
@pytest.mark.long
def test_the_tables_name_what_is_written(ran: dict[str, Any], place: Path) -> None:
    assert ran
    folder = place / "sessions/first/run-001"
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    rows = table("## run.json", FORMATS)
    assert [name for cells in rows for name in re.findall(r"`(\w+)`", cells[0])] == list(record)
    (timing,) = (cells[1] for cells in rows if cells[0] == "`timing`")
    assert re.findall(r"`(\w+)`", timing) == list(record["timing"])
    assert {cells[0].strip("`") for cells in table("## The folder of a run", FORMATS)} == {path.name for path in folder.iterdir()}


def test_columns_and_exit_statuses() -> None:
    columns = [cells[0] for cells in table("## average.csv", FORMATS)]
    assert tuple(re.findall(r"`(\w+)`", " ".join(columns))) == AVERAGE_COLUMNS
    assert [int(cells[0]) for cells in table("## Exit status", RUNS)] == [DONE, FAILED, BAD_ARGUMENTS, FAULT]


def test_the_plan_shows_defaults_where_it_does_not_choose(place: Path) -> None:
    (text,) = blocks("toml", RUNS)
    (place / "full-plan.toml").write_text(text, encoding="utf-8")
    plan, short = load_plan(place / "full-plan.toml"), load_plan(place / "plan.toml")
    assert plan.sound is not None
    assert short.sound is not None
    assert short.model_copy(update={"sound": short.sound.model_copy(update={"speed": 1.0})}) == plan
    default = Plan()
    assert plan.decision == default.decision
    assert plan.analysis.model_copy(update={"acoustic_delay_ms": 0.0}) == default.analysis
    for key in ("random_polarity", "held_to_plan", "random_pause", "mains_hz"):
        assert getattr(plan.sound, key) == type(plan.sound).model_fields[key].default


def test_the_printed_demo_is_of_this_program() -> None:
    """Verdicts and what a missing response says are still in the program's words, numbers aside."""
    (printed,) = (block for block in blocks("text", README) if "replays identically" in block)
    said = re.findall(r"No response at this noise floor: (.*?) ·", printed)
    words = none_larger(LOOK)
    assert [re.sub(r"[\d.]+", "0", one) for one in said] == 2 * [re.sub(r"[\d.]+", "0", words)]
    for verdict in ("Response present", "No response at this noise floor", "Undecided"):
        assert verdict in printed
    assert printed.count("as it should; replays identically") == 3


def test_files_and_symbols_that_the_guide_names_exist() -> None:
    named = set(re.findall(r"`((?:stimuli|monitor|bench|tests|\.ci)/[\w./-]*)`", DEVELOPERS + README))
    assert sorted(name for name in named if not (ROOT / name).exists()) == []
    symbols = set(re.findall(r"`(_?[A-Z]\w{3,})(?:\.\w+)*(?:\(.*?\))?`", DEVELOPERS))
    files = [path for top in ("stimuli", "monitor", "bench", "tests") for path in (ROOT / top).rglob("*.py")]
    assert len(symbols) > 50
    assert sorted(symbols - set(re.findall(r"\w+", "\n".join(file.read_text(encoding="utf-8") for file in files)))) == []
    assert {criterion.name for criterion in CRITERIA} <= set(re.findall(r"`(\w+)`", DEVELOPERS))


def test_the_tree_in_the_guide_is_the_tree() -> None:
    """Each package has its line in the tree of DEVELOPERS.md, and each line its folder or file."""
    (tree,) = (block for block in blocks("text", DEVELOPERS) if block.startswith("stimuli"))
    listed, folders = set(), []
    for line in tree.splitlines():
        depth, name = (len(line) - len(line.lstrip())) // 2, line.split()[0].rstrip("/")
        folders = [*folders[:depth], name]
        listed.add("/".join(folders))
    packages = {
        path.parent.relative_to(ROOT).as_posix()
        for folder in ("stimuli", "monitor", "bench")
        for path in (ROOT / folder).rglob("__init__.py")
    }
    assert packages <= listed
    assert [name for name in listed if not (ROOT / name).exists()] == []


def test_the_rig_of_the_readme_ends_with_its_terminal(place: Path) -> None:
    """Closing the terminal must not leave a process behind."""
    (command,) = (command for command in OURS if command.words[1] == "rig")
    words = [word.replace("bench-eeg", "closing-eeg").replace("bench-audio", "closing-audio") for word in command.words[1:]]
    began = time.monotonic()
    with rig(words, place):
        pass
    assert time.monotonic() - began < patience(20)
