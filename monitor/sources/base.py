"""Interface of a source of samples, and its errors.

SourceError
├── NoStream          no visible stream fits
├── AmbiguousStream   more than one fits; carries the candidates
├── StreamLost        the sender is gone and does not come back by itself
├── EndOfRecording    a recording has been read to its end
└── ChannelError      the channels asked for are not in the stream, or contradict each other
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf_format import stated_size
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.untrusted.safe_xml import XmlError, element_from

OWN_CLOCK = "samples"  # in acquisition/clock: time of this stream is the count of its samples, whatever clocks say
LONGEST_NAME = 500  # letters of a name or a label, own choice; what is beyond is kept in the XML alone


class SourceError(QuotingError, RuntimeError):
    """Raised if samples cannot be read; the text says from where, why, and what to do next."""


class NoStream(SourceError):
    """No visible stream fits the request."""


class AmbiguousStream(SourceError):
    """Several streams fit the request; choosing one would be a guess."""

    def __init__(self, message: str, candidates: Sequence[StreamDescription]) -> None:
        super().__init__(message)
        self.candidates = tuple(candidates)


class StreamLost(SourceError):
    """The sender vanished and this inlet will not get data again."""


class EndOfRecording(SourceError):
    """Every sample of the recording has been delivered."""


class ChannelError(SourceError):
    """A channel asked for is not in the stream, fits twice, or is asked to be EEG and trigger at once."""


@dataclass(frozen=True)
class StreamDescription:
    """Description of a stream. Unknown text is "", an unknown time is nan; labels and units have one entry per channel.

    ``rate_hz`` is the nominal rate, 0 for irregular streams. ``channel_format`` uses the XDF names (float32, double64, int16,
    string, ...). ``xml`` is the complete description as sent by the stream; a recording keeps it.
    """

    name: str
    type: str
    source_id: str
    host: str
    uid: str
    created_at_s: float
    channel_count: int
    rate_hz: float
    channel_format: str
    labels: tuple[str, ...]
    units: tuple[str, ...]
    xml: str = ""
    own_clock: bool = False  # of a virtual amplifier: its time is the count of its samples, a slow machine only makes it late

    def label(self, index: int) -> str:
        """The label of channel ``index`` (from 0); its number, counted from 1, if the stream gives no label."""
        return self.labels[index] or str(index + 1)

    def summary(self) -> str:
        """One line that lets a person tell this stream from another one."""
        rate = f"{self.rate_hz:g} Hz" if self.rate_hz > 0 else "irregular"
        source = f"source id {self.source_id!r}" if self.source_id else "no source id"
        plural = "channel" if self.channel_count == 1 else "channels"
        created = "" if math.isnan(self.created_at_s) else f", created at {self.created_at_s:.3f} s"
        return (
            f"{self.name!r} (type {self.type or 'not stated'!r}, {self.channel_count} {plural} {self.channel_format}, {rate}, "
            f"host {self.host or 'unknown'!r}, {source}{created})"
        )


class Source(Protocol):
    """Delivers one stream in pieces, in order, unmodified."""

    @property
    def description(self) -> StreamDescription: ...

    @property
    def backlog_samples(self) -> int:
        """Number of samples that wait to be pulled."""
        ...

    def pull(self, timeout_s: float) -> Chunk | None:
        """The next samples, or None if none came within ``timeout_s``. Raises StreamLost or EndOfRecording."""
        ...

    def close(self) -> None: ...


def description_from_xml(xml: str) -> StreamDescription:
    """Read a stream description in the XDF layout: <info> with name, type, ..., desc/channels/channel/{label, unit}.

    Raises ValueError when the text is not such a description.
    """
    xml = _legal(xml)
    try:
        info = element_from(xml)
        count, rate_hz = stated_size(info)
    except ValueError as error:
        raise ValueError(f"the stream's description cannot be used: {error}") from error

    def text(name: str) -> str:
        return (info.findtext(name) or "").strip()[:LONGEST_NAME]

    channels = info.findall("desc/channels/channel")
    return StreamDescription(
        name=text("name"),
        type=text("type"),
        source_id=text("source_id"),
        host=text("hostname"),
        uid=text("uid"),
        created_at_s=number_or_nan(text("created_at")),
        channel_count=count,
        rate_hz=rate_hz,
        channel_format=text("channel_format"),
        labels=_one_each(channels, "label", count),
        units=_one_each(channels, "unit", count),
        xml=xml,
        own_clock=info.findtext("desc/acquisition/clock") == OWN_CLOCK,
    )


def description_to_xml(description: StreamDescription) -> str:
    """The stream's own XML, or an equal one built from the fields when it carries none (or a broken one)."""
    if description.xml:
        try:
            element_from(description.xml)
        except XmlError:
            pass
        else:
            return description.xml
    info = ElementTree.Element("info")
    for name, value in {
        "name": description.name,
        "type": description.type,
        "channel_count": str(description.channel_count),
        "nominal_srate": repr(float(description.rate_hz)),
        "channel_format": description.channel_format,
        "source_id": description.source_id,
        "created_at": "" if math.isnan(description.created_at_s) else repr(float(description.created_at_s)),
        "uid": description.uid,
        "hostname": description.host,
    }.items():
        ElementTree.SubElement(info, name).text = printable(value)
    channels = ElementTree.SubElement(ElementTree.SubElement(info, "desc"), "channels")
    for label, unit in zip(description.labels, description.units, strict=True):
        channel = ElementTree.SubElement(channels, "channel")
        ElementTree.SubElement(channel, "label").text = printable(label)
        ElementTree.SubElement(channel, "unit").text = printable(unit)
    return '<?xml version="1.0"?>' + ElementTree.tostring(info, encoding="unicode")


def marker_description(name: str = "quietfloor-markers", source_id: str = "") -> StreamDescription:
    """Description of an irregular text stream for labels and operator's remarks, for runs without a marker stream."""
    return StreamDescription(name, "Markers", source_id, "", "", math.nan, 1, 0.0, "string", ("",), ("",))


def _one_each(channels: list[ElementTree.Element], name: str, count: int) -> tuple[str, ...]:
    found = [" ".join((channel.findtext(name) or "").split())[:LONGEST_NAME] for channel in channels[:count]]
    return tuple(found + [""] * (count - len(found)))


def number_or_nan(text: str | None) -> float:
    """A number that another program wrote as text; nan for text that is no number."""
    try:
        return float(text or "nan")
    except ValueError:
        return math.nan


def _legal(xml: str) -> str:
    """Untrusted XML without the control characters that XML cannot contain, so that one of them in a name does not make all
    labels unreadable."""

    def character(found: re.Match[str]) -> str:
        number = int(found[1], 16) if found[1] else int(found[2])
        return found[0] if number >= 32 or number in (9, 10, 13) else "\N{REPLACEMENT CHARACTER}"

    return printable(re.sub(r"&#(?:x([0-9a-fA-F]{1,6})|([0-9]{1,7}));", character, xml))


def printable(text: str) -> str:
    """The text without control characters, which XML 1.0 cannot contain, not even escaped."""
    return re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "\N{REPLACEMENT CHARACTER}", text)
