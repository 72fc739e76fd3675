"""Reading side of EDF, EDF+, BDF and BDF+, as written by other programs.

Layout (https://www.edfplus.info/specs/): a text header of 256 bytes, and 256 bytes for each signal; then records of equal length,
each with a fixed number of samples of every signal, 16 bits (EDF) or 24 (BDF), little-endian. A signal named "EDF Annotations"
contains text instead: onset, 0x15, duration, 0x14, text, 0x14, ..., 0. The first onset of a record is the time at which that
record begins. Signals of one rate become one stream, annotations become a stream of text. This is our own reader because a file
may be damaged or malicious: each step is bounded by the size of the file, and interrupted recordings (+D) keep their times.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.formats.xdf import XdfFile, XdfStream
from quietfloor.monitor.sources.base import SourceError, StreamDescription, description_to_xml, marker_description
from quietfloor.monitor.untrusted.bounded_io import cut_short, open_file

MAGIC = {b"\xffBIOSEMI": 3, b"0       ": 2}  # first 8 bytes: bytes a sample
FIELDS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)  # label, transducer, unit, physical and digital bounds, filter, samples, reserved
HEAD = 256
FASTEST_HZ = 1e6  # own choice: what says more is no EEG
STATUS = "status"
STATUS_CODES = 0xFFFF  # the lower 16 bits of a BDF status channel are the trigger inputs, those above the amplifier's own state
LONGEST_TEXT = 4096  # letters of one annotation
MOST_RECORDS = 5_000_000  # own choice: 58 days of seconds


class EdfError(SourceError):
    """Raised if the file is no EDF or BDF file, or is damaged."""


@dataclass(frozen=True)
class _Signal:
    """One signal of the header. ``first``: its first byte in a record; ``count``: its samples there."""

    label: str
    unit: str
    physical: tuple[float, float]
    digital: tuple[float, float]
    first: int
    count: int

    @property
    def is_text(self) -> bool:
        return self.label in ("EDF Annotations", "BDF Annotations")


@dataclass(frozen=True)
class _Head:
    width: int  # bytes a sample
    signals: tuple[_Signal, ...]
    record_s: float
    records: int  # stated; -1: the recording was not closed
    interrupted: bool

    @property
    def record_bytes(self) -> int:
        return sum(signal.count for signal in self.signals) * self.width


def read_edf(path: Path) -> XdfFile:
    """Read a whole file. An incomplete end is no error: all complete records are returned and ``cut`` describes it. Raises
    EdfError, OSError."""
    with open_file(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size < 2 * HEAD:
            raise EdfError(f"{path} is no EDF or BDF file: {size} bytes are less than its header")
        return _read(file, size, path)


def _read(file: BinaryIO, size: int, path: Path) -> XdfFile:
    """The file is read, not memory-mapped: if a mapped file is cut short meanwhile, SIGBUS ends the program."""
    head = _head(file.read(HEAD * 10_000), path)  # the number of signals has four digits
    start = HEAD * (len(head.signals) + 1)
    whole, rest = divmod(size - start, head.record_bytes)
    records = whole if head.records < 0 else min(whole, head.records)
    if not 0 < records <= MOST_RECORDS:
        raise EdfError(f"{path}: {records} whole records of {head.record_bytes} bytes; allowed are 1 to {MOST_RECORDS:,}")
    file.seek(start)
    found = file.read(records * head.record_bytes)
    if len(found) < records * head.record_bytes:
        raise cut_short(path, start + len(found))
    cut = None
    if head.records > whole or (head.records < 0 and rest):
        cut = f"the file ends after {whole} whole records of {head.records if head.records >= 0 else 'an unknown number'}"
    tidy = cut is not None or (rest == 0 and whole == records)
    problems = () if tidy else (f"bytes behind the last of {records} records are left out",)
    data = np.frombuffer(found, np.uint8).reshape(records, head.record_bytes)
    return XdfFile("", _streams(data, head, path), cut, problems)


def _head(buffer: bytes, path: Path) -> _Head:
    width = MAGIC.get(buffer[:8])
    if width is None:
        raise EdfError(f"{path} is no EDF or BDF file: it begins with {buffer[:8]!r}")
    count = round(_number(buffer[252:256], "number of signals", path))
    if count < 1 or HEAD * (count + 1) > len(buffer):
        raise EdfError(f"{path} states {count} signals, and their header does not fit into the file")
    columns, at = [], HEAD
    for size in FIELDS:
        columns.append([buffer[at + size * place : at + size * (place + 1)] for place in range(count)])
        at += size * count
    signals, first = [], 0
    for label, _, unit, low, high, lowest, highest, _, samples, _ in zip(*columns, strict=True):
        name = _text(label)
        number = round(_number(samples, f"samples a record of {name!r}", path))
        if number < 1:
            raise EdfError(f"{path}: signal {name!r} has {number} samples a record; at least 1 is needed")
        bounds = [_number(field, "", path, missing=math.nan) for field in (low, high, lowest, highest)]
        signals.append(_Signal(name, _text(unit), (bounds[0], bounds[1]), (bounds[2], bounds[3]), first * width, number))
        first += number
    record_s = _number(buffer[244:252], "length of a record", path)
    head = _Head(width, tuple(signals), record_s, round(_number(buffer[236:244], "number of records", path)),
                 _text(buffer[192:236]).endswith("+D"))  # fmt: skip
    fastest = max(signal.count for signal in head.signals)
    if any(not signal.is_text for signal in signals) and not (record_s > 0 and math.isfinite(fastest / record_s)):
        raise EdfError(f"{path}: records of {record_s:g} s with up to {fastest} samples make no sampling rate")
    return head


def _streams(data: NDArray[np.uint8], head: _Head, path: Path) -> dict[int, XdfStream]:
    texts = [signal for signal in head.signals if signal.is_text]
    begins_s, notes = _annotations(data, head, texts, path)
    streams: dict[int, XdfStream] = {}
    for count in dict.fromkeys(signal.count for signal in head.signals if not signal.is_text):
        signals = [signal for signal in head.signals if signal.count == count and not signal.is_text]
        rate_hz = count / head.record_s
        if rate_hz > FASTEST_HZ:
            raise EdfError(f"{path}: {signals[0].label!r} would have {rate_hz:g} samples a second: no EEG has")
        seen = StreamDescription(
            f"{path.stem} {rate_hz:g} Hz", "EEG", "", "", "", math.nan, len(signals), rate_hz, "double64",
            tuple(signal.label for signal in signals), tuple(signal.unit if _is_calibrated(signal) else "" for signal in signals),
        )  # fmt: skip
        samples = np.empty((len(signals), len(data) * count))
        for row, signal in zip(samples, signals, strict=True):
            row[:] = _values(data, signal, head.width)
        stamps_s = (begins_s[:, np.newaxis] + np.arange(count) / rate_hz).ravel()
        number = len(streams) + 1
        streams[number] = XdfStream(number, description_to_xml(seen), rate_hz, "double64", samples, stamps_s, np.zeros((0, 2)),
                                    (count,) * len(data), "")  # fmt: skip
    if notes:
        number = len(streams) + 1
        cells = np.empty((1, len(notes)), dtype=object)
        cells[0] = [text for _, text in notes]
        xml = description_to_xml(marker_description("annotations"))
        streams[number] = XdfStream(number, xml, 0.0, "string", cells, np.array([at for at, _ in notes]), np.zeros((0, 2)),
                                    (len(notes),), "")  # fmt: skip
    return streams


def _is_calibrated(signal: _Signal) -> bool:
    bounds = (*signal.physical, *signal.digital)
    return all(map(math.isfinite, bounds)) and bounds[0] != bounds[1] and bounds[2] != bounds[3]


def _values(data: NDArray[np.uint8], signal: _Signal, width: int) -> Floats:
    """Samples (n,) in the unit of the signal; the stored whole numbers if the file states no scale."""
    there = data[:, signal.first : signal.first + signal.count * width].reshape(-1, width)
    whole = there[:, 0].astype(np.int32)
    for place in range(1, width):
        whole |= there[:, place].astype(np.int32) << (8 * place)
    if width == 3 and signal.label.lower() == STATUS:
        return (whole & STATUS_CODES).astype(np.float64)
    top = 1 << (8 * width - 1)
    whole[whole >= top] -= 2 * top
    if not _is_calibrated(signal):
        return whole.astype(np.float64)
    (low, high), (lowest, highest) = signal.physical, signal.digital
    with np.errstate(over="ignore", invalid="ignore"):  # bounds may be absurd
        return np.asarray(low + (whole - lowest) * ((high - low) / (highest - lowest)), dtype=np.float64)


def _annotations(
    data: NDArray[np.uint8], head: _Head, texts: list[_Signal], path: Path
) -> tuple[Floats, list[tuple[float, str]]]:
    """Times in s at which records begin, and (onset in s, text) of all annotations, by onset. Both count from the first
    record."""
    begins_s: Floats = np.arange(len(data), dtype=np.float64) * head.record_s
    notes: list[tuple[float, str]] = []
    stated = np.full(len(data), np.nan)
    for which, signal in enumerate(texts):
        block = data[:, signal.first : signal.first + signal.count * head.width]
        for record in range(len(data)):
            for place, (onset_s, said) in enumerate(_lists(block[record].tobytes())):
                if which == 0 and place == 0 and said[:1] in ([], [""]):
                    stated[record] = onset_s
                notes += [(onset_s, text) for text in said if text]
    origin_s = float(stated[0]) if len(stated) and math.isfinite(stated[0]) else 0.0
    if head.interrupted:
        if not np.isfinite(stated).all():
            missing = int(np.flatnonzero(~np.isfinite(stated))[0]) + 1
            raise EdfError(f"{path} is an interrupted recording, and its record {missing} does not say when it begins")
        begins_s = stated - origin_s
    return begins_s, sorted((onset_s - origin_s, text) for onset_s, text in notes)


def _lists(raw: bytes) -> Iterator[tuple[float, list[str]]]:
    """Yield (onset in s, texts) of each annotation list in a record; anything else is skipped."""
    for part in raw.split(b"\x00"):
        if not part:
            continue
        when, *said = part.split(b"\x14")
        onset_s = _float(when.split(b"\x15")[0])
        if part.endswith(b"\x14") and math.isfinite(onset_s):
            yield onset_s, [text.decode("utf-8", "replace")[:LONGEST_TEXT] for text in said[:-1]]


def _text(field: bytes) -> str:
    return field.decode("latin-1").strip(" \x00")


def _float(field: bytes) -> float:
    try:
        return float(field)
    except ValueError:
        return math.nan


def _number(field: bytes, what: str, path: Path, missing: float | None = None) -> float:
    number = _float(field.strip(b" \x00"))
    if math.isfinite(number):
        return number
    if missing is None:
        raise EdfError(f"{path}: {what} is {field!r}, which is no number")
    return missing
