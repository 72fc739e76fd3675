"""A chart of estimated hearing levels with the symbols of an audiogram, as a matplotlib figure.

Axes and symbols follow the Guidelines for Audiometric Symbols of the American Speech-Language-Hearing Association, 1990, and ISO
8253-1 (both from memory; the symbols and the direction of arrows secondary, seen in rules of a licensing board). The lowest
levels are on top, an octave is as wide as 20 dB is high, the right ear is red, the left ear blue. Bone symbols are beside the
line of their frequency, on the side on which an observer who faces the person sees that ear. Lines join levels by air that were
found, never those without response.

An arrow up, for a level that may be better, is our choice; so are the bars. The values are estimates, and the chart says so.
"""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.monitor.hearing.estimate import Estimate, NotEstimated
from quietfloor.monitor.hearing.tables import worst_status

FORMATS = (".png", ".svg", ".pdf")
COLOURS = {"right": "#c00020", "left": "#1040c0"}  # told apart by symbol, side and dash as well
TOP_DB, BOTTOM_DB = -10.0, 120.0
LOWEST_HZ, HIGHEST_HZ = 125.0, 8000.0
OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
HALF_OCTAVES_HZ = (750.0, 1500.0, 3000.0, 6000.0)
DB_AN_OCTAVE = 20.0
SIZE = 15.0
# Drawn as lines in a box from -1 to 1, so that they look the same with any font.
_BONE_PATHS = {
    ("right", False): ((0.45, 0.8), (-0.45, 0.0), (0.45, -0.8)),
    ("left", False): ((-0.45, 0.8), (0.45, 0.0), (-0.45, -0.8)),
    ("right", True): ((0.35, 0.8), (-0.35, 0.8), (-0.35, -0.8), (0.35, -0.8)),
    ("left", True): ((-0.35, 0.8), (0.35, 0.8), (0.35, -0.8), (-0.35, -0.8)),
}
_AIR_MARKERS = {("right", False): "o", ("left", False): "x", ("right", True): "^", ("left", True): "s"}
_SIDE = {"right": -1.0, "left": 1.0}
BONE_ASIDE, BAR_ASIDE = 0.14, 0.05  # octaves from the line of the frequency
# The page, in inches: chart of fixed size, legend beside it, as many lines below it as there are.
WIDTH_INCH, LEFT_INCH, TOP_INCH, LINE_INCH = 9.6, 0.85, 1.0, 0.167
CHART_INCH = (5.4, 5.4 * (BOTTOM_DB - TOP_DB) / DB_AN_OCTAVE / (math.log2(HIGHEST_HZ / LOWEST_HZ) + 1.0))
FOOTER_WIDTH = 128
MARGIN_INCH = (0.64, 0.42)  # left of a chart and above it, for its axes
LEGEND_INCH, ENTRY_INCH = 2.3, 0.17  # width beside a chart; height of a line below it


@dataclass(frozen=True)
class Scale:
    """What the levels of a chart are. ``interval`` says what the bars are, ``{route}`` and ``{held}`` filled in."""

    label: str
    short: str  # in a small chart
    interval: str


EHL = Scale("estimated hearing level, dB eHL (worse is further down)", "estimated level, dB eHL",
            "interval by {route}: holds {held} of ears")  # fmt: skip
NHL = Scale("threshold, dB nHL (no hearing level)", "threshold, dB nHL", "interval by {route}, {held}")


def audiogram_figure(title: str, estimates: Iterable[Estimate], not_shown: Iterable[NotEstimated] = ()) -> Any:
    """Return a matplotlib Figure. Sounds without a frequency are listed below the chart, and so are the sounds that could not be
    estimated (`not_shown`)."""
    from matplotlib.figure import Figure

    known = [one for one in estimates if one.finding != "not tested"]
    drawn = [one for one in known if one.measured.frequency_hz is not None]
    below = [f"Without a frequency: {one.sentence}" for one in known if one.measured.frequency_hz is None]
    missing = "; ".join(one.measured.where for one in not_shown)
    below += [f"Not shown, because the chosen tables have no correction for it: {missing}."] if missing else []
    footer = _footer(drawn, below)
    bottom = 0.35 + LINE_INCH * (1 + footer.count("\n"))
    height = bottom + CHART_INCH[1] + TOP_INCH
    figure: Any = Figure(figsize=(WIDTH_INCH, height))
    _chart(figure, (LEFT_INCH, bottom, *CHART_INCH), drawn, EHL)
    beside = (LEFT_INCH + CHART_INCH[0] + 0.1) / WIDTH_INCH, (bottom + CHART_INCH[1]) / height
    figure.legend(handles=_legend(drawn, EHL), loc="upper left", bbox_to_anchor=beside, fontsize="small", frameon=False)
    figure.text(0.2 / WIDTH_INCH, 1.0 - 0.15 / height, title, fontsize="large", va="top")
    figure.text(0.2 / WIDTH_INCH, 0.12 / height, footer, fontsize="small", va="bottom", linespacing=1.2)
    return figure


def chart_height_inch(width_inch: float, most_inch: float, drawn: Sequence[Estimate], scale: Scale = EHL) -> float:
    """Height of a chart with its axes and its legend in this width; ``most_inch`` where the legend stands beside the chart."""
    if _beside(width_inch):
        return most_inch
    wide = width_inch - MARGIN_INCH[0] - 0.1
    return wide * CHART_INCH[1] / CHART_INCH[0] + MARGIN_INCH[1] + _legend_inch(drawn, scale)


def draw_chart(figure: Any, area: tuple[float, float, float, float], drawn: Sequence[Estimate], scale: Scale = EHL) -> None:
    """Draw a chart into ``area`` of a figure (left, bottom, width, height in inches), its legend beside it or, in a narrow area,
    below it. Sounds without a frequency and those that were not tested must be left out before."""
    left, bottom, width, height = area
    beside = _beside(width)
    tall = height - MARGIN_INCH[1] - (0.05 if beside else _legend_inch(drawn, scale))
    wide = min(tall * CHART_INCH[0] / CHART_INCH[1], width - MARGIN_INCH[0] - (LEGEND_INCH if beside else 0.1))
    tall = wide * CHART_INCH[1] / CHART_INCH[0]
    base = bottom + height - MARGIN_INCH[1] - tall
    _chart(figure, (left + MARGIN_INCH[0], base, wide, tall), drawn, scale)
    across, up = figure.get_size_inches()
    corner = (left + MARGIN_INCH[0] + wide + 0.15, base + tall) if beside else (left, base - 0.08)
    anchor = corner[0] / across, corner[1] / up
    figure.legend(handles=_legend(drawn, scale), loc="upper left", bbox_to_anchor=anchor, fontsize=7.5, frameon=False,
                  borderaxespad=0.0)  # fmt: skip


def _beside(width_inch: float) -> bool:
    return width_inch - LEGEND_INCH >= 2.5


def _legend_inch(drawn: Sequence[Estimate], scale: Scale) -> float:
    """Height of the legend below a chart."""
    return 0.2 + ENTRY_INCH * sum(1 + str(entry.get_label()).count("\n") for entry in _legend(drawn, scale))


def _chart(figure: Any, place: tuple[float, float, float, float], drawn: Sequence[Estimate], scale: Scale) -> None:
    """The axes with everything in them; ``place``: left, bottom, width, height in inches."""
    across, up = figure.get_size_inches()
    left, bottom, wide, tall = place
    axes = figure.add_axes((left / across, bottom / up, wide / across, tall / up), label="audiogram")
    size = math.sqrt(tall / CHART_INCH[1])  # symbols of a small chart are smaller, but less so than the chart
    _axes(axes, scale.label if tall > 0.8 * CHART_INCH[1] else scale.short)
    for ear in ("right", "left"):
        _line(axes, [one for one in drawn if (one.measured.ear, one.measured.route) == (ear, "air")], ear)
    for one in drawn:
        _bar(axes, one)
    for one in drawn:
        _symbol(axes, one, size)


def draw_audiogram(path: Path, title: str, estimates: Iterable[Estimate], not_shown: Iterable[NotEstimated] = ()) -> None:
    """Write the figure to a PNG, SVG or PDF file. Raises ValueError (file ending) and OSError."""
    if path.suffix.lower() not in FORMATS:
        raise ValueError(f"{str(path)!r}: the name must end in {', '.join(FORMATS)}")
    from matplotlib import rc_context

    figure = audiogram_figure(title, estimates, not_shown)
    date = {".png": {}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}[path.suffix.lower()]
    with rc_context({"svg.hashsalt": "quietfloor"}):  # the same estimates give the same file
        figure.savefig(path, dpi=130, metadata=date)


def _octave(frequency_hz: float) -> float:
    return math.log2(frequency_hz / 1000.0)


def _axes(axes: Any, label: str) -> None:
    axes.set_xlim(_octave(LOWEST_HZ) - 0.5, _octave(HIGHEST_HZ) + 0.5)
    axes.set_ylim(BOTTOM_DB, TOP_DB)
    axes.xaxis.tick_top()
    axes.xaxis.set_label_position("top")
    axes.set_xticks([_octave(hz) for hz in OCTAVES_HZ], [f"{hz:g}" for hz in OCTAVES_HZ])
    axes.set_xticks([_octave(hz) for hz in HALF_OCTAVES_HZ], minor=True)
    axes.set_yticks(range(int(TOP_DB), int(BOTTOM_DB) + 1, 10))
    axes.grid(which="major", color="#c8c8c8", linewidth=0.8)
    axes.grid(which="minor", axis="x", color="#c8c8c8", linewidth=0.6, linestyle=(0, (4, 4)))
    axes.axhline(0.0, color="#808080", linewidth=1.4)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel(label)
    axes.set_axisbelow(True)


def _place(one: Estimate) -> tuple[float, float, bool]:
    """Position x, y, and whether the level is outside the chart and was drawn at its edge."""
    hz = one.measured.frequency_hz or math.nan
    inside = min(max(one.level_db, TOP_DB), BOTTOM_DB)
    aside = _SIDE[one.measured.ear] * BONE_ASIDE if one.measured.route == "bone" else 0.0
    return _octave(min(max(hz, LOWEST_HZ), HIGHEST_HZ)) + aside, inside, inside != one.level_db


def _line(axes: Any, by_air: list[Estimate], ear: str) -> None:
    """Join neighbours with a threshold; a frequency without response interrupts the line."""
    ordered = sorted(by_air, key=lambda one: one.measured.frequency_hz or 0.0)
    for one, following in itertools.pairwise(ordered):
        if one.finding == following.finding == "threshold":
            (x1, y1, _), (x2, y2, _) = _place(one), _place(following)
            style = "-" if ear == "right" else (0, (6, 3))
            axes.plot([x1, x2], [y1, y2], color=COLOURS[ear], linewidth=1.3, linestyle=style, zorder=3)


def _bar(axes: Any, one: Estimate) -> None:
    """Draw the interval, shifted a little to the side of the ear; an end without limit has no cap."""
    x, _, _ = _place(one)
    side = _SIDE[one.measured.ear]
    x += side * BAR_ASIDE
    low = TOP_DB if math.isnan(one.low_db) else min(max(one.low_db, TOP_DB), BOTTOM_DB)
    high = BOTTOM_DB if math.isnan(one.high_db) else min(max(one.high_db, TOP_DB), BOTTOM_DB)
    style = "-" if one.measured.route == "air" else (0, (1.5, 1.5))
    colour = COLOURS[one.measured.ear]
    axes.plot([x, x], [low, high], color=colour, linewidth=1.1, alpha=0.45, linestyle=style, zorder=2)
    for end, drawn in ((one.low_db, low), (one.high_db, high)):
        if end == drawn:
            axes.plot([x - 0.025, x + 0.025], [end, end], color=colour, linewidth=1.1, alpha=0.45, zorder=2)


def _marker(one: Estimate, size: float = 1.0) -> dict[str, Any]:
    """Keywords of a marker for matplotlib."""
    from matplotlib.path import Path as Outline

    kind = one.measured.ear, one.measured.masked
    colour = COLOURS[one.measured.ear]
    plain: dict[str, Any] = {"markeredgecolor": colour, "markerfacecolor": "none", "markeredgewidth": 1.8, "linestyle": "none"}
    if one.measured.route == "air":
        return plain | {"marker": _AIR_MARKERS[kind], "markersize": size * SIZE * (0.72 if _AIR_MARKERS[kind] in "xs" else 0.82)}
    return plain | {"marker": Outline(_BONE_PATHS[kind]), "markersize": size * SIZE}


def _symbol(axes: Any, one: Estimate, size: float) -> None:
    x, y, off_chart = _place(one)
    axes.plot([x], [y], zorder=5, clip_on=False, **_marker(one, size))
    side = _SIDE[one.measured.ear]
    if one.finding in ("no response", "at most"):
        down = one.finding == "no response"
        reach = (15.0 * size * side, -17.0 * size) if down else (11.0 * size * side, 17.0 * size)
        _arrow(axes, x, y, (0.45 * reach[0], 0.45 * reach[1]), (1.25 * reach[0], 1.25 * reach[1]), COLOURS[one.measured.ear])
    if not one.measured.ear_known:
        _words(axes, "?", x, y, (9.0 * side, 9.0), one, "medium")
    if off_chart:
        _words(axes, f"{one.level_db:.0f}", x, y, (17.0 * side, 8.0 if y == BOTTOM_DB else -8.0), one, "small")


def _words(axes: Any, text: str, x: float, y: float, aside: tuple[float, float], one: Estimate, size: str) -> None:
    axes.annotate(
        text, (x, y), aside, textcoords="offset points", color=COLOURS[one.measured.ear], fontsize=size, weight="bold",
        ha="center", va="center", zorder=6, annotation_clip=False,
    )  # fmt: skip


def _arrow(axes: Any, x: float, y: float, start: tuple[float, float], end: tuple[float, float], colour: str) -> None:
    """Start and end in points from the symbol."""
    from matplotlib.transforms import offset_copy

    begin, tip = (offset_copy(axes.transData, fig=axes.figure, x=dx, y=dy, units="points") for dx, dy in (start, end))
    look = {"arrowstyle": "-|>", "color": colour, "linewidth": 1.5, "shrinkA": 0.0, "shrinkB": 0.0, "mutation_scale": 11.0}
    axes.annotate(
        "", xy=(x, y), xycoords=tip, xytext=(x, y), textcoords=begin, annotation_clip=False, zorder=6, arrowprops=look
    )


def _legend(drawn: Sequence[Estimate], scale: Scale) -> list[Any]:
    """Legend of the symbols that are on the chart."""
    from matplotlib.lines import Line2D

    def entry(label: str, **style: Any) -> Any:
        return Line2D([], [], label=label, **({"linestyle": "none"} | style))

    entries = []
    for ear, route, masked in itertools.product(("right", "left"), ("air", "bone"), (False, True)):
        kind = [one for one in drawn if (one.measured.ear, one.measured.route, one.measured.masked) == (ear, route, masked)]
        if kind:
            look = _marker(kind[0])
            look["markersize"] *= 0.75
            entries.append(entry(f"{ear} ear by {route}{', other ear masked' if masked else ''}", **look))
    grey = {"color": "#404040", "markersize": 11.0}
    if any(one.finding == "no response" for one in drawn):
        entries.append(entry("no response: hearing is worse\nthan here", marker=r"$\downarrow$", **grey))
    if any(one.finding == "at most" for one in drawn):
        entries.append(entry("response at the lowest level\nthat was run: may be better", marker=r"$\uparrow$", **grey))
    if any(not one.measured.ear_known for one in drawn):
        entries.append(entry("not known to be this ear's:\nmasking was due", marker="$?$", **grey))
    if any(_place(one)[2] for one in drawn):
        entries.append(entry("a number: the level, off the chart", marker="$12$", **grey))
    for route, dash in (("air", "-"), ("bone", ":")):
        if any(one.measured.route == route for one in drawn):
            held = f"{100 * drawn[0].coverage:g} %"
            entries.append(entry(scale.interval.format(route=route, held=held), linestyle=dash, color="#404040", alpha=0.6))
    return entries


def _footer(drawn: list[Estimate], below: list[str]) -> str:
    rows = [row for one in drawn for row in one.rows]
    names = dict.fromkeys(row.table for row in rows)
    tables = ", ".join(f"{name} ({worst_status(row.status for row in rows if row.table == name)})" for name in names)
    told = ["Estimated from ABR thresholds; not a hearing test. What it means is for a licensed professional to decide."]
    told += [f"Corrections: {tables or 'none'}."]
    if any(row.status == "unverified" for row in rows):
        told.append("UNVERIFIED: nobody here has seen a publication of that correction.")
    wrap = textwrap.TextWrapper(FOOTER_WIDTH, break_on_hyphens=False, subsequent_indent="    ").wrap
    return "\n".join(itertools.chain.from_iterable(wrap(sentence) for sentence in told + below))
