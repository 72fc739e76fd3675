"""``quietfloor validate --thresholds``: compare methods that find thresholds, on the same virtual ears.

Example: quietfloor validate --thresholds search,ladder --ears 200 --seed 1 --jobs 2

Ears are drawn as in `python -m quietfloor.bench.validate.thresholds`. `search` records several levels in one recording; `ladder`
makes one run after the other. The error is the difference from the level at which the noise-free response of the ear equals the
noise floor, for all ears within reach; an ear without a threshold counts as an error. Minutes are minutes of signal per
threshold.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from quietfloor.bench.simulate import ears
from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.odd_ears import AS_MODELLED, ODDITIES, oddity_of
from quietfloor.bench.simulate.searches import Found, deafened, found_in_head, of_one_head
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.simulate.staircase_runner import climb
from quietfloor.bench.validate.threshold_tables import NEAR_DB, WIDE_DB, Row, in_reach, row_of, said
from quietfloor.bench.validate.thresholds import _visible
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.storage.run_folder import jsonable

METHODS = ("search", "ladder")
Log = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """Of one method. `near`, `wide`, `covers`: of the ears within reach; `false`: of all."""

    method: str
    ears: int
    minutes: tuple[float, ...]  # a threshold, of ears within reach; of all ears where none is
    near: Proportion
    wide: Proportion
    covers: Proportion
    false: Proportion

    def as_json(self) -> dict[str, object]:
        known = np.array(self.minutes)
        return {
            "method": self.method, "ears": self.ears,
            "minutes_median": float(np.median(known)) if known.size else math.nan,
            "minutes_mean": float(known.mean()) if known.size else math.nan,
            "within_5_db": self.near.rate, "within_10_db": self.wide.rate, "interval_covers": self.covers.rate,
            "false_thresholds": self.false.count,
        }  # fmt: skip


def outcome_of_searches(rows: Sequence[Found], method: str = "search") -> Outcome:
    reach = [row for row in rows if row.in_reach]
    errors = np.array([row.threshold_db - row.visible_db for row in reach])
    return Outcome(
        method, len(rows), tuple(row.minutes for row in reach or rows),
        near=proportion(int((np.abs(errors) <= NEAR_DB).sum()), len(reach)),
        wide=proportion(int((np.abs(errors) <= WIDE_DB).sum()), len(reach)),
        covers=proportion(sum(row.low_db <= row.visible_db <= row.high_db for row in reach), len(reach)),
        false=proportion(sum(row.false for row in rows), len(rows)),
    )  # fmt: skip


def outcome_of_ladders(rows: Sequence[Row]) -> Outcome:
    reach = [row for row in rows if in_reach(row)]
    got = [row for row in reach if row.finding == "threshold"]
    stated = [row for row in got if math.isfinite(row.low_db) and math.isfinite(row.high_db)]
    return Outcome(
        "ladder", len(rows), tuple(row.minutes for row in (got if reach else rows)),
        near=proportion(sum(abs(row.seen_error_db) <= NEAR_DB for row in got), len(reach)),
        wide=proportion(sum(abs(row.seen_error_db) <= WIDE_DB for row in got), len(reach)),
        covers=proportion(sum(row.low_db <= row.visible_db <= row.high_db for row in stated), len(stated)),
        false=proportion(sum(row.false_settled for row in rows), len(rows)),
    )  # fmt: skip


@contextmanager
def processes(jobs: int, cluster: str | None = None) -> Iterator[Executor]:
    """So many processes of this machine, each with one thread for its small matrices (more only wait for each other), or those of
    the Dask scheduler at ``cluster``. Raises RuntimeError without Dask."""
    if cluster is None:
        with ProcessPoolExecutor(jobs, initializer=threadpool_limits, initargs=(1,)) as workers:
            yield workers
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise RuntimeError(f"--cluster needs Dask, which is missing ({error}): pip install 'quietfloor[cluster]'") from error
    client_at: Any = Client  # has no types
    with client_at(cluster) as client, client.get_executor() as workers:
        yield workers


def searches(
    count: int, sessions: Sessions, wanted: Wanted, workers: Executor, deaf: bool = False, odd: bool = False,
    log: Log = lambda line: None, together: int = 1, apart: bool = False,
) -> list[Found]:
    """Of so many heads in their order, and ``together`` conditions of each, see `of_one_head`."""  # fmt: skip
    asked = [workers.submit(_search, number, sessions, wanted, deaf, odd, together, apart) for number in range(count)]
    out: list[Found] = []
    for done, one in enumerate(asked, 1):
        out += one.result()
        if done % max(1, count // 10) == 0:
            log(f"{done} of {count} searches")
    return out


def _search(
    number: int, sessions: Sessions, wanted: Wanted, deaf: bool, odd: bool, together: int, apart: bool
) -> tuple[Found, ...]:
    ear = ears.draw(number, sessions.seed, sessions.stimulus)
    asked = of_one_head(deafened(ear) if deaf else ear, together)
    return found_in_head(asked, sessions, wanted, oddity_of(number) if odd else AS_MODELLED, alike=not apart)


def ladders(
    count: int, sessions: Sessions, workers: Executor, deaf: bool = False, log: Log = lambda line: None
) -> list[Row]:
    drawn = [ears.draw(number, sessions.seed, sessions.stimulus) for number in range(count)]
    if deaf:
        drawn = [deafened(ear) for ear in drawn]
    seen = {ear.number: workers.submit(_visible, ear, sessions) for ear in drawn}
    climbed = climb(drawn, sessions, workers, log)
    return [row_of(one, *seen[one.ear.number].result(), sessions) for one in climbed]


def parser() -> argparse.ArgumentParser:
    out = argparse.ArgumentParser(
        prog="quietfloor validate --thresholds", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    add = out.add_argument
    add("--thresholds", required=True, metavar="A,B", help=f"methods: {', '.join(METHODS)}")
    add("--ears", type=int, default=200, metavar="N", help="number of ears (%(default)s)")
    add("--seed", type=int, default=1, metavar="S", help="the same seed gives the same figures (%(default)s)")
    add("--deaf", action="store_true", help="the same people, but deaf: counts thresholds that do not exist")
    add("--odd", action="store_true", help=f"ears outside the model of the search: {', '.join(one.name for one in ODDITIES)}")
    add("--together", type=int, default=1, metavar="N", help="conditions of each head, one after the other (%(default)s)")
    add("--apart", action="store_true", help="with --together: a threshold that is found says nothing of the next one")
    add("--width", type=float, default=Wanted().width_db, metavar="DB", help="of the interval of a search (%(default)g)")
    add("--alpha", type=float, default=Wanted().alpha, metavar="A", help="of a search, of each run of a ladder (%(default)g)")
    add("--minutes", type=float, default=Sessions().minutes, help="of signal at most, for a threshold (%(default)g)")
    add("--jobs", type=int, default=2, metavar="N", help="processes (%(default)s)")
    add("--cluster", metavar="ADDRESS", help="Dask scheduler, such as tcp://10.0.0.5:8786, instead of --jobs")
    add("--each", action="store_true", help="print a line for each search as well")
    add("--json", action="store_true", help="one JSON object on standard output")
    return out


def _checked(options: argparse.Namespace) -> tuple[str, ...]:
    """The methods. Raises ValueError for what is not allowed."""
    methods = tuple(part.strip() for part in options.thresholds.split(",") if part.strip())
    if not methods or not set(methods) <= set(METHODS) or len(set(methods)) < len(methods):
        raise ValueError(f"--thresholds {options.thresholds}: give {' or '.join(METHODS)}, or both with a comma")
    allowed = (("ears", 1, 100_000), ("jobs", 1, 64), ("minutes", 1.0, 1000.0), ("seed", 0, math.inf), ("together", 1, 8))
    for name, low, high in allowed:
        if not low <= getattr(options, name) <= high:
            raise ValueError(f"--{name} {getattr(options, name)} is outside {low:g} to {high:g}")
    for name, usual in (("odd", False), ("together", 1), ("apart", False)):
        if getattr(options, name) != usual and "ladder" in methods:
            raise ValueError(f"--{name} is for searches: give --thresholds search")
    return methods


def text(outcomes: Sequence[Outcome]) -> str:
    lines = []
    for one in outcomes:
        low, middle, high = np.percentile(one.minutes, (25, 50, 75)) if one.minutes else (math.nan,) * 3
        lines += [
            f"{one.method}: {one.ears} ears, {one.near.n} within reach; exact 95 % intervals in brackets",
            f"  minutes of signal a threshold: median {middle:.2f}, quartiles {low:.2f} to {high:.2f}, mean "
            f"{np.mean(one.minutes) if one.minutes else math.nan:.2f}",
            f"  within {NEAR_DB:g} dB {said(one.near)}",
            f"  within {WIDE_DB:g} dB {said(one.wide)}",
            f"  stated 95 % interval holds it {said(one.covers)}",
            f"  false thresholds {said(one.false)}; upper limit, one-sided, {100 * one.false.upper:.2f} %",
            "",
        ]
    return "\n".join(lines)


def _line(row: Found) -> str:
    place = f"{row.route} {row.frequency_hz:g} Hz"
    outside = row.in_reach and not row.low_db <= row.visible_db <= row.high_db
    return (
        f"{row.ear:5} {row.kind:11} {row.oddity:16}{place:13} visible {row.visible_db:6.1f}: {row.threshold_db:6.1f} "
        f"({row.low_db:.1f} to {row.high_db:.1f}), found at {row.found_db:g}, {row.minutes:.2f} min"
        f"{'' if row.finished else ', not finished'}{', outside' if outside else ''}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    options = parser().parse_args(arguments)
    try:
        methods = _checked(options)
        wanted = Wanted(width_db=options.width, alpha=options.alpha)
    except ValueError as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return 2
    sessions = Sessions(rules=("evidence",), alpha=options.alpha, minutes=options.minutes, seed=options.seed)
    began_s = time.monotonic()

    def log(line: str) -> None:
        sys.stderr.write(f"quietfloor: {time.monotonic() - began_s:6.0f} s  {line}\n")

    outcomes, lines = [], []
    try:
        with processes(options.jobs, options.cluster) as workers:
            for method in methods:
                if method == "search":
                    together = options.together, options.apart
                    rows = searches(options.ears, sessions, wanted, workers, options.deaf, options.odd, log, *together)
                    lines += [_line(row) for row in rows]
                    outcomes.append(outcome_of_searches(rows))
                    for place in range(options.together if options.together > 1 else 0):
                        own = [row for row in rows if row.place == place]
                        outcomes.append(outcome_of_searches(own, f"{place + 1} of a head"))
                    kinds = ODDITIES if options.odd else ()
                    outcomes += [outcome_of_searches([row for row in rows if row.oddity == one.name], one.name) for one in kinds]
                else:
                    outcomes.append(outcome_of_ladders(ladders(options.ears, sessions, workers, options.deaf, log)))
    except (OSError, RuntimeError) as error:
        sys.stderr.write(f"quietfloor: {error}\n")
        return 1
    show = sys.stderr if options.json else sys.stdout
    if options.each:
        show.write("\n".join(lines) + "\n\n")
    show.write(text(outcomes))
    if options.json:
        sys.stdout.write(json.dumps(jsonable({"methods": [one.as_json() for one in outcomes]})) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
