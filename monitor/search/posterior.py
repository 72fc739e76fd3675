"""Posterior of the response of one condition from its cells: growth, latency, waveform, and the threshold with its interval.

The log likelihood of a wave ``a w`` at a level with weighted sum ``s``, weight ``W`` and noise shape T is ``a w' T^-1 s - W a^2
w' T^-1 w / 2``. Growth curves and directions (paths of latency x waveforms) are lists of hypotheses. In each direction the
waveform is learned as well: its deviation is normal, and the posteriors of deviation and growth are computed in turn (variational
Bayes; Attias 2000, from memory). The louder levels of the same ear thus predict the waveform at the softer levels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.evidence import SHAPES
from quietfloor.monitor.core.samples import Floats

from .expected import Expected, log_weights
from .prior import CURVES, DEVIATIONS, GrowthPrior, Waves, spread_out

Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
FORMS = len(SHAPES)

TRUST = 0.9  # power of the likelihood; tuned so that intervals hold what they say, on ears outside the model too
ROUGHNESS = 0.1  # a level follows its curve of growth, and the common form, to within this part of its size
FORGOTTEN = 11.0  # directions so much (log) below the best are left out for a while
UNLIKELY, MARGIN = 7.0, 0.06  # the same of curves; of a box around the others, on each side
WHOLE: Floats = np.array([[0.0] * 4, [1.0] * 4])  # cube of curves
ALL_EVERY = 8  # updates after which all are looked at again
FEWEST = 60.0  # curves in effect: with fewer, an interval would say more than the list of curves can
OUTSIDE_DB = 7.5
DENSITY_DB = 1.0  # of levels at which the belief is shown
GUESSES, LEAST = 100, 1e-6  # directions that a cell bets on, at most; the least probability of one, as a part of the best
BEST = 16  # directions from which the energy of the expected wave is taken
ENERGY_PATH = ["einsum_path", (1, 2), (1, 2), (0, 1)]  # order of its products
LOW, HIGH = 0.025, 0.975


class _Curves(NamedTuple):
    sizes: Singles  # (n_levels, N) in uV RMS
    squares: Singles  # (n_levels, N)
    threshold_db: Floats  # (N,)


class _Data(NamedTuple):
    """Data of D directions at V levels with data, in M coefficients of the waveform; N curves."""

    directions: Ints  # (D,) which
    fit: Floats  # (D, V, M) filters on the weighted sums
    gram: Floats  # (D, V, M, M)
    energy: Floats  # (D, V) of the form believed now
    weight: Floats  # (V,)
    trust: Floats  # (V,) power of the likelihood
    sizes: Singles  # (V, N)
    squares: Singles  # (V, N)


@dataclass(frozen=True)
class Belief:
    """The posterior after the data so far. Sizes in uV RMS, levels in dB nHL; arrays (n_levels,) unless stated otherwise.

    A threshold ``OUTSIDE_DB`` or more below the softest level counts as ``OUTSIDE_DB`` below it; one above the loudest level
    counts as ``OUTSIDE_DB`` above it. What is known of it
    beforehand is in its interval alone: one step ahead, the next level is better chosen without.
    """

    low_db: float
    middle_db: float
    high_db: float
    mean_uv: Floats
    variance_uv2: Floats
    shared_uv_db: Floats  # covariance of the size at each level with the threshold
    energy: Floats  # w' T^-1 w of the expected wave of RMS 1
    waves_uv: Floats  # (n_levels, n_points) expected

    @property
    def threshold(self) -> Expected:
        """The threshold and about its SD, for others of the same head."""
        return Expected(self.middle_db, (self.high_db - self.low_db) / 3.92)


class Posterior:
    """Posterior of one condition whose noise shape is known."""

    def __init__(self, waves: Waves, prior: GrowthPrior, inverse: Floats) -> None:
        """``inverse`` (n_points, n_points): of the noise shape T."""
        self._levels, self._prior = waves.levels_db, prior
        self._basis, self._places = waves.basis, waves.places
        self._filters = waves.basis @ inverse
        self._gram = self._filters @ np.swapaxes(waves.basis, -1, -2)
        middle = waves.basis[len(waves.shifts_ms) // 2]
        self._power = middle @ middle.T / middle.shape[-1]  # mean square of a form from its coefficients
        paths = len(self._places)
        directions = paths * FORMS
        self._path, self._form = np.divmod(np.arange(directions), FORMS)
        self._coefficients = np.zeros((directions, FORMS + DEVIATIONS))
        self._coefficients[np.arange(directions), self._form] = 1.0
        self._spread = np.broadcast_to(np.eye(DEVIATIONS), (directions, DEVIATIONS, DEVIATIONS)).copy()
        self._cost = np.zeros(directions)  # divergence of what is believed of the form from its prior
        self._score = np.zeros(directions)  # log, as of the last time each was looked at
        self._cube = spread_out(CURVES, 4)
        self._whole = self._curves(WHOLE)
        self._expected = self._whole.sizes.mean(axis=1, dtype=np.float64)
        # for two arrays of masses: to get this much new memory from the system takes longer than to fill it
        self._room = np.empty((2, directions, CURVES), dtype=np.float32)
        self._updates = 0
        self.beforehand: tuple[Expected, ...] = ()  # what is known of the threshold
        self._last: tuple[Ints, Singles, Floats] | None = None  # of the last belief: directions, masses, their sum in each
        self._believed: tuple[Floats, Floats] = np.zeros(0), np.zeros(0)  # thresholds in dB nHL and their probabilities

    def update(self, sums: Floats, weights: Floats) -> Belief:
        """Take the weighted sums (n_levels, n_points) in 1/uV and weights (n_levels,) in 1/uV2 of all cells so far, at least one
        above 0; return the new posterior."""
        if self._updates % ALL_EVERY == 0:
            everywhere = np.arange(len(self._score))
            box = self._likely(self._data(sums, weights, everywhere, self._whole), WHOLE)
            box = self._likely(self._data(sums, weights, self._near, self._curves(box)), box)
            self._now = self._curves(box)
        self._updates += 1
        data = self._data(sums, weights, self._near, self._now)
        self._learn_forms(data, self._masses(data))  # one round: the next update goes on from here
        data = data._replace(energy=self._energy(data.directions, data.gram))
        mass = self._masses(data)
        likely = mass.sum(axis=1, dtype=np.float64)
        self._last = data.directions, mass, likely
        return self._belief(data, mass, likely)

    def guesses(self, level: int) -> tuple[Floats, Floats]:
        """Waves (n_guesses, n_points) in uV that a level may contain, and the probability of each; the probabilities may sum to
        less than 1.

        They are the likeliest directions, each with three sizes that represent its normal distribution (Gauss-Hermite).
        """
        if self._last is None:
            return np.zeros((0, self._basis.shape[-1])), np.zeros(0)
        directions, mass, likely = self._last
        best = np.argsort(-likely, kind="stable")[:GUESSES]
        best = best[likely[best] > LEAST * likely.max()]
        likely, here = likely[best], self._now.sizes[level].astype(np.float64)
        curves = mass[best].astype(np.float64)
        mean = curves @ here / likely
        spread = np.sqrt(np.maximum(curves @ here**2 / likely - mean**2, 0.0))
        chosen = directions[best]
        forms = np.einsum("dm,dmp->dp", self._coefficients[chosen], self._basis[self._places[self._path[chosen], level]])
        sizes = np.maximum(mean + np.outer((-math.sqrt(3.0), 0.0, math.sqrt(3.0)), spread), 0.0)  # (3, D)
        waves = (sizes[..., np.newaxis] * forms).reshape(-1, forms.shape[-1])
        return waves, np.outer((1 / 6, 2 / 3, 1 / 6), likely).ravel()

    def density(self) -> tuple[Floats, Floats]:
        """Levels (n,) in dB nHL and the probability of the threshold per dB at each, after the last update; the probabilities sum
        to 1."""
        levels = self._levels
        edges = np.arange(levels[0] - OUTSIDE_DB, levels[-1] + OUTSIDE_DB + DENSITY_DB, DENSITY_DB)
        threshold, curves = self._believed
        inside = np.histogram(threshold, edges, weights=curves)[0] / DENSITY_DB if len(curves) else np.zeros(0)
        return (edges[:-1] + DENSITY_DB / 2 if len(curves) else np.zeros(0)), np.asarray(inside, dtype=np.float64)

    def below(self, level_db: float) -> float:
        """Probability that the threshold is at this level in dB nHL or below, after the last update."""
        threshold, curves = self._believed
        return float(curves[threshold <= level_db].sum())

    def spread(self, latencies_ms: Floats, parts: tuple[float, ...]) -> tuple[Floats, Floats]:
        """Quantiles (n_parts, n_levels) of latency, from those of the paths (n_paths, n_levels), and of size in uV RMS.

        Raises ValueError before the first update.
        """
        if self._last is None:
            raise ValueError("nothing is believed yet: update it first")
        directions, mass, likely = self._last
        curves = _at_least(mass.sum(axis=0, dtype=np.float64), FEWEST)
        return _quantiles(latencies_ms[self._path[directions]].T, likely, parts), _quantiles(self._now.sizes, curves, parts)

    @property
    def _near(self) -> Ints:
        return np.flatnonzero(self._score >= self._score.max() - FORGOTTEN)

    def _curves(self, box: Floats) -> _Curves:
        growths = self._prior.curves(box[0] + (box[1] - box[0]) * self._cube)
        sizes = growths.at(self._levels).astype(np.float32)
        return _Curves(sizes, sizes**2, growths.threshold_db)

    def _likely(self, data: _Data, box: Floats) -> Floats:
        """The part (2, 4) of a box of the unit cube in which curves are still likely; the prior is uniform within it too."""
        curves = self._masses(data).sum(axis=0)
        alive = self._cube[curves >= curves.max() * np.exp(-UNLIKELY)]
        inside = np.clip([alive.min(axis=0) - MARGIN, alive.max(axis=0) + MARGIN], 0.0, 1.0)
        return np.asarray(box[0] + (box[1] - box[0]) * inside)

    def _data(self, sums: Floats, weights: Floats, directions: Ints, curves: _Curves) -> _Data:
        seen = np.flatnonzero(weights > 0)
        places = self._places[:, seen][self._path[directions]]
        fits = np.stack([self._filters @ sums[level] for level in seen])  # (V, shifts, M)
        gram = self._gram[places]
        energy = self._energy(directions, gram)
        weight = weights[seen]
        trust = TRUST / (1.0 + ROUGHNESS**2 * weight * np.median(energy, axis=0) * self._expected[seen] ** 2)
        fit = fits[np.arange(len(seen)), places]
        return _Data(directions, fit, gram, energy, weight, trust, curves.sizes[seen], curves.squares[seen])

    def _energy(self, directions: Ints, gram: Floats) -> Floats:
        """w' T^-1 w (D, V) of the form believed in each direction."""
        c = self._coefficients[directions]
        return np.asarray(np.einsum("dm,dvmn,dn->dv", c, gram, c))

    def _masses(self, data: _Data) -> Singles:
        """Probability of each curve in each direction (D, N), valid until the next ones; all together sum to 1."""
        c = self._coefficients[data.directions]
        energy = data.energy + np.einsum("dvmn,dnm->dv", data.gram[..., FORMS:, FORMS:], self._spread[data.directions])
        line = np.einsum("dm,dvm->dv", c, data.fit)
        bend = data.weight * energy
        # where a level may leave its curve only the size is trusted less, not how well the form fits
        free = ((TRUST - data.trust) * 0.5 * np.maximum(line, 0.0) ** 2 / bend).sum(axis=1) - self._cost[data.directions]
        logs: Singles = self._room[0, : len(c)]
        np.matmul((data.trust * line).astype(np.float32), data.sizes, out=logs)
        logs -= np.matmul((0.5 * data.trust * bend).astype(np.float32), data.squares, out=self._room[1, : len(c)])
        logs += free.astype(np.float32)[:, np.newaxis]
        top = logs.max()
        logs -= top
        mass: Singles = np.exp(logs, out=logs)
        rows = mass.sum(axis=1, dtype=np.float64)
        self._score[data.directions] = np.log(np.maximum(rows, 1e-300)) + float(top)
        mass *= np.float32(1.0 / rows.sum())
        return mass

    def _learn_forms(self, data: _Data, mass: Singles) -> None:
        """Learn the waveform in each direction, given the posterior size of the response at each level."""
        total = np.maximum(mass.sum(axis=1, keepdims=True), np.float32(1e-30))
        mean, square = mass @ data.sizes.T / total, mass @ data.squares.T / total  # (D, V)
        pull = TRUST * data.weight * square
        learned, form = data.gram[..., FORMS:, FORMS:], self._form[data.directions]
        precision = np.eye(DEVIATIONS) + np.einsum("dv,dvmn->dmn", pull, learned)
        fixed = data.gram[np.arange(len(form)), :, FORMS:, form]  # (D, V, DEVIATIONS)
        toward = np.einsum("dv,dvm->dm", TRUST * mean, data.fit[..., FORMS:]) - np.einsum("dv,dvm->dm", pull, fixed)
        spread = np.linalg.inv(precision)
        change = (spread @ toward[..., np.newaxis])[..., 0]
        divergence = (change**2).sum(-1) + np.trace(spread, axis1=-2, axis2=-1) - DEVIATIONS + np.linalg.slogdet(precision)[1]
        c = np.zeros((len(form), FORMS + DEVIATIONS))
        c[np.arange(len(form)), form] = 1.0
        c[:, FORMS:] = change
        c /= np.sqrt(np.einsum("dm,mn,dn->d", c, self._power, c))[:, np.newaxis]  # RMS 1: sizes belong to the curves
        self._coefficients[data.directions], self._spread[data.directions] = c, spread
        self._cost[data.directions] = 0.5 * divergence

    def _belief(self, data: _Data, mass: Singles, likely: Floats) -> Belief:
        curves = _at_least(mass.sum(axis=0, dtype=np.float64), FEWEST)
        sizes, levels = self._now.sizes, self._levels
        threshold = np.maximum(self._now.threshold_db, levels[0] - OUTSIDE_DB)
        threshold = np.where(threshold <= levels[-1], threshold, levels[-1] + OUTSIDE_DB)
        believed = curves * np.exp(log_weights(self._now.threshold_db, self.beforehand, self._prior.range_db))
        believed /= believed.sum()
        self._believed = threshold, believed
        order = np.argsort(threshold, kind="stable")
        at = np.searchsorted(np.cumsum(believed[order]), (LOW, 0.5, HIGH))
        low, middle, high = threshold[order[np.minimum(at, len(order) - 1)]]
        mean = self._expected = sizes @ curves
        centre = float(threshold @ curves)
        waves, energy = self._waves(data, mass, likely, sizes)
        return Belief(
            low_db=float(low), middle_db=float(middle), high_db=float(high), mean_uv=mean,
            variance_uv2=self._now.squares @ curves - mean**2, shared_uv_db=sizes @ (curves * (threshold - centre)),
            energy=energy, waves_uv=waves,
        )  # fmt: skip

    def _waves(self, data: _Data, mass: Singles, likely: Floats, sizes: Singles) -> tuple[Floats, Floats]:
        """Expected wave (n_levels, n_points) in uV, and the energy (n_levels,) of one of RMS 1."""
        keep = np.flatnonzero(likely > 1e-3 * likely.max())
        c = self._coefficients[data.directions[keep]]
        places = self._places[self._path[data.directions[keep]]]  # (D, n_levels)
        # all cells of (n_levels, n_shifts, M), in which the expected coefficients are summed
        cells = ((np.arange(len(sizes)) * len(self._basis) + places) * c.shape[1])[..., np.newaxis] + np.arange(c.shape[1])
        kept = np.take(mass, keep, axis=0, out=self._room[1, : len(keep)], mode="clip")
        parts = (kept @ sizes.T)[..., np.newaxis] * c[:, np.newaxis]
        by_shift = np.bincount(cells.ravel(), parts.ravel(), len(sizes) * len(self._basis) * c.shape[1])
        waves = by_shift.reshape(len(sizes), -1) @ self._basis.reshape(-1, self._basis.shape[-1])
        best = np.argsort(-likely[keep], kind="stable")[:BEST]
        part, c = likely[keep][best] / likely[keep][best].sum(), c[best]
        return waves, np.einsum("d,dm,dlmn,dn->l", part, c, self._gram[places[best]], c, optimize=ENERGY_PATH)


def _quantiles(values: Floats | Singles, probability: Floats, parts: tuple[float, ...]) -> Floats:
    """(n_parts, n_rows) of values (n_rows, n) with probabilities (n,)."""
    order = np.argsort(values, axis=-1, kind="stable")
    at = np.array([np.searchsorted(np.cumsum(probability[row]) / probability.sum(), parts) for row in order])
    chosen = np.take_along_axis(order, np.minimum(at, len(probability) - 1), axis=-1)
    return np.asarray(np.take_along_axis(values, chosen, axis=-1).T, dtype=np.float64)


def _at_least(probability: Floats, fewest: float) -> Floats:
    """Probabilities (n,), flattened by a power if needed, so that their effective number (1 / sum of squares) is at least
    ``fewest``."""
    low, high, out = 0.0, 1.0, probability
    if 1.0 / (out**2).sum() >= min(fewest, len(out)):
        return out
    for _ in range(20):
        power = (low + high) / 2
        out = probability**power
        out /= out.sum()
        low, high = (power, high) if 1.0 / (out**2).sum() >= fewest else (low, power)
    return out
