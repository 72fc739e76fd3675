"""Model of an analogue-to-digital converter that samples a piecewise constant voltage: a third-order sinc filter, in continuous
time.

The trigger line holds the value of each audio sample for one audio period (the edge is at sample n / rate). Before it takes a
sample, the converter averages three times over its own period T. The kernel is the quadratic B-spline, 3 T wide, symmetric,
without overshoot, -3 dB at 0.26 of the rate. Common open EEG converters work in this way (third-order sinc decimation; status:
from memory). An edge therefore extends over three samples, and its half height is exactly at the edge, wherever the edge falls
between two samples.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

HALF_WIDTH = 1.5  # of the kernel, in periods of the converter


def step(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Response to a unit step at 0 of a converter that samples `x` periods later: 0 before -1.5, 1/2 at 0, 1 after 1.5."""
    x = np.clip(x, -HALF_WIDTH, HALF_WIDTH)
    # Integral of the quadratic B-spline, as truncated cubes about its knots.
    above = [np.maximum(x - knot, 0.0) for knot in (-1.5, -0.5, 0.5)]
    cubes = [part * part * part for part in above]
    out: NDArray[np.float64] = (cubes[0] - 3.0 * cubes[1] + 3.0 * cubes[2]) / 6.0
    return out


def reach_frames(input_rate_hz: float, output_rate_hz: float) -> int:
    """Input frames that one output sample needs on either side of its own time, rounded up."""
    return int(np.ceil(HALF_WIDTH * input_rate_hz / output_rate_hz)) + 1


def convert(
    held: NDArray[np.float64], first_frame: int, input_rate_hz: float, times_s: NDArray[np.float64], output_rate_hz: float
) -> NDArray[np.float64]:
    """Samples (n,) taken at `times_s` (n,) of the signal that holds `held[i]` over [first_frame + i, first_frame + i + 1) frames.

    `held` must reach `reach_frames` beyond the times on both sides; `times_s` ascends. A sample is the level held where its
    kernel begins plus the part of each later edge that the kernel has passed.
    """
    frames = times_s * input_rate_hz
    ratio = output_rate_hz / input_rate_hz
    begins = np.floor(frames - HALF_WIDTH / ratio).astype(np.int64)
    out = held[begins - first_frame]
    near = held[begins[0] - first_frame : int(frames[-1] + HALF_WIDTH / ratio) + 1 - first_frame]
    jumps = np.diff(near)
    (where,) = np.nonzero(jumps)
    if where.size:
        edges = (where + 1 + begins[0])[:, None]
        passed = np.where(edges > begins, step((frames - edges) * ratio), 0.0)
        out = out + np.sum(jumps[where][:, None] * passed, axis=0)
    return out


class Line:
    """A held voltage at the input of the converter. Samples are taken up to `back_s` before and `ahead_s` after the converter's
    own time. Therefore `frames_ahead` frames after that time must have arrived; `forget_before` takes that time, in frames."""

    def __init__(self, input_rate_hz: float, output_rate_hz: float, back_s: float = 0.0, ahead_s: float = 0.0) -> None:
        self._input_rate_hz, self._output_rate_hz = input_rate_hz, output_rate_hz
        reach = reach_frames(input_rate_hz, output_rate_hz)
        self._back = reach + int(np.ceil(back_s * input_rate_hz))
        self.frames_ahead = reach + int(np.ceil(ahead_s * input_rate_hz))
        self._held = np.zeros(self._back)
        self._from = -self._back  # frame of the first value held; before frame 0 there was silence

    def feed(self, values: NDArray[np.floating]) -> None:
        """Add the next frames (n,)."""
        self._held = np.concatenate([self._held, np.nan_to_num(values.astype(np.float64))])

    def read(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Samples (n,) at ascending times (n,), frame 0 being time 0."""
        return convert(self._held, self._from, self._input_rate_hz, times_s, self._output_rate_hz)

    def forget_before(self, frame: int) -> None:
        """Report that the converter's own time has reached this frame; older values are dropped."""
        first = frame - self._back
        if first > self._from:
            self._held = self._held[first - self._from :].copy()
            self._from = first
