"""Events of a search in its recording: choices, and orders of the operator."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, get_args

from quietfloor.monitor.core.events import Event

from .choice import Why
from .running import Answer

OrderKind = Literal["go_to", "leave", "back", "only_above", "all_levels", "pause", "go_on", "not_offered"]
OF_CONDITION: frozenset[OrderKind] = frozenset({"go_to", "leave", "back", "not_offered"})
OF_LEVEL: frozenset[OrderKind] = frozenset({"go_to", "only_above", "not_offered"})


@dataclass(frozen=True)
class Order:
    """An order of the operator, or (``not_offered``) a level of a condition that the dose does not allow, together with all
    louder levels.

    ``condition``: its index; for ``go_to``, ``leave``, ``back``, ``not_offered``. ``level_db`` in dB nHL; for ``go_to``,
    ``only_above`` (that level and louder ones, in all conditions) and ``not_offered``. Raises ValueError.
    """

    kind: OrderKind
    condition: int | None = None
    level_db: float | None = None
    why: str = ""

    def __post_init__(self) -> None:
        if self.kind not in get_args(OrderKind):
            raise ValueError(f"order = {self.kind!r}; allowed are {', '.join(get_args(OrderKind))}")
        if self.kind in OF_CONDITION and self.condition is None:
            raise ValueError(f"order {self.kind}: give the condition it is meant for")
        if self.kind in OF_LEVEL and self.level_db is None:
            raise ValueError(f"order {self.kind}: give a level in dB nHL")


@dataclass(frozen=True)
class Ordered(Event):
    """An order that was taken after ``units`` units of the recording had been judged; ``refused`` says why it was not
    followed."""

    kind: ClassVar[str] = "order"
    units: int
    order: Order
    refused: str = ""

    def record(self) -> dict[str, Any]:
        order = self.order
        return {
            "type": self.kind, "sample": self.sample, "units": self.units, "order": order.kind, "condition": order.condition,
            "level_db_nhl": order.level_db, "why": order.why, "refused": self.refused or None,
        }  # fmt: skip


def order_of(record: dict[str, Any]) -> tuple[int, Order]:
    """Read a kept order: number of units that were judged before it, and the order. Raises ValueError, KeyError, TypeError."""
    return int(record["units"]), Order(record["order"], record["condition"], record["level_db_nhl"], record["why"])


@dataclass(frozen=True)
class LevelChosen(Event):
    """The next cell (None: nothing is left), and the state of each condition, after ``units`` units were judged. ``ear``: for
    which, where both ears hear sounds at once; ``sound``: for which of its sounds (0, 1), where it hears two."""

    kind: ClassVar[str] = "choice"
    unsaid: ClassVar[frozenset[str]] = frozenset({"answers"})
    units: int
    cell: int | None
    why: Why | Literal["pause", "over", "noise"]
    gain_db2_per_s: float
    answers: tuple[Answer, ...]
    ear: str | None = None
    sound: int | None = None

    def record(self) -> dict[str, Any]:
        of, ear = self.answers, {name: value for name in ("ear", "sound") if (value := getattr(self, name)) is not None}
        return ear | {
            "type": self.kind, "sample": self.sample, "units": self.units, "cell": self.cell, "why": self.why,
            "gain_db2_per_s": _finite(self.gain_db2_per_s),
            "threshold_db": [_finite(one.threshold_db) for one in of], "low_db": [_finite(one.low_db) for one in of],
            "high_db": [_finite(one.high_db) for one in of], "above": [one.threshold_db == math.inf for one in of],
            "found_db": [_finite(one.found_db) for one in of], "finished": [one.finished for one in of],
        }  # fmt: skip


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
