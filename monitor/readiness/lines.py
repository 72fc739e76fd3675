"""Spectral lines: mains with its harmonics, and a single tone. Pure; amplitudes are peak values of a sine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from quietfloor.monitor.core.samples import Floats

HIGHEST_HZ = 1000.0  # own choice: harmonics of mains beyond it are below the noise of an average electrode
MAINS_TOLERANCE_HZ = 0.5  # own choice: grids stay within 0.2 Hz of 50 or 60, local generators do not
CLEAR = 16.0  # times the power of the noise around it; noise alone passes it once in about e^16 looks
NEAR_HZ = (2.0, 10.0)  # noise around a line is measured at this distance from it
FINER = 4  # points of the spectrum for each that n samples give: a line between two of them loses 0.06 dB at most
TEST_TONE_HZ = (30.7, 31.8)  # 31.25 Hz: clock over 2^16 in a common converter for open boards (its data sheet, from memory)


@dataclass(frozen=True)
class Line:
    """A tone that stands out of the noise: amplitude in the unit of the samples."""

    hz: float
    amplitude: float


@dataclass(frozen=True)
class Mains:
    """Mains in one channel: its frequency, the harmonics that stand out, and the smallest fundamental that would stand out."""

    hz: float
    lines: tuple[Line, ...]
    least: float


class Spectrum:
    """Amplitudes of x (n_channels, n) at ``rate_hz``. Needs at least 1 s."""

    def __init__(self, x: Floats, rate_hz: float) -> None:
        n = x.shape[1]
        window = np.hanning(n + 1)[:n]
        points = next_fast_len(FINER * n, real=True)
        spectrum = np.fft.rfft((x - x.mean(axis=1, keepdims=True)) * window, points, axis=1)
        self.hz = np.fft.rfftfreq(points, 1 / rate_hz)
        self.power = (2.0 * np.abs(spectrum) / window.sum()) ** 2  # (n_channels, points): amplitude squared
        self.step_hz = rate_hz / points
        self._lobe_hz = 2.0 * rate_hz / n  # half the width of a line

    def at(self, hz: float, reach_hz: float) -> tuple[Floats, Floats]:
        """Largest power (n_channels,) within ``reach_hz`` of ``hz``, and where (Hz)."""
        first = max(0, round((hz - reach_hz) / self.step_hz))
        part = self.power[:, first : round((hz + reach_hz) / self.step_hz) + 1]
        return part.max(axis=1), self.hz[first + part.argmax(axis=1)]

    def around(self, hz: float) -> Floats:
        """Mean power of the noise (n_channels,) around ``hz``, estimated from the median, which other lines do not raise."""
        nearest = max(NEAR_HZ[0], self._lobe_hz)
        distance = np.abs(self.hz - hz)
        beside = (distance >= nearest) & (distance <= max(NEAR_HZ[1], 3 * nearest)) & (self.hz > 0)
        return np.asarray(np.median(self.power[:, beside], axis=1) / np.log(2.0))


def find_mains(spectrum: Spectrum, candidates_hz: tuple[float, ...]) -> tuple[Mains, ...]:
    """Mains in each channel: the candidate frequency with the largest lines, refined to fit all channels and harmonics best."""
    found = [_mains(spectrum, hz) for hz in candidates_hz]
    sizes = [sum(line.amplitude**2 for mains in channels for line in mains.lines) for channels in found]
    return found[int(np.argmax(sizes))]


def _mains(spectrum: Spectrum, nominal_hz: float) -> tuple[Mains, ...]:
    top_hz = min(HIGHEST_HZ, 0.95 * spectrum.hz[-1])
    orders = np.arange(1, int(top_hz / nominal_hz) + 1)
    noise = np.array([spectrum.around(order * nominal_hz) for order in orders])  # (orders, n_channels)
    noise = np.maximum(noise, np.finfo(float).tiny)
    grid_hz = nominal_hz + np.arange(-MAINS_TOLERANCE_HZ, MAINS_TOLERANCE_HZ + 0.005, 0.01)
    places = np.rint(np.multiply.outer(grid_hz, orders) / spectrum.step_hz).astype(int)
    scores = (spectrum.power[:, places] / noise.T[:, np.newaxis, :]).sum(axis=(0, 2))
    hz = float(grid_hz[int(scores.argmax())])
    channels: list[list[Line]] = [[] for _ in spectrum.power]
    for order, beside in zip(orders, noise, strict=True):
        power, where = spectrum.at(order * hz, max(0.15, spectrum.step_hz))
        for lines, own, about, place in zip(channels, power, beside, where, strict=True):
            if own > CLEAR * about:
                lines.append(Line(float(place), float(np.sqrt(own - about))))
    least = np.sqrt(CLEAR * noise[0])
    return tuple(Mains(hz, tuple(lines), float(size)) for lines, size in zip(channels, least, strict=True))


def find_tone(spectrum: Spectrum, within_hz: tuple[float, float] = TEST_TONE_HZ) -> tuple[Line | None, ...]:
    """The steady tone of each channel between two frequencies in Hz, None without one. Brain rhythms are broader and do not
    count."""
    low, high = within_hz
    power, where = spectrum.at((low + high) / 2, (high - low) / 2)
    found: list[Line | None] = []
    for channel, (own, hz) in enumerate(zip(power, where, strict=True)):
        beside = spectrum.around(float(hz))[channel]
        found.append(Line(float(hz), float(np.sqrt(own - beside))) if own > 2 * CLEAR * beside else None)
    return tuple(found)
