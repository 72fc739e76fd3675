"""Settings that shape a run's decisions, and values derived from them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from .analysis import UNIT_SWEEPS, AnalysisSettings
from .artefacts import CRITERIA, Criterion
from .epoching import Epoch
from .evidence import EvidenceSettings
from .filtering import Band
from .samples import Layout
from .stopping import DEFAULT_LOOK_EVERY, FindsResponse, decision_identity, rules_of_run
from .train import Both, Code, Schedule
from .triggers import TriggerSettings


@dataclass(frozen=True)
class EngineSettings:
    """All settings that shape a run's decisions. ``check`` raises ValueError."""

    layout: Layout
    band_hz: tuple[float, float] = (100.0, 1500.0)
    epoch_ms: tuple[float, float] = (-2.0, 20.0)
    window_ms: tuple[float, float] = (5.0, 17.0)
    delay_ms: float = 0.0
    rail_uv: float = np.inf
    trigger: TriggerSettings = field(default_factory=TriggerSettings)
    criteria: tuple[Criterion, ...] = CRITERIA
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    rule: str = "evidence"  # or RULE:BUDGET, see ``rules_of_run``
    look_every: int = DEFAULT_LOOK_EVERY  # sweeps between looks, for rules with planned looks
    alpha: float = 0.01
    floor_nv: float = 15.0
    max_sweeps: int = 6144
    quiet_nv: float | None = None  # noise down to which a run goes on after a response
    absent_below_nv: float | None = None  # a run may end when no response can be that large
    schedule: Schedule | None = None  # of the run's own sound, with which triggers are compared
    cells: Code | None = None  # of a recording with several cells; then units leave the engine unjudged (CellUnit)
    together: Both | None = None  # of a recording with several cells in which both ears hear sounds at once
    lead_s: float = 0.0  # intended silence; the wait for triggers counts from its end

    @cached_property
    def band(self) -> Band:
        return Band(self.layout.rate_hz, *self.band_hz)

    @cached_property
    def epoch(self) -> Epoch:
        start, stop = self.epoch_ms
        return Epoch(self.band, min(start, self.window_ms[0]), max(stop, self.window_ms[1]), self.delay_ms)

    @cached_property
    def frame_epoch(self) -> Epoch:
        """The part of the stream that is cut at each trigger: the epoch, or with both ears at once all that holds the epochs of
        both."""
        epoch = self.epoch
        if self.together is None:
            return epoch
        margin_ms, longest_ms = epoch.margin * 1e3 / self.band.analysis_rate_hz, 1e3 * self.together.longest_s
        return Epoch(self.band, epoch.start_ms - margin_ms, epoch.stop_ms + longest_ms + 2 * margin_ms, self.delay_ms)

    @cached_property
    def analysis(self) -> AnalysisSettings:
        rules = rules_of_run(
            self.rule,
            alpha=self.alpha,
            floor_nv=self.floor_nv,
            max_sweeps=self.max_sweeps,
            block_sweeps=self.evidence.block_units * UNIT_SWEEPS,
            look_every=self.look_every,
            quiet_nv=self.quiet_nv,
            absent_below_nv=self.absent_below_nv,
        )
        return AnalysisSettings(
            self.band.analysis_rate_hz,
            self.epoch.first_ms,
            self.epoch.n_times,
            self.window_ms,
            self.criteria,
            self.evidence,
            rules,
            self.band.response,
        )

    @property
    def finds(self) -> FindsResponse:
        """The rule that may find a response."""
        return self.analysis.finds

    @property
    def identity(self) -> str:
        """Hash over everything that shapes a decision on given sweeps; a validation with the same settings has the same."""
        return decision_identity(self.analysis.rules, self.evidence, self.window_ms, self.criteria, self.band_hz)

    def check(self) -> None:
        """Raise ValueError now rather than in the middle of a run."""
        if not self.rail_uv > 0:
            raise ValueError(f"rail_uv = {self.rail_uv} must be above 0 (infinite where the amplifier's rail is not known)")
        if self.cells is not None and self.schedule is None:
            raise ValueError("a recording with several cells needs the plan of its sound: give a schedule (sound.held_to_plan)")
        if self.together is not None and self.cells is None:
            raise ValueError("both ears at once: give the code of the cells too")
        self.frame_epoch  # noqa: B018  builds itself
        self.analysis.window_times_ms  # noqa: B018  builds every derived value, each of which checks itself
