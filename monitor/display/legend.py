"""The names of the curves of a chart in a strip above them, each with a piece of its line, in as few rows as fit."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from quietfloor.monitor.display.canvas import Canvas
from quietfloor.monitor.display.curves import SOLID
from quietfloor.monitor.display.theme import Look

LETTERS, ROW = 0.88, 1.25  # size of the letters, and height of a row
SAMPLE = 2.6  # length of a piece of line: every pattern can be seen in it
GAP, SPACE = 0.5, 0.9  # between a line and its name, and between two names


class Entry(NamedTuple):
    """A name with its line; without ``ink`` it is text alone. ``core``: a hollow line, 2 ``width`` + 1 wide, with this inside."""

    words: str
    ink: str = ""
    width: int = 1
    pattern: tuple[float, ...] = SOLID
    core: str = ""


Rows = list[list[Entry]]


def strip_px(look: Look, rows: Rows) -> float:
    """Height of the strip for these rows."""
    return len(rows) * look.px(ROW) + 3


def arranged(canvas: Canvas, groups: Iterable[Iterable[Entry]], room: float) -> Rows:
    """Entries in rows that are at most ``room`` pixels wide; each group begins a row, and what is wider than one is shortened."""
    rows: Rows = []
    for group in groups:
        used = math.inf
        for entry in group:
            wide = _width(canvas, entry)
            if wide > room:
                left = room - wide + canvas.width_of(entry.words, LETTERS)
                entry = entry._replace(words=canvas.shortened(entry.words, left, LETTERS))
            if used + wide > room:
                rows.append([])
                used = 0.0
            rows[-1].append(entry)
            used += wide
    return rows


def paint(canvas: Canvas, rows: Rows) -> None:
    """At the top right of the chart."""
    look, rect = canvas.look, canvas.rect
    for number, row in enumerate(rows):
        right, y = rect.right() - 6, rect.top() + 2 + number * look.px(ROW)
        for entry in reversed(row):
            place = canvas.text(right, y, entry.words, entry.ink or look.theme.ink, LETTERS, across=1.0)
            if entry.ink:
                middle = place.center().y()
                outer = 2 * entry.width + 1 if entry.core else entry.width
                end = place.left() - look.px(GAP) - outer / 2  # the pen goes on by half its width
                ends = np.array([end - look.px(SAMPLE) + outer, end])
                for ink, width in ((entry.ink, outer), (entry.core, entry.width))[: 1 + bool(entry.core)]:
                    canvas.line(ends, np.array([middle, middle]), ink, width, pattern=entry.pattern)
            right -= _width(canvas, entry)


def _width(canvas: Canvas, entry: Entry) -> float:
    """Its words, its line and the space before it."""
    return canvas.width_of(entry.words, LETTERS) + canvas.look.px(SAMPLE + GAP + SPACE if entry.ink else SPACE)


__all__ = ["Entry", "Rows", "arranged", "paint", "strip_px"]
