"""The rig as its own process over real LSL: hand-made audio goes in, the very EEG that the pure patient makes comes back."""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, Earphone
from quietfloor.bench.patient.patient import MONTAGE, Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.bench.patient.rig import main
from quietfloor.stimuli.lsl import load_pylsl
from tests import warm
from tests.bench.conftest import AUDIO_HZ, clicks, peak_for
from tests.slow import patience

pytestmark = pytest.mark.lsl
BLOCK = 480


class Bench:
    """A rig process, its ready line, and what it wrote."""

    def __init__(self, *extra: str, patient: str = "hearing-adult") -> None:
        self.audio_id, self.eeg_id = (f"{kind}-{uuid.uuid4().hex[:8]}" for kind in ("audio", "eeg"))
        self.name = f"EEG {self.eeg_id}"
        command = [sys.executable, "-m", "quietfloor.bench.patient.rig", "--patient", patient, "--audio-source-id", self.audio_id]
        command += ["--eeg-source-id", self.eeg_id, "--eeg-name", self.name, *extra]
        self.process = warm.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self._lines: queue.Queue[str] = queue.Queue()
        self.log: list[str] = []
        self._readers = [
            threading.Thread(target=lambda: [self._lines.put(line) for line in self.process.stdout], daemon=True),
            threading.Thread(target=lambda: self.log.extend(self.process.stderr), daemon=True),
        ]
        for reader in self._readers:
            reader.start()
        self.ready: dict[str, Any] = json.loads(self._lines.get(timeout=patience(30)))

    def eeg(self) -> Any:
        pylsl = load_pylsl()
        (info,) = pylsl.resolve_byprop("source_id", self.eeg_id, 1, 10)
        inlet = pylsl.StreamInlet(info, max_buflen=60, recover=False, processing_flags=0)
        inlet.open_stream(timeout=patience(5))
        return inlet

    def finish(self) -> int:
        """Exit status; kills what does not end by itself."""
        try:
            return self.process.wait(timeout=patience(10))
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise
        finally:
            for reader in self._readers:
                reader.join(timeout=5)
            for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
                pipe.close()


@pytest.fixture
def bench() -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def start(*extra: str, **kind: str) -> Bench:
        made.append(Bench(*extra, **kind))
        return made[-1]

    yield start
    for one in made:
        if one.process.poll() is None:
            one.process.terminate()
            one.finish()


def play(
    bench: Bench, frames: np.ndarray, leave_out: range = range(0), stand_still_s: float = 0.0, ahead_s: float = 5.0
) -> float:
    """Push frames as an audio device does, at once; stamps regular; blocks of `leave_out` missing, or in place of that so long
    a pause. Returns the first stamp."""
    pylsl = load_pylsl()
    outlet = pylsl.StreamOutlet(pylsl.StreamInfo("sound", "Audio", 3, AUDIO_HZ, pylsl.cf_float32, bench.audio_id))
    assert outlet.wait_for_consumers(patience(30))
    began_s = pylsl.local_clock() + ahead_s  # so that a busy machine does not bring it too late for its stamps
    for block in range(frames.shape[1] // BLOCK):
        if block == leave_out.start and stand_still_s:
            time.sleep(stand_still_s)
        if block not in leave_out or stand_still_s:
            at = block * BLOCK
            stamps = began_s + (at + np.arange(BLOCK)) / AUDIO_HZ
            outlet.push_chunk(np.ascontiguousarray(frames[:, at : at + BLOCK].T), stamps.tolist())
    time.sleep(patience(0.3))  # what is still under way would be lost with the outlet
    return began_s


def collect(inlet: Any, until: Callable[[np.ndarray], bool]) -> tuple[np.ndarray, np.ndarray]:
    """(n, channels) samples and (n,) stamps, until enough is there or it has hung."""
    samples: list[np.ndarray] = []
    stamps: list[np.ndarray] = []
    give_up = time.monotonic() + patience(15)
    while time.monotonic() < give_up:
        chunk, chunk_stamps = inlet.pull_chunk(0.1, 4096)
        if chunk:
            samples.append(np.array(chunk, dtype=np.float32))
            stamps.append(np.array(chunk_stamps))
            if until(np.concatenate(stamps)):
                return np.concatenate(samples), np.concatenate(stamps)
    raise AssertionError("the EEG did not come in time")


def test_eeg_of_the_process_is_the_eeg_of_the_pure_patient(bench: Callable[..., Bench], earphone: Earphone) -> None:
    rig = bench("--eeg-rate", "8000", "--channels", "3", "--drift-ppm", "100", "--seed", "17")
    labels = ["Cz-M2", "Cz-M1", "Fz-M2", "trigger"]
    assert rig.ready["event"] == "ready"
    assert (rig.ready["labels"], rig.ready["rate_hz"], rig.ready["units"]) == (labels, 8000.0, "microvolts")

    inlet = rig.eeg()
    info = inlet.info(timeout=patience(5))
    assert (info.name(), info.type(), info.channel_count(), info.nominal_srate()) == (rig.name, "EEG", 4, 8000.0)
    described = []
    channel = info.desc().child("channels").child("channel")
    for _ in range(4):
        described.append(tuple(channel.child_value(key) for key in ("label", "unit", "type")))
        channel = channel.next_sibling("channel")
    assert described == [(label, "microvolts", "TRIG" if label == "trigger" else "EEG") for label in labels]

    onsets = np.arange(5000, 140_000, 1019)
    frames = clicks(onsets, 144_000, peak_for(earphone, 60.0))
    amplifier = Amplifier.with_channels(3, 8000.0, 100.0)
    expected = VirtualPatient(load_patient("hearing-adult"), earphone, amplifier, np.random.SeedSequence([17, 1])).feed(frames)

    began_s = play(rig, frames)
    samples, stamps = collect(inlet, lambda stamps: stamps[-1] > began_s + 3.0)
    first = int(np.searchsorted(stamps, began_s))
    np.testing.assert_array_equal(samples[first : first + expected.shape[1]], expected.T.astype(np.float32))
    assert 0 <= stamps[first] - began_s < 1 / 8000.0
    # No sample is missing anywhere, the silence before included, and the clock runs 100 ppm fast.
    rounding_s = np.spacing(stamps[-1])  # the clock counts from when the machine was switched on
    np.testing.assert_allclose(np.diff(stamps), 1 / (8000.0 * (1 + 100e-6)), rtol=1e-6, atol=2 * rounding_s)
    assert (stamps[-1] - stamps[0]) * 8000.0 * (1 + 100e-6) == pytest.approx(stamps.size - 1, abs=1e-3)


def test_streams_in_silence_in_real_time_in_other_units(bench: Callable[..., Bench]) -> None:
    rig = bench("--units", "volts", "--channels", "32", "--eeg-rate", "4000", "--noise-uv", "5")
    assert rig.ready["labels"] == [label for label, _ in MONTAGE] + ["trigger"]
    inlet = rig.eeg()
    assert inlet.info(timeout=patience(5)).desc().child("channels").child("channel").child_value("unit") == "volts"
    samples, stamps = collect(inlet, lambda stamps: stamps.size >= 4000)
    assert samples.shape[1] == 33
    assert np.all(np.abs(samples[:, :32]) < 0.01)  # volts, not microvolts
    assert samples[:, 0].std() > 1e-6
    assert not samples[:, 32].any()
    behind_s = load_pylsl().local_clock() - stamps[-1]
    assert -0.01 < behind_s < patience(5.0)  # real time: neither ahead of the clock nor far behind


def test_missing_audio_becomes_silence_and_shifts_nothing(bench: Callable[..., Bench], earphone: Earphone) -> None:
    rig = bench("--eeg-rate", "8000", "--channels", "1")
    inlet = rig.eeg()
    frames = clicks(np.arange(5000, 70_000, 1019), 96_000, peak_for(earphone, 60.0))
    gap = range(60, 70)  # 100 ms
    began_s = play(rig, frames, leave_out=gap)
    samples, stamps = collect(inlet, lambda stamps: stamps[-1] > began_s + 2.0)
    heard = frames.copy()
    heard[:, gap.start * BLOCK : gap.stop * BLOCK] = 0.0
    amplifier, seed = Amplifier.with_channels(1, 8000.0), np.random.SeedSequence([1, 1])
    expected = VirtualPatient(load_patient("hearing-adult"), earphone, amplifier, seed).feed(heard)
    first = int(np.searchsorted(stamps, began_s))
    np.testing.assert_array_equal(samples[first : first + expected.shape[1]], expected.T.astype(np.float32))


def test_a_player_that_stands_still_is_waited_for(bench: Callable[..., Bench], earphone: Earphone) -> None:
    """Its machine is busy: the EEG comes later, and is the same."""
    rig = bench("--eeg-rate", "8000", "--channels", "1")
    inlet = rig.eeg()
    frames = clicks(np.arange(5000, 70_000, 1019), 96_000, peak_for(earphone, 60.0))
    began_s = play(rig, frames, leave_out=range(60, 61), stand_still_s=3.0)
    samples, stamps = collect(inlet, lambda stamps: stamps[-1] > began_s + 2.0)
    amplifier, seed = Amplifier.with_channels(1, 8000.0), np.random.SeedSequence([1, 1])
    expected = VirtualPatient(load_patient("hearing-adult"), earphone, amplifier, seed).feed(frames)
    first = int(np.searchsorted(stamps, began_s))
    np.testing.assert_array_equal(samples[first : first + expected.shape[1]], expected.T.astype(np.float32))


def test_a_second_player_gets_a_fresh_patient_and_other_noise(bench: Callable[..., Bench], earphone: Earphone) -> None:
    rig = bench("--eeg-rate", "4000", "--channels", "1")
    inlet = rig.eeg()
    frames = clicks(np.arange(5000, 40_000, 1019), 48_000, peak_for(earphone, 60.0))
    amplifier, patient = Amplifier.with_channels(1, 4000.0), load_patient("hearing-adult")
    for connection in (1, 2):
        began_s = play(rig, frames, ahead_s=1.0 + 4.0 * connection)  # also ahead of what the first one left
        samples, stamps = collect(inlet, lambda stamps, end=began_s + 1.0: stamps[-1] > end)
        expected = VirtualPatient(patient, earphone, amplifier, np.random.SeedSequence([1, connection])).feed(frames)
        first = int(np.searchsorted(stamps, began_s))
        np.testing.assert_array_equal(samples[first : first + expected.shape[1]], expected.T.astype(np.float32))
        give_up = time.monotonic() + patience(30)
        while sum("audio has gone" in line for line in rig.log) < connection and time.monotonic() < give_up:
            time.sleep(0.05)  # silence takes over then


def test_audio_that_does_not_fit_is_named_and_not_used(bench: Callable[..., Bench]) -> None:
    rig = bench("--channels", "1", "--eeg-rate", "4000")
    pylsl = load_pylsl()
    outlet = pylsl.StreamOutlet(pylsl.StreamInfo("stereo", "Audio", 2, AUDIO_HZ, pylsl.cf_float32, rig.audio_id))
    give_up = time.monotonic() + patience(10)
    while time.monotonic() < give_up and not any("stereo" in line for line in rig.log):
        time.sleep(0.05)
    assert any("'stereo' has 2 channels at 48000 Hz" in line for line in rig.log)
    assert not outlet.have_consumers()
    collect(rig.eeg(), lambda stamps: stamps.size > 400)  # the amplifier streams on


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM to catch")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ends_cleanly_on_signals(bench: Callable[..., Bench], number: signal.Signals) -> None:
    rig = bench("--channels", "1", "--eeg-rate", "4000")
    rig.process.send_signal(number)
    assert rig.finish() == 0
    assert not any("Traceback" in line for line in rig.log)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM to catch")
def test_ends_with_the_command_that_started_it() -> None:
    rig = f"command-{uuid.uuid4().hex[:8]}"
    words = ["--audio-source-id", rig, "--eeg-source-id", f"{rig}-eeg", "--channels", "1", "--eeg-rate", "4000", "--ignore-stdin"]
    command = warm.Popen([sys.executable, "-m", "quietfloor.monitor.cli", "rig", *words], stdout=subprocess.PIPE, text=True)
    try:
        assert command.stdout is not None
        pid = json.loads(command.stdout.readline())["pid"]
        assert pid != command.pid
        command.terminate()
        assert command.wait(patience(60)) == 0
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    finally:
        command.kill()
        command.stdout.close()


def test_ends_cleanly_when_stdin_closes(bench: Callable[..., Bench]) -> None:
    rig = bench("--channels", "1", "--eeg-rate", "4000")
    inlet = rig.eeg()
    rig.process.stdin.close()
    assert rig.finish() == 0
    assert not any("Traceback" in line for line in rig.log)
    with pytest.raises(load_pylsl().util.LostError):
        collect(inlet, lambda _: False)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--channels", "40"], "channels = 40 is outside 1..32"),
        (["--eeg-rate", "1000"], "1000 Hz is outside"),
        (["--patient", "nobody"], "hearing-adult"),
        (["--noise-uv", "-2"], "in_band_rms_uv = -2.0"),
    ],
)
def test_bad_arguments_end_with_status_2(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--audio-source-id", "a", "--eeg-source-id", "b", *arguments]) == 2
    printed = capsys.readouterr()
    assert message in printed.err
    assert printed.out == ""


def test_tables_for_plans_are_written_and_nothing_else_is_lost(tmp_path, capsys):
    def write():
        with pytest.raises(SystemExit) as ended:
            main(["--write-tables", str(tmp_path / "bench")])
        return ended.value.code

    assert write() == 0
    written = sorted((tmp_path / "bench").iterdir())
    assert [str(file) for file in written] == sorted(capsys.readouterr().out.split())
    for file in written:
        assert file.read_bytes() == VIRTUAL_EARPHONE.with_name(file.name).read_bytes()
    assert write() == 0  # the same again
    (tmp_path / "bench/virtual-earphone.toml").write_text("mine")
    assert write() == 2
    assert (tmp_path / "bench/virtual-earphone.toml").read_text() == "mine"
    assert "is there and differs" in capsys.readouterr().err
