"""Summary of every 50 ms of raw EEG: enough to detect an input at its limit, a flat input, an offset and its drift. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.artefacts import raw_faults
from quietfloor.monitor.core.samples import Bools, Floats

PIECE_S = 0.05  # two and a half periods of 50 Hz: hum that is clipped shows in each


@dataclass(frozen=True)
class Piece:
    """Summary of 50 ms of all EEG channels in stream units, each (n_channels,): mean, largest magnitude, smallest step,
    faults."""

    mean: Floats
    largest: Floats
    step: Floats  # inf where no two samples differ
    still: Bools
    limited: Bools  # flat or at its limit in part, as a run would see it in a sweep
    held: Floats  # part of neighbouring samples that are equal
    finite: Bools


def piece_of(eeg: Floats, rate_hz: float, finite: Bools) -> Piece:
    """Summarise one piece of EEG (n_channels, n); a channel that is not finite is treated as zeros and has only that fault."""
    steps = np.abs(np.diff(eeg, axis=1))
    equal = steps == 0.0
    still: Bools = equal.all(axis=1)
    faults = raw_faults(eeg, rate_hz)
    return Piece(
        mean=np.asarray(eeg.mean(axis=1)),
        largest=np.asarray(np.abs(eeg).max(axis=1)),
        step=np.asarray(np.where(equal, np.inf, steps).min(axis=1)),
        still=still,
        limited=np.array([fault is not None for fault in faults], dtype=np.bool_) & ~still,
        held=np.asarray(equal.mean(axis=1)),
        finite=finite,
    )
