"""Correlation as dot products, for a few channels at once."""

from __future__ import annotations

import numpy as np

from .samples import Floats


def correlate(rows: Floats, taps: Floats, step: int = 1) -> Floats:
    """Every ``step``-th correlation of rows (n_channels, n) with taps (n_taps,) that has all its data: (n_channels, n_outputs).

    Each output is one dot product, as in ``np.correlate``, with the same bits at any place in the rows. A matrix product would
    not guarantee that. Outputs between the steps are not computed.
    """
    count = max(0, (rows.shape[1] - len(taps)) // step + 1)
    rows = np.ascontiguousarray(rows)
    across, along = rows.strides
    shape = (len(rows), count, 1, len(taps))  # windows as rows of one line: for these matmul takes the dot product of BLAS
    windows: Floats = np.ndarray(shape, rows.dtype, rows, 0, (across, step * along, along, along))
    return np.asarray((windows @ taps[:, np.newaxis])[..., 0, 0])
