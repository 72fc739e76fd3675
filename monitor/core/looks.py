"""When a rule looks, and how much of its error it may spend at each look.

The false alarms of a rule are at most the sum over its looks, whatever the dependence between them (union bound).
"bonferroni", "pocock" and "obrien_fleming" split alpha over the planned looks so that this sum is alpha; "pocock_joint"
uses the dependence; "none" has no budget.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr, ndtri

from .joint import constant_p_value
from .samples import Floats

Ints = np.ndarray[tuple[int, ...], np.dtype[np.int_]]


@dataclass(frozen=True)
class Looks:
    """Looks after ``first`` presented sweeps and after every further ``every``, up to ``max_sweeps``."""

    every: int = 256
    first: int = 256
    max_sweeps: int = 6144

    def __post_init__(self) -> None:
        for name in ("every", "first"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name} = {getattr(self, name)} sweeps: give at least 1, usually 256")
        if self.max_sweeps < self.first:
            raise ValueError(f"max_sweeps = {self.max_sweeps} is below the first look at {self.first}: no look would be left")

    @cached_property
    def at(self) -> Floats:
        """Presented sweeps of every look (n_looks,)."""
        return np.arange(self.first, self.max_sweeps + 1, self.every, dtype=np.float64)

    @cached_property
    def fractions(self) -> Floats:
        """Each look as a fraction of the last one (n_looks,); 1 for the last."""
        return np.asarray(self.at / self.at[-1])

    def reached(self, sweeps_presented: Floats) -> Ints:
        """Index of the latest look (...,) that is due after ``sweeps_presented`` (...,) sweeps, -1 before the first."""
        known = np.where(np.isfinite(sweeps_presented), sweeps_presented, 0.0)
        return np.asarray(np.clip(np.floor((known - self.first) / self.every).astype(np.int_), -1, len(self.at) - 1))

    def begin(self, batch: tuple[int, ...]) -> RunningLooks:
        return RunningLooks(self, batch)


class RunningLooks:
    """State of the looks of a batch of runs. A look is due at the first count of sweeps that reaches it."""

    def __init__(self, looks: Looks, batch: tuple[int, ...]) -> None:
        self._looks = looks
        self._last: Ints = np.full(batch, -1)

    def take(self, sweeps_presented: Floats) -> Ints:
        """Index of the look that is due now (...,), -1 for none. Each index comes at most once; a skipped look never comes."""
        reached = self._looks.reached(sweeps_presented)
        due = np.where(reached > self._last, reached, -1)
        self._last = np.maximum(self._last, reached)
        return np.asarray(due)


def bonferroni(alpha: float, fractions: Floats) -> Floats:
    """Alpha of each look (n_looks,): the same at every look."""
    return np.full(len(fractions), alpha / len(fractions))


def pocock(alpha: float, fractions: Floats) -> Floats:
    """Alpha of each look (n_looks,), nearly constant: alpha log(1 + (e - 1) t) is spent up to fraction t (Lan & DeMets 1983,
    Biometrika 70:659)."""
    return np.diff(alpha * np.log1p((math.e - 1.0) * fractions), prepend=0.0)


def obrien_fleming(alpha: float, fractions: Floats) -> Floats:
    """Alpha of each look (n_looks,), almost 0 for early looks: 2 - 2 Phi(z(alpha / 2) / sqrt(t)) is spent up to fraction t (Lan &
    DeMets 1983)."""
    return np.diff(2.0 * ndtr(ndtri(alpha / 2.0) / np.sqrt(fractions)), prepend=0.0)


def pocock_joint(alpha: float, fractions: Floats) -> Floats:
    """Alpha of each look (n_looks,): one p-value for all looks that is reached at least once with probability alpha (Pocock 1977,
    Biometrika 64:191).

    It is sharper than budgets whose sum is alpha, but relies on averages that grow by independent increments; see ``joint``.
    """
    return np.full(len(fractions), constant_p_value(alpha, fractions))


def unguarded(alpha: float, fractions: Floats) -> Floats:
    """All of alpha at every look. NOT valid at several looks: false alarms add up. Kept to show that they do."""
    return np.full(len(fractions), alpha)


Budget = Callable[[float, Floats], Floats]

# alpha and the fractions of the looks (n_looks,) -> alpha of each look (n_looks,)
BUDGETS: dict[str, Budget] = {
    "bonferroni": bonferroni,
    "pocock": pocock,
    "obrien_fleming": obrien_fleming,
    "pocock_joint": pocock_joint,
    "none": unguarded,
}
