"""Prior of a response across levels, before anything is recorded: threshold, growth, latency and waveform.

Sizes and growth: wave V of a click is 256, 368, 407 nV at 20, 40, 60 dB nHL in 20 adults; single ears differ by 61 to 162 nV (SD;
Elberling, Callo & Don 2010, J Acoust Soc Am 128:215, secondary). Such rows follow ``size x / (x + half)``, with x in dB above the
level at which the response begins, about 480 nV and 17 dB. In ears with a loss responses grow faster (recruitment); to tone
bursts they grow less. The spreads below are own choice and wide enough for both. Latencies are those of
`quietfloor.monitor.waves.expected`, by level, shifted earlier or later as a whole, and steeper or flatter with level. Waveforms
are those of the evidence with free deviations (own choice).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import qmc

from quietfloor.monitor.core.evidence import SHAPES, Gain, response_bank
from quietfloor.monitor.core.samples import Floats

# Own choice but for the sources above: median and SD of the logarithm.
SIZE_UV, SIZE_SPREAD = 0.28, 0.5  # peak to trough, far above the begin
HALF_DB, HALF_SPREAD = 18.0, 0.5  # above the begin, half of the size is reached
POWER = (1.0, 2.5)  # of the growth: above 1 with a toe
LEAST_SIZE = 1.2  # times what is visible: a smaller response has no threshold
BELOW_DB, ABOVE_DB = 15.0, 15.0  # the threshold may lie so far below the softest, and above the loudest level
CURVES = 4096
OFFSET_STEP_MS, SHIFT_MS = 0.3, 0.25
STEEPER = (0.6, 0.8, 1.05, 1.4, 1.9)  # how latency follows level, times what is expected
REFERENCE_DB = 60.0  # level at which the offsets of latency count
DEVIATIONS, DEVIATION_SHARE = 8, 0.5  # directions of the form that are learned; their RMS as a part of the wave's
DEVIATION_LENGTH_MS, DEVIATION_CENTRE_MS, DEVIATION_SPREAD_MS = 0.6, 1.0, 2.0


def spread_out(count: int, dimensions: int) -> Floats:
    """Points (count, dimensions) that fill the unit cube evenly, none on its border; ``count`` a power of 2."""
    return np.asarray(qmc.Sobol(dimensions, scramble=False).random(count) + 0.5 / count)


@dataclass(frozen=True)
class GrowthPrior:
    """Prior of growth curves over levels from ``softest_db`` to ``loudest_db``: uniform over the unit cube of threshold, size,
    half and power.

    ``visible_uv``: RMS over the window at the threshold. ``rms_per_peak``: RMS of a wave of 1 uV peak to trough.
    """

    softest_db: float
    loudest_db: float
    visible_uv: float
    rms_per_peak: float

    @property
    def range_db(self) -> float:
        """Over which thresholds are spread."""
        return self.loudest_db + ABOVE_DB - (self.softest_db - BELOW_DB)

    def curves(self, cube: Floats) -> Growths:
        """The curves that belong to points (n_curves, 4) of the cube."""
        low = self.softest_db - BELOW_DB
        size_uv = self.rms_per_peak * SIZE_UV * np.exp(SIZE_SPREAD * ndtri(cube[:, 1]))
        return Growths(
            threshold_db=low + self.range_db * cube[:, 0],
            size_uv=np.maximum(size_uv, LEAST_SIZE * self.visible_uv),
            half_db=HALF_DB * np.exp(HALF_SPREAD * ndtri(cube[:, 2])),
            power=POWER[0] + (POWER[1] - POWER[0]) * cube[:, 3],
            visible_uv=self.visible_uv,
        )


@dataclass(frozen=True)
class Growths:
    """Growth curves (n_curves,): sizes in uV RMS over the response window, ``visible_uv`` at the threshold; levels in dB nHL.

    ``size x^power / (x^power + half^power)``, with x in dB above the level at which the response begins; that level follows from
    the threshold.
    """

    threshold_db: Floats
    size_uv: Floats
    half_db: Floats
    power: Floats
    visible_uv: float

    @property
    def begin_db(self) -> Floats:
        ratio = self.visible_uv / (self.size_uv - self.visible_uv)
        return np.asarray(self.threshold_db - self.half_db * ratio ** (1.0 / self.power))

    def at(self, levels_db: Floats) -> Floats:
        """RMS (n_levels, n_curves) in uV."""
        above = np.maximum(np.asarray(levels_db)[:, np.newaxis] - self.begin_db, 0.0) ** self.power
        return np.asarray(self.size_uv * above / (above + self.half_db**self.power))


@dataclass(frozen=True)
class Waves:
    """Waveforms and latencies of the response over the window, for each level.

    ``times_ms`` (n_points,) must be evenly spaced. ``brackets_ms`` (n_levels, 2): earliest and latest expected latency, not
    limited to the window. ``gain``: that of the filter, see ``response_bank``.
    """

    times_ms: Floats
    levels_db: Floats
    brackets_ms: Floats
    gain: Gain | None = None

    @cached_property
    def latencies_ms(self) -> Floats:
        """Latencies of each path (n_paths, n_levels) in ms."""
        low, high = self.brackets_ms.T
        widest = float((high - low).max())
        middle = (low + high) / 2
        reference = float(np.interp(REFERENCE_DB, self.levels_db, middle))
        offsets = np.arange(-widest / 2, widest / 2 + 1e-9, OFFSET_STEP_MS)
        return np.array([reference + offset + steeper * (middle - reference) for steeper in STEEPER for offset in offsets])

    @cached_property
    def shifts_ms(self) -> Floats:
        """Latencies (n_shifts,) in ms at which waveforms are stored; paths are rounded to them."""
        first, last = self.times_ms[0] - 1.0, self.times_ms[-1] + 1.0
        return np.asarray(np.arange(first, last + SHIFT_MS, SHIFT_MS), dtype=np.float64)

    @cached_property
    def places(self) -> NDArray[np.int64]:
        """Index of the shift of each path at each level (n_paths, n_levels)."""
        nearest = np.rint((self.latencies_ms - self.shifts_ms[0]) / SHIFT_MS).astype(np.int64)
        return np.asarray(np.clip(nearest, 0, len(self.shifts_ms) - 1), dtype=np.int64)

    @cached_property
    def rms_per_peak(self) -> float:
        """RMS over the window of a wave of 1 uV peak to trough, averaged over the waveforms."""
        return float(self._forms[1].mean())

    @cached_property
    def _forms(self) -> tuple[Floats, Floats]:
        """Expected waveforms (n_shapes, n_shifts, n_points) of 1 uV, and the RMS (n_shapes,) of each in the middle of the
        window."""
        bank = response_bank(self.times_ms, self.shifts_ms, self.gain).reshape(len(SHAPES), len(self.shifts_ms), -1)
        return bank, np.sqrt((bank**2).mean(axis=-1)).max(axis=-1)

    @cached_property
    def basis(self) -> Floats:
        """Basis (n_shifts, n_shapes + DEVIATIONS, n_points): waveforms of RMS 1, then directions of deviation with a total RMS of
        DEVIATION_SHARE."""
        bank, rms = self._forms
        fine = np.arange(-8.0, 12.0, SHIFT_MS)
        envelope = np.exp(-0.5 * ((fine - DEVIATION_CENTRE_MS) / DEVIATION_SPREAD_MS) ** 2)
        apart = np.subtract.outer(fine, fine) / DEVIATION_LENGTH_MS
        values, vectors = np.linalg.eigh(np.exp(-0.5 * apart**2) * np.multiply.outer(envelope, envelope))
        directions = (vectors * np.sqrt(np.maximum(values, 0.0)))[:, ::-1][:, :DEVIATIONS].T
        total = np.sqrt((directions**2).sum() / len(self.times_ms) * SHIFT_MS / (self.times_ms[1] - self.times_ms[0]))
        directions *= DEVIATION_SHARE / total
        moved = np.array(
            [[np.interp(self.times_ms - shift, fine, one, left=0.0, right=0.0) for one in directions] for shift in self.shifts_ms]
        )
        return np.concatenate([np.moveaxis(bank / rms[:, np.newaxis, np.newaxis], 0, 1), moved], axis=1)
