"""Curves in pixels as plain arrays: cut at the edge of a chart, divided into dashes, and whether one crosses a label. No Qt.

Dashes are pieces of a solid line, because Qt draws a dashed pen that is wider than one pixel slowly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Bools, Floats

# Lengths of line and gap in turn, in pixels: each kind of curve is known by its pattern alone, without its colour.
SOLID: tuple[float, ...] = ()
EVEN_HALF = (5.0, 3.0)
PLUS_MINUS = (1.0, 3.0)
OVERLAYS = ((14.0, 4.0), (10.0, 3.0, 2.0, 3.0), (8.0, 3.0, 2.0, 3.0, 2.0, 3.0))


@dataclass(frozen=True)
class Box:
    """A rectangle in pixels; ``top`` is the smaller y."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box) -> bool:
        return self.shared(other) > 0

    def shared(self, other: Box) -> float:
        """Area that both cover."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(wide, 0.0) * max(high, 0.0)

    def grown(self, by: float) -> Box:
        return Box(self.left - by, self.top - by, self.right + by, self.bottom + by)


def cut(xs: Floats, ys: Floats, box: Box) -> tuple[Floats, Floats]:
    """The part of a curve (n,) inside a box: points are added where it crosses an edge, and nan separates the pieces."""
    for low, high, across in ((box.left, box.right, True), (box.top, box.bottom, False)):
        along = xs if across else ys
        inside = (along >= low) & (along <= high)
        if not inside.all():
            xs, ys = _cut(xs, ys, low, high, across)
    return xs, ys


def _cut(xs: Floats, ys: Floats, low: float, high: float, across: bool) -> tuple[Floats, Floats]:
    """Cut along one axis."""
    along = xs if across else ys
    begin, end = along[:-1], along[1:]
    at, parts = [], []
    for edge in (low, high):
        with np.errstate(invalid="ignore"):
            crossed = np.flatnonzero((begin - edge) * (end - edge) < 0)
        at.append(crossed)
        parts.append((edge - begin[crossed]) / (end[crossed] - begin[crossed]))
    place = np.concatenate([np.arange(len(xs), dtype=np.float64), *(one + part for one, part in zip(at, parts, strict=True))])
    order = np.argsort(place, kind="stable")
    add = np.concatenate(at)
    part = np.concatenate(parts)
    xs = np.concatenate([xs, xs[add] + part * (xs[add + 1] - xs[add])])[order]
    ys = np.concatenate([ys, ys[add] + part * (ys[add + 1] - ys[add])])[order]
    along = xs if across else ys
    outside = ~((along >= low - 1e-6) & (along <= high + 1e-6))
    xs, ys = xs.copy(), ys.copy()
    xs[outside] = ys[outside] = np.nan
    return xs, ys


def dashes(xs: Floats, ys: Floats, pattern: tuple[float, ...]) -> tuple[Floats, Floats, Bools]:
    """The curve with points added at the ends of its dashes, and whether the line goes on from each point to the next."""
    steps = np.hypot(np.diff(xs), np.diff(ys))
    drawn = np.isfinite(steps)
    along = np.concatenate([[0.0], np.cumsum(np.where(drawn, steps, 0.0))])
    ends = np.cumsum(pattern)
    period = float(ends[-1])
    cuts = (np.arange(int(along[-1] // period) + 1)[:, np.newaxis] * period + ends).ravel()
    cuts = cuts[cuts < along[-1]]
    before = np.searchsorted(along, cuts, side="right") - 1  # the piece of the curve in which each cut lies
    part = (cuts - along[before]) / steps[before]
    order = np.argsort(np.concatenate([np.arange(len(xs), dtype=np.float64), before + part]), kind="stable")
    everywhere = np.concatenate([along, cuts])[order]
    new_x = np.concatenate([xs, xs[before] + part * (xs[before + 1] - xs[before])])[order]
    new_y = np.concatenate([ys, ys[before] + part * (ys[before + 1] - ys[before])])[order]
    middle = (everywhere[:-1] + everywhere[1:]) / 2
    on = np.searchsorted(ends, middle % period, side="right") % 2 == 0
    on &= np.isfinite(new_x[:-1] + new_x[1:] + new_y[:-1] + new_y[1:])
    return new_x, new_y, np.append(on, False)


def crosses(xs: Floats, ys: Floats, box: Box) -> bool:
    """Whether a curve passes through a box (Liang and Barsky's test of each piece); where it is not known it does not."""
    begin_x, end_x, begin_y, end_y = xs[:-1], xs[1:], ys[:-1], ys[1:]
    with np.errstate(invalid="ignore"):
        near = (np.maximum(begin_x, end_x) >= box.left) & (np.minimum(begin_x, end_x) <= box.right)
        near &= (np.maximum(begin_y, end_y) >= box.top) & (np.minimum(begin_y, end_y) <= box.bottom)
    if not near.any():
        return False
    enters, leaves = np.zeros(int(near.sum())), np.ones(int(near.sum()))
    for begin, end, low, high in (
        (begin_x[near], end_x[near], box.left, box.right), (begin_y[near], end_y[near], box.top, box.bottom),
    ):  # fmt: skip
        step = end - begin
        step = np.where(np.abs(step) < 1e-9, 1e-9, step)
        one, other = (low - begin) / step, (high - begin) / step
        enters, leaves = np.maximum(enters, np.minimum(one, other)), np.minimum(leaves, np.maximum(one, other))
    return bool((enters <= leaves).any())


def corners(count: int, x: float, y: float, side: float) -> tuple[Floats, Floats]:
    """A regular polygon about ``side`` pixels wide around a point; with many corners it is a disc."""
    turns = 2 * np.pi * (np.arange(count) / count + (0.125 if count == 4 else 0.0)) - np.pi / 2
    radius = side / 2 * (1.2 if count <= 4 else 1.0)
    return x + radius * np.cos(turns), y + radius * np.sin(turns)


__all__ = ["EVEN_HALF", "OVERLAYS", "PLUS_MINUS", "SOLID", "Box", "corners", "crosses", "cut", "dashes"]
