"""Whose response a run shows, and the runs that a threshold rests on. Pure.

A response is known to be the tested ear's where no noise was due in the other ear, or where enough of it was given; both by what
masking advice knows and assumes of the two ears (`quietfloor.monitor.hearing.masking_advice`). No response means that neither ear
answered, whatever the other one had; only noise that may have hidden the tested ear takes that away. """

from __future__ import annotations

import math
from collections.abc import Iterable

from quietfloor.monitor.hearing.masking_advice import MaskingAdvice
from quietfloor.monitor.session.conditions import ABSENT, OWN, UNKNOWN, Whose

ROUNDING_DB = 0.05


def of_run(verdict: str, masking_db_em: float | None, advice: MaskingAdvice | None) -> Whose:
    """`masking_db_em`: None for no noise, nan for noise of unknown level. Without advice (no table knows the sound) nothing is
    known. Of an undecided run: whose a response would have been."""
    if advice is None or (masking_db_em is not None and math.isnan(masking_db_em)):
        return UNKNOWN
    if verdict == ABSENT:
        return OWN if masking_db_em is None or masking_db_em <= advice.highest_db_em else UNKNOWN
    enough = masking_db_em is not None and masking_db_em >= advice.sure_db_em - ROUNDING_DB
    return OWN if not advice.due or enough else UNKNOWN


def of_runs(found: Iterable[Whose]) -> Whose:
    """Whose response several runs show together: not known where it is not known of one of them."""
    all_found = set(found)
    if UNKNOWN in all_found:
        return UNKNOWN
    return OWN if all_found == {OWN} else ""
