"""Pictures of a report, drawn by matplotlib into any figure: averages one above the other, and the ladder of levels."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietfloor.monitor.report.parts import BAND, Ladder, Level, verdict_words
from quietfloor.monitor.waves.marks import WAVES

WIDTH_INCH, NARROW_INCH = 7.1, 3.1  # of the text on a page; of a picture on a phone, where its text has 11 px and more
ROW_INCH, LEAST_ROW_INCH, MARGIN_INCH = 0.95, 0.62, 0.85  # height of a waveform, at least; of axis and legend
NARROW_LETTERS = 44  # of a line above a curve
NARROW_ROW_INCH, NARROW_STEP = 1.4, 1.7  # in a narrow picture, whose words stand above the curves
LADDER_INCH, LEAST_LADDER_INCH = 2.4, 1.7
DARK, GREY, BAND_COLOUR = "#1b2a38", "#8a939b", "#d5dade"
MARK, THRESHOLD = "#7a1fa2", "#1d6b43"  # as all colours here no ear's, which are those of the audiogram
SINGLE = ("#b0662a", "#17807a", "#6a8a3a", "#6b6b6b")  # single runs, halves; told apart by dashes too
RUN_NAMES = ("first run", "second run", "third run", "fourth run")
DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))
FOUND = {
    "response": ("o", "#1d6b43"), "no response": ("v", "#4a5a67"), "undecided": ("s", "#6b6b6b"), "a fault": ("x", "#6b6b6b"),
}  # fmt: skip
FONT: dict[Any, Any] = {"font.family": ["DejaVu Sans"], "font.size": 8.0, "text.parse_math": False, "svg.fonttype": "path"}
Area = tuple[float, float, float, float]  # left, bottom, width, height in inches


@dataclass(frozen=True)
class Picture:
    """``draw(figure, area)`` paints into a part of a figure; all text as it is, without formulas.

    On a page it may be as flat as ``least_inch`` where it then still fits. ``narrow_inch`` is its height in an area that is
    `NARROW_INCH` wide.
    """

    height_inch: float
    least_inch: float
    draw: Callable[[Any, Area], None]
    narrow_inch: float = 3.0


def is_narrow(area: Area) -> bool:
    return area[2] < (WIDTH_INCH + NARROW_INCH) / 2


def waveform_picture(ladder: Ladder) -> Picture:
    """All on one scale, the highest level on top, with a line where the threshold is."""
    levels = [level for level in ladder.levels if len(level.times_ms)]
    usual, least, narrow = (MARGIN_INCH + row * len(levels) for row in (ROW_INCH, LEAST_ROW_INCH, NARROW_ROW_INCH))
    return Picture(usual, least, lambda figure, area: _waveforms(figure, area, levels, ladder), narrow)


def ladder_picture(ladder: Ladder) -> Picture:
    """Levels by run with the result of each run, with a line at the threshold and its interval."""
    return Picture(LADDER_INCH, LEAST_LADDER_INCH, lambda figure, area: _ladder(figure, area, ladder), 3.6)


def legend_in(axes: Any, area: Area, handles: Sequence[Any]) -> None:
    """Beside the axes, or below them in a narrow picture."""
    if is_narrow(area):
        below = -0.5 / (axes.get_position().height * axes.figure.get_size_inches()[1])  # inches
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, below), frameon=False, fontsize=7.5)
    else:
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False, fontsize=7.5)


def axes_in(figure: Any, area: Area, inside: Area) -> Any:
    """Axes in ``area`` less the margins left, bottom, right, top of ``inside``, all in inches."""
    width, height = figure.get_size_inches()
    left, bottom, wide, high = area
    place = (left + inside[0], bottom + inside[1], wide - inside[0] - inside[2], high - inside[1] - inside[3])
    axes = figure.add_axes((place[0] / width, place[1] / height, place[2] / width, place[3] / height))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def _waveforms(figure: Any, area: Area, levels: Sequence[Level], ladder: Ladder) -> None:
    narrow, window_ms = is_narrow(area), ladder.window_ms
    axes = axes_in(figure, area, (0.1, 0.42, 0.1, 0.3) if narrow else (1.75, 0.42, 0.2, 0.3))
    spans = [float(np.ptp(_seen(level))) + 2 * BAND * level.noise_nv for level in levels]
    step = 1.05 * max(max(spans), 50.0) * (NARROW_STEP if narrow else 1.0)
    start = min(float(level.times_ms[0]) for level in levels)
    stop = max(float(level.times_ms[-1]) for level in levels)
    if window_ms is not None:
        axes.axvspan(*window_ms, color="#f3f5f6", zorder=0, linewidth=0)
    axes.axvline(0.0, color=GREY, linewidth=0.7, zorder=1)
    for place, level in enumerate(levels):
        base = -step * place - float(np.mean(_seen(level)))
        times, average = level.times_ms, level.average_nv + base
        noise = BAND * level.noise_nv
        axes.fill_between(times, average - noise, average + noise, color=BAND_COLOUR, linewidth=0, zorder=2)
        if len(level.curves_nv) > 1:
            for number, (_, own_ms, curve) in enumerate(level.curves_nv):
                axes.plot(own_ms, curve + base, linewidth=0.8, zorder=3, **_look(number))
        axes.plot(times, average, color=DARK, linewidth=1.3, zorder=4)
        _published(axes, level, -step * (place + 0.38))
        _marked(axes, level, base)
        if narrow:
            axes.annotate(
                _side_words(level, NARROW_LETTERS), (0.0, -step * (place - 0.5)), (2, -3), xycoords=("axes fraction", "data"),
                textcoords="offset points", ha="left", va="top", fontsize=7.5, color=DARK, linespacing=1.1, zorder=9,
            )  # fmt: skip
        else:
            axes.annotate(
                _side_words(level), (0, -step * place), (-8, 0), xycoords=("axes fraction", "data"),
                textcoords="offset points", ha="right", va="center", fontsize=7.5, color=DARK, annotation_clip=False,
            )  # fmt: skip
    _threshold_between(axes, levels, ladder, step)
    axes.set_xlim(start, stop)
    axes.set_ylim(-step * (len(levels) - 0.4), step * 0.65)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    shaded = "; shaded: response window" if window_ms is not None else ""
    axes.set_xlabel(f"ms{'' if narrow else ' after time zero of the stimulus'}{shaded}")
    _scale(axes, step, stop)
    _curve_names(axes, levels)


def _look(number: int) -> dict[str, Any]:
    return {"color": SINGLE[number % len(SINGLE)], "linestyle": DASHES[number % len(DASHES)]}


def _curve_names(axes: Any, levels: Sequence[Level]) -> None:
    """What the lines are, above the axes."""
    from matplotlib.lines import Line2D

    several = [level for level in levels if len(level.curves_nv) > 1]
    names = [name for name, *_ in several[0].curves_nv] if several and several[0].cell is not None else list(RUN_NAMES)
    most = min(max((len(level.curves_nv) for level in several), default=0), len(names))
    handles = [Line2D([], [], color=DARK, linewidth=1.3, label="average")]
    handles += [Line2D([], [], linewidth=0.9, label=name, **_look(number)) for number, name in enumerate(names[:most])]
    axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.0, 1.0), frameon=False, fontsize=7.5, ncols=5,
                borderaxespad=0.1, columnspacing=1.2, handlelength=1.8)  # fmt: skip


def _threshold_between(axes: Any, levels: Sequence[Level], ladder: Ladder, step: float) -> None:
    """A line below the levels from the threshold on."""
    if ladder.line is None:
        return
    level_db, words = ladder.line
    above = sum(level.level_db_nhl >= level_db for level in levels)
    y = step * (0.5 - above)
    axes.axhline(y, color=THRESHOLD, linewidth=1.4, linestyle=(0, (5, 3)), zorder=2.5)
    axes.annotate(
        words, (0.0, y), (2, 2), xycoords=("axes fraction", "data"), textcoords="offset points", ha="left", va="bottom",
        fontsize=7.5, color=THRESHOLD, weight="bold", zorder=9,
    )  # fmt: skip


def _seen(level: Level) -> Any:
    """The curve from 1 ms on; before that, the electrical artefact of the stimulus may be larger than everything else."""
    late = level.average_nv[level.times_ms >= 1.0]
    return late if len(late) else level.average_nv


def _scale(axes: Any, step: float, stop: float) -> None:
    """A bar of a round number of nV at the right."""
    most = 0.6 * step
    unit = 10.0 ** math.floor(math.log10(most))
    size = max(factor * unit for factor in (1.0, 2.0, 5.0) if factor * unit <= most)
    x, low = stop - 0.25, 0.6 * step - size
    axes.plot([x, x], [low, low + size], color=DARK, linewidth=2.0, solid_capstyle="butt", zorder=6)
    axes.annotate(f"{size:g} nV", (x, low + size / 2), (-4, 0), textcoords="offset points", ha="right", va="center", fontsize=7.5)


def _side_words(level: Level, width: int = 30) -> str:
    """Text beside or above a waveform: level, run, result, noise."""
    lines = _folded(level.label, width)
    if level.cell is not None:
        (run,) = level.runs
        said = f"evidence {level.cell.evidence:.1f}".replace("-0.0", "0.0")
        more = [f"search {run.number}: {said}", f"{level.cell.accepted} sweeps, noise {level.noise_nv:.1f} nV"]
        more += ["lowest response found"] if level.lowest else []
    else:
        more = [f"run {run.number}: {verdict_words(run)}" for run in level.runs[:3]]
        more += [f"and {len(level.runs) - 3} more"] if len(level.runs) > 3 else []
        more.append(f"noise {level.noise_nv:.1f} nV" + (" together" if len(level.curves_nv) > 1 else ""))
    return "\n".join([*lines, *(more if width <= 30 else _folded("; ".join(more), width))])


def _folded(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width) or [""]


def _published(axes: Any, level: Level, y: float) -> None:
    """A bracket below the waveform for each wave with a published range."""
    for name, norm in level.published:
        if name in WAVES and math.isfinite(norm.low) and math.isfinite(norm.high):
            axes.plot([norm.low, norm.high], [y, y], color=GREY, linewidth=1.0, marker="|", markersize=5, zorder=5)
            axes.annotate(
                f"{name} published", (norm.high, y), (4, 0), textcoords="offset points", ha="left", va="center", fontsize=6.5,
                color=GREY, zorder=5,
            )  # fmt: skip


def _marked(axes: Any, level: Level, base: float) -> None:
    for mark in level.marks.marks:
        x = mark.latency_ms.value
        y = float(np.interp(x, level.times_ms, level.average_nv)) + base
        up = mark.wave != "trough"
        shape = "P" if mark.by == "operator" else "+"
        axes.plot([x], [y], marker=shape, color=MARK, markersize=6, linestyle="none", zorder=7)
        if math.isfinite(mark.latency_ms.low) and math.isfinite(mark.latency_ms.high):
            axes.plot([mark.latency_ms.low, mark.latency_ms.high], [y, y], color=MARK, linewidth=0.9, zorder=6)
        axes.annotate(
            mark.wave, (x, y), (0, 5 if up else -5), textcoords="offset points", ha="center", va="bottom" if up else "top",
            fontsize=8, color=MARK, weight="bold", zorder=8,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )  # fmt: skip


def _ladder(figure: Any, area: Area, ladder: Ladder) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.ticker import MultipleLocator

    axes = axes_in(figure, area, (0.6, 1.45, 0.15, 0.12) if is_narrow(area) else (0.6, 0.45, 2.1, 0.12))
    heard = [run for run in ladder.runs if run.summary is not None and not run.summary.muted and run.search is None]
    numbers = list(range(1, len(heard) + 1))
    levels = [run.summary.level_db_nhl for run in heard if run.summary is not None]
    axes.plot(numbers, levels, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
    used = {}
    for x, run in zip(numbers, heard, strict=True):
        assert run.summary is not None
        word = verdict_words(run)
        shape, colour = FOUND[word]
        filled = run.summary.counts
        axes.plot(
            [x], [run.summary.level_db_nhl], marker=shape, color=colour, markersize=8, zorder=3,
            markerfacecolor=colour if filled and word == "response" else "white", linestyle="none",
        )  # fmt: skip
        used[word] = Line2D(
            [], [], marker=shape, color=colour, linestyle="none", markersize=7, label=word,
            markerfacecolor=colour if word == "response" else "white",
        )  # fmt: skip
    handles = list(used.values())
    threshold = ladder.threshold
    if threshold is not None and math.isfinite(threshold.level_db_nhl) and threshold.finding != "no response":
        line = axes.axhline(threshold.level_db_nhl, color=THRESHOLD, linewidth=1.8, linestyle=(0, (5, 3)), zorder=2)
        line.set_label(f"threshold {threshold.level_db_nhl:g} dB nHL")
        handles.append(line)
    if threshold is not None and (math.isfinite(threshold.low_db_nhl) or math.isfinite(threshold.high_db_nhl)):
        low = threshold.low_db_nhl if math.isfinite(threshold.low_db_nhl) else min(levels, default=0.0) - 20
        high = threshold.high_db_nhl if math.isfinite(threshold.high_db_nhl) else max(levels, default=0.0) + 20
        band = axes.axhspan(low, high, color="#dfeae3", zorder=-1, linewidth=0)
        band.set_label("interval, 95 %")
        handles.append(band)
    if levels:
        axes.set_ylim(min(levels) - 8, max(levels) + 8)
    axes.yaxis.set_major_locator(MultipleLocator(5.0 if max(levels, default=0.0) - min(levels, default=0.0) <= 20 else 10.0))
    axes.set_xlim(0.5, max(len(heard), 1) + 0.5)
    axes.set_xticks(numbers, [f"{run.number}" for run in heard])
    axes.set_xlabel("run")
    axes.set_ylabel("dB nHL")
    axes.grid(axis="y", color="#e4e7e9", linewidth=0.6)
    axes.set_axisbelow(True)
    legend_in(axes, area, handles)
