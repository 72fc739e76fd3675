"""The life of one run: check the stream, record it, feed the engine, publish events, and end with complete files.

Three threads take part. *acquisition* owns inlet, recording and engine. *housekeeping* fetches clock offsets and markers. The
thread that made the run (terminal or window) reads ``status`` and may call ``stop``. Each chunk is written before the engine sees
it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Protocol

import numpy as np

from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.engine import Engine, OnSignal
from quietfloor.monitor.core.events import CellUnit, Event, Gap, LookDone, UnitDone, Verdict
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.disk_space import nearly_full
from quietfloor.monitor.run.housekeeping import Housekeeping, MarkerSource
from quietfloor.monitor.run.publisher import Publisher, Subscriber
from quietfloor.monitor.run.receiver import Receiver
from quietfloor.monitor.run.resolved_plan import ResolvedPlan
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.run.status import WRONG_RATE, Status, refreshed
from quietfloor.monitor.run.unit_check import PreflightError, UnitFinding, unit_of
from quietfloor.monitor.run.watchdog import FILE_GONE, FOLDER_GONE, Guard
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.said import LevelChosen, Order
from quietfloor.monitor.sources.base import Source, SourceError, StreamDescription
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.monitor.storage.raw_writer import Journal, JournalError
from quietfloor.monitor.storage.run_folder import RunFolder

log = logging.getLogger("quietfloor")

AHEAD_SWEEPS = 512  # that are put down before they are played: some 10 s


class SoundSource(Protocol):
    """Interface of the sound output that a run uses."""

    def reserve(self, session: Path, name: str, sweeps: int) -> None: ...
    def reserve_more(self, cell: int | None, sweeps: int) -> None: ...
    def wait_for_receiver(self, stopped: Callable[[], bool]) -> None: ...
    def returned(self, seconds: float) -> None: ...
    def start(self) -> None: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...
    @property
    def begins_s(self) -> float: ...
    @property
    def failure(self) -> str | None: ...
    @property
    def underruns(self) -> int: ...
    @property
    def sweeps_played(self) -> int: ...
    @property
    def limited_samples(self) -> int: ...


class NextCell:
    """The cells that the sound of a search plays next, one for each stream of units: set by the acquisition thread, read by the
    renderer; None: as before. Units of several streams take turns, see `TogetherFrames`."""

    def __init__(self, streams: int = 1) -> None:
        self.cells: list[int | None] = [None] * streams

    @classmethod
    def of(cls, plan: Plan) -> NextCell:
        """For the sound of a plan: one stream, or one for each sound of each ear."""
        return cls(1 if plan.sound is None else max(1, 2 * plan.sound.at_once))

    def __call__(self, unit: int) -> int | None:
        return self.cells[unit % len(self.cells)]


class Run:
    """One live run. ``critical`` subscribers keep data: an error in one of them ends the run. ``optional`` subscribers only
    display."""

    def __init__(
        self,
        resolved: ResolvedPlan,
        source: Source,
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
        played: NextCell | None = None,
    ) -> None:
        self.plan = resolved.plan
        self._resolved = resolved
        self.folder = folder
        self.unit: UnitFinding | None = None
        self.engine: Engine | None = None
        self.search: PlannedSearch | None = None
        self._played = played or NextCell.of(resolved.plan)
        self.failure: str | None = None
        self._source, self._sound = source, sound
        streams = [source.description] + ([marker_stream] if marker_stream is not None else [])
        self._journal = Journal(folder.raw, streams)
        self._guard = Guard(source, self._journal, folder, full)
        self._stop = threading.Event()
        self._publisher = Publisher(folder, critical, optional, on_signal, on_status, clock)
        self._receiver = Receiver(source, self._journal, self._guard, self._publisher, sound, self._stop.is_set, clock)
        self._housekeeping = Housekeeping(source, markers, self._journal, self._guard, clock)
        self._underruns_told = 1  # from how many breaks of the sound on it is said
        self._limited = False
        self._window_compared = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._live, name="acquisition", daemon=True)
        self._clock = clock

    def start(self) -> None:
        """Begin; returns at once."""
        self._publisher.set_state("checking")
        self.write_plan()  # a run that ends before its unit is known says what was tried
        self._publisher.began_s = self._clock()
        self._thread.start()
        self._housekeeping.start()

    def abandon(self) -> None:
        """Close a run that never began."""
        self._publisher.set_state("failed")
        self._close_all()
        self._over.set()

    def stop(self) -> None:
        """Request the end of the run, as the operator; may be called from any thread, returns at once."""
        self._stop.set()

    def order(self, order: Order) -> None:
        """Pass an order of the operator to a search. May be called from any thread; the search follows it at the next unit.

        Raises ValueError for a condition or level that does not exist, and RuntimeError if no search is in progress.
        """
        if self.search is None or self.status.state != "running":
            raise RuntimeError(f"no search is going on ({self.status.state}): an order needs one")
        self.search.order(order)

    def note(self, text: str, ago_s: float = 0.0) -> bool:
        """Keep a remark on the moment ``ago_s`` before now among the events, from any thread. False: the run is over, it is not
        kept."""
        return self._publisher.note(text, ago_s)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the run is over; returns whether it is."""
        return self._over.wait(timeout_s)

    @property
    def status(self) -> Status:
        return self._publisher.status

    @property
    def verdict(self) -> Verdict | None:
        return self.status.verdict

    # -- acquisition thread -----------------------------------------------------------------------------------------

    def _live(self) -> None:
        try:
            if self._sound is not None:
                sweeps = self.plan.decision.max_sweeps if self.plan.search is None else UNIT_SWEEPS
                self._sound.reserve(self.folder.path.parent, self.folder.path.name, sweeps)
            self._receiver.begin()
            if self._sound is not None:
                self._sound.start()  # with its lead-in of silence, in which the stream is checked
                self._receiver.skip_to_sound()
            engine = self._check()
            if engine is not None:
                self._publisher.set_state("running")
                self._listen(engine)
        except (PreflightError, SourceError, JournalError, ExposureError, OSError, ValueError) as error:
            self._fault(str(error))
        except Exception as error:
            log.exception("the run ends on an error of this program")
            self._fault(f"internal error: {type(error).__name__}: {error}")
        finally:
            self._close()

    def _check(self) -> Engine | None:
        """Record the first second, determine the unit from it, and pass it to a new engine. None if that ends the run."""
        description, channels = self._source.description, self._resolved.channels
        band = self._resolved.settings.band
        chunks: list[Chunk] = []
        count = 0
        while self._receiver.needed(count):
            chunk = self._receiver.next_chunk()
            if self._stop.is_set():
                self._publisher.publish([Verdict(0, "inconclusive", "operator", "stopped before the first sweep")])
                return None
            if chunk is not None:
                chunks.append(chunk)
                count += len(chunk.stamps_s)
        eeg = np.concatenate([chunk.samples for chunk in chunks], axis=1)[list(channels.eeg)].astype(np.float64)
        self.unit = unit_of(self.plan.stream.unit, description, channels, eeg, band)
        if self.unit.note:
            self._publisher.notice("unit", self.unit.note)
        on_signal = self._publisher.show_signal if self._publisher.shows_signal else None
        settings = self._resolved.settings_at(self.unit.uv_per_unit)
        self.search = make_search(self._resolved.plan, settings)
        self.engine = Engine(settings, on_signal, None if self.search is None else self.search.judge)
        self.write_plan()
        self._receiver.judge_rate(np.concatenate([chunk.stamps_s for chunk in chunks]))
        if self._receiver.wrong_rate is not None:
            self._publisher.notice(WRONG_RATE, self._receiver.wrong_rate)  # tells a replay that nothing was looked at
            self._fault(self._receiver.wrong_rate)
            return None
        for chunk in chunks:
            self._take(self.engine, chunk)
        return self.engine

    def write_plan(self) -> None:
        """Write the plan as used, with the unit that was determined."""
        text = self._resolved.to_toml(None if self.unit is None else self.unit.uv_per_unit)
        self.folder.write_text(self.folder.plan.name, text)

    def _listen(self, engine: Engine) -> None:
        while engine.verdict is None:
            if self._stop.is_set():
                self._publisher.publish(engine.finish("operator", "stopped by the operator"))
                return
            if self._sound is not None and self._sound.failure is not None:
                self._fault(f"the sound stopped: {self._sound.failure}")
                return
            if self._receiver.wrong_rate is not None:
                self._fault(self._receiver.wrong_rate)
                return
            if self._guard.trouble is not None:
                kind, said = self._guard.trouble
                if kind == FOLDER_GONE:
                    said = self._guard.write_again()
                self._publisher.notice(kind, said)
                self._fault(said)
                return
            if not self._guard.whole:
                self._restore()
            if self._sound is not None and self._sound.underruns >= self._underruns_told:
                found = self._sound.underruns
                self._underruns_told = 2 * found  # not a line for each of many
                self._publisher.notice("sound_underrun", status_text.sound_broke(found, self._sound.sweeps_played))
            if self._sound is not None and self._sound.limited_samples and not self._limited:
                self._limited = True
                self._publisher.notice("sound_limited", status_text.sound_limited(self._sound.limited_samples))
            chunk = self._receiver.next_chunk()
            if chunk is not None:
                self._take(engine, chunk)
            self._set_cell()  # also while no EEG comes: the sound goes on

    def _set_cell(self) -> None:
        """Let the sound play what the search wants next, once its dose is put down; what an ear may not get is left out. Of a run
        of one sound the dose of its next sweeps is put down."""
        if self.search is None:
            if self._sound is not None:
                self._sound.reserve_more(None, AHEAD_SWEEPS)
        else:
            for stream in range(len(self.search.streams)):
                self._set_cell_of(self.search, stream)

    def _set_cell_of(self, search: PlannedSearch, stream: int) -> None:
        wanted = search.cell_of(stream)
        if wanted is None:
            return
        place = search.cells.place(wanted)
        if place is not None and self._sound is not None:
            try:
                self._sound.reserve_more(wanted, AHEAD_SWEEPS)
            except PlanError as error:
                if self._publisher.first_time(f"dose of cell {wanted}"):
                    self._publisher.notice("sound_dose", str(error))
                    level_db = search.sought[place.condition].levels_db[place.level]
                    search.order(Order("not_offered", place.condition, level_db, str(error)))
                return
        self._played.cells[stream] = wanted

    def _take(self, engine: Engine, chunk: Chunk) -> None:
        events = engine.feed(chunk)
        self._publisher.publish(events)  # first: drawing may wait, a decision may not
        behind_s = self._source.backlog_samples / engine.settings.layout.rate_hz
        self._publisher.status = refreshed(self.status, engine, events, behind_s, self.search)
        if any(isinstance(event, (LookDone, LevelChosen, CellUnit)) for event in events):
            self._publisher.show_status()
        if any(isinstance(event, Gap) and event.reason == "lost" for event in events):
            self._receiver.lost_some()
        self._publisher.point_out(events, engine.settings.layout.rate_hz)
        self._compare_window(events, engine.settings.layout.rate_hz)

    def _compare_window(self, events: list[Event], rate_hz: float) -> None:
        """Report once if the next sound comes before the response window ends: the response to it could be taken for that of this
        sweep."""
        done = next((event for event in events if isinstance(event, UnitDone) and len(event.positions) > 1), None)
        if done is None or self._window_compared:  # of a search it was compared with the plan of its sound
            return
        self._window_compared = True
        interval_ms = 1e3 * float(np.median(np.diff(done.positions))) / rate_hz
        stop_ms = self.plan.analysis.window_ms[1]
        if stop_ms > interval_ms:
            self._publisher.notice(
                "window",
                f"the response window ends {stop_ms:g} ms after each stimulus, but the next comes after {interval_ms:.1f} ms: "
                "end the window earlier (--window) or lower the stimulus rate",
            )

    def _restore(self) -> None:
        if said := self._guard.restore():
            self._publisher.notice(FILE_GONE, said)

    def _fault(self, reason: str) -> None:
        """End the run on a fault. If the engine is still undecided, its verdict states the fault. The recording is kept."""
        self.failure = reason
        self.folder.give_room()
        try:
            if self.engine is None:
                self._publisher.publish([Verdict(0, "inconclusive", "fault", reason)])
            elif self.engine.verdict is None:
                self._publisher.publish(self.engine.finish("fault", reason))
            else:
                self._publisher.notice("fault", reason)
        except Exception as error:  # events.jsonl cannot be written either: the verdict is still shown
            log.error("the event log cannot be written: %s", error)

    # -- end --------------------------------------------------------------------------------------------------------

    def _close(self) -> None:
        try:
            self._publisher.set_state("closing")
            self._close_all()
            if self.engine is not None:
                self._publisher.update(look=self.engine.last_look, average=self.engine.average_now())
            if self.search is not None:
                self._publisher.update(search=self.search.now())
        except Exception as error:
            log.exception("the run could not be closed in good order")
            self.failure = self.failure or f"internal error: {type(error).__name__}: {error}"
        finally:
            verdict = self.status.verdict
            if verdict is not None and verdict.stopped_by == "fault":
                self.failure = self.failure or verdict.reason
            try:
                self._publisher.set_state("done" if self.failure is None else "failed")
            finally:
                self._over.set()  # whatever happened, nobody waits for ever

    def _close_all(self) -> None:
        """Silence the sound, then take the last markers, then close the files; an error in one step does not prevent the
        others."""
        problems = []
        silence: list[Callable[[], None]] = [] if self._sound is None else [self._sound.stop]
        after = [] if self._sound is None else [self._sound.close]  # readers of its markers go first
        notes = partial(self._publisher.publish_notes, last=True)
        files: tuple[Callable[[], None], ...] = (self._journal.close, notes, self._restore, self.folder.close)
        for close in (*silence, self._housekeeping.stop, *after, *files, self._source.close):
            try:
                close()
            except Exception as error:
                problems.append(str(error))
        if problems:
            self.failure = self.failure or "; ".join(problems)
