"""The ear that responded in a run, and the runs on which a threshold rests. Pure.

A response is known to come from the tested ear if no noise was due in the other ear, or if enough noise was given, according to
the masking advice for both ears (`quietfloor.monitor.hearing.masking_advice`). No response means that neither ear responded, with
any noise in the other ear; the exception is noise that may have hidden the tested ear.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from quietfloor.monitor.hearing.masking_advice import MaskingAdvice
from quietfloor.monitor.session.conditions import ABSENT, OWN, UNKNOWN, Whose

ROUNDING_DB = 0.05


def of_run(verdict: str, masking_db_em: float | None, advice: MaskingAdvice | None) -> Whose:
    """The ear that responded in one run. `masking_db_em`: None for no noise, nan for noise of unknown level.

    Without advice (no table contains the sound) it is not known. For an undecided run: the ear to which a response would have
    belonged.
    """
    if advice is None or (masking_db_em is not None and math.isnan(masking_db_em)):
        return UNKNOWN
    if verdict == ABSENT:
        return OWN if masking_db_em is None or masking_db_em <= advice.highest_db_em else UNKNOWN
    enough = masking_db_em is not None and masking_db_em >= advice.sure_db_em - ROUNDING_DB
    return OWN if not advice.due or enough else UNKNOWN


def why_unknown(verdict: str, masking_db_em: float | None, advice: MaskingAdvice | None) -> str:
    """Why `of_run` does not know the ear, in words; empty where it does."""
    if of_run(verdict, masking_db_em, advice) != UNKNOWN:
        return ""
    if advice is None:
        return "no table says whether the other ear may hear this sound"
    if masking_db_em is None:
        return "noise in the other ear was due, and none was given"
    if math.isnan(masking_db_em):
        return "the level of the noise in the other ear is not known"
    if verdict == ABSENT:
        return "the noise in the other ear may have hidden a response"
    return "more noise in the other ear was due than was given"


def of_runs(found: Iterable[Whose]) -> Whose:
    """The ear that responded in several runs together: not known if it is not known for one of them."""
    all_found = set(found)
    if UNKNOWN in all_found:
        return UNKNOWN
    return OWN if all_found == {OWN} else ""
