"""Measure how small a trigger may be: pulses of this program, recorded by a converter with noise, found as in a run.

The size is that of one lobe over the standard deviation of the channel's noise, the number that ``quietfloor check`` says of a
trigger. Run it as ``python -m quietfloor.bench.timing_check.trigger_size``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.converter import Line
from quietfloor.monitor.core.onsets import OnsetFinder
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli.calibration import EARS
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import click

AUDIO_HZ = 48_000.0
RATES_HZ = (4000.0, 8000.0, 16_000.0)
SIZES = (8.0, 10.0, 12.0, 14.0, 16.0, 20.0, 30.0, 60.0, 120.0)
NEAR_MS = 1.0  # of the true place: an onset farther away is a false one
LEAST_FOUND = 0.999  # own choice: what is enough
LARGEST_SD_MS = 0.1  # as in a timing check


@dataclass(frozen=True)
class Found:
    """Of one size at one rate: ``sent`` triggers, how many were ``missed``, how many onsets were ``false``, their scatter."""

    rate_hz: float
    size: float
    sent: int
    missed: int
    false: int
    sd_ms: float

    @property
    def enough(self) -> bool:
        return self.missed + self.false <= (1.0 - LEAST_FOUND) * self.sent and self.sd_ms <= LARGEST_SD_MS


@lru_cache(maxsize=1)
def line_of(sweeps: int, rate_hz: float, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Trigger channel (n,) with lobes of 1.0, without noise, and the true onsets (sweeps,) in samples of it."""
    schedule = Schedule(47.1, AUDIO_HZ, n_sweeps=sweeps, seed=seed, lead_in_s=1.0)
    frames = FrameSource(click(AUDIO_HZ), 0.0, EARS[0], schedule, Ceiling("insert", "adult"))
    assert frames.total_samples is not None
    held = frames.read(frames.total_samples)[2].astype(np.float64)
    held /= held.max()
    converter = Line(AUDIO_HZ, rate_hz)
    converter.feed(np.pad(held, (0, 2 * converter.frames_ahead)))
    times_s = np.arange(int(held.size * rate_hz / AUDIO_HZ)) / rate_hz
    pieces = np.array_split(times_s, max(1, times_s.size // 400))  # edges by samples at once
    line = np.concatenate([converter.read(piece) for piece in pieces])
    return line, np.array([sweep.onset_sample for sweep in frames.sweeps]) * rate_hz / AUDIO_HZ


def find(size: float, rate_hz: float, sweeps: int = 2000, seed: int = 1) -> Found:
    """Look for triggers of this size in a channel with Gaussian noise."""
    line, true = line_of(sweeps, rate_hz, seed)
    noise = np.random.default_rng([seed, round(100 * size), round(rate_hz)]).standard_normal(line.size)
    finder = OnsetFinder(rate_hz, TriggerSettings(unit_mark_ms=0.75, break_mark_ms=1.25, device_break_mark_ms=1.75))
    onsets = [onset for piece in np.array_split(size * line + noise, line.size // 800) for onset in finder.feed(piece)]
    places = np.array([onset.position for onset in [*onsets, *finder.cut_off()] if not onset.breaks])
    if not places.size:
        return Found(rate_hz, size, sweeps, sweeps, 0, np.nan)
    at = np.searchsorted(0.5 * (true[1:] + true[:-1]), places)  # the nearest true one
    off = places - true[at]
    near = np.abs(off) <= NEAR_MS * 1e-3 * rate_hz
    missed = sweeps - len(set(at[near].tolist()))
    sd_ms = 1e3 * float(np.std(off[near])) / rate_hz if near.any() else np.nan
    return Found(rate_hz, size, sweeps, missed, int(np.count_nonzero(~near)), sd_ms)


def table(found: Sequence[Found]) -> str:
    rows = ["EEG rate   size     missed    false   SD ms   enough"]
    rows += [
        f"{one.rate_hz:8.0f} {one.size:6.0f} {one.missed:6d}/{one.sent} {one.false:8d} {one.sd_ms:7.4f}   "
        + ("yes" if one.enough else "no")
        for one in found
    ]
    return "\n".join(rows)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.timing_check.trigger_size", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--sweeps", type=int, default=2000, metavar="N", help="number of triggers for each row (2000)")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    found = [find(size, rate_hz, args.sweeps, args.seed) for rate_hz in RATES_HZ for size in SIZES]
    sys.stdout.write(table(found) + "\n")
    for rate_hz in RATES_HZ:
        of_rate = [one for one in found if one.rate_hz == rate_hz]
        least = min((a.size for a in of_rate if all(b.enough for b in of_rate if b.size >= a.size)), default=np.nan)
        sys.stdout.write(f"{rate_hz:g} Hz: enough from {least:g} standard deviations of the noise on\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
