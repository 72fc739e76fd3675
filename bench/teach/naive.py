"""Rules that are not valid, beside the run of a lesson: the rules of the core, fed with its sweeps, also after its verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from quietfloor.bench.teach.choices import NAIVE_EVERY, RULES, Opinion
from quietfloor.monitor.core.analysis import RunningAnalysis
from quietfloor.monitor.core.look_statistics import LookStatistics
from quietfloor.monitor.core.looks import Looks
from quietfloor.monitor.core.rules import FindsResponse, Rule
from quietfloor.monitor.core.samples import Bools, Floats
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.stopping import RunningStopping, SweepLimit, rules_of_run

MOST = 1_000_000  # sweeps; no lesson gets there


class NaiveRules:
    """Feed it units of 16 sweeps; `opinions` says what each rule but the first of RULES thinks."""

    def __init__(self, settings: EngineSettings) -> None:
        self._rules = tuple(_finding(name, settings.alpha) for name, _, _ in RULES[1:])
        only = replace(settings.analysis, rules=(SweepLimit(MOST),))
        self._analysis = RunningAnalysis(only, (), frozenset().union(*(rule.needs for rule in self._rules)), ())
        self._running = [RunningStopping((rule,), ()) for rule in self._rules]
        self._at = [0] * len(self._rules)
        self._figures: LookStatistics | None = None

    def unit(self, sweeps_uv: Floats, used: Bools) -> None:
        """(16, n_times), and which of them the engine did not leave out (16,)."""
        look = self._analysis.update(sweeps_uv, used).look
        if look is None:
            return
        self._figures = look.figures
        for place, running in enumerate(self._running):
            if int(running.update(look.figures)) >= 0 and not self._at[place]:
                self._at[place] = int(look.figures.sweeps_presented)

    def opinions(self) -> tuple[Opinion, ...]:
        return tuple(
            Opinion(title, at > 0, at, self._standing(rule))
            for (_, title, _), rule, at in zip(RULES[1:], self._rules, self._at, strict=True)
        )

    def _standing(self, rule: FindsResponse) -> str:
        if self._figures is None:
            return "from 256 sweeps"
        standing = rule.standing(self._figures)
        value, needed = float(standing.value), float(standing.needed)
        if not np.isfinite(value):
            return "not known yet"
        if rule.measure == "p_value":
            return f"p = {10.0**-value:.2g}"
        return f"{value:.1f} of {needed:.1f}"


def _finding(name: str, alpha: float) -> FindsResponse:
    """The rule of this name, looking every NAIVE_EVERY sweeps for as long as a lesson lasts."""
    rule: Rule = rules_of_run(name, alpha=alpha, floor_nv=15.0, max_sweeps=6144, block_sweeps=16, look_every=NAIVE_EVERY)[0]
    assert isinstance(rule, FindsResponse)
    return replace(rule, looks=Looks(NAIVE_EVERY, NAIVE_EVERY, MOST))  # type: ignore[call-arg]  # all of these look at times
