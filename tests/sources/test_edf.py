"""BDF and EDF of other programs: against their own readers, and whatever else a file may hold."""

from __future__ import annotations

import resource
import warnings
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.clock import StampWatch
from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.sources.base import AmbiguousStream
from quietfloor.monitor.sources.edf import EdfError, read_edf
from quietfloor.monitor.sources.recording import RecordingSource, read_file

REAL = Path(__file__).parents[1] / "data" / "bdf" / "third-party.bdf"


def whole(path: Path, name: str | None = None) -> tuple[RecordingSource, np.ndarray]:
    source = RecordingSource(path, chunk_samples=2**62, name=name)
    chunk = source.pull()
    assert chunk is not None
    return source, chunk.samples


def write(
    path: Path, rates: tuple[int, ...] = (500, 500), seconds: int = 4, notes: tuple[Any, ...] = (), kind: str = "bdf"
) -> Path:
    make: Any = edfio.BdfSignal if kind == "bdf" else edfio.EdfSignal
    rng = np.random.default_rng(1)
    signals = [
        make(rng.normal(0, 20 + index, rate * seconds), rate, label=f"ch{index + 1}", physical_dimension="uV")
        for index, rate in enumerate(rates)
    ]
    (edfio.Bdf if kind == "bdf" else edfio.Edf)(signals, annotations=[edfio.EdfAnnotation(*n) for n in notes] or None).write(path)
    return path


def test_a_real_recording_as_mne_and_edfio_read_it() -> None:
    source, samples = whole(REAL)
    seen = source.description
    assert (seen.channel_count, seen.rate_hz, source.total_samples) == (73, 2048.0, 2048)
    assert (seen.labels[0], seen.units[0], seen.labels[72]) == ("Fp1", "uV", "Status")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import mne

        raw = mne.io.read_raw_bdf(REAL, preload=True, stim_channel="Status", verbose="error")
    assert np.abs(raw.get_data()[:72] * 1e6 - samples[:72]).max() < 1e-6
    assert np.array_equal(raw.get_data()[72], samples[72])  # trigger codes, without the amplifier's own bits
    assert np.abs(edfio.read_bdf(REAL).signals[5].data - samples[5]).max() < 1e-6


@pytest.mark.parametrize("kind", ["bdf", "edf"])
def test_samples_and_annotations_as_written(kind: str, tmp_path: Path) -> None:
    notes = ((0.5, None, "click"), (1.25, 0.5, "línea"), (3.9, None, "click"))
    path = write(tmp_path / "any name", notes=notes, kind=kind)
    source, samples = whole(path)
    written: Any = (edfio.read_bdf if kind == "bdf" else edfio.read_edf)(path)
    assert np.abs(samples - np.stack([signal.data for signal in written.signals])).max() < 1e-9
    assert source.texts == [(0.5, "click"), (1.25, "línea"), (3.9, "click")]
    assert source.file.cut is None
    assert source.file.problems == ()


def test_signals_of_another_rate_are_another_stream(tmp_path: Path) -> None:
    path = write(tmp_path / "two.bdf", rates=(500, 100, 500))
    with pytest.raises(AmbiguousStream, match=r"'two 500 Hz'.*\n.*'two 100 Hz'"):
        RecordingSource(path)
    source, samples = whole(path, "two 500 Hz")
    assert source.description.labels == ("ch1", "ch3")
    assert samples.shape == (2, 2000)


def test_an_interrupted_recording_keeps_its_times(tmp_path: Path) -> None:
    """Records of which each says when it begins; one second and a half is missing after the second one."""
    path = write(tmp_path / "gap.edf", kind="edf", notes=((0.5, None, "a"),))
    raw = path.read_bytes().replace(b"EDF+C", b"EDF+D", 1)
    for before, after in ((b"+2\x14\x14", b"+3.5\x14\x14"), (b"+3\x14\x14", b"+4.5\x14\x14")):
        assert raw.count(before + b"\x00\x00") == 1  # room for two letters more
        raw = raw.replace(before + b"\x00\x00", after, 1)
    path.write_bytes(raw)
    source = RecordingSource(path, chunk_samples=2**62)
    chunk = source.pull()
    assert chunk is not None
    (jump,) = StampWatch(500.0).feed(chunk.stamps_s)
    assert (jump.index, jump.lost_samples) == (1000, 750)


def test_a_cut_tail_is_told_and_no_whole_record_is_lost(tmp_path: Path) -> None:
    raw = write(tmp_path / "whole.bdf").read_bytes()
    path = tmp_path / "cut.bdf"
    path.write_bytes(raw[:-100])
    source, samples = whole(path)
    assert samples.shape == (2, 1500)
    assert source.file.cut == "the file ends after 3 whole records of 4"
    path.write_bytes(raw[:236] + b"-1      " + raw[244:] + b"rest")
    source, samples = whole(path)
    assert samples.shape == (2, 2000)
    assert "whole records of an unknown number" in str(source.file.cut)


@pytest.mark.parametrize(
    ("at", "new", "said"),
    [
        (0, b"1       ", "is no XDF file"),
        (252, b"9999", "9999 signals"),
        (252, b"abc ", "which is no number"),
        (252, b"-1  ", "-1 signals"),
        (236, b"0       ", "0 whole records"),
        (244, b"0       ", "no sampling rate"),
        (244, b"nan     ", "which is no number"),
        (244, b"1e-300  ", "no EEG has"),
        (244, b"1e-9    ", "no EEG has"),
        (256 + 216 * 2, b"1e300   ", "0 whole records"),
        (256 + 216 * 2, b"0       ", "at least 1"),
    ],
)
def test_headers_that_lie_are_named(at: int, new: bytes, said: str, tmp_path: Path) -> None:
    raw = write(tmp_path / "good.bdf").read_bytes()
    path = tmp_path / "bad.bdf"
    path.write_bytes(raw[:at] + new + raw[at + len(new) :])
    with pytest.raises((EdfError, XdfError), match=said):
        read_file(path)


def test_scales_that_make_no_sense_give_whole_numbers_without_a_unit(tmp_path: Path) -> None:
    raw = write(tmp_path / "good.bdf").read_bytes()
    low = 256 + 104 * 2
    for first, second in ((b"0       ", b"0       "), (b"x       ", b"1       "), (b"-1e308  ", b"1e308   ")):
        path = tmp_path / "bad.bdf"
        path.write_bytes(raw[:low] + first + raw[low + 8 : low + 16] + second + raw[low + 24 :])
        source, samples = whole(path)
        assert source.description.units[1] == "uV"
        assert np.isfinite(samples[1]).all()
        if first != b"-1e308  ":
            assert source.description.units[0] == ""
            assert np.array_equal(samples[0], np.rint(samples[0]))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_an_error_or_a_recording(data: st.DataObject, tmp_path: Path) -> None:
    raw = bytearray(write(tmp_path / "good.bdf", seconds=2, notes=((0.5, None, "click"), (1.5, 1.0, "b"))).read_bytes())
    for _ in range(data.draw(st.integers(1, 12))):
        if data.draw(st.booleans()):
            at = data.draw(st.integers(0, 1023))
            new = data.draw(st.sampled_from([b" ", b"9", b"-", b"e", b"\x00", b"\xff", b"1e99", b"inf", b"nan", b"0"]))
        else:
            at, new = data.draw(st.integers(0, len(raw) - 1)), data.draw(st.binary(min_size=1, max_size=8))
        raw[at : at + len(new)] = new
    path = tmp_path / "bad.bdf"
    path.write_bytes(bytes(raw[: data.draw(st.integers(0, len(raw)))]))
    try:
        found = read_file(path)
    except (EdfError, XdfError):
        return
    for stream in found.streams.values():
        assert stream.samples.shape[1] == len(stream.stamps_s)


def test_annotations_made_to_take_for_ever_do_not(tmp_path: Path) -> None:
    """A record of a megabyte that begins a hundred thousand lists and ends none; once a bound on time, now on steps."""
    path = write(tmp_path / "good.edf", kind="edf", seconds=1, notes=((0.5, None, "x" * 1_000_000),))
    raw = path.read_bytes()
    at = raw.index(b"x" * 1000)
    path.write_bytes(raw[:at] + b"+1\x14" * 300_000 + raw[at + 900_000 :])
    before = resource.getrusage(resource.RUSAGE_SELF)
    source, _ = whole(path)
    used = resource.getrusage(resource.RUSAGE_SELF)
    assert used.ru_utime - before.ru_utime < 20  # the quadratic way takes minutes
    assert all(len(text) <= 4096 for _, text in source.texts)


def test_what_is_no_recording_is_told(tmp_path: Path) -> None:
    for content in (b"", b"\xffBIOSEMI", b"0       " + b" " * 200):
        path = tmp_path / "short"
        path.write_bytes(content)
        with pytest.raises((EdfError, XdfError)):
            read_file(path)
    path.write_bytes(b"x" * 1000)
    with pytest.raises(EdfError, match="begins with"):
        read_edf(path)
