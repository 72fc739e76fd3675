"""The engine: chunks of a stream in, events out. The same object serves the live run and every replay.

Whatever it decides depends on the samples and their stamps only, never on where the stream was cut into chunks: filters
have finite memory, learning happens on a fixed grid of samples, sweeps are judged in units, and everything that has to
be said waits in one order, that of the sample which made it certain. Chunks are put together to blocks that end where
the next unit can be judged, or a little before the next unknown sweep could be complete: waiting costs no decision any
time, and where a block ends follows from the stream alone.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from .analysis import SHOWN, UNIT_SWEEPS, RunningAnalysis, UnitResult
from .artefacts import raw_faults
from .clock import Jump, RateFit, RateWatch, StampWatch
from .epoching import Cut
from .events import (
    AverageNow,
    Event,
    Gap,
    LookDone,
    RateMismatch,
    SoundBroken,
    TriggerChanged,
    TriggerDoubled,
    TriggerLearned,
    TriggerSilent,
    UnitDone,
    Verdict,
)
from .filtering import RunningBand
from .history import History
from .onsets import LONGEST_LEARN_S, LOOKAHEAD_MS, Onset, OnsetFinder
from .reporting import DECIDING, look_event, reason
from .samples import Bools, Chunk, Floats
from .settings import EngineSettings
from .silence import GIVE_UP_S, SAY_S, SilenceWatch
from .stopping import Outcome, StoppedBy
from .watching import StreamWatch

DISPLAY_RATE_HZ = 16000.0  # averages leave the engine at least this finely sampled
LONGEST_BLOCK_S = 0.05  # gaps and silence are told this late at most
MARK_KNOWN_MS = LOOKAHEAD_MS + 1.0  # from the beginning of a mark until it is known for one, with a sample or two to spare
DEVICE_TELLS_LATE_MS = 45.0  # a block and a host's period of 1024 samples at 48 kHz are 43 ms
BROKEN = "sound_broken"
Faults = tuple[str | None, ...]  # one per EEG channel; None: none found


class _Waiting(NamedTuple):
    """A sweep that was presented, certain at raw sample ``known``, whose samples are not all here yet."""

    onset: Onset
    known: int
    cut: Cut | None  # None: it has a fault already and needs no samples
    fault: str | None = None

    @property
    def ready(self) -> int:
        return self.known if self.cut is None else max(self.known, self.cut.ready)


class _Judged(NamedTuple):
    """A sweep (n_channels, n_times) in uV with what is wrong with it; no signal where no channel can be used."""

    onset: Onset
    faults: Faults
    signal: Floats | None


@dataclass
class Counts:
    """Running totals of a run, up to its last whole unit."""

    presented: int = 0
    rejected: Counter[str] = field(default_factory=Counter)


Tap = Callable[[float, Floats], None]  # raw sample of the first point, filtered signal (n_channels, n) in uV, band.step apart


class Engine:
    """One run on one stream. ``feed`` until ``verdict`` is set, or ``finish`` from outside. ``tap`` gets the filtered signal."""

    def __init__(self, settings: EngineSettings, tap: Tap | None = None) -> None:
        settings.check()
        self.settings = settings
        self._tap = tap
        self.sample = 0  # raw samples worked through; up to LONGEST_BLOCK_S more may be waiting
        self.counts = Counts()
        self.last_look: LookDone | None = None
        self._found: LookDone | None = None  # the look at which a response was found that waits for a quieter average
        self._first_position = np.nan  # of the first sweep, raw samples
        self.verdict: Verdict | None = None
        self.lost_samples = 0
        self.intervals: list[float] = []  # raw samples between neighbouring onsets, the last few hundred
        layout = settings.layout
        self._channels = len(layout.eeg)
        self._rows = [*layout.eeg, layout.trigger]
        self._all_rows = self._rows == list(range(len(layout.labels)))
        self._faultless: Faults = (None,) * self._channels
        self._stamps = StampWatch(layout.rate_hz)
        self._rate = RateWatch(layout.rate_hz)
        self._silence = SilenceWatch(layout.rate_hz)
        self._silence.heard(int(settings.lead_s * layout.rate_hz))
        self._watch = StreamWatch(layout.rate_hz, settings.trigger.unit_mark_ms * 1e-3 * layout.rate_hz, settings.delay_ms)
        self._onsets = OnsetFinder(layout.rate_hz, settings.trigger)
        ms = 1e-3 * layout.rate_hz
        self._mark, self._device_break = settings.trigger.unit_mark_ms * ms, settings.trigger.device_break_mark_ms * ms
        self._break_after = settings.trigger.break_after_ms * ms
        self._touchable = (settings.window_ms[1] + settings.delay_ms) * ms  # from its onset on a break touches a sweep
        marked = np.isfinite(settings.trigger.break_mark_ms)  # then no sweep is judged before a mark in it would be known
        self._settle = int(np.ceil(self._touchable + self._break_after + MARK_KNOWN_MS * ms)) if marked else 0
        self._analysis = RunningAnalysis(settings.analysis, (self._channels,), SHOWN | settings.finds.needs)
        self._waiting: deque[_Waiting] = deque()
        self._unit: list[_Judged] = []
        self._held: list[Chunk] = []  # taken in, not worked through
        self._arrived = 0  # raw samples up to their end
        complete = settings.epoch.plan(0.0, 0).ready - settings.band.step  # least wait from an onset to its last sample
        self._patience = max(1, min(complete, int(LONGEST_BLOCK_S * layout.rate_hz)))
        self._block_end = self._patience
        self._due: deque[RateMismatch] = deque()  # certain, but later than sweeps that are still to be judged
        self._events: list[Event] = []
        self._begin_segment(0)

    # -- what goes in ---------------------------------------------------------------------------------------------

    def feed(self, chunk: Chunk) -> list[Event]:
        """Take the next chunk; return what became certain with it, in order. After the verdict nothing more comes."""
        layout = self.settings.layout
        if len(chunk.samples) != len(layout.labels):
            raise ValueError(f"a chunk of {len(chunk.samples)} channels; this stream has {len(layout.labels)}")
        count = len(chunk.stamps_s)
        if self.verdict is not None or not count:
            return []
        self._held.append(chunk)
        self._arrived += count
        if self._arrived >= self._block_end:
            self._work()
        return self._take_events()

    def _work(self, to_the_end: bool = False) -> None:
        """Work through every block that is complete."""
        held, self._held = self._held, []
        samples = held[0].samples if len(held) == 1 else np.concatenate([chunk.samples for chunk in held], axis=1)
        stamps_s = held[0].stamps_s if len(held) == 1 else np.concatenate([chunk.stamps_s for chunk in held])
        first = self.sample
        while self.verdict is None and self._block_end <= self._arrived:
            start, stop = self.sample - first, self._block_end - first
            self._block(samples[:, start:stop], stamps_s[start:stop])
            self._block_end = self._next_end()
        rest = slice(self.sample - first, None)
        if to_the_end and self.verdict is None and self.sample < self._arrived:
            self._block(samples[:, rest], stamps_s[rest])
        elif self.sample < self._arrived:
            self._held = [Chunk(samples[:, rest], stamps_s[rest])]

    def _next_end(self) -> int:
        end = self.sample + self._patience
        last = UNIT_SWEEPS - 1 - len(self._unit)  # place of the sweep that will complete the unit
        if last < len(self._waiting):
            end = min(end, self._waiting[last].ready + 1)
        return max(end, self.sample + 1)

    def _block(self, samples: NDArray[Any], stamps_s: Floats) -> None:
        """One block (n_channels, n) in stream units: cut at jumps, and where samples stop or begin to be finite."""
        data = (samples if self._all_rows else samples[self._rows]).astype(np.float64)
        data[:-1] *= self.settings.layout.uv_per_unit
        jumps = {jump.index - self.sample: jump for jump in self._stamps.feed(stamps_s)}
        finite = np.isfinite(data)
        if not jumps and finite.all():
            self._piece(data, stamps_s, False)
            return
        bad: Bools = np.logical_not(finite.all(axis=0))
        edges = np.flatnonzero(bad[1:] != bad[:-1]) + 1
        for start, stop in pairwise(sorted({0, *jumps, *edges.tolist(), len(stamps_s)})):
            if start in jumps:
                self._break(jumps[start])
            self._piece(data[:, start:stop], stamps_s[start:stop], bool(bad[start]))
            if self.verdict is not None:
                break

    def finish(self, stopped_by: StoppedBy, why: str) -> list[Event]:
        """End the run from outside (operator, fault); sweeps of an unfinished unit are not used."""
        if self.verdict is None and self._held:
            self._work(to_the_end=True)
        if stopped_by == "operator" and self._found is not None and self.last_look is not None:
            found = reason("response", self.last_look, self.settings, self._found)
            self._decide(self.sample, "response_present", stopped_by, found)
        self._decide(self.sample, "inconclusive", stopped_by, why)
        return self._take_events()

    def _take_events(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    # -- segments -------------------------------------------------------------------------------------------------

    def _begin_segment(self, index: int) -> None:
        settings, band, rate = self.settings, self.settings.band, self.settings.layout.rate_hz
        epoch = settings.epoch
        keep_s = LONGEST_LEARN_S + 1.0 + (epoch.stop_ms - epoch.start_ms + settings.delay_ms + 100.0) * 1e-3
        self._origin = index + band.first_output  # raw sample of output number 0
        self._band = RunningBand(band, self._channels)
        self._raw = History(self._channels, int(keep_s * rate) + 2 * band.reach, index)
        self._out = History(self._channels, (int(keep_s * rate) + 2 * band.reach) // band.step)
        self._broken = False
        self._onsets.restart(index)

    def _break(self, jump: Jump) -> None:
        self.lost_samples = jump.lost_samples
        reason = "repeated" if jump.repeated else "lost" if jump.by_s > 0 else "clock"
        self._say(Gap(self.sample, reason, jump.by_s, self.lost_samples))
        self._interrupt("gap")
        self._rate.broken(self.sample)
        self._begin_segment(self.sample)

    def _piece(self, data: Floats, stamps_s: Floats, bad: bool) -> None:
        """Samples without any break inside."""
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
        self._raw.append(data[:-1])
        filtered = self._band.feed(data[:-1])
        if self._tap is not None and filtered.shape[1]:
            self._tap(self._origin + self._out.stop * self.settings.band.step, filtered)
        self._out.append(filtered)
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
        """No sample follows on the last one: every sweep that still needs one is lost."""
        for onset in self._onsets.cut_off():
            self._present(onset, self.sample, whole=False)
        for sweep in self._waiting:
            self._enter(_Judged(sweep.onset, (sweep.fault or why,) * self._channels, None), self.sample)
        self._waiting.clear()
        self._watch.broken()

    # -- the order of things ----------------------------------------------------------------------------------------

    def _advance(self, until: int) -> None:
        """Bring everything that was certain before raw sample ``until`` into its order: sweeps, watches, silence."""
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
                self._judge(self._waiting.popleft(), ready)

    def _say(self, event: Event) -> None:
        if self.verdict is None:
            self._events.append(event)

    def _decide(self, sample: int, verdict: Outcome, stopped_by: StoppedBy, why: str) -> None:
        if self.verdict is None:
            self.verdict = Verdict(sample, verdict, stopped_by, why)
            self._events.append(self.verdict)

    def _say_rate(self, found: RateMismatch) -> None:
        self._say(found)
        if found.refused:
            why = (
                f"the stream states {found.nominal_hz:g} Hz, but its time stamps say {found.measured_hz:.0f} Hz: filters and "
                "times would not be what they are called. Set the amplifier's program right, then begin a new run"
            )
            self._decide(found.sample, "inconclusive", "fault", why)

    def _say_silent(self, sample: int) -> None:
        if not self._silence.say():
            self._say(TriggerSilent(sample, SAY_S))
            return
        channel = self.settings.layout.labels[self.settings.layout.trigger]
        heard = "after the last one" if self._onsets.model is not None else "since the start"
        if self._broken:
            why = f"no usable sample for {GIVE_UP_S:.0f} s: at least one chosen channel is not a finite number; is it connected?"
        else:
            why = (
                f"no trigger for {GIVE_UP_S:.0f} s {heard} in channel {channel!r}: check the cable, the sound, and that this "
                "is the trigger channel (numbers count from 1)"
            )
        self._decide(sample, "inconclusive", "fault", why)

    # -- sweeps ---------------------------------------------------------------------------------------------------

    def _present(self, onset: Onset, known: int, whole: bool = True) -> None:
        self._advance(known)
        self._silence.heard(known)
        if onset.doubled:
            self._say(TriggerDoubled(known, onset.position))
        odd = whole and self._watch.is_odd(onset)  # the end of one that is cut by a break is not known
        if odd:
            self._say(TriggerChanged(known, onset.position))
        for event in self._watch.present(onset, known):
            self._say(event)
        cut = self.settings.epoch.plan(onset.position, self._origin)
        fault = "edge" if cut.first < 0 else None  # before the first output
        if fault is None and (onset.doubled or odd):
            fault = "trigger_doubled" if onset.doubled else "trigger_changed"
        settled = int(onset.position) + self._settle if self._settle else known
        self._waiting.append(_Waiting(onset, max(known, settled), cut if fault is None else None, fault))

    def _sound_broke(self, mark: Onset, known: int) -> None:
        """Leave out the sweep whose sound or response window the break fell into. A device that broke says so up to a block and a
        period later: then every sweep of that time goes, and the last one anyhow."""
        self._advance(known)
        self._silence.heard(known)
        at, by_device = mark.position - self._break_after, bool(mark.width >= self._device_break)
        waiting = [sweep.onset.position for sweep in self._waiting]
        judged = [sweep.onset.position for sweep in self._unit]
        last = max((position for position in (*waiting, *judged) if position < at), default=-np.inf)
        since = at - DEVICE_TELLS_LATE_MS * 1e-3 * self.settings.layout.rate_hz if by_device else at
        touched = {position for position in (*waiting, *judged) if position < at and position + self._touchable > since}
        if by_device and np.isfinite(last):
            touched.add(last)
        for place, sweep in enumerate(self._waiting):
            if sweep.onset.position in touched:
                self._waiting[place] = sweep._replace(fault=sweep.fault or BROKEN)
        for place, done in enumerate(self._unit):
            if done.onset.position in touched:
                self._unit[place] = done._replace(faults=tuple(fault or BROKEN for fault in done.faults))
        self._watch.broken()
        self._say(SoundBroken(known, at, len(touched), by_device))

    def _judge(self, sweep: _Waiting, ready: int) -> None:
        fault, signal = sweep.fault, None
        faults: Faults = (fault,) * self._channels
        if sweep.cut is not None and fault is None:
            out = self._out.get(sweep.cut.first, sweep.cut.stop)
            # All that its values were made from: a rail rings through the filter into sweeps that do not touch it.
            raw = self._raw.get(sweep.cut.raw_first, sweep.cut.ready + 1)
            faults = raw_faults(raw, self.settings.layout.rate_hz, self.settings.rail_uv)
            signal = self.settings.epoch.read(out, sweep.cut.phase)
        self._enter(_Judged(sweep.onset, faults, signal), ready)

    def _enter(self, sweep: _Judged, ready: int) -> None:
        """Put a sweep into the unit being filled; a marked first sweep closes the unit before it."""
        if self._unit and self._mark <= sweep.onset.width < np.inf:
            self._close_unit(ready)
        self._unit.append(sweep)
        if len(self._unit) == UNIT_SWEEPS:
            self._close_unit(ready)

    def _close_unit(self, ready: int) -> None:
        unit, self._unit = self._unit, []
        if self.verdict is not None:
            return
        shape = (self._channels, UNIT_SWEEPS)
        sweeps = np.zeros((*shape, self.settings.epoch.n_times))
        usable: Bools = np.zeros(shape, dtype=bool)
        presented: Bools = np.broadcast_to(np.arange(UNIT_SWEEPS) < len(unit), shape)
        for place, sweep in enumerate(unit):
            if sweep.signal is not None:
                sweeps[:, place] = sweep.signal
                usable[:, place] = True if sweep.faults == self._faultless else [fault is None for fault in sweep.faults]
        result = self._analysis.update(sweeps, usable, presented)
        left_out = _left_out([sweep.faults[DECIDING] for sweep in unit], result)
        self.counts.presented += len(unit)
        self.counts.rejected.update(why for why in left_out if why is not None)
        positions = tuple(sweep.onset.position for sweep in unit)
        if self.counts.presented == len(unit):
            self._first_position = positions[0]
        self.intervals = [*self.intervals, *(b - a for a, b in pairwise(positions))][-512:]
        limits = self._analysis.limits.limits
        peak_limit = float(limits["peak"][DECIDING]) if "peak" in limits else np.nan
        for event in self._watch.unit(ready, sweeps[DECIDING][usable[DECIDING]]):
            self._say(event)
        self._say(UnitDone(ready, self._analysis.average.units, positions, left_out, peak_limit))
        if result.look is not None:
            lasted = positions[-1] - self._first_position
            per_s = (self.counts.presented - 1) * self.settings.layout.rate_hz / lasted if lasted > 0 else np.nan
            look = look_event(ready, result.look, self.settings, self.counts.rejected, self.lost_samples, per_s)
            self.last_look = look
            self._say(look)
            average_uv = self._analysis.average.average_uv()[DECIDING]
            for event in self._watch.look(ready, self.settings.analysis.times_ms, average_uv, look.residual_noise_nv):
                self._say(event)
            if self._found is None and math.isfinite(look.waits_for_nv):
                self._found = look
            met = int(result.look.rule[DECIDING])
            if met >= 0:
                rule = self.settings.analysis.rules[met]
                why = reason(rule.stopped_by, look, self.settings, self._found)
                if rule.outcome == "response_present" and self._watch.told_artefact:
                    why += "; but the trigger leaks into the EEG, which alone may look like this: make a muted run"
                self._decide(ready, rule.outcome, rule.stopped_by, why)

    # -- how it stands ----------------------------------------------------------------------------------------------

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
    def rate(self) -> RateFit:
        """The measured sampling rate, from the stamps of the longest-lived unbroken stretch."""
        return self._rate.fit

    @property
    def rate_mismatch(self) -> bool:
        """Whether the stamps were found to disagree with the stream's nominal rate (see RateMismatch)."""
        return self._rate.told_ppm > 0

    @property
    def trigger_edges(self) -> str | None:
        """"digital" or "analogue"; None before the trigger channel is understood."""
        return self._onsets.model.kind if self._onsets.model else None


def _left_out(faults: list[str | None], result: UnitResult) -> Faults:
    """Reason per sweep for the deciding channel: its fault, else the first criterion that it exceeds."""
    exceeded = [[name for name, over in result.exceeded if over[DECIDING, place]] for place in range(len(faults))]
    return tuple(fault or next(iter(names), None) for fault, names in zip(faults, exceeded, strict=True))


__all__ = ["Engine", "EngineSettings", "Tap"]
