"""``quietfloor validate --persons``: minutes and errors of whole sessions, 2 ears x 4 frequencies, singly or both ears at once.

Example: quietfloor validate --persons 50 --seed 1 --together --jobs 2

Persons are drawn at random: normal, flat, sloping, conductive, mixed and asymmetric losses, one or two deaf ears. A session
searches all eight conditions by air, in one recording; at levels that need noise one ear hears sounds, and the other one noise.
Thresholds are compared with the level at which the noise-free response reaches the floor. A false threshold is a response that
was found at or below the hidden threshold. The same seed gives the same persons with and without --together; --paired searches
them both ways, and compares threshold by threshold (McNemar, exact).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Sequence
from concurrent.futures import Executor
from typing import TextIO

import numpy as np

from quietfloor.bench.simulate.intervals import mcnemar, proportion
from quietfloor.bench.simulate.persons import Person, person
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.validate.threshold_methods import Outcome, outcome_of_searches, processes
from quietfloor.bench.validate.threshold_tables import NEAR_DB, WIDE_DB, said
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.storage.run_folder import jsonable


def measure(
    count: int, sessions: Sessions, wanted: Wanted, workers: Executor, together: bool = False, deaf: bool = False,
    frequencies: int = 1,
) -> list[Person]:  # fmt: skip
    """Sessions of so many persons, in order."""
    asked = [workers.submit(person, number, sessions, wanted, together, deaf, frequencies) for number in range(count)]
    out = []
    for done, one in enumerate(asked, 1):
        out.append(one.result())
        if done % max(1, count // 10) == 0:
            sys.stderr.write(f"{done} of {count} persons\n")
    return out


def as_json(persons: Sequence[Person], outcome: Outcome) -> dict[str, object]:
    minutes = np.array([one.minutes for one in persons])
    return {
        "persons": len(persons), "thresholds": outcome.ears, "minutes_for_all_median": float(np.median(minutes)),
        "minutes_for_all_mean": float(minutes.mean()), "within_5_db": outcome.near.rate, "within_10_db": outcome.wide.rate,
        "interval_covers": outcome.covers.rate, "false_thresholds": outcome.false.count,
        "unfinished": sum(not found.finished for one in persons for found in one.found),
        "minutes_with_noise_mean": float(np.mean([one.noise_minutes for one in persons])),
    }  # fmt: skip


def paired(singly: Sequence[Person], together: Sequence[Person]) -> dict[str, dict[str, float]]:
    """Thresholds that only one of two ways found as near as that, and the exact p of so large a difference."""
    out = {}
    for name, limit_db in (("within_5_db", NEAR_DB), ("within_10_db", WIDE_DB)):
        near = [
            [abs(found.threshold_db - found.visible_db) <= limit_db for one in persons for found in one.found if found.in_reach]
            for persons in (singly, together)
        ]  # fmt: skip
        only = [sum(mine and not other for mine, other in zip(*pair, strict=True)) for pair in (near, near[::-1])]
        out[name] = {"only_singly": only[0], "only_together": only[1], "p": mcnemar(*only)}
    shorter = sum(both.minutes < one.minutes for one, both in zip(singly, together, strict=True))
    longer = sum(both.minutes > one.minutes for one, both in zip(singly, together, strict=True))
    out["minutes"] = {"shorter_together": shorter, "longer_together": longer, "p": mcnemar(shorter, longer)}
    return out


def parser() -> argparse.ArgumentParser:
    out = argparse.ArgumentParser(
        prog="quietfloor validate --persons", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    add = out.add_argument
    add("--persons", type=int, required=True, metavar="N", help="sessions, eight thresholds each")
    add("--together", action="store_true", help="both ears at once at levels that need no noise")
    add(
        "--frequencies", type=int, choices=(1, 2),
        help="at once in each ear, with --together or --paired (2, as in sessions)",
    )  # fmt: skip
    add("--paired", action="store_true", help="singly and together, and the difference threshold by threshold")
    add("--deaf", action="store_true", help="the same people, but deaf: counts thresholds that do not exist")
    add("--seed", type=int, default=1, metavar="S", help="(%(default)s)")
    add("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="processes (%(default)s)")
    add("--json", action="store_true", help="one JSON object on standard output")
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    options = parser().parse_args(arguments)
    for name, low, high in (("persons", 1, 100_000), ("seed", 0, math.inf), ("jobs", 1, 1024)):
        if not low <= getattr(options, name) <= high:
            sys.stderr.write(f"--{name} {getattr(options, name)} is outside {low:g} to {high:g}\n")
            return 2
    if options.frequencies is not None and not (options.together or options.paired):
        sys.stderr.write(f"--frequencies {options.frequencies} is for both ears at once: add --together or --paired\n")
        return 2
    ways = (False, True) if options.paired else (options.together,)
    with processes(options.jobs) as workers:
        every = [
            measure(
                options.persons, Sessions(seed=options.seed), Wanted(), workers, together, options.deaf,
                (options.frequencies or 2) if together else 1,
            )
            for together in ways
        ]  # fmt: skip
    out = sys.stderr if options.json else sys.stdout
    known = [report(persons, together, out) for persons, together in zip(every, ways, strict=True)]
    compared = paired(*every) if options.paired else {}
    for name, pair in compared.items():
        counts = ", ".join(f"{what.replace('_', ' ')} {count:g}" for what, count in pair.items() if what != "p")
        out.write(f"paired, {name.replace('_', ' ')}: {counts}; p = {pair['p']:.2g}\n")
    if options.json:
        content = {"singly": known[0], "together": known[1], "paired": compared} if options.paired else known[0]
        sys.stdout.write(json.dumps(jsonable(content)) + "\n")
    return 0


def report(persons: Sequence[Person], together: bool, out: TextIO) -> dict[str, object]:
    """Write what was found in one way, in words; return it as for --json."""
    outcome = outcome_of_searches([found for one in persons for found in one.found])
    known = as_json(persons, outcome)
    way = "both ears at once" if together else "singly"
    minutes = np.array([one.minutes for one in persons])
    tenth, ninetieth = np.quantile(minutes, (0.1, 0.9))
    out.write(
        f"{len(persons)} persons, {outcome.ears} thresholds, {way}; exact 95 % intervals in brackets\n"
        f"  minutes for all: median {np.median(minutes):.1f}, mean {minutes.mean():.1f} (80 %: {tenth:.1f} to {ninetieth:.1f})\n"
        f"  within 5 dB {said(outcome.near)}; within 10 dB {said(outcome.wide)}; interval covers {said(outcome.covers)}\n"
        f"  false thresholds {said(proportion(outcome.false.count, outcome.ears))}; without an answer {known['unfinished']}\n"
    )
    return known


if __name__ == "__main__":
    sys.exit(main())
