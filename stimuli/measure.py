"""Level of a measuring sound in a recording. Pure: arrays in, numbers out; all levels are re a sample value of 1.0.

A recording may begin and end at any time, and its clock may differ from that of the sound by some 100 ppm.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from quietfloor.stimuli.levels import REFERENCE_TRAIN_PER_S

LEAST_ABOVE_NOISE_DB = 20.0  # own choice: noise 20 dB down moves a level by 0.04 dB in the mean
_NEAR, _FAR = 4, 24  # bins of the spectrum: the tone is inside the first, the noise beside it up to the second


class MeasureError(ValueError):
    """Raised if the recording does not contain the sound that was played."""


def tone_rms(samples: ArrayLike, rate_hz: float, frequency_hz: float) -> float:
    """RMS of the tone in a recording (n,), from the spectrum around its frequency. Raises MeasureError when there is none."""
    x = np.asarray(samples, dtype=np.float64)
    if x.size < 0.2 * rate_hz or not np.all(np.isfinite(x)):
        raise MeasureError(f"{x.size / rate_hz:.2f} s of recording: at least 0.2 s are needed, all of it finite")
    if not 0.0 < frequency_hz < 0.45 * rate_hz:
        raise MeasureError(f"a tone of {frequency_hz:g} Hz is not in a recording at {rate_hz:g} Hz")
    window = signal.windows.hann(x.size, sym=False)
    density = np.abs(np.fft.rfft((x - x.mean()) * window)) ** 2
    at = round(frequency_hz * x.size / rate_hz)
    bins = np.abs(np.arange(density.size) - at)
    energy = 2.0 * density[bins <= _NEAR].sum() / (x.size * np.sum(window**2))
    beside = density[(bins > 2 * _NEAR) & (bins <= _FAR)]
    noise = 2.0 * beside.mean() * (2 * _NEAR + 1) / (x.size * np.sum(window**2)) if beside.size else 0.0
    if not energy > noise * 10.0 ** (LEAST_ABOVE_NOISE_DB / 10.0):
        raise MeasureError(
            f"no tone of {frequency_hz:g} Hz stands {LEAST_ABOVE_NOISE_DB:g} dB above the noise beside it: is the output "
            "connected to this input?"
        )
    return math.sqrt(float(energy - noise))


def steady_part(samples: ArrayLike, rate_hz: float, frequency_hz: float) -> NDArray[np.float64]:
    """The longest part with constant level of a recording (n,) in which a tone rises, stays and falls. Raises MeasureError."""
    x = np.asarray(samples, dtype=np.float64)
    length = max(1, round(0.05 * rate_hz))
    count = x.size // length
    if count < 4:
        raise MeasureError(f"{x.size / rate_hz:.2f} s of recording: at least 0.2 s are needed")
    turning = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(count * length))
    sizes = np.abs((np.nan_to_num(x[: count * length] - x.mean()) * turning).reshape(count, length).mean(axis=1))
    full = np.flatnonzero(sizes > 0.95 * np.quantile(sizes, 0.9))
    longest = max(np.split(full, np.flatnonzero(np.diff(full) > 1) + 1), key=len)
    if longest.size < 4:
        raise MeasureError(f"no tone of {frequency_hz:g} Hz stays: is the output connected to this input?")
    return x[longest[0] * length : (longest[-1] + 1) * length]


def train_peak_to_peak(samples: ArrayLike, rate_hz: float, rate_per_s: float = REFERENCE_TRAIN_PER_S) -> float:
    """Peak-to-peak value of the sound in a recorded train, averaged over its periods; peaks between samples are included."""
    period = _average_period(samples, rate_hz, rate_per_s)
    fine = signal.resample(period, 8 * period.size)
    return float(fine.max() - fine.min())


def train_rms(samples: ArrayLike, rate_hz: float, rate_per_s: float = REFERENCE_TRAIN_PER_S) -> float:
    """RMS of the recorded train over whole periods, without the noise: the quantity of L_Zeq."""
    return math.sqrt(float(np.mean(_average_period(samples, rate_hz, rate_per_s) ** 2)))


def _average_period(samples: ArrayLike, rate_hz: float, rate_per_s: float) -> NDArray[np.float64]:
    """Mean of all whole periods, each shifted onto the first by a fraction of a sample. Raises MeasureError."""
    x = np.asarray(samples, dtype=np.float64)
    length = round(rate_hz / rate_per_s)
    count = x.size // length
    if count < 5 or not np.all(np.isfinite(x)):
        raise MeasureError(f"{x.size / rate_hz:.2f} s of recording: at least 5 periods of the train are needed, all finite")
    periods = (x - x.mean())[: count * length].reshape(count, length)
    energy = np.sum(periods**2, axis=1)
    periods = periods[energy > 0.9 * np.quantile(energy, 0.9)]  # not those before and after the train
    count = len(periods)
    spectra = np.fft.rfft(periods, axis=1)
    phases = np.arange(spectra.shape[1]) * 2.0 * np.pi / length
    shifts = _shifts(spectra, phases)
    aligned = np.fft.irfft(spectra * np.exp(1j * phases * shifts[:, np.newaxis]), n=length, axis=1)
    mean = aligned.mean(axis=0)
    left = float(np.mean((aligned - mean) ** 2)) / count
    if not np.mean(mean**2) > left * 10.0 ** (LEAST_ABOVE_NOISE_DB / 10.0):
        raise MeasureError("no train of sounds stands out of the noise: is the output connected to this input?")
    return np.asarray(mean - np.median(mean))


def _shifts(spectra: NDArray[np.complex128], phases: NDArray[np.float64]) -> NDArray[np.float64]:
    """Delay of each period against the first, in samples: a straight line, because clocks drift, fitted to the single delays."""
    middle = spectra[spectra.shape[0] // 2]
    late = []
    for spectrum in spectra:
        across = spectrum * np.conj(middle)
        match = np.fft.irfft(across)
        at = int(np.argmax(match))
        at = at - match.size if at > match.size // 2 else at
        turned = np.angle(across * np.exp(1j * phases * at))
        weight = np.abs(across)
        late.append(at - float(np.sum(weight * phases * turned) / np.sum(weight * phases**2)))
    order = np.arange(len(late), dtype=np.float64)
    slope, start = np.polyfit(order, late, 1)
    return np.asarray(start + slope * order)
