"""When to stop, and with which words: rules as frozen values in one table, one combination of them, three verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from .samples import Bools, Floats

Outcome = Literal["response_present", "response_absent", "inconclusive"]
StoppedBy = Literal["response", "noise_floor", "sweep_limit", "operator", "fault"]


@dataclass(frozen=True)
class Figures:
    """What a rule may look at, all (...,) for a batch of runs. Undefined is nan, and nan never decides."""

    sweeps_presented: Floats
    sweeps_accepted: Floats
    evidence_log10: Floats
    residual_noise_nv: Floats
    fsp: Floats


class Rule(Protocol):
    """A rule says yes for each run of a batch; ``outcome`` and ``stopped_by`` are what a yes means."""

    @property
    def outcome(self) -> Outcome: ...
    @property
    def stopped_by(self) -> StoppedBy: ...
    def met(self, figures: Figures) -> Bools: ...


def _between(name: str, value: float, low: float, high: float, advice: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{name} = {value} is outside {low:g} to {high:g}: {advice}")


@dataclass(frozen=True)
class EvidenceReached:
    """Response present: the anytime-valid evidence reaches 1 / alpha; alpha holds over all looks together."""

    alpha: float = 0.01
    outcome: Outcome = field(default="response_present", init=False)
    stopped_by: StoppedBy = field(default="response", init=False)

    def __post_init__(self) -> None:
        _between("alpha", self.alpha, 1e-6, 0.2, "it is the false-alarm rate of the whole run, usually 0.01")

    @property
    def threshold_log10(self) -> float:
        return -math.log10(self.alpha)

    def met(self, figures: Figures) -> Bools:
        return np.asarray(figures.evidence_log10 >= self.threshold_log10)


@dataclass(frozen=True)
class NoiseFloorReached:
    """Response absent at this noise floor: the average is quiet enough to have shown a response of interest.

    ``covered`` is False where the window misses part of the expected latencies; then silence proves nothing.
    15 nV RMS is about the 25 nV gap between two replicates of published guidance (gap = 1.596 x residual noise).
    """

    floor_nv: float = 15.0
    min_sweeps: int = 256
    covered: bool = True
    outcome: Outcome = field(default="response_absent", init=False)
    stopped_by: StoppedBy = field(default="noise_floor", init=False)

    def __post_init__(self) -> None:
        _between("floor_nv", self.floor_nv, 1.0, 500.0, "residual noise in nV RMS at which a missing response is believed")

    def met(self, figures: Figures) -> Bools:
        quiet = figures.residual_noise_nv <= self.floor_nv
        return np.asarray(quiet & (figures.sweeps_accepted >= self.min_sweeps) & self.covered)


@dataclass(frozen=True)
class SweepLimit:
    """Inconclusive: the next block would pass the largest number of sweeps."""

    max_sweeps: int = 6144
    block_sweeps: int = 32
    outcome: Outcome = field(default="inconclusive", init=False)
    stopped_by: StoppedBy = field(default="sweep_limit", init=False)

    def __post_init__(self) -> None:
        _between("max_sweeps", self.max_sweeps, 32, 10_000_000, "nothing is decided before 256 sweeps; 2000 to 6000 are usual")

    def met(self, figures: Figures) -> Bools:
        return np.asarray(figures.sweeps_presented + self.block_sweeps > self.max_sweeps)


STOPPING_RULES: dict[str, type[EvidenceReached] | type[NoiseFloorReached] | type[SweepLimit]] = {
    "evidence": EvidenceReached,
    "noise_floor": NoiseFloorReached,
    "sweep_limit": SweepLimit,
}


def first_met(rules: tuple[Rule, ...], figures: Figures) -> NDIndex:
    """Index (...,) of the first rule that says yes, -1 where none does: earlier rules win."""
    met = np.stack([rule.met(figures) for rule in rules], axis=-1)
    return np.asarray(np.where(met.any(axis=-1), met.argmax(axis=-1), -1))


NDIndex = np.ndarray[tuple[int, ...], np.dtype[np.int_]]
