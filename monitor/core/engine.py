"""The engine: chunks of a stream in, events out. The same object serves the live run and every replay.

Whatever it decides depends on the samples and their stamps only, never on where the stream was cut into chunks: filters
have finite memory, learning happens on a fixed grid of samples, and sweeps are judged in units.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.signal import resample_poly

from .analysis import UNIT_SWEEPS, AnalysisSettings, Look, RunningAnalysis, UnitResult
from .artefacts import CRITERIA, Criterion, raw_fault
from .clock import RateFit, StampWatch
from .epoching import Cut, Epoch
from .events import (
    AverageNow,
    Event,
    Gap,
    LookDone,
    RateMismatch,
    TriggerDoubled,
    TriggerLearned,
    TriggerSilent,
    UnitDone,
    Verdict,
)
from .evidence import EvidenceSettings
from .filtering import Band, RunningBand
from .history import History
from .onsets import LONGEST_LEARN_S, Onset, OnsetFinder, TriggerSettings
from .samples import Bools, Chunk, Floats, Layout
from .stopping import EvidenceReached, NoiseFloorReached, Outcome, StoppedBy, SweepLimit

SILENCE_S = (2.0, 10.0)  # without a trigger: say so; give up
RATE_CHECK_S = 10.0  # stamps need about this long to tell 100 ppm from their own scatter
RATE_PPM = (100.0, 1000.0)  # say so; serious
DISPLAY_RATE_HZ = 16000.0  # averages leave the engine at least this finely sampled


@dataclass(frozen=True)
class EngineSettings:
    """Everything that shapes a run's decisions, apart from the samples themselves."""

    layout: Layout
    band_hz: tuple[float, float] = (100.0, 1500.0)
    epoch_ms: tuple[float, float] = (-2.0, 20.0)
    window_ms: tuple[float, float] = (5.0, 17.0)
    delay_ms: float = 0.0
    rail_uv: float = np.inf
    trigger: TriggerSettings = field(default_factory=TriggerSettings)
    criteria: tuple[Criterion, ...] = CRITERIA
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    alpha: float = 0.01
    floor_nv: float = 15.0
    max_sweeps: int = 6144

    @cached_property
    def band(self) -> Band:
        return Band(self.layout.rate_hz, *self.band_hz)

    @cached_property
    def epoch(self) -> Epoch:
        start, stop = self.epoch_ms
        return Epoch(self.band, min(start, self.window_ms[0]), max(stop, self.window_ms[1]), self.delay_ms)

    @cached_property
    def analysis(self) -> AnalysisSettings:
        rules = (
            EvidenceReached(self.alpha),
            NoiseFloorReached(self.floor_nv, covered=self.evidence.covered_by(self.window_ms)),
            SweepLimit(self.max_sweeps, self.evidence.block_units * UNIT_SWEEPS),
        )
        epoch = self.epoch
        return AnalysisSettings(
            self.band.analysis_rate_hz, epoch.first_ms, epoch.n_times, self.window_ms, self.criteria, self.evidence, rules
        )

    def check(self) -> None:
        """Raise ValueError now rather than in the middle of a run."""
        self.analysis.window_times_ms  # noqa: B018  builds every derived value, each of which checks itself


@dataclass
class _Pending:
    """A sweep that was presented and waits for its samples, or for its unit to fill."""

    onset: Onset
    cut: Cut | None
    fault: str | None = None


@dataclass
class Counts:
    """Running totals of a run."""

    presented: int = 0
    rejected: Counter[str] = field(default_factory=Counter)


class Engine:
    """One run on one stream. ``feed`` until ``verdict`` is set, or ``finish`` from outside."""

    def __init__(self, settings: EngineSettings) -> None:
        settings.check()
        self.settings = settings
        self.sample = 0  # raw samples taken in
        self.counts = Counts()
        self.last_look: LookDone | None = None
        self.verdict: Verdict | None = None
        layout = settings.layout
        self._rows = [*layout.eeg, layout.trigger]
        self._stamps = StampWatch(layout.rate_hz)
        self.rate = RateFit(layout.rate_hz)
        self._rate_open = True
        self._rate_told = 0.0
        self._onsets = OnsetFinder(layout.rate_hz, settings.trigger)
        self._mark = settings.trigger.unit_mark_ms * 1e-3 * layout.rate_hz
        self.intervals: list[float] = []
        self._analysis = RunningAnalysis(settings.analysis, (len(layout.eeg),))
        self._waiting: deque[_Pending] = deque()  # presented, samples not all here yet
        self._unit: list[tuple[_Pending, Floats | None]] = []
        self._events: list[Event] = []
        self._heard = 0  # raw sample at which a trigger was last certain
        self._silent_told = False
        self._due: deque[Event] = deque()  # certain, but later than sweeps that are still to be judged
        self._begin_segment(0)

    # -- what goes in ---------------------------------------------------------------------------------------------

    def feed(self, chunk: Chunk) -> list[Event]:
        """Take the next chunk; return what became certain with it, in order. After the verdict nothing more comes."""
        if self.verdict is not None or not len(chunk.stamps_s):
            return []
        layout = self.settings.layout
        data = chunk.samples[self._rows].astype(np.float64)
        data[:-1] *= layout.uv_per_unit
        bad: Bools = np.logical_not(np.isfinite(data).all(axis=0))
        breaks = {jump.index - self.sample: jump.by_s for jump in self._stamps.feed(chunk.stamps_s)}
        edges = np.flatnonzero(np.diff(bad.astype(np.int8))) + 1
        cuts = sorted({0, *breaks, *(int(edge) for edge in edges), len(bad)})
        for start, stop in pairwise(cuts):
            if start in breaks:
                self._break(breaks[start])
            self._piece(data[:, start:stop], chunk.stamps_s[start:stop], bool(bad[start]))
            if self.verdict is not None:
                break
        events, self._events = self._events, []
        return events

    def finish(self, stopped_by: StoppedBy, reason: str) -> list[Event]:
        """End the run from outside (operator, fault); sweeps of an unfinished block are not used."""
        if self.verdict is None:
            self._decide(self.sample, "inconclusive", stopped_by, reason)
        events, self._events = self._events, []
        return events

    # -- segments -------------------------------------------------------------------------------------------------

    def _begin_segment(self, index: int) -> None:
        settings = self.settings
        count = len(settings.layout.eeg)
        rate = settings.layout.rate_hz
        wait = LONGEST_LEARN_S + 1.0 + (settings.epoch.stop_ms + settings.delay_ms + 100.0) * 1e-3
        reach = settings.band.reach
        self._origin = index + settings.band.first_output  # raw sample of output number 0
        self._band = RunningBand(settings.band, count)
        self._raw = History(count, int(wait * rate) + 2 * reach)
        self._raw.first = index
        self._out = History(count, int(wait * settings.band.analysis_rate_hz) + 2 * reach // settings.band.step)
        self._segment = index
        self._broken = False
        self._onsets.restart(index)

    def _break(self, by_s: float) -> None:
        reason = "lost" if by_s > 0 else "clock"
        self._say(Gap(self.sample, reason, by_s, self._stamps.lost_samples))
        self._drop_waiting("gap")
        self._begin_segment(self.sample)
        if self.rate.duration_s < RATE_CHECK_S:
            self.rate = RateFit(self.settings.layout.rate_hz)
        else:
            self._rate_open = False  # a line through stamps ends at the first jump

    def _piece(self, data: Floats, stamps_s: Floats, bad: bool) -> None:
        """Samples without any break inside."""
        self._watch_rate(stamps_s)
        if bad:
            if not self._broken:
                self._say(Gap(self.sample, "not_finite", 0.0, self._stamps.lost_samples))
                self._drop_waiting("not_finite")
                self._broken = True
            self.sample += data.shape[1]
        else:
            if self._broken:
                self._begin_segment(self.sample)
            self._take(data)
        self._advance(self.sample)

    def _take(self, data: Floats) -> None:
        self._raw.append(data[:-1])
        self._out.append(self._band.feed(data[:-1]))
        known = self._onsets.model
        onsets = self._onsets.feed(data[-1])
        self.sample += data.shape[1]
        if known is None and (model := self._onsets.model) is not None:
            at = self._onsets.learned_at or 0
            self._advance(at)
            self._heard = at
            direction = "rising" if model.sign > 0 else "falling"
            self._say(TriggerLearned(at, model.rest, model.threshold, direction, model.kind))
        for onset in onsets:
            self._present(onset)

    def _advance(self, until: int) -> None:
        """Bring everything that was certain before raw sample ``until`` into its order: sweeps, watches, silence."""
        while self.verdict is None:
            ready = self._ready(self._waiting[0]) if self._waiting else until
            due = self._due[0].sample if self._due else until
            if min(ready, due) >= until:
                break
            if due <= ready:
                self._say(self._due.popleft())
            else:
                self._judge(self._waiting.popleft(), ready)
        self._watch_silence(until)

    # -- sweeps ---------------------------------------------------------------------------------------------------

    def _present(self, onset: Onset) -> None:
        certain = max(onset.ready, self._onsets.learned_at or 0)
        self._advance(certain)
        if self.verdict is not None:
            return
        self._heard = certain
        self._silent_told = False
        if onset.doubled:
            self._say(TriggerDoubled(self._heard, onset.position))
        cut = self.settings.epoch.plan(onset.position, self._origin)
        if cut.first < 0:  # begins before this segment has filtered samples
            self._waiting.append(_Pending(onset, None, "edge"))
        else:
            self._waiting.append(_Pending(onset, cut, "trigger_doubled" if onset.doubled else None))

    def _ready(self, sweep: _Pending) -> int:
        known = max(sweep.onset.ready, self._onsets.learned_at or 0)
        return known if sweep.cut is None else max(known, sweep.cut.ready)

    def _judge(self, sweep: _Pending, ready: int) -> None:
        signal: Floats | None = None
        if sweep.cut is not None and sweep.fault is None:
            out = self._out.get(sweep.cut.first, sweep.cut.stop)
            raw = self._raw.get(sweep.cut.raw_first, sweep.cut.raw_stop)
            if out is None or raw is None:
                sweep.fault = "edge"
            else:
                sweep.fault = raw_fault(raw, self.settings.layout.rate_hz, self.settings.rail_uv)
                signal = self.settings.epoch.read(out, sweep.cut.phase)
        self._enter(sweep, signal, ready)

    def _drop_waiting(self, reason: str) -> None:
        for sweep in self._waiting:
            sweep.fault, sweep.cut = reason, None
            self._enter(sweep, None, self.sample)
        self._waiting.clear()

    def _enter(self, sweep: _Pending, signal: Floats | None, ready: int) -> None:
        """Put a sweep into the unit being filled; a marked first sweep closes the unit before it."""
        if self._unit and sweep.onset.width >= self._mark:
            self._close_unit(ready)
            if self.verdict is not None:
                return
        self._unit.append((sweep, signal))
        if len(self._unit) == UNIT_SWEEPS:
            self._close_unit(ready)

    def _close_unit(self, ready: int) -> None:
        unit, self._unit = self._unit, []
        channels, times = len(self.settings.layout.eeg), self.settings.epoch.n_times
        sweeps = np.zeros((channels, UNIT_SWEEPS, times))
        usable: Bools = np.zeros(UNIT_SWEEPS, dtype=bool)
        presented: Bools = np.arange(UNIT_SWEEPS) < len(unit)
        for place, (sweep, signal) in enumerate(unit):
            if signal is not None and sweep.fault is None:
                sweeps[:, place] = signal
                usable[place] = True
        shape = (channels, UNIT_SWEEPS)
        result = self._analysis.update(sweeps, np.broadcast_to(usable, shape), np.broadcast_to(presented, shape))
        left_out = self._left_out([sweep.fault for sweep, _ in unit], result)
        self.counts.presented += len(unit)
        self.counts.rejected.update(reason for reason in left_out if reason is not None)
        positions = tuple(sweep.onset.position for sweep, _ in unit)
        self.intervals = [*self.intervals, *np.diff(positions)][-512:]
        limit = float(self._analysis.limits.limits["peak"][0]) if "peak" in self._analysis.limits.limits else np.nan
        self._say(UnitDone(ready, self._analysis.average.units, positions, left_out, limit))
        if result.look is not None:
            self._tell(ready, result.look)

    @staticmethod
    def _left_out(faults: list[str | None], result: UnitResult) -> tuple[str | None, ...]:
        """Reason per sweep for the deciding channel: its fault, else the first criterion that it exceeds."""
        reasons = []
        for place, fault in enumerate(faults):
            over = [name for name, mask in result.exceeded if mask[0, place]]
            reasons.append(fault or (over[0] if over else None))
        return tuple(reasons)

    # -- what comes out -------------------------------------------------------------------------------------------

    def _say(self, event: Event) -> None:
        self._events.append(event)

    def _tell(self, ready: int, look: Look) -> None:
        """One look at the deciding channel as an event, and the verdict when a rule is met."""
        figures, noise = look.figures, look.noise
        if not np.isfinite(noise.within_units_nv[0]):
            cause = "unknown"
        else:
            cause = "between units" if noise.between_larger[0] else "within units"
        evidence, best = float(figures.evidence_log10[0]), float(look.evidence_log10_max[0])
        warm = np.isfinite(evidence)
        self.last_look = LookDone(
            sample=ready,
            sweeps_presented=self.counts.presented,
            sweeps_accepted=int(figures.sweeps_accepted[0]),
            rejected=dict(sorted(self.counts.rejected.items())),
            evidence=evidence,
            evidence_needed=EvidenceReached(self.settings.alpha).threshold_log10,
            p_value=min(1.0, 10.0**-best) if warm else np.nan,
            residual_noise_nv=float(noise.value_nv[0]),
            noise_cause=cause,
            within_units_nv=float(noise.within_units_nv[0]),
            between_units_nv=float(noise.between_units_nv[0]),
            single_point_nv=float(noise.single_point_nv[0]),
            plus_minus_nv=float(noise.plus_minus_nv[0]),
            fsp=float(figures.fsp[0]),
            upper_limit_nv=float(look.upper_limit_nv[0]),
            lost_samples=self._stamps.lost_samples,
        )
        self._say(self.last_look)
        met = int(look.rule[0])
        if met >= 0:
            rule = self.settings.analysis.rules[met]
            self._decide(ready, rule.outcome, rule.stopped_by, self._because(rule.stopped_by, self.last_look))

    def _because(self, stopped_by: StoppedBy, look: LookDone) -> str:
        if stopped_by == "response":
            allowed = f"at most {100 * self.settings.alpha:g} false alarms in 100 runs, however often one looks"
            return f"evidence {look.evidence:.2f} reached {look.evidence_needed:.2f} ({allowed})"
        if stopped_by == "noise_floor":
            return f"no response larger than about {look.upper_limit_nv:.0f} nV at {look.residual_noise_nv:.1f} nV of noise"
        return f"{self.settings.max_sweeps} sweeps allowed; evidence {look.evidence:.2f} of {look.evidence_needed:.2f}"

    def _decide(self, ready: int, verdict: Outcome, stopped_by: StoppedBy, reason: str) -> None:
        self.verdict = Verdict(ready, verdict, stopped_by, reason)
        self._say(self.verdict)

    def average_now(self) -> AverageNow:
        """Averages of all EEG channels as they stand, on a grid of at least 16 kHz inside the epoch."""
        average, epoch = self._analysis.average, self.settings.epoch
        up = max(1, int(np.ceil(DISPLAY_RATE_HZ / epoch.band.analysis_rate_hz)))
        times = epoch.first_ms + np.arange(epoch.n_times * up) * 1e3 / (epoch.band.analysis_rate_hz * up)
        inside = (times >= epoch.start_ms - 1e-9) & (times <= epoch.stop_ms + 1e-9)

        def fine(coarse: Floats) -> Floats:
            return np.asarray((resample_poly(coarse, up, 1, axis=-1) if up > 1 else coarse)[..., inside], dtype=np.float64)

        return AverageNow(
            times[inside].astype(np.float64),
            average_uv=fine(average.average_uv()),
            a_uv=fine(average.half_uv(0)),
            b_uv=fine(average.half_uv(1)),
            plus_minus_uv=fine(average.plus_minus_uv()),
        )

    @property
    def trigger_edges(self) -> str | None:
        return self._onsets.model.kind if self._onsets.model else None

    @property
    def lost_samples(self) -> int:
        return self._stamps.lost_samples

    # -- watches --------------------------------------------------------------------------------------------------

    def _watch_silence(self, until: int) -> None:
        rate = self.settings.layout.rate_hz
        say, give_up = (self._heard + int(limit * rate) for limit in SILENCE_S)
        if self.verdict is None and until > say and not self._silent_told:
            self._silent_told = True
            self._say(TriggerSilent(say, SILENCE_S[0]))
        if self.verdict is None and until > give_up:
            channel = self.settings.layout.labels[self.settings.layout.trigger]
            heard = "after the last one" if self._onsets.model is not None else "since the start"
            self._decide(
                give_up,
                "inconclusive",
                "fault",
                f"no trigger for {SILENCE_S[1]:.0f} s {heard} in channel {channel!r}: check the cable, the sound, and that this "
                "is the trigger channel (numbers count from 1)",
            )

    def _watch_rate(self, stamps_s: Floats) -> None:
        start = 0 if self._rate_open else len(stamps_s)
        grid = int(RATE_CHECK_S * self.settings.layout.rate_hz)
        while start < len(stamps_s):
            done = round(self.rate.duration_s * self.settings.layout.rate_hz)
            stop = min(len(stamps_s), start + grid - done % grid)
            self.rate.feed(stamps_s[start:stop])
            if (done + stop - start) % grid == 0:
                self._check_rate(self.sample + stop - 1)
            start = stop

    def _check_rate(self, sample: int) -> None:
        ppm, error = self.rate.ppm()
        for limit in RATE_PPM[::-1]:
            if abs(ppm) > limit + 6 * error and self._rate_told < limit:
                nominal = self.settings.layout.rate_hz
                self._rate_told = limit
                self._due.append(RateMismatch(sample, nominal, nominal * (1 + ppm * 1e-6), ppm, limit == RATE_PPM[1]))
                break


__all__ = ["Engine", "EngineSettings"]
