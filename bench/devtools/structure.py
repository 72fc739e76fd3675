"""Figures and a picture of the project's structure, now or at any revision: how many modules, who imports whom, how long.

    python -m quietfloor.bench.devtools.structure --at c549373 .
    python -m quietfloor.bench.devtools.structure --picture structure.svg

Imports are read by grimp, which comes with import-linter; those inside functions count. A *floor* is a level of the stack that
is left when everything stands above what it imports; modules that import each other in a circle share one. A *part* of a folder
is a package in it, or a module beside these. Lengths are lines of files as they are, blank lines and comments included; nested
functions and methods count as functions.
"""

from __future__ import annotations

import argparse
import ast
import io
import json
import os
import re
import statistics
import subprocess
import sys
import tarfile
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

FOLDERS = ("stimuli", "monitor", "bench")
HERE = Path(__file__).resolve().parents[2]
TREE = "."  # names the tree as it is, among revisions
# Run in a process of its own: grimp finds packages as Python does, and here the names stand for this tree already.
READ = """
import grimp, json, sys
graph = grimp.build_graph(*sys.argv[1:], cache_dir=None)
print(json.dumps({name: sorted(graph.find_modules_directly_imported_by(name)) for name in graph.modules}))
"""
Graph = Mapping[str, set[str]]  # name -> names that it imports


@dataclass(frozen=True)
class Stack:
    """``floors`` name -> its floor, 0 the lowest. ``circles`` are groups of names that import each other."""

    floors: dict[str, int]
    circles: list[list[str]]
    arrows: int

    @property
    def height(self) -> int:
        return 1 + max(self.floors.values(), default=-1)


def checked_out(tree: Path, revision: str, into: Path) -> Path:
    """The files of a revision, below ``into``; the tree itself is left alone. Raises ValueError for a revision that git lacks."""
    done = subprocess.run(["git", "archive", revision], cwd=tree, capture_output=True, check=False)
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip()
        raise ValueError(f"{revision!r} is no revision that git has here ({said}): give one that `git log --oneline` names")
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as files:
        files.extractall(into, filter="data")
    return into


def imports(tree: Path) -> dict[str, set[str]]:
    """Modules of the tree -> the project's modules that each imports; names without the project's own. Raises RuntimeError."""
    view = tree / ".ci" / "view"
    place, roots = (view, ("quietfloor",)) if view.is_dir() else (tree, FOLDERS)
    alone = {**os.environ, "PYTHONPATH": ""}
    done = subprocess.run([sys.executable, "-c", READ, *roots], cwd=place, env=alone, capture_output=True, text=True, check=False)
    if done.returncode:
        said = done.stderr.strip().splitlines()[-1]
        raise RuntimeError(f"grimp cannot read the imports of {tree} ({said}): give a clone; pip install '.[test]' has grimp")
    found = {short(name): {short(one) for one in targets} for name, targets in json.loads(done.stdout).items()}
    return {name: found[name] - {""} for name in sorted(found) if name}


def short(name: str) -> str:
    return name.removeprefix("quietfloor").removeprefix(".")


def package(module: str, modules: Graph) -> str:
    """The package that holds a module; a package's own file belongs to it."""
    return module if any(one.startswith(f"{module}.") for one in modules) else module.rpartition(".")[0]


def part(module: str) -> str:
    """The package, or the single module, directly in monitor or bench; stimuli has no packages and is one part."""
    return ".".join(module.split(".")[:2]) if not module.startswith("stimuli") else "stimuli"


def grouped(graph: Graph, key: Callable[[str], str]) -> dict[str, set[str]]:
    groups: dict[str, set[str]] = defaultdict(set)
    for name, targets in graph.items():
        groups[key(name)] |= {key(one) for one in targets} - {key(name)}
    return dict(groups)


def within(graph: Graph, folder: str) -> dict[str, set[str]]:
    inside = {name for name in graph if name.startswith(f"{folder}.")}
    return {name: graph[name] & inside for name in sorted(inside)}


def stack(graph: Graph) -> Stack:
    """Each name a floor above all that it imports."""
    names = sorted(graph)
    number = {name: index for index, name in enumerate(names)}
    pairs = np.array([(number[name], number[one]) for name in names for one in graph[name]], dtype=np.intp).reshape(-1, 2)
    matrix = csr_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(names), len(names)))
    count, group = connected_components(matrix, directed=True, connection="strong")
    steps = {(int(group[a]), int(group[b])) for a, b in pairs if group[a] != group[b]}
    floor = np.zeros(count, dtype=np.intp)
    for _ in range(count):  # each round raises what stands too low; without circles between groups this ends
        raised = floor.copy()
        for above, below in steps:
            raised[above] = max(raised[above], floor[below] + 1)
        if np.array_equal(raised, floor):
            break
        floor = raised
    members: dict[int, list[str]] = defaultdict(list)
    for name in names:
        members[int(group[number[name]])].append(name)
    circles = [one for one in members.values() if len(one) > 1]
    return Stack({name: int(floor[group[number[name]]]) for name in names}, circles, len(pairs))


def lines(paths: Iterator[Path]) -> dict[Path, int]:
    return {path: len(path.read_text(encoding="utf-8").splitlines()) for path in paths}


def functions(path: Path) -> dict[str, int]:
    """Lines of each function and method of a file, from ``def`` to its last line."""
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {
        f"{path.name}:{node.lineno} {node.name}": (node.end_lineno or node.lineno) - node.lineno + 1
        for node in nodes
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }


def of_stack(name: str, graph: Graph) -> dict[str, str]:
    found = stack(graph)
    circles = f"{len(found.circles)} (of {sum(map(len, found.circles))})" if found.circles else "0"
    return {
        name: f"{len(graph):,}",
        f"{name}: arrows": f"{found.arrows:,}",
        f"{name}: floors": f"{found.height}",
        f"{name}: circles (of how many)": circles,
    }


def middle_and_most(what: Mapping[str, int]) -> str:
    longest = max(what, key=lambda name: what[name])
    return f"{statistics.median(what.values()):g}; {what[longest]:,} ({longest})"


def figures(tree: Path) -> dict[str, str]:
    """Words for each figure -> its value, of a tree with the project's three folders. Raises RuntimeError."""
    graph = imports(tree)
    code = lines(path for folder in FOLDERS for path in sorted((tree / folder).rglob("*.py")))
    lengths = {path.relative_to(tree).as_posix(): count for path, count in code.items() if count}
    sizes = {name: count for path in code for name, count in functions(path).items()}
    pages = lines(path for place in (tree.glob("*.md"), (tree / "docs").rglob("*.md")) for path in place)
    return {
        **of_stack("modules", graph),
        **of_stack("packages", grouped(graph, lambda name: package(name, graph))),
        **of_stack("parts of monitor", within(grouped(graph, part), "monitor")),
        **of_stack("parts of bench", within(grouped(graph, part), "bench")),
        "lines of a module: median; longest": middle_and_most(lengths),
        "lines of a function: median; longest": middle_and_most(sizes),
        "functions": f"{len(sizes):,}",
        "lines of code": f"{sum(code.values()):,}",
        "lines of tests": f"{sum(lines((tree / 'tests').rglob('*.py')).values()):,}",
        "lines of docs": f"{sum(pages.values()):,}",
    }


def table(columns: Mapping[str, Mapping[str, str]]) -> str:
    """Markdown: a row a figure, a column a tree."""
    rows = [["", *columns], ["---", *["---"] * len(columns)]]
    rows += [[name, *(one[name] for one in columns.values())] for name in next(iter(columns.values()))]
    return "".join(f"| {' | '.join(row)} |\n" for row in rows)


def picture(graph: Graph, out: Path, title: str) -> None:
    """An SVG: the parts in their floors, each importer above what it imports, lines between. Red: what is part of a circle."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Line

    parts = grouped({name: targets for name, targets in graph.items() if name not in FOLDERS or name == "stimuli"}, part)
    parts = {name: targets & set(parts) for name, targets in parts.items()}
    found = stack(parts)
    rows: dict[int, list[str]] = defaultdict(list)
    for name in sorted(parts):
        rows[found.floors[name]].append(name)
    widest = max(map(len, rows.values()))
    place: dict[str, tuple[float, float]] = {}
    for height in sorted(rows):  # in the order of the middle of what stands below, so that lines cross less
        below = {name: [place[one][0] for one in parts[name] if one in place] or [0.5] for name in rows[height]}
        rows[height].sort(key=lambda name: (statistics.fmean(below[name]), name))
        for index, name in enumerate(rows[height]):
            place[name] = ((index + 0.5) / len(rows[height]), height)
    in_circle = {name: number for number, circle in enumerate(found.circles) for name in circle}
    arrows: dict[str, list[tuple[float, float]]] = {"#8899a6": [], "#c0392b": []}  # ends of lines; the red ones are of a circle
    for name in sorted(parts):
        for one in sorted(parts[name]):
            red = name in in_circle and in_circle[name] == in_circle.get(one)
            (x, y), (below_x, below_y) = place[name], place[one]
            arrows["#c0392b" if red else "#8899a6"] += [(x, y - 0.12), (below_x, below_y + 0.12)]
    colours = {"stimuli": "#cfe3f7", "monitor": "#dff0d2", "bench": "#f7e5c4"}
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "structure", "font.family": "sans-serif"}):
        figure = Figure(figsize=(max(9.0, 0.85 * widest), 0.7 * len(rows) + 0.5), layout="constrained")
        axes = figure.subplots()
        for colour, ends in arrows.items():
            if ends:
                line = Line(ends, [Line.MOVETO, Line.LINETO] * (len(ends) // 2))
                axes.add_patch(PathPatch(line, fill=False, edgecolor=colour, linewidth=0.4))
        for name, (x, y) in place.items():
            folder, _, label = name.partition(".")
            box = {"boxstyle": "square,pad=0.3", "facecolor": colours[folder], "edgecolor": "#445", "linewidth": 0.6}
            axes.text(x, y, label or name, ha="center", va="center", fontsize=7, bbox=box)
        axes.set(xlim=(0, 1), ylim=(-0.5, len(rows) - 0.5), title=title)
        axes.set_axis_off()
        figure.savefig(out, format="svg", metadata={"Date": None})
    text = out.read_text(encoding="utf-8")
    out.write_text(re.sub(r"[ \t]+$", "", text, flags=re.MULTILINE), encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    parse = argparse.ArgumentParser(
        "python -m quietfloor.bench.devtools.structure", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parse.add_argument("--tree", type=Path, default=HERE, metavar="FOLDER", help="a clone of the project (this one)")
    parse.add_argument("--at", nargs="+", default=[TREE], metavar="REV", help="a column each; . is the tree as it is (.)")
    parse.add_argument("--picture", type=Path, metavar="FILE.svg", help="draws the last of them, instead of the table")
    options = parse.parse_args(arguments)
    if options.picture and options.picture.suffix != ".svg":
        parse.error(f"--picture {options.picture}: give a file name that ends in .svg")
    columns = {}
    with tempfile.TemporaryDirectory() as scratch:
        try:
            for number, revision in enumerate(options.at):
                tree = options.tree if revision == TREE else checked_out(options.tree, revision, Path(scratch) / str(number))
                if not options.picture:
                    columns["now" if revision == TREE else revision] = figures(tree)
                elif revision == options.at[-1]:
                    picture(imports(tree), options.picture, "now" if revision == TREE else revision)
        except (ValueError, RuntimeError) as error:
            parse.error(str(error))
    sys.stdout.write(table(columns) if columns else f"{options.picture}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
