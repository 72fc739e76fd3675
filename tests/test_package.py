"""What is installed is complete: every file that is no program is in the wheel, and its versions are told once."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

from quietfloor.monitor.run.run_record import versions
from tests.slow import patience

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("stimuli", "monitor", "bench")
NAME = ".ci/view/quietfloor/__init__.py"  # the one import name over these folders
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
BUILD = "import sys, setuptools.build_meta as build; print(build.build_wheel(sys.argv[1]))"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Built from a copy of what git knows to be the program, without network and without another environment."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("dist")
    for folder in FOLDERS:
        shutil.copytree(ROOT / folder, source / folder, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE", "MANIFEST.in", NAME):
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, source / name)
    done = subprocess.run(
        [sys.executable, "-c", BUILD, str(out)], cwd=source, capture_output=True, encoding="utf-8", timeout=patience(60),
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    (path,) = out.glob("*.whl")
    return zipfile.ZipFile(path)


def metadata(wheel: zipfile.ZipFile) -> dict[str, list[str]]:
    (name,) = (name for name in wheel.namelist() if name.endswith("/METADATA"))
    head = Parser().parsestr(wheel.read(name).decode())
    return {key: head.get_all(key, []) for key in set(head.keys())}


def test_the_wheel_holds_every_file_of_the_program_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    """Under one name; tools for the development of the program stay in the repository."""
    files = {
        f"quietfloor/{path.relative_to(ROOT).as_posix()}"
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and not {"__pycache__", "devtools"} & set(path.parts) and not path.name.startswith(".")
    }
    files.add("quietfloor/__init__.py")
    assert {Path(name).suffix for name in files} >= {".py", ".toml", ".cfg", ".md"}
    assert {name for name in wheel.namelist() if ".dist-info/" not in name} == files


def test_nothing_beside_a_notebook_is_taken_for_the_program(tmp_path: Path) -> None:
    """Folders of the names of ours, as any lab may have them, and a program started among them."""
    for folder in FOLDERS:
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "__init__.py").write_text("raise RuntimeError('this one belongs to somebody else')")
    script = "import quietfloor, quietfloor.stimuli.stimulus, quietfloor.bench.patient.rig, quietfloor.monitor.cli"
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr


def test_the_links_under_the_one_name_lead_to_the_folders() -> None:
    """Type checking, import contracts and a clone that is not installed see the program through them."""
    assert {link.name: link.resolve() for link in (ROOT / NAME).parent.iterdir() if link.is_symlink()} == {
        folder: ROOT / folder for folder in FOLDERS
    }


def test_licence_version_and_command(wheel: zipfile.ZipFile) -> None:
    told = metadata(wheel)
    assert told["License-Expression"] == ["GPL-3.0-or-later"]
    assert told["Version"] == [PROJECT["version"]]
    assert any(name.endswith("/licenses/LICENSE") for name in wheel.namelist())
    (name,) = (name for name in wheel.namelist() if name.endswith("/entry_points.txt"))
    assert "quietfloor = quietfloor.monitor.cli:main" in wheel.read(name).decode()


def test_the_version_is_told_once() -> None:
    """In pyproject.toml; the program asks what is installed, the list of changes begins with it."""
    assert versions()["quietfloor"] == PROJECT["version"]
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+?),? ", changes, flags=re.MULTILINE)
    assert newest is not None
    assert newest.group(1) == PROJECT["version"]
    program = [path for folder in FOLDERS for path in (ROOT / folder).rglob("*.py")]
    assert [path.name for path in program if f'"{PROJECT["version"]}"' in path.read_text(encoding="utf-8")] == []


def test_the_oldest_dependencies_are_the_lower_bounds() -> None:
    """Each ``name>=bound`` has its line ``name==version`` with the same version, zeros at the end aside."""
    lines = (ROOT / "tests/constraints-oldest.txt").read_text(encoding="utf-8").splitlines()
    oldest = dict(line.split("==") for line in lines if "==" in line)
    bounds = dict(line.split(">=") for line in PROJECT["dependencies"])
    plain = {name: re.sub(r"(\.0)+$", "", version) for name, version in oldest.items()}
    assert plain == {name: re.sub(r"(\.0)+$", "", bound) for name, bound in bounds.items()}
