"""Publisher of a run: delivers every event to every subscriber in order, notices, remarks from other threads, and the newest
status."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, Protocol

from quietfloor.monitor.core.engine import OnSignal
from quietfloor.monitor.core.events import Event, Verdict
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import TRANSITIONS, Notice, State, Status
from quietfloor.monitor.storage.raw_writer import JournalError
from quietfloor.monitor.storage.run_folder import RunFolder

log = logging.getLogger("quietfloor")

LONGEST_NOTE = 500  # letters
SHOWN_NOTICES = 20


class Subscriber(Protocol):
    """A function that is called with every event in order, on the acquisition thread; it must not wait."""

    def __call__(self, event: Event | Notice) -> None: ...


class Publisher:
    """Delivers events. ``critical`` subscribers keep data, first of all ``events.jsonl``; an error in one of them is raised.
    ``optional`` subscribers, ``on_signal`` and ``on_status`` only display; after an error they are no longer called. Only
    ``note`` may be called from other threads."""

    def __init__(
        self,
        folder: RunFolder,
        critical: Iterable[Subscriber],
        optional: Iterable[Subscriber],
        on_signal: OnSignal | None,
        on_status: Callable[[Status], None] | None,
        clock: Callable[[], float],
    ) -> None:
        self.status = Status()
        self.began_s = clock()
        self.shows_signal = on_signal is not None
        self._folder, self._clock = folder, clock
        self._critical = [self._keep, *critical]
        self._optional = list(optional)
        self._on_signal, self._on_status = on_signal, on_status
        self._warned: set[str] = set()
        self._notes: deque[Notice] | None = deque()  # None: too late
        self._notes_lock = threading.Lock()

    def update(self, **changes: Any) -> None:
        """Replace fields of the status."""
        self.status = replace(self.status, **changes)

    def set_state(self, state: State) -> None:
        """Change the state. Raises RuntimeError for a state that cannot follow the present one."""
        if state not in TRANSITIONS[self.status.state]:
            raise RuntimeError(f"a run that is {self.status.state} cannot become {state}")
        self.update(state=state)

    def publish(self, events: Iterable[Event | Notice]) -> None:
        """Deliver every event to every subscriber; after that, the first error of a critical subscriber is raised."""
        problem: Exception | None = None
        for event in events:
            if isinstance(event, Verdict):
                self.update(verdict=event)
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

    def notice(self, what: str, text: str) -> None:
        """Report something that happened outside the engine: in the log, the status and the event log."""
        log.warning(text)
        self._show(text)
        self.publish([Notice(what, text, self._clock() - self.began_s)])

    def first_time(self, kind: str) -> bool:
        """Whether this kind of problem is reported for the first time."""
        known = kind in self._warned
        self._warned.add(kind)
        return not known

    def point_out(self, events: Iterable[Event], rate_hz: float) -> None:
        """Log problems that the engine found, in words, each kind once; they are in the event log already."""
        for event in events:
            found = status_text.trouble(event, rate_hz)
            if found is not None:
                kind, text = found
                if self.first_time(kind):
                    log.warning(text)
                self._show(text)

    def _show(self, text: str) -> None:
        self.update(notices=(*self.status.notices[1 - SHOWN_NOTICES :], text))

    def show_signal(self, first: float, filtered_uv: Floats) -> None:
        """Show filtered EEG (n_channels, n) in uV from raw sample ``first`` on."""
        try:
            if self._on_signal is not None:
                self._on_signal(first, filtered_uv)
        except Exception:
            log.exception("the display of the signal failed and is left out from now on; recording goes on")
            self._on_signal = None

    def show_status(self) -> None:
        """Show the present status."""
        try:
            if self._on_status is not None:
                self._on_status(self.status)
        except Exception:
            log.exception("the display of the averages failed and is left out from now on; recording goes on")
            self._on_status = None

    def note(self, text: str, ago_s: float) -> bool:
        """Keep a remark on the moment ``ago_s`` before now, from any thread. False: the run is over, the remark is not kept."""
        notice = Notice("note", " ".join(text.split())[:LONGEST_NOTE], self._clock() - self.began_s - ago_s)
        with self._notes_lock:
            if self._notes is not None:
                self._notes.append(notice)
            return self._notes is not None

    def publish_notes(self, last: bool = False) -> None:
        """Publish the remarks that were kept; after the ``last`` time no more are accepted."""
        with self._notes_lock:
            notes, self._notes = list(self._notes or ()), None if last else deque()
        self.publish(notes)

    def _keep(self, event: Event | Notice) -> None:
        if not (isinstance(event, Notice) or event.kept):
            return
        try:
            self._folder.append_event(event.record())
        except OSError as error:
            raise JournalError(
                f"cannot write {self._folder.events} ({error.strerror or error}): the run must stop. What was written before is "
                "kept; free or change the disk, then begin a new run"
            ) from error
