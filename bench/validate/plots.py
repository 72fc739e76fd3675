"""Plots as text (SVG), told apart by dash and marker as well as by colour."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence

from quietfloor.bench.validate.tables import Row

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 860, 130, 230, 34, 46
# After Okabe & Ito: safe for colour-blind eyes.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#444444")
DASHES = ("", "7 3", "2 3", "9 3 2 3", "4 4", "12 4", "1 2")

Scale = Callable[[float], float]


def _style(place: int) -> tuple[str, str]:
    return COLOURS[place % len(COLOURS)], DASHES[place % len(DASHES)]


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="12" text-anchor="{anchor}">{html.escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str = "#bbb", dash: str = "", width: float = 1.0) -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="{width:g}" '
        f'stroke-dasharray="{dash}"/>'
    )


def _frame(height: int, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" role="img" '
        f'font-family="sans-serif"><title>{html.escape(title)}</title>{_text(LEFT, 18, title)}{"".join(parts)}</svg>'
    )


def _legend(names: Sequence[str]) -> list[str]:
    out = []
    for place, name in enumerate(names):
        colour, dash = _style(place)
        y = TOP + 14 + 20 * place
        out += [_line(WIDTH - RIGHT + 16, y - 4, WIDTH - RIGHT + 46, y - 4, colour, dash, 2), _text(WIDTH - RIGHT + 52, y, name)]
    return out


def false_alarm_plot(rows: Sequence[Row], alpha: float) -> str:
    """Rate and exact interval of each rule on each source, on a logarithmic scale, with alpha as a line."""
    sources, rules = list(dict.fromkeys(r.source for r in rows)), list(dict.fromkeys(r.rule for r in rows))
    step = 10 * len(rules) + 12
    height = TOP + step * len(sources) + BOTTOM
    low, high = alpha / 20, 1.0

    def x(rate: float) -> float:
        part = math.log(min(max(rate, low), high) / low) / math.log(high / low)
        return LEFT + part * (WIDTH - LEFT - RIGHT)

    parts = _legend(rules)
    bottom = height - BOTTOM + 4
    for tick in [alpha / 10, alpha, *(t for t in (0.1, 1.0) if t > 2 * alpha)]:
        at_alpha = tick == alpha
        parts.append(_line(x(tick), TOP, x(tick), bottom, "#000" if at_alpha else "#ddd", "5 3" if at_alpha else ""))
        parts.append(_text(x(tick), bottom + 16, f"{100 * tick:g} %" + (" = alpha" if at_alpha else ""), "middle"))
    for number, source in enumerate(sources):
        parts.append(_text(LEFT - 8, TOP + step * number + step / 2, source, "end"))
        for row in (r for r in rows if r.source == source):
            place = rules.index(row.rule)
            y, p, (colour, _) = TOP + step * number + 10 + 10 * place, row.present, _style(place)
            parts.append(_line(x(p.low), y, x(p.high), y, colour, "", 2))
            parts.append(f'<circle cx="{x(p.rate):.1f}" cy="{y:.1f}" r="3.5" fill="{colour}"/>')
    return _frame(height, "False alarms of the whole rule, exact 95 % intervals", parts)


def _axes(height: int, x: Scale, x_ticks: Sequence[float], x_name: str, y_name: str) -> tuple[list[str], Scale]:
    def y(share: float) -> float:
        return height - BOTTOM - share * (height - TOP - BOTTOM)

    parts = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(_line(LEFT, y(share), WIDTH - RIGHT, y(share), "#ddd"))
        parts.append(_text(LEFT - 8, y(share) + 4, f"{100 * share:g} %", "end"))
    for tick in x_ticks:
        parts += [_line(x(tick), y(0), x(tick), y(0) + 5), _text(x(tick), y(0) + 18, f"{tick:g}", "middle")]
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, height - 8, x_name, "middle"))
    parts.append(_text(4, y(0.875) + 4, y_name))
    return parts, y


def power_plot(rows: Sequence[Row]) -> str:
    """Responses found against their size, with exact intervals; size 0 is the false alarms."""
    rules, height = list(dict.fromkeys(r.rule for r in rows)), 330
    top = max(row.size_nv for row in rows) or 1.0

    def x(size: float) -> float:
        return LEFT + size / top * (WIDTH - LEFT - RIGHT)

    parts, y = _axes(height, x, sorted({row.size_nv for row in rows}), "response, nV peak to trough", "found")
    parts += _legend(rules)
    for place, rule in enumerate(rules):
        colour, dash = _style(place)
        here = sorted((row for row in rows if row.rule == rule), key=lambda row: row.size_nv)
        points = " ".join(f"{x(row.size_nv):.1f},{y(row.present.rate):.1f}" for row in here)
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
        for row in here:
            parts.append(_line(x(row.size_nv), y(row.present.low), x(row.size_nv), y(row.present.high), colour, "", 2))
            parts.append(f'<circle cx="{x(row.size_nv):.1f}" cy="{y(row.present.rate):.1f}" r="3.5" fill="{colour}"/>')
    return _frame(height, "Power, exact 95 % intervals", parts)


def survival_plot(rows: Sequence[Row], max_sweeps: int) -> str:
    """Share of runs in which no response has been found yet; runs that ended otherwise are censored."""
    rules, height = [row.rule for row in rows], 300

    def x(sweeps: float) -> float:
        return LEFT + sweeps / max_sweeps * (WIDTH - LEFT - RIGHT)

    parts, y = _axes(height, x, [max_sweeps * k / 4 for k in range(5)], "sweeps presented", "not found yet")
    parts += _legend(rules)
    for place, row in enumerate(rows):
        colour, dash = _style(place)
        path, level = [f"M{x(0):.1f},{y(1):.1f}"], 1.0
        for sweeps, share in row.curve:
            path.append(f"L{x(sweeps):.1f},{y(level):.1f}L{x(sweeps):.1f},{y(share):.1f}")
            level = share
        path.append(f"L{x(max_sweeps):.1f},{y(level):.1f}")
        parts.append(f'<path d="{"".join(path)}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
    return _frame(height, f"Time to a decision, response of {rows[0].size_nv:g} nV (Kaplan-Meier)", parts)
