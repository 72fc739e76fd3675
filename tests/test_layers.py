"""Who may import whom, read from the source alone: imports inside functions count, and nothing is imported to find out.

The contracts in pyproject.toml (import-linter) say the same about the import graph. This test needs only Python, also looks at
imports by name, and holds the pure core to a list of what it may use rather than of what it may not.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("stimuli", "monitor", "bench")
TOOLKITS = frozenset({"PyQt5", "PyQt6", "PySide2", "PySide6", "qtpy", "pyqtgraph"})
# The window, and what opens one for the bench.
QT_IN = ("quietfloor.monitor.display", "quietfloor.bench.devtools.display", "quietfloor.bench.devtools.screenshots", "quietfloor.bench.teach.window", "quietfloor.bench.teach.controls")

# Standard library modules without clock, chance, files, threads or network behind them.
PURE = frozenset(
    {
        "__future__", "abc", "bisect", "collections", "dataclasses", "enum", "fractions", "functools", "hashlib", "heapq",
        "itertools", "math", "numbers", "operator", "statistics", "types", "typing",
    }
)  # fmt: skip
CORE_MAY_USE = PURE | {"numpy", "scipy", "quietfloor.monitor.core"}
# Impure by attribute: allowed modules that still hold a door to chance or to files.
CORE_NEVER_CALLS = (
    "np.random", "numpy.random", "np.load", "np.save", "np.memmap", "np.fromfile", "np.loadtxt", "open", "input", "print",
)  # fmt: skip

FIXED_TABLE = re.compile(r"np\.random\.default_rng\(\d+\)")  # numbers from a seed in the source are a table, not chance

# From the top down: a module may import those of its own line and of lines below.
MONITOR_LAYERS = (
    ("cli",),
    ("commands",),
    ("report", "export", "importing"),
    ("display", "textview"),
    ("playback", "readiness"),
    ("finish", "marked"),
    ("run", "guard", "replay", "record", "sound", "listening", "level_check", "calibrating", "doctor", "doctor_loopback"),
    ("certificate",),
    (
        "session", "session_plan", "session_store", "space", "journal", "folder", "plan", "sound_plan", "preflight", "sentence",
        "exposure", "status",
    ),
    ("ladder_errors",),
    ("next_level", "ladder_rules", "masked_runs", "threshold", "whose_ear", "session_types"),
    ("methods", "recorded"),
    ("audiogram", "air_bone", "masking_advice", "hearing", "hearing_tables"),
    ("peaks", "growth", "replicates", "norms_file"),
    ("trace", "marks", "norms"),
    ("search",),
    ("expected", "sources", "wave_noise"),
    ("lock", "xdf", "xdf_format", "xdf_read", "xdf_write"),
    ("foreign_xml",),
    ("core",),
)


class Import(NamedTuple):
    module: str  # dotted name of the module that imports
    line: int
    target: str  # absolute dotted name; for `from a import b` it is a.b

    def __str__(self) -> str:
        return f"{self.module} line {self.line} imports {self.target}"


def is_within(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def imports_in(source: str, module: str, is_package: bool = False) -> Iterator[Import]:
    """Every import, relative ones made absolute, and `import_module("name")` with a literal name."""
    parents = module.split(".") if is_package else module.split(".")[:-1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(module, node.lineno, alias.name)
        elif isinstance(node, ast.ImportFrom):
            base = parents[: len(parents) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            for alias in node.names:
                yield Import(module, node.lineno, f"{stem}.{alias.name}")
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = ast.unparse(node.func).rpartition(".")[2]
            if called in ("import_module", "__import__") and isinstance(node.args[0].value, str):
                yield Import(module, node.lineno, node.args[0].value)


def modules() -> Iterator[tuple[str, Path]]:
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


ALL = [
    found
    for module, path in modules()
    for found in imports_in(path.read_text(encoding="utf-8"), module, path.name == "__init__.py")
]


def wrong(importer: str, *targets: str, but: tuple[str, ...] = ()) -> list[str]:
    """Imports of any of ``targets`` by modules within ``importer``, those by ``but`` excepted."""
    return [
        str(found)
        for found in ALL
        if is_within(found.module, importer)
        and found.module not in but
        and any(is_within(found.target, target) for target in targets)
    ]


def test_there_is_something_to_look_at() -> None:
    assert {found.module.partition(".")[0] for found in ALL} == set(PACKAGES)
    assert len(ALL) > 100


def test_stimuli_know_neither_monitor_nor_bench() -> None:
    assert wrong("stimuli", "monitor", "bench") == []


def test_the_monitor_never_imports_the_bench() -> None:
    assert wrong("monitor", "bench") == []


@pytest.mark.parametrize("package", PACKAGES)
def test_nothing_that_runs_imports_the_tests(package: str) -> None:
    assert wrong(package, "tests", "pytest", "hypothesis", "pyxdf") == []


def test_one_door_to_lab_streaming_layer() -> None:
    assert [name for package in PACKAGES for name in wrong(package, "pylsl", but=("quietfloor.stimuli.lsl",))] == []


def test_qt_stays_in_the_display() -> None:
    found = [imported for imported in ALL if imported.target.partition(".")[0] in TOOLKITS]
    assert [str(imported) for imported in found if not any(is_within(imported.module, place) for place in QT_IN)] == []


def test_what_the_window_shows_is_found_without_qt() -> None:
    """In a fresh interpreter: the view model and all else that is plain brings in no Qt, and neither does the command line."""
    plain = (
        "actions", "conductor", "feed", "frames", "kept", "ladder", "model", "remembered", "scales", "screen", "stage", "terms",
        "theme", "traces", "views",
    )  # fmt: skip
    script = (
        f"import sys, quietfloor.monitor.cli, {', '.join(f'quietfloor.monitor.display.{name}' for name in plain)}\n"
        f"print(sorted(name for name in sys.modules if name.partition('.')[0] in {sorted(TOOLKITS)}))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("package", "may_use"), [("quietfloor.monitor.core", set()), ("quietfloor.monitor.search", {"quietfloor.monitor.search"})])
def test_the_core_and_the_search_use_only_what_is_pure(package: str, may_use: set[str]) -> None:
    inside = [found for found in ALL if is_within(found.module, package)]
    assert inside
    assert [str(found) for found in inside if not any(is_within(found.target, name) for name in CORE_MAY_USE | may_use)] == []


def test_the_core_and_the_search_open_no_file_and_ask_no_global_chance() -> None:
    calls = []
    for module, path in modules():
        if is_within(module, "quietfloor.monitor.core") or is_within(module, "quietfloor.monitor.search"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and not FIXED_TABLE.match(ast.unparse(node)):
                    called = ast.unparse(node.func)
                    calls += [f"{module} line {node.lineno}: {called}" for name in CORE_NEVER_CALLS if is_within(called, name)]
    assert calls == []


def test_within_the_monitor_imports_run_downward() -> None:
    depth = {f"monitor.{name}": number for number, line in enumerate(MONITOR_LAYERS) for name in line}

    def layer(name: str) -> int | None:
        return depth.get(".".join(name.split(".")[:2]))

    inside = [module for module, _ in modules() if is_within(module, "monitor") and module != "monitor"]
    assert [module for module in inside if layer(module) is None] == [], "give these a line in MONITOR_LAYERS and pyproject.toml"
    upward = []
    for found in ALL:
        own, target = layer(found.module), layer(found.target)
        if own is not None and target is not None and target < own:
            upward.append(str(found))
    assert upward == []


def test_both_lists_of_layers_agree() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]
    layers = next(contract["layers"] for contract in contracts if contract["type"] == "layers")
    written = [{name.strip(" ()") for name in line.split(":")} for line in layers]
    assert written == [set(line) for line in MONITOR_LAYERS]


def test_the_core_loads_without_anything_else_of_the_project() -> None:
    """The one that imports: in a fresh interpreter, the engine brings in no other part and no LSL."""
    script = (
        "import sys, quietfloor.monitor.core.engine\n"
        "names = {'stimuli', 'bench', 'pylsl', 'sounddevice', 'PyQt5', 'pydantic', 'rich'}\n"
        "ours = [name for name in sys.modules if name.startswith('monitor.') and not name.startswith('quietfloor.monitor.core')]\n"
        "print(sorted(ours + [name for name in sys.modules if name.partition('.')[0] in names]))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


SAMPLE = """
import time
from . import history
from ..folder import RunFolder as Folder
def late():
    from quietfloor.bench.patient.rig import Rig
    import importlib
    return importlib.import_module("pylsl")
"""


def test_the_reader_of_imports_sees_every_form() -> None:
    assert {found.target for found in imports_in(SAMPLE, "quietfloor.monitor.core.engine")} == {
        "time", "quietfloor.monitor.core.history", "quietfloor.monitor.storage.run_folder.RunFolder", "quietfloor.bench.patient.rig.Rig", "importlib", "pylsl",
    }  # fmt: skip
    assert (
        next(imports_in("from .base import Source", "quietfloor.monitor.sources", True)).target
        == "quietfloor.monitor.sources.base.Source"
    )
