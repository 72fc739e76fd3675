"""What goes wrong at a bench while a run is on: each has a name, a reason and a way on, and nothing recorded is lost."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.formats.xdf import read_xdf
from tests.live.harness import Batch, Happened, Program, Scenario, foreign
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX signals")]

LARGE = ["--nv", "4000", "--noise", "0.5"]
NONE = ["--nv", "0"]
USUAL = ["--eeg", "E1", "--trigger", "TRIG"]


def until_sweeps(program: Program) -> None:
    program.until("Undecided: evidence")


def kill_amplifier(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    amplifier.kill()


def restart_amplifier(amplifier: subprocess.Popen[str], program: Program) -> None:
    """The first one ends by its own count of samples, before the response is found: no machine is too slow for that."""
    name = str(amplifier.args[amplifier.args.index("--name") + 1])  # type: ignore[union-attr, index]
    with foreign(name, [*LARGE, "--source-id", "sn-4", "--seed", "2", "--on-word"]) as again:
        program.until("no samples for 0.5 s")
        assert again.stdin is not None
        again.stdin.write("now\n")
        again.stdin.flush()
        program.process.wait(patience(60))


def stop_program(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    program.signal(signal.SIGSTOP)
    time.sleep(14)  # longer than a stream may be silent
    program.signal(signal.SIGCONT)


def stop_program_and_kill_its_connections(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    program.signal(signal.SIGUSR1)
    time.sleep(0.3)  # the signal is answered
    program.signal(signal.SIGSTOP)
    time.sleep(6)
    program.signal(signal.SIGCONT)


def interrupt(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    program.signal(signal.SIGINT)


def terminate(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    program.signal(signal.SIGTERM)


def kill_program(amplifier: subprocess.Popen[str], program: Program) -> None:
    until_sweeps(program)
    program.signal(signal.SIGKILL)


SCENARIOS = {  # the longest first
    "program stopped for a while": Scenario([*NONE, "--seconds", "60"], [*USUAL, "--max-sweeps", "1100"], act=stop_program),
    "connection dead after a stop": Scenario(
        [*NONE, "--seconds", "60"],
        [*USUAL, "--max-sweeps", "800"],
        act=stop_program_and_kill_its_connections,
        module="tests.live.deaf",
    ),
    "amplifier restarted": Scenario(
        [*LARGE, "--source-id", "sn-4", "--vanish", "4"], [*USUAL, "--max-sweeps", "600"], act=restart_amplifier
    ),
    "amplifier killed, with a source id": Scenario([*NONE, "--source-id", "sn-1"], USUAL, act=kill_amplifier),
    "trigger silent from the start": Scenario([*NONE, "--trigger", "none"], USUAL),
    "trigger silent later": Scenario([*NONE, "--stop-triggers", "4"], USUAL),
    "amplifier killed, without a source id": Scenario(NONE, USUAL, act=kill_amplifier),
    "no response": Scenario([*NONE, "--seed", "5"], [*USUAL, "--max-sweeps", "320"]),
    "not a number for a second": Scenario([*LARGE, "--nan", "3.2", "4.4"], [*USUAL, "--max-sweeps", "600"]),
    "sender stalled": Scenario([*LARGE, "--unstamped", "--stall", "3", "4"], [*USUAL, "--max-sweeps", "600"]),
    "flat EEG": Scenario(["--flat"], [*USUAL, "--max-sweeps", "64"]),
    "window beyond the next sound": Scenario(NONE, [*USUAL, "--window", "5,25", "--max-sweeps", "32"]),
    "interrupted": Scenario(NONE, USUAL, act=interrupt),
    "terminated": Scenario(NONE, USUAL, act=terminate),
    "program killed": Scenario(NONE, USUAL, act=kill_program),
    "volts that say microvolts": Scenario(["--unit", "volts", "--stated", "microvolts"], USUAL),
    "volts that say microvolts, corrected": Scenario(
        ["--unit", "volts", "--stated", "microvolts"], [*USUAL, "--unit", "V", "--max-sweeps", "32"]
    ),
}


def events(happened: Happened) -> list[dict[str, object]]:
    return [json.loads(line) for line in (happened.folder / "events.jsonl").read_text().splitlines()]


def kinds(happened: Happened) -> list[object]:
    return [event.get("what", event["type"]) for event in events(happened)]


def gaps(happened: Happened) -> list[object]:
    """Reasons of all gaps. On a busy machine this sender is held up now and then between two chunks, which its stamps show."""
    return [event["reason"] for event in events(happened) if event["type"] == "gap"]


def assert_no_hole(folder: Path, at_least_s: float) -> None:
    """Every sample between the first and the last: the foreign noise is never constant, and its stamps go on without a jump."""
    recorded = read_xdf(folder / "raw.xdf")
    eeg = recorded.streams[1]
    assert eeg.samples.shape[1] >= at_least_s * 8000
    assert np.abs(np.diff(eeg.samples[0])).max() < 20
    edges = np.flatnonzero(np.diff(eeg.samples[1]) > 0)
    assert set(np.diff(edges)) <= set(range(169, 171 + 160))


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("amplifier killed, with a source id", "no samples from 'foreign-"),
        ("amplifier killed, without a source id", "it has no source id, so it cannot be recognised when it returns"),
    ],
)
def test_a_stream_that_vanishes_leaves_all_that_was_received(name: str, said: str, batch: Batch) -> None:
    happened = batch[name]
    assert happened.outcome.status == 3, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    assert said in record["fault"]
    assert "what was received is kept" in record["fault"]
    assert "begin a new run" in record["fault"]
    assert record["reason"] == record["fault"]
    assert record["sweeps_presented"] >= 32
    if "with a source id" in name:
        assert "stream_silent" in kinds(happened)
    assert kinds(happened)[-1] == "verdict"
    assert json.loads((happened.folder / "run.json").read_text())["stopped_by"] == "fault"
    assert_no_hole(happened.folder, 1.5)
    again = happened.replayed()
    assert again.status == 0, again.err
    assert (again.json["identical"], again.json["fault"]) == (True, record["fault"])


@pytest.mark.parametrize(
    ("name", "heard"), [("trigger silent from the start", "since the start"), ("trigger silent later", "after the last one")]
)
def test_a_silent_trigger_channel_is_said_at_once_and_ends_the_run(name: str, heard: str, batch: Batch) -> None:
    happened = batch[name]
    assert happened.outcome.status == 3, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    assert f"no trigger for 10 s {heard} in channel 'TRIG'" in record["fault"]
    silent = next(event for event in events(happened) if event["type"] == "trigger_silent")
    end = events(happened)[-1]
    assert end["type"] == "verdict"
    assert isinstance(silent["sample"], int)
    assert isinstance(end["sample"], int)
    assert end["sample"] - silent["sample"] == 8 * 8000  # said after 2 s, given up after 10 s
    assert "Waiting: no triggers arrive" in happened.outcome.err
    assert_no_hole(happened.folder, 10) if "later" in name else None
    assert happened.replayed().json["identical"] is True


def test_no_response_ends_undecided_at_the_limit(batch: Batch) -> None:
    happened = batch["no response"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("inconclusive", "sweep_limit", None)
    assert record["sweeps_presented"] == 320
    assert record["evidence"] < 2.0
    assert "Undecided when the sweeps ran out" in happened.outcome.err
    assert happened.replayed().json["identical"] is True


def test_samples_that_are_no_numbers_are_a_named_gap(batch: Batch) -> None:
    happened = batch["not a number for a second"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert record["verdict"] == "response_present"
    assert 1 <= record["rejected"]["not_finite"] <= 60
    assert "not_finite" in gaps(happened)
    if set(gaps(happened)) == {"not_finite"}:
        assert record["lost_samples"] == 0  # they came, but say nothing
    assert "without numbers" in happened.outcome.err
    assert happened.outcome.err.count("quietfloor: some samples are no numbers") == 1
    recorded = read_xdf(happened.folder / "raw.xdf").streams[1].samples
    broken = np.flatnonzero(np.isnan(recorded[0]))
    assert 0.9 * 8000 < len(broken) < 1.5 * 8000
    assert happened.replayed().json["identical"] is True


def assert_it_went_and_came(happened: Happened) -> None:
    """Once, and again where this machine is so busy that the sender gets no turn for half a second."""
    said = [kind for kind in kinds(happened) if kind in ("stream_silent", "stream_back")]
    assert said
    assert said == ["stream_silent", "stream_back"] * (len(said) // 2)


def test_a_sender_that_stalls_and_catches_up_loses_nothing(batch: Batch) -> None:
    happened = batch["sender stalled"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert record["verdict"] == "response_present"
    assert not gaps(happened) or record["lost_samples"] < 800
    assert_it_went_and_came(happened)
    assert_no_hole(happened.folder, 4)
    assert happened.replayed().json["identical"] is True


def test_a_program_that_was_stopped_reads_on_what_has_waited(batch: Batch) -> None:
    """Or opens the stream again: a sender's kernel that was refused for a while may wait long before it tries again."""
    happened = batch["program stopped for a while"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert record["stopped_by"] == "sweep_limit"
    assert record["sweeps_presented"] > 1000  # of the last look
    assert "stood_still" in kinds(happened)
    assert "this program stood still for" in happened.outcome.err
    if "stream_reopened" not in kinds(happened):
        assert record["lost_samples"] == 0
        assert_no_hole(happened.folder, 1100 / 47.1)
    else:
        (gap,) = [event for event in events(happened) if event["type"] == "gap"]
        assert record["lost_samples"] == pytest.approx(gap["by_s"] * 8000, abs=1)  # type: ignore[operator]
    assert happened.replayed().json["identical"] is True


@pytest.mark.skipif(sys.platform != "linux", reason="uses a socket filter of Linux")
def test_a_connection_that_died_while_the_program_was_stopped_is_opened_again(batch: Batch) -> None:
    happened = batch["connection dead after a stop"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert record["stopped_by"] == "sweep_limit"
    said = [kind for kind in kinds(happened) if kind in ("stood_still", "stream_reopened", "stream_back")]
    assert said[said.index("stood_still") :][:3] == ["stood_still", "stream_reopened", "stream_back"]
    assert "was opened again" in happened.outcome.err
    long = [event for event in events(happened) if event["type"] == "gap" and event["by_s"] > 6]  # type: ignore[operator]
    assert [event["reason"] for event in long] == ["lost"]
    assert record["lost_samples"] == pytest.approx(long[0]["by_s"] * 8000, abs=800)  # type: ignore[operator]
    assert happened.replayed().json["identical"] is True


def test_an_amplifier_that_restarts_is_read_on(batch: Batch) -> None:
    """With a source id the stream is recognised when it returns: a named gap, the sweeps across it rejected, then on."""
    happened = batch["amplifier restarted"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert record["verdict"] == "response_present"
    (gap,) = [event for event in events(happened) if event["type"] == "gap" and abs(event["by_s"]) > 0.4]  # type: ignore[arg-type]
    assert gap["reason"] == "lost"
    assert record["lost_samples"] == pytest.approx(gap["by_s"] * 8000, abs=800)  # type: ignore[operator]
    assert_it_went_and_came(happened)
    assert "missing, or the sender was held up; sweeps there are rejected" in happened.outcome.err
    assert happened.replayed().json["identical"] is True


def test_a_dead_input_is_said_and_decides_nothing(batch: Batch) -> None:
    happened = batch["flat EEG"]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "sweep_limit")
    assert record["rejected"]["flat"] >= 60
    assert record["sweeps_accepted"] == 0
    for unknown in ("evidence", "p_value", "fsp", "residual_noise_nv", "upper_limit_nv"):
        assert record[unknown] is None
    assert "channel 'E1' did not change in the first 1 s: is its input connected?" in happened.outcome.err
    assert "no usable sweep among 64" in happened.outcome.err
    assert "nan" not in happened.outcome.err.lower()
    assert happened.replayed().json["identical"] is True


def test_a_window_beyond_the_next_sound_is_said(batch: Batch) -> None:
    happened = batch["window beyond the next sound"]
    assert happened.outcome.status == 0, happened.outcome.err
    assert "the response window ends 25 ms after each stimulus, but the next comes after 21.2 ms" in happened.outcome.err
    assert kinds(happened).count("window") == 1


@pytest.mark.parametrize("name", ["interrupted", "terminated"])
def test_an_operator_who_stops_keeps_everything(name: str, batch: Batch) -> None:
    happened = batch[name]
    assert happened.outcome.status == 0, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("inconclusive", "operator", None)
    assert "stopped by the operator" in happened.outcome.err
    assert record["sweeps_presented"] >= 32
    assert {path.name for path in happened.folder.iterdir()} == {
        "raw.xdf",
        "plan.toml",
        "events.jsonl",
        "average.csv",
        "run.json",
    }
    assert_no_hole(happened.folder, 1.5)
    again = happened.replayed()
    assert (again.status, again.json["identical"], again.json["stopped_by"]) == (0, True, "operator")


def test_a_killed_program_leaves_what_it_had(batch: Batch) -> None:
    happened = batch["program killed"]
    assert happened.outcome.status == -signal.SIGKILL
    assert not (happened.folder / "run.json").exists()
    assert_no_hole(happened.folder, 1.5)
    again = happened.replayed()
    assert again.status == 0, again.err
    assert (again.json["identical"], again.json["verdict"]) == (True, "inconclusive")
    assert again.json["looks"] >= 1


def test_a_wrong_unit_is_refused_with_the_right_one_named(batch: Batch) -> None:
    happened = batch["volts that say microvolts"]
    assert happened.outcome.status == 1, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    for words in ("channel 'E1'", "uV RMS", "stated by the stream (microvolts)", "read as volts it would be plausible", "--unit"):
        assert words in record["fault"]
    assert read_xdf(happened.folder / "raw.xdf").streams[1].samples.shape[1] >= 8000
    assert "foreign-" in (happened.folder / "plan.toml").read_text()
    again = happened.replayed()
    assert again.status == 1
    assert "names no unit" in again.json["error"]

    corrected = batch["volts that say microvolts, corrected"]
    assert corrected.outcome.status == 0, corrected.outcome.err
    stream = corrected.outcome.json["stream"]
    assert (stream["uv_per_unit"], stream["unit_from"]) == (1e6, "given")
    assert 0.5 < stream["rms_uv"] < 2.0
