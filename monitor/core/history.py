"""The recent past of a few channels, addressed by absolute sample number."""

from __future__ import annotations

import numpy as np

from .samples import Floats


class History:
    """Keeps at least the last ``keep`` columns that were appended; older columns are dropped in bulk."""

    def __init__(self, n_channels: int, keep: int, first: int = 0) -> None:
        self._keep = keep
        self._data = np.empty((n_channels, 2 * keep))
        self._used = 0
        self.first = first  # absolute number of the oldest column that is kept

    @property
    def stop(self) -> int:
        return self.first + self._used

    def append(self, columns: Floats) -> None:
        """Add columns (n_channels, n)."""
        n = columns.shape[1]
        if self._used + n > self._data.shape[1]:
            drop = max(0, self._used - self._keep)
            rest = self._used - drop
            if rest + n > self._data.shape[1]:
                grown = np.empty((self._data.shape[0], 2 * (rest + n)))
                grown[:, :rest] = self._data[:, drop : self._used]
                self._data = grown
            else:
                self._data[:, :rest] = self._data[:, drop : self._used].copy()
            self._used = rest
            self.first += drop
        self._data[:, self._used : self._used + n] = columns
        self._used += n

    def get(self, start: int, stop: int) -> Floats:
        """Columns ``start`` to ``stop``, (n_channels, stop - start). Raises LookupError if any of them is not kept."""
        if start < self.first or stop > self.stop:
            raise LookupError(f"columns {start} to {stop} are not within {self.first} to {self.stop}, which are kept")
        return self._data[:, start - self.first : stop - self.first]
