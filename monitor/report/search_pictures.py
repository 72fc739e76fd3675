"""Pictures of a search: which level was played when, and what is known of wave V against level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from quietfloor.monitor.report.parts import Ladder
from quietfloor.monitor.report.pictures import DARK, GREY, Area, Picture, axes_in
from quietfloor.monitor.review.search_record import Search, spans
from quietfloor.monitor.waves.marks import Estimate

INCH, LEAST_INCH = 2.4, 1.7
INTERVAL, FOUND, ORDER = "#dfeae3", "#1d6b43", "#b0662a"
WHY = {"start": GREY, "operator": ORDER, "threshold": "#2a6f97", "proof": FOUND}  # colour of a level that was played
WHY_WORDS = {"start": "to begin with", "operator": "as ordered", "threshold": "to narrow the threshold", "proof": "to prove it"}


def order_picture(search: Search, place: int) -> Picture:
    """Level against time of one condition of a search, with the interval of its threshold as it narrowed, and orders."""
    return Picture(INCH, LEAST_INCH, lambda figure, area: _order(figure, area, search, place))


def level_picture(ladder: Ladder) -> Picture:
    """Latency and amplitude of wave V against level, from the marks, with what is published."""
    return Picture(INCH, LEAST_INCH, lambda figure, area: _levels(figure, area, ladder))


def _order(figure: Any, area: Area, search: Search, place: int) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    axes = axes_in(figure, area, (0.6, 0.45, 2.1, 0.12))
    one = search.conditions[place]
    levels = [cell.level_db_nhl for cell in one.cells]
    bottom, top = levels[0] - 8.0, levels[-1] + 8.0
    end = search.played[-1].seconds / 60.0
    handles: list[Any] = []
    if search.chosen:
        at = np.array([chosen.seconds for chosen in search.chosen] + [60.0 * end]) / 60.0
        bounds = np.array([(one.low_db[place], one.threshold_db[place], one.high_db[place]) for one in search.chosen])
        low, middle, high = np.vstack([bounds, bounds[-1:]]).T
        axes.fill_between(at, np.maximum(low, bottom), np.minimum(high, top), step="post", color=INTERVAL, linewidth=0, zorder=0)
        within = np.where(np.isinf(middle), np.nan, middle)
        axes.step(at, within, where="post", color=FOUND, linewidth=1.0, linestyle=(0, (5, 3)), zorder=1)
        handles += [
            Line2D([], [], color=FOUND, linewidth=1.0, linestyle=(0, (5, 3)), label="threshold, as known then"),
            Patch(color=INTERVAL, label="its interval, 95 %"),
        ]
    number_of = {cell.level_db_nhl: cell.number for cell in one.cells}
    used: dict[str, None] = {}
    for start, stop, level in spans(search.played, place):
        whys = [chosen.why for chosen in search.chosen if chosen.cell == number_of[level] and chosen.seconds <= start]
        why = whys[-1] if whys else "start"
        used.setdefault(why)
        colour = WHY.get(why, GREY)
        axes.plot([start / 60, stop / 60], [level, level], color=colour, linewidth=4.0, solid_capstyle="butt", zorder=3)
    handles += [
        Line2D([], [], color=WHY.get(why, GREY), linewidth=4.0, label=WHY_WORDS.get(why, why)) for why in WHY if why in used
    ]
    for order in search.ordered:
        if order.condition in (None, place):
            axes.axvline(order.seconds / 60, color=ORDER, linewidth=1.0, zorder=2)
            axes.annotate(
                order.order.replace("_", " "), (order.seconds / 60, 1.0), (2, -2), xycoords=("data", "axes fraction"),
                textcoords="offset points", ha="left", va="top", fontsize=6.5, color=ORDER,
            )  # fmt: skip
    axes.set_ylim(bottom, top)
    axes.set_xlim(0.0, end)
    _level_ticks(axes.yaxis, levels)
    axes.set_xlabel("minutes of the recording")
    axes.set_ylabel("dB nHL")
    axes.grid(axis="y", color="#e4e7e9", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False, fontsize=7.5)


def _level_ticks(axis: Any, levels: Sequence[float]) -> None:
    from matplotlib.ticker import MultipleLocator

    span = levels[-1] - levels[0]
    axis.set_major_locator(MultipleLocator(5.0 if span <= 20 else 10.0 if span <= 60 else 20.0))


def _levels(figure: Any, area: Area, ladder: Ladder) -> None:
    half = area[2] / 2
    marked = [(level, mark) for level in ladder.levels if (mark := level.marks.get("V")) is not None]
    levels = sorted(cell.level_db_nhl for _, one in ladder.searches for cell in one.cells)
    for side, (title, key, published) in enumerate(
        (("latency of wave V, ms", "latency_ms", "V"), ("amplitude of wave V, nV", "amplitude_nv", "V amplitude"))
    ):
        axes = axes_in(figure, (area[0] + side * half, area[1], half, area[3]), (0.6, 0.45, 0.15, 0.12))
        for level, mark in marked:
            at, value = level.level_db_nhl, getattr(mark, key)
            _bar(axes, at, value, DARK, filled=mark.by == "operator")
            norm = dict(level.published).get(published)
            if norm is not None and math.isfinite(norm.low + norm.high):
                axes.plot([at + 1.2] * 2, [norm.low, norm.high], color=GREY, linewidth=1.0, marker="_", markersize=5, zorder=2)
        axes.set_xlim(levels[0] - 4, levels[-1] + 4)
        _level_ticks(axes.xaxis, levels)
        axes.set_xlabel("dB nHL")
        axes.set_ylabel(title)
        axes.grid(axis="y", color="#e4e7e9", linewidth=0.6)
        axes.set_axisbelow(True)
        if key == "amplitude_nv":
            axes.set_ylim(bottom=0.0)


def _bar(axes: Any, at: float, value: Estimate, colour: str, filled: bool) -> None:
    if math.isfinite(value.value):
        face = colour if filled else "white"
        axes.plot([at], [value.value], marker="o", color=colour, markerfacecolor=face, markersize=5, linestyle="none", zorder=5)
        if math.isfinite(value.low + value.high):
            axes.plot([at, at], [value.low, value.high], color=colour, linewidth=1.1, zorder=4)
