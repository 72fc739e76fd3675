"""The same averages by MNE-Python, on the same samples, side by side."""

from __future__ import annotations

import importlib
from functools import partial
from typing import Any

import numpy as np

from quietfloor.bench.devtools.delay import PER_S
from quietfloor.bench.devtools.soak import MadeStream
from quietfloor.bench.devtools.speed_engine import chunks, engine_for, feed, make
from quietfloor.bench.devtools.speed_table import Found, Size, Skipped, TimeTaken, alternate, middle, ratio, seconds, timed
from quietfloor.monitor.core.analysis import UNIT_SWEEPS, RunningAnalysis
from quietfloor.monitor.core.artefacts import RunningLimits
from quietfloor.monitor.core.averaging import WeightedAverage, reduce_unit
from quietfloor.monitor.core.settings import EngineSettings

TARGET = 3.0
REJECT_UV = 100.0  # peak to peak for MNE; our criteria follow the noise. Neither leaves out much of steady noise
CHANNELS, RATE_HZ = 2, 16000.0


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
    stream = make(size.engine_s, RATE_HZ, CHANNELS)
    made = chunks(stream)
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
        asked = (f">= {TARGET:g} x", times >= TARGET) if not what.startswith(" ") else ("", None)
        found.say(what, told, *asked)
        found.figures[what.strip()] = {"ratio": round(times, 2), "ours": seconds(took[ours]), "mne": seconds(took[theirs])}
    found.figures["stream_s"] = size.engine_s
    return found


def _raw(mne: Any, made: list[Any]) -> Any:
    samples = np.concatenate([chunk.samples for chunk in made], axis=1).astype(np.float64)
    samples[:-1] *= 1e-6
    info = mne.create_info([*(f"E{number + 1}" for number in range(CHANNELS)), "STI"], RATE_HZ, ["eeg"] * CHANNELS + ["stim"])
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


__all__ = ["against_mne"]
