"""``python -m quietfloor.bench.validate.error_rate``: prove the error rate of stopping rules on noise that is known, or that was
recorded."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import NoReturn

import numpy as np

from quietfloor.bench.simulate.noises import NOISES, NoiseSource, run_seeds
from quietfloor.bench.simulate.simulate import simulate
from quietfloor.bench.validate.limit_tables import limit_plans, limit_rows
from quietfloor.bench.validate.options import parser, plan_from
from quietfloor.bench.validate.plan import ValidationPlan
from quietfloor.bench.validate.report import as_json, targets_text, text, write
from quietfloor.bench.validate.tables import tables
from quietfloor.bench.validate.targets import targets
from quietfloor.bench.validate.work import ResumeError, work
from quietfloor.monitor.commands.common import stop_on_signals
from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.storage.run_folder import jsonable

DONE, FAILED, BAD_ARGUMENTS = 0, 1, 2


class Bar:
    """Progress on standard error: one line that is written over, or a line every tenth where nobody watches."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._runs = 0
        self._said = -1
        self._live = sys.stderr.isatty()

    def __call__(self, done: int, total: int, runs: int) -> None:
        self._runs += runs
        tenth = 10 * done // max(total, 1)
        if not self._live and tenth == self._said and done < total:
            return
        self._said = tenth
        spent = time.monotonic() - self._began
        line = f"{done} of {total} parts"
        if self._runs and spent > 0:
            line += f", {self._runs / spent:.0f} runs/s"
        start, end = ("\r", "\n" if done == total else "") if self._live else ("", "\n")
        sys.stderr.write(f"{start}quietfloor: {line}   {end}")
        sys.stderr.flush()


def cost(plan: ValidationPlan) -> str:
    """Seconds of processor time that a sweep of a run costs, each rule alone, early and late in a run; noise apart."""
    lines = []
    name = next((source for source in plan.sources if source in NOISES), "gaussian")
    runs = 50
    for sweeps in (1024, 4096):
        setup = replace(plan.setup, max_sweeps=sweeps, floor_nv=1.0)
        waves = np.zeros((runs, setup.grid.n_times))
        for one in plan.chains:
            source = NoiseSource(NOISES[name], setup.grid, plan.presentation, run_seeds(0, "cost", range(runs)))
            begin = time.process_time()
            for _ in range(setup.units):
                source.unit()
            noise_s = time.process_time() - begin
            source = NoiseSource(NOISES[name], setup.grid, plan.presentation, run_seeds(0, "cost", range(runs)))
            begin = time.process_time()
            simulate(source, waves, setup, [one])
            rule_s = time.process_time() - begin - noise_s
            each = runs * sweeps
            lines.append(
                f"{one.name:20} {sweeps:5} sweeps: {1e6 * rule_s / each:6.2f} us a sweep, noise {1e6 * noise_s / each:.2f} us"
            )
    return "\n".join(lines) + "\n"


def _interrupt() -> NoReturn:
    """Whatever asks for the end does what Ctrl-C does: the processes at work end too."""
    raise KeyboardInterrupt


def main(arguments: Sequence[str] | None = None) -> int:
    args = parser().parse_args(arguments)
    show = sys.stderr if args.json else sys.stdout
    try:
        plan = plan_from(args)
        with stop_on_signals(_interrupt):
            sys.stderr.write(
                f"quietfloor: plan {plan.identity}, seed {plan.seed}, {plan.runs} runs of each kind, results in {args.out}\n"
            )
            found = tables(work(plan, args.out, args.jobs, args.cluster, Bar()))
            if args.targets and plan.recording is None and plan.muted is None:
                for one in limit_plans(plan):
                    shape = one.response.shape
                    sys.stderr.write(f"quietfloor: upper limits, {one.response_runs} runs of each kind with the shape {shape}\n")
                    rows = limit_rows(shape, work(one, args.out / f"limits-{shape}", args.jobs, args.cluster, Bar()))
                    found = replace(found, limits=(*found.limits, *rows))
    except KeyboardInterrupt:
        sys.stderr.write(f"\nquietfloor: interrupted; finished parts are in {args.out}, the same command goes on from there\n")
        return FAILED
    except (ValueError, PlanError, SourceError, XdfError, FileNotFoundError) as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return BAD_ARGUMENTS
    except (ResumeError, OSError, RuntimeError) as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return FAILED
    judged = targets(plan, found) if args.targets else []
    written = write(args.out, plan, found, judged)
    if args.json:
        sys.stdout.write(json.dumps(jsonable(as_json(plan, found, judged)), ensure_ascii=False) + "\n")
    show.write(text(plan, found) + ("\n" + targets_text(judged) if judged else ""))
    if args.cost:
        show.write("\n" + cost(plan))
    show.write(f"written: {', '.join(str(path) for path in written)}\n")
    return FAILED if any(target.state != "met" for target in judged) else DONE


if __name__ == "__main__":
    sys.exit(main())
