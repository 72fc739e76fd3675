"""From units of sweeps to looks and a decision, for one run or for thousands at once.

The live engine feeds this with a batch of EEG channels of one stream; validation feeds it with a batch of simulated
runs. Everything before this point is about a stream, everything here is about sweeps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from .artefacts import CRITERIA, Criterion, RunningLimits
from .averaging import UNIT_SWEEPS, WeightedAverage, Window, reduce_unit
from .evidence import EvidenceSettings, NoiseShape, RunningEvidence, response_bank
from .filtering import ANALYSIS_RATE_HZ
from .noise import ResidualNoise, residual_noise
from .samples import Bools, Floats
from .statistics import fsp
from .stopping import EvidenceReached, Figures, NDIndex, NoiseFloorReached, Rule, SweepLimit, first_met

DEFAULT_RULES: tuple[Rule, ...] = (EvidenceReached(), NoiseFloorReached(), SweepLimit())


@dataclass(frozen=True)
class AnalysisSettings:
    """Sweeps of ``n_times`` points at ``rate_hz`` from ``start_ms``; response window in ms; criteria, evidence, rules."""

    rate_hz: float
    start_ms: float
    n_times: int
    window_ms: tuple[float, float] = (5.0, 17.0)
    criteria: tuple[Criterion, ...] = CRITERIA
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    rules: tuple[Rule, ...] = DEFAULT_RULES

    def __post_init__(self) -> None:
        start, stop = self.window_ms
        last = self.times_ms[-1]
        if not self.start_ms <= start < stop <= last + 1e-6:
            raise ValueError(f"window_ms = {start:g} to {stop:g} is not inside the epoch, {self.start_ms:g} to {last:.1f} ms")
        points = len(self.window_times_ms)
        if points < 8:
            raise ValueError(f"window_ms = {start:g} to {stop:g} holds only {points} points: widen it to at least 2 ms")

    @cached_property
    def times_ms(self) -> Floats:
        """Time of each point of a sweep (n_times,), ms after the sound reaches the ear."""
        return np.asarray(self.start_ms + np.arange(self.n_times) * 1000.0 / self.rate_hz, dtype=np.float64)

    @cached_property
    def stride(self) -> int:
        """Window points are this many sweep points apart, so that they lie at about 4 kHz."""
        return max(1, int(self.rate_hz / ANALYSIS_RATE_HZ + 1e-9))

    @cached_property
    def window(self) -> Window:
        inside = np.flatnonzero((self.times_ms >= self.window_ms[0] - 1e-9) & (self.times_ms <= self.window_ms[1] + 1e-9))
        if not len(inside):
            return Window(slice(0, 0, 1), 0)
        return Window(slice(int(inside[0]), int(inside[-1]) + 1, self.stride), int(inside[len(inside) // 2]))

    @cached_property
    def window_times_ms(self) -> Floats:
        return self.window.of(self.times_ms)


@dataclass(frozen=True)
class Look:
    """Everything known after a block of units; arrays (...,) over the batch."""

    figures: Figures
    noise: ResidualNoise
    evidence_log10_max: Floats
    upper_limit_nv: Floats
    rule: NDIndex  # index of the rule that was met at this look, -1 for none


@dataclass(frozen=True)
class UnitResult:
    """What became of one unit: sweeps accepted (..., n_sweeps), exceeded criteria by name, and a look after each block."""

    accepted: Bools
    exceeded: list[tuple[str, Bools]]
    look: Look | None


class RunningAnalysis:
    """State of a batch of runs; feed it one unit at a time, in order."""

    def __init__(self, settings: AnalysisSettings, batch: tuple[int, ...] = ()) -> None:
        self.settings = settings
        self._batch = batch
        self.average = WeightedAverage(batch, settings.n_times)
        self.limits = RunningLimits(settings.criteria, settings.rate_hz)
        latencies = settings.evidence.latencies_ms(settings.window_ms)
        points = len(settings.window_times_ms)
        self.evidence = RunningEvidence(settings.evidence, response_bank(settings.window_times_ms, latencies), batch)
        self._shape = NoiseShape(batch, points)
        self._freedom = np.full(batch, np.nan)
        self._presented = np.zeros(batch)
        self._block_sum = np.zeros((*batch, points))
        self._block_weight = np.zeros(batch)

    def update(self, sweeps_uv: Floats, usable: Bools, presented: Bools | None = None) -> UnitResult:
        """One unit: sweeps (..., n_sweeps, n_times) in uV, finite everywhere; ``usable`` (..., n_sweeps) without faults.

        ``presented`` marks the places that really were stimuli (default: all); unusable places may hold zeros.
        """
        settings = self.settings
        exceeded = self.limits.update(sweeps_uv, usable)
        accepted = usable.copy()
        for _, over in exceeded:
            accepted &= ~over
        unit = reduce_unit(sweeps_uv, accepted, settings.window)
        self._presented = self._presented + (usable.shape[-1] if presented is None else presented.sum(axis=-1))
        self.average.update(unit)
        self._block_sum += unit.weight[..., np.newaxis] * settings.window.of(unit.mean_uv)
        self._block_weight = self._block_weight + unit.weight
        units = self.average.units
        if units <= settings.evidence.warm_up_units:
            self._shape.update(unit.residuals_uv[..., :: settings.stride], unit.variance_uv2)
        if units == settings.evidence.warm_up_units:
            shape = self._shape.matrix()
            self._freedom = np.trace(shape, axis1=-2, axis2=-1) ** 2 / (shape**2).sum(axis=(-2, -1))
            self.evidence.learn_noise(shape)
        look = self._look() if units % settings.evidence.block_units == 0 else None
        return UnitResult(accepted, exceeded, look)

    def _look(self) -> Look:
        known = self._block_weight > 0
        scale = np.where(known, self._block_weight, 1.0)
        self.evidence.update(self._block_sum / scale[..., np.newaxis], self._block_weight)
        self._block_sum = np.zeros_like(self._block_sum)
        self._block_weight = np.zeros_like(self._block_weight)
        window = self.settings.window
        noise = residual_noise(self.average, window, self._freedom)
        with np.errstate(invalid="ignore"):
            beyond_weights = noise.value_nv / noise.within_units_nv
        figures = Figures(
            sweeps_presented=self._presented,
            sweeps_accepted=self.average.accepted,
            evidence_log10=self.evidence.log10,
            residual_noise_nv=noise.value_nv,
            fsp=fsp(self.average, window),
        )
        return Look(
            figures=figures,
            noise=noise,
            evidence_log10_max=self.evidence.log10_max,
            upper_limit_nv=1e3 * self.evidence.upper_limit_uv(beyond_weights),
            rule=first_met(self.settings.rules, figures),
        )


__all__ = ["UNIT_SWEEPS", "AnalysisSettings", "Look", "RunningAnalysis", "UnitResult"]
