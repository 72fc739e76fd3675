"""Searches in real processes beside the same ears in bulk, and searches that are killed. Prints one table.

    python -m quietfloor.bench.devtools.live_searches --searches 20 --kills 100

Ears are drawn (threshold 5 to 65 dB nHL, 500 to 4000 Hz, either side, 0.3 to 1 uV of EEG). Each is searched by `quietfloor run`
on the virtual patient, and by the bulk bench with the same levels, eight times in other noise. The threshold should be within
5 dB of the mean of these, and the replay must be identical. A killed search (SIGKILL within 10 s of its recording) is finished
from its recording: it says again, byte for byte, all that it had said, and no response is found at or below the hidden threshold.

Exit status 0: all as it should be; 1: otherwise.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import signal
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.bench.simulate.ears import VirtualEar
from quietfloor.bench.simulate.searches import condition_of, search
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.monitor.commands.demo import TUBE_DELAY_MS, rig, virtual_calibration
from quietfloor.monitor.review.recover import NothingRecorded, finish
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.storage.run_folder import RunFolder

ALIKE_DB, SPEED, LONGEST_S = 5.0, 10.0, 900.0
NOISES = 8  # in bulk
FREQUENCIES_HZ = (500.0, 1000.0, 2000.0, 4000.0)


def drawn(number: int, seed: int, folder: Path) -> VirtualEar:
    """An ear, whose file for the rig is ``patient.toml`` in the folder."""
    rng = np.random.default_rng([seed, number])
    side, hidden_db = ("left", "right")[int(rng.integers(2))], float(rng.uniform(5.0, 65.0))
    frequency_hz, noise_uv = float(rng.choice(FREQUENCIES_HZ)), float(rng.uniform(0.3, 1.0))
    deaf = {"threshold_db_nhl": 120.0}
    ears = {"left": deaf, "right": deaf} | {side: {"threshold_db_nhl": hidden_db}}
    path = folder / "patient.toml"
    path.write_text(tomli_w.dumps({"name": "drawn", **ears, "background": {"in_band_rms_uv": noise_uv}}), encoding="utf-8")
    patient = load_patient(path)
    assert patient.background == Background(noise_uv)
    return VirtualEar(number, "flat", patient, Condition(side, "air", "octave-chirp", frequency_hz), hidden_db)


def plan_of(ear: VirtualEar, tag: str, seed: int) -> dict[str, Any]:
    """Of a live search with the levels of the bulk bench."""
    condition = condition_of(ear, Sessions())
    sound = {"ear": ear.side, "stimulus": "octave-chirp", "frequency_hz": ear.frequency_hz}
    return {
        "stream": {"source_id": f"eeg-{tag}", "eeg": ["1"], "trigger": "trigger"},
        "sound": sound | {
            "level_db_nhl": condition.levels_db[-1], "calibration": str(virtual_calibration()),
            "device_source_id": f"audio-{tag}", "rate_per_s": 39.1, "speed": SPEED, "lead_in_s": 1.0, "seed": seed,
        },
        "analysis": {"acoustic_delay_ms": TUBE_DELAY_MS, "band_hz": [30, 1500]},
        "search": {"condition": [sound | {"levels_db_nhl": list(condition.levels_db), "start_db_nhl": condition.start_db}]},
    }  # fmt: skip


@contextlib.contextmanager
def going_on(ear: VirtualEar, folder: Path, seed: int) -> Any:
    """`quietfloor run` on the virtual patient, as a process."""
    tag, plan = uuid.uuid4().hex[:8], folder / "plan.toml"
    plan.write_text(tomli_w.dumps(plan_of(ear, tag, seed)), encoding="utf-8")
    words = [sys.executable, "-m", "quietfloor.monitor.cli", "run", str(plan), "--out", str(folder / "s"), "--no-window"]
    with (
        rig(str(folder / "patient.toml"), f"audio-{tag}", f"eeg-{tag}", seed),
        subprocess.Popen([*words, "--json"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process,
    ):
        try:
            yield process
        finally:
            process.kill()


def in_bulk_db(ear: VirtualEar, seed: int) -> float:
    """Mean threshold in dB nHL of the ear in several noises: a single one is as uncertain as the live one."""
    return float(np.mean([search(ear, Sessions(seed=1000 * seed + number)).threshold_db for number in range(NOISES)]))


def compared(ear: VirtualEar, folder: Path, seed: int) -> tuple[float, float, float, str]:
    """Threshold live and in bulk in dB nHL, minutes of the live one, and what is wrong ("" for nothing)."""
    with going_on(ear, folder, seed) as process:
        said, _ = process.communicate(timeout=LONGEST_S)
    record = json.loads(said)
    found = record["search"]["conditions"][0]
    run = RunFolder(Path(record["folder"]))
    done = replay(run)
    bulk_db = in_bulk_db(ear, seed)
    live_db = math.nan if found["threshold_db_nhl"] is None else found["threshold_db_nhl"]
    wrong = "" if record["verdict"] == "searched" else f"{record['verdict']}: {record['reason']}"
    wrong = wrong or ("" if done.identical else f"the replay differs at unit {done.first_difference}")
    wrong = wrong or ("" if abs(live_db - bulk_db) <= ALIKE_DB or live_db == bulk_db else "not within 5 dB")
    return live_db, bulk_db, found["seconds"] / 60.0, wrong


def killed(ear: VirtualEar, folder: Path, seed: int, after_s: float) -> str:
    """What is wrong with a search that was killed ("" for nothing), "nothing recorded" where it had no time for that."""
    run = RunFolder(folder / "s" / "run-001")
    with going_on(ear, folder, seed) as process:
        while process.poll() is None and not run.raw.is_file():
            time.sleep(0.05)
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        process.wait()
    if not run.raw.is_file():
        return "nothing recorded"
    said = run.events.read_bytes() if run.events.is_file() else b""
    try:
        record = finish(run.path).record
    except NothingRecorded:
        return "nothing recorded"
    if not run.events.read_bytes().startswith(said.rpartition(b"\n")[0]):
        return "what had been said was changed"
    if record["search"] is None:
        return "nothing recorded" if not said.count(b"cell_unit") else "the search is lost"
    if not replay(run).identical:
        return "the replay differs"
    found_db = record["search"]["conditions"][0]["found_db_nhl"]
    good = found_db is None or found_db > ear.true_db_nhl
    return "" if good else f"a response at {found_db:g}, hidden threshold {ear.true_db_nhl:.0f}"


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n\n")[0], epilog=str(__doc__).split("\n\n", 2)[2],
                                     formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    parser.add_argument("--searches", type=int, default=20, metavar="N", help="live searches compared with bulk ones (20)")
    parser.add_argument("--kills", type=int, default=0, metavar="N", help="number of searches that are killed (0)")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="seed of ears, noise and moments (1)")
    args = parser.parse_args(arguments)
    wrong = nothing = 0
    minutes = list[float]()
    say(f"{'ear':>4} {'hidden':>7} {'live':>6} {'bulk':>6}  dB nHL")
    for number in range(args.searches):
        with tempfile.TemporaryDirectory() as made:
            ear = drawn(number, args.seed, Path(made))
            live_db, bulk_db, lasted, why = compared(ear, Path(made), args.seed + number)
        minutes.append(lasted)
        wrong += bool(why)
        say(f"{number:4d} {ear.true_db_nhl:7.1f} {live_db:6.1f} {bulk_db:6.1f}  {why}")
    if minutes:
        say(f"{len(minutes)} searches, {np.median(minutes):.1f} min of sound (median); wrong: {wrong}")
    moments = np.random.default_rng([args.seed, 99]).uniform(0.0, 10.0, args.kills)  # after the recording began
    bad = 0
    for number, after_s in enumerate(moments):
        with tempfile.TemporaryDirectory() as made:
            ear = drawn(1000 + number, args.seed, Path(made))
            why = killed(ear, Path(made), args.seed + number, float(after_s))
        nothing += why == "nothing recorded"
        bad += why not in ("", "nothing recorded")
        if why:
            say(f"kill {number} after {after_s:.1f} s: {why}")
    if args.kills:
        say(f"{args.kills} killed, {nothing} before anything was recorded; wrong: {bad}")
    return 1 if wrong or bad else 0


if __name__ == "__main__":
    sys.exit(main())
