"""The part of a report about searches: what each found, how its levels were chosen, what may still hide."""

from __future__ import annotations

import math
from collections.abc import Iterable

from quietfloor.monitor.report.form import Block, Drawing, Heading, Points, Table, Text
from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.parts import Ladder, Report
from quietfloor.monitor.report.search_pictures import order_picture
from quietfloor.monitor.review.search_record import Ordered, Search, SearchedCondition

ORDERS = {
    "go_to": "go to", "leave": "leave", "back": "come back to", "only_above": "only levels from",
    "all_levels": "all levels again", "pause": "pause", "go_on": "go on", "not_offered": "not offered any more:",
}  # fmt: skip


def searches(report: Report) -> Iterable[Block]:
    made = [(run, run.search) for run in report.material.runs if run.search is not None]
    if not made:
        return
    yield Heading("Searches", 2)
    rows = tuple(_row(run, one) for run, search in made for one in search.conditions)
    if rows:
        head = ("condition", "run", "dB nHL", "95 %", "response found at", "state", "signal, min")
        yield Table(head, rows, right=(1, 2, 6))
        rates = sorted({f"1 of {1 / search.alpha:.0f}" for _, search in made if search.alpha > 0})
        yield Text(
            "A search plays several levels in one recording, each unit of sweeps at the level that tells most. The threshold is "
            "the level from which on a response is large enough to count; its interval holds it in 95 of 100 cases by a "
            "model of how responses grow with level. A response is found at the lowest level at or below which there is one, "
            f"whatever the model says: by mistake in at most {' or '.join(rates) or 'an unknown share of'} searches of a "
            "condition, all its levels and looks together.",
            "small",
        )
    yield Points(tuple(f"Run {run.number}: {text}." for run, search in made for text in search.missing), "caution")
    counted = [(run, one) for run, search in made if not run.discarded for one in search.conditions if one.hidden]
    yield Points(tuple(_hidden(run, one) for run, one in counted))
    for ladder in report.ladders:
        if ladder.searches:
            yield from _of_condition(ladder)


def _row(run: RunMaterial, one: SearchedCondition) -> tuple[str, ...]:
    state = "discarded" if run.discarded else "finished" if one.finished else "not finished"
    return (
        one.title, f"{run.number}", threshold_words(one), interval_words(one), _db(one.found_db_nhl, "none"), state,
        f"{one.seconds / 60:.1f}",
    )  # fmt: skip


def threshold_words(one: SearchedCondition) -> str:
    """32; above 90; below 0; not known."""
    if one.beyond is not None:
        end = one.cells[-1] if one.beyond == "above" else one.cells[0]
        return f"{one.beyond} {end.level_db_nhl:g}"
    return _db(one.threshold_db_nhl, "not known", 0)


def interval_words(one: SearchedCondition) -> str:
    low, high = one.low_db_nhl, one.high_db_nhl
    if math.isnan(low) and math.isnan(high):
        return "not known"
    if math.isnan(high):
        return f"{low:.0f} or more"
    return f"at most {high:.0f}" if math.isnan(low) else f"{low:.0f} to {high:.0f}"


def _db(value: float, unknown: str, digits: int | None = None) -> str:
    return unknown if math.isnan(value) else f"{value:g}" if digits is None else f"{value:.{digits}f}"


def _hidden(run: RunMaterial, one: SearchedCondition) -> str:
    return f"{one.title[:1].upper()}{one.title[1:]}, run {run.number}: {one.hidden}."


def _of_condition(ladder: Ladder) -> Iterable[Block]:
    yield Heading(f"{ladder.title}, by search", 3)
    for run, one in ladder.searches:
        search = run.search
        assert search is not None
        yield Text(f"Run {run.number}: {one.words}.")
        place = search.conditions.index(one)
        if any(unit.condition == place for unit in search.played):
            yield Drawing(f"Levels of run {run.number} in the order in which they were played", order_picture(search, place))
        yield Points(tuple(order_words(order, search) for order in search.ordered if order.condition in (None, place)))


def order_words(order: Ordered, search: Search) -> str:
    """At 1:02: go to 50 dB nHL, left ear, 2000 Hz octave chirp by air (she stirs)."""
    words = [ORDERS.get(order.order, order.order)]
    if math.isfinite(order.level_db_nhl):
        words.append(f"{order.level_db_nhl:g} dB nHL{',' if order.condition is not None else ''}")
    if order.condition is not None:
        words.append(search.conditions[order.condition].title)
    minutes, seconds = divmod(int(order.seconds), 60)
    refused = f"; not followed: {order.refused}" if order.refused else ""
    return f"At {minutes}:{seconds:02d}: {' '.join(words)}{f' ({order.why})' if order.why else ''}{refused}"
