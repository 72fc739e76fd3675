"""Round numbers for axes, and how they are written. Plain arithmetic."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from quietfloor.monitor.core.samples import Floats

STEPS = (1.0, 2.0, 5.0)
CLAUSES, WORDS = r"(?: ·|[,;:])(?= )", r" (?!to |larger )"  # where a text may be cut
LEADING = set("a about and at by for in is larger most no not of or than the to was with".split())  # noqa: SIM905 - legible
LOG_STEPS = ((1.0,), (1.0, 3.0), (1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 5.0, 7.0))  # the coarsest first


def nice_above(value: float, steps: tuple[float, ...] = STEPS) -> float:
    """The smallest of 1, 2, 5 times a power of ten (or of other ``steps`` from 1 to 10) that is not below ``value`` > 0."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next((step * decade for step in steps if step * decade >= value * (1 - 1e-9)), 10.0 * decade)


def linear_ticks(low: float, high: float, most: int) -> list[float]:
    """Ticks: at most about ``most`` round values from ``low`` to ``high``."""
    if not high > low:
        return [low]
    step = nice_above((high - low) / max(1, most))
    return [number * step for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def log_ticks(low: float, high: float, most: int) -> list[float]:
    """Ticks: at most ``most`` values such as 10, 15, 20, 30, 50, 70 from ``low`` to ``high``, both above 0, for a log axis; where
    even the powers of ten are too many, every second or third of them."""
    found: list[float] = []
    for steps in LOG_STEPS:
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        values = [step * 10.0**decade for decade in decades for step in steps]
        inside = [value for value in values if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
        if len(inside) > most:
            return found or inside[:: -(-len(inside) // max(1, most))]
        found = inside
    return found or [math.sqrt(low * high)]


def written(value: float) -> str:
    """The number as text for an axis, such as "15", "0.5", "1,000" or "-75"; never a power of ten."""
    if abs(value) >= 1000:
        return f"{value:,.0f}".replace("-", "−")
    return f"{round(value, 6):g}".replace("-", "−")


def clock(seconds: float) -> str:
    """A duration as text, such as "0:07", "12:30" or "1:02:03"."""
    whole = max(0, int(seconds))
    minutes, rest = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def seconds_of(text: str) -> float:
    """Read a duration such as "0:07", "1:02:03" or "75" in seconds. Raises ValueError that says what is allowed."""
    parts = text.strip().split(":")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = [-1.0]
    if not 1 <= len(numbers) <= 3 or any(not (math.isfinite(number) and number >= 0) for number in numbers):
        raise ValueError(f"{text.strip()!r} is no time: give minutes:seconds such as 1:30, or seconds")
    total = 0.0
    for number in numbers:
        total = 60.0 * total + number
    return total


@dataclass(frozen=True)
class Scale:
    """Scale of an axis: linear or logarithmic, rising or ``falling`` to the right (or to the top)."""

    log: bool = False
    falling: bool = False

    def place(self, values: ArrayLike) -> Floats:
        """Values as places along the axis, which always rise."""
        found = np.asarray(values, dtype=np.float64)
        found = np.log10(found) if self.log else found
        return -found if self.falling else found

    def value(self, place: float) -> float:
        """What is at a place."""
        place = -place if self.falling else place
        return float(10.0**place) if self.log else float(place)

    def ticks(self, first: float, last: float, most: int) -> list[float]:
        """Places of round values between two places."""
        low, high = sorted((self.value(first), self.value(last)))
        values = log_ticks(low, high, most) if self.log else linear_ticks(low, high, most)
        return sorted(float(place) for place in self.place(values))


def shortened(text: str, fits: Callable[[str], bool]) -> str:
    """The text, or as many of its first clauses as fit, or words where not even one does, with "…" after them.

    It is never cut inside a number, between a number and its unit, within a range, or after a word that needs the next one.
    """
    if fits(text):
        return text
    for between in (CLAUSES, WORDS):
        for cut in reversed([found.start() for found in re.finditer(between, text)]):
            kept = text[:cut]
            needs_more = kept.rpartition(" ")[2].lower() in LEADING or kept.count("(") > kept.count(")")
            in_number = between == WORDS and kept[-1:].isdigit()
            if not needs_more and not in_number and fits(f"{kept} …"):
                return f"{kept} …"
    return "…"
