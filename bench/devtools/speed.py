"""Measure speed in comparison with known programs. One command, one run; ratios are taken in alternating pairs.

    python -m quietfloor.bench.devtools.speed
    python -m quietfloor.bench.devtools.speed --quick --only engine,replay --out speed.json

Parts: engine (compared with real time, and with the mean of the same epochs by numpy), mne (the same averages by MNE-Python),
delay (push to decision, and LSL's own push to pull), lsl (a general library that cuts epochs from a live stream), replay,
display, start, memory, scaling. Prints a table; the file contains every figure, versions and machine. Throughputs and ratios use
processor time. Delays, and times for which a person waits, use the clock, and other programs disturb them. mne and lsl need: pip
install 'quietfloor[bench]'.

Exit status 0: every target met or its part skipped; 1: one missed, or a part failed; 2: bad arguments.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import importlib
import importlib.metadata
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.delay import CHUNK_S, PER_S
from quietfloor.bench.devtools.display import resident_mb
from quietfloor.bench.devtools.soak import MadeStream, soak_plan
from quietfloor.bench.devtools.speed_live import Skipped, together
from quietfloor.bench.validate.report import aligned
from quietfloor.monitor.core.analysis import UNIT_SWEEPS, RunningAnalysis
from quietfloor.monitor.core.artefacts import RunningLimits
from quietfloor.monitor.core.averaging import WeightedAverage, reduce_unit
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.formats.xdf_read import read_xdf
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.run_record import processor
from quietfloor.monitor.sources.base import EndOfRecording
from quietfloor.monitor.storage.run_folder import RunFolder

TIMES_REAL_TIME = {2: 200.0, 32: 20.0}  # asked of the engine at 16 kHz, by channels
TIMES_MNE, DECISION_MS, HELP_S, MEMORY_MB, REPLAY_S, REPLAY_OF_S = 3.0, 5.0, 0.5, 300.0, 3.0, 600.0  # asked of the others
RATE_HZ = 16000.0
BATCH_S = 10.0  # of stream made at a time, outside the stopwatch
LINEAR = 1.15  # exponent of time over size that still counts as linear: caches get full, clocks change
REJECT_UV = 100.0  # peak to peak for MNE; our criteria follow the noise. Neither leaves out much of steady noise
LIVE_CHUNK_S = 0.01  # about what a live run pulls at a time
LIBRARIES = ("quietfloor", "numpy", "scipy", "pylsl", "mne", "mne-lsl", "PyQt5", "pyqtgraph")
WINDOWS = ("PyQt5", "pyqtgraph", "matplotlib", "sounddevice")
HEAVY = ("numpy", "scipy", "PyQt5", "pyqtgraph", "matplotlib", "pylsl", "sounddevice", "pydantic")
IMPORTS = {  # what a command needs before it begins -> what it must not have loaded by then
    "quietfloor --help": ("quietfloor.monitor.cli", HEAVY),
    "run, without a window": ("quietfloor.monitor.run.run", WINDOWS),
    "replay, without a window": ("quietfloor.monitor.review.replay", (*WINDOWS, "pylsl")),
    "the window": ("quietfloor.monitor.display.app", ("matplotlib",)),
    "report": ("quietfloor.monitor.report.make", ("PyQt5", "pyqtgraph", "pylsl", "sounddevice")),
}


@dataclass(frozen=True)
class Size:
    """How much is measured."""

    engine_s: float = 120.0  # of stream, each time
    pairs: int = 5
    live_s: float = 20.0  # of real time, each way of a pair
    live_pairs: int = 2
    replay_s: float = 600.0
    display_s: float = 20.0
    memory_h: float = 1.0
    starts: int = 7
    channels: tuple[int, ...] = (1, 2, 8, 32, 64)
    rates_hz: tuple[float, ...] = (4000.0, 16000.0, 48000.0)
    sweeps: tuple[int, ...] = (1_000, 10_000, 100_000, 1_000_000)
    scaling_s: float = 40.0


FULL = Size()
QUICK = Size(30.0, 3, 6.0, 1, 60.0, 6.0, 0.05, 3, (1, 2, 8, 32, 64), (4000.0, 16000.0, 48000.0), (1_000, 10_000), 10.0)


@dataclass(frozen=True)
class Row:
    """One line of the table; ``met`` None where nothing is asked."""

    what: str
    found: str
    target: str = ""
    met: bool | None = None


@dataclass
class Found:
    """What one part found: rows for people, figures for files."""

    rows: list[Row] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)

    def say(self, what: str, found: str, target: str = "", met: bool | None = None) -> None:
        self.rows.append(Row(what, found, target, met))


@dataclass(frozen=True)
class TimeTaken:
    """Duration in s: wall time, and CPU time of this process."""

    wall_s: float
    cpu_s: float


def timed(work: Callable[[], object]) -> TimeTaken:
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    work()
    return TimeTaken(time.perf_counter() - wall_s, time.process_time() - cpu_s)


def alternate(pairs: int, *works: Callable[[], TimeTaken]) -> list[list[TimeTaken]]:
    """Each in turn, ``pairs`` times over: what others do to the machine meanwhile falls on all. A list a work."""
    rounds = [[work() for work in works] for _ in range(pairs)]
    return [list(one) for one in zip(*rounds, strict=True)]


def ratio(slow: list[TimeTaken], fast: list[TimeTaken]) -> float:
    """Median over pairs of how many times the work of ``fast`` the work of ``slow`` is, by processor time."""
    return float(np.median([a.cpu_s / b.cpu_s for a, b in zip(slow, fast, strict=True)]))


def middle(times: list[TimeTaken]) -> TimeTaken:
    return TimeTaken(float(np.median([one.wall_s for one in times])), float(np.median([one.cpu_s for one in times])))


def seconds(times: list[TimeTaken]) -> dict[str, list[float]]:
    """For a file."""
    return {"wall_s": [round(one.wall_s, 5) for one in times], "cpu_s": [round(one.cpu_s, 5) for one in times]}


def machine() -> dict[str, Any]:
    """What was measured on, and with which versions."""
    versions: dict[str, str | None] = dict.fromkeys(LIBRARIES)
    for name in LIBRARIES:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            versions[name] = importlib.metadata.version(name)
    load = os.getloadavg() if hasattr(os, "getloadavg") else (float("nan"),) * 3
    return {
        "cpu": processor(), "cores": os.cpu_count(), "system": platform.platform(), "python": platform.python_version(),
        "versions": versions, "load_1_min": round(load[0], 2),
        "blas": {name: os.environ[name] for name in sorted(os.environ) if name.startswith(("OPENBLAS_", "OMP_", "MKL_"))},
    }  # fmt: skip


def table(rows: list[Row]) -> str:
    """Columns as wide as their longest entry."""
    marks = {True: "met", False: "MISSED", None: ""}
    cells = [("what", "target", "found", ""), *((row.what, row.target, row.found, marks[row.met]) for row in rows)]
    lines = aligned(cells[0], cells[1:])
    return "\n".join([lines[0], "-" * max(map(len, lines)), *lines[1:]])


def make(seconds_: float, rate_hz: float, channels: int, chunk_s: float = CHUNK_S) -> MadeStream:
    return MadeStream(seconds_, rate_hz, channels, seed=1, chunk_s=chunk_s)


def chunks(stream: MadeStream) -> Iterator[Chunk]:
    """All that is left of a stream."""
    with contextlib.suppress(EndOfRecording):
        while True:
            yield stream.pull()


def engine_for(stream: MadeStream, seconds_: float) -> Engine:
    """As in a live run: all looks, and everything that a look shows; no floor is ever reached."""
    channels = len(stream.description.labels) - 1
    plan = soak_plan("speed", channels, seconds_)
    layout = Layout(stream.description.rate_hz, stream.description.labels, tuple(range(channels)), channels)
    return Engine(plan.engine_settings(layout))


def feed(made: list[Chunk], engine: Engine) -> TimeTaken:
    return timed(lambda: [engine.feed(chunk) for chunk in made])


def engine(size: Size) -> Found:
    """Times real time, fed in chunks of 5 ms, and the mean of the same epochs by numpy."""
    found = Found()
    for channels in TIMES_REAL_TIME:
        length_s = size.engine_s if channels <= 8 else size.engine_s / 4
        made = list(chunks(stream := make(length_s, RATE_HZ, channels)))
        first = engine_for(stream, length_s)
        feed(made, first)  # what is computed once and kept, such as filters, is not counted
        epochs, look = epochs_of(first, made), first.last_look
        assert look is not None
        ours, floor = alternate(
            size.pairs,
            partial(lambda made, stream, length_s: feed(made, engine_for(stream, length_s)), made, stream, length_s),
            partial(timed, partial(epochs.mean, axis=0)),
        )
        speed, target = length_s / middle(ours).cpu_s, TIMES_REAL_TIME[channels]
        what = f"engine, {channels} channels, 16 kHz, all looks"
        found.say(what, f"{speed:.0f} x real time", f">= {target:.0f} x", speed >= target)
        per_second = epochs.nbytes / middle(floor).wall_s / 1e9
        found.say(
            f"  the same epochs by numpy.mean: the floor, {per_second:.0f} GB/s", f"{ratio(ours, floor):.0f} times the floor"
        )
        found.figures[str(channels)] = {
            "stream_s": length_s, "times_real_time": round(speed, 1), "by_wall": round(length_s / middle(ours).wall_s, 1),
            "sweeps": look.sweeps_presented, "engine": seconds(ours), "numpy_mean": seconds(floor),
            "floor_ratio": round(ratio(ours, floor), 1), "floor_gb_per_s": round(per_second, 2),
        }  # fmt: skip
    return found


def epochs_of(engine: Engine, made: list[Chunk]) -> np.ndarray:
    """The raw samples of every sweep (n_sweeps, n_channels, n_times) in the stream's own type, side by side in memory."""
    samples = np.concatenate([chunk.samples[:-1] for chunk in made], axis=1)
    epoch, rate = engine.settings.epoch, engine.settings.layout.rate_hz
    before, after = round(-epoch.start_ms * 1e-3 * rate), round(epoch.stop_ms * 1e-3 * rate)
    onsets = np.arange(round(rate / PER_S), samples.shape[1] - after, round(rate / PER_S))
    return np.stack([samples[:, onset - before : onset + after + 1] for onset in onsets])


def course(sweeps: int, rate_hz: float, channels: int) -> tuple[TimeTaken, float]:
    """Time for a stream that holds so many sweeps, and memory grown over its last nine tenths, in MB."""
    length_s = sweeps / PER_S
    stream, took = make(length_s + 1.0, rate_hz, channels), TimeTaken(0.0, 0.0)
    engine = engine_for(stream, length_s)
    batch, settled_mb = round(BATCH_S / CHUNK_S), float("nan")
    while made := list(islice(chunks(stream), batch)):
        now = feed(made, engine)
        took = TimeTaken(took.wall_s + now.wall_s, took.cpu_s + now.cpu_s)
        if np.isnan(settled_mb) and stream.sent > 0.1 * length_s * rate_hz:
            settled_mb = resident_mb()
    return took, resident_mb() - settled_mb


def scaling(size: Size) -> Found:
    """Time per sample (of all channels) against the number of channels, the rate, and the sweeps of a run."""
    found = Found()
    sweeps = round(size.scaling_s * PER_S)
    by_channels = {str(n): course(sweeps, 16000.0, n) for n in size.channels}
    by_rate = {f"{rate / 1000:g} kHz": course(sweeps, rate, 2) for rate in size.rates_hz}
    by_sweeps = {f"{n:,}": course(n, 4000.0, 2) for n in size.sweeps}
    samples = {
        "channels": dict.fromkeys(by_channels, sweeps / PER_S * 16000.0),
        "rate": {name: sweeps / PER_S * rate for name, rate in zip(by_rate, size.rates_hz, strict=True)},
        "sweeps": {name: n / PER_S * 4000.0 for name, n in zip(by_sweeps, size.sweeps, strict=True)},
    }
    sizes = {"channels": size.channels, "rate": size.rates_hz, "sweeps": size.sweeps}
    for what, courses in (("channels", by_channels), ("rate", by_rate), ("sweeps", by_sweeps)):
        per_sample = [1e6 * took.cpu_s / samples[what][name] for name, (took, _) in courses.items()]
        cpu_s = [took.cpu_s for took, _ in courses.values()]
        grown = [mb for _, mb in courses.values()]
        exponent = float(np.polyfit(np.log(sizes[what]), np.log(cpu_s), 1)[0]) if len(cpu_s) > 1 else float("nan")
        listed = ", ".join(f"{name}: {us:.2f}" for name, us in zip(courses, per_sample, strict=True))
        found.say(f"us per sample by {what}", listed)
        found.say(f"  time grows with {what} to the power of", f"{exponent:.2f}", f"<= {LINEAR}", exponent <= LINEAR)
        found.figures[what] = {
            "exponent": round(exponent, 3),
            "rows": [
                {what: name, "us_per_sample": round(us, 3), "cpu_s": round(one, 3), "grown_mb": round(mb, 1)}
                for name, us, one, mb in zip(courses, per_sample, cpu_s, grown, strict=True)
            ],
        }
    longest = found.figures["sweeps"]["rows"][-1]
    found.say(f"memory grown over the last nine tenths of {longest['sweeps']} sweeps", f"{longest['grown_mb']:.1f} MB")
    return found


def load_mne() -> Any:
    try:
        return importlib.import_module("mne")
    except ImportError as error:
        raise Skipped("MNE-Python is not installed: pip install 'quietfloor[bench]'") from error


def against_mne(size: Size) -> Found:
    """Whole way from samples to averages, and the reduction alone, from filtered samples and known onsets.

    MNE: FIR filter of the same -6 dB points and zero phase (its own lengths), by FFT over the whole recording at once; onsets
    from the trigger channel; epochs of every third point, as many as ours; rejection by peak to peak; plain average. Ours, the
    whole way: the engine as in a live run, in chunks of 5 ms: FIR filter, onsets, sweeps cut to a fraction of a sample, criteria
    that follow the noise, average weighted by noise, halves, evidence and forecast at every look. The reduction: cut at the same
    onsets from the samples that MNE filtered, criteria, weighted average. Both in doubles. Only the reduction is the same work:
    only it is held against a target.
    """
    mne = load_mne()
    stream = make(size.engine_s, RATE_HZ, 2)
    made = list(chunks(stream))
    engine = engine_for(stream, size.engine_s)
    settings = engine.settings
    raw = _raw(mne, made)
    filtered = raw.copy().filter(settings.band.low_hz, settings.band.high_hz, picks="eeg", verbose="ERROR")
    events = mne.find_events(raw, "STI", consecutive=False, verbose="ERROR")
    cut = partial(_epochs, mne, settings)
    _averages_agree(made, stream, size, cut(filtered, events))

    def whole_mne() -> None:
        again = raw.copy().filter(settings.band.low_hz, settings.band.high_hz, picks="eeg", verbose="ERROR")
        cut(again, mne.find_events(again, "STI", consecutive=False, verbose="ERROR")).average()

    data = filtered.get_data(picks="eeg") * 1e6
    works = {
        "ours": lambda: feed(made, engine_for(stream, size.engine_s)),
        "mne": lambda: timed(whole_mne),
        "our reduction": lambda: _reduction(settings, data, events[:, 0], False),
        "our reduction, looks": lambda: _reduction(settings, data, events[:, 0], True),
        "mne reduction": lambda: timed(lambda: cut(filtered, events).average()),
    }
    took = dict(zip(works, alternate(size.pairs, *works.values()), strict=True))
    found = Found()
    for what, ours, theirs in (
        ("epochs, rejection, average of filtered samples", "our reduction", "mne reduction"),
        ("  ours with evidence and all looks", "our reduction, looks", "mne reduction"),
        ("  from samples on: ours as live, all looks; MNE at once, none", "ours", "mne"),
    ):
        times = ratio(took[theirs], took[ours])
        told = f"{times:.1f} x MNE ({middle(took[ours]).cpu_s:.2f} s against {middle(took[theirs]).cpu_s:.2f} s)"
        asked = (f">= {TIMES_MNE:g} x", times >= TIMES_MNE) if not what.startswith(" ") else ("", None)
        found.say(what, told, *asked)
        found.figures[what.strip()] = {"ratio": round(times, 2), "ours": seconds(took[ours]), "mne": seconds(took[theirs])}
    found.figures["stream_s"] = size.engine_s
    return found


def _raw(mne: Any, made: list[Any]) -> Any:
    samples = np.concatenate([chunk.samples for chunk in made], axis=1).astype(np.float64)
    samples[:-1] *= 1e-6
    channels = len(samples) - 1
    info = mne.create_info([*map(str, range(channels)), "STI"], RATE_HZ, ["eeg"] * channels + ["stim"])
    return mne.io.RawArray(samples, info, verbose="ERROR")


def _epochs(mne: Any, settings: EngineSettings, raw: Any, events: Any) -> Any:
    return mne.Epochs(
        raw, events, tmin=settings.epoch.start_ms * 1e-3, tmax=settings.epoch.stop_ms * 1e-3, baseline=None, picks="eeg",
        reject={"eeg": REJECT_UV * 1e-6}, decim=settings.band.step, preload=True, verbose="ERROR",
    )  # fmt: skip


def _reduction(settings: EngineSettings, filtered_uv: np.ndarray, onsets: np.ndarray, looks: bool) -> TimeTaken:
    """Units of 16 sweeps cut at known onsets from filtered samples (at the stream's rate), judged, averaged."""
    epoch, rate = settings.epoch, settings.layout.rate_hz
    step = settings.band.step  # every third sample: as many points as the engine has
    first = onsets + round(epoch.first_ms * 1e-3 * rate)
    span = step * (epoch.n_times - 1) + 1
    first = first[(first >= 0) & (first + span <= filtered_uv.shape[1])]
    shape = (len(filtered_uv), UNIT_SWEEPS)

    def work() -> None:
        analysis = RunningAnalysis(settings.analysis, shape[:1])
        limits = RunningLimits(settings.analysis.criteria, settings.analysis.rate_hz)
        average = WeightedAverage(shape[:1], epoch.n_times)
        usable = np.ones(shape, dtype=bool)
        for unit in range(len(first) // UNIT_SWEEPS):
            starts = first[unit * UNIT_SWEEPS :][:UNIT_SWEEPS]
            sweeps = np.stack([filtered_uv[:, start : start + span : step] for start in starts], axis=1)
            if looks:
                analysis.update(sweeps, usable)
                continue
            accepted = usable.copy()
            for _, over in limits.update(sweeps[..., settings.analysis.judged], usable):
                accepted &= ~over
            average.update(reduce_unit(sweeps, accepted, settings.analysis.window))
        _ = average.average_uv()

    return timed(work)


def _averages_agree(made: list[Any], stream: MadeStream, size: Size, epochs: Any) -> None:
    """Both must have averaged the same sweeps: no ratio of different work is printed."""
    engine = engine_for(stream, size.engine_s)
    feed(made, engine)
    look = engine.last_look
    presented = size.engine_s * PER_S
    if look is None or look.sweeps_accepted < 0.9 * presented - 64 or len(epochs) < 0.9 * presented - 64:
        here = look.sweeps_accepted if look else 0
        raise RuntimeError(f"{here} sweeps averaged here and {len(epochs)} by MNE of {presented:.0f}: not the same reduction")
    now, theirs = engine.average_now(), epochs.average()
    ours = np.interp(theirs.times * 1e3, now.times_ms, now.average_uv[0])
    agree = np.corrcoef(ours, theirs.data[0])[0, 1]
    if agree < 0.9:
        raise RuntimeError(f"the averages of one stream correlate by {agree:.2f} only: not the same reduction")


def _told(one: dict[str, Any]) -> str:
    return f"p50 {one['p50']:.2f} ms, p99 {one['p99']:.2f} ms, {100 * one['cpu']:.0f} % of a core"


def delay(size: Size) -> Found:
    """From push to pull by pylsl alone, and from push to the look of a run."""
    figures = together(["bare", "run"], size.live_s, size.live_pairs)
    found = Found(figures=figures)
    found.say("LSL alone: push to pull", _told(figures["bare"]))
    met = figures["run"]["p99"] < DECISION_MS
    found.say("push to decision, recorded on the way", _told(figures["run"]), f"p99 < {DECISION_MS:g} ms", met)
    return found


def against_library(size: Size) -> Found:
    """From push to an epoch of 14 ms by mne-lsl, beside the look of a run (16 or 32 such epochs filtered, judged, averaged)."""
    figures = together(["library", "run"], size.live_s, size.live_pairs)
    found = Found(figures=figures)
    found.say("mne-lsl EpochsStream: push to epoch, not filtered", _told(figures["library"]))
    found.say("  our run: push to look", _told(figures["run"]))
    found.figures["sweeps_per_s"] = PER_S
    return found


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
    stream = make(length_s, RATE_HZ, 2, LIVE_CHUNK_S)
    plan, folder = soak_plan("speed", 2, length_s), RunFolder.create(place)
    run = Run(resolve(plan, stream.description), stream, folder)
    run.start()
    run.wait()
    return folder


def display(size: Size) -> Found:
    """Frames of the window over a live run of 8 channels: quietfloor.bench.devtools.display in a process of its own."""
    got = _json("display", size.display_s, "--seconds", str(size.display_s))
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
    got = _json("soak", 3600 * size.memory_h, "--hours", str(size.memory_h), "--rate", "16000", "--channels", "2")
    most = got["memory_mb"]["most"]
    found = Found(figures=got)
    what = f"memory, {60 * size.memory_h:g} min of a run, 2 channels, 16 kHz, no window"
    told = f"{most:.0f} MB, grown {got['memory_mb']['end'] - got['memory_mb']['settled']:.1f} MB"
    found.say(what, told, f"< {MEMORY_MB:g} MB", most < MEMORY_MB)
    return found


def _json(name: str, seconds_: float, *options: str) -> dict[str, Any]:
    """What a measurement of its own prints, met or not (exit status 0 or 1)."""
    command = [sys.executable, "-m", f"quietfloor.bench.devtools.{name}", *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300.0 + seconds_)
    if done.returncode not in (0, 1) or not done.stdout.strip():
        raise RuntimeError(f"{' '.join(command[1:])} failed:\n{done.stderr[-2000:]}")
    return dict(json.loads(done.stdout))


PARTS: dict[str, Callable[[Size], Found]] = {
    "engine": engine,
    "mne": against_mne,
    "delay": delay,
    "lsl": against_library,
    "replay": replaying,
    "display": display,
    "start": starting,
    "memory": memory,
    "scaling": scaling,
}


def measure(
    size: Size, names: Sequence[str], progress: Callable[[str], object] = lambda text: None
) -> tuple[list[Row], dict[str, Any]]:
    """Rows of the table, and everything for a file. A part that is skipped or fails says so in a row; the others go on."""
    rows: list[Row] = []
    record: dict[str, Any] = {
        "made": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "machine": machine(),
        "size": vars(size),
        "parts": {},
    }
    for name in names:
        progress(f"{name} ...")
        began_s = time.monotonic()
        try:
            found = PARTS[name](size)
        except Skipped as reason:
            found = Found([Row(name, f"skipped: {reason}")], {"skipped": str(reason)})
        except Exception as error:
            found = Found([Row(name, f"failed: {type(error).__name__}: {error}", "", False)], {"failed": str(error)})
        rows += found.rows
        told = [{"what": row.what.strip(), "target": row.target, "found": row.found, "met": row.met} for row in found.rows]
        record["parts"][name] = {"took_s": round(time.monotonic() - began_s, 1), "rows": told, **found.figures}
    return rows, record


def chosen(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    if strange := [name for name in names if name not in PARTS]:
        raise argparse.ArgumentTypeError(f"{', '.join(strange)}: no such part; there are {', '.join(PARTS)}")
    return names


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="a shorter run of a few minutes; figures scatter more")
    parser.add_argument("--only", type=chosen, default=list(PARTS), metavar="NAME,...", help="only these parts")
    parser.add_argument("--out", type=Path, metavar="FILE.json", help="file for every figure, versions, machine")
    args = parser.parse_args(arguments)
    rows, record = measure(QUICK if args.quick else FULL, args.only, lambda text: sys.stderr.write(text + "\n"))
    at = record["machine"]
    versions = ", ".join(f"{name} {version}" for name, version in at["versions"].items() if version)
    sys.stdout.write(f"{table(rows)}\n\n{at['cpu']}, {at['cores']} cores, {at['system']}, Python {at['python']}\n{versions}\n")
    if args.out is not None:
        args.out.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return 1 if any(row.met is False for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
