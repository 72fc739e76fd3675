"""XDF, the Extensible Data Format 1.0: definitions shared by writer and reader.

Layout (specification: https://github.com/sccn/xdf/wiki/Specifications): the bytes "XDF:", then chunks [length of length: 1, 4 or
8][length][tag uint16][content], little-endian throughout. Length counts tag and content. A Samples chunk is [stream id][count]
and then, for each sample, [8][stamp float64][values], or [0][values] with the stamp computed from the nominal rate. This writer
always stores the stamp.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.untrusted.safe_text import QuotingError, plain
from quietfloor.monitor.untrusted.safe_xml import element_from

Floats = NDArray[np.float64]

MAGIC = b"XDF:"
BOUNDARY = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")
FILE_HEADER, STREAM_HEADER, SAMPLES, CLOCK_OFFSET, BOUNDARY_TAG, STREAM_FOOTER = 1, 2, 3, 4, 5, 6
DTYPES: dict[str, np.dtype[Any]] = {
    "float32": np.dtype("<f4"),
    "double64": np.dtype("<f8"),
    "int8": np.dtype("<i1"),
    "int16": np.dtype("<i2"),
    "int32": np.dtype("<i4"),
    "int64": np.dtype("<i8"),
}

MOST_CHANNELS = 100_000  # of a stream, own choice: a count that is a mistake, or worse, must not fill the memory


class XdfError(QuotingError, ValueError):
    """Raised if the file is no XDF file, or if data do not fit their stream."""


def record_dtype(dtype: np.dtype, channels: int) -> np.dtype:
    """Type of one stamped sample in a file: [8][float64][values (channels,)], packed."""
    return np.dtype([("stamp_bytes", "u1"), ("stamp_s", "<f8"), ("values", dtype, (channels,))])


@dataclass(frozen=True)
class XdfStream:
    """One stream as read: samples (n_channels, n_samples) in the file's type (str objects for text), stamps (n_samples,)."""

    stream_id: int
    xml: str
    rate_hz: float
    channel_format: str
    samples: NDArray[Any]
    stamps_s: Floats
    clock_offsets: Floats  # (n, 2): time in the sender's clock, offset; both in s
    chunk_sizes: tuple[int, ...]  # samples a chunk, in file order
    footer_xml: str | None  # None: the recording was not closed


@dataclass(frozen=True)
class XdfFile:
    """All streams by id. ``cut`` describes what an incomplete end lost, ``problems`` the damage before it, in words."""

    header_xml: str
    streams: dict[int, XdfStream]
    cut: str | None
    problems: tuple[str, ...]

    @property
    def closed(self) -> bool:
        """Whether the recording was closed properly: nothing is cut, and every stream has its footer."""
        return self.cut is None and all(stream.footer_xml is not None for stream in self.streams.values())


def stated_size(info: ElementTree.Element) -> tuple[int, float]:
    """(channel count, nominal rate in Hz) of a stream; 0 Hz: irregular. Raises ValueError."""
    stated, rate = (plain((info.findtext(name) or "").strip(), 40) for name in ("channel_count", "nominal_srate"))
    try:
        channels, rate_hz = int(stated), float(rate or 0.0)
    except ValueError as error:
        raise ValueError(f"it states no usable channel_count or nominal_srate ({error})") from error
    if not 1 <= channels <= MOST_CHANNELS:
        raise ValueError(f"channel_count = {stated} must be 1 to {MOST_CHANNELS:,}")
    if not (math.isfinite(rate_hz) and rate_hz >= 0):
        raise ValueError(f"nominal_srate = {rate} must be a rate in Hz, or 0 for an irregular stream")
    return channels, rate_hz


def essentials(xml: str) -> tuple[int, float, str]:
    """(channel count, nominal rate in Hz, format) that a stream header must state."""
    try:
        info = element_from(xml)
        channels, rate_hz = stated_size(info)
    except ValueError as error:
        raise XdfError(f"stream header: {plain(str(error), 300)}") from error
    name = (info.findtext("channel_format") or "").strip()
    if name != "string" and name not in DTYPES:
        raise XdfError(f"channel_format {plain(name, 40)!r} is none of {', '.join(DTYPES)}, string")
    return channels, rate_hz, name
