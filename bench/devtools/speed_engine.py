"""The engine against real time, against the floor of the memory, and against how much there is of everything."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import islice

import numpy as np

from quietfloor.bench.devtools.delay import CHUNK_S, PER_S
from quietfloor.bench.devtools.display import resident_mb
from quietfloor.bench.devtools.soak import MadeStream, plan_for
from quietfloor.bench.devtools.speed_table import Found, Size, Stopwatch, TimeTaken, alternate, middle, ratio, seconds, timed
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.sources.base import EndOfRecording

TARGETS = {2: 200.0, 32: 20.0}  # times real time at 16 kHz
BATCH_S = 10.0  # of stream made at a time, outside the stopwatch
LINEAR = 1.15  # exponent of time over size that still counts as linear: caches get full, clocks change
FLOOR_CHANNELS = (2, 32)


def make(seconds_: float, rate_hz: float, channels: int, chunk_s: float = CHUNK_S) -> MadeStream:
    return MadeStream(seconds_, rate_hz, channels, seed=1, chunk_s=chunk_s)


def chunks(stream: MadeStream) -> list[Chunk]:
    """All that is left of a stream."""
    return list(_rest(stream))


def engine_for(stream: MadeStream, seconds_: float) -> Engine:
    """As in a live run: all looks, and everything that a look shows; no floor is ever reached."""
    channels = len(stream.description.labels) - 1
    plan = plan_for("speed", channels, seconds_)
    layout = Layout(stream.description.rate_hz, stream.description.labels, tuple(range(channels)), channels)
    return Engine(plan.engine_settings(layout))


def feed(made: list[Chunk], engine: Engine) -> TimeTaken:
    def all_of_it() -> None:
        for chunk in made:
            engine.feed(chunk)

    return timed(all_of_it)


def engine(size: Size) -> Found:
    """Times real time, fed in chunks of 5 ms, and the mean of the same epochs by numpy."""
    found = Found()
    for channels in FLOOR_CHANNELS:
        length_s = size.engine_s if channels <= 8 else size.engine_s / 4
        made = chunks(stream := make(length_s, 16000.0, channels))
        first = engine_for(stream, length_s)
        feed(made, first)  # what is computed once and kept, such as filters, is not counted
        epochs, look = epochs_of(first, made), first.last_look
        assert look is not None
        ours, floor = alternate(
            size.pairs,
            partial(lambda made, stream, length_s: feed(made, engine_for(stream, length_s)), made, stream, length_s),
            partial(timed, partial(epochs.mean, axis=0)),
        )
        speed, target = length_s / middle(ours).cpu_s, TARGETS[channels]
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
    stream, watch = make(length_s + 1.0, rate_hz, channels), Stopwatch()
    engine = engine_for(stream, length_s)
    batch, memory = round(BATCH_S / CHUNK_S), [0.0]
    settled = False
    while made := list(islice(_rest(stream), batch)):
        with watch:
            for chunk in made:
                engine.feed(chunk)
        if not settled and stream.sent > 0.1 * length_s * rate_hz:
            settled, memory[0] = True, resident_mb()
    return watch.took, resident_mb() - memory[0]


def _rest(stream: MadeStream) -> Iterator[Chunk]:
    while True:
        try:
            yield stream.pull()
        except EndOfRecording:
            return


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
