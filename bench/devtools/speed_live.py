"""Delays over LSL on this machine, each receiver in a process of its own: a bare pull loop, our run, a library that cuts epochs.

    python -m quietfloor.bench.devtools.speed_live --as bare --source ID --seconds 20

The sender (quietfloor.bench.devtools.delay) stamps each chunk when it pushes it, and says the same time in a channel, so that
every receiver knows when the last sample that it waited for was pushed."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import subprocess
import sys
import tempfile
import time
import uuid
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.delay import BEGIN_S, CLOCK_S, measure, sender
from quietfloor.bench.devtools.display import summary
from quietfloor.stimuli.lsl import load_pylsl

RATE_HZ, CHANNELS = 16000.0, 2
SKIPPED = 3  # exit status: the text on standard error says why
EPOCH_S = (-0.002, 0.012)  # of the library: what the engine waits for, response window included


class Skipped(Exception):
    """A part cannot be measured here; the text says why and what to install."""


def bare(source_id: str, seconds: float) -> dict[str, Any]:
    """pylsl alone: wait for a sample, then take what is there."""
    pylsl = load_pylsl()
    (info,) = pylsl.resolve_byprop("source_id", source_id, 1, 10.0)
    inlet = pylsl.StreamInlet(info, processing_flags=pylsl.proc_none)
    inlet.open_stream(10.0)
    room = np.empty((round(RATE_HZ), CHANNELS + 2), dtype=np.float32)
    delays, began_s, cpu_s = [], time.monotonic(), 0.0
    while (passed_s := time.monotonic() - began_s) < seconds + BEGIN_S:
        if passed_s < BEGIN_S:
            cpu_s = time.process_time()
        _, stamps = inlet.pull_chunk(timeout=1.0, max_samples=1, dest_obj=room[:1])
        if stamps:
            _, more = inlet.pull_chunk(timeout=0.0, max_samples=max(1, inlet.samples_available()), dest_obj=room[1:])
            now_s, last = pylsl.local_clock(), len(stamps) + len(more) - 1
            pushed = float(room[last, -1])
            late_s = (now_s - pushed) % CLOCK_S
            if passed_s > BEGIN_S and abs((more or stamps)[-1] % CLOCK_S - pushed) < 0.5 / RATE_HZ:  # the last of its chunk
                delays.append(1e3 * late_s)
    return {"delays_ms": delays, "cpu": (time.process_time() - cpu_s) / seconds}


def run(source_id: str, seconds: float) -> dict[str, Any]:
    """Our run, from the stream to the look, its files written: quietfloor.bench.devtools.delay brings a sender of its own."""
    began_s = time.process_time()
    with tempfile.TemporaryDirectory(prefix="quietfloor-speed-") as folder:
        found = measure(seconds, RATE_HZ, CHANNELS, 1, Path(folder))
    return {"delays_ms": found["delays_ms"], "cpu": (time.process_time() - began_s) / seconds}


def library(source_id: str, seconds: float) -> dict[str, Any]:
    """mne-lsl's EpochsStream: push of an epoch's last sample until ``get_data`` has given that epoch, asked every 0.5 ms."""
    pylsl = load_pylsl()
    os.environ.setdefault("MNE_LSL_LIB", str(next((Path(pylsl.__file__).parent / "lib").glob("*lsl*"), "")))
    warnings.simplefilter("ignore")
    try:
        streams = importlib.import_module("mne_lsl.stream")
        importlib.import_module("mne_lsl").set_log_level("ERROR")
    except Exception as error:  # whatever its own import meets is the reason
        raise Skipped(f"mne-lsl cannot be used ({type(error).__name__}: {error}): pip install 'quietfloor[bench]'") from error
    stream = streams.StreamLSL(2.0, source_id=source_id).connect(acquisition_delay=0.001, timeout=10)
    stream.set_channel_types({"trigger": "stim", "clock": "misc"}, on_unit_change="ignore")
    epochs = streams.EpochsStream(
        stream, 100, event_id=1, event_channels="trigger", tmin=EPOCH_S[0], tmax=EPOCH_S[1], baseline=None, picks="all"
    ).connect(acquisition_delay=0.001)
    place = list(epochs.info["ch_names"]).index("clock")
    delays: list[float] = []
    began_s, cpu_s = time.monotonic(), 0.0
    while (passed_s := time.monotonic() - began_s) < seconds + BEGIN_S:
        if passed_s < BEGIN_S:
            cpu_s = time.process_time()
        if new := epochs.n_new_epochs:
            data = epochs.get_data(n_epochs=new)
            now_s = pylsl.local_clock()
            if passed_s > BEGIN_S:
                delays += [1e3 * ((now_s - float(pushed)) % CLOCK_S) for pushed in data[:, place, -1]]
        time.sleep(0.0005)
    used = (time.process_time() - cpu_s) / seconds
    epochs.disconnect()
    stream.disconnect()
    return {"delays_ms": delays, "cpu": used}


RECEIVERS: dict[str, Callable[[str, float], dict[str, Any]]] = {"bare": bare, "run": run, "library": library}


def received(how: str, seconds: float) -> dict[str, Any]:
    """One receiver in a process of its own, with a sender in another. Raises Skipped, RuntimeError."""
    source_id = f"speed-bench-{uuid.uuid4().hex[:8]}"
    sending = sender(source_id, RATE_HZ, CHANNELS, "--clocked") if how != "run" else contextlib.nullcontext()
    with sending:
        done = subprocess.run(
            [sys.executable, "-m", "quietfloor.bench.devtools.speed_live", "--as", how, "--source", source_id,
             "--seconds", str(seconds)], capture_output=True, text=True, timeout=seconds + 120.0,
        )  # fmt: skip
    if done.returncode == SKIPPED:
        raise Skipped(done.stderr.strip().splitlines()[-1])
    if done.returncode:
        raise RuntimeError(f"the receiver {how!r} failed:\n{done.stderr}")
    return dict(json.loads(done.stdout.strip().splitlines()[-1]))


def together(ways: list[str], seconds: float, pairs: int) -> dict[str, dict[str, Any]]:
    """Each way in turn, ``pairs`` times: all delays of a way, and its processor time as a part of one core."""
    rounds = [{how: received(how, seconds) for how in ways} for _ in range(pairs)]
    joined = {}
    for how in ways:
        delays = [delay for one in rounds for delay in one[how]["delays_ms"]]
        if not delays:
            raise RuntimeError(f"the receiver {how!r} saw nothing in {seconds:g} s")
        joined[how] = summary(delays) | {"n": len(delays), "cpu": round(float(np.mean([one[how]["cpu"] for one in rounds])), 4)}
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.speed_live", description="One receiver of quietfloor.bench.devtools.speed."
    )
    parser.add_argument("--as", dest="how", choices=sorted(RECEIVERS), required=True)
    parser.add_argument("--source", required=True, metavar="ID")
    parser.add_argument("--seconds", type=float, default=20.0)
    args = parser.parse_args(arguments)
    try:
        result = RECEIVERS[args.how](args.source, args.seconds)
    except Skipped as reason:
        sys.stderr.write(f"{reason}\n")
        return SKIPPED
    sys.stdout.write(json.dumps(result) + "\n")
    sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
