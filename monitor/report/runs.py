"""Parts of a report on methods: runs, rules, calibration, timing, electrodes, methods."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from quietfloor.monitor.report.form import Block, Heading, Points, Table, Text
from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.methods import runs_words, sweeps_of
from quietfloor.monitor.report.parts import Report, electrodes, level_words, verdict_words
from quietfloor.monitor.run.status_text import sound_limited


def runs_made(report: Report) -> Iterable[Block]:
    yield Heading("Runs", 2)
    rows = []
    for run in report.material.runs:
        record, summary = run.record, run.summary
        out = "discarded" if summary is not None and summary.discarded is not None else ""
        only = summary.purpose if summary is not None and summary.purpose != "threshold" else ""
        rows.append(
            (
                f"{run.number}", level_words(run), verdict_words(run), ", ".join(part for part in (only, out) if part),
                *_figures(run), _count(sweeps_of(record, "accepted")), _count(sweeps_of(record, "presented")), _rejected(run),
                _count(record.get("lost_samples")),
            )
        )
    yield Table(
        ("run", "level", "found", "kind", "evidence", "noise, nV", "limit, nV", "accepted", "presented", "rejected", "lost"),
        tuple(rows), right=(0, 4, 5, 6, 7, 8, 10),
    )  # fmt: skip
    yield Text(
        "Evidence is log10; noise is the residual noise of the average at the end; limit: no response larger than this, peak "
        "to trough (true in 95 of 100 runs, whenever a run ends); rejected: sweeps by reason; lost: samples of the stream, by "
        "its stamps.",
        "small",
    )
    decided = ("response", "noise_floor", "upper_limit", "search")
    other = [run for run in report.material.runs if run.record.get("stopped_by") not in decided]
    yield Points(tuple(f"Run {run.number}: {run.record.get('reason') or 'no reason kept'}." for run in other))
    faults = [f"Run {run.number}: {run.record['fault']}" for run in report.material.runs if run.record.get("fault")]
    whys = [f"Run {run.number}: {run.why}" for run in report.material.runs if run.why]
    for title, items in (("Faults", faults), ("Why runs were made", whys)):
        if items:
            yield Heading(title, 3)
            yield Points(tuple(items))


def notes(report: Report) -> Iterable[Block]:
    yield Heading("Notes", 2)
    rows = [
        (f"{number}", f"run {run.number}", note.at, note.text)
        for number, (run, note) in enumerate(((run, note) for run in report.material.runs for note in run.notes), 1)
    ]  # fmt: skip
    if not rows:
        yield Text("No note was made.")
        return
    yield Table(("number", "of", "time", "text"), tuple(rows), right=(0,))


def _figures(run: RunMaterial) -> tuple[str, str, str]:
    """Evidence, noise, limit at the end; of a search they are told by level."""
    if run.search is not None:
        return "", "", ""
    record = run.record
    return _number(record.get("evidence"), 2), _number(record.get("residual_noise_nv"), 1), _limit(record.get("upper_limit_nv"))


def _rejected(run: RunMaterial) -> str:
    presented, accepted = (sweeps_of(run.record, what) for what in ("presented", "accepted"))
    if run.search is None or run.record.get("rejected") or presented is None or accepted is None:
        return rejected_words(run.record.get("rejected"))
    return f"{presented - accepted}"


def rejected_words(rejected: Any) -> str:
    """Rejected sweeps by reason as text, such as "peak 3, slope 1", or "0"."""
    if not isinstance(rejected, Mapping):
        return "?"
    return ", ".join(f"{reason} {count}" for reason, count in sorted(rejected.items()) if count) or "0"


def discarded_runs(report: Report) -> Iterable[Block]:
    yield Heading("Discarded runs", 2)
    if not report.discarded:
        yield Text("None.")
        return
    yield Points(
        tuple(
            f"Run {run.number} ({level_words(run)}, {verdict_words(run)}): {run.summary.discarded}"
            for run in report.discarded if run.summary is not None
        )
    )  # fmt: skip


def verdict_rules(report: Report) -> Iterable[Block]:
    yield Heading("Verdict rules and error rate", 2)
    def of(run: RunMaterial) -> tuple[str, ...]:
        if run.search is not None:
            alpha = run.search.alpha
            rate = f"1 of {1 / alpha:.0f}" if alpha > 0 else "an unknown share of"
            return "search", _number(alpha, 4), f"a response by mistake in at most {rate} searches of a condition", "", "", ""
        rule = run.record.get("rule") or {}
        decision = run.plan.get("decision") or {}
        return (
            str(rule.get("name") or "unknown"), _number(run.record.get("alpha"), 4), str(rule.get("promise") or "no error rate"),
            _number(decision.get("floor_nv"), 1), _count(decision.get("max_sweeps")), str(rule.get("identity") or "unknown"),
        )  # fmt: skip

    yield Table(("runs", "rule", "alpha", "promise", "floor, nV", "most sweeps", "identity"), _grouped(report.material.runs, of))
    yield Text(
        "Alpha: chance that a run without a response ends with one found, all its looks together. Floor: residual noise at which "
        "a missing response is believed. Identity: a hash over every setting that shapes a decision; a validation with the same "
        "settings prints the same.",
        "small",
    )


def levels_and_timing(report: Report) -> Iterable[Block]:
    yield Heading("Calibration and timing", 2)

    def of(run: RunMaterial) -> tuple[str, ...]:
        timing = run.record.get("timing") or {}
        said = f"verified, certificate {timing.get('certificate')}" if timing.get("verified") else (
            f"not verified: {timing.get('reason') or 'reason not kept'}"
        )  # fmt: skip
        sd, offset = timing.get("sd_ms"), timing.get("offset_ms")
        offset_words = "" if offset is None else f"{offset:.3f}, SD {_number(sd, 3)}"
        confirmed = {True: "yes", False: "NO", None: "not known"}[timing.get("rate_confirmed")]
        return (
            str(run.record.get("calibration") or "not known"), said, offset_words, _number(timing.get("delay_ms"), 3), confirmed,
        )  # fmt: skip

    head = ("runs", "calibration", "timing", "offset, ms", "delay taken off, ms", "rate confirmed")
    yield Table(head, _grouped(report.material.runs, of))
    breaks = [
        f"Run {run.number}: the sound broke {len(found)} {'time' if len(found) == 1 else 'times'}."
        for run in report.material.runs if (found := (run.record.get("stimulus") or {}).get("breaks"))
    ]  # fmt: skip
    limited = [
        f"Run {run.number}: {sound_limited(found)}."
        for run in report.material.runs if (found := (run.record.get("stimulus") or {}).get("limited_samples"))
    ]  # fmt: skip
    if breaks or limited:
        yield Points((*limited, *breaks))


def electrode_state(report: Report) -> Iterable[Block]:
    yield Heading("Electrodes and cautions taken note of", 2)
    kept = False
    for run in report.material.runs:
        found = electrodes(run)
        if found is not None:
            kept = True
            said = tuple(
                f"{one.get('subject') or 'all'}: {one.get('about')}: {one.get('said')} ({one.get('severity')})" for one in found
            )
            yield Heading(f"Run {run.number}, checked before it", 3)
            yield Points(said or ("no finding about electrodes",))
    if not kept:
        yield Text("The state of the electrodes was not kept with these runs.")

    rms = [value for run in report.material.runs if (value := (run.record.get("stream") or {}).get("rms_uv")) is not None]
    if rms:
        span = f"{min(rms):.2f}" if len(rms) == 1 else f"{min(rms):.2f} to {max(rms):.2f}"
        yield Text(f"EEG in the first second of the runs: {span} uV RMS in the band.")

    def of(run: RunMaterial) -> tuple[str, ...]:
        note = run.record.get("cautions_acknowledged")
        if not isinstance(note, Mapping):
            return "nobody", ""
        despite = note.get("despite") or []
        read = (f"version {note.get('version')}", note.get("how"), note.get("at"), *(note.get("also") or []))
        return ", ".join(map(str, read)), "; ".join(map(str, despite))

    head = ("runs", "cautions acknowledged", "begun despite")
    yield Table(head, _grouped(report.material.runs, of))


def methods_paragraphs(report: Report) -> Iterable[Block]:
    yield Heading("Methods, for a paper", 2)
    for paragraph in report.methods.paragraphs:
        yield Text(paragraph)


def _grouped(runs: Sequence[RunMaterial], of: Callable[[RunMaterial], tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    """Each row once, with the runs it belongs to in front."""
    found: dict[tuple[str, ...], list[int]] = {}
    for run in runs:
        found.setdefault(of(run), []).append(run.number)
    return tuple((runs_words(numbers).split(" ", 1)[1], *row) for row, numbers in found.items())


def _number(value: Any, digits: int) -> str:
    """A number as text with ``digits`` decimals (from 4 on in short form); unknown is a question mark."""
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        return "?"
    return f"{value:.{digits}f}" if digits < 4 else f"{value:g}"


def _limit(value: Any) -> str:
    """A limit as text, rounded up, as in the reason of a run."""
    known = isinstance(value, (int, float)) and math.isfinite(value)
    return _number(math.ceil(value) if known else None, 0)


def _count(value: Any) -> str:
    return "?" if value is None else f"{value}"
