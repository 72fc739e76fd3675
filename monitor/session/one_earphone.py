"""One earphone for both ears of a session: which ear comes next, and the words that have it moved. Pure."""

from __future__ import annotations

from quietfloor.monitor.session.conditions import Condition, RunSummary


def move_words(condition: Condition, last_run: RunSummary | None) -> str:
    """What to do before a run of this condition; empty if the earphone is on its ear already. ``last_run``: None if nobody knows
    where it is."""
    what = "bone vibrator" if condition.route == "bone" else "earphone"
    if last_run is None:
        return f"Put the {what} on the {condition.ear} ear"
    last = last_run.condition
    if (last.ear, last.route) == (condition.ear, condition.route):
        return ""
    moved = "Move" if last.route == condition.route else "Change to"
    return f"{moved} the {what} {'to' if moved == 'Move' else 'on'} the {condition.ear} ear"
