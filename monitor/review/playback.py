"""Playback of a recorded run for a display: pause, any speed, jump to a moment. Decisions are those of ``replay``."""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import replace

from quietfloor.monitor.core.engine import Engine, OnSignal
from quietfloor.monitor.core.events import CellUnit, Event, LookDone
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.review.replay import Replayed, replay
from quietfloor.monitor.run.status import Notice, Status, refreshed
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.said import LevelChosen
from quietfloor.monitor.storage.run_folder import RunFolder

log = logging.getLogger("quietfloor")
PIECE_S = 0.02
LONGEST_WAIT_S = 0.05  # so that a change of speed is felt at once
SLOWEST, FASTEST = 0.05, 1000.0


class _Ended(Exception):
    """Raised when the display has stopped the playback."""


class Playback:
    """A recorded run with the interface of a live one: ``status``, ``engine``, ``start``, ``stop``, ``wait``.

    One thread replays; between pieces of 20 ms of stream it waits according to ``speed``, ``paused`` and ``go_to``, which any
    thread may set. ``result`` is the result of ``replay``, None if it was stopped before its end; ``failure`` is the reason if it
    failed.
    """

    def __init__(
        self,
        folder: RunFolder,
        plan: Plan,
        *,
        changed: bool = False,
        speed: float = 1.0,
        optional: Iterable[Callable[[Event | Notice], None]] = (),
        on_signal: OnSignal | None = None,
        on_status: Callable[[Status], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.plan, self.folder = plan, folder
        self.status = Status()
        self.engine: Engine | None = None
        self.result: Replayed | None = None
        self.failure: str | None = None
        self._changed = changed
        self._optional = list(optional)
        self._on_signal, self._on_status = on_signal, on_status
        self._clock = clock
        self._change = threading.Condition()
        self._speed = 1.0
        self._paused = self._stopped = False
        self._hurry_until_s = -math.inf  # of stream
        self._origin: tuple[float, float] | None = None  # stream and wall time from which the pace counts
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._play, name="playback", daemon=True)
        self.speed = speed

    def start(self) -> None:
        """Begin; returns at once."""
        self.status = replace(self.status, state="running")
        self._thread.start()

    def stop(self) -> None:
        """End the playback at its present moment."""
        with self._change:
            self._stopped = True
            self._change.notify_all()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the playback is over; returns whether it is."""
        return self._over.wait(timeout_s)

    @property
    def speed(self) -> float:
        """Speed as a multiple of real time."""
        return self._speed

    @speed.setter
    def speed(self, times: float) -> None:
        with self._change:
            self._speed = min(max(float(times), SLOWEST), FASTEST)
            self._origin = None
            self._change.notify_all()

    @property
    def paused(self) -> bool:
        return self._paused

    @paused.setter
    def paused(self, yes: bool) -> None:
        with self._change:
            self._paused = bool(yes)
            self._origin = None
            self._change.notify_all()

    def go_to(self, seconds: float) -> None:
        """Play to this moment of the stream at full speed, then continue at the set speed. Earlier moments are shown by the
        view."""
        with self._change:
            self._hurry_until_s = seconds
            self._change.notify_all()

    def _play(self) -> None:
        try:
            plan = self.plan if self._changed else None
            self.result = replay(self.folder, plan, chunk_s=PIECE_S, on_events=self._take, on_signal=self._on_signal)
            self.engine = self.result.engine
            rest = [event for event in self.result.events if event.kind == "verdict"]
            self._publish(rest if self.status.verdict is None else [])
            self.status = replace(refreshed(self.status, self.engine, rest, 0.0, self.result.search), state="done")
        except _Ended:
            self.status = replace(self.status, state="done")
        except Exception as error:
            self.failure = str(error)
            log.error("the replay ended: %s", error)
            self.status = replace(self.status, state="failed")
        finally:
            self._over.set()

    def _take(self, engine: Engine, search: PlannedSearch | None, events: list[Event]) -> None:
        self.engine = engine
        self._publish(events)
        self.status = refreshed(self.status, engine, events, 0.0, search)
        if any(isinstance(event, (LookDone, LevelChosen, CellUnit)) for event in events):
            self._show_look()
        self._pace(self.status.seconds)

    def _publish(self, events: list[Event]) -> None:
        for event in events:
            for optional in list(self._optional):
                try:
                    optional(event)
                except Exception:
                    log.exception("a display failed and is left out from now on")
                    self._optional.remove(optional)

    def _show_look(self) -> None:
        try:
            if self._on_status is not None:
                self._on_status(self.status)
        except Exception:
            log.exception("the display of the averages failed and is left out from now on")
            self._on_status = None

    def _pace(self, seconds: float) -> None:
        """Wait until the stream's moment has come. Raises _Ended when stopped."""
        with self._change:
            while not self._stopped:
                if seconds < self._hurry_until_s:
                    self._origin = None
                    return
                if not self._paused:
                    now_s = self._clock()
                    if self._origin is None:
                        self._origin = seconds, now_s
                    due_s = self._origin[1] + (seconds - self._origin[0]) / self._speed
                    if due_s <= now_s:
                        return
                    self._change.wait(min(due_s - now_s, LONGEST_WAIT_S))
                else:
                    self._change.wait(LONGEST_WAIT_S)
            raise _Ended
