"""What a run tells: every event to every subscriber in order, notices, remarks from other threads, and the newest status."""

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
    """Gets every event in order, on the acquisition thread; must not wait."""

    def __call__(self, event: Event | Notice) -> None: ...


class Publisher:
    """``critical`` subscribers keep data, ``events.jsonl`` first of all: a failure there is raised. ``optional`` ones only show
    it, as ``on_signal`` and ``on_status`` do: one that fails is left out from then on. All but ``note`` is for one thread."""

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
        """Raises RuntimeError for a state that cannot follow."""
        if state not in TRANSITIONS[self.status.state]:
            raise RuntimeError(f"a run that is {self.status.state} cannot become {state}")
        self.update(state=state)

    def publish(self, events: Iterable[Event | Notice]) -> None:
        """Every event to every subscriber; the first failure of a critical one is raised when all have heard all."""
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
        """Something that happened around the engine: into log, status and event log."""
        log.warning(text)
        self._show(text)
        self.publish([Notice(what, text, self._clock() - self.began_s)])

    def first_time(self, kind: str) -> bool:
        """Whether this kind of trouble is new; False from the second time on."""
        known = kind in self._warned
        self._warned.add(kind)
        return not known

    def point_out(self, events: Iterable[Event], rate_hz: float) -> None:
        """Trouble that the engine found, in words; it is in the event log already. Each kind is logged once."""
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
        """Filtered EEG (n_channels, n) in uV from raw sample ``first`` on, for a display."""
        try:
            if self._on_signal is not None:
                self._on_signal(first, filtered_uv)
        except Exception:
            log.exception("the display of the signal failed and is left out from now on; recording goes on")
            self._on_signal = None

    def show_status(self) -> None:
        """The status as it stands, for a display."""
        try:
            if self._on_status is not None:
                self._on_status(self.status)
        except Exception:
            log.exception("the display of the averages failed and is left out from now on; recording goes on")
            self._on_status = None

    def note(self, text: str, ago_s: float) -> bool:
        """Hold a remark on the moment ``ago_s`` before now; from any thread. False: too late, not kept."""
        notice = Notice("note", " ".join(text.split())[:LONGEST_NOTE], self._clock() - self.began_s - ago_s)
        with self._notes_lock:
            if self._notes is not None:
                self._notes.append(notice)
            return self._notes is not None

    def publish_notes(self, last: bool = False) -> None:
        """What was held; after the ``last`` time nothing is held any more."""
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
