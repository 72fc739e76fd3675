"""Checks during a run: whether the recording still exists, the disk has room, and the stream is the same."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from quietfloor.monitor.sources.base import Source
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder

log = logging.getLogger("quietfloor")
FOLDER_GONE, DISK_FULL, STREAM_CHANGED, FILE_GONE = "folder_gone", "disk_full", "stream_changed", "file_gone"


class Guard:
    """Call ``look`` from time to time, from any thread; ``trouble`` (name, text) is a reason to end the run. All other methods
    are for the thread that records. ``full`` gives the reason if there is no room, None while there is."""

    def __init__(self, source: Source, journal: Journal, folder: RunFolder, full: Callable[[Path], str | None]) -> None:
        self._source, self._journal, self._folder, self._full = source, journal, folder, full
        self.trouble: tuple[str, str] | None = None
        self.whole = True  # no other file of the folder was deleted

    def look(self) -> None:
        """Look for trouble. Raises OSError if the disk cannot be queried."""
        if not self._journal.is_in_place:
            self.trouble = (FOLDER_GONE, "")
        else:
            self.whole = self._folder.is_whole
        if self.trouble is None and (said := self._full(self._folder.path)) is not None:
            self.trouble = (DISK_FULL, said)

    def replaced(self) -> bool:
        """Whether another sender has replaced the previous one since the last call, even without a noticeable silence."""
        returned = getattr(self._source, "returned", None)
        return returned is not None and bool(returned())

    def changed(self) -> str | None:
        """Differences of a live stream that came back from its description before, in words; "" for no difference and for other
        sources; None if they cannot be determined."""
        changed = getattr(self._source, "changed", None)
        try:
            return "" if changed is None else changed()
        except Exception as error:  # a look that fails must not hide what it was for
            log.warning("the stream that returned could not be looked at: %s", error)
            return None

    def restore(self) -> str:
        """Write single deleted files again; returns a description of what was done. Raises OSError."""
        self.whole = True
        gone = self._folder.restore()
        return f"deleted during the run, and written again: {', '.join(gone)} of {self._folder.path}" if gone else ""

    def write_again(self) -> str:
        """Write a deleted folder again; returns a description of what was done. Raises OSError."""
        path = self._folder.path
        if self._journal.rescue():
            self._folder.restore()
            return f"{path} was deleted during the run: what was recorded is written there again; leave it alone during a run"
        return (
            f"{path} was moved during the run, or its disk was taken away: what was recorded is there, wherever it went; "
            "`quietfloor finish` makes the rest of its files there"
        )
