"""Try faults: runs that are killed, disks that fail, streams with faults. Prints one table.

    python -m quietfloor.bench.devtools.faults
    python -m quietfloor.bench.devtools.faults --kills 40 --runs 40 --out faults.json

Kills and full disks (``quietfloor.bench.devtools.crash_tests``) use real processes and real files; each run is then finished from
its remains. Faults of the stream (``quietfloor.bench.devtools.fault_runs``) are processed by the engine of a live run. The onsets
follow the plan's own schedule. Each fault is tried without a response, for the rate of false alarms, and with a response of 450
nV in 1 uV of noise. 5 % of false alarms are allowed, so that a few hundred runs are enough. A fault counts as handled if it is
reported, its sweeps are rejected by reason, the exact interval of its false alarms does not lie above the allowed rate, and no
existing response is called absent. If a run may not go on with the fault, every run must end on a fault. Hostile input
(``quietfloor.bench.devtools.fuzz``): every file and every description that the program reads is damaged in many ways; an input
that is neither read nor refused with a clear error counts as a crash.

Exit status 0: no wrong verdict, no crash, and no forbidden loss; 1: otherwise.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from quietfloor.bench.devtools.crash_tests import PLACES, CrashTry, Kills
from quietfloor.bench.devtools.fault_runs import ALPHA, Tally, fault_run, work
from quietfloor.bench.devtools.fuzz_work import all_targets, fuzz
from quietfloor.bench.patient.stream_faults import STREAM_FAULTS
from quietfloor.bench.simulate.intervals import proportion

MOST_LOST_S = 1.0
COUNTS = ("inputs", "accepted", "refused", "crashes")


def kill(count: int, seed: int) -> list[CrashTry]:
    """So many runs killed, or their disks failing."""
    kills = Kills(seed)
    try:
        return list(kills.tries(count))
    finally:
        kills.close()


def run_all(names: list[str], runs: int, responses: int, seed: int, jobs: int) -> dict[str, Tally]:
    """Every fault through its runs."""
    from joblib import Parallel, delayed

    tasks = list(work(names, runs, responses, seed))
    done = Parallel(n_jobs=jobs, batch_size=8)(delayed(fault_run)(name, own, nv) for name, own, nv in tasks)
    tallies = {name: Tally(name) for name in names}
    for (name, _, nv), run in zip(tasks, done, strict=True):
        tallies[name].add(run, nv > 0)
    return tallies


def hostile(inputs: int, seed: int, jobs: int) -> dict[str, Any]:
    """So many inputs for each target of ``quietfloor.bench.devtools.fuzz``; those that crash are kept."""
    keep = Path(tempfile.mkdtemp(prefix="quietfloor-fuzz-crashes-"))
    tallies = fuzz(list(all_targets().values()), inputs, 1e5, seed, jobs, keep)
    crashes = {tally.target: tally.crashes for tally in tallies if tally.crashes}
    if not crashes:
        keep.rmdir()
    return {
        "targets": len(tallies),
        "inputs": sum(tally.inputs for tally in tallies),
        "accepted": sum(tally.accepted for tally in tallies),
        "refused": sum(tally.refused for tally in tallies),
        "crashes": sum(crashes.values()),
        "crashes_by_target": crashes,
        "kept_in": str(keep) if crashes else None,
    }


def kill_rows(tried: list[CrashTry]) -> list[dict[str, Any]]:
    """One row a place."""
    rows = []
    for place in PLACES:
        here = [one for one in tried if one.place == place]
        rows.append(
            {
                "place": place,
                "tried": len(here),
                "finished": sum(one.finished for one in here),
                "nothing_recorded": sum(one.kept == 0 for one in here),
                "most_lost_s": round(max((one.lost_s for one in here), default=0.0), 3),
                "wrong": [one.wrong for one in here if one.wrong],
            }
        )
    return rows


def fault_row(tally: Tally) -> dict[str, Any]:
    """What became of one fault."""
    fault = STREAM_FAULTS[tally.name]
    alarms = proportion(tally.null["response_present"], tally.null.total())
    excess = alarms.low > ALPHA
    missed = tally.response["response_absent"]
    named = tally.named == tally.runs
    wrong = missed + (0 if fault.by_nature or not excess else alarms.count)
    survived = named and not wrong and (tally.ended == tally.runs if fault.ends else not fault.by_nature)
    return {
        "fault": fault.name,
        "what": fault.what,
        "runs": tally.runs,
        "named": tally.named,
        "survived": survived,
        "by_nature": fault.by_nature,
        "ended_on_a_fault": tally.ended,
        "false_alarms": alarms.count,
        "of": alarms.n,
        "low": alarms.low,
        "high": alarms.high,
        "response": dict(tally.response),
        "sweeps": tally.presented,
        "left_out": dict(tally.left_out),
        "lost_samples": tally.lost_true,
        "lost_samples_said": tally.lost_said,
        "wrong_verdicts": wrong,
    }


def summary(kills: list[dict[str, Any]], faults: list[dict[str, Any]], fuzzed: dict[str, Any]) -> dict[str, Any]:
    """The figures that must hold."""
    struck = [row for row in faults if row["fault"] != "none"]
    return {
        "kills_tried": sum(row["tried"] for row in kills),
        "kills_wrong": sum(len(row["wrong"]) for row in kills),
        "most_seconds_lost": max((row["most_lost_s"] for row in kills), default=0.0),
        "faults_tried": len(struck),
        "faults_survived": sum(row["survived"] for row in struck),
        "not_survived": [row["fault"] for row in struck if not row["survived"]],
        "runs_with_faults": sum(row["runs"] for row in struck),
        "samples_lost_by_faults": sum(row["lost_samples"] for row in struck),
        "sweeps_left_out": sum(sum(row["left_out"].values()) for row in struck),
        "wrong_verdicts": sum(row["wrong_verdicts"] for row in faults),
        "inputs_fuzzed": fuzzed.get("inputs", 0),
        "crashes": fuzzed.get("crashes", 0),
    }


def text(result: dict[str, Any]) -> str:
    """The table."""
    lines = ["killed or disk full         tried  finished  nothing recorded yet  most lost, s"]
    for row in result["kills"]:
        tried, finished, nothing = (row[name] for name in ("tried", "finished", "nothing_recorded"))
        lines.append(f"  {row['place']:<24} {tried:>6} {finished:>9} {nothing:>21} {row['most_lost_s']:>13.3f}")
        lines += [f"    WRONG: {wrong}" for wrong in row["wrong"][:5]]
    lines.append("")
    lines.append("fault of the stream   survived  named  false alarms, % (95 %)  present absent undecided  rejected, %, why")
    for row in result["faults"]:
        rate, low, high = (100 * part for part in (row["false_alarms"] / max(1, row["of"]), row["low"], row["high"]))
        alarms = f"{rate:.1f} ({low:.1f} to {high:.1f})"
        said = row["response"]
        outcome = "  ".join(f"{said.get(key, 0):>6}" for key in ("response_present", "response_absent", "inconclusive"))
        out = sum(row["left_out"].values()) / max(1, row["sweeps"])
        why = ", ".join(name for name, _ in Counter(row["left_out"]).most_common(3))
        survived = "yes" if row["survived"] else "BY NATURE NOT" if row["by_nature"] else "NO"
        named = f"{row['named']:>4}/{row['runs']:<4}"
        lines.append(f"  {row['fault']:<20} {survived:>7} {named} {alarms:>20}  {outcome}    {100 * out:.1f} {why}".rstrip())
    if fuzzed := result["hostile_input"]:
        told = ", ".join(f"{name}: {count}" for name, count in fuzzed["crashes_by_target"].items()) or "no crash"
        lines += ["", "hostile input       inputs  accepted   refused  crashes"]
        counts = "".join(f" {fuzzed[name]:>9,}" for name in COUNTS)
        lines.append(f"  {fuzzed['targets']:>3} kinds of it{counts}  {told}")
        lines += [f"    kept in {fuzzed['kept_in']}"] if fuzzed["kept_in"] else []
    lines.append("")
    lines += [f"{name.replace('_', ' ')}: {value}" for name, value in result["summary"].items()]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.faults",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--kills", type=int, default=220, metavar="N", help="runs that are killed, or whose disk fails (220)")
    parser.add_argument("--runs", type=int, default=200, metavar="N", help="runs without a response for each fault (200)")
    parser.add_argument("--responses", type=int, default=20, metavar="N", help="runs with a response for each fault (20)")
    parser.add_argument("--inputs", type=int, default=200, metavar="N", help="hostile inputs of each kind (200)")
    parser.add_argument("--only", metavar="FAULT[,FAULT...]", help="only these faults: " + ", ".join(STREAM_FAULTS))
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="processes at once (2)")
    parser.add_argument("--out", type=Path, metavar="FILE.json", help="file for all results as JSON")
    args = parser.parse_args(arguments)
    names = list(STREAM_FAULTS) if args.only is None else args.only.split(",")
    if unknown := [name for name in names if name not in STREAM_FAULTS]:
        parser.error(f"no fault is called {', '.join(unknown)}: there are {', '.join(STREAM_FAULTS)}")
    began_s = time.monotonic()
    kills = kill_rows(kill(args.kills, args.seed)) if args.kills else []
    faults = [fault_row(tally) for tally in run_all(names, args.runs, args.responses, args.seed, args.jobs).values()]
    fuzzed = hostile(args.inputs, args.seed, args.jobs) if args.inputs else {}
    result: dict[str, Any] = {"kills": kills, "faults": faults, "hostile_input": fuzzed}
    result["summary"] = summary(kills, faults, fuzzed)
    result["took_s"] = round(time.monotonic() - began_s, 1)
    sys.stdout.write(text(result) + "\n")
    if args.out is not None:
        args.out.write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")
    found = result["summary"]
    wrong = found["wrong_verdicts"] + found["kills_wrong"] + found["crashes"]
    fine = wrong == 0 and found["most_seconds_lost"] < MOST_LOST_S
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
