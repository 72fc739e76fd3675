"""How long after its last sample was pushed does a block become a look? Real LSL between two processes, real run folder.

    python -m quietfloor.bench.devtools.delay --seconds 60

The sender stamps the last sample of each chunk with the LSL clock at the moment it pushes; the receiver notes the same clock
(one per machine) when the look event arrives. The difference holds transport, journal, engine and the waking of threads.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.monitor.core.events import Event, LookDone
from quietfloor.monitor.formats.xdf import read_xdf
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Notice
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.lsl import load_pylsl

CHUNK_S = 0.005
PER_S = 80.3
CLOCK_S = 8.0  # 32 bits tell half a microsecond there
BEGIN_S = 2.0  # before that looks wait for the check of the stream and for the trigger to be learned, not for their last sample


def send(source_id: str, rate_hz: float, channels: int, seed: int, clocked: bool = False, steady: bool = False) -> None:
    """White EEG of 2 uV and a trigger channel of 1 ms pulses, in real time, until standard output's reader is gone.

    ``clocked``: in one more channel each sample says when it was pushed, in s by the LSL clock, modulo ``CLOCK_S``.
    Stamps say when a block was pushed: a machine that stands still looks like an amplifier that lost samples. With ``steady``
    they say when it was due, as from an amplifier whose crystal never waits: it looks like a slow network.
    """
    pylsl = load_pylsl()
    info = pylsl.StreamInfo("delay bench", "EEG", channels + 1 + clocked, rate_hz, "float32", source_id)
    listed = info.desc().append_child("channels")
    for label in [*(f"E{number + 1}" for number in range(channels)), "trigger", *(["clock"] if clocked else [])]:
        channel = listed.append_child("channel")
        channel.append_child_value("label", label)
        channel.append_child_value("unit", "microvolts")
    outlet = pylsl.StreamOutlet(info)
    rng = np.random.default_rng(seed)
    size = round(CHUNK_S * rate_hz)
    width = max(2, round(1e-3 * rate_hz))
    count = 0
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    outlet.wait_for_consumers(30.0)
    began_s = time.monotonic()
    stamp_offset_s = pylsl.local_clock() - began_s
    while outlet.have_consumers() or count < 10 * rate_hz:
        block = np.empty((size, channels + 1 + clocked), dtype=np.float32)
        block[:, :channels] = 2.0 * rng.standard_normal((size, channels))
        phase = np.arange(count, count + size) % round(rate_hz / PER_S)
        block[:, channels] = phase < width
        count += size
        wait_s = began_s + count / rate_hz - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        now_s = pylsl.local_clock()
        if clocked:
            block[:, -1] = now_s % CLOCK_S
        outlet.push_chunk(block, began_s + count / rate_hz + stamp_offset_s if steady else now_s)


@contextlib.contextmanager
def sender(source_id: str, rate_hz: float, channels: int, *options: str) -> Iterator[None]:
    """EEG and triggers in real time from a process of its own; ``options`` of ``send``, such as --steady."""
    command = [sys.executable, "-m", "quietfloor.bench.devtools.delay", "--send", source_id, "--rate", str(rate_hz)]
    process = subprocess.Popen([*command, "--channels", str(channels), *options], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        process.stdout.readline()
        yield
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def plan_for(source_id: str, channels: int, max_sweeps: int, window_ms: tuple[float, float] = (2.0, 12.0)) -> Plan:
    """A run that goes on for as long as it is measured: no response, a floor that is never reached."""
    return make_plan(
        {
            "title": "bench",
            "stream": {"source_id": source_id, "eeg": [f"E{number + 1}" for number in range(channels)], "trigger": "trigger"},
            "analysis": {"window_ms": window_ms, "latency_ms": (5.5, 10.0)},
            "decision": {"alpha": 1e-6, "floor_nv": 1.0, "max_sweeps": max_sweeps},
        }
    )


def stamps_s(folder: RunFolder) -> Any:
    """Of the samples in the recording of a run, (n_samples,)."""
    (stream,) = (one for one in read_xdf(folder.raw).streams.values() if one.channel_format != "string")
    return stream.stamps_s


def look_delays_ms(folder: RunFolder, looks: list[tuple[int, float]], rate_hz: float) -> list[float]:
    """Between the push of the last sample that a look needs and the look, by the clock of LSL."""
    stamps, size = stamps_s(folder), round(CHUNK_S * rate_hz)
    # Chunks are whole in the file, but the first one received need not be the first one sent: find a chunk's last sample.
    last = int(np.argmax(np.abs(np.diff(stamps) - 1.0 / rate_hz) > 1e-6)) % size
    begun = [(sample, at_s) for sample, at_s in looks if sample > BEGIN_S * rate_hz]
    return [1e3 * float(at_s - stamps[min(sample + (last - sample) % size, len(stamps) - 1)]) for sample, at_s in begun]


def measure(seconds: float, rate_hz: float, channels: int, seed: int, out: Path) -> dict[str, Any]:
    """One run of about ``seconds``; delays in ms between push and look."""
    pylsl = load_pylsl()
    source_id = f"delay-bench-{uuid.uuid4().hex[:8]}"
    heard: list[tuple[int, float]] = []

    def note(event: Event | Notice) -> None:
        if isinstance(event, LookDone):
            heard.append((event.sample, pylsl.local_clock()))

    with sender(source_id, rate_hz, channels, "--seed", str(seed)):
        source = LslSource(find_stream(source_id=source_id))
        plan = plan_for(source_id, channels, max(288, int(seconds * PER_S) // 32 * 32))
        folder = RunFolder.create(out)
        run = Run(resolve(plan, source.description), source, folder, optional=[note])
        run.start()
        while not run.wait(1.0):
            pass
        folder.close()
    if run.failure is not None:
        raise RuntimeError(run.failure)
    delays_ms = look_delays_ms(folder, heard, rate_hz)
    return {
        "looks": len(delays_ms), "median_ms": float(np.median(delays_ms)), "p99_ms": float(np.percentile(delays_ms, 99)),
        "max_ms": max(delays_ms), "delays_ms": delays_ms, "rate_hz": rate_hz, "channels": channels,
        "chunk_ms": 1e3 * CHUNK_S, "seconds": seconds, "seed": seed,
    }  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.delay", description="Delay from push to look, median and p99."
    )
    parser.add_argument("--seconds", type=float, default=60.0, help="length of the run (60)")
    parser.add_argument("--rate", type=float, default=16000.0, metavar="HZ", help="sampling rate (16000)")
    parser.add_argument("--channels", type=int, default=2, help="EEG channels (2)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a line")
    parser.add_argument("--send", metavar="ID", help=argparse.SUPPRESS)
    parser.add_argument("--clocked", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--steady", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args(arguments)
    if args.send is not None:
        send(args.send, args.rate, args.channels, args.seed, args.clocked, args.steady)
        return 0
    with tempfile.TemporaryDirectory(prefix="quietfloor-delay-") as folder:
        found = measure(args.seconds, args.rate, args.channels, args.seed, Path(folder))
    del found["delays_ms"]
    line = json.dumps(found) if args.json else (
        f"{found['looks']} looks, {args.channels} channels at {args.rate:g} Hz, chunks of {1e3 * CHUNK_S:g} ms: "
        f"median {found['median_ms']:.2f} ms, p99 {found['p99_ms']:.2f} ms, max {found['max_ms']:.2f} ms (seed {args.seed})"
    )  # fmt: skip
    sys.stdout.write(line + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
