"""Figures of a structure on a tree of a few files, whose figures are counted by hand; a revision of it that git keeps."""

import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from quietfloor.bench.devtools import structure

ENGINE = """
class Engine:
    def feed(self, chunk):
        def inner():
            return chunk

        return inner
"""
RUN = """from quietfloor.monitor.core.rules import engine


def late():
    from quietfloor.stimuli import sound
"""
WITH_GIT = pytest.mark.skipif(shutil.which("git") is None, reason="no git on this machine")
FILES = {
    "stimuli/sound.py": "def louder(level):\n    return level + 1\n",
    "monitor/core/engine.py": ENGINE,
    "monitor/core/rules.py": "from quietfloor.monitor.core import engine\nfrom quietfloor.stimuli.sound import louder\n",
    "monitor/run/run.py": RUN,
    "monitor/cli.py": "import quietfloor.monitor.run.run\n",
    "bench/rig.py": "from quietfloor.monitor import cli\n",
    ".ci/view/quietfloor/__init__.py": '"""The name."""\n',
    "tests/test_rig.py": "\n\n\n",
    "README.md": "# one\n",
    "docs/page.md": "# two\n\nthree\n",
}  # fmt: skip
COUNTED = {
    "modules": "11", "modules: arrows": "6", "modules: floors": "5", "modules: circles (of how many)": "0",
    "packages": "5", "packages: arrows": "5", "packages: floors": "5", "packages: circles (of how many)": "0",
    "parts of monitor": "3", "parts of monitor: arrows": "2", "parts of monitor: floors": "3",
    "parts of bench": "1", "parts of bench: arrows": "0", "parts of bench: floors": "1",
    "lines of a module: median; longest": "2; 7 (monitor/core/engine.py)",
    "lines of a function: median; longest": "2; 5 (engine.py:3 feed)",
    "functions": "4", "lines of code": "18", "lines of tests": "3", "lines of docs": "4",
}  # fmt: skip


def write(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    empty = [f"{name}/__init__.py" for name in ("stimuli", "monitor", "monitor/core", "monitor/run", "bench")]
    write(folder := tmp_path / "tree", FILES | dict.fromkeys(empty, ""))
    for name in structure.FOLDERS:
        (folder / ".ci/view/quietfloor" / name).symlink_to(f"../../../{name}")
    return folder


def test_figures_are_those_counted_by_hand(tree: Path) -> None:
    found = structure.figures(tree)
    assert {name: found[name] for name in COUNTED} == COUNTED


def test_floors_and_circles() -> None:
    found = structure.stack({"roof": {"a"}, "a": {"b"}, "b": {"c", "ground"}, "c": {"a"}, "ground": set(), "shed": set()})
    assert found.floors == {"ground": 0, "shed": 0, "a": 1, "b": 1, "c": 1, "roof": 2}
    assert found.circles == [["a", "b", "c"]]
    assert (found.arrows, found.height) == (5, 3)


@WITH_GIT
def test_a_revision_beside_the_tree_as_it_is(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What git keeps is measured while the tree holds something else; an import inside a function closes a circle."""
    for words in ("init -q", "add .", "-c user.name=a -c user.email=a@b.c commit -qm one", "tag then"):
        subprocess.run(["git", *words.split()], cwd=tree, check=True)
    write(tree, {"monitor/core/engine.py": "def late():\n    from quietfloor.monitor.run import run\n"})
    assert structure.main(["--tree", str(tree), "--at", "then", "."]) == 0
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in capsys.readouterr().out.splitlines()]
    assert rows[0] == ["", "then", "now"]
    cells = {row[0]: row[1:] for row in rows[2:]}
    assert cells["modules: circles (of how many)"] == ["0", "1 (of 3)"]
    assert cells["packages: circles (of how many)"] == ["0", "1 (of 2)"]
    assert cells["lines of code"] == ["18", "13"]
    assert subprocess.run(["git", "status", "--short"], cwd=tree, capture_output=True, text=True).stdout.split() == [
        "M", "monitor/core/engine.py",
    ]  # fmt: skip


def test_flat_folders_without_one_name(tmp_path: Path) -> None:
    """As the project once was."""
    files = {"stimuli/sound.py": "def soft(): ...\n", "monitor/run.py": "import stimuli.sound\n"}
    files |= {f"{name}/__init__.py": "" for name in structure.FOLDERS}
    write(tmp_path, files | {"bench/rig.py": "from monitor import run\n"})
    assert structure.imports(tmp_path)["bench.rig"] == {"monitor.run"}
    assert structure.figures(tmp_path)["modules: floors"] == "3"


def test_the_picture_names_every_part_and_a_circle_is_red(tree: Path, tmp_path: Path) -> None:
    out = tmp_path / "structure.svg"

    def drawn() -> tuple[set[str], bool]:
        assert structure.main(["--tree", str(tree), "--picture", str(out)]) == 0
        texts = ElementTree.parse(out).getroot().iter("{http://www.w3.org/2000/svg}text")
        return {"".join(one.itertext()).strip() for one in texts}, "#c0392b" in out.read_text()

    assert drawn() == ({"now", "stimuli", "core", "run", "cli", "rig"}, False)
    write(tree, {"monitor/core/engine.py": "from quietfloor.monitor.run import run\n"})
    assert drawn()[1]


@WITH_GIT
@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["--at", "nowhere"], "'nowhere' is no revision that git has here"), (["--picture", "a.png"], "ends in .svg")],
)
def test_what_cannot_be_measured_is_said(tree: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        structure.main(["--tree", str(tree), *arguments])
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_a_tree_without_the_project_is_said(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="grimp cannot read"):
        structure.imports(tmp_path)
