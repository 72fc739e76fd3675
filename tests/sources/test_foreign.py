"""What others send and write: XML that is no description, hostile streams over LSL, text on its way to a terminal."""

from __future__ import annotations

import io
import json
import os
import struct
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.formats.xdf import XdfError, XdfWriter, read_xdf
from quietfloor.monitor.formats.xdf_read import MOST_PROBLEMS, MOST_STREAMS, read_buffer
from quietfloor.monitor.sources.base import NoStream, description_from_xml, description_to_xml, marker_description
from quietfloor.monitor.sources.lsl import LslMarkers, LslSource, find_stream, list_streams
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.untrusted.safe_text import harmless
from quietfloor.monitor.untrusted.safe_xml import MOST_DEPTH, MOST_LETTERS, MOST_TAGS, XmlError, element_from
from quietfloor.stimuli.lsl import load_pylsl
from tests.slow import patience

NASTY = "<script>\x9b2J\u202e$x_1$ =1+1 [red]&amp;\\u001b"
LAUGHS = '<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><info>&b;</info>'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (LAUGHS, "document type"),
        ('<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>', "document type"),
        ("<a>&x;</a>", "undefined entity"),
        ("<a>" * 100_000 + "</a>" * 100_000, f"more than {MOST_DEPTH} deep"),
        ("<a>" + "<b/>" * (MOST_TAGS + 1) + "</a>", "tags"),
        (f"<a>{'x' * MOST_LETTERS}</a>", "characters"),
        ("<a>\ud800</a>", "surrogates"),
        ("<a>\0</a>", "well formed"),
        ("<a>\x1b[2J</a>", "well formed"),
        ("", "no element"),
    ],
)
def test_xml_that_is_not_read(text: str, says: str) -> None:
    with pytest.raises(XmlError, match=says):
        element_from(text)


@pytest.mark.parametrize("encoding", ["UTF-16", "latin-1", "no-such-thing", "utf-7"])
def test_what_xml_says_of_its_encoding_is_not_obeyed(encoding: str) -> None:
    assert element_from(f"<?xml version='1.0' encoding='{encoding}'?><a>ä µ</a>").text == "ä µ"


def test_the_deepest_xml_that_is_read_can_be_written_again() -> None:
    deepest = "<a>" * MOST_DEPTH + "</a>" * MOST_DEPTH
    assert ElementTree.tostring(element_from(deepest)).count(b"<a") == MOST_DEPTH
    with pytest.raises(XmlError, match="deep"):
        element_from(f"<a>{deepest}</a>")


@pytest.mark.parametrize(
    ("name", "value"),
    [("channel_count", "1000000000000"), ("channel_count", "0"), ("channel_count", "-1"), ("channel_count", "9" * 5000),
     ("nominal_srate", "nan"), ("nominal_srate", "inf"), ("nominal_srate", "-1"), ("nominal_srate", "1e999")],
)  # fmt: skip
def test_counts_and_rates_that_no_stream_has(name: str, value: str) -> None:
    whole = description_to_xml(marker_description())
    at = whole.index(f"<{name}>") + len(name) + 2
    with pytest.raises(ValueError, match=name):
        description_from_xml(whole[:at] + value + whole[whole.index(f"</{name}>") :])


def test_text_for_a_terminal_keeps_its_lines_and_obeys_nobody() -> None:
    assert harmless("a\n\tb µ") == "a\n\tb µ"
    assert harmless("\x1b[31mred\x9b2J\u202eback\r\x07") == "\\x1b[31mred\\x9b2J\\u202eback\\r\\x07"


@pytest.fixture
def outlets() -> Iterator[list[Any]]:
    open_: list[Any] = []
    yield open_
    open_.clear()


def _sent(
    name: str, channels: int, rate_hz: float, outlets: list[Any], labels: list[str], deep: int = 0, kind: str = "float32"
) -> Any:
    pylsl = load_pylsl()
    info = pylsl.StreamInfo(name, NASTY[:9], channels, rate_hz, kind, "../../" + name)
    listed = info.desc().append_child("channels")
    for label in labels:
        listed.append_child("channel").append_child_value("label", label)
    inner = info.desc()
    for _ in range(deep):
        inner = inner.append_child("deeper")
    outlets.append(pylsl.StreamOutlet(info))
    return outlets[-1]


def test_hostile_streams_are_listed_and_obeyed_by_nothing(outlets: list[Any], capsys: pytest.CaptureFixture[str]) -> None:
    """10,000 channels, a description 500 deep, labels that a terminal would obey, a rate that nothing has; over LSL."""
    _sent("wide", 10_000, 250.0, outlets, [f"channel {number}" for number in range(10_000)])
    _sent("deep", 2, 8000.0, outlets, ["Cz", "trigger"], deep=500)
    _sent("nasty", 2, 1e9, outlets, [NASTY, "two\nlines"])
    seen: dict[str, Any] = {}
    until_s = time.monotonic() + patience(60)
    while len(seen) < 3 and time.monotonic() < until_s:
        seen = {one.name: one for one in list_streams(1.0, 10.0) if one.name in ("wide", "deep", "nasty")}
    assert seen["wide"].labels[-1] == "channel 9999"
    assert seen["deep"].channel_count == 2
    assert seen["deep"].labels == ("", "")
    assert seen["nasty"].labels[1] == "two lines"
    main(["streams", "--wait", "1"])
    out = capsys.readouterr().out
    assert "and 9936 more" in out
    assert not set(out) & set("\x1b\x9b\u202e\r")
    assert "[red]" in out
    main(["streams", "--wait", "1", "--json"])
    told = capsys.readouterr().out
    assert told.isascii()
    assert any(row["name"] == "nasty" for row in json.loads(told)["streams"])


def test_markers_that_are_not_utf_8_come_all_the_same(outlets: list[Any]) -> None:
    outlet = _sent("odd markers", 1, 0.0, outlets, [], kind="string")
    markers = LslMarkers(find_stream(name="odd markers", wait_s=30.0))
    found: list[str] = []
    until_s = time.monotonic() + patience(30)
    while not found and time.monotonic() < until_s:
        outlet.push_sample([b"caf\xe9"])
        found = [text for _, text in markers.pull(0.5)]
    markers.close()
    assert found[:1] == ["caf\N{REPLACEMENT CHARACTER}"]


def test_a_rate_that_no_amplifier_has_is_refused_before_memory_is_taken_for_it(outlets: list[Any]) -> None:
    _sent("too fast", 2, 1e9, outlets, ["Cz", "trigger"])
    with pytest.raises(NoStream, match="no EEG has"):
        LslSource(find_stream(name="too fast", wait_s=30.0))


def _header(stream_id: int, xml: str) -> bytes:
    return _chunk(2, struct.pack("<I", stream_id) + xml.encode())


def _chunk(tag: int, content: bytes) -> bytes:
    return b"\x04" + struct.pack("<IH", len(content) + 2, tag) + content


NUMBERS = description_to_xml(marker_description()).replace("string", "int8").replace("<nominal_srate>0.0", "<nominal_srate>100.0")


def _samples(stream_id: int, count: int, values: bytes) -> bytes:
    return _chunk(3, struct.pack("<IBQ", stream_id, 8, count) + b"".join(bytes([0, value]) for value in values))


@pytest.mark.parametrize("count", [2**63, 2**64 - 1, 3, 10**12])
def test_a_count_that_lies_gives_the_samples_that_are_there(count: int) -> None:
    found = read_buffer(b"XDF:" + _header(1, NUMBERS) + _samples(1, count, b"\1\2\3") + _chunk(5, b""))
    assert found.streams[1].samples.tolist() == [[1, 2, 3]]


def test_a_length_that_lies_ends_the_file_there() -> None:
    found = read_buffer(b"XDF:" + _header(1, NUMBERS) + _samples(1, 2, b"\1\2") + struct.pack("<BQH", 8, 2**63, 3) + bytes(50))
    assert found.streams[1].samples.tolist() == [[1, 2]]
    assert found.cut


def test_cut_anywhere_a_recording_gives_what_is_before_or_an_error() -> None:
    whole = io.BytesIO()
    writer = XdfWriter(whole.write)
    writer.add_stream(1, NUMBERS)
    writer.samples(1, np.arange(20, dtype=np.int8)[np.newaxis], np.arange(20) / 100)
    writer.footer(1)
    for end in range(4, len(whole.getvalue())):
        found = read_buffer(whole.getvalue()[:end])
        values = found.streams[1].samples[0].tolist() if found.streams else []
        assert values == list(range(len(values)))


def test_a_second_header_that_differs_keeps_what_came_before() -> None:
    doubles = NUMBERS.replace("int8", "double64")
    data = b"XDF:" + _header(1, NUMBERS) + _samples(1, 2, b"\1\2") + _header(1, NUMBERS) + _samples(1, 1, b"\3")
    found = read_buffer(data + _header(1, doubles) + _samples(1, 1, b"\4"))
    assert found.streams[1].samples.tolist() == [[1, 2, 3]]
    assert any("second header" in problem for problem in found.problems)


def test_a_file_that_is_damage_alone_is_described_briefly() -> None:
    headers = b"".join(_header(number, NUMBERS) for number in range(MOST_STREAMS + 5))
    found = read_buffer(b"XDF:" + headers + b"".join(_chunk(999, b"") for _ in range(5000)))
    assert len(found.streams) == MOST_STREAMS
    assert len(found.problems) == MOST_PROBLEMS + 1
    assert "more places" in found.problems[-1]


@pytest.mark.parametrize("what", ["empty texts", "short texts", "bytes", "empty chunks", "a text a chunk", "offsets"])
def test_memory_is_bounded_by_the_size_of_the_file(what: str) -> None:
    """The factor is the one in docs/file-formats.md."""
    count, text = 50_000, description_to_xml(marker_description())
    head, chunks = {
        "empty texts": (text, _chunk(3, struct.pack("<IBQ", 1, 8, count) + b"\0\1\0" * count)),
        "short texts": (text, _chunk(3, struct.pack("<IBQ", 1, 8, count) + "\0\1\2ä".encode() * count)),
        "bytes": (NUMBERS, _chunk(3, struct.pack("<IBQ", 1, 8, count) + b"\0\1" * count)),
        "empty chunks": (NUMBERS, _chunk(3, struct.pack("<IBB", 1, 1, 0)) * count),
        "a text a chunk": (text, _chunk(3, struct.pack("<IBB", 1, 1, 1) + b"\0\1\0") * count),
        "offsets": (text, _chunk(4, struct.pack("<Idd", 1, 1.5, 2.5)) * count),
    }[what]
    data = b"XDF:" + _header(1, head) + chunks
    tracemalloc.start()
    try:
        read_buffer(data)
        assert tracemalloc.get_traced_memory()[1] < 60 * len(data)
    finally:
        tracemalloc.stop()


def test_a_recording_that_is_no_file_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "raw.xdf")
    (tmp_path / "zero.xdf").symlink_to("/dev/zero")
    (tmp_path / "loop.xdf").symlink_to("loop.xdf")
    (tmp_path / "words.xdf").symlink_to("/etc/passwd")
    for name in ("raw.xdf", "zero.xdf", "loop.xdf"):
        for read in (read_xdf, RecordingSource):
            with pytest.raises(OSError, match=r"regular|symbolic"):
                read(tmp_path / name)
    with pytest.raises(XdfError, match="no XDF file"):
        RecordingSource(tmp_path / "words.xdf")
