"""Lab Streaming Layer over loopback: real outlets, real inlets."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.formats.xdf_format import DTYPES
from quietfloor.monitor.sources import lsl
from quietfloor.monitor.sources.base import AmbiguousStream, NoStream, StreamLost, description_from_xml, description_to_xml
from quietfloor.monitor.sources.lsl import FoundStream, LslMarkers, LslSource, find_stream, list_streams
from quietfloor.stimuli.lsl import has_closed
from tests.slow import patience

pytestmark = pytest.mark.lsl


def collect(source: LslSource, count: int, give_up_s: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    chunks = []
    end_s = time.monotonic() + patience(give_up_s)
    while sum(len(chunk.stamps_s) for chunk in chunks) < count and time.monotonic() < end_s:
        chunk = source.pull(0.2)
        if chunk is not None:
            chunks.append(chunk)
    return np.concatenate([c.samples for c in chunks], axis=1), np.concatenate([c.stamps_s for c in chunks])


@pytest.mark.parametrize("channel_format", ["float32", "double64", "int16", "int32"])
def test_what_is_pushed_is_what_is_pulled_bit_for_bit(channel_format: str, sender: Callable[..., Any]) -> None:
    rng = np.random.default_rng(5)
    amplifier = sender(channel_format=channel_format, source_id=f"sn-{channel_format}")
    source = LslSource(find_stream(amplifier.name))
    dtype = DTYPES[channel_format].newbyteorder("=")
    samples = rng.normal(0, 1000, (2, 20000)).astype(dtype)
    if dtype.kind == "f":
        samples[0, :4] = [np.nan, np.inf, -0.0, np.finfo(dtype).tiny]
    stamps_s = 1000.0 + np.cumsum(rng.uniform(1e-5, 1e-4, 20000))
    for at in range(0, 20000, 137):
        amplifier.push(samples[:, at : at + 137], stamps_s[at : at + 137])
    pulled, pulled_s = collect(source, 20000)
    assert pulled.dtype == dtype
    assert pulled.tobytes() == samples.tobytes()
    assert pulled_s.tobytes() == stamps_s.tobytes()
    assert source.pull(0.0) is None
    assert source.backlog_samples == 0
    source.close()
    with pytest.raises(StreamLost):
        source.pull(0.0)


def test_chunks_already_handed_out_are_never_overwritten(sender: Callable[..., Any]) -> None:
    amplifier = sender(labels=("only",), units=("uV",))
    source = LslSource(find_stream(amplifier.name))
    amplifier.push(np.ones((1, 10), np.float32), np.arange(10) + 1.0)
    first, _ = collect(source, 10)
    kept = first.copy()
    amplifier.push(np.zeros((1, 10), np.float32), np.arange(10) + 11.0)
    collect(source, 10)
    np.testing.assert_array_equal(first, kept)
    source.close()


def test_backlog_counts_what_waits(sender: Callable[..., Any]) -> None:
    amplifier = sender()
    source = LslSource(find_stream(amplifier.name))
    amplifier.push(np.ones((2, 50000), np.float32), np.arange(50000) + 1.0)
    end_s = time.monotonic() + patience(5)
    while source.backlog_samples < 50000 and time.monotonic() < end_s:
        time.sleep(0.01)
    assert source.backlog_samples == 50000
    chunk = source.pull(1.0)
    assert chunk is not None
    assert len(chunk.stamps_s) == 16000  # a second's worth at most
    assert source.backlog_samples == 34000
    source.close()


def test_a_stream_is_described_with_labels_and_units(sender: Callable[..., Any]) -> None:
    amplifier = sender(labels=("Cz-M2", "Cz-M1", "trigger"), units=("microvolts", "µV", ""), rate_hz=8000.0, source_id="sn-7")
    (listed,) = [stream for stream in list_streams(1.0) if stream.name == amplifier.name]
    source = LslSource(find_stream(source_id="sn-7"))
    assert listed == source.description
    assert listed.labels == ("Cz-M2", "Cz-M1", "trigger")
    assert listed.units == ("microvolts", "µV", "")
    assert (listed.type, listed.source_id, listed.rate_hz, listed.channel_format) == ("EEG", "sn-7", 8000.0, "float32")
    assert listed.uid
    assert listed.created_at_s > 0
    source.close()


def test_two_streams_with_one_name_are_never_chosen_between(sender: Callable[..., Any], unique: Callable[[str], str]) -> None:
    name = unique("twin")
    for source_id in ("left-box", "right-box"):
        sender(name, source_id=source_id)
    with pytest.raises(AmbiguousStream, match="--source-id") as caught:
        find_stream(name)
    assert [candidate.source_id for candidate in caught.value.candidates] == ["left-box", "right-box"]
    assert "left-box" in str(caught.value)
    assert "right-box" in str(caught.value)
    assert "16000 Hz" in str(caught.value)
    assert find_stream(name, source_id="right-box").description.source_id == "right-box"


def test_twins_that_no_id_tells_apart_are_refused_too(sender: Callable[..., Any], unique: Callable[[str], str]) -> None:
    name = unique("twin")
    sender(name)
    sender(name)
    with pytest.raises(AmbiguousStream, match="stop all but one"):
        find_stream(name)


def test_a_missing_stream_says_what_is_there(sender: Callable[..., Any]) -> None:
    amplifier = sender(source_id="sn-8")
    with pytest.raises(NoStream, match="no stream named 'absent'") as caught:
        find_stream("absent", wait_s=1.0)
    assert repr(amplifier.name) in str(caught.value)
    assert "16000 Hz" in str(caught.value)
    with pytest.raises(NoStream, match=r"named .* with source id 'other'"):
        find_stream(amplifier.name, source_id="other", wait_s=0.5)
    with pytest.raises(ValueError, match="name, a source id"):
        find_stream()


def test_a_name_is_found_regardless_of_case_where_none_fits_exactly(
    sender: Callable[..., Any], unique: Callable[[str], str]
) -> None:
    name = unique("Amplifier")
    sender(name)
    assert find_stream(name.upper()).description.name == name
    sender(name.upper())
    assert find_stream(name.upper()).description.name == name.upper()
    with pytest.raises(AmbiguousStream):
        find_stream(name.lower())


def test_a_control_character_costs_no_label(sender: Callable[..., Any]) -> None:
    amplifier = sender(labels=("Cz\x1b[2J-M2", "trigger"))
    (seen,) = (stream for stream in list_streams() if stream.name == amplifier.name)
    assert seen.labels == ("Cz\ufffd[2J-M2", "trigger")
    assert seen.units == ("microvolts", "V")
    assert description_from_xml(description_to_xml(seen)).labels == seen.labels  # as it stands in a recording


def test_text_and_samples_are_not_mistaken_for_each_other(sender: Callable[..., Any]) -> None:
    labels = sender(labels=("label",), units=("",), channel_format="string", rate_hz=0.0, stream_type="Markers")
    amplifier = sender()
    with pytest.raises(NoStream, match="text, not samples"):
        LslSource(find_stream(labels.name))
    with pytest.raises(NoStream, match="samples, not text"):
        LslMarkers(find_stream(amplifier.name))


def test_markers_arrive_with_their_stamps(sender: Callable[..., Any]) -> None:
    labels = sender(labels=("label",), units=("",), channel_format="string", rate_hz=0.0, stream_type="Markers")
    markers = LslMarkers(find_stream(labels.name))
    assert markers.pull() == []
    sent = [(100.0 + index, f'{{"sweep":{index},"text":"µ"}}') for index in range(300)]
    for stamp_s, text in sent:
        labels.outlet.push_sample([text], stamp_s)
    got: list[tuple[float, str]] = []
    end_s = time.monotonic() + patience(5)
    while len(got) < len(sent) and time.monotonic() < end_s:
        got += markers.pull(0.1)
    assert got == sent
    markers.close()


def test_clock_offset_on_one_machine_is_nearly_nothing(sender: Callable[..., Any]) -> None:
    source = LslSource(find_stream(sender().name))
    time_s, offset_s = source.clock_offset()
    again_s, _ = source.clock_offset()
    assert abs(offset_s) < 0.01
    assert again_s >= time_s
    source.close()


def test_a_stream_without_source_id_is_lost_for_good(sender: Callable[..., Any]) -> None:
    amplifier = sender(source_id="")
    source = LslSource(find_stream(amplifier.name))
    amplifier.push(np.ones((2, 10), np.float32), np.arange(10) + 1.0)
    collect(source, 10)
    amplifier.stop()

    def pull_on() -> None:
        for _ in range(100):
            source.pull(0.1)

    with pytest.raises(StreamLost, match="no source id"):
        pull_on()
    with pytest.raises(StreamLost):
        source.pull(0.1)
    assert source.backlog_samples == 0


SENDING_PROGRAM = """
import sys, time
import numpy as np
from quietfloor.stimuli.lsl import load_pylsl
pylsl = load_pylsl()
name, source_id, start = sys.argv[1], sys.argv[2], float(sys.argv[3])
outlet = pylsl.StreamOutlet(pylsl.StreamInfo(name, "EEG", 2, 8000.0, "float32", source_id))
outlet.wait_for_consumers(20)
n = 0
while True:
    outlet.push_chunk(np.full((80, 2), start, np.float32), list(start + (n + np.arange(80)) / 8000))
    n += 80
    time.sleep(0.01)
"""


def test_a_killed_sender_with_a_source_id_is_silence_and_then_goes_on(unique: Callable[[str], str]) -> None:
    name = unique("killed")

    def start(value: float) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-c", SENDING_PROGRAM, name, f"sn-{name}", str(value)], env=os.environ.copy())

    first = start(1000.0)
    try:
        source = LslSource(find_stream(name, wait_s=20.0))
        collect(source, 800)
        first.send_signal(signal.SIGKILL)
        first.wait()
        while source.pull(0.5) is not None:
            pass
        assert source.pull(0.2) is None  # silence, no error
        second = start(2000.0)
        try:
            samples, stamps_s = collect(source, 800, give_up_s=30.0)
            assert len(stamps_s) >= 800
            assert set(samples.ravel()) == {2000.0}
            assert stamps_s[0] >= 2000.0
            source.close()
        finally:
            second.kill()
            second.wait()
    finally:
        first.kill()
        first.wait()


SENDS = """
import sys, pylsl
outlet = pylsl.StreamOutlet(pylsl.StreamInfo(sys.argv[1], "EEG", 2, 8000, "float32", sys.argv[1]))
print(flush=True)
sys.stdin.read()
"""


@pytest.fixture
def suspended(unique: Callable[[str], str]) -> Iterator[tuple[FoundStream, subprocess.Popen[bytes]]]:
    """A stream whose sender was suspended after it was found; it still exists."""
    name = unique("busy")
    command = [sys.executable, "-c", SENDS, name]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdout.readline()
        found = find_stream(name, wait_s=patience(10))
        process.send_signal(signal.SIGSTOP)
        yield found, process
        process.send_signal(signal.SIGCONT)
        process.stdin.close()
        process.wait(patience(10))


def test_a_busy_sender_is_asked_twice(
    suspended: tuple[FoundStream, subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    found, process = suspended

    def goes_on(info: Any) -> bool:
        process.send_signal(signal.SIGCONT)
        return has_closed(info)

    monkeypatch.setattr(lsl, "has_closed", goes_on)
    source = LslSource(found, open_timeout_s=2.0 * patience(1.0))
    assert source.description.name == found.description.name
    source.close()


def test_a_sender_that_stays_silent_is_given_up(suspended: tuple[FoundStream, subprocess.Popen[bytes]]) -> None:
    with pytest.raises(StreamLost, match="did not describe itself within 1 s: is its program still running"):
        LslSource(suspended[0], open_timeout_s=0.5)


def test_nothing_of_lsl_is_loaded_before_something_is_opened() -> None:
    names = ("sources.lsl", "sources.recording", "storage.raw_writer", "doctor.checks")
    modules = ", ".join(f"quietfloor.monitor.{name}" for name in names)
    program = f"import sys, {modules}; sys.exit('pylsl' in sys.modules or 'sounddevice' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
