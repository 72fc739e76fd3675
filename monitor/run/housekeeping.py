"""Housekeeping of a run in a separate thread: records markers and clock offsets, and checks disk and stream."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Protocol

from quietfloor.monitor.run.watchdog import Guard
from quietfloor.monitor.sources.base import Source
from quietfloor.monitor.storage.raw_writer import Journal

log = logging.getLogger("quietfloor")

OFFSET_EVERY_S = 5.0
MARKERS_EVERY_S = 0.2
DISK_EVERY_S = 1.0
LAST_MARKERS_S = 0.05  # for those still on their way when the sound stops


class MarkerSource(Protocol):
    def pull(self, timeout_s: float = 0.0) -> list[tuple[float, str]]: ...
    def close(self) -> None: ...


class Housekeeping:
    """The housekeeping thread; it never touches the engine. A task that fails is reported once and tried again, because the
    samples do not depend on it."""

    def __init__(
        self, source: Source, markers: MarkerSource | None, journal: Journal, guard: Guard, clock: Callable[[], float]
    ) -> None:
        self._source, self._markers, self._journal, self._guard, self._clock = source, markers, journal, guard, clock
        self._warned: set[str] = set()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._loop, name="housekeeping", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End the thread, record the last markers, and close their stream."""
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        if self._markers is not None:
            time.sleep(LAST_MARKERS_S)
            self._try("markers", self._keep_markers)
            self._markers.close()

    def _loop(self) -> None:
        due_s = disk_due_s = self._clock()
        while not self._closing.wait(MARKERS_EVERY_S):
            self._try("markers", self._keep_markers)
            if self._clock() >= disk_due_s:
                disk_due_s = self._clock() + DISK_EVERY_S
                self._try("disk and stream", self._guard.look)
            if self._clock() >= due_s:
                due_s = self._clock() + OFFSET_EVERY_S
                self._try("clock of the EEG stream", self._keep_offset, self._source, 0)
                self._try("clock of the marker stream", self._keep_offset, self._markers, 1)

    def _keep_markers(self) -> None:
        if self._markers is not None:
            for stamp_s, text in self._markers.pull():
                self._journal.marker(stamp_s, text)

    def _keep_offset(self, stream: object, number: int) -> None:
        """Record the clock offset of a stream. Sources that are not live streams have no clock of their own."""
        offset = getattr(stream, "clock_offset", None)
        if offset is not None:
            time_s, offset_s = offset()
            self._journal.clock_offset(time_s, offset_s, stream=number)

    def _try(self, what: str, job: Callable[..., None], *args: object) -> None:
        try:
            job(*args)
        except Exception as error:
            if what not in self._warned:
                self._warned.add(what)
                log.warning("%s: %s", what, error)
