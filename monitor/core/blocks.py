"""Blocks of a stream: chunks of any size are joined, and cut where the engine sets the ends."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .samples import Chunk, Floats


class Blocks:
    """``take`` chunks, then iterate over ``complete``. ``end`` is the raw sample at which the next block is complete."""

    def __init__(self, end: int) -> None:
        self.end = end
        self._held: list[tuple[NDArray[Any], Floats]] = []  # samples and stamps that were taken in, not given out
        self._first = 0  # raw sample at which they begin
        self._arrived = 0  # raw samples up to their end

    def take(self, chunk: Chunk) -> None:
        self._held.append((chunk.samples, chunk.stamps_s))
        self._arrived += len(chunk.stamps_s)

    def complete(self, to_the_end: bool = False) -> Iterator[tuple[Floats, Floats]]:
        """Yield samples (n_channels, n) and stamps (n,) of every complete block, as copies in float64. The caller sets ``end``
        after each block. ``to_the_end``: also yield the rest as a last block."""
        if self._first == self._arrived or (self._arrived < self.end and not to_the_end):
            return
        with np.errstate(invalid="ignore"):  # signalling NaN becomes nan, and is a fault like any other
            samples = np.concatenate([samples for samples, _ in self._held], axis=1, dtype=np.float64)
        stamps_s = np.concatenate([stamps_s for _, stamps_s in self._held])
        begin = self._first
        while self._first < self._arrived and (self.end <= self._arrived or to_the_end):
            stop = min(self.end, self._arrived)
            block = slice(self._first - begin, stop - begin)
            self._first = stop
            yield samples[:, block], stamps_s[block]
        rest = slice(self._first - begin, None)
        self._held = [(samples[:, rest], stamps_s[rest])] if self._first < self._arrived else []
