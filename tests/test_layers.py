"""Who may import whom. The contracts in pyproject.toml say it, and import-linter holds the import graph to them. Here: no
circle is left; and the source alone keeps to it too, with imports inside functions and by name, and nothing imported to find out.

The pure core is held to a list of what it may use rather than of what it may not.
"""

from __future__ import annotations

import ast
import functools
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("stimuli", "monitor", "bench")
TOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
CONTRACTS: list[dict[str, Any]] = TOOLS["importlinter"]["contracts"]
TOOLKITS = frozenset({"PyQt5", "PyQt6", "PySide2", "PySide6", "qtpy", "pyqtgraph"})

# Standard library modules without clock, chance, files, threads or network behind them.
PURE = frozenset(
    {
        "__future__", "abc", "bisect", "collections", "dataclasses", "enum", "fractions", "functools", "hashlib", "heapq",
        "itertools", "math", "numbers", "operator", "statistics", "types", "typing",
    }
)  # fmt: skip
CORE = "quietfloor.monitor.core"
(PURE_PACKAGES,) = (one["source_modules"] for one in CONTRACTS if CORE in one.get("source_modules", ()))
THEY_MAY_USE = PURE | {"numpy", "scipy", *PURE_PACKAGES}
# Impure by attribute: allowed modules that still hold a door to chance or to files.
CORE_NEVER_CALLS = (
    "np.random", "numpy.random", "np.load", "np.save", "np.memmap", "np.fromfile", "np.loadtxt", "open", "input", "print",
)  # fmt: skip

FIXED_TABLE = re.compile(r"np\.random\.default_rng\(\d+\)")  # numbers from a seed in the source are a table, not chance


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
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            parts = ("quietfloor", *path.relative_to(ROOT).with_suffix("").parts)
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


@functools.cache
def all_imports() -> list[Import]:
    return [
        found
        for module, path in modules()
        for found in imports_in(path.read_text(encoding="utf-8"), module, path.name == "__init__.py")
    ]


NAMES = {module for module, _ in modules()}


def wrong(importer: str, *targets: str, but: tuple[str, ...] = ()) -> list[str]:
    """Imports of any of ``targets`` by modules within ``importer``, those by ``but`` excepted."""
    return [
        str(found)
        for found in all_imports()
        if is_within(found.module, importer)
        and found.module not in but
        and any(is_within(found.target, target) for target in targets)
    ]


def test_there_is_something_to_look_at() -> None:
    assert {found.module.split(".")[1] for found in all_imports()} == set(FOLDERS)
    assert len(all_imports()) > 100


def test_every_import_of_the_project_has_its_one_name() -> None:
    """`import monitor` would find any folder of that name beside a notebook."""
    assert wrong("quietfloor", *FOLDERS) == []


def test_stimuli_know_neither_monitor_nor_bench() -> None:
    """But for the doors to what others wrote, which know nothing of the project."""
    doors = "quietfloor.monitor.untrusted"
    found = [one for one in all_imports() if is_within(one.module, "quietfloor.stimuli") and not is_within(one.target, doors)]
    assert [str(one) for one in found if any(is_within(one.target, f"quietfloor.{name}") for name in ("monitor", "bench"))] == []
    assert [str(one) for one in all_imports() if is_within(one.module, doors) and not is_within(one.target, doors)
            and is_within(one.target, "quietfloor")] == []  # fmt: skip


def test_the_monitor_never_imports_the_bench() -> None:
    assert wrong("quietfloor.monitor", "quietfloor.bench") == []


def test_nothing_that_runs_imports_the_tests() -> None:
    assert wrong("quietfloor", "tests", "pytest", "pyxdf") == []
    assert wrong("quietfloor", "hypothesis", but=("quietfloor.bench.devtools.fuzz_inputs",)) == []  # which is not installed


def test_one_door_to_lab_streaming_layer() -> None:
    assert wrong("quietfloor", "pylsl", but=("quietfloor.stimuli.lsl",)) == []


def test_qt_stays_in_the_display_and_with_what_opens_a_window_for_the_bench() -> None:
    (contract,) = (one for one in CONTRACTS if "PyQt5" in one.get("forbidden_modules", ()) and "ignore_imports" in one)
    allowed = {line.partition(" -> ")[0].removesuffix(".*") for line in contract["ignore_imports"]}
    found = [imported for imported in all_imports() if imported.target.partition(".")[0] in TOOLKITS]
    assert [str(imported) for imported in found if not any(is_within(imported.module, place) for place in allowed)] == []


def test_what_the_window_shows_is_found_without_qt() -> None:
    """In a fresh interpreter: the view model and all else that is plain brings in no Qt, and neither does the command line."""
    plain = (
        "actions", "feed", "frames", "ladder", "look_history", "model", "run_view", "scales", "screen", "terms", "theme",
        "traces", "view_controller", "views", "window_settings",
    )  # fmt: skip
    script = (
        f"import sys, quietfloor.monitor.cli, {', '.join(f'quietfloor.monitor.display.{name}' for name in plain)}\n"
        f"print(sorted(name for name in sys.modules if name.partition('.')[0] in {sorted(TOOLKITS)}))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("package", PURE_PACKAGES)
def test_what_is_pure_uses_only_what_is_pure(package: str) -> None:
    inside = [found for found in all_imports() if is_within(found.module, package)]
    assert inside
    assert [str(found) for found in inside if not any(is_within(found.target, name) for name in THEY_MAY_USE)] == []


def test_what_is_pure_opens_no_file_and_asks_no_global_chance() -> None:
    calls = []
    for module, path in modules():
        if any(is_within(module, package) for package in PURE_PACKAGES):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and not FIXED_TABLE.match(ast.unparse(node)):
                    called = ast.unparse(node.func)
                    calls += [f"{module} line {node.lineno}: {called}" for name in CORE_NEVER_CALLS if is_within(called, name)]
    assert calls == []


@pytest.mark.parametrize("contract", [one for one in CONTRACTS if one["type"] == "layers"], ids=lambda one: one["containers"][0])
def test_imports_run_downward(contract: dict[str, Any]) -> None:
    (container,) = contract["containers"]
    lines = [re.split(r" [:|] ", line) for line in contract["layers"]]
    depth = {f"{container}.{name.strip('()')}": number for number, line in enumerate(lines) for name in line}
    below = container.count(".") + 2

    def layer(name: str) -> int | None:
        return depth.get(".".join(name.split(".")[:below]))

    inside = [module for module in NAMES if is_within(module, container) and module != container]
    assert [module for module in inside if layer(module) is None] == [], "give these a place in pyproject.toml"
    upward = []
    for found in all_imports():
        own, target = layer(found.module), layer(found.target)
        if own is not None and target is not None and target < own:
            upward.append(str(found))
    assert upward == []


def order(graph: Mapping[str, set[str]]) -> None:
    """Raises CycleError with the modules of a circle."""
    TopologicalSorter(graph).prepare()


def graph_of(place: int) -> dict[str, set[str]]:
    """Modules, or the packages that ``place`` parts of their names say, with what each imports of the project."""
    graph: dict[str, set[str]] = {}
    for found in all_imports():
        target = found.target
        while target and target not in NAMES:
            target = target.rpartition(".")[0]
        own, other = (".".join(name.split(".")[:place]) for name in (found.module, target))
        graph.setdefault(own, set())
        if other and other != own:
            graph[own].add(other)
    return graph


@pytest.mark.parametrize("place", [9, 3], ids=["modules", "packages"])
def test_no_circle_of_imports_is_left(place: int) -> None:
    """Bench, stimuli, commands and display included, and imports inside functions."""
    graph = graph_of(place)
    assert len(graph) > 20
    order(graph)


def test_a_circle_would_be_found() -> None:
    graph = graph_of(9)
    graph["quietfloor.monitor.core.samples"] = {"quietfloor.monitor.cli"}
    with pytest.raises(CycleError):
        order(graph)


def test_the_core_loads_without_anything_else_of_the_project() -> None:
    """The one that imports: in a fresh interpreter, the engine brings in no other part and no LSL."""
    script = (
        f"import sys, {CORE}.engine\n"
        "names = {'pylsl', 'sounddevice', 'PyQt5', 'pydantic', 'rich'}\n"
        "above = {'quietfloor', 'quietfloor.monitor'}\n"
        f"ours = [name for name in sys.modules if name.startswith('quietfloor') and not name.startswith('{CORE}')]\n"
        "print(sorted(set(ours) - above | {name for name in sys.modules if name.partition('.')[0] in names}))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


SAMPLE = """
import time
from . import history
from ..storage import RunFolder as Folder
def late():
    from quietfloor.bench.patient.rig import Rig
    import importlib
    return importlib.import_module("pylsl")
"""


def test_the_reader_of_imports_sees_every_form() -> None:
    assert {found.target for found in imports_in(SAMPLE, "quietfloor.monitor.core.engine")} == {
        "time", "quietfloor.monitor.core.history", "quietfloor.monitor.storage.RunFolder", "quietfloor.bench.patient.rig.Rig",
        "importlib", "pylsl",
    }  # fmt: skip
    assert next(imports_in("from .base import Source", "monitor.sources", True)).target == "monitor.sources.base.Source"
