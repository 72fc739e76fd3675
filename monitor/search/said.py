"""What a search is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

OrderKind = Literal["go_to", "leave", "back", "only_above", "all_levels", "pause", "go_on", "not_offered"]
OF_CONDITION: frozenset[OrderKind] = frozenset({"go_to", "leave", "back", "not_offered"})
OF_LEVEL: frozenset[OrderKind] = frozenset({"go_to", "only_above", "not_offered"})


@dataclass(frozen=True)
class Order:
    """What the operator wants, or (``not_offered``) what the dose does not allow: that level of a condition and louder ones.

    ``condition``: its index; of ``go_to``, ``leave``, ``back``, ``not_offered``. ``level_db`` in dB nHL; of ``go_to``,
    ``only_above`` (that level and louder ones, of all conditions) and ``not_offered``. Raises ValueError.
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
