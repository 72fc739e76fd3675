"""Recordings of other programs as runs: the same decisions as on the run they came from, and errors that name what is there."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.sources.base import StreamDescription, marker_description
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.export.conftest import Made
from tests.synthetic import stream

Export = Callable[..., list[dict[str, Any]]]
LOCK = "import sys; from quietfloor.monitor.storage.folder_lock import sole_writer\n"
HOLD = LOCK + "with sole_writer(sys.argv[1]): print(1, flush=True); input()"
ROOT = Path(__file__).parents[2]
REAL = Path(__file__).parents[1] / "data" / "bdf" / "third-party.bdf"
CLOCK_RESETS = Path(__file__).parents[1] / "data" / "xdf-examples" / "clock_resets.xdf"


@pytest.fixture
def bring(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, dict[str, Any], str]]:
    """The command: its exit status, its JSON, what it said."""

    def run(*arguments: object) -> tuple[int, dict[str, Any], str]:
        status = main(["import", *map(str, arguments), "--out", str(tmp_path / "sessions"), "--json"])
        told = capsys.readouterr()
        return status, json.loads(told.out), told.err

    return run


def other(path: Path, *, markers: bool = False, unit: str = "V") -> tuple[Path, np.ndarray]:
    """Somebody else's XDF: two sampled streams, EEG in volts as double64, texts with a clock of their own; and the onsets."""
    made = stream(np.random.default_rng(8), 8000.0, 640, channels=2, nv=1500.0)
    samples = made.samples * np.array([[1e-6], [1e-6], [1.0]])
    labels, units = ("Cz", "Fz", "line"), (unit, unit, "")
    eeg = StreamDescription("Amplifier", "EEG", "x", "there", "", 1.0, 3, 8000.0, "double64", labels, units)
    slow = StreamDescription("Glove", "Misc", "y", "there", "", 1.0, 1, 10.0, "float32", ("grip",), ("N",))
    with Journal(path, [eeg, slow, marker_description("their events")]) as journal:
        journal.clock_offset(100.0, 0.25)
        journal.clock_offset(100.0, -7.0, 2)
        for number, at in enumerate(made.onsets.astype(int)):
            if markers:
                journal.marker(made.stamps_s[at] + 7.25, f"tone {number % 2}", 2)
        for at in range(0, len(made.stamps_s), 333):
            journal.samples(Chunk(np.ascontiguousarray(samples[:, at : at + 333]), made.stamps_s[at : at + 333]))
        journal.samples(Chunk(np.zeros((1, 5), np.float32), 100.0 + np.arange(5.0)), 1)
    return path, made.onsets


def test_our_own_bdf_comes_back_with_the_same_decision(played: Path, export: Export, bring: Any) -> None:
    (told,) = export("bdf", played)
    plan = played / "plan.toml"
    status, record, _ = bring(told["file"], "--plan", plan, "--trigger", "trigger analogue")
    live = json.loads((played / "run.json").read_text())
    assert status == 0
    for key in ("verdict", "stopped_by", "sweeps_presented", "sweeps_accepted", "rejected"):
        assert record[key] == live[key], key
    assert record["evidence"] == pytest.approx(live["evidence"], abs=1e-3)
    assert record["residual_noise_nv"] == pytest.approx(live["residual_noise_nv"], rel=1e-4)
    assert record["imported"]["file"] == Path(told["file"]).name
    folder = RunFolder.open(record["folder"])
    assert replay(folder).identical
    assert folder.read_average()["average_uv"] == pytest.approx(RunFolder.open(played).read_average()["average_uv"], abs=1e-4)


def test_a_bdf_with_gaps_keeps_its_annotations(holed: Made, export: Export, bring: Any) -> None:
    (told,) = export("bdf", holed.path)
    status, record, _ = bring(told["file"], "--eeg", "Cz-M2,2", "--onsets", "stimulus*")
    assert status == 0
    assert record["timing"]["source"].startswith(f"{record['imported']['onsets']} texts of the imported file")
    source = RecordingSource(RunFolder.open(record["folder"]).raw)
    assert any(text.startswith("BAD gap") for _, text in source.texts)
    assert record["stream"]["eeg"] == ["Cz-M2", "2"]


def test_a_trigger_channel_and_markers_of_an_xdf_say_the_same(tmp_path: Path, bring: Any) -> None:
    path, onsets = other(tmp_path / "other.xdf", markers=True)
    settings = ("--stream", "Amplifier", "--eeg", "Cz,Fz", "--alpha", "0.02", "--floor-nv", "5", "--max-sweeps", "640")
    found = [bring(path, *settings, *how)[1] for how in (("--trigger", "line"), ("--trigger", "3"), ("--onsets", "tone ?"))]
    assert [record["verdict"] for record in found] == ["response_present"] * 3
    figures = [[record[key] for key in ("evidence", "sweeps_presented", "residual_noise_nv")] for record in found]
    assert figures[0] == figures[1] == figures[2]
    assert found[2]["imported"]["onsets"] == len(onsets)
    assert load_plan(Path(found[0]["folder"]) / "plan.toml").stream.unit == "volts"
    assert [Path(record["folder"]).name for record in found] == ["run-001", "run-002", "run-003"]
    half = bring(path, *settings, "--onsets", "tone 1")[1]
    assert half["imported"]["onsets"] == len(onsets) // 2
    recorded = RecordingSource(Path(found[2]["folder"]) / "raw.xdf", chunk_samples=2**62)
    chunk = recorded.pull()
    assert chunk is not None
    line, trigger = chunk.samples[2], chunk.samples[3]
    assert recorded.description.labels == ("Cz", "Fz", "line", "onsets")
    assert np.array_equal(np.flatnonzero(np.diff(trigger) > 0), np.flatnonzero(np.diff(line) > 0))
    assert recorded.clock_offsets == [(100.0, 0.25)]


def test_what_is_stated_of_the_sound_of_a_recording_is_kept(tmp_path: Path, bring: Any) -> None:
    path, _ = other(tmp_path / "other.xdf")
    (tmp_path / "stated.toml").write_text('[stated]\nstimulus = "click"\near = "right"\nlevel_db_nhl = 35\n')
    record = bring(path, "--plan", tmp_path / "stated.toml", "--stream", "Amplifier", "--eeg", "Cz", "--trigger", "line")[1]
    kept = json.loads((Path(record["folder"]) / "run.json").read_text())["stimulus"]
    told = [kept[key] for key in ("stated", "kind", "ear", "level_db_nhl", "age_group")]
    assert told == [True, "click", "right", 35, None]


def test_errors_name_what_is_there(tmp_path: Path, bring: Any) -> None:
    path, _ = other(tmp_path / "other.xdf", markers=True)
    for arguments, said in (
        ((path, "--eeg", "Cz", "--trigger", "line"), "'Glove'"),
        ((path, "--stream", "Amplifier", "--eeg", "Oz", "--trigger", "line"), "'Fz'"),
        ((path, "--stream", "Amplifier", "--eeg", "Cz", "--trigger", "9"), "'line'"),
        ((path, "--stream", "Amplifier", "--eeg", "Cz"), "its texts are 'tone 0', 'tone 1'"),
        ((path, "--stream", "Amplifier", "--eeg", "Cz", "--onsets", "click"), "1 Cz, 2 Fz, 3 line"),
        ((path, "--stream", "Amplifier", "--trigger", "line"), "no EEG channel named"),
        ((path, "--stream", "Amplifier", "--eeg", "Cz", "--trigger", "line", "--unit", "mV"), "uV RMS"),
        ((REAL, "--eeg", "Cz", "--trigger", "Status"), "2048 Hz stream"),
        ((CLOCK_RESETS, "--eeg", "1", "--onsets", "*"), "100 Hz stream"),
        ((tmp_path / "none.bdf", "--eeg", "1", "--trigger", "2"), "none.bdf"),
        ((tmp_path, "--eeg", "1", "--trigger", "2"), str(tmp_path)),
    ):
        status, told, text = bring(*arguments)
        assert status == 2, (arguments, text)
        assert said in told["error"], (arguments, told)
    assert not (tmp_path / "sessions").exists()


def test_a_session_that_is_in_use_is_left_alone(tmp_path: Path, bring: Any) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path / "sessions")], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    ) as holder:  # fmt: skip
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"1\n"
        status, told, _ = bring(REAL, "--eeg", "Cz", "--trigger", "Status", "--band", "100,900")
        holder.communicate(b"\n")
    assert status == 1
    assert str(tmp_path / "sessions") in told["error"]


def test_status_codes_of_a_real_bdf_are_a_trigger(bring: Any) -> None:
    """A second holds two of them; no sweep can be averaged, and the run says how it ended."""
    status, record, said = bring(REAL, "--eeg", "Cz,Fz", "--trigger", "Status", "--band", "100,900")
    assert status == 0
    assert "2048 Hz is too slow" in said
    assert (record["verdict"], record["reason"]) == ("inconclusive", "the recording ends here")
    assert record["stream"]["rate_hz"] == 2048.0
    trigger = RecordingSource(Path(record["folder"]) / "raw.xdf", chunk_samples=2**62).pull()
    assert trigger is not None
    assert set(trigger.samples[72]) == {0.0, 128.0}
