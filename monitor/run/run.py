"""The life of one run: check the stream, record it, feed the engine, tell everyone, and end in good order.

Three threads: *acquisition* owns inlet, journal and engine; *housekeeping* asks for clock offsets and markers; whoever
made the run (terminal or window) reads ``status`` and may call ``stop``. Each chunk is written before the engine sees it.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Protocol

import numpy as np

from quietfloor.monitor.core.clock import RATE_PPM, ArrivalWatch, RateFit, first_mismatch
from quietfloor.monitor.core.engine import Engine, OnSignal
from quietfloor.monitor.core.events import Event, Gap, LookDone, RateMismatch, UnitDone, Verdict
from quietfloor.monitor.core.reporting import BY_CLOCK, BY_STAMPS, wrong_rate
from quietfloor.monitor.core.samples import Chunk, Floats, Layout
from quietfloor.monitor.plan.run_plan import Plan, override
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.disk_space import nearly_full
from quietfloor.monitor.run.status import TRANSITIONS, WRONG_RATE, Notice, State, Status, refreshed
from quietfloor.monitor.run.unit_check import CHECK_S, UNITS_UV, PreflightError, UnitFinding, settle_unit
from quietfloor.monitor.run.watchdog import FILE_GONE, FOLDER_GONE, STREAM_CHANGED, Guard
from quietfloor.monitor.sources.base import Source, SourceError, StreamDescription, StreamLost
from quietfloor.monitor.sources.channels import Channels, limit_of, unit_to_uv, uv_per_unit
from quietfloor.monitor.sources.lsl import LslSource, by_the_clock, virtual
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.monitor.storage.raw_writer import Journal, JournalError
from quietfloor.monitor.storage.run_folder import RunFolder

log = logging.getLogger("quietfloor")

PULL_S = 0.1
SILENT_S = 0.5  # without a sample: say so
GONE_S = 10.0  # without a sample: end the run
SLOW_S = 5.0  # without a sample of a virtual amplifier, which is late on a busy machine: say so, and wait until it has gone
MOST_CHECK_S = 3 * CHECK_S  # of stream, where it is late to say how fast it is
LATE_S = 1.0  # of its samples behind the clock: say that it is slower than real time
REOPEN_S = 2.0  # without a sample, soon after this program stood still: open the stream again, and once more after as long
STOOD_S = 5.0  # between two looks at the stream: this program was stopped, or its machine slept
OFFSET_EVERY_S = 5.0
MARKERS_EVERY_S = 0.2
DISK_EVERY_S = 1.0
LONGEST_NOTE = 500  # letters
KEPT = "what was received before is kept, nothing from then on was taken; begin a new run"
LAST_MARKERS_S = 0.05  # for those still on their way when the sound stops


class MarkerSource(Protocol):
    def pull(self, timeout_s: float = 0.0) -> list[tuple[float, str]]: ...
    def close(self) -> None: ...


class SoundSource(Protocol):
    """What a run needs of its sound output."""

    def reserve(self, session: Path, name: str, sweeps: int) -> None: ...
    def wait_for_receiver(self, stopped: Callable[[], bool]) -> None: ...
    def returned(self, seconds: float) -> None: ...
    def start(self) -> None: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...
    @property
    def failure(self) -> str | None: ...
    @property
    def underruns(self) -> int: ...
    @property
    def limited_samples(self) -> int: ...


class Subscriber(Protocol):
    """A subscriber: gets every event in order, on the acquisition thread; must not wait."""

    def __call__(self, event: Event | Notice) -> None: ...


class Run:
    """One live run. ``critical`` subscribers keep data: a failure there ends the run. ``optional`` ones only show it."""

    def __init__(
        self,
        plan: Plan,
        source: Source,
        channels: Channels,
        folder: RunFolder,
        *,
        sound: SoundSource | None = None,
        markers: MarkerSource | None = None,
        marker_stream: StreamDescription | None = None,
        critical: Iterable[Subscriber] = (),
        optional: Iterable[Subscriber] = (),
        on_signal: OnSignal | None = None,
        on_status: Callable[[Status], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
        full: Callable[[Path], str | None] = nearly_full,
    ) -> None:
        self.plan = plan
        self.folder = folder
        self.unit: UnitFinding | None = None
        self.engine: Engine | None = None
        self.failure: str | None = None
        self.status = Status()
        self._source, self._channels = source, channels
        self._virtual = virtual(source)
        self._timed = by_the_clock(source)
        self._arrivals = ArrivalWatch(source.description.rate_hz)
        self._wrong_rate: str | None = None
        self._came = 0  # samples
        self._sound, self._markers = sound, markers
        streams = [source.description] + ([marker_stream] if marker_stream is not None else [])
        self._journal = Journal(folder.raw, streams)
        self._critical = [self._keep, *critical]
        self._optional = list(optional)
        self._on_signal, self._on_status = on_signal, on_status
        self._clock = clock
        self._guard = Guard(source, self._journal, folder, full)
        self._began_s = clock()
        self._last_s = self._began_s
        self._looked_s = math.nan
        self._doubt_s = self._reopened_s = -math.inf  # until when a silence may be a dead connection; last time it was replaced
        self._underruns = 0
        self._limited = False
        self._window_compared = False
        self._warned_once: set[str] = set()
        self._notes: deque[Notice] | None = deque()  # None: too late
        self._notes_lock = threading.Lock()
        self._stop = threading.Event()
        self._closing = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._live, name="acquisition", daemon=True)
        self._housekeeper = threading.Thread(target=self._housekeeping_loop, name="housekeeping", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._set_state("checking")
        self.write_plan()  # a run that ends before its unit is known says what was tried
        self._began_s = self._last_s = self._clock()
        self._thread.start()
        self._housekeeper.start()

    def stop(self) -> None:
        """Ask for the end, as the operator; from any thread, returns at once."""
        self._stop.set()

    def note(self, text: str, ago_s: float = 0.0) -> bool:
        """Keep a remark on the moment ``ago_s`` before now among the events; from any thread. False: too late, not kept."""
        notice = Notice("note", " ".join(text.split())[:LONGEST_NOTE], self._clock() - self._began_s - ago_s)
        with self._notes_lock:
            if self._notes is not None:
                self._notes.append(notice)
            return self._notes is not None

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the run is over; whether it is."""
        return self._over.wait(timeout_s)

    @property
    def verdict(self) -> Verdict | None:
        return self.status.verdict

    # -- acquisition thread -----------------------------------------------------------------------------------------

    def _live(self) -> None:
        try:
            if self._sound is not None:
                self._sound.reserve(self.folder.path.parent, self.folder.path.name, self.plan.decision.max_sweeps)
                self._begin_together()
                self._sound.start()  # with its lead-in of silence, in which the stream is checked
            engine = self._check()
            if engine is not None:
                self._set_state("running")
                self._listen(engine)
        except (PreflightError, SourceError, JournalError, ExposureError, OSError, ValueError) as error:
            self._fault(str(error))
        except Exception as error:
            log.exception("the run ends on an error of this program")
            self._fault(f"internal error: {type(error).__name__}: {error}")
        finally:
            self._close()

    def _begin_together(self) -> None:
        """Wait until a virtual patient listens, so that the silence before is no part of the run."""
        if self._virtual is not None and self._sound is not None:
            self._sound.wait_for_receiver(self._stop.is_set)
            self._virtual.skip()
            self._sound.returned(0.0)
            self._last_s = self._clock()

    def _check(self) -> Engine | None:
        """Record the first second, settle the unit on it, and hand it to a new engine. None when it ends the run."""
        description, channels = self._source.description, self._channels
        layout = layout_of(description, channels)
        band = self.plan.engine_settings(layout).band
        chunks: list[Chunk] = []
        count = 0
        while count < CHECK_S * description.rate_hz or (
            self._timed is not None and not self._arrivals.settled and count < MOST_CHECK_S * description.rate_hz
        ):
            chunk = self._next_chunk()
            if self._stop.is_set():
                self._publish([Verdict(0, "inconclusive", "operator", "stopped before the first sweep")])
                return None
            if chunk is not None:
                chunks.append(chunk)
                count += len(chunk.stamps_s)
        eeg = np.concatenate([chunk.samples for chunk in chunks], axis=1)[list(channels.eeg)].astype(np.float64)
        given = self.plan.stream.unit
        self.unit = settle_unit(
            eeg,
            band,
            stated_uv=math.nan if given is not None else stated_uv(description, channels),
            given_uv=math.nan if given is None else unit_to_uv(given),
            label=description.label(channels.eeg[0]),
        )
        if self.unit.note:
            self._notice("unit", self.unit.note)
        settings = self.plan.engine_settings(replace(layout, uv_per_unit=self.unit.uv_per_unit))
        self.engine = Engine(settings, None if self._on_signal is None else self._show_signal)
        self.write_plan()
        self._judge_rate(np.concatenate([chunk.stamps_s for chunk in chunks]))
        if self._wrong_rate is not None:
            self._notice(WRONG_RATE, self._wrong_rate)  # tells a replay that nothing was looked at
            self._fault(self._wrong_rate)
            return None
        for chunk in chunks:
            self._take(self.engine, chunk)
        return self.engine

    def _judge_rate(self, stamps_s: Floats) -> None:
        """Judge the sampling rate by the stamps (n,) of the first second; the clock's result is known by then."""
        rate_hz = self._source.description.rate_hz
        first = stamps_s[: int(CHECK_S * rate_hz) + 1]
        found = first_mismatch(first, rate_hz, len(first) - 1)
        if found is not None:
            self._wrong_rate = self._wrong_rate or wrong_rate(found)
            return
        fit = RateFit(rate_hz)
        fit.feed(first)
        ppm, error = fit.ppm()
        if RATE_PPM[-1] + 6 * error < abs(ppm) < math.inf:
            self._say_rate(RateMismatch(len(first) - 1, rate_hz, rate_hz * (1 + 1e-6 * ppm), ppm, serious=True), BY_STAMPS)

    def _judge_arrival(self, timed: LslSource, chunk: Chunk) -> None:
        """Judge by the clock whether the stream gives as many samples as it states."""
        ahead_s = math.nan if self._arrivals.settled else timed.ahead_s(float(chunk.stamps_s[-1]))
        for found in self._arrivals.feed(len(chunk.stamps_s), timed.backlog_samples, self._last_s, ahead_s):
            if found.refused:
                self._wrong_rate = self._wrong_rate or wrong_rate(found, BY_CLOCK)
            else:
                self._say_rate(found, BY_CLOCK)

    def _say_rate(self, found: RateMismatch, by: str) -> None:
        """Report a wrong rate once, by stamps or by the clock: the engine finds the same in its own time."""
        self._warned_once.add(f"rate {found.serious} {found.refused}")
        self._notice("rate", status_text.rate_mismatch(found, by))

    def write_plan(self) -> None:
        """The plan as used, with the unit that was settled on; channels as the user named them, which the stream's own
        description in the recording resolves in the same way."""
        plan = self.plan
        if self.unit is not None:
            latency_ms = plan.latency_ms()  # a later version may know better: the replay must not
            plan = override(
                plan, {"stream": {"unit": _unit_name(self.unit.uv_per_unit)}, "analysis": {"latency_ms": latency_ms}}
            )
        self.folder.write_text(self.folder.plan.name, plan.to_toml())

    def _listen(self, engine: Engine) -> None:
        while engine.verdict is None:
            if self._stop.is_set():
                self._publish(engine.finish("operator", "stopped by the operator"))
                return
            if self._sound is not None and self._sound.failure is not None:
                self._fault(f"the sound stopped: {self._sound.failure}")
                return
            if self._wrong_rate is not None:
                self._fault(self._wrong_rate)
                return
            if self._guard.trouble is not None:
                kind, said = self._guard.trouble
                if kind == FOLDER_GONE:
                    said = self._guard.write_again()
                self._notice(kind, said)
                self._fault(said)
                return
            if not self._guard.whole:
                self._restore()
            if self._sound is not None and self._sound.underruns > self._underruns:
                self._underruns = self._sound.underruns
                self._notice("sound_underrun", f"the sound broke up {self._underruns} times: close other programs")
            if self._sound is not None and self._sound.limited_samples and not self._limited:
                self._limited = True
                self._notice("sound_limited", status_text.sound_limited(self._sound.limited_samples))
            chunk = self._next_chunk()
            if chunk is not None:
                self._take(engine, chunk)

    def _take(self, engine: Engine, chunk: Chunk) -> None:
        events = engine.feed(chunk)
        self._publish(events)  # first: drawing may wait, a decision may not
        behind_s = self._source.backlog_samples / engine.settings.layout.rate_hz
        self.status = refreshed(self.status, engine, events, behind_s)
        if any(isinstance(event, LookDone) for event in events):
            self._show_look()
        if any(isinstance(event, Gap) and event.reason == "lost" for event in events):
            self._arrivals.paused()  # what is lost is no other rate
        self._point_out(events, engine.settings.layout.rate_hz)
        self._compare_window(events, engine.settings.layout.rate_hz)

    def _point_out(self, events: list[Event], rate_hz: float) -> None:
        """Log trouble that the engine found, once for each kind; it is in the event log already."""
        for event in events:
            found = status_text.trouble(event, rate_hz)
            if found is None:
                continue
            kind, text = found
            if kind not in self._warned_once:
                self._warned_once.add(kind)
                log.warning(text)
            self.status = replace(self.status, notices=(*self.status.notices[-19:], text))

    def _compare_window(self, events: list[Event], rate_hz: float) -> None:
        """Say once when the next stimulus comes before the response window ends; its response would be taken for this one's."""
        done = next((event for event in events if isinstance(event, UnitDone) and len(event.positions) > 1), None)
        if done is None or self._window_compared:
            return
        self._window_compared = True
        interval_ms = 1e3 * float(np.median(np.diff(done.positions))) / rate_hz
        stop_ms = self.plan.analysis.window_ms[1]
        if stop_ms > interval_ms:
            self._notice(
                "window",
                f"the response window ends {stop_ms:g} ms after each stimulus, but the next comes after {interval_ms:.1f} ms: "
                "end the window earlier (--window) or lower the stimulus rate",
            )

    def _next_chunk(self) -> Chunk | None:
        """The next chunk, already in the journal; None when nothing came for a moment. Raises StreamLost after 10 s."""
        self._keep_notes()
        chunk = self._source.pull(PULL_S)
        now_s = self._clock()
        stood_s, self._looked_s = now_s - self._looked_s, now_s
        if stood_s > STOOD_S:
            self._last_s += stood_s  # the stream was not silent when nobody listened
            self._arrivals.paused()
            self._notice(
                "stood_still",
                f"this program stood still for {stood_s:.0f} s (stopped, or the machine slept): what still waits of the "
                "stream is read on, what does not is lost and shows as a gap",
            )
            self._doubt_s = now_s + GONE_S  # what waits is read first
        if chunk is None:
            silent_s = now_s - self._last_s
            if silent_s > (SILENT_S if self._virtual is None else SLOW_S) and not self.status.silent:
                self.status = replace(self.status, silent=True)
                if self._virtual is None:
                    said = f"no samples for {SILENT_S:g} s: is the amplifier's program running?"
                else:
                    said = f"no samples for {SLOW_S:g} s: the virtual amplifier is slow; the run waits, and nothing is lost"
                self._notice("stream_silent", said)
            if self._last_s < self._doubt_s and now_s > REOPEN_S + max(self._last_s, self._reopened_s):
                self._reopen()
            if silent_s > GONE_S and not (self._virtual is not None and self._virtual.only_late()):
                changed = self._guard.changed()
                if changed:
                    self._notice(STREAM_CHANGED, changed)
                raise StreamLost(
                    f"no samples from {self._source.description.name!r} for {GONE_S:g} s: "
                    + (f"{changed}; " if changed else "")
                    + "what was received is kept; start its program again and begin a new run"
                )
            return None
        self._last_s = now_s
        replaced = self._guard.replaced()
        if replaced or self.status.silent:
            self._arrivals.paused()
            if not self._is_the_same(replaced):
                return None
            self._looked_s = self._clock()
        if self.status.silent:
            self.status = replace(self.status, silent=False)
            self._notice("stream_back", "samples arrive again")
        if self._timed is not None:
            self._judge_arrival(self._timed, chunk)
        self._journal.samples(chunk)
        if self._virtual is not None:
            self._keep_together(self._virtual, chunk)
        return chunk

    def _reopen(self) -> None:
        """Renew the connection after this program stood still and nothing comes; a virtual amplifier is waited for."""
        try:
            if self._timed is not None and self._timed.reopen():
                said = "the stream gave nothing any more and was opened again: what was sent meanwhile is lost"
                self._notice("stream_reopened", said)
        except RuntimeError as error:  # of liblsl: tried again until the stream counts as gone
            log.warning("the stream could not be opened again: %s", error)
        self._looked_s = self._reopened_s = self._clock()

    def _is_the_same(self, replaced: bool) -> bool:
        """Whether a stream that was away is the one that it was; its samples are held until that is known. False when stopped
        before. Raises SourceError for another one, and for one that was replaced and does not describe itself."""
        give_up_s = self._clock() + GONE_S
        while (changed := self._guard.changed()) is None:
            if self._stop.is_set():
                return False
            if self._clock() >= give_up_s:
                if not replaced:
                    return True
                raise StreamLost(
                    f"{self._source.description.name!r} returned, but did not describe itself within {GONE_S:g} s: {KEPT}"
                )
        if changed:
            self._notice(STREAM_CHANGED, changed)
            raise SourceError(f"{changed}: {KEPT}")
        return True

    def _keep_together(self, amplifier: LslSource, chunk: Chunk) -> None:
        """The sound of a virtual patient may go on; one who cannot keep up with real time is told of once."""
        self._came += len(chunk.stamps_s)
        if self._sound is not None:
            self._sound.returned(self._came / amplifier.description.rate_hz)
        late_s = amplifier.late_s(float(chunk.stamps_s[-1]))
        if late_s > LATE_S and "slow_bench" not in self._warned_once and amplifier.backlog_samples == 0:
            self._warned_once.add("slow_bench")
            self._notice(
                "slow_bench",
                f"the virtual amplifier is {late_s:.1f} s behind the clock: this machine is too slow for real time; nothing is "
                "lost, it only takes longer",
            )

    # -- telling ----------------------------------------------------------------------------------------------------

    def _publish(self, events: Iterable[Event | Notice]) -> None:
        """Give every event to every subscriber; the first failure of a critical one is raised after all were called."""
        problem: Exception | None = None
        for event in events:
            if isinstance(event, Verdict):
                self.status = replace(self.status, verdict=event)
            for critical in self._critical:
                try:
                    critical(event)
                except Exception as error:
                    problem = problem or error
            for optional in list(self._optional):
                try:
                    optional(event)
                except Exception:
                    log.exception("a display failed and is left out from now on; recording goes on")
                    self._optional.remove(optional)
        if problem is not None:
            raise problem

    def _show_signal(self, first: float, filtered_uv: Floats) -> None:
        try:
            if self._on_signal is not None:
                self._on_signal(first, filtered_uv)
        except Exception:
            log.exception("the display of the signal failed and is left out from now on; recording goes on")
            self._on_signal = None

    def _show_look(self) -> None:
        try:
            if self._on_status is not None:
                self._on_status(self.status)
        except Exception:
            log.exception("the display of the averages failed and is left out from now on; recording goes on")
            self._on_status = None

    def _keep_notes(self, last: bool = False) -> None:
        with self._notes_lock:
            notes, self._notes = list(self._notes or ()), None if last else deque()
        self._publish(notes)

    def _keep(self, event: Event | Notice) -> None:
        if not (isinstance(event, Notice) or event.kept):
            return
        try:
            self.folder.append_event(event.record())
        except OSError as error:
            raise JournalError(
                f"cannot write {self.folder.events} ({error.strerror or error}): the run must stop. What was written before is "
                "kept; free or change the disk, then begin a new run"
            ) from error

    def _restore(self) -> None:
        if said := self._guard.restore():
            self._notice(FILE_GONE, said)

    def _notice(self, what: str, text: str) -> None:
        log.warning(text)
        self.status = replace(self.status, notices=(*self.status.notices[-19:], text))
        self._publish([Notice(what, text, self._clock() - self._began_s)])

    def _fault(self, reason: str) -> None:
        """End the run on a fault: the engine, if it is still undecided, says so itself; what was recorded stays."""
        self.failure = reason
        self.folder.give_room()
        try:
            if self.engine is None:
                self._publish([Verdict(0, "inconclusive", "fault", reason)])
            elif self.engine.verdict is None:
                self._publish(self.engine.finish("fault", reason))
            else:
                self._notice("fault", reason)
        except Exception as error:  # events.jsonl cannot be written either: the verdict is still shown
            log.error("the event log cannot be written: %s", error)

    # -- end --------------------------------------------------------------------------------------------------------

    def _close(self) -> None:
        try:
            self._set_state("closing")
            self._close_all()
            if self.engine is not None:
                self.status = replace(self.status, look=self.engine.last_look, average=self.engine.average_now())
        except Exception as error:
            log.exception("the run could not be closed in good order")
            self.failure = self.failure or f"internal error: {type(error).__name__}: {error}"
        finally:
            verdict = self.status.verdict
            if verdict is not None and verdict.stopped_by == "fault":
                self.failure = self.failure or verdict.reason
            try:
                self._set_state("done" if self.failure is None else "failed")
            finally:
                self._over.set()  # whatever happened, nobody waits for ever

    def _close_all(self) -> None:
        """Close in order: silence, the last markers, the files; a failure of one does not stop the others."""
        problems = []
        silence: list[Callable[[], None]] = [] if self._sound is None else [self._sound.stop]
        after = [] if self._sound is None else [self._sound.close]  # readers of its markers go first
        files: tuple[Callable[[], None], ...] = (self._journal.close, partial(self._keep_notes, last=True), self._restore)
        files += (self.folder.close,)
        for close in (*silence, self._stop_housekeeping, *after, *files, self._source.close):
            try:
                close()
            except Exception as error:
                problems.append(str(error))
        if problems:
            self.failure = self.failure or "; ".join(problems)

    def _set_state(self, state: State) -> None:
        if state not in TRANSITIONS[self.status.state]:
            raise RuntimeError(f"a run that is {self.status.state} cannot become {state}")
        self.status = replace(self.status, state=state)

    # -- housekeeping thread ----------------------------------------------------------------------------------------

    def _housekeeping_loop(self) -> None:
        due_s = disk_due_s = self._clock()
        while not self._closing.wait(MARKERS_EVERY_S):
            self._quietly("markers", self._keep_markers)
            if self._clock() >= disk_due_s:
                disk_due_s = self._clock() + DISK_EVERY_S
                self._quietly("disk and stream", self._guard.look)
            if self._clock() >= due_s:
                due_s = self._clock() + OFFSET_EVERY_S
                self._quietly("clock of the EEG stream", self._keep_offset, self._source, 0)
                self._quietly("clock of the marker stream", self._keep_offset, self._markers, 1)

    def _keep_markers(self) -> None:
        if self._markers is not None:
            for stamp_s, text in self._markers.pull():
                self._journal.marker(stamp_s, text)

    def _keep_offset(self, stream: object, number: int) -> None:
        """Journal what to add to a stream's stamps; sources that are no live streams have no clock of their own."""
        offset = getattr(stream, "clock_offset", None)
        if offset is not None:
            time_s, offset_s = offset()
            self._journal.clock_offset(time_s, offset_s, stream=number)

    def _quietly(self, what: str, job: Callable[..., None], *args: object) -> None:
        """Housekeeping that fails is said once and tried again: the samples themselves do not depend on it."""
        try:
            job(*args)
        except Exception as error:
            if what not in self._warned_once:
                self._warned_once.add(what)
                log.warning("%s: %s", what, error)

    def _stop_housekeeping(self) -> None:
        self._closing.set()
        if self._housekeeper.is_alive():
            self._housekeeper.join(timeout=5.0)
        if self._markers is not None:
            time.sleep(LAST_MARKERS_S)
            self._quietly("markers", self._keep_markers)
            self._markers.close()


def layout_of(description: StreamDescription, channels: Channels, uv_per_unit: float = 1.0) -> Layout:
    """The layout that the engine works on. Raises SourceError for a stream that no sweeps can be cut from."""
    labels = tuple(description.label(index) for index in range(description.channel_count))
    try:
        limit = limit_of(description.channel_format)
        return Layout(description.rate_hz, labels, channels.eeg, channels.trigger, uv_per_unit, limit)
    except ValueError as error:
        raise SourceError(f"stream {description.name!r}: {error}") from error


def stated_uv(description: StreamDescription, channels: Channels) -> float:
    """Microvolts per unit as the stream states it for its EEG channels; nan where it states none, or none that is a voltage."""
    stated = {description.units[index] for index in channels.eeg if not math.isnan(unit_to_uv(description.units[index]))}
    if len({unit_to_uv(unit) for unit in stated}) > 1:
        raise PreflightError(
            f"the EEG channels state different units ({', '.join(sorted(stated))}): name channels of one unit by --eeg, or say "
            "by --unit which one holds for all of them"
        )
    return uv_per_unit(description, channels.eeg)


def _unit_name(uv: float) -> str:
    names = {factor: name for name, factor in UNITS_UV.items()} | {1e-3: "nanovolts"}
    return names[uv]
