"""Writing side of XDF: append-only, one whole chunk per call."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
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
    essentials,
    record_dtype,
)


@dataclass
class _Written:
    channels: int
    dtype: np.dtype | None  # None: text
    record: np.dtype | None
    count: int = 0
    first_s: float = float("nan")
    last_s: float = float("nan")
    offsets: list[tuple[float, float]] = field(default_factory=list)


class XdfWriter:
    """Makes one chunk per call and passes it as a whole to ``write``. Not thread-safe; buffers nothing.

    The file header is written when the object is made. Order of calls: ``add_stream``, then data in any order, then ``footer``
    for each stream.
    """

    def __init__(self, write: Callable[[bytes], object], datetime_text: str = "") -> None:
        self._write = write
        self._streams: dict[int, _Written] = {}
        header = ElementTree.Element("info")
        ElementTree.SubElement(header, "version").text = "1.0"
        if datetime_text:
            ElementTree.SubElement(header, "datetime").text = datetime_text
        self._write(MAGIC + _chunk(FILE_HEADER, _xml(header)))

    def add_stream(self, stream_id: int, xml: str) -> None:
        """Announce a stream by its description (<info> with channel_count, nominal_srate, channel_format)."""
        if stream_id in self._streams:
            raise XdfError(f"stream {stream_id} has its header already")
        channels, _, name = essentials(xml)
        dtype = DTYPES.get(name)
        self._streams[stream_id] = _Written(channels, dtype, None if dtype is None else record_dtype(dtype, channels))
        self._write(_chunk(STREAM_HEADER, xml.encode(), stream_id))

    def samples(self, stream_id: int, samples: NDArray[Any], stamps_s: Floats) -> None:
        """Append numeric samples (n_channels, n_samples) of the stream's own type with stamps (n_samples,) in s."""
        stream = self._streams[stream_id]
        if stream.dtype is None or stream.record is None:
            raise XdfError(f"stream {stream_id} carries text, not samples")
        if samples.dtype != stream.dtype:
            raise XdfError(f"stream {stream_id} carries {stream.dtype}, not {samples.dtype}: converting would change the data")
        count = len(stamps_s)
        if samples.shape != (stream.channels, count):
            raise XdfError(f"stream {stream_id} needs samples ({stream.channels}, {count}) for its stamps, got {samples.shape}")
        if count == 0:
            return
        records = np.empty(count, stream.record)
        records["stamp_bytes"] = 8
        records["stamp_s"] = stamps_s
        records["values"] = samples.T
        self._write(_chunk(SAMPLES, _varlen(count) + records.tobytes(), stream_id))
        self._count(stream, count, float(stamps_s[0]), float(stamps_s[-1]))

    def texts(self, stream_id: int, stamped: Sequence[tuple[float, str | Sequence[str]]]) -> None:
        """Append text samples: (stamp in s, one text, or one text per channel)."""
        stream = self._streams[stream_id]
        if stream.dtype is not None:
            raise XdfError(f"stream {stream_id} carries numbers, not text")
        if not stamped:
            return
        content = [_varlen(len(stamped))]
        for stamp_s, texts in stamped:
            values = [texts] if isinstance(texts, str) else list(texts)
            if len(values) != stream.channels:
                raise XdfError(f"stream {stream_id} needs {stream.channels} texts a sample, got {len(values)}")
            content.append(struct.pack("<Bd", 8, stamp_s))
            content.extend(_varlen(len(raw)) + raw for raw in (value.encode() for value in values))
        self._write(_chunk(SAMPLES, b"".join(content), stream_id))
        self._count(stream, len(stamped), stamped[0][0], stamped[-1][0])

    def clock_offset(self, stream_id: int, time_s: float, offset_s: float) -> None:
        """Append the offset to add to the sender's stamps near ``time_s`` (sender's clock) to get the recorder's clock, in s."""
        self._streams[stream_id].offsets.append((time_s, offset_s))
        self._write(_chunk(CLOCK_OFFSET, struct.pack("<dd", time_s, offset_s), stream_id))

    def boundary(self) -> None:
        """Append a mark from which a reader can continue after a damaged stretch."""
        self._write(_chunk(BOUNDARY_TAG, BOUNDARY))

    def footer(self, stream_id: int) -> None:
        """Close a stream with its first and last stamp, sample count and clock offsets."""
        stream = self._streams[stream_id]
        info = ElementTree.Element("info")
        ElementTree.SubElement(info, "first_timestamp").text = repr(stream.first_s)
        ElementTree.SubElement(info, "last_timestamp").text = repr(stream.last_s)
        ElementTree.SubElement(info, "sample_count").text = str(stream.count)
        offsets = ElementTree.SubElement(info, "clock_offsets")
        for time_s, offset_s in stream.offsets:
            offset = ElementTree.SubElement(offsets, "offset")
            ElementTree.SubElement(offset, "time").text = repr(time_s)
            ElementTree.SubElement(offset, "value").text = repr(offset_s)
        self._write(_chunk(STREAM_FOOTER, _xml(info), stream_id))

    def _count(self, stream: _Written, count: int, first_s: float, last_s: float) -> None:
        if stream.count == 0:
            stream.first_s = first_s
        stream.count += count
        stream.last_s = last_s


def _varlen(value: int) -> bytes:
    if value < 1 << 8:
        return struct.pack("<BB", 1, value)
    if value < 1 << 32:
        return struct.pack("<BI", 4, value)
    return struct.pack("<BQ", 8, value)


def _chunk(tag: int, content: bytes, stream_id: int | None = None) -> bytes:
    head = struct.pack("<H", tag) if stream_id is None else struct.pack("<HI", tag, stream_id)
    return _varlen(len(head) + len(content)) + head + content


def _xml(element: ElementTree.Element) -> bytes:
    return b'<?xml version="1.0"?>' + ElementTree.tostring(element)
