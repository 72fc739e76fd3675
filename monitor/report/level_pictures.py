"""Picture of a ladder: latency and amplitude of wave V against level, beside what is published."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.parts import Ladder, Level
from quietfloor.monitor.report.pictures import GREY, MARK, THRESHOLD, Area, Picture, axes_in, is_narrow
from quietfloor.monitor.review.search_record import SearchedCondition
from quietfloor.monitor.search.fitted import Fitted
from quietfloor.monitor.waves.marks import Estimate, Mark

INCH, LEAST_INCH, NARROW_INCH = 2.65, 2.1, 5.2
BELOW_INCH, NARROW_BELOW_INCH = 0.35, 1.0  # of legend
PUBLISHED, MODEL = "#e4e7e9", "#dfeae3"
SIDES = (("latency of V, ms", "latency_ms"), ("amplitude of V, nV", "amplitude_nv"))


def level_picture(ladder: Ladder) -> Picture:
    """Latency and amplitude of wave V against level, from the marks, with what is published and what the model believes."""
    return Picture(INCH, LEAST_INCH, lambda figure, area: _levels(figure, area, ladder), NARROW_INCH)


def has_levels(ladder: Ladder) -> bool:
    """Whether there is anything of wave V to be seen against level."""
    return bool(marked_of(ladder)) or any(model_of(run, one) is not None for run, one in ladder.searches)


def marked_of(ladder: Ladder) -> list[tuple[Level, Mark]]:
    """The marks on wave V at levels in dB nHL, from the highest level down."""
    found = [(level, level.marks.get("V")) for level in ladder.levels if math.isfinite(level.level_db_nhl)]
    return [(level, mark) for level, mark in found if mark is not None]


def model_of(run: RunMaterial, one: SearchedCondition) -> Fitted | None:
    """What the model believes of wave V in a condition of a search."""
    return None if run.search is None else run.search.fit_of(run.search.conditions.index(one))


def level_ticks(axis: Any, levels: Sequence[float]) -> None:
    """Ticks at round levels in dB; ``levels`` rise."""
    from matplotlib.ticker import MultipleLocator

    span = levels[-1] - levels[0]
    axis.set_major_locator(MultipleLocator(5.0 if span <= 20 else 10.0 if span <= 60 else 20.0))


def _levels(figure: Any, area: Area, ladder: Ladder) -> None:
    left, bottom, width, height = area
    marked = marked_of(ladder)
    levels = sorted({level.level_db_nhl for level, _ in marked} | {
        cell.level_db_nhl for _, one in ladder.searches for cell in one.cells
    } | {level.level_db_nhl for level in ladder.levels if math.isfinite(level.level_db_nhl)})  # fmt: skip
    narrow = is_narrow(area)
    below = NARROW_BELOW_INCH if narrow else BELOW_INCH
    handles: dict[str, Any] = {}
    for side, (title, key) in enumerate(SIDES):
        if narrow:
            each = (height - below) / 2
            place: Area = (left, bottom + below + (1 - side) * each, width, each)
        else:
            place = (left + side * width / 2, bottom + below, width / 2, height - below)
        axes = axes_in(figure, place, (0.6, 0.45, 0.15, 0.12))
        handles |= dict(_one_side(axes, ladder, marked, key))
        axes.set_xlim(levels[0] - 4, levels[-1] + 4)
        level_ticks(axes.xaxis, levels)
        axes.set_xlabel("dB nHL")
        axes.set_ylabel(title)
        axes.grid(axis="y", color="#e4e7e9", linewidth=0.6)
        axes.set_axisbelow(True)
        if key == "amplitude_nv":
            axes.set_ylim(bottom=0.0)
    across, up = figure.get_size_inches()
    figure.legend(
        handles=list(handles.values()), loc="upper left", bbox_to_anchor=((left + 0.1) / across, (bottom + below) / up),
        frameon=False, fontsize=7.5, ncols=1 if narrow else 4, borderaxespad=0.0, columnspacing=1.2,
    )  # fmt: skip


def _one_side(axes: Any, ladder: Ladder, marked: Sequence[tuple[Level, Mark]], key: str) -> Iterator[tuple[str, Any]]:
    """Draw one of the two axes; gives what its legend needs, by name."""
    at, mean, low, high = _published(ladder, key)
    if np.isfinite(low).any():
        yield "range", axes.fill_between(at, low, high, color=PUBLISHED, linewidth=0, zorder=0, label="published range")
    if len(at):
        yield "mean", axes.plot(at, mean, color=GREY, linewidth=1.2, linestyle=(0, (4, 2)), zorder=1, label="published mean")[0]
    for run, one in ladder.searches:
        model = model_of(run, one)
        if model is None:
            continue
        levels_db = np.array([cell.level_db_nhl for cell in one.cells])
        below, middle, above = model.latency_ms if key == "latency_ms" else model.amplitude_nv
        there = levels_db >= (model.threshold_db[1] if key == "latency_ms" else -np.inf)
        yield "band", axes.fill_between(
            levels_db[there], below[there], above[there], color=MODEL, linewidth=0, zorder=2, alpha=0.8,
            label="model of the search, 95 %",
        )  # fmt: skip
        axes.plot(levels_db[there], middle[there], color=THRESHOLD, linewidth=1.0, zorder=3)
    if ladder.line is not None and math.isfinite(ladder.line[0]):
        yield "threshold", axes.axvline(
            ladder.line[0], color=THRESHOLD, linewidth=1.4, linestyle=(0, (5, 3)), zorder=3, label=ladder.line[1]
        )
    for level, mark in marked:
        colour = MARK if level.found_any else GREY
        said = "marked by a person" if mark.by == "operator" else "suggested" if level.found_any else (
            "suggested, no response found"
        )  # fmt: skip
        yield said, _point(axes, level.level_db_nhl, getattr(mark, key), colour, mark.by == "operator", said)


def _published(ladder: Ladder, key: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Levels, means, and both ends of the range, nan where a study has none."""
    norms = [(level, latency if key == "latency_ms" else amplitude) for level, latency, amplitude in ladder.published]
    rows = [(level, norm.mean, norm.low, norm.high) for level, norm in norms if norm is not None]
    found = np.array(rows, dtype=float).reshape(-1, 4)
    return found[:, 0], found[:, 1], found[:, 2], found[:, 3]


def _point(axes: Any, at: float, value: Estimate, colour: str, filled: bool, said: str) -> Any:
    face = colour if filled else "white"
    (point,) = axes.plot(
        [at], [value.value], marker="o", color=colour, markerfacecolor=face, markersize=5, linestyle="none", zorder=6, label=said
    )
    if math.isfinite(value.low + value.high):
        axes.plot([at, at], [value.low, value.high], color=colour, linewidth=2.4, marker="_", markersize=7, zorder=5)
        axes.margins(y=0.12)
    return point
