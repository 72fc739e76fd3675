"""A recording, in XDF, BDF or EDF, as a source: the same samples and stamps again, at once or at a multiple of real time."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from quietfloor.monitor.core.samples import Chunk, Floats
from quietfloor.monitor.formats.xdf import XdfFile, XdfStream, read_xdf
from quietfloor.monitor.sources.base import AmbiguousStream, EndOfRecording, NoStream, StreamDescription, description_from_xml
from quietfloor.monitor.sources.edf import MAGIC, read_edf
from quietfloor.monitor.untrusted.bounded_io import open_file


class RecordingSource:
    """Replays the sampled stream of a recording, in the recorded chunks, or in pieces of ``chunk_samples`` or ``chunk_s``
    seconds.

    ``pace`` None gives each chunk at once; 1.0 gives it no earlier than its last sample would have arrived live, 10.0 ten times
    faster. ``name`` chooses among several sampled streams. Raises NoStream, AmbiguousStream, XdfError, EdfError, OSError.
    """

    def __init__(
        self,
        path: Path | str,
        chunk_samples: int | None = None,
        chunk_s: float | None = None,
        pace: float | None = None,
        name: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if chunk_samples is not None and chunk_samples < 1:
            raise ValueError(f"chunk_samples = {chunk_samples} must be at least 1")
        if pace is not None and not pace > 0:
            raise ValueError(f"pace = {pace} must be above 0 (times real time), or None for as fast as possible")
        self.path = Path(path)
        self.file: XdfFile = read_file(self.path)
        self._stream = _sampled_stream(self.file, self.path, name)
        self._description = description_from_xml(self._stream.xml)
        if chunk_samples is None and chunk_s is not None:
            chunk_samples = max(1, round(chunk_s * self._description.rate_hz))
        self._sizes = self._stream.chunk_sizes if chunk_samples is None else None
        self._chunk_samples = chunk_samples or 0
        self._pace = pace
        self._clock = clock
        self._sleep = sleep
        self._started_s: float | None = None
        self._at = 0
        self._index = 0

    @property
    def description(self) -> StreamDescription:
        return self._description

    @property
    def total_samples(self) -> int:
        return len(self._stream.stamps_s)

    @property
    def markers(self) -> list[tuple[float, str]]:
        """(stamp in s, text) of all text streams, by stamp."""
        return sorted((pair for stream in self._texts() for pair in _pairs(stream)), key=lambda pair: pair[0])

    @property
    def texts(self) -> list[tuple[float, str]]:
        """Markers with stamps in the clock of the samples, as far as clock offsets were recorded (the median for each stream).
        Markers without a valid time are left out."""
        here = _offset_s(self._stream)
        pairs = [(stamp + _offset_s(stream) - here, text) for stream in self._texts() for stamp, text in _pairs(stream)]
        return sorted((pair for pair in pairs if np.isfinite(pair[0])), key=lambda pair: pair[0])

    def _texts(self) -> list[XdfStream]:
        return [stream for stream in self.file.streams.values() if stream.channel_format == "string"]

    @property
    def clock_offsets(self) -> list[tuple[float, float]]:
        """Recorded pairs (time in the sender's clock, offset in s)."""
        return [(float(time_s), float(offset_s)) for time_s, offset_s in self._stream.clock_offsets]

    @property
    def backlog_samples(self) -> int:
        """Number of samples that are due and not yet pulled; 0 without a pace."""
        if self._pace is None or self._started_s is None:
            return 0
        due = round((self._clock() - self._started_s) * self._pace * self._description.rate_hz)
        return max(0, min(due, self.total_samples) - self._at)

    def pull(self, timeout_s: float = 0.5) -> Chunk | None:
        """The next chunk; None if, at the chosen pace, it is not due within ``timeout_s``. Raises EndOfRecording."""
        stop = self._stop()
        if self._at >= self.total_samples:
            raise EndOfRecording(f"{self.path} has been read to its end ({self.total_samples} samples)")
        if not self._is_due(stop, timeout_s):
            return None
        piece = slice(self._at, stop)
        chunk = Chunk(np.ascontiguousarray(self._stream.samples[:, piece]), self._stream.stamps_s[piece].copy())
        self._at = stop
        self._index += 1
        return chunk

    def close(self) -> None:
        """Does nothing: a recording is read as a whole when it is opened."""

    def _stop(self) -> int:
        size = self._chunk_samples
        if self._sizes is not None and self._index < len(self._sizes):
            size = self._sizes[self._index]
        return min(self._at + size, self.total_samples)

    def _is_due(self, stop: int, timeout_s: float) -> bool:
        if self._pace is None or self._description.rate_hz <= 0:
            return True
        if self._started_s is None:
            self._started_s = self._clock()
        wait_s = self._started_s + stop / (self._description.rate_hz * self._pace) - self._clock()
        if wait_s > 0:
            self._sleep(min(wait_s, timeout_s))
        return wait_s <= timeout_s


def _pairs(stream: XdfStream) -> list[tuple[float, str]]:
    return [(float(stamp), str(text)) for stamp, text in zip(stream.stamps_s, stream.samples[0], strict=True)]


def _offset_s(stream: XdfStream) -> float:
    return float(np.median(stream.clock_offsets[:, 1])) if len(stream.clock_offsets) else 0.0


def places_of(times_s: Floats, stamps_s: Floats) -> Floats:
    """Positions of times (n,) among stamps (m,), as fractional sample numbers; nan for times outside. Stamps that go back are
    treated as repeated."""
    rising = np.maximum.accumulate(np.where(np.isfinite(stamps_s), stamps_s, -np.inf))
    good = np.isfinite(rising)
    if not good.any():
        return np.full(len(times_s), np.nan)
    return np.asarray(np.interp(times_s, rising[good], np.flatnonzero(good), left=np.nan, right=np.nan))


def read_file(path: Path) -> XdfFile:
    """Read a recording in XDF, BDF or EDF; its first bytes tell which. Raises XdfError, EdfError, OSError."""
    with open_file(path) as file:
        begin = file.read(8)
    return read_edf(path) if begin in MAGIC else read_xdf(path)


def _sampled_stream(file: XdfFile, path: Path, name: str | None) -> XdfStream:
    described = [(stream, description_from_xml(stream.xml)) for stream in file.streams.values()]
    numeric = [(stream, seen) for stream, seen in described if stream.channel_format != "string"]
    fits = [(stream, seen) for stream, seen in numeric if name is None or seen.name == name]
    listed = "\n  ".join(seen.summary() for _, seen in described) or "no stream at all"
    if not fits:
        raise NoStream(f"{path} holds no sampled stream{f' named {name!r}' if name else ''}. It holds:\n  {listed}")
    if len(fits) > 1:
        candidates = [seen for _, seen in fits]
        raise AmbiguousStream(f"{path} holds {len(fits)} sampled streams that fit: name one of\n  {listed}", candidates)
    return fits[0][0]
