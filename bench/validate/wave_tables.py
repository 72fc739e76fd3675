"""What marking found on simulated runs, held against the truth, in counts with exact intervals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.wave_runs import Runs, simulate_waves, window_of
from quietfloor.bench.simulate.wave_shapes import Case
from quietfloor.monitor.waves.marks import STATED, Estimate, Mark, Marks, Wave
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.peaks import sought, suggest
from quietfloor.monitor.waves.trace import Trace

Floats = NDArray[np.float64]
WITHIN_MS, WANTED = 0.2, 0.95  # the promise about the latency of wave V, at 20 nV of residual noise or less
FALSE_MARKS = 0.03  # and about wave V in averages of noise alone
ANOTHER_MS = 0.6  # farther from the truth than this: the mark is on another peak
EMPTY: Floats = np.empty(0)


@dataclass(frozen=True)
class Figure:
    """One kind of figure over runs, (n,) each: marked value minus truth, whether the stated interval held it, its length."""

    error: Floats = field(default_factory=lambda: EMPTY)
    held: Floats = field(default_factory=lambda: EMPTY)
    length: Floats = field(default_factory=lambda: EMPTY)

    @classmethod
    def of(cls, estimates: Sequence[Estimate | None], truth: Floats) -> Figure:
        """Of the runs that have both."""
        both = [(one, at) for one, at in zip(estimates, truth, strict=True) if one is not None and np.isfinite(one.value + at)]
        return cls(
            np.array([one.value - at for one, at in both]),
            np.array([float(one.low <= at <= one.high) for one, at in both]),
            np.array([one.high - one.low for one, _ in both]),
        )

    @property
    def within(self) -> Proportion:
        return proportion(int((np.abs(self.error) <= WITHIN_MS).sum()), len(self.error))

    @property
    def coverage(self) -> Proportion:
        return proportion(int(self.held.sum()), len(self.held))


@dataclass(frozen=True)
class Row:
    """One kind of response (or several) in one kind of noise (or several) at one residual noise."""

    runs: int
    present: int  # the evidence had found a response
    marked: int  # wave V suggested
    v: Figure
    size: Figure  # peak to trough, error as a part of the truth
    trough: Figure
    i: Figure
    iii: Figure
    between: Figure  # I-V
    filtered: Figure  # of V against its peak before the filter
    doubt: Floats  # probability stated that V is another peak


def measure(case: Case, noise: str, noise_nv: float, seed: int, runs: range, norms: Norms) -> Row:
    """Runs of one cell, marked as the program would."""
    found = simulate_waves(case, noise, noise_nv, seed, runs)
    marks = marked(case, found, norms)
    truth = found.truth

    def latency(wave: Wave) -> list[Estimate | None]:
        return [None if (mark := one.get(wave)) is None else mark.latency_ms for one in marks]

    v = latency("V")
    sizes = [None if (mark := one.get("V")) is None else _part(mark, size) for one, size in zip(marks, truth.v_nv, strict=True)]
    return Row(
        runs=len(marks),
        present=int(found.present.sum()),
        marked=sum(one is not None for one in v),
        v=Figure.of(v, truth.v_ms),
        size=Figure.of(sizes, np.zeros(len(sizes))),
        trough=Figure.of(latency("trough"), truth.trough_ms),
        i=Figure.of(latency("I"), truth.i_ms),
        iii=Figure.of(latency("III"), truth.iii_ms),
        between=Figure.of([one.interval_ms("I", "V") for one in marks], truth.v_ms - truth.i_ms),
        filtered=Figure.of(v, truth.unfiltered_v_ms),
        doubt=np.array([1.0 - mark.sure for one in marks if (mark := one.get("V")) is not None]),
    )


def false_marks(case: Case, noise: str, noise_nv: float, seed: int, runs: range, norms: Norms) -> tuple[int, int]:
    """How many averages without a response got a wave V suggested, and of how many."""
    marks = marked(case, simulate_waves(case, noise, noise_nv, seed, runs, silent=True), norms)
    return sum(one.get("V") is not None for one in marks), len(marks)


def marked(case: Case, found: Runs, norms: Norms) -> list[Marks]:
    where = sought(
        case.stimulus, case.level_db_nhl, case.age_group, window_of(case), norms,
        frequency_hz=case.frequency_hz, span_ms=case.span_ms,
    )  # fmt: skip
    return [suggest(Trace.of(one), where) for one in found.averages]


def _part(mark: Mark, true_nv: float) -> Estimate:
    """Amplitude as a part of the truth, above it."""
    nv = mark.amplitude_nv
    return Estimate(nv.value / true_nv - 1.0, nv.low / true_nv - 1.0, nv.high / true_nv - 1.0)


def pooled(rows: Iterable[Row]) -> Row:
    rows = list(rows)

    def together(name: str) -> Figure:
        figures = [getattr(row, name) for row in rows]
        return Figure(*(np.concatenate([getattr(one, part) for one in figures]) for part in ("error", "held", "length")))

    return Row(
        runs=sum(row.runs for row in rows),
        present=sum(row.present for row in rows),
        marked=sum(row.marked for row in rows),
        v=together("v"),
        size=together("size"),
        trough=together("trough"),
        i=together("i"),
        iii=together("iii"),
        between=together("between"),
        filtered=together("filtered"),
        doubt=np.concatenate([row.doubt for row in rows]),
    )


HEAD = (
    f"{'':32}{'runs':>6}{'V':>7}{'<=0.2':>8}{'other':>7}{'(said)':>7}{'SD ms':>7}{'holds':>7}{'length':>8}"
    f"{'size':>7}{'holds':>7}{'trough':>8}{'holds':>7}{'I':>6}{'holds':>7}{'III':>6}{'holds':>7}"
)


def line(name: str, row: Row) -> str:
    """A row of the text table; what the columns are stands in ``COLUMNS``."""
    near = row.v.error[np.abs(row.v.error) <= ANOTHER_MS]
    other = 1.0 - len(near) / max(len(row.v.error), 1)
    return (
        f"{name:32}{row.runs:6}{_percent(row.marked, row.runs):>7}{_percent(row.v.within.count, row.marked):>8}"
        f"{100 * other:7.1f}{_mean(100 * row.doubt):>7}{near.std() if len(near) else np.nan:7.3f}{_rate(row.v.coverage):>7}"
        f"{_median(row.v.length):>8}{_mean(100 * row.size.error):>7}{_rate(row.size.coverage):>7}"
        f"{_median(np.abs(row.trough.error)):>8}{_rate(row.trough.coverage):>7}{_percent(len(row.i.error), row.runs, 0):>6}"
        f"{_rate(row.i.coverage):>7}{_percent(len(row.iii.error), row.runs, 0):>6}{_rate(row.iii.coverage):>7}"
    )


COLUMNS = f"""V: % of runs with wave V suggested; <=0.2: % of these so near the truth (ms); other: % on another peak, more than
{ANOTHER_MS} ms off, and what the marks said of that; SD: of the rest; holds: % in which the {100 * STATED:.0f} % interval held
the truth; length: its median in ms; size: mean error of peak to trough in %; trough: median error in ms; I, III: % of runs
with the mark.
"""


def _percent(count: int, n: int, digits: int = 1) -> str:
    return f"{100 * count / n:.{digits}f}" if n else "-"


def _rate(one: Proportion) -> str:
    return f"{100 * one.rate:.1f}" if one.n else "-"


def _mean(values: Floats) -> str:
    return f"{values.mean():.1f}" if len(values) else "-"


def _median(values: Floats) -> str:
    return f"{np.median(values):.2f}" if len(values) else "-"
