"""The raw recording of a run: every sample is written to the operating system before any other part sees it.

Each call ends in one unbuffered write of a whole chunk, so a killed program loses nothing for which a call has returned. A
separate thread syncs the file twice a second (os.fsync lets other threads run), so a power cut loses less than a second and the
acquisition never waits for the disk. A failed write or fsync is raised at the next call, because a run without a recording is
useless.

The file is locked while it is open: no other program can finish a run that is in progress.
"""

from __future__ import annotations

import contextlib
import datetime
import errno
import os
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf import XdfWriter
from quietfloor.monitor.sources.base import StreamDescription, description_to_xml
from quietfloor.monitor.storage.folder_lock import hold

SYNC_EVERY_S = 0.5
BOUNDARY_EVERY_BYTES = 1 << 20  # how much a reader may lose to damage in the middle of a file


class JournalError(RuntimeError):
    """Raised if the recording cannot be written; the text says where and why. What was written before stays readable."""


class Journal:
    """Records ``streams`` into the new file ``path``. Methods may be called from several threads.

    Streams are numbered by their place in ``streams``; ``marker`` goes to the first text stream. Raises JournalError if the file
    exists or cannot be made.
    """

    def __init__(
        self,
        path: Path | str,
        streams: Sequence[StreamDescription],
        started_at: datetime.datetime | None = None,
        sync_every_s: float = SYNC_EVERY_S,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self.path = Path(path)
        self._streams = tuple(streams)
        self._sync = sync
        self._sync_every_s = sync_every_s
        self._lock = threading.Lock()
        self._error: OSError | None = None
        self._closed = False
        self._cut: int | None = None  # to so many bytes, by another program
        self._bytes = 0
        self._synced_bytes = 0
        self._boundary_due = BOUNDARY_EVERY_BYTES
        self._last_s: list[float | None] = [None] * len(self._streams)
        self._offset_s: list[tuple[float, float] | None] = [None] * len(self._streams)
        self._text_stream = next((i for i, stream in enumerate(self._streams) if stream.channel_format == "string"), None)
        self._deleted: int | None = None
        self._fd = _create(self.path)
        hold(self._fd)
        try:
            when = started_at or datetime.datetime.now(datetime.UTC)
            self._writer = XdfWriter(self._write, when.isoformat(timespec="seconds"))
            for index, stream in enumerate(self._streams):
                self._writer.add_stream(index + 1, description_to_xml(stream))
        except (OSError, ValueError) as error:
            os.close(self._fd)
            self.path.unlink()  # nothing was recorded yet, and the name must stay free
            if isinstance(error, OSError):
                raise self._failure(error) from error
            raise
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._sync_loop, name="journal-sync", daemon=True)
        self._thread.start()

    @property
    def is_in_place(self) -> bool:
        """Whether the file is still at its path: a folder can be moved or deleted, a disk removed."""
        try:
            return os.path.samestat(os.fstat(self._fd), os.stat(self.path))
        except OSError:
            return False

    def rescue(self) -> bool:
        """Write a file that was deleted, but is still open here, to its path again; False if it was not deleted but moved, and so
        is complete. Raises OSError if that fails."""
        with self._lock:
            if self._closed or os.fstat(self._fd).st_nlink:
                return False
            fd = write_again(self._fd, self.path)
            hold(fd)
            self._deleted, self._fd = self._fd, fd  # the thread that syncs may hold the old one still
        return True

    def samples(self, chunk: Chunk, stream: int = 0) -> None:
        """Record a chunk: samples (n_channels, n_samples) in the stream's own type, and their stamps."""
        with self._recording():
            self._writer.samples(stream + 1, chunk.samples, chunk.stamps_s)
            if len(chunk.stamps_s):
                self._last_s[stream] = float(chunk.stamps_s[-1])

    def marker(self, stamp_s: float, text: str, stream: int | None = None) -> None:
        """Record a text with its stamp."""
        index = self._text_stream if stream is None else stream
        if index is None:
            raise ValueError(
                "this journal has no text stream: add quietfloor.monitor.sources.base.marker_description() to its streams"
            )
        with self._recording():
            self._writer.texts(index + 1, [(stamp_s, text)])
            self._last_s[index] = stamp_s

    def clock_offset(self, time_s: float, offset_s: float, stream: int = 0) -> None:
        """Record the offset to add to the sender's stamps near ``time_s``, in s; the same measurement is recorded only once."""
        with self._recording():
            if self._offset_s[stream] != (time_s, offset_s):
                self._writer.clock_offset(stream + 1, time_s, offset_s)
                self._offset_s[stream] = (time_s, offset_s)

    def close(self) -> None:
        """Write the footers, sync and close. Safe to call twice. Raises JournalError if anything since the start failed."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
        self._stop.set()
        self._thread.join()
        try:
            if self._error is None:
                self._finish()
        except OSError as error:
            self._error = error
        finally:
            os.close(self._fd)
            if self._deleted is not None:
                os.close(self._deleted)
        if self._error is not None:
            raise self._failure(self._error) from self._error

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _finish(self) -> None:
        for index, last_s in enumerate(self._last_s):
            if last_s is not None and self._offset_s[index] is None:
                # Readers take "no measurement" as 0, and some complain about its absence; what was never measured is 0 here too.
                self._writer.clock_offset(index + 1, last_s, 0.0)
            self._writer.footer(index + 1)
        self._sync(self._fd)

    @contextlib.contextmanager
    def _recording(self):  # type: ignore[no-untyped-def]
        with self._lock:
            if self._closed:
                raise JournalError(f"{self.path} is closed: nothing more can be recorded in it")
            if self._error is not None:
                raise self._failure(self._error) from self._error
            try:
                yield
                if self._bytes >= self._boundary_due:
                    self._writer.boundary()
                    self._boundary_due = self._bytes + BOUNDARY_EVERY_BYTES
            except OSError as error:
                # A chunk may be half written. Nobody was told of its samples: a replay that had them could decide otherwise.
                self._error = error
                with contextlib.suppress(OSError):
                    if self._cut is None:
                        os.ftruncate(self._fd, self._bytes)
                raise self._failure(error) from error

    def _write(self, data: bytes) -> None:
        if (size := os.fstat(self._fd).st_size) < self._bytes:  # what is written behind a hole no reader finds
            self._cut = size
            raise OSError(errno.EIO, "cut by another program")
        view = memoryview(data)
        while view:
            view = view[os.write(self._fd, view) :]
        self._bytes += len(data)

    def _sync_loop(self) -> None:
        while not self._stop.wait(self._sync_every_s):
            written = self._bytes
            if written == self._synced_bytes:
                continue
            try:
                self._sync(self._fd)
            except OSError as error:
                self._error = error
                return
            self._synced_bytes = written

    def _failure(self, error: OSError) -> JournalError:
        if self._cut is not None:
            return JournalError(
                f"{self.path} was cut from {self._bytes:,} to {self._cut:,} bytes by another program: the run must stop. What is "
                "there is kept, the rest is lost; leave the folder alone during a run, and begin a new one"
            )
        return JournalError(
            f"cannot record to {self.path} after {self._bytes} bytes ({error.strerror or error}): the run must stop. What was "
            "written before is kept; free or change the disk, then begin a new run"
        )


def write_again(fd: int, path: Path) -> int:
    """Copy an open file to a new file at ``path``, where it no longer exists; returns the new descriptor. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
    at = 0
    while piece := os.pread(fd, 1 << 20, at):
        at += len(piece)
        view = memoryview(piece)
        while view:
            view = view[os.write(new, view) :]
    os.fsync(new)
    return new


def _create(path: Path) -> int:
    try:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
    except FileExistsError as error:
        raise JournalError(f"{path} exists: a recording is never overwritten; begin a new run folder") from error
    except OSError as error:
        raise JournalError(f"cannot make {path} ({error.strerror or error}): choose another folder by --out") from error
    if os.name == "posix":  # the new name must survive a power cut too
        with contextlib.suppress(OSError):
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    return fd
