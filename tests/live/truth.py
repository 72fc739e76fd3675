"""What comes out if all is well: the average of a foreign stream, through the reported band; where a search sees a response."""

from __future__ import annotations

import csv
from functools import cache
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.simulated_staircases import FINE_HZ, LONG_S
from quietfloor.bench.validate.rates import sound_of
from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.search.choice import Wanted
from tests.synthetic import wave_v_uv

Floats = NDArray[np.float64]


def expected_uv(times_ms: Floats, band: Band, latency_ms: float, nv: float, per_s: float) -> Floats:
    """The response and its neighbours before and after, filtered with zero phase in the frequency domain."""
    fine_hz = 64000.0
    t = np.arange(-100.0, 100.0, 1e3 / fine_hz)
    train = sum(wave_v_uv(t - k * 1e3 / per_s, latency_ms, nv) for k in (-2, -1, 0, 1, 2))
    spectrum = np.fft.rfft(train) * band.response(np.fft.rfftfreq(len(t), 1 / fine_hz))
    return np.interp(times_ms, t, np.fft.irfft(spectrum, len(t)))


def read_average(path: Path) -> dict[str, Floats]:
    with open(path, encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name] or "nan") for row in rows]) for name in rows[0]}


def peak_ms(times_ms: Floats, curve_uv: Floats) -> float:
    """Time of the highest point, on a parabola through it and its neighbours."""
    k = int(np.argmax(curve_uv))
    a, b, c = curve_uv[k - 1 : k + 2]
    return float(times_ms[k] + 0.5 * (a - c) / (a - 2 * b + c) * (times_ms[1] - times_ms[0]))


@cache
def seen_above_db(frequency_hz: float) -> float:
    """How far above the hidden threshold of the virtual patient an octave chirp evokes what counts as a response, in dB."""
    times_ms = 1e3 * (np.arange(round(LONG_S * FINE_HZ)) / FINE_HZ - LONG_S / 2)
    for above_db in count():
        sound = sound_of("left", frequency_hz, float(above_db))
        window = (times_ms >= sound.window_ms[0]) & (times_ms <= sound.window_ms[1])
        if np.sqrt(np.mean(sound.response_uv[window] ** 2)) >= Wanted().visible_uv:
            return float(above_db)
    raise AssertionError
