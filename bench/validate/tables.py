"""From the records of cells to rows of tables: rates with exact intervals, times with censoring, pairs of rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.intervals import Proportion, mcnemar, mean_with_error, proportion, survival
from quietfloor.bench.simulate.simulate import OUTCOMES
from quietfloor.bench.validate.limit_tables import LimitRow
from quietfloor.bench.validate.work import Record
from quietfloor.monitor.run.status_text import MAY_RUN_OUT

Floats = NDArray[np.float64]
ENDED: dict[str, str] = dict(zip(OUTCOMES, ("present", "absent", "undecided"), strict=True))
QUARTILES = (0.75, 0.5, 0.25)  # of runs still undecided


@dataclass(frozen=True)
class Row:
    """One rule on one source with one size of response."""

    source: str
    size_nv: float
    rule: str
    present: Proportion
    absent: int
    inconclusive: int
    mean_sweeps: float
    mean_sweeps_error: float
    quartile_sweeps: tuple[float, ...]  # presented sweeps at which 25, 50, 75 % have found a response; nan where never
    noise_nv: float  # mean residual noise when the run ended
    curve: tuple[tuple[float, float], ...]  # (sweeps, share without a response found so far)


@dataclass(frozen=True)
class Pair:
    """Two rules on the same runs: how many found a response by one alone, exact p, and the difference in sweeps."""

    source: str
    size_nv: float
    first: str
    second: str
    only_first: int
    only_second: int
    p: float
    fewer_sweeps: float  # by which the first rule needs fewer than the second, mean over runs
    fewer_sweeps_error: float


@dataclass(frozen=True)
class Residual:
    """Residual noise stated at the end of runs against what really was left, RMS over runs, nV."""

    source: str
    estimated_nv: float
    left_nv: float
    error: float  # of the estimate, as a part of the truth
    error_error: float  # its standard error


@dataclass(frozen=True)
class Coverage:
    """How often the 80 % range of a forecast, made at ``at`` sweeps in runs still going on, held the sweeps that followed: of
    those that then ended in one way. ``expected``: how often it said that a decision is expected."""

    source: str
    size_nv: float
    at: int
    ending: str  # of OUTCOMES
    covered: Proportion
    below: int  # decided sooner than the range
    above: int
    expected: Proportion


@dataclass(frozen=True)
class AtStop:
    """What was left in averages when runs ended, by the way they ended: means over runs, each with its standard error."""

    source: str
    size_nv: float
    rule: str
    ending: str  # of OUTCOMES
    runs: int
    noise_nv: float  # stated
    noise_error: float  # of what was stated, as a part of the truth
    noise_error_error: float
    amplitude_error: float  # between true peak and true trough, as a part of the truth; nan without a response
    amplitude_error_error: float


@dataclass(frozen=True)
class Tables:
    rows: tuple[Row, ...]
    pairs: tuple[Pair, ...]
    residuals: tuple[Residual, ...]
    coverages: tuple[Coverage, ...] = ()
    at_stop: tuple[AtStop, ...] = ()
    limits: tuple[LimitRow, ...] = ()

    def row(self, source: str, size_nv: float, rule: str) -> Row | None:
        return next((r for r in self.rows if (r.source, r.size_nv, r.rule) == (source, size_nv, rule)), None)


@dataclass(frozen=True)
class _Runs:
    outcome: NDArray[np.int64]
    sweeps: Floats
    noise_nv: Floats
    left_nv: Floats
    amplitude: Floats


def tables(records: Sequence[Record]) -> Tables:
    rows: list[Row] = []
    pairs: list[Pair] = []
    residuals: list[Residual] = []
    coverages: list[Coverage] = []
    at_stop: list[AtStop] = []
    for source, size in dict.fromkeys((record["source"], float(record["size_nv"])) for record in records):
        here = [record for record in records if (record["source"], float(record["size_nv"])) == (source, size)]
        runs = {rule: _gather(here, rule) for rule in here[0]["decided"]}
        rows += [_row(source, size, rule, found) for rule, found in runs.items()]
        names = list(runs)
        pairs += [
            _pair(source, size, first, second, runs[first], runs[second])
            for place, first in enumerate(names)
            for second in names[place + 1 :]
        ]
        coverages += _coverages(source, size, here, runs[names[0]])
        at_stop += [row for rule, found in runs.items() for row in _at_stop(source, size, rule, found)]
        if size == 0:
            residuals.append(_residual(source, _column(here, "estimated_nv"), _column(here, "left_nv")))
    return Tables(tuple(rows), tuple(pairs), tuple(residuals), tuple(coverages), tuple(at_stop))


def _column(records: Sequence[Record], name: str) -> Floats:
    return np.array([np.nan if value is None else value for record in records for value in record[name]], dtype=float)


def _gather(records: Sequence[Record], rule: str) -> _Runs:
    found: list[dict[str, Any]] = [record["decided"][rule] for record in records]
    return _Runs(
        np.array([int(code) for part in found for code in part["outcome"]], dtype=np.int64),
        np.array([n for part in found for n in part["sweeps"]], dtype=float),
        *(_column(found, name) for name in ("noise_nv", "left_nv", "amplitude")),
    )


def _row(source: str, size: float, rule: str, runs: _Runs) -> Row:
    counts = np.bincount(runs.outcome, minlength=len(OUTCOMES))
    present = runs.outcome == 0
    at, left = survival(runs.sweeps, present)
    quartiles = tuple(float(at[np.argmax(left <= q)]) if len(left) and left[-1] <= q else float("nan") for q in QUARTILES)
    mean, error = mean_with_error(runs.sweeps)
    known = np.isfinite(runs.noise_nv)
    return Row(
        source=source,
        size_nv=size,
        rule=rule,
        present=proportion(int(counts[0]), len(runs.outcome)),
        absent=int(counts[1]),
        inconclusive=int(counts[2]),
        mean_sweeps=mean,
        mean_sweeps_error=error,
        quartile_sweeps=quartiles,
        noise_nv=float(runs.noise_nv[known].mean()) if known.any() else float("nan"),
        curve=tuple((float(t), float(s)) for t, s in zip(at, left, strict=True)),
    )


def _pair(source: str, size: float, first: str, second: str, a: _Runs, b: _Runs) -> Pair:
    one, two = a.outcome == 0, b.outcome == 0
    only_first, only_second = int((one & ~two).sum()), int((two & ~one).sum())
    fewer, error = mean_with_error(b.sweeps - a.sweeps)
    return Pair(source, size, first, second, only_first, only_second, mcnemar(only_first, only_second), fewer, error)


def _coverages(source: str, size: float, records: Sequence[Record], runs: _Runs) -> list[Coverage]:
    out = []
    for at in sorted({made["at"] for record in records for made in record["foretold"]}):
        low, high, limit, still, endings = [], [], [], [], []
        begin = 0
        for record in records:
            end = begin + record["count"]
            made = next((m for m in record["foretold"] if m["at"] == at), None)
            if made is not None:
                low += [np.nan if value is None else value for value in made["low"]]
                high += [np.nan if value is None else value for value in made["high"]]
                limit += [np.nan if value is None else value for value in made["limit"]]
                still += list(runs.sweeps[begin:end] - at)
                endings += list(runs.outcome[begin:end])
            begin = end
        known = np.isfinite(low)
        for code, ending in enumerate(OUTCOMES):
            chosen = known & (np.array(endings) == code)
            first, last, chance, came = (np.array(x, dtype=float)[chosen] for x in (low, high, limit, still))
            if len(came):
                inside = proportion(int(((came >= first) & (came <= last)).sum()), len(came))
                expected = proportion(int((chance <= MAY_RUN_OUT).sum()), len(came))
                sides = int((came < first).sum()), int((came > last).sum())
                out.append(Coverage(source, size, at, ending, inside, *sides, expected))
    return out


def _at_stop(source: str, size: float, rule: str, runs: _Runs) -> list[AtStop]:
    out = []
    for code, ending in enumerate(OUTCOMES):
        ended = (runs.outcome == code) & np.isfinite(runs.left_nv) & np.isfinite(runs.noise_nv)
        if ended.any():
            stated, left = runs.noise_nv[ended], runs.left_nv[ended]
            size_error = mean_with_error(runs.amplitude[ended] - 1.0) if size else (np.nan, np.nan)
            errors = (*_ratio_of_rms(stated, left), *size_error)
            out.append(AtStop(source, size, rule, ending, len(left), float(stated.mean()), *errors))
    return out


def _residual(source: str, estimated: Floats, left: Floats) -> Residual:
    known = np.isfinite(estimated) & np.isfinite(left)
    if not known.any():
        return Residual(source, *[float("nan")] * 4)
    stated_nv, left_nv = (float(np.sqrt((values[known] ** 2).mean())) for values in (estimated, left))
    return Residual(source, stated_nv, left_nv, *_ratio_of_rms(estimated[known], left[known]))


def _ratio_of_rms(estimated: Floats, left: Floats) -> tuple[float, float]:
    """By how much one RMS over runs exceeds another, as a part of it, and the standard error."""
    e2, l2 = estimated**2, left**2
    ratio = float(np.sqrt(e2.mean() / l2.mean()))
    spread = (e2 / e2.mean() - l2 / l2.mean()).std(ddof=1) / np.sqrt(len(l2)) if len(l2) > 1 else np.nan
    return ratio - 1.0, float(0.5 * ratio * spread)
