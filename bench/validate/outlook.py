"""``python -m quietfloor.bench.validate.outlook``: how often do the minutes to go of a search hold its end?

Example: python -m quietfloor.bench.validate.outlook --ears 60 --seed 2

Virtual ears are searched as for `quietfloor validate --thresholds search`; at each choice the range is noted that a person would
see, and in the end whether it held. Wanted: 75 to 85 %. `--together` searches so many conditions of each head, one after the
other, and counts the range of all of them. `--fit` prints the constants of `monitor/search/outlook.py` as these ears would have
them: fit with one seed, count with another. Searches that ran out of time are left out and counted."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from quietfloor.bench.simulate import ears
from quietfloor.bench.simulate.noises import Floats
from quietfloor.bench.simulate.searches import of_one_head, search_head
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.validate.threshold_methods import processes
from quietfloor.monitor.search import outlook
from quietfloor.monitor.search.outlook import Outlook, Progress
from quietfloor.monitor.search.running import RunningSearch

EVERY = 4  # units between moments: as often as choices at first
POINTS = (10.0, 50.0, 90.0)


class Moment(NamedTuple):
    """Of the first condition its progress, of all of them the range; seconds to the end of the first, and of all."""

    search: int
    progress: Progress
    range_s: Outlook
    first_s: float
    all_s: float


def moments(number: int, sessions: Sessions, count: int) -> list[Moment] | None:
    """Of one head, in order; None where a condition did not end in time."""
    seen: list[tuple[Progress, Outlook, float, float]] = []
    units = 0

    def watch(running: RunningSearch) -> None:
        nonlocal units
        units += 1
        seconds = [running.answer(place, limits=False).seconds for place in range(count)]
        if units % EVERY == 1:
            seen.append((running.progress(0), running.outlook(), seconds[0], sum(seconds)))

    own = of_one_head(ears.draw(number, sessions.seed, sessions.stimulus), count)
    answers = search_head(own, sessions, watch=watch)
    if not all(answer.finished for answer in answers):
        return None
    first_s, all_s = answers[0].seconds, sum(answer.seconds for answer in answers)
    return [Moment(number, now, ahead, first_s - first, all_s - every) for now, ahead, first, every in seen if all_s > every]


def held(known: Sequence[Moment]) -> str:
    """How often the range of all conditions held the end, and how often it came before and after; by moments and by searches."""
    place = np.array([np.searchsorted(one.range_s, one.all_s) for one in known])
    inside = (place == 1) | (place == 2)
    searches = np.array([one.search for one in known])
    by_search = np.mean([inside[searches == number].mean() for number in np.unique(searches)])
    return (
        f"{100 * inside.mean():.1f} % of {len(known)} moments (sooner {100 * (place == 0).mean():.1f}, later "
        f"{100 * (place == 3).mean():.1f}); each search counted as one, of {len(np.unique(searches))}: {100 * by_search:.1f} %"
    )


def text(known: Sequence[Moment]) -> str:
    begins = [one for one in known if one.progress.seconds <= 2 * EVERY * 0.41]
    wide = [one for one in known if one.progress.width > 1.0]
    narrow = [one for one in known if one.progress.width <= 1.0]
    late = [one for one in known if one.progress.seconds > 120.0]
    rows = {"all": known, "at the begin": begins, "interval wide": wide, "narrow": narrow, "after 2 minutes": late}
    return "".join(f"{name:16} the 80 % range holds {held(chosen)}\n" for name, chosen in rows.items() if chosen)


def fit(known: Sequence[Moment]) -> str:
    """The constants, by least squares of logarithms and percentiles of what is left."""
    wide = [one for one in known if one.progress.width > 1.0 and one.progress.weight_per_s > 0 and one.first_s > 0]
    narrow = [one for one in known if one.progress.width <= 1.0 and one.first_s > 0]
    logs: Floats = np.log([one.first_s for one in wide])
    columns = [
        (0.0, math.log(now.width), math.log(now.weight_per_s), math.log1p(now.seconds / outlook.TIME_S))
        for now in (one.progress for one in wide)
    ]
    matrix = np.array([(1.0, *row[1:]) for row in columns])
    found, *_ = np.linalg.lstsq(matrix, logs, rcond=None)
    left = np.exp(np.percentile(logs - matrix @ found, POINTS))
    proofs = [one.first_s / outlook.expected_s(one.progress) for one in narrow]
    return (
        f"WIDE_S {math.exp(found[0]):.0f}, WIDTH_POWER {found[1]:.2f}, WEIGHT_POWER {found[2]:.2f}, TIME_POWER {found[3]:.2f}\n"
        f"WIDE {np.round(left, 2)}\nNARROW {np.round(np.percentile(proofs, POINTS), 2)} of {len(narrow)} moments\n"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.validate.outlook", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    add = parser.add_argument
    add("--ears", type=int, default=60, metavar="N", help="(%(default)s)")
    add("--seed", type=int, default=1, metavar="S", help="(%(default)s)")
    add("--together", type=int, choices=range(1, 9), default=1, metavar="N", help="conditions of each head (%(default)s)")
    add("--minutes", type=float, default=Sessions().minutes, help="of signal at most, for each threshold (%(default)g)")
    add("--jobs", type=int, default=2, metavar="N", help="processes (%(default)s)")
    add("--fit", action="store_true", help="print what the constants would be")
    options = parser.parse_args(arguments)
    if options.ears < 1 or options.jobs < 1 or options.seed < 0 or not 1.0 <= options.minutes <= 1000.0:
        sys.stderr.write("--ears and --jobs are 1 or more, --seed 0 or more, --minutes 1 to 1000\n")
        return 2
    sessions = Sessions(rules=("evidence",), seed=options.seed, minutes=options.minutes)
    with processes(options.jobs) as workers:
        asked = [workers.submit(moments, number, sessions, options.together) for number in range(options.ears)]
        got = [one.result() for one in asked]
    known = [moment for one in got if one is not None for moment in one]
    sys.stdout.write(f"{options.ears} heads, {got.count(None)} not finished in time\n")
    if known:
        sys.stdout.write(text(known) + (fit(known) if options.fit else ""))
    return 0


if __name__ == "__main__":
    sys.exit(main())
