"""``python -m quietfloor.bench.validate.thresholds``: compare the thresholds that ladders find with the hidden thresholds of
virtual ears.

Example: python -m quietfloor.bench.validate.thresholds --ears 200 --jobs 2 --seed 1 --out thresholds

The seed draws ears of all kinds, at one frequency each, by air or by bone. Each rule makes a ladder for each ear, with the logic,
the analysis and the settings of a live session. Text goes to standard output; --out gets the text, the ladders as CSV, and
everything as JSON.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import io
import json
import math
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from quietfloor.bench.simulate import ears, simulated_staircases
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.simulate.staircase_runner import Ladder, climb
from quietfloor.bench.validate.threshold_tables import Row, record, row_of, text
from quietfloor.monitor.core.stopping import rules_of_run
from quietfloor.monitor.storage.run_folder import jsonable

QUICK = 24


def parser() -> argparse.ArgumentParser:
    out = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.validate.thresholds", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    add, usual = out.add_argument, Sessions()
    add("--ears", type=int, default=200, help="number of ears (%(default)s)")
    add("--rule", action="append", metavar="RULE[:BUDGET]", help=f"rule; may be repeated ({', '.join(usual.rules)})")
    add("--stimulus", choices=sorted(simulated_staircases.SOUNDS), default=usual.stimulus, help="stimulus (%(default)s)")
    add("--band", default=",".join(f"{hz:g}" for hz in usual.band_hz), metavar="LOW,HIGH", help="pass band in Hz (%(default)s)")
    add("--alpha", type=float, default=usual.alpha, help="false-alarm rate of each run (%(default)s)")
    add("--floor-nv", type=float, default=usual.floor_nv, help="residual noise at which an absence is believed (%(default)s)")
    add("--max-sweeps", type=int, default=usual.max_sweeps, help="sweep limit of a run (%(default)s)")
    add("--minutes", type=float, default=usual.minutes, help="minutes of signal for a ladder (%(default)s)")
    add("--unmasked", action="store_true", help="no masking noise in the other ear, for comparison")
    add("--quick", action="store_true", help=f"{QUICK} ears only, as a trial")
    add("--seed", type=int, default=1, help="the same seed gives the same figures (%(default)s)")
    add("--jobs", type=int, default=2, help="number of processes (%(default)s)")
    add("--out", type=Path, metavar="DIR", help="folder for thresholds.txt, .csv, .json")
    return out


def sessions_of(options: argparse.Namespace) -> Sessions:
    """Raises ValueError for what is not allowed."""
    usual = Sessions()
    try:
        low_hz, high_hz = (float(part) for part in options.band.split(","))
    except ValueError:
        raise ValueError(f"--band {options.band}: give two frequencies, such as 30,1500") from None
    for name, low, high in (("ears", 1, 100_000), ("jobs", 1, 64), ("minutes", 1.0, 1000.0), ("seed", 0, math.inf)):
        if not low <= getattr(options, name) <= high:
            raise ValueError(f"--{name} {getattr(options, name)} is outside {low:g} to {high:g}")
    sessions = Sessions(
        rules=tuple(options.rule or usual.rules), stimulus=options.stimulus, band_hz=(low_hz, high_hz), alpha=options.alpha,
        floor_nv=options.floor_nv, max_sweeps=options.max_sweeps, minutes=options.minutes, masked=not options.unmasked,
        seed=options.seed,
    )  # fmt: skip
    if len(set(sessions.rules)) != len(sessions.rules):
        raise ValueError(f"--rule {', '.join(sessions.rules)}: each once")
    for rule in sessions.rules:
        rules_of_run(rule, alpha=0.01, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)
    for frequency_hz in ears.FREQUENCIES_HZ:
        simulated_staircases.settings_of(frequency_hz, "adult", 40.0, sessions)  # a plan that cannot be had says so now
    return sessions


def prove(count: int, sessions: Sessions, jobs: int, log: Any = lambda text: None) -> list[Row]:
    """The rows of so many ears, ears first, then rules."""
    drawn = [ears.draw(number, sessions.seed, sessions.stimulus) for number in range(count)]
    with ProcessPoolExecutor(jobs) as workers:
        seen = [workers.submit(_visible, ear, sessions) for ear in drawn]
        climbed = climb(drawn, sessions, workers, log)
        visible = {ear.number: job.result() for ear, job in zip(drawn, seen, strict=True)}
    return [_row(ladder, visible[ladder.ear.number], sessions) for ladder in climbed]


def _visible(ear: ears.VirtualEar, sessions: Sessions) -> tuple[float, float]:
    """Own level at which the response can be seen (inf: none), and the conversion for such an ear."""
    conversion_db = simulated_staircases.visible_in_normal_ears_db(ear.frequency_hz, ear.patient.age_months, sessions)
    if math.isinf(ear.true_db_nhl):
        return math.inf, conversion_db
    alone = simulated_staircases.own_alone(ear)
    where = (alone, ear.side, ear.route, ear.frequency_hz, ear.age_group, sessions, ear.true_db_nhl - 5.0)
    own_db = simulated_staircases.visible_db_nhl(*where)
    return (math.inf if math.isnan(own_db) else own_db), conversion_db


def _row(ladder: Ladder, visible: tuple[float, float], sessions: Sessions) -> Row:
    return row_of(ladder, *visible, sessions)


def main(arguments: Sequence[str] | None = None) -> int:
    options = parser().parse_args(arguments)
    try:
        sessions = sessions_of(options)
    except ValueError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    count = min(options.ears, QUICK) if options.quick else options.ears
    began_s = time.monotonic()

    def log(line: str) -> None:
        sys.stderr.write(f"{time.monotonic() - began_s:6.0f} s  {line}\n")

    rows = prove(count, sessions, options.jobs, log)
    report = f"{count} virtual ears, seed {sessions.seed}, {sessions.stimulus}s, {options.band} Hz\n\n{text(rows, sessions)}"
    sys.stdout.write(report)
    if options.out is not None:
        write(options.out, report, rows, record(rows, sessions, count))
    return 0


def write(folder: Path, report: str, rows: Sequence[Row], found: dict[str, Any]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow([field.name for field in dataclasses.fields(Row)])
    writer.writerows([_cell(value) for value in dataclasses.astuple(row)] for row in rows)
    whole = found | {"ladders": [dataclasses.asdict(row) for row in rows]}
    for name, content in (
        ("thresholds.txt", report),
        ("thresholds.csv", table.getvalue()),
        ("thresholds.json", json.dumps(jsonable(whole), indent=1) + "\n"),
    ):
        part = folder / f"{name}.part"
        part.write_text(content, encoding="utf-8")
        os.replace(part, folder / name)


def _cell(value: Any) -> Any:
    return "" if isinstance(value, float) and not math.isfinite(value) else value


if __name__ == "__main__":
    sys.exit(main())
