"""When to stop, and with which words: every rule in one table, one combination of them, three verdicts."""

from __future__ import annotations

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
from .figures import Figures
from .identity import identity
from .looks import BUDGETS, Ints, Looks
from .rules import EvidenceReached, NoiseFloorReached, Outcome, Rule, StoppedBy, SweepLimit

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
        SweepLimit,
    )
}


class RunningStopping:
    """Rules in order, at work on a batch of runs. Any number of these can be fed with the same figures."""

    def __init__(self, rules: tuple[Rule, ...], batch: tuple[int, ...]) -> None:
        if not rules:
            raise ValueError("no rule is given: a run needs at least one rule that ends it, such as SweepLimit")
        self.rules = rules
        self._running = [rule.begin(batch) for rule in rules]

    def update(self, figures: Figures) -> Ints:
        """Index (...,) of the first rule that says yes at this look, -1 where none does: earlier rules win."""
        met = np.stack([rule.update(figures) for rule in self._running], axis=-1)
        return np.asarray(np.where(met.any(axis=-1), met.argmax(axis=-1), -1))


def rules_identity(rules: tuple[Rule, ...]) -> str:
    """Identity of several rules in their order; of one rule, its own."""
    return rules[0].identity() if len(rules) == 1 else identity(rules)


__all__ = [
    "BUDGETS",
    "STOPPING_RULES",
    "CorrelationReached",
    "EvidenceReached",
    "Figures",
    "FspReached",
    "GuidanceAbsent",
    "GuidanceClear",
    "HotellingReached",
    "Looks",
    "MultiPointFReached",
    "NaiveFsp",
    "NoiseFloorReached",
    "Outcome",
    "Rule",
    "RunningStopping",
    "SignalToNoise",
    "StoppedBy",
    "SweepLimit",
    "rules_identity",
]
