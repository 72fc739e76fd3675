"""Cells of a search: the data of each level of a condition, kept apart; the evidence of each, and the levels at which a response
was found.

The choice of the next cell, the weights and every bet depend on earlier units only. Under "no response in this cell" the capital
of a cell therefore stays a martingale, however cells are chosen. Besides the bets of a run (`core.evidence`), each cell bets on
the waves that the other cells and its own earlier units make likely. If a wave predicts the score ``m``, and the score ``s`` is
observed, the best bet on a sign is ``1 + tanh(m s)``, the likelihood ratio of Gaussian noise made symmetric; for several waves
with probabilities p it is ``1 + sum p tanh(m s)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from quietfloor.monitor.core.analysis import AnalysisSettings
from quietfloor.monitor.core.averaging import Unit, WeightedAverage
from quietfloor.monitor.core.evidence import SHAPES, UNEXPECTED, NoiseShape, RunningEvidence, response_bank
from quietfloor.monitor.core.noise import ResidualNoise, residual_noise
from quietfloor.monitor.core.samples import Bools, Floats
from quietfloor.monitor.core.spread import Spread
from quietfloor.monitor.core.upper_limit import RunningUpperLimit

EXPECTED_SHARE = 0.8  # of the capital of a cell that bets on expected waves; own choice, mostly: the rest meets the unexpected
LOG_10 = math.log(10.0)


class SharedNoise:
    """Shape of the noise, learned from the first units of all cells together, and then fixed."""

    def __init__(self, warm_up_units: int, n_points: int, n_times: int) -> None:
        """Lags of ``n_points`` window points, from the first ``n_times`` points of each sweep: as many as all conditions have."""
        self._left, self._n_times = warm_up_units, n_times
        self._shape = NoiseShape((), n_points)
        self.matrix: Floats | None = None

    def update(self, unit: Unit, stride: int) -> bool:
        """Whether the shape became known with this unit."""
        if self.matrix is not None:
            return False
        self._shape.update(unit.residuals_uv[..., ::stride][..., : self._n_times], unit.variance_uv2)
        self._left -= 1
        if self._left > 0:
            return False
        self.matrix = self._shape.matrix()
        return True


@lru_cache(maxsize=512)
def _banks(settings: AnalysisSettings) -> tuple[Floats, Floats]:
    """Responses on which bets are placed, and those for which the upper limit holds."""
    latencies = settings.evidence.latencies_ms(settings.window_ms)
    held = response_bank(settings.window_times_ms, latencies, settings.gain, (*SHAPES, *UNEXPECTED))
    return held[: len(SHAPES) * len(latencies)], held


@dataclass(frozen=True)
class CellLook:
    """State of a cell; voltages in uV (n_times,), residual noise and limit in nV; nan where not known.

    ``noise``: as for a run, see `core.noise`. ``limit_nv``: the largest response that is still possible, peak to trough.
    """

    presented: int
    accepted: int
    evidence_log10: float
    evidence_log10_max: float
    noise: ResidualNoise
    average_uv: Floats
    half_a_uv: Floats
    half_b_uv: Floats
    limit_nv: float


class Cell:
    """One level of one condition."""

    def __init__(self, settings: AnalysisSettings) -> None:
        self.settings = settings
        times = settings.window_times_ms
        bank, held = _banks(settings)
        limit = RunningUpperLimit(held, float(times[1] - times[0]), ())
        self._evidence = RunningEvidence(settings.evidence, bank, (), limit)
        self.average = WeightedAverage((), settings.n_times)
        self.sum = np.zeros(len(times))  # of weighted unit means over the window, 1/uV
        self.weight = 0.0  # 1/uV2
        self.units = 0
        self._expected: tuple[Floats, Floats, Floats, float] | None = None  # filters, probabilities, those of the mean
        self._log_expected = 0.0
        self._spread = Spread(())
        self._inverse: Floats | None = None
        self._freedom = math.nan  # independent points of the window
        self.presented = 0
        self.log10 = 0.0
        self.log10_max = 0.0

    def learn_noise(self, shape: Floats, inverse: Floats) -> None:
        """Set the noise shape (n_points, n_points) and its inverse. Units may be added before."""
        self._inverse = inverse
        self._freedom = float(np.trace(shape) ** 2 / (shape**2).sum())
        self._evidence.learn_noise(shape)
        self._now()

    def expect(self, waves_uv: Floats, probabilities: Floats) -> None:
        """Set the waves (n, n_points) in uV that the next units may contain, with probabilities (n,). They must come from earlier
        units alone."""
        if self._inverse is not None:
            matched = waves_uv @ self._inverse
            middle = probabilities @ matched
            self._expected = matched, probabilities, middle, math.sqrt(max(float(middle @ (probabilities @ waves_uv)), 0.0))

    def update(self, unit: Unit) -> None:
        mean, weight = self.settings.window.of(unit.mean_uv), float(unit.weight)
        self.average.update(unit)
        self.units += 1
        self.presented += len(unit.accepted)
        self._evidence.update(mean, np.asarray(weight))
        if weight > 0:
            self.sum += weight * mean
            self.weight += weight
            self._bet(mean, weight)
        self._now()

    def _bet(self, mean: Floats, weight: float) -> None:
        """Bet on the expected waves."""
        if self._expected is None:
            return
        matched, probabilities, middle, norm = self._expected
        if norm > 0:
            score = math.sqrt(weight) * float(middle @ mean) / norm
            calm = float(self._spread.standardise(np.asarray(score))) / score if score else 1.0
            self._log_expected += math.log1p(float(probabilities @ np.tanh(calm * weight * (matched @ mean))))

    def _now(self) -> None:
        if self._inverse is None:
            return
        usual = float(self._evidence.log10) if math.isfinite(float(self._evidence.log10)) else 0.0
        both = np.logaddexp(usual * LOG_10 + math.log(1.0 - EXPECTED_SHARE), self._log_expected + math.log(EXPECTED_SHARE))
        self.log10 = float(both) / LOG_10
        self.log10_max = max(self.log10_max, self.log10)

    def look(self) -> CellLook:
        """Present state of the cell."""
        average = self.average
        return CellLook(
            presented=self.presented, accepted=int(average.accepted), evidence_log10=self.log10,
            evidence_log10_max=self.log10_max,
            noise=residual_noise(average, self.settings.window, np.asarray(self._freedom)),
            average_uv=average.average_uv(), half_a_uv=average.half_uv(0), half_b_uv=average.half_uv(1),
            limit_nv=1e3 * self.upper_limit_uv(),
        )  # fmt: skip

    def upper_limit_uv(self) -> float:
        """The largest response that is still possible, peak to trough, in uV; nan where not known."""
        return float(self._evidence.upper_limit_uv())


@lru_cache(maxsize=16)
def shares(count: int) -> Floats:
    """Weights (count, count), softest level first. Row b distributes the capital against "no response at level b or below" over
    the cells at or below b; each row sums to 1.

    One half is distributed evenly, the other half mostly near b.
    """
    near = np.tril(0.5 ** np.subtract.outer(np.arange(count), np.arange(count)).clip(0).astype(np.float64))
    even = np.tril(np.ones((count, count)))
    return np.asarray(0.5 * near / near.sum(1, keepdims=True) + 0.5 * even / even.sum(1, keepdims=True))


def refuted(log10: Floats, alpha: float) -> Bools:
    """Whether the present capitals refute "no response at level b or below", for each level b (softest first).

    The mixture of the capitals of cells at or below b is a martingale under this hypothesis, so it ever reaches 1 / alpha with a
    probability of at most alpha (Ville's inequality). A refutation at any look stays valid.
    """
    capital = 10.0 ** np.minimum(log10, 300.0)
    return np.asarray(shares(len(capital)) @ capital >= 1.0 / alpha)


def found(ever_refuted: Bools) -> Bools:
    """Levels at or below which there is a response: levels for which every b from there up is refuted. At most a share alpha of
    searches is wrong.

    The hypotheses are nested. Before any smaller true hypothesis counts, the largest true one must be refuted by mistake. All
    levels together therefore have the error of a single one.
    """
    return np.asarray(np.logical_and.accumulate(ever_refuted[::-1])[::-1])
