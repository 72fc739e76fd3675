"""Position of raw samples in a file that counts samples only. Pure.

In such a file the time of a sample follows from its number. If the stamps show a loss, other samples are inserted, so that
everything after the loss keeps its time. A loss that is too long is only noted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.clock import Jump, StampWatch
from quietfloor.monitor.core.samples import Bools, Floats

LONGEST_FILL_S = 600.0  # own choice: of all gaps together; a longer break is a pause rather than a loss
MOST_JUMPS = 10_000  # own choice: stamps that jump more often are those of no regular stream
MOST_LOST = 2**53  # samples; a number that is larger says as much
MERGE_S = 0.1  # bad samples closer together are one stretch


class TimelineError(ValueError):
    """Raised if the stamps are not those of a regularly sampled stream."""


@dataclass(frozen=True)
class Timeline:
    """``jumps`` of the stamps, and the number of samples inserted before each of them."""

    rate_hz: float
    samples: int  # raw ones
    jumps: tuple[Jump, ...] = ()
    fills: tuple[int, ...] = ()

    @property
    def filled(self) -> int:
        return sum(self.fills)

    @property
    def length(self) -> int:
        """Samples in the file, without padding at its end."""
        return self.samples + self.filled

    def places(self, positions: Floats) -> Floats:
        """Positions in the file of raw sample numbers (n,), which may be fractions."""
        before = np.concatenate([[0], np.cumsum(self.fills, dtype=np.int64)])
        passed = np.searchsorted([jump.index for jump in self.jumps], positions, side="right")
        return np.asarray(positions + before[passed], dtype=np.float64)

    def spread(self, values: NDArray, length: int) -> NDArray:
        """Values (samples,) with inserted samples, padded to ``length``. The last value is repeated, so that no step and no
        trigger edge arises."""
        fills = np.zeros(self.samples, dtype=np.int64)
        for jump, fill in zip(self.jumps, self.fills, strict=True):
            fills[jump.index - 1] += fill
        fills[-1] += length - self.length
        return np.repeat(values, fills + 1) if fills.any() else values


def timeline_of(stamps_s: Floats, rate_hz: float) -> Timeline:
    """Timeline of the stamps (n,) of a recording, found as in a live run. Raises TimelineError."""
    if not len(stamps_s) or not rate_hz > 0:
        raise TimelineError("there are no regularly sampled data")
    try:
        with np.errstate(over="ignore"):
            jumps = [jump for jump in StampWatch(rate_hz).feed(stamps_s) if jump.index > 0]
    except OverflowError as error:
        raise TimelineError("its stamps are no times of a recording") from error
    if len(jumps) > MOST_JUMPS:
        raise TimelineError(f"its stamps jump {len(jumps):,} times, so that samples cannot stand for time")
    # A jump that is taken back later was a stalled sender: nothing is missing there.
    lost_before = [min(jump.lost_samples, MOST_LOST) for jump in jumps]
    missing = np.minimum.accumulate(np.array(lost_before[::-1], dtype=np.int64))[::-1]
    fills, room = [], int(LONGEST_FILL_S * rate_hz)
    for lost in np.diff(missing, prepend=0).tolist():
        fill = int(lost) if lost <= room else 0
        room -= fill
        fills.append(fill)
    return Timeline(rate_hz, len(stamps_s), tuple(jumps), tuple(fills))


def stretches(bad: Bools, apart: int) -> list[tuple[int, int]]:
    """Stretches (start, stop) of bad values (n,); stretches less than ``apart`` samples from each other are joined."""
    found: list[tuple[int, int]] = []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(np.int8)))
    for start, stop in edges.reshape(-1, 2).tolist():
        if found and start - found[-1][1] < apart:
            found[-1] = found[-1][0], stop
        else:
            found.append((start, stop))
    return found


def held(values: Floats) -> Floats:
    """Values (n,) in which non-finite values are replaced by the last finite one; 0 before the first."""
    good = np.isfinite(values)
    if good.all():
        return values
    last = np.maximum.accumulate(np.where(good, np.arange(len(values)), -1))
    return np.where(last >= 0, values[last], 0.0)

