"""Content of a report, computed from plain data: averages with their marks, ladders, masking, hearing levels, methods.

This module uses no clock and no file: the same material gives the same report. Other modules define its layout.
"""

from __future__ import annotations

from quietfloor.monitor.hearing.air_bone import AirBone, compare_all
from quietfloor.monitor.hearing.estimate import Estimate, NotEstimated, estimate_all
from quietfloor.monitor.report.hearing import masking_of, measured_thresholds
from quietfloor.monitor.report.ladders import ladders_of
from quietfloor.monitor.report.material import Material
from quietfloor.monitor.report.methods import Facts, methods
from quietfloor.monitor.report.parts import Report


def make_report(material: Material, suggest_marks: bool = False) -> Report:
    """Make the report of the material. Marks placed by hand are always shown; other marks are suggested on request."""
    ladders = ladders_of(material, suggest_marks)
    masking = masking_of(material)
    estimates: tuple[Estimate, ...] = ()
    rest: tuple[NotEstimated, ...] = ()
    air_bone: tuple[AirBone, ...] = ()
    age = material.subject.age_group
    if material.chosen and age is not None:
        found = measured_thresholds(material)
        estimates, rest = estimate_all(found, material.tables.choose(material.chosen), age, material.subject.age_months)
        air_bone = compare_all(estimates, material.tables, age, material.subject.age_months)
    facts = [
        Facts(run.number, run.record, run.plan, None if run.summary is None else run.summary.discarded) for run in material.runs
    ]
    return Report(material, ladders, masking, methods(facts), estimates, rest, air_bone, suggest_marks)
