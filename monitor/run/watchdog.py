"""Checks during a run: whether the recording is in its place, the disk has room, and the stream is the same."""

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
    """``look`` now and then, from any thread; ``trouble`` ends the run: its name, in words. The rest is for the thread that
    records. ``full`` says why there is no room, None while there is."""

    def __init__(self, source: Source, journal: Journal, folder: RunFolder, full: Callable[[Path], str | None]) -> None:
        self._source, self._journal, self._folder, self._full = source, journal, folder, full
        self.trouble: tuple[str, str] | None = None
        self.whole = True  # no other file of the folder was deleted

    def look(self) -> None:
        """Find trouble. Raises OSError where the disk cannot be asked."""
        if not self._journal.is_in_place:
            self.trouble = (FOLDER_GONE, "")
        else:
            self.whole = self._folder.is_whole
        if self.trouble is None and (said := self._full(self._folder.path)) is not None:
            self.trouble = (DISK_FULL, said)

    def replaced(self) -> bool:
        """Whether another sender took the place of the one before since this was last asked, be it too quickly for a silence."""
        returned = getattr(self._source, "returned", None)
        return returned is not None and bool(returned())

    def changed(self) -> str | None:
        """How a live stream that was away differs from before, in words; "" for no difference and for other sources; None
        where it cannot be seen."""
        changed = getattr(self._source, "changed", None)
        try:
            return "" if changed is None else changed()
        except Exception as error:  # a look that fails must not hide what it was for
            log.warning("the stream that returned could not be looked at: %s", error)
            return None

    def restore(self) -> str:
        """Write single deleted files again; what was done, in words. Raises OSError."""
        self.whole = True
        gone = self._folder.restore()
        return f"deleted during the run, and written again: {', '.join(gone)} of {self._folder.path}" if gone else ""

    def write_again(self) -> str:
        """Write a deleted folder again; what was done, in words. Raises OSError."""
        path = self._folder.path
        if self._journal.rescue():
            self._folder.restore()
            return f"{path} was deleted during the run: what was recorded is written there again; leave it alone during a run"
        return (
            f"{path} was moved during the run, or its disk was taken away: what was recorded is there, wherever it went; "
            "`quietfloor finish` makes the rest of its files there"
        )
