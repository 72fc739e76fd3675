"""Comparison of runs of one condition and level: overlay, correlation, gap, noise, and their common average.

Published guidance judges two replicates by eye and by three numbers. Here its verdict is computed from these numbers alone, and
given in addition to the verdicts of the rule that ended the runs. It promises no error rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import CubicSpline

from quietfloor.monitor.core.classical_rules import GuidanceAbsent, GuidanceClear
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.stopping import Outcome
from quietfloor.monitor.waves.trace import Averages

Guidance = Literal["clear response", "no response", "inconclusive"]

SAID: dict[Outcome | None, str] = {
    "response_present": "response present", "response_absent": "no response", "inconclusive": "undecided", None: "no verdict",
}  # fmt: skip
MEAN_GAP = math.sqrt(2.0 / math.pi)  # of the absolute value of a Gaussian number, re its SD
POINT_MS = 0.25  # at which independent points are counted
LEAST_POINTS = 8
GUIDANCE_CLEAR, GUIDANCE_ABSENT = GuidanceClear(), GuidanceAbsent()  # their limits, with the source, are in that module


@dataclass(frozen=True)
class Replicate:
    """One finished run: its averages, its verdict (None: none), and log10 of its evidence at the end (nan: not known)."""

    name: str
    averages: Averages
    verdict: Outcome | None = None
    evidence: float = math.nan


@dataclass(frozen=True)
class Comparison:
    """Two or more replicates over the response window; gap and correlation are those of the first two.

    Curves (n_times,) in nV at ``times_ms``. ``by_chance``: correlation that noise alone would exceed in 5 of 100 pairs.
    ``gap_nv``: mean distance of the curves after their means are made equal; ``noise_gap_nv``: the gap that noise alone would
    cause. ``noise_nv``: residual noise of the common average; ``amplitude_nv``: its largest fall from a point to a later one.
    ``evidence``: log10 of the evidence of all runs together, the product of theirs; ``alpha`` holds for it if every run that was
    made is included, whatever the reason for making another one.
    """

    names: tuple[str, ...]
    times_ms: Floats
    curves_nv: Floats  # (n_replicates, n_times)
    difference_nv: Floats  # first minus second
    average_nv: Floats
    window_ms: tuple[float, float]
    correlation: float
    by_chance: float
    gap_nv: float
    noise_gap_nv: float
    noise_nv: float
    amplitude_nv: float
    guidance: Guidance
    verdicts: tuple[Outcome | None, ...]
    evidence: float
    alpha: float

    @property
    def words(self) -> str:
        """Verdicts of guidance, of the rule, and of both runs together, with their numbers."""
        runs = ", ".join(f"{name}: {SAID[verdict]}" for name, verdict in zip(self.names, self.verdicts, strict=True))
        words = (
            f"{self.guidance} by guidance (amplitude {self.amplitude_nv:.0f} nV, gap {self.gap_nv:.0f} nV, "
            f"noise alone leaves {self.noise_gap_nv:.0f} nV; correlation {self.correlation:.2f}, "
            f"by chance up to {self.by_chance:.2f}); by the rule {runs}"
        )
        if math.isfinite(self.evidence):
            needed = -math.log10(self.alpha)
            words += f"; evidence of all together {self.evidence:.1f} ({needed:.1f} needed)"
        return words


def combined(replicates: Sequence[Replicate]) -> Averages:
    """The common average, each run weighted by the inverse of its noise variance, at the times of the first. Raises ValueError.

    Its halves and its plus-minus average are combined in the same way, so that its noise can be estimated as for one run.
    """
    _check(replicates)
    first = replicates[0].averages
    weights = np.array([1.0 / each.averages.residual_noise_nv**2 for each in replicates])
    weights /= weights.sum()
    start = max(float(each.averages.times_ms[0]) for each in replicates)
    stop = min(float(each.averages.times_ms[-1]) for each in replicates)
    times = first.times_ms[(first.times_ms >= start - 1e-9) & (first.times_ms <= stop + 1e-9)]
    if len(times) < 2:
        raise ValueError("the averages have no times in common: they are not of the same kind of run")

    def together(name: str) -> Floats:
        rows = [_on(times, each.averages.times_ms, getattr(each.averages, name)) for each in replicates]
        return np.asarray(weights @ np.array(rows))

    noise = math.sqrt(1.0 / sum(1.0 / each.averages.residual_noise_nv**2 for each in replicates))
    names = ("average_uv", "a_uv", "b_uv", "plus_minus_uv")
    average, a, b, plus_minus = (together(name) for name in names)
    return Averages(times, average, a, b, plus_minus, noise, first.band_hz)


def compare(replicates: Sequence[Replicate], window_ms: tuple[float, float], alpha: float = 0.01) -> Comparison:
    """Compare replicates over the response window; ``alpha`` is that of their rule. Raises ValueError."""
    if len(replicates) < 2:
        raise ValueError(f"{len(replicates)} run: two or more of one condition and level are needed to compare")
    both = combined(replicates)
    times = both.times_ms
    curves = 1e3 * np.array([_on(times, each.averages.times_ms, each.averages.average_uv) for each in replicates])
    inside = (times >= window_ms[0] - 1e-9) & (times <= window_ms[1] + 1e-9)
    if inside.sum() < LEAST_POINTS:
        raise ValueError(f"window_ms = {window_ms[0]:g} to {window_ms[1]:g} holds {int(inside.sum())} points of the averages")
    laid = curves[:, inside] - curves[:, inside].mean(axis=1, keepdims=True)
    difference = laid[0] - laid[1]
    noises = [each.averages.residual_noise_nv for each in replicates]
    points = _independent_points(both, window_ms)
    average = 1e3 * both.average_uv
    lowest_after = np.minimum.accumulate(average[inside][::-1])[::-1]
    gap, amplitude = float(np.abs(difference).mean()), float((average[inside] - lowest_after).max())
    spread = np.sqrt((laid[:2] ** 2).sum(axis=1))
    return Comparison(
        names=tuple(each.name for each in replicates),
        times_ms=times,
        curves_nv=curves,
        difference_nv=curves[0] - curves[1],
        average_nv=average,
        window_ms=window_ms,
        correlation=float(laid[0] @ laid[1] / (spread[0] * spread[1])) if spread.all() else math.nan,
        by_chance=1.645 / math.sqrt(points),
        gap_nv=gap,
        noise_gap_nv=MEAN_GAP * math.hypot(noises[0], noises[1]) * math.sqrt(max(1.0 - 1.0 / points, 0.0)),
        noise_nv=both.residual_noise_nv,
        amplitude_nv=amplitude,
        guidance=guidance(amplitude, gap),
        verdicts=tuple(each.verdict for each in replicates),
        evidence=float(sum(each.evidence for each in replicates)),
        alpha=alpha,
    )


def guidance(amplitude_nv: float, gap_nv: float) -> Guidance:
    """Verdict of published guidance: clear if the amplitude is at least 40 nV and 3 times the gap; absent if the gap is at most
    25 nV.

    "Absent" also requires that no response is seen; here that means an amplitude below 3 times the gap.
    """
    visible = amplitude_nv >= GUIDANCE_CLEAR.ratio * gap_nv
    if visible and amplitude_nv >= GUIDANCE_CLEAR.smallest_nv:
        return "clear response"
    return "no response" if gap_nv <= GUIDANCE_ABSENT.gap_nv and not visible else "inconclusive"


def _check(replicates: Sequence[Replicate]) -> None:
    if not replicates:
        raise ValueError("no runs to put together")
    for each in replicates:
        noise = each.averages.residual_noise_nv
        if not (math.isfinite(noise) and noise > 0 and np.isfinite(each.averages.average_uv).all()):
            raise ValueError(f"{each.name} has no average, or its residual noise is not known: leave it out")
    bands = {each.averages.band_hz for each in replicates}
    if len(bands) > 1:
        wide = ", ".join(f"{low:g}-{high:g} Hz" for low, high in sorted(bands))
        raise ValueError(f"the runs were filtered differently ({wide}): replay one of them with the band of the other")


def _on(times_ms: Floats, own_ms: Floats, values: Floats) -> Floats:
    """Values interpolated at other times, which must lie within their own."""
    if len(own_ms) == len(times_ms) and np.array_equal(own_ms, times_ms):
        return values
    return np.asarray(CubicSpline(own_ms, values)(times_ms))


def _independent_points(averages: Averages, window_ms: tuple[float, float]) -> float:
    """tr(S)^2 / tr(S^2) of the noise covariance S over the window, its mean removed, plus one for the mean."""
    count = max(2, round((window_ms[1] - window_ms[0]) / POINT_MS) + 1)
    lags = np.abs(np.subtract.outer(np.arange(count), np.arange(count))) * POINT_MS
    covariance = averages.noise.rms_nv**2 - averages.noise.difference_sd(lags) ** 2 / 2
    covariance = covariance - covariance.mean(axis=0) - covariance.mean(axis=1)[:, np.newaxis] + covariance.mean()
    return 1.0 + float(np.trace(covariance) ** 2 / (covariance**2).sum())
