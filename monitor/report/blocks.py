"""A report as a sequence of blocks, in the order used by every format: cautions first, methods last."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from quietfloor.monitor.readiness.cautions import CAUTIONS
from quietfloor.monitor.report.findings import hearing, masking, replicates, thresholds, waveforms, waves
from quietfloor.monitor.report.form import Block, Heading, Points, Table, Text
from quietfloor.monitor.report.ladders import capital
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.runs import (
    discarded_runs,
    electrode_state,
    levels_and_timing,
    methods_paragraphs,
    runs_made,
    verdict_rules,
)
from quietfloor.monitor.report.searches import searches
from quietfloor.monitor.session.conditions import UNKNOWN


def blocks_of(report: Report) -> tuple[Block, ...]:
    """The whole report."""
    parts = (
        _opening, thresholds, searches, waveforms, waves, replicates, masking, hearing, runs_made, discarded_runs, verdict_rules,
        levels_and_timing, electrode_state, methods_paragraphs,
    )  # fmt: skip
    return tuple(block for part in parts for block in part(report))


def _opening(report: Report) -> Iterable[Block]:
    material, subject = report.material, report.material.subject
    yield Heading(report.title, 1)
    yield Text("Not a medical device.", "caution")
    yield Points(CAUTIONS, "caution")
    rows = [("Session", material.title)] if material.title else []
    rows.append(("Folder", material.place))
    if subject.pseudonym:
        rows.append(("Subject", subject.pseudonym))
    age = "not known" if subject.age_group is None else subject.age_group
    rows.append(("Age group", age if subject.age_months is None else f"{age}, {subject.age_months:g} months"))
    started = sorted(str(run.record["started"]) for run in material.runs if run.record.get("started"))
    rows.append(("Runs made", _times(started) or "times not kept"))
    counted = sum(run.summary is None or run.summary.discarded is None for run in material.runs)
    rows.append(("Runs", f"{len(material.runs)} finished, {len(material.runs) - counted} of them discarded"))
    if material.left_out:
        rows.append(("Not in the report", "; ".join(material.left_out)))
    yield Heading("What was measured", 2)
    yield Table(("", ""), tuple(rows))
    found = [(one.title, one.threshold) for one in report.ladders if one.threshold is not None]
    doubtful = [(title, one) for title, one in found if one.whose == UNKNOWN or one.hidden]
    if doubtful:
        yield Text(f"{capital(UNKNOWN)}, as masking was due and was not given, or is not known to be right:", "caution")
        yield Points(tuple(f"{title}: {one.words}." for title, one in doubtful), "caution")
    if material.rules is not None:
        steps, again, limits = (material.rules[name] for name in ("steps", "replicates", "limits"))
        yield Text(
            f"Ladders went in steps of {steps['first_db']:g} dB, then {steps['last_db']:g} dB; the lowest response was to be "
            f"found {again['present']} times, the absence below it {again['absent']} times; levels up to "
            f"{limits['highest_db_nhl']:g} dB nHL."
        )


def _times(started: Sequence[str]) -> str:
    if not started:
        return ""
    return started[0] if len(started) == 1 else f"{started[0]} to {started[-1]}"
