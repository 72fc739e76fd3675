"""Streams and sweeps with a known truth, made without any of the project's own signal code."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event
from quietfloor.monitor.core.samples import Chunk, Layout


def wave_v_uv(t_ms: NDArray[np.float64], latency_ms: float = 7.0, nv: float = 400.0) -> NDArray[np.float64]:
    """A peak at the latency and a trough 2.6 ms later, ``nv`` peak to trough; a plain formula, not the bank's."""
    wave = np.exp(-0.5 * ((t_ms - latency_ms) / 0.6) ** 2) - 0.8 * np.exp(-0.5 * ((t_ms - latency_ms - 2.6) / 0.9) ** 2)
    fine = np.linspace(0, 25, 5001)
    shape = np.exp(-0.5 * ((fine - 7.0) / 0.6) ** 2) - 0.8 * np.exp(-0.5 * ((fine - 9.6) / 0.9) ** 2)
    return nv * 1e-3 * wave / (shape.max() - shape.min())


def coloured_uv(rng: np.random.Generator, shape: tuple[int, ...], rate_hz: float, rms_uv: float) -> NDArray[np.float64]:
    """White noise through a first-order low-pass at 300 Hz plus white: falls with frequency like EEG; RMS in 100-1500 Hz."""
    white = rng.standard_normal(shape)
    sos = butter(1, 300, fs=rate_hz, output="sos")
    noise = sosfilt(sos, rng.standard_normal(shape), axis=-1) + 0.1 * white
    band = sosfilt(butter(4, [100, 1500], "bandpass", fs=rate_hz, output="sos"), noise, axis=-1)
    return noise * rms_uv / band.std()


@dataclass
class Stream:
    """Samples (n_channels, n): EEG rows in uV, then the trigger; stamps; true onset positions in raw samples."""

    rate_hz: float
    samples: NDArray[np.float64]
    stamps_s: NDArray[np.float64]
    onsets: NDArray[np.float64]


def stream(
    rng: np.random.Generator,
    rate_hz: float = 8000.0,
    n_sweeps: int = 320,
    per_s: float = 47.1,
    nv: float = 400.0,
    latency_ms: float = 7.0,
    noise_uv: float = 2.0,
    channels: int = 1,
    trigger: str = "pulse",
    pause_ms: float = 20.0,
    fractional: bool = False,
    lead_s: float = 1.0,
    wave: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    random_interval_ms: float = 0.0,
) -> Stream:
    """A recording with responses in its first EEG channel. Trigger: "pulse", "bipolar", "inverted", "gate" or "codes".

    ``wave``: another response than wave V, in uV at times in ms."""
    spacing = rate_hz / per_s
    extra = np.repeat(rng.uniform(0, pause_ms * 1e-3 * rate_hz, n_sweeps // 16 + 1), 16)[: n_sweeps + 16]
    pauses = np.concatenate([[0], np.cumsum(np.where(np.arange(1, n_sweeps) % 16 == 0, extra[1:n_sweeps], 0.0))])
    onsets = lead_s * rate_hz + np.arange(n_sweeps) * spacing + pauses
    if random_interval_ms:
        onsets = onsets + rng.uniform(0, random_interval_ms * 1e-3 * rate_hz, n_sweeps)
    if not fractional:
        onsets = np.round(onsets)
    n = int(onsets[-1] + 0.2 * rate_hz)
    eeg = coloured_uv(rng, (channels, n), rate_hz, noise_uv) + 1000.0 if noise_uv else np.zeros((channels, n))
    line = np.zeros(n)
    for number, onset in enumerate(onsets):
        a, b = int(np.floor(onset)), int(onset + 0.03 * rate_hz)
        times_ms = (np.arange(a, b) - onset) * 1e3 / rate_hz
        eeg[0, a:b] += wave_v_uv(times_ms, latency_ms, nv) if wave is None else wave(times_ms)
        k = int(np.ceil(onset))
        one_ms = max(2, round(1e-3 * rate_hz))
        if trigger in ("pulse", "inverted"):
            line[k : k + one_ms] = 5.0 if trigger == "pulse" else -5.0
        elif trigger == "bipolar":
            line[k : k + one_ms], line[k + one_ms : k + 2 * one_ms] = 1.0, -1.0
        elif trigger == "gate":
            line[k : k + int(spacing / 2)] = 1.0
        elif trigger == "codes":
            line[k : k + one_ms] = 1 + 7 * (number % 3)
    return Stream(rate_hz, np.vstack([eeg, line]), 100.0 + np.arange(n) / rate_hz, onsets)


def layout(made: Stream) -> Layout:
    """All channels of a stream but the last as EEG, the last as its trigger."""
    count = len(made.samples)
    labels = (*(f"eeg {number}" for number in range(1, count)), "trigger")
    return Layout(made.rate_hz, labels, tuple(range(count - 1)), count - 1)


def chunks(made: Stream, sizes: Iterable[int]) -> Iterator[Chunk]:
    """The stream cut into pieces of these sizes; the last piece takes what is left."""
    start = 0
    for size in [*sizes, len(made.stamps_s)]:
        if start >= len(made.stamps_s):
            return
        yield Chunk(made.samples[:, start : start + size], made.stamps_s[start : start + size])
        start += size


def play(engine: Engine, made: Stream, sizes: Iterable[int] = ()) -> list[Event]:
    """Everything that the engine says to the stream, cut into pieces of these sizes."""
    return [event for chunk in chunks(made, sizes) for event in engine.feed(chunk)]


def spread_pulse(
    n: int, onsets: NDArray[np.float64], rate_hz: float, lobe_ms: float = 0.5, cutoff: float = 0.4, bipolar: bool = True
) -> NDArray[np.float64]:
    """A trigger line (n,) as a converter with a linear-phase low-pass at ``cutoff`` x rate sees ideal pulses of height 1."""
    half, fine = 16, 512
    t = np.arange(-half * fine, half * fine + 1) / fine
    kernel = np.sinc(2 * cutoff * t) * np.kaiser(len(t), 6.0)
    rise = np.cumsum(kernel) / kernel.sum()  # answer to a unit step at 0, on t
    lobe = lobe_ms * 1e-3 * rate_hz
    steps = [(0.0, 1.0), (lobe, -2.0), (2 * lobe, 1.0)] if bipolar else [(0.0, 1.0), (lobe, -1.0)]
    line = np.zeros(n)
    for onset in onsets:
        where = np.arange(max(0, int(onset) - half - 1), min(n, int(onset + 2 * lobe) + half + 2))
        for at, by in steps:
            line[where] += by * np.interp(where - onset - at, t, rise)
    return line


def band_gain(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain of a band from 100 to 1500 Hz with smooth edges 100 Hz wide (sharp ones would make neighbouring sweeps dependent)."""
    rise, fall = (np.sin(np.pi / 2 * np.clip(edge / 100, 0, 1)) ** 2 for edge in (hz - 50, 1550 - hz))
    return rise * fall


def band_wave_uv(
    n_times: int, start_ms: float, nv: float, latency_ms: float = 7.0, rate_hz: float = 4000.0
) -> NDArray[np.float64]:
    """What a wave V (n_times,) looks like in the band of ``band_sweeps_uv``; ``nv`` peak to trough there."""
    long = 4096
    t_ms = (np.arange(long) - long // 2) * 1e3 / rate_hz
    spectrum = np.fft.rfft(wave_v_uv(t_ms, latency_ms)) * band_gain(np.fft.rfftfreq(long, 1 / rate_hz))
    wave = np.fft.irfft(spectrum, long)
    at = long // 2 + round(start_ms * 1e-3 * rate_hz)
    return np.asarray(nv * 1e-3 * wave[at : at + n_times] / (wave.max() - wave.min()))


def band_sweeps_uv(
    rng: np.random.Generator, runs: int, sweeps: int, n_times: int, rms_uv: float = 2.0, rate_hz: float = 4000.0, every: int = 85
) -> NDArray[np.float64]:
    """Sweeps (runs, sweeps, n_times), one in every ``every`` samples of stationary Gaussian noise.

    Power as 1/f through ``band_gain``, made from random Fourier coefficients.
    """
    n = sweeps * every
    hz = np.fft.rfftfreq(n, 1 / rate_hz)
    power = band_gain(hz) ** 2 / np.maximum(hz, 1.0)
    size = np.sqrt(power / power.sum()) * n / 2 * rms_uv
    coefficients = (rng.standard_normal((runs, len(hz))) + 1j * rng.standard_normal((runs, len(hz)))) * size
    return np.fft.irfft(coefficients, n).reshape(runs, sweeps, every)[..., :n_times]
