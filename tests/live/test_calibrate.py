"""``quietfloor calibrate``: numbers written out by hand, and the electric loop of the rig."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import io
import json
import math
import re
import shlex
import sys
import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from quietfloor.monitor.calibration.from_meter import MeasuringSignal, highest
from quietfloor.monitor.calibration.level_check import LevelCheck, check_level, keep
from quietfloor.monitor.calibration.microphone import ListeningError
from quietfloor.monitor.cli import main, parser
from quietfloor.monitor.commands import calibrate
from quietfloor.monitor.plan.run_plan import PlanError, make_sound_plan
from quietfloor.monitor.run import sound_output
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.storage.level_checks import FILE, last_check
from quietfloor.stimuli.calibration import Calibration, Measured
from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from quietfloor.stimuli.levels import zeq_minus_ppe_db
from quietfloor.stimuli.outputs import Output
from quietfloor.stimuli.stimulus import StimulusSpec
from tests import documents, warm
from tests.live.harness import ROOT, Outcome
from tests.slow import patience

PLAN = make_sound_plan({"level_db_fs": -40.0})
RATE_HZ = 48_000.0
NEW = ["--coupler", "occluded-ear-simulator", "--by", "me"]


def call(*arguments: str) -> Outcome:
    """The program in this process: nothing here plays, and starting it some thirty times takes a minute."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(arguments)
    return Outcome(status, out.getvalue(), err.getvalue())


def made(path: Path, *options: str) -> Calibration:
    outcome = call("calibrate", str(path), *options, "--json")
    assert outcome.status == 0, outcome.err
    assert outcome.json["file"] == str(path)
    return load_calibration(path)


# -- by a reading ------------------------------------------------------------------------------------------------------


def test_a_tone_that_was_read_gives_full_scale(tmp_path: Path) -> None:
    """A tone 40 dB below full scale that reads 88.5 dB SPL: full scale is 128.5."""
    calibration = made(tmp_path / "a.toml", *NEW, "--reading-db", "88.5,87.9")
    assert (calibration.left_db_ppe, calibration.right_db_ppe) == (128.5, 127.9)
    assert (calibration.device, calibration.host_interface, calibration.rate_hz) == ("virtual-earphone", "lsl", 48_000.0)
    assert calibration.issued == datetime.date.today()
    assert (calibration.issued_by, calibration.valid_days, calibration.measured_with) == ("me", 365, "tone 1000 Hz")
    one = made(tmp_path / "b.toml", *NEW, "--ear", "right", "--reading-db", "88.5", "--level-db-fs", "-30")
    assert math.isnan(one.left_db_ppe)
    assert one.right_db_ppe == 118.5


@pytest.mark.parametrize(
    ("plan", "said"), [(None, "give --plan PLAN.toml"), ("[sound]\nlevel_db_fs = -40\n", "its [sound] names no sound card")]
)
def test_that_the_output_is_a_virtual_one_is_said_in_capitals(plan: str | None, said: str, tmp_path: Path) -> None:
    options = []
    if plan is not None:
        (tmp_path / "plan.toml").write_text(plan)
        options = ["--plan", str(tmp_path / "plan.toml")]
    outcome = call("calibrate", str(tmp_path / "a.toml"), *NEW, *options, "--reading-db", "88.5,87.9")
    assert outcome.status == 0, outcome.err
    assert "THE OUTPUT IS THE VIRTUAL EARPHONE, NO SOUND CARD" in outcome.err
    assert said in outcome.err
    asked_for = call("calibrate", str(tmp_path / "b.toml"), *NEW, "--device-source-id", "rig", "--reading-db", "88.5,87.9")
    assert (asked_for.status, asked_for.err) == (0, "")


def test_more_measurements_go_into_the_same_file(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    made(path, *NEW, "--reading-db", "88.5,87.9")
    made(path, "--add", "--frequency-hz", "500", "--reading-db", "86.5,86.9")
    made(path, "--add", "--frequency-hz", "4000", "--ear", "left", "--reading-db", "90.5")
    made(path, "--add", "--signal", "click", "--reading-db", "95,96")
    made(path, "--add", "--signal", "click", "--ear", "left", "--reading-db", "95.5")
    found = made(path, "--add", "--signal", "tone-burst", "--frequency-hz", "2000", "--meter", "zeq", "--reading-db", "82,81")
    assert found.response == ((500.0, -2.0, -1.0), (1000.0, 0.0, 0.0), (4000.0, 2.0, 2.0))
    assert found.measured == (
        Measured("click", None, "ppe", 125.5, 126.0),
        Measured("tone-burst", 2000.0, "zeq", 112.0, 111.0),
    )
    assert (found.left_db_ppe, found.right_db_ppe) == (128.5, 127.9)


def wav(path: Path, hz: float) -> Path:
    wavfile.write(path, 48_000, np.sin(2 * np.pi * hz * np.arange(240) / 48_000).astype(np.float32))
    return path


def test_each_sound_of_a_file_has_a_row_of_its_own(tmp_path: Path) -> None:
    path, names = tmp_path / "a.toml", []
    made(path, *NEW, "--reading-db", "88.5,87.9")
    for hz, reading in ((1000.0, "95,96"), (3000.0, "91,92")):
        sound = wav(tmp_path / f"{hz:g}.wav", hz)
        found = made(path, "--add", "--signal", "custom", "--wav", str(sound), "--reading-db", reading)
        names.append(f"custom {hashlib.sha256(sound.read_bytes()).hexdigest()}")
    assert [(row.stimulus, row.left_db) for row in found.measured] == [(names[0], 125.0), (names[1], 121.0)]
    own = tmp_path / "own.toml"
    own.write_text("".join(
        f'[[reference]]\nstimulus = "{name}"\ntransducer = "insert"\ncoupler = "occluded-ear-simulator"\n'
        f'level_db_ppe_spl = {level}\nsource = "mine"\nstatus = "verified"\n'
        for name, level in zip(names, (20, 30), strict=True)
    ))  # fmt: skip
    data = {"stimulus": "custom", "level_db_nhl": 40, "calibration": str(path), "references": str(own), "ear": "left"}
    levels = []
    for hz in (1000, 3000):
        sound = make_stimulus(make_sound_plan(data | {"wav": str(tmp_path / f"{hz}.wav")}), datetime.date.today())
        levels.append(20 * math.log10(sound.frames.gain * sound.frames.waveform.peak_to_peak))
    assert levels == pytest.approx([40 + 20 - 125, 40 + 30 - 121], abs=1e-6)
    # a row as older files have it holds for no file
    older = load_calibration(path)
    save_calibration(path, replace(older, measured=(replace(older.measured[0], stimulus="custom"),)))
    with pytest.raises(PlanError, match="measured row 'custom' does not say which file"):
        make_stimulus(make_sound_plan(data | {"wav": str(tmp_path / "1000.wav")}), datetime.date.today())


def test_a_burst_read_as_l_zeq_can_be_the_first(tmp_path: Path) -> None:
    burst = ["--signal", "tone-burst", "--frequency-hz", "1000", "--meter", "zeq", "--reading-db", "80,81"]
    found = made(tmp_path / "a.toml", *NEW, *burst)
    by_waveform = zeq_minus_ppe_db(StimulusSpec("tone-burst", frequency_hz=1000.0).waveform(RATE_HZ))
    assert found.left_db_ppe == pytest.approx(80 + 30 - by_waveform, abs=1e-3)
    assert found.measured == (Measured("tone-burst", 1000.0, "zeq", 110.0, 111.0),)


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--reading-db", "88,88"], 2, "needs --coupler"),
        ([*NEW, "--reading-db", "88"], 2, "1 numbers for 2 ears"),
        ([*NEW, "--reading-db", "188,188"], 2, "90 to 150"),
        ([*NEW, "--reading-db", "88,60"], 2, "full_scale_db_ppe_spl"),
        ([*NEW, "--reading-db", "88,88", "--transducer", "supra-aural"], 2, "for supra-aural artificial-ear, 6cc"),
        ([*NEW, "--signal", "click", "--meter", "zeq", "--reading-db", "80,80"], 2, "begin with a tone"),
        ([*NEW, "--meter", "zeq", "--reading-db", "80,80"], 2, "belongs to a train"),
        ([*NEW, "--signal", "click", "--frequency-hz", "500", "--reading-db", "80,80"], 2, "--frequency-hz belongs to"),
        ([*NEW, "--wav", "a.wav", "--reading-db", "80,80"], 2, "--wav belongs to --signal custom"),
        ([*NEW, "--signal", "custom", "--reading-db", "80,80"], 2, "give wav"),
        ([*NEW, "--level-db-fs", "-10", "--ear", "left"], 2, "output ceiling"),
        (["--add", "--reading-db", "88,88"], 2, "cannot be read"),
        (["--check", "--stream", "x"], 2, "cannot be read"),
        (["--show"], 2, "cannot be read"),
        (["--seal"], 2, "cannot be read"),
        ([*NEW, "--microphone", "no such thing", "--microphone-db", "120"], 1, "sound input"),
        ([*NEW, "--microphone", "no such thing"], 2, "--microphone-db"),
        (["--calibrator-db", "94"], 2, "needs --microphone"),
    ],
)
def test_what_cannot_be_done_is_said(tmp_path: Path, options: list[str], status: int, message: str) -> None:
    outcome = call("calibrate", str(tmp_path / "a.toml"), *options, "--json")
    assert (outcome.status, list(tmp_path.iterdir())) == (status, []), outcome.err
    assert message in outcome.json["error"]


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    made(path, *NEW, "--reading-db", "88,88")
    before = path.read_text()
    outcome = call("calibrate", str(path), *NEW, "--reading-db", "70,70")
    assert (outcome.status, path.read_text()) == (2, before)
    assert "is there already" in outcome.err


def test_a_change_by_hand_needs_a_seal(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    made(path, *NEW, "--reading-db", "88,88")
    made(path, "--add", "--signal", "click", "--reading-db", "95,96")
    path.write_text("# measured in the booth\n" + path.read_text().replace("left = 128.0", "left = 127.0"))
    refused = call("calibrate", str(path), "--show")
    assert refused.status == 2
    assert "was changed since it was sealed" in refused.err
    assert made(path, "--seal").left_db_ppe == 127.0
    assert "# measured in the booth" in path.read_text()
    assert call("calibrate", str(path), "--show").status == 0


def test_a_seal_on_a_file_written_in_another_style(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    made(path, *NEW, "--reading-db", "88,88")
    levels = "full_scale_db_ppe_spl = { left = 128.0, right = 128.0 }"
    text = path.read_text().replace(levels, "response_db = [\n  [500, 1.5],\n]")
    path.write_text(re.sub("seal.*\n", "", text) + "\n[full_scale_db_ppe_spl]\nleft = 128\nright = 126\n")
    sealed = made(path, "--seal")
    assert (sealed.left_db_ppe, sealed.right_db_ppe, sealed.response) == (128.0, 126.0, ((500.0, 1.5, 1.5),))


def test_what_a_calibration_reaches() -> None:
    """Full scale 125 dB p-p.e. SPL, click zero 35.5: 89.5 dB nHL at full scale; bursts have twice the peak-to-peak."""
    calibration = Calibration(
        "c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", 120.0, math.nan, datetime.date(2026, 1, 1), 365, "me"
    )
    reached = {row["stimulus"]: row["highest_db_nhl"] for row in highest(calibration)}
    assert reached["click"] == pytest.approx(84.5)
    assert reached["tone-burst 1000 Hz"] == pytest.approx(120 + 6.02 - 21.5, abs=0.01)
    assert all(row["ear"] == "left" for row in highest(calibration))


# -- by a microphone ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "hz", "meter"),
    [("tone", None, "ppe"), ("tone", 250.0, "ppe"), ("click", None, "ppe"), ("tone-burst", 500.0, "ppe"),
     ("tone-burst", 4000.0, "zeq"), ("chirp", None, "ppe")],
)  # fmt: skip
def test_a_microphone_finds_the_full_scale_of_an_earphone_that_is_known(kind: str, hz: float | None, meter: str) -> None:
    """An earphone and microphone that together make 0.3 of 1.0: what was heard, with noise, gives the level that is true."""
    signal = MeasuringSignal.of(PLAN, "insert", kind, hz, None, meter)
    frames = signal.frames("left", 3.0)
    heard = 0.3 * frames.read(frames.total_samples or 0)[0].astype(float)
    heard += 1e-5 * np.random.default_rng(2).standard_normal(heard.size)
    microphone_db = 121.0  # dB SPL of a full-scale sine: its peak-to-peak value is 2
    found = signal.calibration(
        {"left": signal.level_db(heard, RATE_HZ) + microphone_db}, "2cc", datetime.date(2026, 1, 1), "c", "me", 365, 1
    )
    true_db = microphone_db + 20 * math.log10(0.3 / 2)  # of a waveform with peak-to-peak 1.0
    # a band-limited 100 us pulse overshoots its samples between them by 1 to 2 dB, as it would at an earphone
    tolerance = 2.5 if kind == "click" else 0.15
    assert found.left_db_ppe == pytest.approx(true_db, abs=tolerance)


def test_one_earphone_for_both_ears_is_measured_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sound_output, "find_output", lambda *_: Output(0, "Stereo (hw:0,0)", "ALSA", 2, RATE_HZ))
    (tmp_path / "plan.toml").write_text(
        '[sound]\ndevice = "sound-card"\nchannels = [1, 1, 2]\ntrigger_on_earphone_jack = true\nlevel_db_fs = -40\n'
    )
    new = ["calibrate", str(tmp_path / "c.toml"), "--plan", str(tmp_path / "plan.toml")]
    made = [*new, "--coupler", "2cc", "--by", "me"]
    assert main([*made, "--reading-db", "84.2,84.6"]) == 2
    assert "2 numbers for one earphone for both ears" in capsys.readouterr().err
    assert main([*made, "--reading-db", "84.2"]) == 0
    assert "nothing that somebody can wear may be connected" in capsys.readouterr().err
    assert main([*new, "--add", "--signal", "click", "--reading-db", "93.1"]) == 0
    assert main([*new, "--add", "--frequency-hz", "500", "--reading-db", "81.9", "--ear", "right"]) == 0
    found = load_calibration(tmp_path / "c.toml")
    assert found.channels == (1, 1)
    assert found.left_db_ppe == found.right_db_ppe == pytest.approx(124.2)
    assert (found.measured[0].left_db, found.measured[0].right_db) == pytest.approx((123.1, 123.1))
    assert (500.0, -2.3, -2.3) in found.response


# -- over the loop of the rig ------------------------------------------------------------------------------------------


class Bench:
    """A rig with its sound looped into its second channel, and a plan that plays to it, eight times real time."""

    def __init__(self, folder: Path) -> None:
        tag = uuid.uuid4().hex[:8]
        self.name, self.audio = f"Loop {tag}", f"loop-audio-{tag}"
        self.plan = folder / "plan.toml"
        self.plan.write_text(f'[sound]\nlevel_db_fs = -40\ndevice_source_id = "{self.audio}"\nspeed = 8\n')
        self.calibration = folder / "earphone.toml"
        made(self.calibration, *NEW, "--ear", "right", "--reading-db", "87.9")  # the loop is then of one ear: half the time

    def call(self, *options: str, answers: str = "") -> Outcome:
        words = [sys.executable, "-m", "quietfloor.monitor.cli", "calibrate", *options, "--plan", str(self.plan), "--json"]
        done = warm.run(words, cwd=ROOT, input=answers, capture_output=True, text=True, timeout=patience(120), check=False)
        return Outcome(done.returncode, done.stdout, done.stderr)


@contextlib.contextmanager
def rig(bench: Bench) -> Iterator[None]:
    words = [
        "rig", "--patient", "hearing-adult", "--audio-source-id", bench.audio, "--eeg-source-id", bench.audio + "-eeg",
        "--eeg-name", bench.name, "--loop-channel", "2",
    ]  # fmt: skip
    with documents.rig(words, ROOT):
        yield


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made_bench = Bench(tmp_path_factory.mktemp("bench"))
    with rig(made_bench):
        yield made_bench


@pytest.mark.lsl
def test_it_plays_and_asks_ear_by_ear(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "asked.toml"
    outcome = bench.call(str(path), *NEW, answers="loud\n88.5\n87,9\n")
    assert outcome.status == 0, outcome.err
    found = load_calibration(path)
    assert (found.left_db_ppe, found.right_db_ppe) == (128.5, 127.9)
    assert "left ear, what does the meter read" in outcome.err
    assert "a number in dB" in outcome.err


@pytest.mark.lsl
def test_without_an_answer_there_is_no_calibration(bench: Bench, tmp_path: Path) -> None:
    outcome = bench.call(str(tmp_path / "none.toml"), *NEW, "--signal", "click")
    assert (outcome.status, list(tmp_path.iterdir())) == (2, [])
    assert "no reading was given" in outcome.json["error"]


@pytest.mark.lsl
def test_it_only_plays_where_no_file_is_named(bench: Bench) -> None:
    outcome = bench.call("--ear", "right", "--seconds", "2", "--signal", "click")
    assert outcome.status == 0, outcome.err
    assert outcome.json == {"played": "click", "level_db_fs": -30.0, "ears": ["right"], "file": None}


@pytest.mark.lsl
def test_the_loop_is_compared_within_half_a_decibel(bench: Bench, tmp_path: Path) -> None:
    where = ["--stream", bench.name, "--sound-channel", "2"]
    path, session = bench.calibration, tmp_path / "session"
    before = bench.call(str(path), "--check", *where)
    assert before.status == 1
    assert "made without a loop" in before.json["error"]
    assert bench.call(str(path), "--add-loop", *where).status == 0
    calibration = load_calibration(path)
    assert calibration.loop is not None
    # 10 mV at 1.0: a tone of peak 0.005 has 35.36 uV RMS
    assert calibration.loop.right_db == pytest.approx(20 * math.log10(10_000 * 0.005 / math.sqrt(2)), abs=0.3)
    assert math.isnan(calibration.loop.left_db)
    same = bench.call(str(path), "--check", *where, "--out", str(session))
    assert same.status == 0, same.err
    assert same.json["left_db"] is None
    assert abs(same.json["right_db"]) < 0.05
    kept = last_check(session, calibration.id)
    assert kept is not None
    assert kept["passed"] is True
    assert last_check(session, "another") is None
    assert json.loads((session / FILE).read_text())["input"] == f"stream {bench.name}, channel Cz-M1"
    assert json.loads((session / "dose.jsonl").read_text())["right_pa2s"] > 0  # should an earphone be on an ear
    # the volume control was moved by 0.8 dB since: what the loop read then lies that much lower
    moved = replace(calibration, loop=replace(calibration.loop, right_db=calibration.loop.right_db - 0.8))
    save_calibration(path, moved)
    louder = bench.call(str(path), "--check", *where, "--out", str(session))
    assert "right_db" in louder.json, louder.err
    assert louder.status == 1
    assert louder.json["right_db"] == pytest.approx(0.8, abs=0.05)
    assert louder.json["passed"] is False
    assert "DIFFERS" in louder.err
    kept = last_check(session, calibration.id)
    assert kept is not None
    assert kept["passed"] is False


def test_a_level_check_holds_for_its_own_outputs_of_a_card(tmp_path: Path) -> None:
    keep(tmp_path, LevelCheck("c", "input", 0.1, 0.1, "now", (1, 2)))
    assert last_check(tmp_path, "c", (1, 2, 3)) is not None
    assert last_check(tmp_path, "c", (3, 2, 1)) is None
    assert last_check(tmp_path, "c") is not None  # audio over LSL has no outputs
    keep(tmp_path, LevelCheck("c", "input", 0.1, 0.1, "now"))  # as older ones were
    assert last_check(tmp_path, "c", (1, 2, 3)) is None
    assert last_check(tmp_path, "c") is not None


@pytest.mark.lsl
def test_an_open_loop_is_no_level(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "open.toml"
    made(path, *NEW, "--ear", "left", "--reading-db", "88.5")
    outcome = bench.call(str(path), "--add-loop", "--stream", bench.name, "--sound-channel", "1")
    assert outcome.status == 1
    assert "is the output connected" in outcome.json["error"]
    assert load_calibration(path).loop is None


def test_a_check_needs_its_own_output_and_its_own_input() -> None:
    class Silence:
        name, rate_hz = "input here", 16_000.0

    calibration = Calibration(
        "c", "virtual-earphone", "lsl", RATE_HZ, "insert", "2cc", 120.0, 120.0, datetime.date.today(), 365, "me"
    )
    with pytest.raises(ListeningError, match="made without a loop"):
        check_level(PLAN, calibration, Silence())  # type: ignore[arg-type]
    from quietfloor.stimuli.calibration import CalibrationError, Loop

    with pytest.raises(ListeningError, match="name the same input"):
        check_level(PLAN, replace(calibration, loop=Loop("elsewhere", 1000.0, -40.0, 1.0, 1.0)), Silence())  # type: ignore[arg-type]
    with pytest.raises(CalibrationError, match="device is 'box'"):
        check_level(PLAN, replace(calibration, device="box"), Silence())  # type: ignore[arg-type]


def test_every_example_of_the_help_is_understood() -> None:
    lines = [line for line in calibrate.EXAMPLES.splitlines() if line.startswith("  quietfloor ")]
    assert len(lines) >= 12
    for line in lines:
        words = shlex.split(re.split(r" {2,}(?=\S)", line.strip())[0])
        assert parser().parse_args(words[1:]).do is calibrate.main
