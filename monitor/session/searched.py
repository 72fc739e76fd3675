"""Result of a search for one condition, from its record. Plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Searched:
    """Result for one condition. Levels in dB nHL; nan: not known. ``levels_db``: the levels that could be played, softest first,
    with the noise in the other ear in dB EM at each (``masking_db_em``, None: none).

    ``threshold_db`` is inf above all levels; ``low_db`` to ``high_db`` (95 %) is -inf, inf where there is no limit. ``found_db``:
    lowest level for which a response at that level or below is proven. ``words``: the result in a sentence; ``hidden``: the
    largest response that is still possible below, empty if not known. ``seconds``: duration of the signal; ``sweeps``: accepted
    sweeps of all its levels.
    """

    levels_db: tuple[float, ...]
    masking_db_em: tuple[float | None, ...]
    threshold_db: float
    low_db: float
    high_db: float
    found_db: float
    finished: bool
    seconds: float
    alpha: float
    words: str
    hidden: str = ""
    sweeps: int = 0

    @property
    def found(self) -> bool:
        return not math.isnan(self.found_db)

    @property
    def speaks_db(self) -> float:
        """The level on which the answer rests: the lowest with a response, else the loudest."""
        return self.found_db if self.found else self.levels_db[-1]

    @property
    def masking(self) -> float | None:
        """Noise in dB EM at that level; None: none."""
        return self.masking_db_em[self.levels_db.index(self.speaks_db)]


def searched_of(record: Mapping[str, Any], alpha: float) -> Searched | None:
    """Read one condition of ``search`` in a run.json; None if nothing was played. Raises KeyError, TypeError, ValueError."""
    cells = record["cells"]
    levels = tuple(float(cell["level_db_nhl"]) for cell in cells)
    found_db = _number(record["found_db_nhl"])
    if not levels or list(levels) != sorted(levels) or (found_db not in levels and not math.isnan(found_db)):
        raise ValueError(f"levels {levels} with a response at {found_db:g}")
    if not any(int(cell["presented"]) for cell in cells):
        return None
    known = record["threshold_db_nhl"] is not None or record["beyond"] is not None
    beyond = math.inf if record["beyond"] == "above" else math.nan
    return Searched(
        levels_db=levels,
        masking_db_em=tuple(None if (noise := cell["masking_db_em"]) is None else float(noise) for cell in cells),
        threshold_db=_number(record["threshold_db_nhl"], beyond),
        low_db=_number(record["low_db_nhl"], -math.inf if known else math.nan),
        high_db=_number(record["high_db_nhl"], math.inf if known else math.nan),
        found_db=found_db,
        finished=bool(record["finished"]),
        seconds=_number(record["seconds"], 0.0),
        alpha=alpha,
        words=str(record["words"]),
        hidden=str(record["hidden"]),
        sweeps=sum(int(cell["accepted"]) for cell in cells),
    )


def _number(value: Any, missing: float = math.nan) -> float:
    return missing if value is None else float(value)
