"""Reading side of XDF: walk through the chunks once, then copy the samples of each stream into arrays of known size.

Files of other programs may leave stamps out (0 stamp bytes: previous stamp + 1/rate), so there is a slow path for single samples
beside the vectorised one. The file is read, not memory-mapped: if a mapped file is cut short meanwhile, SIGBUS ends the program.
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.formats.xdf_format import (
    BOUNDARY,
    BOUNDARY_TAG,
    CLOCK_OFFSET,
    DTYPES,
    FILE_HEADER,
    MAGIC,
    SAMPLES,
    STREAM_FOOTER,
    STREAM_HEADER,
    Floats,
    XdfError,
    XdfFile,
    XdfStream,
    essentials,
    record_dtype,
)
from quietfloor.monitor.untrusted.bounded_io import FileBytes, open_file

_VARLEN = {1: struct.Struct("<B"), 4: struct.Struct("<I"), 8: struct.Struct("<Q")}
MOST_STREAMS, MOST_PROBLEMS = 1000, 100  # own choice: of a file; damage beyond is counted, and not described
CHUNKS_AT_ONCE = 256  # chunks of a live recording are small: one by one they cost more than their samples
_TAG, _ID, _STAMP = struct.Struct("<H"), struct.Struct("<I"), struct.Struct("<d")
_OFFSET = struct.Struct("<dd")


class _Short(Exception):
    """Raised if the bytes end, or are invalid, before the item is complete."""


Buffer = bytes | FileBytes


@dataclass
class _Found:
    """Positions of the sample chunks of one stream: start, end, stated count."""

    xml: str
    channels: int
    rate_hz: float
    channel_format: str
    chunks: list[tuple[int, int, int]] = field(default_factory=list)
    offsets: list[tuple[float, float]] = field(default_factory=list)
    footer_xml: str | None = None


def read_xdf(path: Path | str) -> XdfFile:
    """Read a whole file. An incomplete end is no error: all complete samples before it are returned, and ``cut`` describes it.

    Raises XdfError if the file is not XDF, OSError if it cannot be opened.
    """
    with open_file(path) as file:
        if file.read(4) != MAGIC:
            raise XdfError(f"{path} is no XDF file: it does not start with {MAGIC.decode()!r}")
        return read_buffer(FileBytes(file, path))


def read_buffer(buffer: Buffer) -> XdfFile:
    """Read the bytes of a whole file, magic included."""
    walk = _Walk(buffer)
    walk.run()
    streams = {stream_id: _assemble(buffer, stream_id, found, walk.problems.add) for stream_id, found in walk.streams.items()}
    return XdfFile(walk.header_xml, streams, walk.cut, walk.problems.told())


class _Problems:
    """List of damages, each once, up to a largest number, because a file may be damaged throughout."""

    def __init__(self) -> None:
        self.found: dict[str, None] = {}
        self.more = 0

    def add(self, problem: str) -> None:
        if problem in self.found:
            return
        if len(self.found) < MOST_PROBLEMS:
            self.found[problem] = None
        else:
            self.more += 1

    def told(self) -> tuple[str, ...]:
        return (*self.found, *([f"{self.more} more places that are damaged"] if self.more else []))


class _Walk:
    def __init__(self, buffer: Buffer) -> None:
        self.buffer = buffer
        self.size = len(buffer)
        self.header_xml = ""
        self.streams: dict[int, _Found] = {}
        self.cut: str | None = None
        self.problems = _Problems()
        self.refused: set[int] = set()  # streams whose samples are of another header by now

    def run(self) -> None:
        position = 4
        while position < self.size:
            try:
                length, start = _varlen(self.buffer, position, self.size)
            except _Short:
                length, start = 0, position
            end = start + length
            if length >= 2 and end <= self.size:
                self._try(self._chunk, start, end)
                position = end
                continue
            # No whole chunk here: either the file ends in it, or it is damaged and a boundary further on lets us go on.
            resume = self.buffer.find(BOUNDARY, position + 1)
            if resume < 0:
                with contextlib.suppress(_Short, struct.error):
                    self._unfinished(start, self.size)
                self.cut = f"the file ends within a chunk, {self.size - position} bytes after its begin at byte {position}"
                return
            self.problems.add(f"damaged from byte {position} to {resume}: went on at the boundary there")
            position = resume + len(BOUNDARY)

    def _try(self, read: Callable[[int, int], None], start: int, end: int) -> None:
        try:
            read(start, end)
        except (_Short, XdfError, struct.error) as error:
            self.problems.add(f"chunk skipped: {error}")

    def _chunk(self, start: int, end: int) -> None:
        (tag,) = _TAG.unpack(self.buffer[start : start + 2])
        body = start + 2
        if tag == SAMPLES:
            self._samples(body, end)
        elif tag == CLOCK_OFFSET:
            found = self._stream(body, end)
            if end - body < 20:
                raise _Short("clock offset too short")
            time_s, offset_s = _OFFSET.unpack(self.buffer[body + 4 : body + 20])
            found.offsets.append((time_s, offset_s))
        elif tag == FILE_HEADER:
            self.header_xml = self._text(body, end)
        elif tag == STREAM_HEADER:
            (stream_id,) = _ID.unpack(self.buffer[body : body + 4])
            self._header(stream_id, self._text(body + 4, end))
        elif tag == STREAM_FOOTER:
            self._stream(body, end).footer_xml = self._text(body + 4, end)
        elif tag != BOUNDARY_TAG:
            self.problems.add(f"chunk with unknown tag {tag} at byte {start} skipped")

    def _header(self, stream_id: int, xml: str) -> None:
        before = self.streams.get(stream_id)
        if before is not None and before.xml == xml:
            return
        if before is not None and before.chunks:
            self.refused.add(stream_id)
            raise XdfError(f"stream {stream_id} has a second header that differs: what is behind it is left out")
        if before is None and len(self.streams) >= MOST_STREAMS:
            raise XdfError(f"there are more than {MOST_STREAMS:,} streams: the first ones are read")
        self.streams[stream_id] = _Found(xml, *essentials(xml))

    def _unfinished(self, start: int, end: int) -> None:
        """A sample chunk that the file's end cuts still holds whole samples."""
        if start + 6 <= end and _TAG.unpack(self.buffer[start : start + 2])[0] == SAMPLES:
            self._samples(start + 2, end)

    def _samples(self, body: int, end: int) -> None:
        found = self._stream(body, end)
        count, start = _varlen(self.buffer, body + 4, end)
        found.chunks.append((start, end, count))

    def _stream(self, body: int, end: int) -> _Found:
        if body + 4 > end:
            raise _Short("chunk too short for a stream id")
        (stream_id,) = _ID.unpack(self.buffer[body : body + 4])
        if stream_id not in self.streams:
            raise _Short(f"stream {stream_id} has no header")
        if stream_id in self.refused:
            raise _Short(f"stream {stream_id} has a second header that differs")
        return self.streams[stream_id]

    def _text(self, start: int, end: int) -> str:
        return self.buffer[start:end].decode("utf-8", "replace")


def _assemble(buffer: Buffer, stream_id: int, found: _Found, problem: Callable[[str], None]) -> XdfStream:
    read = _read_texts if found.channel_format == "string" else _read_numbers
    samples, stamps_s, sizes = read(buffer, found)
    for (start, end, stated), size in zip(found.chunks, sizes, strict=True):
        if size < stated and end < len(buffer):
            problem(f"stream {stream_id}: chunk at byte {start} holds {size} of {stated} samples")
    return XdfStream(
        stream_id,
        found.xml,
        found.rate_hz,
        found.channel_format,
        samples,
        stamps_s,
        np.array(found.offsets, dtype=np.float64).reshape(-1, 2),
        tuple(size for size in sizes if size),
        found.footer_xml,
    )


def _read_numbers(buffer: Buffer, found: _Found) -> tuple[NDArray[Any], Floats, list[int]]:
    dtype = DTYPES[found.channel_format]
    record = record_dtype(dtype, found.channels)
    # A chunk's bytes bound its samples, whatever count a damaged chunk states.
    room = sum(min(count, (end - start) // (1 + found.channels * dtype.itemsize)) for start, end, count in found.chunks)
    samples = np.empty((found.channels, room), dtype.newbyteorder("="))
    stamps_s = np.empty(room)
    sizes: list[int] = []
    at = 0
    for first in range(0, len(found.chunks), CHUNKS_AT_ONCE):
        chunks = found.chunks[first : first + CHUNKS_AT_ONCE]
        counts = [min(count, (end - start) // record.itemsize) for start, end, count in chunks]
        pieces = [buffer[start : start + n * record.itemsize] for (start, _, _), n in zip(chunks, counts, strict=True)]
        records = np.frombuffer(b"".join(pieces), record)
        whole = all(n == count or end == len(buffer) for (_, end, count), n in zip(chunks, counts, strict=True))
        if whole and (records["stamp_bytes"] == 8).all():
            stop = at + len(records)
            samples[:, at:stop] = records["values"].T
            stamps_s[at:stop] = records["stamp_s"]
            sizes += counts
            at = stop
            continue
        for chunk in chunks:
            last_s = float(stamps_s[at - 1]) if at else 0.0
            sizes.append(_read_mixed(buffer, chunk, found, last_s, samples[:, at:], stamps_s[at:]))
            at += sizes[-1]
    return samples[:, :at], stamps_s[:at], sizes


def _read_mixed(
    buffer: Buffer, chunk: tuple[int, int, int], found: _Found, last_s: float, samples: NDArray[Any], stamps_s: Floats
) -> int:
    """Read sample by sample, for chunks in which some stamps are left out. Returns the number of complete samples."""
    start, end, count = chunk
    data, position, end = buffer[start:end], 0, end - start
    dtype = DTYPES[found.channel_format]
    step_s = 1.0 / found.rate_hz if found.rate_hz > 0 else 0.0
    for index in range(count):
        try:
            last_s, position = _stamp(data, position, end, last_s + step_s)
        except _Short:
            return index
        after = position + found.channels * dtype.itemsize
        if after > end:
            return index
        samples[:, index] = np.frombuffer(data[position:after], dtype)
        stamps_s[index] = last_s
        position = after
    return count


def _read_texts(buffer: Buffer, found: _Found) -> tuple[NDArray[Any], Floats, list[int]]:
    rows: list[list[str]] = []
    stamps: list[float] = []
    sizes: list[int] = []
    step_s = 1.0 / found.rate_hz if found.rate_hz > 0 else 0.0
    for start, end, count in found.chunks:
        data, position, before = buffer[start:end], 0, len(rows)
        end -= start
        try:
            for _ in range(count):
                stamp_s, position = _stamp(data, position, end, (stamps[-1] if stamps else 0.0) + step_s)
                row = []
                for _ in range(found.channels):
                    length, position = _varlen(data, position, end)
                    if position + length > end:
                        raise _Short("text cut")
                    row.append(data[position : position + length].decode("utf-8", "replace"))
                    position += length
                rows.append(row)
                stamps.append(stamp_s)
        except _Short:
            pass
        sizes.append(len(rows) - before)
    samples = np.empty((found.channels, len(rows)), dtype=object)
    for index, row in enumerate(rows):
        samples[:, index] = row
    return samples, np.array(stamps, dtype=np.float64), sizes


def _stamp(data: bytes, position: int, end: int, deduced_s: float) -> tuple[float, int]:
    if position >= end:
        raise _Short("no stamp")
    if data[position] == 0:
        return deduced_s, position + 1
    if position + 9 > end:
        raise _Short("stamp cut")
    return _STAMP.unpack_from(data, position + 1)[0], position + 9


def _varlen(buffer: Buffer, position: int, end: int) -> tuple[int, int]:
    """(value, position after it) of a variable-length integer."""
    head = buffer[position : min(position + 9, end)]
    width = head[0] if head else 0
    if width not in _VARLEN or len(head) < 1 + width:
        raise _Short(f"no length at byte {position}")
    return _VARLEN[width].unpack_from(head, 1)[0], position + 1 + width
