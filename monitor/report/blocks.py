"""A report as a sequence of blocks, in the order used by every format: what changes a conclusion first, methods last."""

from __future__ import annotations

from collections.abc import Iterable

from quietfloor.monitor.readiness.cautions import CAUTIONS
from quietfloor.monitor.report.findings import averages, hearing, masking, replicates, thresholds, waves
from quietfloor.monitor.report.form import Block, Heading, Points
from quietfloor.monitor.report.front import front
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.runs import (
    discarded_runs,
    electrode_state,
    levels_and_timing,
    methods_paragraphs,
    notes,
    runs_made,
    verdict_rules,
)
from quietfloor.monitor.report.searches import searches


def blocks_of(report: Report) -> tuple[Block, ...]:
    """The whole report."""
    parts = (
        front, averages, waves, thresholds, searches, replicates, masking, hearing, runs_made, notes, discarded_runs,
        verdict_rules, levels_and_timing, electrode_state, _for_use, methods_paragraphs,
    )  # fmt: skip
    return tuple(block for part in parts for block in part(report))


def _for_use(report: Report) -> Iterable[Block]:
    yield Heading("Cautions for use", 2)
    yield Points(CAUTIONS)
