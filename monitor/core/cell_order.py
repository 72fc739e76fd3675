"""How the cells of a recording are numbered: condition by condition, the softest level first; the last one is silence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Place(NamedTuple):
    """Where a cell belongs: index of the condition, index of the level."""

    condition: int
    level: int


@dataclass(frozen=True)
class CellOrder:
    """``levels``: how many each condition has."""

    levels: tuple[int, ...]

    def place(self, cell: int) -> Place | None:
        """Of a cell; None for silence, and for one that could not be read."""
        for condition, count in enumerate(self.levels):
            if cell < count:
                return Place(condition, cell) if cell >= 0 else None
            cell -= count
        return None

    def cell(self, condition: int, level: int) -> int:
        return sum(self.levels[:condition]) + level

    @property
    def silence(self) -> int:
        return sum(self.levels)
