"""Evidence for a response that stays valid however often, and whenever, the average is looked at.

Without a response the average of a block of sweeps is as likely to be +x as -x. Before each block we bet on that sign, using
earlier blocks only. Under "no response" the capital E is then a martingale that starts at 1, so it ever reaches 1 / alpha with
probability at most alpha (Ville's inequality). Nothing is assumed about the spectrum, the distribution or the constancy of the
noise; they only determine how fast the capital grows when there is a response. The only assumption is the symmetry of the sign.
Hum with even harmonics is skewed and fulfils it only approximately; ``Spread`` makes this harmless.

Blocks are scored by matched filters ``h = T^-1 d / sqrt(d' T^-1 d)``, where T is the shape of the noise. It is learned from the
spread of sweeps about their unit means (squares only, so the sign of a mean does not matter).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import fft

from .earlier import LOG_SHARES, Earlier, ExpectedBets
from .samples import Floats
from .spread import Spread
from .upper_limit import RunningUpperLimit

Gain = Callable[[Floats], Floats]

RIDGE = 0.01  # of the noise variance, added to the diagonal of T
LONG = 4096  # points on which an expected response is filtered, far longer than the filter
NOTHING_SD = 39.0  # so far from its middle a Gaussian is 0 in double precision


@dataclass(frozen=True)
class Shape:
    """An expected wave V with the trough after it, both Gaussian; times in ms, ``trough_size`` in peak heights."""

    peak_sd_ms: float
    trough_after_ms: float
    trough_sd_ms: float
    trough_size: float


# Own choice: narrow, middle and broad. Noise falls with frequency, so a mismatch of the fine shape costs most.
SHAPES = (Shape(0.40, 2.00, 0.88, 0.5), Shape(0.60, 2.28, 0.96, 0.6), Shape(0.95, 3.04, 1.43, 0.7))
# After an earlier run, which says which are likely, bets know more of them, in finer steps: troughs later and narrower.
FINER = (*SHAPES, Shape(0.32, 2.40, 0.65, 0.5), Shape(0.50, 2.70, 0.75, 0.6), Shape(0.80, 3.40, 1.10, 0.7))
FINER_STEP_MS = 0.25
# Nobody bets on these: the upper limit holds them too. A trough before the peak, narrow and broad, and a slow wave without one.
UNEXPECTED = (Shape(0.45, -1.30, 0.45, 1.0), Shape(0.60, -2.28, 0.96, 0.6), Shape(1.50, 3.00, 1.50, 0.0))


@dataclass(frozen=True)
class EvidenceSettings:
    """Block length, warm-up, and the bank of expected responses (wave V latency grid x shapes).

    ``block_units``: units per block. 1 decides soonest; it is valid where a random pause follows each unit, so that a rhythm has
    a new phase in every unit. Equipment with a fixed rate needs longer blocks. ``horizons``: numbers of sweeps; a bet of 4 sqrt(K
    / horizon), with K sweeps per block, is best for a decision near that number. ``learned_share``: part of the capital that bets
    on the learned direction. ``earlier``: an earlier run of the same ear, for the first bets.
    """

    block_units: int = 1
    warm_up_units: int = 16  # the noise shape is learned from these; no decision before
    latency_ms: tuple[float, float] = (5.5, 10.0)
    latency_step_ms: float = 0.375
    horizons: tuple[int, ...] = (768, 3072)
    learned_share: float = 0.2
    earlier: Earlier | None = None

    def __post_init__(self) -> None:
        low, high = self.latency_ms
        if not 0 < low <= high:
            raise ValueError(f"latency_ms = {self.latency_ms}: give the earliest and the latest expected latency, earliest first")
        if self.warm_up_units % self.block_units:
            raise ValueError(f"warm_up_units = {self.warm_up_units} must be a multiple of block_units = {self.block_units}")
        if not 0 < self.learned_share < 1:
            raise ValueError(f"learned_share = {self.learned_share} must lie between 0 and 1")

    @cached_property
    def lambdas(self) -> Floats:
        """Bet sizes (n_lambdas,) for this block length."""
        sweeps = 16 * self.block_units
        return np.array([4.0 * np.sqrt(sweeps / horizon) for horizon in self.horizons])

    def latencies_ms(self, window_ms: tuple[float, float]) -> Floats:
        """The grid of latencies (n_latencies,) in ms, without those whose positive peak lies outside the window; never empty."""
        low, high = self.latency_ms
        count = max(1, round((high - low) / self.latency_step_ms) + 1)
        grid = np.linspace(low, high, count)
        inside = grid[(grid >= window_ms[0]) & (grid <= window_ms[1] - SHAPES[0].peak_sd_ms)]
        return inside if len(inside) else np.array([float(np.mean(window_ms))])

    def covered_by(self, window_ms: tuple[float, float]) -> bool:
        """Whether the window contains every expected latency and the trough after it (required for "response absent")."""
        low, high = self.latency_ms
        return window_ms[0] <= low and high + SHAPES[0].trough_after_ms <= window_ms[1]


def response_bank(
    times_ms: Floats, latencies_ms: Floats, gain: Gain | None = None, shapes: tuple[Shape, ...] = SHAPES
) -> Floats:
    """Expected responses (n_directions, n_points) of 1 uV peak to trough: a peak at the latency and a trough after it.

    ``times_ms`` must be evenly spaced. ``gain`` is the real gain, at frequencies in Hz, of the filter that the sweeps went
    through; the expected responses are filtered in the same way (with it, decisions came 8 % sooner).
    """
    spacing = float(times_ms[1] - times_ms[0])
    middle = LONG // 2
    long_ms = times_ms[0] + (np.arange(LONG) - middle) * spacing
    gains = None if gain is None else gain(np.fft.rfftfreq(LONG, spacing * 1e-3).astype(np.float64))
    bank = []
    for shape in shapes:
        reach_ms = abs(shape.trough_after_ms) + NOTHING_SD * max(shape.peak_sd_ms, shape.trough_sd_ms)
        for latency in latencies_ms:
            some = slice(*np.searchsorted(long_ms, (latency - reach_ms, latency + reach_ms)))
            peak = np.exp(-0.5 * ((long_ms[some] - latency) / shape.peak_sd_ms) ** 2)
            trough = np.exp(-0.5 * ((long_ms[some] - latency - shape.trough_after_ms) / shape.trough_sd_ms) ** 2)
            wave = np.zeros(LONG)
            wave[some] = peak - shape.trough_size * trough
            if gains is not None:
                wave = np.fft.irfft(np.fft.rfft(wave) * gains, LONG)
            bank.append(wave[middle : middle + len(times_ms)] / (wave.max() - wave.min()))
    return np.array(bank)


class NoiseShape:
    """Autocovariance of whitened sweep residuals, summed over units: the Toeplitz matrix T of the noise."""

    def __init__(self, batch: tuple[int, ...], n_points: int) -> None:
        self._n = n_points
        self._n_fft = 0
        self._power: Floats | None = None
        self._batch = batch

    def update(self, residuals_uv: Floats, variance_uv2: Floats) -> None:
        """Add the residuals (..., n_sweeps, n_times, at the spacing of the window points) of one unit in uV, and its variance
        (...,) in uV2."""
        usable = variance_uv2 > 0
        scale = np.where(usable, 1.0 / np.sqrt(np.where(usable, variance_uv2, 1.0)), 0.0)
        self._n_fft = fft.next_fast_len(residuals_uv.shape[-1] + self._n, real=True)  # room for every lag of the window
        whitened = residuals_uv * scale.astype(residuals_uv.dtype)[..., np.newaxis, np.newaxis]
        spectrum = fft.rfft(whitened, n=self._n_fft, axis=-1)
        with np.errstate(over="ignore"):  # outside the judged part a sweep may have any size
            power = (spectrum.real**2 + spectrum.imag**2).sum(axis=-2, dtype=np.float64)
        power = np.where(np.isfinite(power).all(axis=-1, keepdims=True), power, 0.0)  # such a unit is not used
        self._power = power if self._power is None else self._power + power

    def matrix(self) -> Floats:
        """T (..., n_points, n_points); its mean diagonal is 1 before the ridge is added. The identity where nothing is known."""
        if self._power is None:
            return np.broadcast_to(np.eye(self._n), (*self._batch, self._n, self._n))
        lags = fft.irfft(self._power, n=self._n_fft, axis=-1)[..., : self._n]
        zero = lags[..., :1]
        lags = np.where(zero > 0, lags / np.where(zero > 0, zero, 1.0), np.eye(1, self._n)[0])
        index = np.abs(np.subtract.outer(np.arange(self._n), np.arange(self._n)))
        return np.asarray(lags[..., index] + RIDGE * np.eye(self._n))


class RunningEvidence:
    """The capital of a batch of runs, fed with one block at a time."""

    def __init__(
        self, settings: EvidenceSettings, bank: Floats, batch: tuple[int, ...], limit: RunningUpperLimit | None = None
    ) -> None:
        """``bank`` (n_directions, n_points); ``limit`` is fed with the same blocks."""
        directions, points = bank.shape
        lambdas = settings.lambdas
        self._bank, self._lambdas = bank, lambdas
        self._log_shares = np.log([1.0 - settings.learned_share, settings.learned_share])
        self._log_bank = np.zeros((*batch, directions, len(lambdas)))
        self._log_learned = np.zeros((*batch, len(lambdas)))
        self._bank_spread, self._learned_spread = Spread((*batch, directions)), Spread(batch)
        self._sum = np.zeros((*batch, points))
        self._weight = np.zeros(batch)
        self._inverse: Floats | None = None
        self._waiting: list[tuple[Floats, Floats]] = []
        self._limit = limit
        self._earlier: tuple[Floats, Floats, Floats] | None = None
        self._expected: ExpectedBets | None = None
        self.log10 = np.full(batch, np.nan)
        self.log10_max = np.zeros(batch)

    def come_after(self, average_uv: Floats, weight: Floats, bank: Floats) -> None:
        """Use the average of an earlier run of the same ear over the window points (..., n_points) in uV, weight (...,) in 1/uV2.

        ``bank`` (n_directions, n_points): the responses to expect. To be called before the noise shape is given.
        """
        self._earlier = average_uv, weight, bank

    def learn_noise(self, shape: Floats) -> None:
        """Fix the noise shape T (..., n_points, n_points) and play the blocks that were waiting for it."""
        inverse = self._inverse = np.asarray(np.linalg.inv(shape), dtype=np.float64)
        filters = self._bank @ inverse  # T is symmetric
        self._energy = (filters * self._bank).sum(axis=-1)  # d' T^-1 d
        self._filters = filters / np.sqrt(self._energy)[..., np.newaxis]
        if self._earlier is not None:
            average, earlier_weight, expected = self._earlier
            self._expected = ExpectedBets(expected, inverse, average, earlier_weight)
            self._log_shares = LOG_SHARES
        if self._limit is not None:
            self._limit.learn_noise(shape, inverse)
        for mean, weight in self._waiting:
            self._play(mean, weight)
        self._waiting.clear()

    def update(self, mean_uv: Floats, weight: Floats) -> None:
        """Take the next block: its weighted mean over the window points (..., n_points) in uV, and its total weight (...,) in
        1/uV2."""
        if self._limit is not None:
            self._limit.update(mean_uv, weight)
        if self._inverse is None:
            self._waiting.append((mean_uv, weight))
        else:
            self._play(mean_uv, weight)
            self.log10_max = np.maximum(self.log10_max, self.log10)  # over looks only: rules see nothing else

    def _play(self, mean: Floats, weight: Floats) -> None:
        """Bet on the next block: its mean over the window (..., n_points) in uV, its weight (...,) in 1/uV2."""
        assert self._inverse is not None
        # a block without weight holds nothing: its scores are 0, and a bet on 0 leaves the capital as it is
        mean = np.where(weight[..., np.newaxis] > 0, mean, 0.0)
        scale = np.sqrt(weight)
        # bank of expected responses: a score of SD 1 without a response for each, and a bet for each size of bet
        scores = scale[..., np.newaxis] * (self._filters @ mean[..., np.newaxis])[..., 0]
        self._log_bank += _log_bet(self._lambdas * self._bank_spread.standardise(scores)[..., np.newaxis])
        # the direction learned from earlier blocks only, so that the sign of this block is still open
        known_sum = self._sum if self._earlier is None else self._sum + self._earlier[1][..., np.newaxis] * self._earlier[0]
        matched = (self._inverse @ known_sum[..., np.newaxis])[..., 0]
        norm = np.sqrt((matched * known_sum).sum(axis=-1))
        known = norm > 0
        score = np.where(known, scale * (matched * mean).sum(axis=-1) / np.where(known, norm, 1.0), 0.0)
        self._log_learned += _log_bet(self._lambdas * self._learned_spread.standardise(score)[..., np.newaxis])
        # only now the block enters the sums that later blocks bet on
        self._sum += weight[..., np.newaxis] * mean
        self._weight = self._weight + weight
        # the capital: the mean over all bets of each kind, the two kinds with their shares
        bank, learned = _log_mean(self._log_bank, (-2, -1)), _log_mean(self._log_learned, (-1,))
        both = np.logaddexp(bank + self._log_shares[0], learned + self._log_shares[1])
        if self._expected is not None:
            self._expected.update(mean, scale)
            both = np.logaddexp(both, self._expected.log_capital() + self._log_shares[2])
        self.log10 = both / np.log(10.0)

    def score(self) -> Floats:
        """z (...,) of the expected response that fits the average best, in SDs of its noise; nan before the noise is known."""
        if self._inverse is None:
            return np.full(self._weight.shape, np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            scores = (self._filters @ self._sum[..., np.newaxis])[..., 0] / np.sqrt(self._weight)[..., np.newaxis]
        return np.asarray(scores.max(axis=-1))

    def upper_limit_uv(self) -> Floats:
        """Upper limit (...,) of a response, peak to trough, in uV; see ``RunningUpperLimit``, which must have been given."""
        assert self._limit is not None
        return self._limit.limit_uv(self.log10_max)


def _log_bet(x: Floats) -> Floats:
    """log(1 + tanh x) without overflow."""
    return np.asarray(np.log(2.0) - np.logaddexp(0.0, -2.0 * x))


def _log_mean(logs: Floats, axes: tuple[int, ...]) -> Floats:
    """log of the mean of exp(logs) over the given last axes."""
    flat = logs.reshape(*logs.shape[: logs.ndim - len(axes)], -1)
    top = flat.max(axis=-1)
    return np.asarray(top + np.log(np.exp(flat - top[..., np.newaxis]).mean(axis=-1)))
