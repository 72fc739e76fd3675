"""The incoming signal reduced for a screen: lowest and highest value in each of a fixed number of columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.samples import Floats

Singles = NDArray[np.float32]  # half the memory


class MinMaxRing:
    """The last ``columns`` spans of ``raw_per_column`` raw samples of a signal; memory and work never grow.

    Columns are counted from raw sample 0 on, so what a column holds does not depend on how the signal came.
    """

    def __init__(self, n_channels: int, columns: int, raw_per_column: float) -> None:
        if columns < 2 or not raw_per_column > 0:
            raise ValueError(f"{columns} columns of {raw_per_column} samples: give at least 2 columns of more than 0 samples")
        self._columns = columns
        self._raw_per_column = raw_per_column
        self._low = np.full((n_channels, columns), np.nan, dtype=np.float32)
        self._high = np.full((n_channels, columns), np.nan, dtype=np.float32)
        self._newest = -1  # number of the newest column

    @property
    def newest(self) -> int:
        """Number of the newest column, -1 before the first point."""
        return self._newest

    def add(self, first_raw: float, step: float, values: Floats | Singles) -> None:
        """Add values (n_channels, n), the first at raw sample ``first_raw``, ``step`` raw samples apart, in order of time."""
        n = values.shape[1]
        if n == 0:
            return
        at = ((first_raw + np.arange(n) * step) / self._raw_per_column).astype(np.int64)
        if at[-1] - self._columns >= at[0]:  # only the end of it will ever be seen
            keep = at > at[-1] - self._columns
            at, values = at[keep], values[:, keep]
        starts = np.flatnonzero(np.diff(at, prepend=at[0] - 1))
        low, high = np.minimum.reduceat(values, starts, axis=1), np.maximum.reduceat(values, starts, axis=1)
        numbers = at[starts]
        self._make_room(int(numbers[-1]))
        places = numbers % self._columns
        self._low[:, places] = np.fmin(self._low[:, places], low)
        self._high[:, places] = np.fmax(self._high[:, places], high)

    def _make_room(self, newest: int) -> None:
        fresh = min(newest - self._newest, self._columns)
        if fresh > 0:
            places = np.arange(newest - fresh + 1, newest + 1) % self._columns
            self._low[:, places] = self._high[:, places] = np.nan
            self._newest = newest

    def window(self, count: int | None = None, end: int | None = None) -> tuple[Singles, Singles]:
        """Lowest and highest (n_channels, count) each, oldest column first, nan where nothing came or it is forgotten.

        ``end`` is the number after the last column that is wanted; by default all columns, up to the newest.
        """
        count = self._columns if count is None else count
        end = self._newest + 1 if end is None else end
        numbers = np.arange(end - count, end)
        order = numbers % self._columns
        low, high = self._low[:, order], self._high[:, order]
        unknown = (numbers <= self._newest - self._columns) | (numbers > self._newest)
        if unknown.any():
            low[:, unknown] = high[:, unknown] = np.nan
        return low, high
