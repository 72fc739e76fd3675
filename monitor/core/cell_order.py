"""Numbering of the cells of a recording: condition by condition, the softest level first; the last cell is silence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Place(NamedTuple):
    """Place of a cell: index of the condition, index of the level."""

    condition: int
    level: int


@dataclass(frozen=True)
class CellOrder:
    """Order of the cells. ``levels``: number of levels of each condition."""

    levels: tuple[int, ...]

    def place(self, cell: int) -> Place | None:
        """Place of a cell; None for silence, and for a cell that could not be read."""
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
