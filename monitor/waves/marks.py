"""Marks on the waves of one average, as frozen values: suggested, or placed by an operator."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

Wave = Literal["I", "III", "V", "trough"]
By = Literal["suggested", "operator"]
WAVES: tuple[Wave, ...] = ("I", "III", "V", "trough")  # in the order in which they come
INTERVALS: tuple[tuple[Wave, Wave], ...] = (("I", "III"), ("III", "V"), ("I", "V"))
STATED = 0.95  # probability with which every interval here is meant to hold the truth
FORMAT = "quietfloor marks 1"


@dataclass(frozen=True)
class Estimate:
    """A value with an interval that contains the true value with probability ``STATED``; nan for unknown values."""

    value: float
    low: float = math.nan
    high: float = math.nan

    @property
    def half(self) -> float:
        """Half the length of the interval."""
        return (self.high - self.low) / 2

    def less(self, other: Estimate) -> Estimate:
        """This value minus ``other``, with independent errors; each side of the interval follows from the corresponding sides of
        both."""
        low = math.hypot(self.value - self.low, other.high - other.value)
        high = math.hypot(self.high - self.value, other.value - other.low)
        value = self.value - other.value
        return Estimate(value, value - low, value + high)


@dataclass(frozen=True)
class Mark:
    """One wave. ``amplitude_nv``: peak to trough; for waves I and III to the lowest point before the next wave; nan for the
    trough.

    ``height_nv``: value of the average at the latency. ``stands_out``: amplitude divided by the SD of its noise. ``sure``:
    probability that the wave is this peak and not another one in the search window; ``rival_ms``: latency of the most likely
    other peak. Both are nan if a person placed the mark.
    """

    wave: Wave
    latency_ms: Estimate
    amplitude_nv: Estimate
    by: By
    height_nv: float
    stands_out: float = math.nan
    sure: float = math.nan
    rival_ms: float = math.nan

    def __post_init__(self) -> None:
        if self.wave not in WAVES:
            raise ValueError(f"wave = {self.wave!r}: give one of {', '.join(WAVES)}")
        if self.by not in ("suggested", "operator"):
            raise ValueError(f"by = {self.by!r}: a mark is suggested, or placed by the operator")
        if not math.isfinite(self.latency_ms.value):
            raise ValueError(f"wave {self.wave}: a mark needs a latency; leave the mark out where there is none")


@dataclass(frozen=True)
class Marks:
    """Marks of one average, at most one per wave, in order of time. Raises ValueError if the order is wrong."""

    marks: tuple[Mark, ...] = ()

    def __post_init__(self) -> None:
        waves = [mark.wave for mark in self.marks]
        if waves != [wave for wave in WAVES if wave in waves]:
            raise ValueError(f"marks of {', '.join(waves)}: give each wave once, in the order {', '.join(WAVES)}")
        for one, next_one in zip(self.marks, self.marks[1:], strict=False):
            if not one.latency_ms.value < next_one.latency_ms.value:
                raise ValueError(
                    f"{_title(one)} at {one.latency_ms.value:.2f} ms does not come before {_title(next_one)} at "
                    f"{next_one.latency_ms.value:.2f} ms: move or remove one of them"
                )

    def get(self, wave: Wave) -> Mark | None:
        return next((mark for mark in self.marks if mark.wave == wave), None)

    def put(self, mark: Mark) -> Marks:
        """The marks with this one in place of the mark of the same wave. Raises ValueError if the order would be wrong."""
        both = {one.wave: one for one in self.marks} | {mark.wave: mark}
        return Marks(tuple(both[wave] for wave in WAVES if wave in both))

    def without(self, wave: Wave) -> Marks:
        return Marks(tuple(mark for mark in self.marks if mark.wave != wave))

    def interval_ms(self, first: Wave, second: Wave) -> Estimate | None:
        """Time in ms from one wave to a later one, at least 0; None if one of them is not marked."""
        one, other = self.get(first), self.get(second)
        if one is None or other is None:
            return None
        time_ms = other.latency_ms.less(one.latency_ms)
        return replace(time_ms, low=max(time_ms.low, 0.0)) if math.isfinite(time_ms.low) else time_ms

    def intervals(self) -> dict[str, Estimate]:
        """Interwave intervals in ms of all pairs that are marked: I-III, III-V, I-V."""
        found = {f"{first}-{second}": self.interval_ms(first, second) for first, second in INTERVALS}
        return {name: interval for name, interval in found.items() if interval is not None}

    def record(self) -> dict[str, Any]:
        """The marks as JSON values; unknown is null."""
        return {"format": FORMAT, "stated": STATED, "marks": [_record(mark) for mark in self.marks],
                "intervals": {name: _plain_estimate("", "ms", one) for name, one in self.intervals().items()}}  # fmt: skip

    @classmethod
    def of_record(cls, record: Mapping[str, Any]) -> Marks:
        """Marks from ``record``. Raises ValueError if it is no record of marks."""
        try:
            if record["format"] != FORMAT:
                raise ValueError(f"format is {record['format']!r}, known is {FORMAT!r}")
            return cls(tuple(_mark(row) for row in record["marks"]))
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"these are no marks of this program: {error}") from error


def _title(mark: Mark) -> str:
    return "the trough" if mark.wave == "trough" else f"wave {mark.wave}"


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _plain_estimate(name: str, unit: str, estimate: Estimate) -> dict[str, float | None]:
    words = {"": estimate.value, "low": estimate.low, "high": estimate.high}
    return {"_".join(part for part in (name, word, unit) if part): _plain(value) for word, value in words.items()}


def _record(mark: Mark) -> dict[str, Any]:
    return {
        "wave": mark.wave,
        "by": mark.by,
        **_plain_estimate("latency", "ms", mark.latency_ms),
        **_plain_estimate("amplitude", "nv", mark.amplitude_nv),
        **{f"{name}": _plain(getattr(mark, name)) for name in ("height_nv", "stands_out", "sure", "rival_ms")},
    }


def _mark(row: Mapping[str, Any]) -> Mark:
    def number(name: str) -> float:
        value = row[name]
        return math.nan if value is None else float(value)

    def estimate(name: str, unit: str) -> Estimate:
        return Estimate(*(number("_".join(part for part in (name, word, unit) if part)) for word in ("", "low", "high")))

    others = (number(name) for name in ("height_nv", "stands_out", "sure", "rival_ms"))
    return Mark(row["wave"], estimate("latency", "ms"), estimate("amplitude", "nv"), row["by"], *others)
