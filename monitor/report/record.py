"""A report as plain data for JSON: keys are stable, unknown is nan here and null when written."""

from __future__ import annotations

import json
from typing import Any

from quietfloor.monitor.hearing.air_bone import FOR_A_PROFESSIONAL
from quietfloor.monitor.readiness.cautions import CAUTIONS
from quietfloor.monitor.report.cautions import cautions_of
from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.parts import Ladder, Report, electrodes, level_words
from quietfloor.monitor.review.search_record import Search, spans
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.monitor.waves.replicates import Comparison

FORMAT = "quietfloor report 1"
KEPT = (
    "started", "verdict", "stopped_by", "reason", "fault", "alpha", "rule", "evidence", "p_value", "fsp", "residual_noise_nv",
    "noise_cause", "upper_limit_nv", "sweeps_presented", "sweeps_accepted", "rejected", "lost_samples", "timing", "calibration",
    "cautions_acknowledged", "seed", "filter",
)  # fmt: skip


def report_record(report: Report) -> dict[str, Any]:
    """All content of a report; docs/file-formats.md lists the keys."""
    material = report.material
    return {
        "format": FORMAT,
        "cautions": list(CAUTIONS),
        "for_a_professional": FOR_A_PROFESSIONAL,
        "title": report.title,
        "subject": material.subject,
        "changes_a_conclusion": [
            {"of": one.of, "what": one.what, "changes": one.changes, "said": one.sentence} for one in cautions_of(report)
        ],
        "rules": material.rules,
        "ladders": [_ladder_record(ladder) for ladder in report.ladders],
        "searches": [_search_record(run.number, run.search) for run in material.runs if run.search is not None],
        "runs": [run_record(run) for run in material.runs],
        "left_out": material.left_out,
        "next": material.next,
        "masking": [
            {"run": one.run, "due": one.due, "said": one.words, "advice": one.advice.sentence, "notes": one.advice.notes}
            for one in report.masking
        ],
        "hearing": _hearing_record(report) if material.chosen else None,
        "methods": report.methods.record | {"text": report.methods.text},
    }


def _hearing_record(report: Report) -> dict[str, Any]:
    return {
        "tables": report.material.chosen,
        "estimates": [
            {
                "condition": one.measured.where, "ear": one.measured.ear, "route": one.measured.route,
                "frequency_hz": one.measured.frequency_hz, "finding": one.finding, "level_db_ehl": one.level_db,
                "low_db": one.low_db, "high_db": one.high_db, "coverage": one.coverage, "status": one.status,
                "tables": one.tables, "sources": [f"{row.table}: {row.source} ({row.status})" for row in one.rows],
                "notes": one.notes, "said": one.sentence,
            }
            for one in report.estimates
        ],
        "not_estimated": [{"condition": one.measured.where, "reason": one.reason} for one in report.not_estimated],
        "air_bone": [{"said": one.sentence, "notes": one.notes} for one in report.air_bone],
    }  # fmt: skip


def run_record(run: RunMaterial) -> dict[str, Any]:
    """One run: from its run.json, and what was said about it."""
    summary = run.summary
    return {
        "number": run.number,
        "folder": run.name,
        "title": run.record.get("title"),
        "level": level_words(run),
        "seconds": None if summary is None else summary.seconds,
        "purpose": None if summary is None else summary.purpose,
        "whose": None if summary is None else summary.whose or None,
        "why": run.why or None,
        "discarded": None if summary is None else summary.discarded,
        "operator": run.plan.get("operator") or None,
        "site": run.plan.get("site") or None,
        "notes": [{"at": note.at, "text": note.text} for note in run.notes],
        "electrodes": electrodes(run),
        **{name: run.record.get(name) for name in KEPT},
    }


def _ladder_record(ladder: Ladder) -> dict[str, Any]:
    threshold = ladder.threshold
    return {
        "title": ladder.title,
        "condition": ladder.condition,
        "threshold": None if threshold is None else {
            "finding": threshold.finding, "level_db_nhl": threshold.level_db_nhl,
            "lowest_present_db_nhl": threshold.lowest_present_db_nhl,
            "highest_absent_db_nhl": threshold.highest_absent_db_nhl, "estimate_db_nhl": threshold.estimate_db_nhl,
            "low_db_nhl": threshold.low_db_nhl, "high_db_nhl": threshold.high_db_nhl,
            "settled": threshold.settled, "rests_on": threshold.rests_on, "notes": threshold.notes, "said": threshold.words,
            "whose": threshold.whose or None, "hidden": threshold.hidden,
        },
        "levels": [
            {
                "level": level.label, "level_db_nhl": level.level_db_nhl, "runs": [run.number for run in level.runs],
                "cell": None if level.cell is None else level.cell.number, "found": level.found,
                "residual_noise_nv": level.noise_nv, "times_ms": level.times_ms, "average_nv": level.average_nv,
                "replicates": None if level.comparison is None else _comparison_record(level.comparison),
                "marks": level.marks.record(),
                "published": [
                    {"of": name, "mean": norm.mean, "sd": norm.sd, "low": norm.low, "high": norm.high, "from": norm.origin}
                    for name, norm in level.published
                ],
                "missing": level.untold,
            }
            for level in ladder.levels
        ],
        "published": [
            {
                "level_db_nhl": level, "latency_ms": None if latency is None else latency.mean,
                "amplitude_nv": None if amplitude is None else amplitude.mean,
            }
            for level, latency, amplitude in ladder.published
        ],
        "growth": ladder.growth,
        "errors": ladder.errors,
    }  # fmt: skip


def _search_record(number: int, search: Search) -> dict[str, Any]:
    """A search: its answers, and the order in which levels were played (a stretch of units of one cell each)."""
    return {
        "run": number, "alpha": search.alpha, "width_db": search.width_db, "missing": search.missing,
        "conditions": [
            {
                "title": one.title, "condition": one.condition, "threshold_db_nhl": one.threshold_db_nhl,
                "low_db_nhl": one.low_db_nhl, "high_db_nhl": one.high_db_nhl, "beyond": one.beyond,
                "found_db_nhl": one.found_db_nhl, "finished": one.finished, "seconds": one.seconds, "said": one.words,
                "hidden": one.hidden,
                "cells": [
                    {
                        "cell": cell.number, "level_db_nhl": cell.level_db_nhl, "presented": cell.presented,
                        "accepted": cell.accepted, "evidence": cell.evidence, "residual_noise_nv": cell.residual_noise_nv,
                        "upper_limit_nv": cell.upper_limit_nv, "masking_db_em": cell.masking_db_em,
                    }
                    for cell in one.cells
                ],
                "model": None if (model := search.fit_of(place)) is None else {
                    "latency_ms": model.latency_ms, "amplitude_nv": model.amplitude_nv, "threshold_db_nhl": model.threshold_db,
                },
                "played": [
                    {"from_s": start, "to_s": stop, "level_db_nhl": level} for start, stop, level in spans(search.played, place)
                ],
            }
            for place, one in enumerate(search.conditions)
        ],
        "choices": search.chosen, "orders": search.ordered,
    }  # fmt: skip


def _comparison_record(one: Comparison) -> dict[str, Any]:
    return {
        "runs": one.names, "correlation": one.correlation, "by_chance": one.by_chance, "gap_nv": one.gap_nv,
        "noise_gap_nv": one.noise_gap_nv, "amplitude_nv": one.amplitude_nv, "guidance": one.guidance, "evidence": one.evidence,
        "alpha": one.alpha, "said": one.words,
    }  # fmt: skip


def report_text(report: Report) -> str:
    """Content of report.json as text; floats keep every bit."""
    return json.dumps(jsonable(report_record(report)), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
