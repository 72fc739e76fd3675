"""Test whether the window keeps up and leaves the acquisition undisturbed. Uses a real stream over LSL, a real run, a real
window.

    python -m quietfloor.bench.devtools.display --seconds 300 --channels 8 --rate 16000
    python -m quietfloor.bench.devtools.display --seconds 60 --channels 32 --view session

A separate process sends EEG and triggers in real time. The run records, averages and decides on a thread of this process, as in
``quietfloor run``, while the window is updated and painted. Without a screen Qt paints into memory. Prints JSON:

- ``frame_ms``: time for work and painting of each frame; ``busy_ms``: the same by the clock of the thread, which stops while
other programs use the processor; ``interval_ms``: from one frame to the next (33 intended);
- ``behind_ms``: samples that wait in the inlet, measured at every frame;
- ``look_ms``: delay from pushing the last sample of a block to its look;
- ``memory_mb``: resident memory after the first tenth, at the end, and the maximum.

Exit status 0: frames below 33 ms and behind below 100 ms at 99 of 100, memory grown by less than 1 MB a minute and 10 MB; 1: not.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
import time
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.delay import PER_S, look_delays_ms, plan_for, sender
from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.monitor.core.events import Event, LookDone
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.run_view import RunView, WindowLink, view_model
from quietfloor.monitor.display.screen import no_screen
from quietfloor.monitor.display.session_sight import SessionSight, sight_of
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Notice
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.lsl import load_pylsl

FRAME_MS, BEHIND_MS, GROWTH_MB, GROWTH_MB_PER_MIN = 33.0, 100.0, 10.0, 1.0
VIEWS = ("run", "session", "far")
SETTLED = 0.1  # of the time: everything that is set aside once is there by then


def resident_mb() -> float:
    """Memory of this process at the moment; the most so far where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
    except (OSError, ValueError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**10


def summary(values: Sequence[float]) -> dict[str, float]:
    middle, late = np.percentile(values, [50, 99])
    return {"p50": round(float(middle), 3), "p99": round(float(late), 3), "max": round(float(max(values)), 3)}


def session_sight(folder: Path) -> SessionSight:
    """Of a session of eight conditions, before its first run."""
    both = [(ear, hz) for hz in (500, 1000, 2000, 4000) for ear in ("right", "left")]
    condition = [{"ear": ear, "stimulus": "octave-chirp", "frequency_hz": hz} for ear, hz in both]
    sound = {"calibration": str(VIRTUAL_EARPHONE), "rate_per_s": 39.1}
    run = {"stream": {"name": "EEG", "eeg": ["1"], "trigger": "trigger"}, "sound": sound}
    plan = make_session_plan({
        "method": "ladder", "subject": {"pseudonym": "S00", "age_group": "adult"}, "condition": condition, "run": run,
    })  # fmt: skip
    return sight_of(Session.begin(folder, plan), None, "a run is on", "", 1200.0)


def measure(seconds: float, rate_hz: float, channels: int, seed: int, session: Path, view: str = VIEWS[0]) -> dict[str, Any]:
    """One run of ``seconds`` with a window that shows one of VIEWS."""
    from quietfloor.monitor.display.app import application, guarded
    from quietfloor.monitor.display.window import Window

    pylsl = load_pylsl()
    source_id = f"display-bench-{uuid.uuid4().hex[:8]}"
    plan = plan_for(source_id, channels, max(1024, int(2 * seconds * PER_S)))
    looks: list[tuple[int, float]] = []

    def note(event: Event | Notice) -> None:
        if isinstance(event, LookDone):
            looks.append((event.sample, pylsl.local_clock()))

    behind: list[float] = []
    memory: list[float] = []
    with sender(source_id, rate_hz, channels, "--seed", str(seed)), guarded():
        app = application()
        source = LslSource(find_stream(source_id=source_id))
        feed, folder = Feed(), RunFolder.create(session)
        resolved = resolve(plan, source.description)
        run = Run(resolved, source, folder, optional=[feed.on_event, note], on_signal=feed.on_signal, on_status=feed.on_status)
        link = WindowLink()
        window = Window(link)
        link.show(RunView(run, view_model(feed, plan, plan.title), session))
        if view != VIEWS[0]:
            link.talk.sight = session_sight(session / "session")
        window.show()
        window.tick()
        if view != VIEWS[0]:
            window.do({"session": "panel_7", "far": "far"}[view])
        run.start()
        began_s = time.monotonic()
        window.frames.clear()
        painted = 0
        while (passed_s := time.monotonic() - began_s) < seconds and not run.wait(0):
            app.processEvents()
            if len(window.frames.frames_ms) == painted:
                time.sleep(0.001)
                continue
            painted = len(window.frames.frames_ms)
            behind.append(run.status.behind_ms)
            if painted % 30 == 0 and passed_s > SETTLED * seconds:
                memory.append(resident_mb())
        run.stop()
        run.wait(30.0)
        frames, busy, intervals = window.frames.frames_ms, window.frames.busy_ms, window.frames.intervals_ms
        window.finish()
    folder.close()
    if run.failure is not None:
        raise RuntimeError(run.failure)
    grown = memory[-1] - memory[0]
    return {
        "seconds": round(passed_s, 1),
        "channels": channels,
        "view": view,
        "rate_hz": rate_hz,
        "platform": app.platformName(),
        "frames": len(frames),
        "frame_ms": summary(frames.tolist()),
        "busy_ms": summary(busy.tolist()),
        "interval_ms": summary(intervals.tolist()),
        "behind_ms": summary(behind),
        "look_ms": summary(look_delays_ms(folder, looks, rate_hz)),
        "looks": len(looks),
        "memory_mb": {"settled": round(memory[0], 1), "end": round(memory[-1], 1), "most": round(max(memory), 1)},
        "memory_course_mb": [round(value, 1) for value in memory[:: max(1, len(memory) // 12)]],
        "grown_mb_per_min": round(grown / ((1 - SETTLED) * passed_s / 60), 2),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.display",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--seconds", type=float, default=60.0, metavar="S", help="duration (60)")
    parser.add_argument("--channels", type=int, default=8, metavar="N", help="EEG channels (8)")
    parser.add_argument("--rate", type=float, default=16000.0, metavar="HZ", help="sampling rate (16000)")
    parser.add_argument("--view", choices=VIEWS, default=VIEWS[0], help="what the window shows: panels of the run (default), the "
                        "session view, or the large letters")  # fmt: skip
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the noise (1)")
    args = parser.parse_args(arguments)
    if no_screen():
        os.environ["QT_QPA_PLATFORM"] = "offscreen"
    with tempfile.TemporaryDirectory(prefix="quietfloor-display-") as folder:
        result = measure(args.seconds, args.rate, args.channels, args.seed, Path(folder), args.view)
    memory = result["memory_mb"]
    grown = memory["end"] - memory["settled"]
    result["met"] = {
        "frame_ms": result["frame_ms"]["p99"] < FRAME_MS,
        "behind_ms": result["behind_ms"]["p99"] < BEHIND_MS and result["look_ms"]["p99"] < BEHIND_MS,
        "memory": grown < GROWTH_MB and (grown < 2.0 or result["grown_mb_per_min"] < GROWTH_MB_PER_MIN),
    }
    sys.stdout.write(json.dumps(result, indent=2) + "\n")
    return 0 if all(result["met"].values()) else 1


if __name__ == "__main__":
    sys.exit(main())
