"""Elements of a report in every format: headings, sentences, lists, tables, pictures, as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from quietfloor.monitor.report.pictures import Picture

Look = Literal["plain", "caution", "small"]


@dataclass(frozen=True)
class Heading:
    text: str
    rank: int  # 1: of the report, 2: of a part, 3: of a ladder


@dataclass(frozen=True)
class Text:
    text: str
    look: Look = "plain"


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]
    look: Look = "plain"


@dataclass(frozen=True)
class Table:
    """Cells as text; numbers in ``right`` columns are aligned to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()


@dataclass(frozen=True)
class Pairs:
    """Names with their values, two beside each other where there is room."""

    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Drawing:
    said: str  # what it shows, for who cannot see it
    picture: Picture


Block = Heading | Text | Points | Table | Pairs | Drawing
