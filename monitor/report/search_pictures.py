"""Picture of a search: which level was played when, and how the interval of the threshold narrowed."""

from __future__ import annotations

from typing import Any

import numpy as np

from quietfloor.monitor.report.level_pictures import level_ticks
from quietfloor.monitor.report.pictures import GREY, THRESHOLD, Area, Picture, axes_in, is_narrow, legend_in
from quietfloor.monitor.review.search_record import Search, spans

INCH, LEAST_INCH = 2.4, 1.7
INTERVAL, ORDER = "#dfeae3", "#b0662a"
WHY = {"start": GREY, "operator": ORDER, "threshold": "#17807a", "proof": THRESHOLD}  # colour of a level that was played
WHY_WORDS = {"start": "to begin with", "operator": "as ordered", "threshold": "to narrow the threshold", "proof": "to prove it"}


def order_picture(search: Search, place: int) -> Picture:
    """Level against time of one condition of a search, with the interval of its threshold as it narrowed, and orders."""
    return Picture(INCH, LEAST_INCH, lambda figure, area: _order(figure, area, search, place), 3.7)


def _order(figure: Any, area: Area, search: Search, place: int) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    axes = axes_in(figure, area, (0.6, 1.5, 0.15, 0.12) if is_narrow(area) else (0.6, 0.45, 2.1, 0.12))
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
        axes.step(at, within, where="post", color=THRESHOLD, linewidth=1.6, linestyle=(0, (5, 3)), zorder=5)
        handles += [
            Line2D([], [], color=THRESHOLD, linewidth=1.6, linestyle=(0, (5, 3)), label="threshold, as known then"),
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
    for number, order in enumerate(wanted for wanted in search.ordered if wanted.condition in (None, place)):
        axes.axvline(order.seconds / 60, color=ORDER, linewidth=1.0, zorder=2)
        place_points = (2, -2 - 8 * (number % 4))
        axes.annotate(
            order.order.replace("_", " "), (order.seconds / 60, 1.0), place_points, xycoords=("data", "axes fraction"),
            textcoords="offset points", ha="left", va="top", fontsize=6.5, color=ORDER,
        )  # fmt: skip
    axes.set_ylim(bottom, top)
    axes.set_xlim(0.0, max(end, 0.01))
    level_ticks(axes.yaxis, levels)
    axes.set_xlabel("minutes of the recording")
    axes.set_ylabel("dB nHL")
    axes.grid(axis="y", color="#e4e7e9", linewidth=0.6)
    axes.set_axisbelow(True)
    legend_in(axes, area, handles)
