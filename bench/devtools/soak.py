"""Test a long run for changes over time: hours of stream time at full speed, or minutes over LSL in real time.

    python -m quietfloor.bench.devtools.soak --hours 8
    python -m quietfloor.bench.devtools.soak --live-min 20

The first command makes noise and triggers in this process and passes them to a run, which records, averages and decides as usual.
The second gets them from a separate process over LSL. There is no response, and the noise floor is never reached. Prints JSON:

- ``memory_mb``: resident memory after the first tenth, at the end, the maximum, and its course; ``grown_mb_per_hour`` of stream
time;
- ``samples`` sent and in ``raw.xdf``; ``triggers`` sent and found; ``rate_ppm`` made and found, with its standard error;
- ``noise``: residual noise times the root of accepted sweeps, at a tenth and at the end; it must be constant;
- ``bytes`` of each file, and of ``raw.xdf`` compared with the size of its samples;
- ``look_ms`` (real time only): delay from the last sample of a block, by its stamp, to its look, in the first and the last third.
It includes delays of the sender and pauses of the machine.

Exit status 0: memory constant, nothing lost, no drift, files as large as predicted; 1: not.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
import tempfile
import time
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.delay import PER_S, plan_for, sender, stamps_s
from quietfloor.bench.devtools.display import resident_mb, summary
from quietfloor.monitor.core.events import Event, LookDone
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Notice
from quietfloor.monitor.sources.base import EndOfRecording, StreamDescription
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.lsl import load_pylsl

CHUNK_S = 0.05
NOISE_UV = 8.0  # so that no noise floor is reached
PPM = 25.0  # by which the made stream is faster than its nominal rate
SETTLED = 0.1  # of the looks: everything that is set aside once is there by then
MOST_GROWN_MB, MOST_MB_PER_HOUR, SETTLING_MB = 10.0, 2.0, 4.0  # by so much a short run may still settle
NOISE_WITHIN, PPM_WITHIN, BYTES_WITHIN = 0.03, 0.5, 0.05
ENOUGH_LOOKS = 20
IN_WORK = 64  # triggers after the last look: two blocks at most


class MadeStream:
    """White noise and a trigger channel of 1 ms pulses, by a seed, as fast as it is asked for. Its clock runs ``PPM`` fast."""

    def __init__(self, seconds: float, rate_hz: float, channels: int, seed: int, chunk_s: float = CHUNK_S) -> None:
        labels = (*(f"E{number + 1}" for number in range(channels)), "trigger")
        self.description = StreamDescription(
            "soak", "EEG", "soak", "", "soak", math.nan, channels + 1, rate_hz, "float32", labels,
            ("microvolts",) * (channels + 1),
        )  # fmt: skip
        self.sent = 0
        self.backlog_samples = 0
        self.triggers = 0
        self._end = round(seconds * rate_hz)
        self._size, self._period, self._width = round(chunk_s * rate_hz), round(rate_hz / PER_S), max(2, round(1e-3 * rate_hz))
        self._rng = np.random.default_rng(seed)
        self._step_s = 1.0 / (rate_hz * (1.0 + 1e-6 * PPM))

    def pull(self, timeout_s: float = 0.5) -> Chunk:
        if self.sent >= self._end:
            raise EndOfRecording("the time of the test is over")
        place = np.arange(self.sent, self.sent + self._size)
        phase = place % self._period
        samples = np.empty((len(self.description.labels), self._size), dtype=np.float32)
        samples[:-1] = NOISE_UV * self._rng.standard_normal((len(samples) - 1, self._size), dtype=np.float32)
        samples[-1] = phase < self._width
        self.sent += self._size
        self.triggers += int(np.count_nonzero(phase == 0))
        return Chunk(samples, (1000.0 + self._step_s * place).astype(np.float64))

    def close(self) -> None:
        pass


class Watch:
    """Looks of a run and the memory at them."""

    def __init__(self, every: int = 16) -> None:
        self.looks: list[LookDone] = []
        self.memory_mb: list[float] = []
        self.heard_s: list[float] = []
        self.last: LookDone | None = None
        self._every, self._count, self._clock = every, 0, load_pylsl().local_clock

    def __call__(self, event: Event | Notice) -> None:
        if not isinstance(event, LookDone):
            return
        if self._count % self._every == 0:  # so that the watch itself stays small
            self.looks.append(event)
            self.memory_mb.append(resident_mb())
            self.heard_s.append(self._clock())
        self.last = event
        self._count += 1


def soak_plan(source_id: str, channels: int, seconds: float) -> Plan:
    """A run that goes on for longer than it is watched."""
    return plan_for(source_id, channels, max(1024, int(2 * seconds * PER_S)), (2.0, 11.0))


def accelerated(hours: float, rate_hz: float, channels: int, seed: int, folder: RunFolder) -> dict[str, Any]:
    """Stream time of ``hours``, as fast as it goes."""
    seconds = 3600.0 * hours
    stream = MadeStream(seconds, rate_hz, channels, seed)
    watch = Watch()
    plan = soak_plan("soak", channels, seconds)
    run = Run(resolve(plan, stream.description), stream, folder, optional=[watch])
    began_s = time.monotonic()
    run.start()
    run.wait()
    took_s = time.monotonic() - began_s
    result = judged(run, watch, folder, seconds)
    sent = {"samples": stream.sent, "triggers": stream.triggers, "ppm": PPM}
    result["sent"], result["times_real_time"] = sent, round(seconds / took_s, 1)
    kept, edges = result["samples"], result["triggers"]
    ppm, error = result["rate_ppm"]
    result["met"] |= {
        "samples": kept == stream.sent,
        "triggers": 0 <= stream.triggers - edges <= IN_WORK,
        "rate": abs(ppm - PPM) <= PPM_WITHIN + 3.0 * error,
    }
    return result


def real_time(minutes: float, rate_hz: float, channels: int, seed: int, folder: RunFolder) -> dict[str, Any]:
    """As long as it says, over LSL."""
    seconds = 60.0 * minutes
    source_id = f"soak-{uuid.uuid4().hex[:8]}"
    watch = Watch()
    plan = soak_plan(source_id, channels, seconds)
    with sender(source_id, rate_hz, channels, "--seed", str(seed), "--steady"):
        source = LslSource(find_stream(source_id=source_id))
        run = Run(resolve(plan, source.description), source, folder, optional=[watch])
        run.start()
        run.wait(seconds)
        run.stop()
        run.wait(30.0)
    result = judged(run, watch, folder, seconds)
    stamps = stamps_s(folder)
    pushed_s = [stamps[min(look.sample, len(stamps) - 1)] for look in watch.looks]
    delays = [1e3 * (heard - pushed) for heard, pushed in zip(watch.heard_s, pushed_s, strict=True)]
    third = len(delays) // 3
    result["look_ms"] = {"first third": summary(delays[1:third]), "last third": summary(delays[-third:])}
    result["met"]["lost"] = result["lost_samples"] == 0
    return result


def judged(run: Run, watch: Watch, folder: RunFolder, seconds: float) -> dict[str, Any]:
    """What every run must hold, however it was fed."""
    engine = run.engine
    if engine is None or watch.last is None or len(watch.looks) < ENOUGH_LOOKS:
        raise RuntimeError(f"only {len(watch.looks)} looks were seen ({run.failure}): take a longer time")
    settled = max(1, round(SETTLED * len(watch.memory_mb)))
    memory = watch.memory_mb[settled:]
    hours = (1.0 - SETTLED) * seconds / 3600.0
    grown = memory[-1] - memory[0]
    early, late = (look.residual_noise_nv * math.sqrt(look.sweeps_accepted) for look in (watch.looks[settled], watch.last))
    stamps = stamps_s(folder)
    ppm, error = engine.rate.ppm()
    size = {file.name: file.stat().st_size for file in sorted(folder.path.iterdir()) if file.is_file()}
    # XDF: four bytes a value, nine for the stamp of a sample.
    needed = len(stamps) * (4 * (len(run.plan.stream.eeg) + 1) + 9)
    return {
        "seconds": seconds,
        "memory_mb": {"settled": round(memory[0], 1), "end": round(memory[-1], 1), "most": round(max(memory), 1)},
        "memory_course_mb": [round(value, 1) for value in memory[:: max(1, len(memory) // 12)]],
        "grown_mb_per_hour": round(grown / hours, 3),
        "samples": len(stamps),
        "lost_samples": engine.lost_samples,
        "triggers": watch.last.sweeps_presented,
        "sweeps_accepted": watch.last.sweeps_accepted,
        "rate_ppm": [round(ppm, 4), round(error, 4)],
        "noise": {"early_nv": round(early, 1), "late_nv": round(late, 1)},
        "bytes": size,
        "raw_bytes_per_needed": round(size["raw.xdf"] / needed, 4),
        "met": {
            "memory": grown < SETTLING_MB or (grown < MOST_GROWN_MB and grown / hours < MOST_MB_PER_HOUR),
            "noise": abs(late / early - 1.0) < NOISE_WITHIN,
            "bytes": abs(size["raw.xdf"] / needed - 1.0) < BYTES_WITHIN,
        },
    }  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.soak", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--hours", type=float, default=8.0, metavar="H", help="hours of stream time, at full speed (8)")
    how.add_argument("--live-min", type=float, metavar="MIN", help="minutes over LSL in real time, instead of --hours")
    parser.add_argument("--channels", type=int, default=2, metavar="N", help="EEG channels (2)")
    parser.add_argument("--rate", type=float, default=4000.0, metavar="HZ", help="sampling rate (4000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the noise (1)")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="folder to keep the run in; without it the run is deleted")
    args = parser.parse_args(arguments)
    place = args.keep or Path(tempfile.mkdtemp(prefix="quietfloor-soak-"))
    folder = RunFolder.create(place)
    try:
        if args.live_min is not None:
            result = real_time(args.live_min, args.rate, args.channels, args.seed, folder)
        else:
            result = accelerated(args.hours, args.rate, args.channels, args.seed, folder)
    finally:
        folder.close()
        if args.keep is None:
            shutil.rmtree(place, ignore_errors=True)
    sys.stdout.write(json.dumps(result, indent=2) + "\n")
    return 0 if all(result["met"].values()) else 1


if __name__ == "__main__":
    sys.exit(main())
