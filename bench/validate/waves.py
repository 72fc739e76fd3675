"""``python -m quietfloor.bench.validate.waves``: compare suggested marks with the true waves, and count how often their intervals
contain the true values.

Example: python -m quietfloor.bench.validate.waves --runs 200 --noise gaussian,muscle,bursts --noise-nv 20,10
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from joblib import Parallel, delayed

from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.noises import NOISES
from quietfloor.bench.simulate.wave_shapes import CASES, Case
from quietfloor.bench.validate.wave_tables import (
    COLUMNS,
    FALSE_MARKS,
    HEAD,
    WANTED,
    WITHIN_MS,
    Row,
    false_marks,
    line,
    measure,
    pooled,
)
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.monitor.waves.marks import STATED
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.norms_file import load_norms

DONE, FAILED, BAD_ARGUMENTS = 0, 1, 2
BATCH = 50  # runs of a cell; fixed, so that the figures do not depend on how the work was spread
USUAL_NOISE = "gaussian,muscle,bursts,gain-steps,mains"
WITHIN_NV = 20.0  # of residual noise, for which the promise about the latency is made


@dataclass(frozen=True)
class Cell:
    case: Case
    noise: str
    noise_nv: float
    first: int
    count: int
    silent: bool = False


@dataclass(frozen=True)
class Promise:
    what: str
    rate: Proportion
    met: bool
    less: tuple[str, ...]


def parser() -> argparse.ArgumentParser:
    form = argparse.RawTextHelpFormatter
    out = argparse.ArgumentParser(prog="python -m quietfloor.bench.validate.waves", description=__doc__, formatter_class=form)
    out.add_argument("--runs", type=int, default=100, help="runs of each kind of response, in each kind of noise (%(default)s)")
    out.add_argument("--noise", default=USUAL_NOISE, help=f"kinds of noise, from {', '.join(NOISES)} (%(default)s)")
    out.add_argument("--noise-nv", default="20,10", help="residual noise at which runs end (%(default)s)")
    out.add_argument("--norms", type=Path, help="published values of your own, see monitor/waves/wave-norms.toml")
    out.add_argument("--seed", type=int, default=1)
    out.add_argument("--jobs", type=int, default=1, help="processes (%(default)s); the figures do not depend on it")
    out.add_argument("--json", action="store_true", help="one JSON object on standard output, text on standard error")
    return out


def cells(args: argparse.Namespace, noises: Sequence[str], levels_nv: Sequence[float]) -> list[Cell]:
    batches = [(first, min(BATCH, args.runs - first)) for first in range(0, args.runs, BATCH)]
    out = []
    for noise_nv in levels_nv:
        for noise in noises:
            out += [Cell(case, noise, noise_nv, *batch) for case in CASES for batch in batches]
            out += [Cell(case, noise, noise_nv, *batch, silent=True) for case in CASES[:1] + CASES[-2:-1] for batch in batches]
    return out


def work(cell: Cell, seed: int, norms: Norms) -> Row | tuple[int, int]:
    runs = range(cell.first, cell.first + cell.count)
    how = false_marks if cell.silent else measure
    return how(cell.case, cell.noise, cell.noise_nv, seed, runs, norms)


def main(arguments: Sequence[str] | None = None) -> int:
    args = parser().parse_args(arguments)
    show = sys.stderr if args.json else sys.stdout
    try:
        noises = [name.strip() for name in args.noise.split(",")]
        levels_nv = sorted((float(level) for level in args.noise_nv.split(",")), reverse=True)
        if strange := [name for name in noises if name not in NOISES]:
            raise ValueError(f"noise {', '.join(strange)} is unknown: choose from {', '.join(NOISES)}")
        if args.runs < 1 or not all(2.0 <= level <= 200.0 for level in levels_nv):
            raise ValueError(f"runs = {args.runs}, noise-nv = {args.noise_nv}: give 1 run or more, and 2 to 200 nV")
        norms = load_norms(args.norms)
    except ValueError as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return BAD_ARGUMENTS
    todo = cells(args, noises, levels_nv)
    done = list(zip(todo, Parallel(n_jobs=args.jobs)(delayed(work)(cell, args.seed, norms) for cell in todo), strict=True))
    report: dict[str, Any] = {"seed": args.seed, "runs": args.runs, "noise": noises, "levels": []}
    show.write(f"seed {args.seed}, {args.runs} runs of each kind of response in each of: {', '.join(noises)}\n{COLUMNS}")
    missed = False
    for noise_nv in levels_nv:
        here = [(cell, found) for cell, found in done if cell.noise_nv == noise_nv]
        missed |= told(noise_nv, here, show.write, report)
    if args.json:
        sys.stdout.write(json.dumps(jsonable(report), ensure_ascii=False) + "\n")
    return FAILED if missed else DONE


def told(noise_nv: float, here: list[tuple[Cell, Any]], write: Any, report: dict[str, Any]) -> bool:
    """Writes the table of one residual noise and what became of the promises; True where one was missed."""
    rows = [(cell, found) for cell, found in here if not cell.silent]
    write(f"\nat {noise_nv:g} nV of residual noise\n{HEAD}\n")
    by_case = {case.name: pooled(row for cell, row in rows if cell.case is case) for case in CASES}
    for name, row in by_case.items():
        write(line(name, row) + "\n")
    usual = [(cell, row) for cell, row in rows if not cell.case.hard]
    for noise in dict.fromkeys(cell.noise for cell, _ in rows):
        write(line(f"all but the hard case, {noise}", pooled(row for cell, row in usual if cell.noise == noise)) + "\n")
    every = pooled(row for _, row in usual)
    write(line("all but the hard case", every) + "\n")
    false = proportion(*(sum(found[k] for cell, found in here if cell.silent) for k in (0, 1)))
    judged = promises(noise_nv, every, by_case)
    what = f"a wave V suggested in at most {100 * FALSE_MARKS:.0f} % of averages of noise alone, as far as can be told"
    judged.append(Promise(what, false, false.low <= FALSE_MARKS, ()))
    for one in judged:
        less = f"; less: {', '.join(one.less)}" if one.less else ""
        write(f"{'met   ' if one.met else 'MISSED'}  {one.what}: {_exact(one.rate)}{less}\n")
    of_all = proportion(every.v.within.count, every.runs)
    write(f"        within {WITHIN_MS} ms of all runs, those without a suggestion counted as missed: {_exact(of_all)}\n")
    moved_us = 1e3 * float(every.filtered.error.mean() - every.v.error.mean())
    write(f"        against the peak before the filter, marks are {moved_us:.0f} us later on average\n")
    report["levels"].append({
        "noise_nv": noise_nv,
        "promises": judged,
        "within_of_all": of_all,
        "cases": {name: _numbers(row) for name, row in by_case.items()},
    })  # fmt: skip
    return not all(one.met for one in judged)


def promises(noise_nv: float, every: Row, by_case: dict[str, Row]) -> list[Promise]:
    """What is promised, over all usual kinds of response together; ``less`` names those that fall short on their own."""
    out = []
    if noise_nv <= WITHIN_NV:
        within = proportion(every.v.within.count, every.marked)
        less = [name for name, row in by_case.items() if row.marked and row.v.within.count < WANTED * row.marked]
        what = f"suggested wave V within {WITHIN_MS} ms in {100 * WANTED:.0f} % of runs"
        out.append(Promise(what, within, within.low >= WANTED, tuple(less)))
    for name, part in (("latency of V", "v"), ("amplitude of V", "size"), ("the trough", "trough"), ("I-V", "between")):
        held: Proportion = getattr(every, part).coverage
        fewer = [case for case, row in by_case.items() if 0 < getattr(row, part).coverage.high < STATED]
        what = f"the interval stated for {name} holds the truth in {100 * STATED:.0f} %, as far as can be told"
        out.append(Promise(what, held, held.high >= STATED, tuple(fewer)))
    return out


def _numbers(row: Row) -> dict[str, Any]:
    return {
        "runs": row.runs, "present": row.present, "marked": row.marked, "within": row.v.within, "held": row.v.coverage,
        "amplitude_held": row.size.coverage, "trough_held": row.trough.coverage, "I": len(row.i.error), "III": len(row.iii.error),
    }  # fmt: skip


def _exact(one: Proportion) -> str:
    return f"{100 * one.rate:.1f} % of {one.n} ({100 * one.low:.1f} to {100 * one.high:.1f})"


if __name__ == "__main__":
    sys.exit(main())
