"""Conversion of values to the whole numbers of a file, and back. Pure.

A BDF or EDF file contains whole numbers of 24 or 16 bits. For each channel, two pairs in 8 characters each define a straight
line: the physical values of the lowest and the highest whole number.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.samples import Bools, Floats

BITS = {"bdf": 24, "edf": 16}
FIELD = 8  # characters
PARTS = (1, 2, 4, 5, 8, 10, 20, 25, 40, 50, 100, 200, 250, 500, 1000)  # of a stream's unit, steps of converters, own choice
MOST_DECIMALS = 5  # of a multiple of 1/32 with its sign


class ScaleError(ValueError):
    """Raised if values do not fit; the text says why."""


@dataclass(frozen=True)
class Scale:
    """Scale of a channel: ``physical`` values in ``unit`` of the ``digital`` bounds. ``exact``: each value is recovered
    exactly."""

    unit: str
    digital: tuple[int, int]
    physical: tuple[float, float]
    exact: bool

    @property
    def step(self) -> float:
        """Size of one step, in ``unit``."""
        return (self.physical[1] - self.physical[0]) / (self.digital[1] - self.digital[0])

    def digitised(self, values: Floats) -> NDArray[np.int32]:
        """Round values (n,) in ``unit``, finite, to the nearest whole number of the file."""
        return np.rint((values - self.physical[0]) / self.step + self.digital[0]).astype(np.int32)


def scale_for(values: NDArray, factor: float, unit: str, kind: str) -> Scale:
    """The scale for finite raw values (n,), each of size ``factor`` x ``unit``: exact if possible. ``kind``: "bdf" or "edf".

    EDF needs an exact scale. Raises ScaleError.
    """
    top = 2 ** (BITS[kind] - 1) - 1
    exact = _exact(values, factor, unit, top)
    if exact is not None:
        return exact
    if kind == "edf":
        raise ScaleError("takes finer steps than 16 bits can hold without loss")
    low, high = float(values.min()) * factor, float(values.max()) * factor
    return Scale(unit, (-top - 1, top), (_bound(low, math.floor), _bound(high, math.ceil)), False)


def _exact(values: NDArray, factor: float, unit: str, top: int) -> Scale | None:
    """Exact scale for values that are whole multiples of a step, as from converters and event codes; None for others."""
    for parts in PARTS:
        whole = _multiples(values, parts, top)
        if whole is None:
            continue
        step = Decimal(repr(factor)) / parts
        largest = int(np.abs(whole).max()) or 1
        for multiple in sorted({10**zeros * by for zeros in range(len(str(top))) for by in (1, parts)}):
            bound = top // multiple * multiple
            if bound >= largest and len(_plain(step * bound)) < FIELD:  # one is left for the sign
                return Scale(unit, (-bound, bound), (-float(step * bound), float(step * bound)), True)
    return None


def _multiples(values: NDArray, parts: int, top: int) -> Floats | None:
    scaled = values.astype(np.float64) * parts
    if not np.abs(scaled).max() <= top:
        return None
    whole = np.rint(scaled)
    back: Bools = (whole / parts).astype(values.dtype) == values
    return whole if back.all() else None


def _bound(value: float, towards: Callable[[float], int]) -> float:
    """A binary fraction just beyond ``value`` that fits into 8 characters, so that a reader gets it without rounding."""
    width = len(str(math.trunc(abs(value)) + 1)) + 1  # with a sign
    if width > FIELD:
        raise ScaleError(f"holds {value:g}, more than 8 characters can say")
    parts = 2 ** max(0, min(MOST_DECIMALS, FIELD - 1 - width))
    bound = towards(value * parts) / parts
    # Never on the value itself: a channel that is flat still needs a range.
    return float(bound + (1 if towards is math.ceil else -1) / parts) if bound == value else float(bound)


def _plain(number: Decimal) -> str:
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
