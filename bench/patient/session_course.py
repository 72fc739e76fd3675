"""Course of a session: states of a patient by time, each with its noise and bursts of movement. Pure.

People do not lie still for an hour: they fall asleep, move, wake up, become restless. All values are own choice, given in the
profile; nothing here depends on the sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
CHANGE_S = 10.0  # from one state to the next; own choice


@dataclass(frozen=True)
class State:
    """A state that begins `from_min` minutes after the start of the session, and up to `spread_min` later, drawn by a seed. The
    background noise is `noise` times that of the patient, and `bursts_per_min` replaces the patient's value. `what` is a word for
    display."""

    from_min: float
    noise: float = 1.0
    bursts_per_min: float = 0.0
    spread_min: float = 0.0
    what: str = ""

    def __post_init__(self) -> None:
        for name, low, high in (
            ("from_min", 0.0, 600.0), ("noise", 0.0, 100.0), ("bursts_per_min", 0.0, 120.0), ("spread_min", 0.0, 600.0),
        ):  # fmt: skip
            if not low <= getattr(self, name) <= high:
                raise ValueError(f"{name} = {getattr(self, name)} is outside {low:g}..{high:g}")


def check(course: Sequence[State]) -> None:
    """Raise ValueError for states whose order could be wrong for some draw."""
    for before, after in pairwise(course):
        if not before.from_min + before.spread_min < after.from_min:
            latest = before.from_min + before.spread_min
            raise ValueError(
                f"course: a state from {after.from_min:g} min follows one that may begin at {latest:g} min: give states "
                "in order, each after the latest begin of the one before"
            )


def drawn(course: Sequence[State], seed: int) -> tuple[State, ...]:
    """The states of one session with drawn times; `spread_min` is 0 in all."""
    later = np.random.default_rng([seed, 0x636F75727365]).uniform(size=len(course))
    return tuple(
        replace(state, from_min=state.from_min + float(part) * state.spread_min, spread_min=0.0)
        for state, part in zip(course, later, strict=True)
    )


def noise_at(course: Sequence[State], session_s: ArrayLike) -> Floats:
    """Factor of the background at times of any shape; straight lines over `CHANGE_S` at the begin of a state."""
    return _over_time([state.noise for state in course], 1.0, course, session_s)


def bursts_per_min_at(course: Sequence[State], usual: float, session_s: ArrayLike) -> Floats:
    return _over_time([state.bursts_per_min for state in course], usual, course, session_s)


def _over_time(values: Sequence[float], usual: float, course: Sequence[State], session_s: ArrayLike) -> Floats:
    at = np.asarray(session_s, dtype=np.float64)
    out = np.full(at.shape, usual)
    before = usual
    for state, value in zip(course, values, strict=True):
        since_s = at - 60.0 * state.from_min
        # who begins the session in a state was in it before
        part = np.clip(since_s / CHANGE_S, 0.0, 1.0) if state.from_min > 0 else np.ones(at.shape)
        out = np.where(since_s >= 0, before + part * (value - before), out)
        before = value
    return np.asarray(out)
