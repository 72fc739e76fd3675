"""The engine: chunks of a stream in, events out. The same object serves the live run and every replay.

Its decisions depend on the samples and their stamps only, never on where the stream was cut into chunks: filters have finite
memory, learning happens on a fixed grid of samples, and sweeps are judged in units. Events are ordered by the sample at which
they became certain. Chunks are joined to blocks that end where the next unit can be judged, or a little before the next unknown
sweep could be complete. This delays no decision, and the ends of blocks follow from the stream alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from .artefacts import Faults
from .averaging import UNIT_SWEEPS
from .blocks import Blocks
from .cells import CellUnits
from .clock import Jump, RateFit, RateWatch, StampWatch
from .epoching import Cut
from .events import (
    AverageNow,
    CellUnit,
    Event,
    ForeignSound,
    Gap,
    LookDone,
    RateMismatch,
    SoundBroken,
    TriggerChanged,
    TriggerDoubled,
    TriggerLearned,
    TriggerSilent,
    Verdict,
)
from .following import Following
from .onsets import LOOKAHEAD_MS, Onset, OnsetFinder
from .reporting import NO_SAMPLE, foreign_code, foreign_sound, no_trigger, wrong_rate
from .samples import Bools, Chunk, Floats
from .segment import Segment
from .settings import EngineSettings
from .silence import SAY_S, SilenceWatch
from .stopping import Outcome, StoppedBy
from .units import Counts, Sweep, UnitBuilder, UnitEvaluator
from .watching import StreamWatch

LONGEST_BLOCK_S = 0.05  # largest delay of reports of gaps and silence
MARK_KNOWN_MS = LOOKAHEAD_MS + 1.0  # from the beginning of a mark until it is recognised, with a sample or two in reserve
DEVICE_TELLS_LATE_MS = 45.0  # a block and a host's period of 1024 samples at 48 kHz are 43 ms
BROKEN = "sound_broken"


class _Waiting(NamedTuple):
    """A presented sweep; at raw sample ``ready`` it is certain, and all its samples have arrived."""

    onset: Onset
    ready: int
    cut: Cut | None  # None: it has a fault already and needs no samples
    fault: str | None = None


OnSignal = Callable[[float, Floats], None]  # raw sample of the first point; filtered signal (n_channels, n), uV, band.step apart
OnCell = Callable[[CellUnit], Iterable[Event]]


class Engine:
    """One run on one stream. Call ``feed`` until ``verdict`` is set, or ``finish`` to end the run from outside.

    ``on_signal`` is called with the filtered signal. ``on_cell`` judges the units of a recording with several cells; the events
    that it returns follow the unit.
    """

    def __init__(
        self, settings: EngineSettings, on_signal: OnSignal | None = None, on_cell: OnCell | None = None
    ) -> None:  # fmt: skip
        settings.check()
        self.settings = settings
        self._on_signal, self._on_cell = on_signal, on_cell
        self.sample = 0  # raw samples worked through; up to LONGEST_BLOCK_S more may be waiting
        self.verdict: Verdict | None = None
        self.lost_samples = 0
        layout = settings.layout
        self._channels = len(layout.eeg)
        self._uv = layout.uv_per_unit
        self._rows = [*layout.eeg, layout.trigger]
        self._all_rows = self._rows == list(range(len(layout.labels)))
        self._stamps = StampWatch(layout.rate_hz)
        self._rate = RateWatch(layout.rate_hz)
        self._silence = SilenceWatch(layout.rate_hz)
        self._silence.heard(int(settings.lead_s * layout.rate_hz))
        mark_ms = settings.trigger.unit_mark_ms if settings.cells is None else np.nan  # with cells, other triggers are as wide
        self._watch = StreamWatch(layout.rate_hz, mark_ms * 1e-3 * layout.rate_hz, settings.delay_ms)
        self._onsets = OnsetFinder(layout.rate_hz, settings.trigger)
        ms = 1e-3 * layout.rate_hz
        self._device_break = settings.trigger.device_break_mark_ms * ms
        self._break_after = settings.trigger.break_after_ms * ms
        latest_ms = 0.0 if settings.together is None else 1e3 * settings.together.longest_s
        # a break this soon after its onset affects a sweep
        self._touchable = (settings.window_ms[1] + settings.delay_ms + latest_ms) * ms
        marked = np.isfinite(settings.trigger.break_mark_ms)  # then a sweep is judged only when a mark in it would be recognised
        self._settle = int(np.ceil(self._touchable + self._break_after + MARK_KNOWN_MS * ms)) if marked else 0
        self._judge = UnitEvaluator(settings, self._watch)
        cells = settings.cells
        self._cells = None if cells is None else CellUnits(cells, layout.rate_hz, self._channels, settings)
        self._waiting: deque[_Waiting] = deque()
        self._following = Following(layout.rate_hz, settings.schedule, settings.max_sweeps)
        self._builder = UnitBuilder(settings.trigger.unit_mark_ms * ms)
        self._epoch = settings.frame_epoch
        complete = self._epoch.plan(0.0, 0).ready - settings.band.step  # least wait from an onset to its last sample
        self._patience = max(1, min(complete, int(LONGEST_BLOCK_S * layout.rate_hz)))
        self._blocks = Blocks(self._patience)
        self._due: deque[RateMismatch] = deque()  # certain, but later than sweeps that are still to be judged
        self._events: list[Event] = []
        self._begin_segment(0)

    # -- what goes in ---------------------------------------------------------------------------------------------

    def feed(self, chunk: Chunk) -> list[Event]:
        """Take the next chunk; return the events that became certain with it, in order. There are no events after the verdict."""
        layout = self.settings.layout
        if len(chunk.samples) != len(layout.labels):
            raise ValueError(f"a chunk of {len(chunk.samples)} channels; this stream has {len(layout.labels)}")
        if self.verdict is not None or not len(chunk.stamps_s):
            return []
        self._blocks.take(chunk)
        self._work()
        return self._take_events()

    def _work(self, to_the_end: bool = False) -> None:
        """Work through every block that is complete."""
        for samples, stamps_s in self._blocks.complete(to_the_end):
            self._block(samples, stamps_s)
            if self.verdict is not None:
                break
            self._blocks.end = self._next_end()

    def _next_end(self) -> int:
        end = self.sample + self._patience
        last = self._builder.missing - 1  # place of the sweep that will complete the unit
        if last < len(self._waiting):
            end = min(end, self._waiting[last].ready + 1)
        return max(end, self.sample + 1)

    def _block(self, samples: Floats, stamps_s: Floats) -> None:
        """Process one block (n_channels, n) in stream units: it is cut at jumps of the stamps, and where samples become
        non-finite or finite again."""
        data = samples if self._all_rows else samples[self._rows]
        if self._uv != 1.0:
            with np.errstate(over="ignore"):  # becomes infinite, and a fault
                data[:-1] *= self._uv
        jumps = {jump.index - self.sample: jump for jump in self._stamps.feed(stamps_s)}
        finite = np.isfinite(data)
        if not jumps and finite.all():
            self._piece(data, stamps_s, False)
            return
        bad: Bools = np.logical_not(finite.all(axis=0))
        edges = np.flatnonzero(bad[1:] != bad[:-1]) + 1
        for start, stop in pairwise(sorted({0, *jumps, *edges.tolist(), len(stamps_s)})):
            if start in jumps:
                self._break(jumps[start], float(stamps_s[start]))
            self._piece(data[:, start:stop], stamps_s[start:stop], bool(bad[start]))
            if self.verdict is not None:
                break

    def finish(self, stopped_by: StoppedBy, why: str) -> list[Event]:
        """End the run from outside (operator, fault); sweeps of an unfinished unit are not used."""
        if self.verdict is None:
            self._work(to_the_end=True)
        if stopped_by == "operator" and (found := self._judge.waits) is not None:
            self._decide(self.sample, "response_present", stopped_by, found)
        self._decide(self.sample, "inconclusive", stopped_by, why)
        return self._take_events()

    def _take_events(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    # -- segments -------------------------------------------------------------------------------------------------

    def _begin_segment(self, index: int) -> None:
        self._segment = Segment(self.settings, index)
        self._broken = False
        self._onsets.restart(index)

    def _break(self, jump: Jump, stamp_s: float) -> None:
        self.lost_samples = jump.lost_samples
        reason = "no_stamp" if jump.unknown else "repeated" if jump.repeated else "lost" if jump.by_s > 0 else "clock"
        self._say(Gap(self.sample, reason, jump.by_s, self.lost_samples))
        self._interrupt("gap")
        self._following.gap(self.sample, jump.by_s)
        self._rate.broken(self.sample, stamp_s if jump.repeated else None)
        self._begin_segment(self.sample)

    def _piece(self, data: Floats, stamps_s: Floats, bad: bool) -> None:
        """Process samples that contain no break."""
        self._due.extend(self._rate.feed(stamps_s, self.sample))
        if bad:
            if not self._broken:
                self._say(Gap(self.sample, "not_finite", 0.0, self.lost_samples))
                self._interrupt("not_finite")
                self._broken = True
            self.sample += data.shape[1]
        else:
            if self._broken:
                self._begin_segment(self.sample)
            self._take(data)
        self._advance(self.sample)

    def _take(self, data: Floats) -> None:
        at, filtered = self._segment.take(data[:-1])
        if self._on_signal is not None and filtered.shape[1]:
            self._on_signal(at, filtered)
        known = self._onsets.model
        onsets = self._onsets.feed(data[-1])
        self.sample += data.shape[1]
        learned = self._onsets.learned_at or 0
        if known is None and (model := self._onsets.model) is not None:
            self._advance(learned)
            self._silence.heard(learned)
            direction = "rising" if model.sign > 0 else "falling"
            self._say(TriggerLearned(learned, model.rest, model.threshold, direction, model.kind))
        for onset in onsets:
            if onset.breaks:
                self._sound_broke(onset, max(onset.ready, learned))
            else:
                self._present(onset, max(onset.ready, learned))

    def _interrupt(self, why: str) -> None:
        """Report a break after the last sample: every sweep that still needs samples is lost."""
        for onset in self._onsets.cut_off():
            self._present(onset, self.sample, whole=False)
        for sweep in self._waiting:
            self._enter(Sweep(sweep.onset, (sweep.fault or why,) * self._channels, None), self.sample)
        self._waiting.clear()
        self._watch.broken()

    # -- the order of things ----------------------------------------------------------------------------------------

    def _advance(self, until: int) -> None:
        """Process everything that became certain before raw sample ``until``, in order: sweeps, watches, silence."""
        while self.verdict is None:
            ready = self._waiting[0].ready if self._waiting else until
            told = self._due[0].sample if self._due else until
            silent = self._silence.due
            first = min(ready, told, silent)
            if first >= until:
                break
            if told == first:
                self._say_rate(self._due.popleft())
            elif silent == first:
                self._say_silent(silent)
            else:
                self._complete(self._waiting.popleft())

    def _say(self, event: Event) -> None:
        if self.verdict is None:
            self._events.append(event)
            if isinstance(event, Verdict):
                self.verdict = event

    def _decide(self, sample: int, verdict: Outcome, stopped_by: StoppedBy, why: str) -> None:
        self._say(Verdict(sample, verdict, stopped_by, why))

    def _say_rate(self, found: RateMismatch) -> None:
        self._say(found)
        if found.refused:
            self._decide(found.sample, "inconclusive", "fault", wrong_rate(found))

    def _say_silent(self, sample: int) -> None:
        if not self._silence.say():
            self._say(TriggerSilent(sample, SAY_S))
            return
        channel = self.settings.layout.labels[self.settings.layout.trigger]
        why = NO_SAMPLE if self._broken else no_trigger(channel, ever=self._onsets.model is not None)
        self._decide(sample, "inconclusive", "fault", why)

    # -- sweeps ---------------------------------------------------------------------------------------------------

    def _present(self, onset: Onset, known: int, whole: bool = True) -> None:
        self._advance(known)
        self._silence.heard(known)
        if onset.doubled:
            self._say(TriggerDoubled(known, onset.position))
        odd = whole and self._watch.is_odd(onset)  # a trigger that is cut by a break has no known end
        if odd:
            self._say(TriggerChanged(known, onset.position))
        for event in self._watch.present(onset, known):
            self._say(event)
        cut = self._epoch.plan(onset.position, self._segment.origin)
        fault = "edge" if cut.first < 0 else None  # before the first output
        if fault is None and (onset.doubled or odd):
            fault = "trigger_doubled" if onset.doubled else "trigger_changed"
        settled = int(onset.position) + self._settle if self._settle else known
        ready = max(known, settled) if fault is not None else max(known, settled, cut.ready)
        self._waiting.append(_Waiting(onset, ready, cut if fault is None else None, fault))

    def _sound_broke(self, mark: Onset, known: int) -> None:
        """Reject the sweep whose stimulus or response window contains the break.

        A device reports a break up to one block and one period late. In that case every sweep within that time is rejected, and
        the last sweep in any case.
        """
        self._advance(known)
        self._silence.heard(known)
        # the mark lies a fixed time after the break; its width says whether the device reported it
        at, by_device = mark.position - self._break_after, bool(mark.width >= self._device_break)
        # sweeps that are not judged yet: those that still wait for samples, those of the open unit, those held back
        waiting = [sweep.onset.position for sweep in self._waiting]
        judged = [sweep.onset.position for sweep in (*self._builder.sweeps, *self._following.held)]
        last = max((position for position in (*waiting, *judged) if position < at), default=-np.inf)
        since = at - DEVICE_TELLS_LATE_MS * 1e-3 * self.settings.layout.rate_hz if by_device else at
        # touched: begun before the break, and not over when it may have begun
        touched = {position for position in (*waiting, *judged) if position < at and position + self._touchable > since}
        if by_device and np.isfinite(last):
            touched.add(last)
        for place, sweep in enumerate(self._waiting):
            if sweep.onset.position in touched:
                self._waiting[place] = sweep._replace(fault=sweep.fault or BROKEN)
        for sweeps in (self._builder.sweeps, self._following.held):
            for place, done in enumerate(sweeps):
                if done.onset.position in touched:
                    sweeps[place] = done._replace(faults=tuple(fault or BROKEN for fault in done.faults))
        self._watch.broken()
        self._following.broke(at)
        self._say(SoundBroken(known, at, len(touched), by_device))

    def _complete(self, sweep: _Waiting) -> None:
        faults: Faults = (sweep.fault,) * self._channels
        signal = None
        if sweep.cut is not None and sweep.fault is None:
            faults, signal = self._segment.sweep(sweep.cut)
        self._enter(Sweep(sweep.onset, faults, signal), sweep.ready)

    def _enter(self, sweep: Sweep, ready: int) -> None:
        """Take a sweep that is certain; judge the sweeps of this run's own sound as soon as they are known to be that."""
        followed = self._following.take(sweep)
        if followed.dropped or followed.refused:
            self._say(ForeignSound(ready, followed.dropped or len(self._following.held), followed.refused))
        for own in followed.own:
            if self._cells is not None:
                self._fill_cell(self._cells, own, ready)
                continue
            for unit in self._builder.add(own):
                self._judge_unit(unit, ready)
        if followed.refused:
            self._decide(ready, "inconclusive", "fault", foreign_sound())

    def _fill_cell(self, cells: CellUnits, sweep: Sweep, ready: int) -> None:
        if sweep.sound < 0:
            cells.stray()
            return
        unit, place = divmod(sweep.sound, UNIT_SWEEPS)
        if self._builder.sweeps and self._builder.sweeps[0].sound // UNIT_SWEEPS != unit:
            self._close_cell(cells, self._builder.close(), ready)
        self._builder.sweeps.append(sweep)
        if place == UNIT_SWEEPS - 1:
            self._close_cell(cells, self._builder.close(), ready)

    def _close_cell(self, cells: CellUnits, unit: list[Sweep], ready: int) -> None:
        coded = cells.take(unit, ready)
        for done in coded.own:
            for event in self._judge.count(done):
                self._say(event)
            for event in () if self._on_cell is None or self.verdict is not None else self._on_cell(done):
                self._say(event)
        if coded.refused:
            self._say(ForeignSound(ready, len(unit), True))
            self._decide(ready, "inconclusive", "fault", foreign_code())

    def _judge_unit(self, unit: list[Sweep], ready: int) -> None:
        if self.verdict is None:
            for event in self._judge.judge(unit, ready, self.lost_samples):
                self._say(event)

    # -- how it stands ----------------------------------------------------------------------------------------------

    @property
    def counts(self) -> Counts:
        return self._judge.counts

    @property
    def foreign_sweeps(self) -> int:
        """Number of sweeps that came before this run's own sound began, and were dropped."""
        return self._following.foreign

    @property
    def last_look(self) -> LookDone | None:
        return self._judge.last_look

    @property
    def intervals(self) -> deque[float]:
        """Raw samples between neighbouring onsets, the last few hundred."""
        return self._judge.intervals

    def average_now(self) -> AverageNow:
        """Present averages of all EEG channels, on a grid of at least 16 kHz inside the epoch."""
        return self._judge.average_now()

    @property
    def rate(self) -> RateFit:
        """The measured sampling rate, from the stamps of the longest unbroken stretch."""
        return self._rate.fit

    @property
    def rate_mismatch(self) -> bool:
        """Whether the stamps were found to disagree with the stream's nominal rate (see RateMismatch)."""
        return self._rate.told_ppm > 0

    @property
    def trigger_edges(self) -> str | None:
        """"digital" or "analogue"; None before the trigger channel was learned."""
        return self._onsets.model.kind if self._onsets.model else None


__all__ = ["Engine", "EngineSettings", "OnCell", "OnSignal"]
