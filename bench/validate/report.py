"""Reports: text, CSV, JSON, and one HTML file with its plots inside. The same records give the same bytes."""

from __future__ import annotations

import csv
import html
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from quietfloor.bench.simulate.intervals import Proportion
from quietfloor.bench.simulate.noises import NOISES
from quietfloor.bench.validate.plan import MUTED, RECORDING, ValidationPlan
from quietfloor.bench.validate.plots import false_alarm_plot, power_plot, survival_plot
from quietfloor.bench.validate.tables import ENDED, Row, Tables
from quietfloor.bench.validate.targets import Target
from quietfloor.monitor.storage.run_folder import jsonable


def facts(plan: ValidationPlan) -> dict[str, Any]:
    """What was validated, in words and numbers that let another person do it again."""
    setup = plan.setup
    out: dict[str, Any] = {
        "plan": plan.identity,
        "seed": plan.seed,
        "rules": {one.name: one.identity for one in plan.chains},
        "alpha": setup.alpha,
        "max_sweeps": setup.max_sweeps,
        "floor_nv": setup.floor_nv,
        "quiet_nv": setup.quiet_nv,
        "absent_below_nv": setup.absent_below_nv,
        "classical_rules_look_every": setup.look_every,
        "evidence_looks_every": setup.block_sweeps,
        "band_hz": setup.grid.band_hz,
        "window_ms": setup.window_ms,
        "analysis_rate_hz": setup.grid.rate_hz,
        "rate_per_s": plan.presentation.rate_per_s,
        "pauses_ms": tuple(1e3 * pause_s for pause_s in plan.presentation.pauses_s),
        "random_polarity": plan.presentation.random_polarity,
        "response_shape": plan.response.shape,
        "response_latency_ms": plan.response.latency_ms,
    }
    if plan.recording is not None:
        loaded = plan.loaded
        run_s = setup.max_sweeps / plan.presentation.rate_per_s
        out["recording"] = {
            "file": loaded.name,
            "sha256": loaded.sha256,
            "channel": loaded.channel,
            "duration_s": loaded.duration_s,
            "separate_runs": loaded.duration_s / run_s,
        }
    if plan.muted is not None:
        loop = plan.loop
        out["muted"] = {
            "run": loop.name,
            "sha256": loop.sha256,
            "channel": loop.channel,
            "duration_s": loop.duration_s,
            "sweeps": loop.usable.size,
            "left_out": loop.left_out,
            "separate_runs": loop.usable.size / setup.max_sweeps,
        }
    return out


def _heading(plan: ValidationPlan) -> list[str]:
    known = facts(plan)
    lines = [
        f"plan {known['plan']}, seed {known['seed']}: the same seed gives the same report on any number of cores",
        "rules, with the identity of all settings that shape a decision (run.json gives a run's): "
        + ", ".join(f"{n} {i}" for n, i in known["rules"].items()),
        f"alpha {known['alpha']:g} for the whole run, all looks together; at most {known['max_sweeps']} sweeps; noise floor "
        f"{known['floor_nv']:g} nV; band {known['band_hz'][0]:g}-{known['band_hz'][1]:g} Hz; window {known['window_ms'][0]:g}-"
        f"{known['window_ms'][1]:g} ms; {known['rate_per_s']:g}/s, "
        + (f"after each unit a random pause of {' + '.join(f'0-{ms:.3g}' for ms in known['pauses_ms'])} ms"
           if known["pauses_ms"] else "no random pauses"),
    ]
    if known["quiet_nv"] is not None:
        lines.append(f"a response that was found is averaged on down to {known['quiet_nv']:g} nV: sweeps are counted until then")
    if known["absent_below_nv"] is not None:
        lines.append(f"a run also ends when no response can be as large as {known['absent_below_nv']:g} nV")
    if plan.recording is not None:
        r = known["recording"]
        lines.append(
            f"recording {r['file']} (sha256 {r['sha256'][:16]}), channel {r['channel']}, {r['duration_s']:.1f} s usable: about "
            f"{r['separate_runs']:.1f} separate runs of full length. Runs share its samples, so the intervals hold for runs "
            "drawn from this recording; about other recordings they say less"
        )
    if plan.muted is not None:
        m = known["muted"]
        faults = ", ".join(f"{count} {why}" for why, count in sorted(m["left_out"].items()))
        lines.append(
            f"muted run {m['run']} (raw.xdf sha256 {m['sha256'][:16]}), channel {m['channel']}: {m['sweeps']} sweeps at its own "
            f"triggers in {m['duration_s']:.1f} s, {f'of which unusable: {faults}' if faults else 'none with a fault'}; about "
            f"{m['separate_runs']:.1f} separate runs of full length, from which no rate below about "
            f"{100 * min(1.0, 1 / m['separate_runs']):.2g} % can be told. A run begins at a random unit of 16 and goes on "
            "in order. Runs share sweeps, so the intervals hold for runs drawn from this one; "
            "about another day or person they say less"
        )
    return lines


HEADER = ("noise", "nV", "rule", "found", "95 % interval", "absent", "undecided", "mean sweeps", "25/50/75 % found", "noise nV")


def _cells(row: Row) -> list[str]:
    p = row.present
    quartiles = "/".join(f"{q:.0f}" if q == q else "-" for q in row.quartile_sweeps)
    return [
        row.source,
        f"{row.size_nv:g}",
        row.rule,
        f"{100 * p.rate:.2f} %",
        _range(p, 2),
        str(row.absent),
        str(row.inconclusive),
        f"{row.mean_sweeps:.0f} +- {row.mean_sweeps_error:.0f}",
        quartiles,
        f"{row.noise_nv:.1f}" if row.noise_nv == row.noise_nv else "-",
    ]


def _range(p: Proportion, digits: int) -> str:
    return f"{100 * p.low:.{digits}f}-{100 * p.high:.{digits}f} % ({p.count}/{p.n})"


def aligned(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """The lines of a table, columns as wide as their longest entry."""
    widths = [max(len(cell) for cell in column) for column in zip(header, *rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in (header, *rows)]


PAIRS = ("noise", "nV", "rules", "only first", "only second", "exact McNemar p", "first needs fewer sweeps by")
NOISE = ("noise", "stated nV", "truth nV", "error")
FORECAST = ("noise", "nV", "made at", "ended", "covered", "95 % interval", "sooner", "later", "said to be expected")
AT_STOP = ("noise", "nV", "rule", "ended", "runs", "stated nV", "stated noise off by", "amplitude off by")
LIMITS = (
    "shape", "noise", "nV", "rule", "present/absent/undecided", "ever below", "95 % interval", "below at the end",
    "median, absent",
)  # fmt: skip
TARGETS = ("", "target", "wanted", "found", "")


def _sections(tables: Tables) -> list[tuple[str, Sequence[str], list[list[str]]]]:
    """Title, header and rows of each table behind those of the runs; none without a row."""

    def percent(value: float, error: float) -> str:
        return "" if value != value else f"{100 * value:+.1f} +- {100 * error:.1f} %"

    pairs = [
        [p.source, f"{p.size_nv:g}", f"{p.first} / {p.second}", str(p.only_first), str(p.only_second), f"{p.p:.3g}",
         f"{p.fewer_sweeps:.0f} +- {p.fewer_sweeps_error:.0f}"]
        for p in tables.pairs
    ]  # fmt: skip
    noise = [
        [r.source, f"{r.estimated_nv:.1f}", f"{r.left_nv:.1f}", f"{100 * r.error:+.1f} +- {100 * r.error_error:.1f} %"]
        for r in tables.residuals
    ]
    forecast = [
        [c.source, f"{c.size_nv:g}", str(c.at), ENDED[c.ending], f"{100 * c.covered.rate:.1f} %", _range(c.covered, 1),
         str(c.below), str(c.above), f"{100 * c.expected.rate:.1f} %"]
        for c in tables.coverages
    ]  # fmt: skip
    at_stop = [
        [r.source, f"{r.size_nv:g}", r.rule, ENDED[r.ending], str(r.runs), f"{r.noise_nv:.1f}",
         percent(r.noise_error, r.noise_error_error), percent(r.amplitude_error, r.amplitude_error_error)]
        for r in tables.at_stop
    ]  # fmt: skip
    limits = [
        [r.shape, r.source, f"{r.size_nv:g}", r.rule, "/".join(str(n) for n in r.ends), f"{100 * r.ever_below.rate:.1f} %",
         _range(r.ever_below, 1), f"{100 * r.below_at_stop.rate:.1f} %",
         f"{r.median_nv:.0f} nV" if r.median_nv == r.median_nv else "-"]
        for r in tables.limits
    ]  # fmt: skip
    every = [
        ("Pairs of rules on the same runs", PAIRS, pairs),
        ("Residual noise at the end of runs without a response", NOISE, noise),
        ("Forecast: 80 % range of the sweeps still to come", FORECAST, forecast),
        ("In the average when the run ends", AT_STOP, at_stop),
        ("Upper limit: how often it was below the response", LIMITS, limits),
    ]
    return [one for one in every if one[2]]


def _target_rows(targets: Sequence[Target]) -> list[list[str]]:
    return [[t.state, t.what, t.wanted, t.found, t.note] for t in targets]


def targets_text(targets: Sequence[Target]) -> str:
    met = sum(t.state == "met" for t in targets)
    return "\n".join([*aligned(TARGETS, _target_rows(targets)), f"{met} of {len(targets)} targets met"]) + "\n"


def text(plan: ValidationPlan, tables: Tables, targets: Sequence[Target] = ()) -> str:
    lines = _heading(plan)
    silent = [row for row in tables.rows if row.size_nv == 0]
    loud = [row for row in tables.rows if row.size_nv > 0]
    if silent:
        lines += ["", "NO RESPONSE: what is found is a false alarm", *aligned(HEADER, [_cells(row) for row in silent])]
    if loud:
        lines += ["", "WITH A RESPONSE", *aligned(HEADER, [_cells(row) for row in loud])]
    for title, header, rows in _sections(tables):
        lines += ["", title.upper(), *aligned(header, rows)]
    if targets:
        lines += ["", "TARGETS", targets_text(targets).rstrip()]
    return "\n".join(lines) + "\n"


COLUMNS = (
    "source", "size_nv", "rule", "identity", "runs", "present", "rate", "low", "high", "upper", "absent", "inconclusive",
    "mean_sweeps", "mean_sweeps_error", "found_25_sweeps", "found_50_sweeps", "found_75_sweeps", "noise_nv", "recording",
)  # fmt: skip


def _flat(plan: ValidationPlan, row: Row) -> dict[str, Any]:
    identities = {one.name: one.identity for one in plan.chains}
    p = row.present
    return dict(
        zip(
            COLUMNS,
            (
                row.source, row.size_nv, row.rule, identities.get(row.rule, ""), p.n, p.count, p.rate, p.low, p.high, p.upper,
                row.absent, row.inconclusive, row.mean_sweeps, row.mean_sweeps_error, *row.quartile_sweeps, row.noise_nv,
                plan.loaded.name if row.source == RECORDING else plan.loop.name if row.source == MUTED else "",
            ),
            strict=True,
        )
    )  # fmt: skip


def as_csv(plan: ValidationPlan, tables: Tables) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_flat(plan, row) for row in tables.rows)
    return out.getvalue()


def as_json(plan: ValidationPlan, tables: Tables, targets: Sequence[Target] = ()) -> dict[str, Any]:
    content: dict[str, Any] = jsonable(
        {
            **facts(plan),
            "rows": [{**_flat(plan, row), "curve": row.curve} for row in tables.rows],
            "pairs": [asdict(pair) for pair in tables.pairs],
            "residual_noise": [asdict(found) for found in tables.residuals],
            "forecast_coverage": [asdict(found) for found in tables.coverages],
            "at_stop": [asdict(found) for found in tables.at_stop],
            "upper_limits": [asdict(found) for found in tables.limits],
            "targets": [asdict(target) for target in targets],
        }
    )
    return content


STYLE = """body{font:15px/1.45 sans-serif;max-width:75em;margin:2em auto;padding:0 1em;color:#222}
table{border-collapse:collapse;margin:1em 0;font-size:13px}th,td{border-bottom:1px solid #ddd;padding:.25em .7em;text-align:left}
svg{max-width:100%;height:auto}.MISSED{font-weight:bold}h2{margin-top:2em}"""


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    def line(tag: str, cells: Sequence[str]) -> str:
        return "<tr>" + "".join(f"<{tag}>{html.escape(cell)}</{tag}>" for cell in cells) + "</tr>"

    return "<table>" + line("th", header) + "".join(line("td", row) for row in rows) + "</table>"


def as_html(plan: ValidationPlan, tables: Tables, targets: Sequence[Target] = ()) -> str:
    parts = ["<h1>Validation of stopping rules</h1>", *(f"<p>{html.escape(line)}</p>" for line in _heading(plan))]
    if targets:
        parts += ["<h2>Targets</h2>", _table(TARGETS, _target_rows(targets))]
    silent = [row for row in tables.rows if row.size_nv == 0]
    if silent:
        parts += ["<h2>False alarms</h2>", false_alarm_plot(silent, plan.setup.alpha)]
        parts.append(_table(HEADER, [_cells(row) for row in silent]))
    for source in dict.fromkeys(row.source for row in tables.rows if row.size_nv > 0):
        here = [row for row in tables.rows if row.source == source]
        loud = [row for row in here if row.size_nv > 0]
        parts += [f"<h2>Responses in {html.escape(source)}</h2>", power_plot(here)]
        for size in dict.fromkeys(row.size_nv for row in loud):
            parts.append(survival_plot([row for row in loud if row.size_nv == size], plan.setup.max_sweeps))
        parts.append(_table(HEADER, [_cells(row) for row in loud]))
    for title, header, rows in _sections(tables):
        parts += [f"<h2>{title}</h2>", _table(header, rows)]
    kinds = [[name, NOISES[name].what] for name in dict.fromkeys((*plan.sources, *plan.response_sources)) if name in NOISES]
    if kinds:
        parts += ["<h2>Kinds of noise</h2>", _table(("name", "what it is"), kinds)]
    body = "\n".join(parts)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Validation {plan.identity}</title>'
        f"<style>{STYLE}</style></head><body>\n{body}\n</body></html>\n"
    )


def write(out: Path, plan: ValidationPlan, tables: Tables, targets: Sequence[Target] = ()) -> list[Path]:
    """All four reports into ``out``; the paths written."""
    contents = {
        "table.txt": text(plan, tables, targets),
        "results.csv": as_csv(plan, tables),
        "results.json": json.dumps(as_json(plan, tables, targets), indent=1, ensure_ascii=False) + "\n",
        "report.html": as_html(plan, tables, targets),
    }
    for name, content in contents.items():
        (out / name).write_text(content, encoding="utf-8")
    return [out / name for name in contents]
