"""Stopping of a run: one table of all rules, their combination, and the three verdicts."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from .classical_rules import (
    CorrelationReached,
    FspReached,
    GuidanceAbsent,
    GuidanceClear,
    HotellingReached,
    MultiPointFReached,
    NaiveFsp,
    SignalToNoise,
)
from .identity import identity
from .look_statistics import LookStatistics
from .looks import BUDGETS, Ints, Looks
from .rules import (
    EvidenceReached,
    FindsResponse,
    NoiseFloorReached,
    Outcome,
    QuietAfterResponse,
    Rule,
    RuleProgress,
    StoppedBy,
    SweepLimit,
    UpperLimitReached,
    Waiting,
)
from .samples import Bools

STOPPING_RULES: dict[str, type[Rule]] = {
    rule.name: rule
    for rule in (
        EvidenceReached,
        FspReached,
        MultiPointFReached,
        HotellingReached,
        CorrelationReached,
        NaiveFsp,
        GuidanceClear,
        GuidanceAbsent,
        SignalToNoise,
        NoiseFloorReached,
        UpperLimitReached,
        SweepLimit,
    )
}


class RunningStopping:
    """State of the rules of a batch of runs, in order. Several of these can be fed with the same statistics."""

    def __init__(self, rules: tuple[Rule, ...], batch: tuple[int, ...]) -> None:
        if not rules:
            raise ValueError("no rule is given: a run needs at least one rule that ends it, such as SweepLimit")
        self.rules = rules
        self._running = [rule.begin(batch) for rule in rules]
        self._absent = np.array([rule.outcome == "response_absent" for rule in rules])
        self._nowhere: Bools = np.zeros(batch, dtype=bool)

    def update(self, figures: LookStatistics) -> Ints:
        """Index (...,) of the first rule that is met at this look, -1 where none is; earlier rules have priority.

        Where a response was found and the run waits for a quieter average, no rule can call it absent any more.
        """
        met = np.stack([rule.update(figures) for rule in self._running], axis=-1)
        if (found := self.found).any():
            met &= ~(found[..., np.newaxis] & self._absent)
        return np.asarray(np.where(met.any(axis=-1), met.argmax(axis=-1), -1))

    @property
    def found(self) -> Bools:
        """Whether (...,) a response was found by a rule that waits for a quieter average; False if no such rule is used."""
        return next((rule.found for rule in self._running if isinstance(rule, Waiting)), self._nowhere)


DEFAULT_LOOK_EVERY = 256


def rules_of_run(
    name: str, *, alpha: float, floor_nv: float, max_sweeps: int, block_sweeps: int, look_every: int = DEFAULT_LOOK_EVERY,
    quiet_nv: float | None = None, absent_below_nv: float | None = None,
) -> tuple[Rule, ...]:  # fmt: skip
    """The rules that end a run, in order: one that finds a response, by name, then the noise floor, the upper limit where
    ``absent_below_nv`` is given, and the sweep limit.

    ``name`` is RULE or RULE:BUDGET, such as ``fsp:bonferroni``. With ``quiet_nv`` the run goes on after a response until residual
    noise is that low. Raises ValueError for names that are not in the tables.
    """
    rule, _, budget = name.partition(":")
    askable = {known: kind for known, kind in STOPPING_RULES.items() if issubclass(kind, FindsResponse)}
    if rule not in askable:
        raise ValueError(f"rule {rule!r} is unknown, or cannot find a response: choose from {', '.join(askable)}")
    kind = askable[rule]
    known = {parameter.name for parameter in fields(kind)}
    given: dict[str, Any] = {"alpha": alpha}
    if budget:
        if "budget" not in known:
            raise ValueError(f"rule {name!r}: {rule} has no error budget to choose; write {rule}")
        given["budget"] = budget
    limit = SweepLimit(max_sweeps, block_sweeps)
    if "looks" in known:
        every, first = (1024, 2048) if rule == "guidance_clear" else (look_every, look_every)
        given["looks"] = Looks(every, min(first, max_sweeps), max_sweeps)
    finds = kind(**{key: value for key, value in given.items() if key in known})
    absent: Rule = GuidanceAbsent(looks=given["looks"]) if rule == "guidance_clear" else NoiseFloorReached(floor_nv)
    ends: tuple[Rule, ...] = (absent, limit)
    if absent_below_nv is not None:
        ends = (absent, UpperLimitReached(absent_below_nv), limit)
    return (finds if quiet_nv is None else QuietAfterResponse(finds, limit, quiet_nv), *ends)


def decision_identity(rules: tuple[Rule, ...], *context: object) -> str:
    """Twelve hexadecimal digits over all rules of a run, in order, and all other settings that matter (``context``)."""
    return identity((rules, context))


__all__ = [
    "BUDGETS",
    "STOPPING_RULES",
    "CorrelationReached",
    "EvidenceReached",
    "FindsResponse",
    "FspReached",
    "GuidanceAbsent",
    "GuidanceClear",
    "HotellingReached",
    "LookStatistics",
    "Looks",
    "MultiPointFReached",
    "NaiveFsp",
    "NoiseFloorReached",
    "Outcome",
    "QuietAfterResponse",
    "Rule",
    "RuleProgress",
    "RunningStopping",
    "SignalToNoise",
    "StoppedBy",
    "SweepLimit",
    "UpperLimitReached",
    "decision_identity",
    "rules_of_run",
]
