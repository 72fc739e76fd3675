"""The program as a whole: a replay, the window, how soon it starts, how much memory an hour takes."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from quietfloor.bench.devtools.soak import plan_for
from quietfloor.bench.devtools.speed_engine import make
from quietfloor.bench.devtools.speed_table import Found, Size, TimeTaken, alternate, middle, ratio, seconds, timed
from quietfloor.monitor.formats.xdf_read import read_xdf
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.storage.run_folder import RunFolder

REPLAY_S, REPLAY_OF_S = 3.0, 600.0
HELP_S, MEMORY_MB = 0.5, 300.0
LIVE_CHUNK_S = 0.01  # about what a live run pulls at a time
HEAVY = ("numpy", "scipy", "PyQt5", "pyqtgraph", "matplotlib", "pylsl", "sounddevice", "pydantic")
IMPORTS = {  # what a command needs before it begins -> what it must not have loaded by then
    "quietfloor --help": ("quietfloor.monitor.cli", HEAVY),
    "run, without a window": ("quietfloor.monitor.run.run", ("PyQt5", "pyqtgraph", "matplotlib", "sounddevice")),
    "replay, without a window": (
        "quietfloor.monitor.review.replay",
        ("PyQt5", "pyqtgraph", "matplotlib", "sounddevice", "pylsl"),
    ),
    "the window": ("quietfloor.monitor.display.app", ("matplotlib",)),
    "report": ("quietfloor.monitor.report.make", ("PyQt5", "pyqtgraph", "pylsl", "sounddevice")),
}


def replaying(size: Size) -> Found:
    """A recording of a run, decided again with all looks and compared, and its file read alone."""
    with tempfile.TemporaryDirectory(prefix="quietfloor-speed-") as place:
        folder = _record(size.replay_s, Path(place))
        done = replay(folder)
        if not done.identical:
            raise RuntimeError(f"the replay differs from look {done.first_difference} on: its speed means nothing")
        again, alone = alternate(size.pairs, lambda: timed(lambda: replay(folder)), lambda: timed(lambda: read_xdf(folder.raw)))
        found = Found()
        took = middle(again)
        full = size.replay_s == REPLAY_OF_S
        told = f"{took.wall_s:.2f} s ({took.cpu_s:.2f} s of processor)"
        what = f"replay of {size.replay_s / 60:g} min, 2 channels, 16 kHz, {done.looks} looks"
        found.say(what, told, f"< {REPLAY_S:g} s" if full else "", took.wall_s < REPLAY_S if full else None)
        found.say("  against reading the file alone", f"{ratio(again, alone):.1f} times ({middle(alone).wall_s:.2f} s)")
        found.figures = {
            "recorded_s": size.replay_s, "looks": done.looks, "replay": seconds(again), "read": seconds(alone),
            "bytes": folder.raw.stat().st_size, "ratio": round(ratio(again, alone), 2),
        }  # fmt: skip
        folder.close()
    return found


def _record(length_s: float, place: Path) -> RunFolder:
    stream = make(length_s, 16000.0, 2, LIVE_CHUNK_S)
    plan, folder = plan_for("speed", 2, length_s), RunFolder.create(place)
    run = Run(resolve(plan, stream.description), stream, folder)
    run.start()
    run.wait()
    return folder


def display(size: Size) -> Found:
    """Frames of the window over a live run of 8 channels: quietfloor.bench.devtools.display in a process of its own."""
    got = _json([sys.executable, "-m", "quietfloor.bench.devtools.display", "--seconds", str(size.display_s)], size.display_s)
    frames, busy = got["frame_ms"], got["busy_ms"]
    found = Found(figures=got)
    told = f"p50 {frames['p50']:.1f} ms, p99 {frames['p99']:.1f} ms (p99 {busy['p99']:.1f} ms of processor)"
    found.say("frame of the window, 8 channels, 16 kHz", told, "p99 < 33 ms", bool(got["met"]["frame_ms"]))
    return found


def starting(size: Size) -> Found:
    """Whole processes: Python alone, ``quietfloor --help``, and the imports of heavier commands, with what they load."""
    found = Found()
    bare = [sys.executable, "-c", "pass"]
    helping = [sys.executable, "-m", "quietfloor.monitor.cli", "--help"]
    helps, bares = alternate(size.starts, lambda: _process(helping), lambda: _process(bare))
    took = middle(helps)
    told = f"{took.wall_s:.2f} s ({took.cpu_s:.2f} s of processor; Python alone {middle(bares).wall_s:.2f} s)"
    found.say("quietfloor --help", told, f"< {HELP_S:g} s", took.wall_s < HELP_S)
    found.figures = {"help": seconds(helps), "python": seconds(bares), "imports": {}}
    for what, (module, unwanted) in IMPORTS.items():
        say = f"import {module}, sys, json; print(json.dumps([m for m in {HEAVY!r} if m in sys.modules]))"
        times = [_process([sys.executable, "-c", f"import {module}"]) for _ in range(size.starts)]
        output = subprocess.run([sys.executable, "-c", say], capture_output=True, text=True, check=True).stdout
        loaded = json.loads(output.strip().splitlines()[-1])
        wrong = [name for name in unwanted if name in loaded]
        listed = ", ".join(loaded) or "nothing heavy"
        told, asked = f"{middle(times).wall_s:.2f} s: {listed}", f"no {', '.join(wrong)}" if wrong else ""
        found.say(f"  import for {what}", told, asked, False if wrong else None)
        found.figures["imports"][what] = {"module": module, "loads": loaded, "unwanted": wrong, **seconds(times)}
    return found


def _process(command: list[str]) -> TimeTaken:
    before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall_s, after = time.perf_counter() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    return TimeTaken(wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def memory(size: Size) -> Found:
    """Resident memory of a run without a window, as fast as it goes: quietfloor.bench.devtools.soak in a process of its own."""
    command = [
        sys.executable,
        "-m",
        "quietfloor.bench.devtools.soak",
        "--hours",
        str(size.memory_h),
        "--rate",
        "16000",
        "--channels",
        "2",
    ]
    got = _json(command, 3600.0 * size.memory_h)
    most = got["memory_mb"]["most"]
    found = Found(figures=got)
    what = f"memory, {60 * size.memory_h:g} min of a run, 2 channels, 16 kHz, no window"
    told = f"{most:.0f} MB, grown {got['memory_mb']['end'] - got['memory_mb']['settled']:.1f} MB"
    found.say(what, told, f"< {MEMORY_MB:g} MB", most < MEMORY_MB)
    return found


def _json(command: list[str], seconds_: float) -> dict[str, Any]:
    """What a bench prints, met or not (exit status 0 or 1)."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=300.0 + seconds_)
    if done.returncode not in (0, 1) or not done.stdout.strip():
        raise RuntimeError(f"{' '.join(command[1:])} failed:\n{done.stderr[-2000:]}")
    return dict(json.loads(done.stdout))
