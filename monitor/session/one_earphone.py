"""One earphone for both ears of a session: which ear comes next, and the words that have it moved. Pure."""

from __future__ import annotations

from quietfloor.monitor.session.conditions import Condition, RunSummary


def move_words(condition: Condition, runs: tuple[RunSummary, ...]) -> str:
    """What to do before a run of this condition, from the runs so far: empty if the earphone is on its ear already."""
    what = "bone vibrator" if condition.route == "bone" else "earphone"
    if not runs:
        return f"Put the {what} on the {condition.ear} ear"
    last = runs[-1].condition
    if (last.ear, last.route) == (condition.ear, condition.route):
        return ""
    moved = "Move" if last.route == condition.route else "Change to"
    return f"{moved} the {what} {'to' if moved == 'Move' else 'on'} the {condition.ear} ear"
