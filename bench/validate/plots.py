"""Plots of a validation as SVG elements, told apart by dash and marker as well as by colour."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Sequence
from typing import Any

from quietfloor.bench.validate.tables import Row
from quietfloor.monitor.report.html import svg_of

WIDTH_INCH = 9.0
# After Okabe & Ito: safe for colour-blind eyes.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#444444")
DASHES = ("-", (0, (7, 3)), (0, (2, 3)), (0, (9, 3, 2, 3)), (0, (4, 4)), (0, (12, 4)), (0, (1, 2)))
MARKERS = "os^Dvph"


def _style(place: int) -> dict[str, Any]:
    return {"color": COLOURS[place % 7], "linestyle": DASHES[place % 7], "marker": MARKERS[place % 7], "markersize": 4}


def _plot(title: str, source: str, height_inch: float, draw: Callable[[Any], None]) -> str:
    """``draw`` gets the axes; the legend stands beside them. Title and source make ids that no other plot of a page has."""

    def make() -> Any:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(WIDTH_INCH, height_inch), layout="constrained")
        axes = figure.add_subplot(title=title)
        draw(axes)
        axes.grid(color="#dddddd", linewidth=0.8)
        axes.set_axisbelow(True)
        named = dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
        axes.legend(named.values(), named.keys(), loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False)
        return figure

    svg = svg_of(make, re.sub(r"\W+", "-", f"{title} {source}"))
    return svg.replace("<svg ", f'<svg role="img" aria-label="{html.escape(title)}" ', 1)


def _bars(rows: Sequence[Row]) -> list[list[float]]:
    """The exact intervals of rates as lengths of error bars down and up, in percent."""
    found = [row.present for row in rows]
    return [[100 * max(0.0, p.rate - p.low) for p in found], [100 * max(0.0, p.high - p.rate) for p in found]]


def false_alarm_plot(rows: Sequence[Row], alpha: float) -> str:
    """Rate and exact interval of each rule on each source, on a logarithmic scale, with alpha as a line."""
    sources, rules = list(dict.fromkeys(r.source for r in rows)), list(dict.fromkeys(r.rule for r in rows))

    def draw(axes: Any) -> None:
        for row in rows:
            place = rules.index(row.rule)
            y = sources.index(row.source) + 0.8 * (place + 1) / (len(rules) + 1) - 0.4
            rate = max(100 * row.present.rate, 5 * alpha)  # none at all stands at the left edge
            axes.errorbar(rate, y, xerr=_bars([row]), label=row.rule, **_style(place) | {"linestyle": "none"})
        axes.axvline(100 * alpha, color="black", linestyle="--", label=f"alpha = {100 * alpha:g} %")
        axes.set(xscale="log", xlim=(5 * alpha, 100.0), xlabel="false alarms, %", yticks=range(len(sources)))
        axes.set_yticklabels(sources)
        axes.xaxis.set_major_formatter("{x:g}")
        axes.invert_yaxis()

    height_inch = 1.2 + len(sources) * (0.25 + 0.1 * len(rules))
    return _plot("False alarms of the whole rule, exact 95 % intervals", "", height_inch, draw)


def power_plot(rows: Sequence[Row]) -> str:
    """Responses found against their size, with exact intervals; size 0 is the false alarms."""

    def draw(axes: Any) -> None:
        for place, rule in enumerate(dict.fromkeys(row.rule for row in rows)):
            here = sorted((row for row in rows if row.rule == rule), key=lambda row: row.size_nv)
            rates = [100 * row.present.rate for row in here]
            axes.errorbar([row.size_nv for row in here], rates, yerr=_bars(here), label=rule, **_style(place))
        axes.set(ylim=(-2, 102), xlabel="response, nV peak to trough", ylabel="found, %")
        axes.set_xticks(sorted({row.size_nv for row in rows}))

    return _plot("Power, exact 95 % intervals", rows[0].source, 3.4, draw)


def survival_plot(rows: Sequence[Row], max_sweeps: int) -> str:
    """Share of runs in which no response has been found yet; runs that ended otherwise are censored."""

    def draw(axes: Any) -> None:
        for place, row in enumerate(rows):
            sweeps, shares = zip((0, 1.0), *row.curve, strict=True)
            last = 100 * shares[-1]
            style = _style(place) | {"marker": "none"}
            axes.step([*sweeps, max_sweeps], [*(100 * s for s in shares), last], where="post", label=row.rule, **style)
        axes.set(xlim=(0, max_sweeps), ylim=(-2, 102), xlabel="sweeps presented", ylabel="not found yet, %")

    return _plot(f"Time to a decision, response of {rows[0].size_nv:g} nV (Kaplan-Meier)", rows[0].source, 3.1, draw)
