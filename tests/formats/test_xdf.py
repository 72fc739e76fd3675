"""XDF: what we write is what the format's own reader gets back; what we read survives any cut."""

from __future__ import annotations

import io
import logging
from pathlib import Path

import numpy as np
import pytest
import pyxdf
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.monitor.formats.xdf import XdfError, XdfWriter, read_xdf
from quietfloor.monitor.formats.xdf_format import BOUNDARY, DTYPES
from quietfloor.monitor.formats.xdf_read import read_buffer

EXAMPLES = Path(__file__).parents[1] / "data" / "xdf-examples"


def header(channels: int, rate_hz: float, channel_format: str, name: str = "amplifier") -> str:
    return (
        f"<info><name>{name}</name><type>EEG</type><channel_count>{channels}</channel_count>"
        f"<nominal_srate>{rate_hz}</nominal_srate><channel_format>{channel_format}</channel_format><desc/></info>"
    )


def some_samples(rng: np.random.Generator, channel_format: str, shape: tuple[int, int]) -> np.ndarray:
    dtype = DTYPES[channel_format].newbyteorder("=")
    if dtype.kind == "f":
        return rng.normal(size=shape).astype(dtype)
    limits = np.iinfo(dtype)
    return rng.integers(limits.min, limits.max, shape, dtype, endpoint=True)


@pytest.mark.parametrize("name", ["minimal", "clock_resets"])
def test_example_files_read_as_the_reference_reader_reads_them(name: str) -> None:
    path = EXAMPLES / f"{name}.xdf"
    ours = read_xdf(path)
    theirs, _ = pyxdf.load_xdf(str(path), synchronize_clocks=False, dejitter_timestamps=False)
    assert ours.cut is None
    assert ours.problems == ()
    assert ours.closed
    assert list(ours.streams) == [stream["info"]["stream_id"] for stream in theirs]
    for mine, their in zip(ours.streams.values(), theirs, strict=True):
        np.testing.assert_array_equal(mine.stamps_s, their["time_stamps"])
        np.testing.assert_array_equal(mine.clock_offsets[:, 0], their["clock_times"])
        np.testing.assert_array_equal(mine.clock_offsets[:, 1], their["clock_values"])
        values = np.array(their["time_series"], dtype=mine.samples.dtype)
        assert mine.samples.dtype == values.dtype
        np.testing.assert_array_equal(mine.samples, values.T)


@pytest.mark.parametrize("channel_format", DTYPES)
def test_written_files_load_elsewhere_bit_for_bit_and_without_a_warning(
    channel_format: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rng = np.random.default_rng(3)
    samples = some_samples(rng, channel_format, (3, 700))
    stamps_s = 1e5 + np.arange(700) / 16000 + rng.normal(0, 1e-6, 700)
    path = tmp_path / "a.xdf"
    with open(path, "wb") as file:
        writer = XdfWriter(file.write, "2026-01-02T03:04:05+00:00")
        writer.add_stream(1, header(3, 16000, channel_format))
        writer.add_stream(2, header(1, 0, "string", "labels"))
        for begin, end in [(0, 1), (1, 300), (300, 300), (300, 700)]:
            writer.samples(1, samples[:, begin:end], stamps_s[begin:end])
            writer.clock_offset(1, float(stamps_s[begin]), 1e-9 * begin)
        writer.boundary()
        writer.texts(2, [(1e5, "µ, ü and 'quotes'"), (1e5 + 0.01, "")])
        writer.clock_offset(2, 1e5, 0.0)
        writer.footer(1)
        writer.footer(2)
    with caplog.at_level(logging.WARNING):
        streams, head = pyxdf.load_xdf(str(path))
        streams, head = pyxdf.load_xdf(str(path), synchronize_clocks=False, dejitter_timestamps=False)
    assert caplog.records == []
    assert head["info"]["version"] == ["1.0"]
    np.testing.assert_array_equal(streams[0]["time_series"], samples.T)
    np.testing.assert_array_equal(streams[0]["time_stamps"], stamps_s)
    assert streams[1]["time_series"] == [["µ, ü and 'quotes'"], [""]]
    again = read_xdf(path)
    assert again.closed
    np.testing.assert_array_equal(again.streams[1].samples, samples)
    np.testing.assert_array_equal(again.streams[1].stamps_s, stamps_s)
    assert again.streams[1].samples.dtype == samples.dtype
    assert again.streams[1].chunk_sizes == (1, 299, 400)
    assert list(again.streams[2].samples[0]) == ["µ, ü and 'quotes'", ""]


def recorded() -> tuple[bytes, list[tuple[int, int, int]]]:
    """A file, and for every sample in it (byte at which it is whole, stream, index)."""
    rng = np.random.default_rng(11)
    out = io.BytesIO()
    ends: list[tuple[int, int, int]] = []
    writer = XdfWriter(out.write)
    writer.add_stream(1, header(2, 8000, "int16"))
    writer.add_stream(2, header(1, 0, "string"))
    at = 0
    for index, size in enumerate([5, 1, 7]):
        samples = some_samples(rng, "int16", (2, size))
        writer.samples(1, samples, at + np.arange(float(size)))
        ends += [(out.tell() - (size - 1 - k) * 13, 1, at + k) for k in range(size)]
        at += size
        writer.texts(2, [(float(index), f"sweep {index}")])
        ends.append((out.tell(), 2, index))
        if index == 1:
            writer.boundary()
        writer.clock_offset(1, float(at), 0.5)
    writer.footer(1)
    writer.footer(2)
    return out.getvalue(), ends


WHOLE, ENDS = recorded()


@settings(max_examples=400, deadline=None, derandomize=True)
@given(st.integers(4, len(WHOLE)))
def test_a_cut_anywhere_keeps_every_sample_that_was_whole(cut: int) -> None:
    full = read_buffer(WHOLE)
    left = read_buffer(WHOLE[:cut])
    assert left.problems == ()
    for stream_id, stream in full.streams.items():
        expected = sum(1 for end, owner, _ in ENDS if owner == stream_id and end <= cut)
        if stream_id not in left.streams:
            assert expected == 0
            continue
        found = left.streams[stream_id]
        assert len(found.stamps_s) == expected
        np.testing.assert_array_equal(found.stamps_s, stream.stamps_s[:expected])
        np.testing.assert_array_equal(found.samples, stream.samples[:, :expected])
    if cut < len(WHOLE):
        assert not left.closed or not left.streams
    assert (left.cut is None) == (cut in chunk_ends())


def chunk_ends() -> set[int]:
    ends, position = {4}, 4
    while position < len(WHOLE):
        width = WHOLE[position]
        position += 1 + width + int.from_bytes(WHOLE[position + 1 : position + 1 + width], "little")
        ends.add(position)
    return ends


def test_a_cut_within_deduced_stamps_keeps_whole_samples() -> None:
    whole = (EXAMPLES / "minimal.xdf").read_bytes()
    full = read_buffer(whole)
    for cut in range(4, len(whole), 7):
        for stream_id, stream in read_buffer(whole[:cut]).streams.items():
            count = len(stream.stamps_s)
            np.testing.assert_array_equal(stream.stamps_s, full.streams[stream_id].stamps_s[:count])
            np.testing.assert_array_equal(stream.samples, full.streams[stream_id].samples[:, :count])


def test_damage_in_the_middle_is_named_and_reading_goes_on_at_the_boundary() -> None:
    boundary = WHOLE.index(BOUNDARY)
    damaged = bytearray(WHOLE)
    # The chunk before the boundary's own: overwrite its length so that nothing whole is found there.
    damaged[boundary - 60 : boundary - 4] = bytes(56)
    read = read_buffer(bytes(damaged))
    assert read.cut is None
    assert read.problems
    assert read.streams[1].stamps_s[-1] == read_buffer(WHOLE).streams[1].stamps_s[-1]


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.integers(4, len(WHOLE) - 1), st.binary(min_size=1, max_size=12))
def test_damage_anywhere_raises_nothing(position: int, junk: bytes) -> None:
    damaged = WHOLE[:position] + junk + WHOLE[position + len(junk) :]
    read_buffer(damaged)


def test_what_does_not_fit_a_stream_is_refused(tmp_path: Path) -> None:
    out = io.BytesIO()
    writer = XdfWriter(out.write)
    writer.add_stream(1, header(2, 8000, "float32"))
    size = out.tell()
    with pytest.raises(XdfError, match="float64"):
        writer.samples(1, np.zeros((2, 3)), np.zeros(3))
    with pytest.raises(XdfError, match=r"\(2, 3\)"):
        writer.samples(1, np.zeros((3, 3), np.float32), np.zeros(3))
    with pytest.raises(XdfError, match="numbers"):
        writer.texts(1, [(0.0, "x")])
    with pytest.raises(XdfError, match="already"):
        writer.add_stream(1, header(2, 8000, "float32"))
    with pytest.raises(XdfError, match="float16"):
        writer.add_stream(2, header(2, 8000, "float16"))
    assert out.tell() == size
    (tmp_path / "no.xdf").write_bytes(b"RIFFxxxx")
    with pytest.raises(XdfError, match=r"no\.xdf is no XDF"):
        read_xdf(tmp_path / "no.xdf")
    (tmp_path / "empty.xdf").write_bytes(b"")
    with pytest.raises(XdfError, match=r"empty\.xdf is no XDF"):
        read_xdf(tmp_path / "empty.xdf")
