"""Records of a search in its run folder: ``search`` of run.json, and cells.csv with the averages."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from .planned import PlannedSearch
from .words import hidden, sentence

COLUMNS = ("cell", "time_ms", "average_uv", "a_uv", "b_uv")


def search_record(search: PlannedSearch) -> dict[str, Any]:
    """``search`` of run.json; levels in dB nHL, noise and limits in nV, undefined and infinite values are nan or null."""
    now, wanted = search.now(), search.wanted
    conditions = []
    for number, (one, state) in enumerate(zip(search.sought, now.conditions, strict=True)):
        answer = state.answer
        beyond = None
        if math.isinf(answer.threshold_db):
            beyond = "above"
        elif answer.threshold_db < one.levels_db[0]:
            beyond = "below"
        cells = [
            {
                "cell": search.cells.cell(number, level),
                "level_db_nhl": level_db,
                "masking_db_em": one.masking_db_em[level],
                "presented": 0 if look is None else look.presented,
                "accepted": 0 if look is None else look.accepted,
                "evidence": math.nan if look is None else look.evidence_log10,
                "residual_noise_nv": math.nan if look is None else float(look.noise.value_nv),
                "upper_limit_nv": math.nan if look is None else look.limit_nv,
            }
            for level, (level_db, look) in enumerate(zip(one.levels_db, state.looks, strict=True))
        ]
        conditions.append(
            {
                "ear": one.ear, "stimulus": one.stimulus, "frequency_hz": one.frequency_hz,
                "levels_db_nhl": list(one.levels_db), "threshold_db_nhl": answer.threshold_db,
                "low_db_nhl": answer.low_db, "high_db_nhl": answer.high_db, "beyond": beyond,
                "found_db_nhl": answer.found_db, "finished": answer.finished, "state": state.state, "seconds": answer.seconds,
                "words": sentence(answer, one.levels_db, wanted.alpha), "hidden": hidden(answer, one.levels_db),
                "cells": cells,
            }
        )
    return {
        "alpha": wanted.alpha, "width_db": wanted.width_db, "widest_db": wanted.widest_db, "units": search.units,
        "conditions": conditions, "orders": [one.record() for one in search.ordered],
    }  # fmt: skip


def cells_csv(search: PlannedSearch) -> str:
    """The averages of all cells that were played, one row for each cell and time; an undefined value is an empty field."""
    lines = [",".join(COLUMNS)]
    for number, state in enumerate(search.now().conditions):
        for level, look in enumerate(state.looks):
            if look is None:
                continue
            cell = search.cells.cell(number, level)
            for row in np.column_stack([state.times_ms, look.average_uv, look.half_a_uv, look.half_b_uv]).tolist():
                lines.append(",".join([str(cell), *("" if math.isnan(value) else repr(value) for value in row)]))
    return "\n".join(lines) + "\n"
