"""The first page of a report: whose it is, what changes a conclusion, the thresholds, the audiogram."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Any

from quietfloor.monitor.hearing.air_bone import FOR_A_PROFESSIONAL
from quietfloor.monitor.hearing.audiogram import EHL, NHL, Scale, chart_height_inch, draw_chart
from quietfloor.monitor.hearing.estimate import STIMULUS_WORDS, Estimate, Finding, Measured
from quietfloor.monitor.readiness.cautions import CAUTIONS
from quietfloor.monitor.report.cautions import cautions_of
from quietfloor.monitor.report.form import Block, Drawing, Heading, Pairs, Points, Table, Text
from quietfloor.monitor.report.methods import runs_words
from quietfloor.monitor.report.parts import Ladder, Report
from quietfloor.monitor.report.pictures import NARROW_INCH, Area, Picture
from quietfloor.monitor.report.searches import interval_words, threshold_words
from quietfloor.monitor.session.conditions import UNKNOWN, Condition
from quietfloor.monitor.session.threshold import COVERAGE, Threshold
from quietfloor.monitor.untrusted.safe_text import LONGEST, plain
from quietfloor.stimuli.calibration import BONE

CHART_INCH, LEAST_CHART_INCH = 3.5, 2.2
NOT_STATED = "not stated in the plan"


def front(report: Report) -> Iterable[Block]:
    """All blocks of the first page."""
    yield Heading(report.title, 1)
    yield Text(CAUTIONS[0], "caution")
    yield Pairs(tuple(_facts(report)))
    yield Heading("What changes a conclusion", 2)
    found = cautions_of(report)
    if found:
        yield Points(tuple(one.sentence for one in found), "caution")
    else:
        yield Text("Nothing: masking, settled thresholds, discarded runs, timing, levels and electrodes were looked at.")
    yield Heading("Thresholds", 2)
    rows = [row for ladder in report.ladders for row in _rows(ladder)]
    if not rows:
        yield Text("No run belongs to a ladder of levels in dB nHL or to a search, so there is no threshold to state.")
        return
    yield Table(("condition", "threshold, dB nHL", f"{100 * COVERAGE:g} % interval", "settled", "rests on"), tuple(rows))
    yield from _chart(report)


def _facts(report: Report) -> Iterable[tuple[str, str]]:
    material, subject = report.material, report.material.subject
    yield "Person", subject.pseudonym or "no code (no session)"
    age = "not known" if subject.age_group is None else subject.age_group
    yield "Age group", age if subject.age_months is None else f"{age}, {subject.age_months:g} months"
    yield "Date", _dates([str(run.record["started"]) for run in material.runs if run.record.get("started")])
    yield from (("Dose policy", text) for text in _policies(report))
    discarded = len(report.discarded)
    yield "Runs", f"{len(material.runs)} finished, {discarded} of them discarded"
    yield "Operator", _stated(report, "operator")
    yield "Site", _stated(report, "site")
    if material.title:
        yield "Session", material.title
    yield "Folder", material.place


def _policies(report: Report) -> list[str]:
    """Dose policies under which runs were made, with the runs."""
    made: dict[str, list[int]] = {}
    for run in report.material.runs:
        stimulus = run.record.get("stimulus")
        policy = stimulus.get("dose_policy") if isinstance(stimulus, dict) else None
        if isinstance(policy, dict):
            words = (
                f"{policy.get('name')}, {policy.get('approval')}, approved by {policy.get('approved_by')}: "
                f"{policy.get('day_limit_times')} times the usual sound dose of a day, because {policy.get('reason')}"
            )
            made.setdefault(plain(words, LONGEST), []).append(run.number)
    return [f"{words} ({runs_words(numbers)})" for words, numbers in made.items()]


def _stated(report: Report, key: str) -> str:
    """What the plans of the runs say, with the runs where they differ."""
    said: dict[str, list[int]] = {}
    for run in report.material.runs:
        text = run.plan.get(key)
        said.setdefault(" ".join(text.split()) if isinstance(text, str) else "", []).append(run.number)
    if len(said) == 1:
        return next(iter(said)) or NOT_STATED
    return "; ".join(f"{text or NOT_STATED} ({runs_words(numbers)})" for text, numbers in said.items())


def _dates(started: Sequence[str]) -> str:
    """Day and times of the first and the last run, as they were written."""
    if not started:
        return "not kept"
    ends = [min(started), max(started)]
    try:
        first, last = (datetime.fromisoformat(text) for text in ends)
    except ValueError:
        return " to ".join(dict.fromkeys(ends))
    zone = f" (UTC{first:%z})" if first.tzinfo is not None else ""
    if first == last:
        return f"{first:%Y-%m-%d %H:%M}{zone}"
    return f"{first:%Y-%m-%d %H:%M} to {last:{'%H:%M' if first.date() == last.date() else '%Y-%m-%d %H:%M'}}{zone}"


def _rows(ladder: Ladder) -> Iterable[tuple[str, ...]]:
    if ladder.threshold is not None:
        one = ladder.threshold
        behind = runs_words(one.rests_on) if one.rests_on else "no run"
        yield ladder.title, _level(one), _interval(one), "yes" if one.settled else "no", behind
        return
    for run, searched in ladder.searches:
        settled = "yes" if searched.finished else "no"
        level = threshold_words(searched)
        level += ", by its model; no response found" if math.isnan(searched.found_db_nhl) else ""
        yield ladder.title, level, interval_words(searched), settled, f"run {run.number}"


def _level(one: Threshold) -> str:
    doubt = f", {UNKNOWN}" if one.whose == UNKNOWN and one.finding != "no response" else ""
    if math.isnan(one.level_db_nhl):
        return "none found"
    before = {"at most": "at most ", "no response": "no response up to "}.get(one.finding, "")
    return f"{before}{one.level_db_nhl:g}{doubt}"


def _interval(one: Threshold) -> str:
    low, high = one.low_db_nhl, one.high_db_nhl
    if math.isnan(low) and math.isnan(high):
        return "not known"
    if math.isnan(low):
        return f"below {high:.0f}"
    return f"above {low:.0f}" if math.isnan(high) else f"{low:.0f} to {high:.0f}"


def _chart(report: Report) -> Iterable[Block]:
    """What is said of the chart stands before it, so that both are on one page: the chart takes the room that is left."""
    chosen = bool(report.material.chosen)
    known = [one for one in (report.estimates if chosen else _as_measured(report)) if one.finding != "not tested"]
    drawn = tuple(one for one in known if one.measured.frequency_hz is not None)
    yield Heading("Audiogram of estimated hearing levels" if chosen else "Chart of thresholds", 2)
    if not drawn:
        yield Text("No settled threshold of a sound with a frequency was found, so there is nothing to chart.")
        return
    if chosen:
        tables = dict.fromkeys(f"{row.table} ({row.status})" for one in drawn for row in one.rows)
        text = f"Estimated from ABR thresholds by {', '.join(tables)}. {FOR_A_PROFESSIONAL}"
    else:
        text = "Levels in dB nHL as found; no hearing levels, as no table to estimate these was chosen (--table)."
    missing = [one.measured.where for one in known if one.measured.frequency_hz is None]
    missing += [one.measured.where for one in report.not_estimated] if chosen else []
    yield Text(f"{text} Not in the chart: {'; '.join(missing)}." if missing else text, "small")
    said = "; ".join(_charted(one, chosen) for one in drawn)
    scale = EHL if chosen else NHL
    with formulas():
        narrow = chart_height_inch(NARROW_INCH, CHART_INCH, drawn, scale)
    picture = Picture(CHART_INCH, LEAST_CHART_INCH, lambda figure, area: _draw(figure, area, drawn, scale), narrow)
    yield Drawing(f"Audiogram: {said}" if chosen else f"Chart of thresholds: {said}", picture)


def _charted(one: Estimate, chosen: bool) -> str:
    before = {"no response": "no response, worse than ", "at most": "at most "}.get(one.finding, "")
    return f"{one.measured.where} {before}{one.level_db:.0f} dB {'eHL' if chosen else 'nHL'}"


def _as_measured(report: Report) -> Iterable[Estimate]:
    """Thresholds as points of a chart in dB nHL."""
    for ladder in report.ladders:
        one, condition = ladder.threshold, ladder.condition
        if condition is None or condition.stimulus not in STIMULUS_WORDS:
            continue
        if one is not None:
            own = [run.summary for run in ladder.runs if run.number in one.rests_on and run.summary is not None]
            masked = one.masked or (bool(own) and all(run.masked for run in own))
            yield _as_estimate(
                condition, one.finding, one.level_db_nhl, one.low_db_nhl, one.high_db_nhl, masked, one.whose != UNKNOWN
            )
            continue
        for _, searched in ladder.searches:
            known = searched.finished and math.isfinite(searched.threshold_db_nhl)
            found = math.isfinite(searched.found_db_nhl)
            level = searched.threshold_db_nhl if known else searched.found_db_nhl if found else searched.cells[-1].level_db_nhl
            finding: Finding = (
                "threshold" if known and found else "at most" if found else "no response" if searched.finished else "not tested"
            )
            noise = [cell.masking_db_em for cell in searched.cells if cell.presented]
            masked = bool(noise) and all(db is not None for db in noise)
            yield _as_estimate(condition, finding, level, searched.low_db_nhl, searched.high_db_nhl, masked, ear_known=False)


def _as_estimate(
    condition: Condition, finding: Finding, level_db: float, low_db: float, high_db: float, masked: bool, ear_known: bool
) -> Estimate:
    present = level_db if finding in ("threshold", "at most") else math.nan
    measured = Measured(
        condition.ear, condition.route, condition.stimulus, BONE if condition.route == "bone" else "insert",
        condition.frequency_hz, present, level_db if finding == "no response" else math.nan, masked, ear_known,
        level_db if finding == "threshold" else math.nan,
    )  # fmt: skip
    return Estimate(measured, level_db, low_db, high_db, math.nan)


def _draw(figure: Any, area: Area, drawn: tuple[Estimate, ...], scale: Scale) -> None:
    with formulas():
        draw_chart(figure, area, drawn, scale)


def formulas() -> AbstractContextManager[None]:
    """Markers of the chart are formulas; nothing that a user wrote is in it."""
    from matplotlib import rc_context

    return rc_context({"text.parse_math": True})
