"""``quietfloor stimulus``: every example of its help, what it prints and writes, and how it refuses."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.commands.stimulus import EXAMPLES
from quietfloor.stimuli.stimulus import StimulusSpec
from tests import warm
from tests.slow import patience

LINES = re.findall(r"^  (quietfloor stimulus.*?)(?:   .*)?$", EXAMPLES, flags=re.MULTILINE)


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(text: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    status = main(shlex.split(text))
    out, err = capsys.readouterr()
    return status, out, err


def as_json(text: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    status, out, _ = run(f"{text} --json", capsys)
    assert status == 0
    content = json.loads(out)
    assert isinstance(content, dict)
    return content


def test_every_example_but_the_one_that_plays(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert len(LINES) == 8
    for line in LINES[:-1]:
        status, out, err = run(line.removeprefix("quietfloor "), capsys)
        assert (status, err) == (0, "")
        assert "time zero" in out
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "both.wav", "burst.png", "burst.svg", "chirp.csv", "chirp.png", "octave.wav",
    ]  # fmt: skip
    assert (tmp_path / "burst.png").read_bytes().startswith(b"\x89PNG")
    assert "<svg" in (tmp_path / "burst.svg").read_text(encoding="utf-8")
    assert LINES[-1] == "quietfloor stimulus plan.toml --play 20"


def test_figures_of_a_burst(capsys: pytest.CaptureFixture[str]) -> None:
    content = as_json("stimulus --stimulus tone-burst --frequency-hz 500", capsys)
    assert content["name"] == "tone burst 500 Hz"
    assert content["duration_ms"] == pytest.approx(10.0)
    assert (content["time_zero_ms"], content["time_zero_is"]) == (0.0, "its start")
    assert content["peak_to_peak"] == pytest.approx(2.0, abs=0.003)
    assert content["crest_factor_db"] == pytest.approx(6.34, abs=0.02)
    assert content["window_ms"] == [5.0, 21.0]
    low, high = content["band_hz"]["-20 dB"]
    assert low < 500 < high
    status, out, _ = run("stimulus --stimulus tone-burst --frequency-hz 500", capsys)
    assert status == 0
    for words in ("10.000 ms, 480 samples", "end of the rise 4.00 ms, middle 5.00 ms", "crest factor  6.34 dB", "-10 dB band"):
        assert words in out


def test_a_wav_file_is_the_sound_with_its_trigger(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """-6 dB re full scale peak to peak is 0.501 of 1.0: half of what -1..+1 can hold."""
    text = "stimulus --stimulus tone-burst --frequency-hz 2000 --level-db-fs -6 --write-wav b.wav --trigger-column"
    assert run(f"{text} --out new/folder", capsys)[0] == 0
    rate_hz, data = wavfile.read(tmp_path / "new/folder/b.wav")
    burst = StimulusSpec("tone-burst", 2000).waveform(48_000)
    assert (rate_hz, data.shape, data.dtype) == (48_000, (120, 2), np.float32)
    np.testing.assert_allclose(data[:, 0], 10 ** (-6 / 20) / 2 * burst.samples, atol=1e-6)
    assert np.flatnonzero(data[:, 1])[0] == 0
    assert data[:, 1].sum() == 0  # zero net charge
    assert np.count_nonzero(data[:, 1]) == 48  # 1 ms
    status, _, err = run("stimulus --stimulus custom --wav new/folder/b.wav", capsys)
    assert status == 2
    assert "has 2 channels: save the one that is meant as mono" in err


def test_a_csv_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run("stimulus --stimulus chirp --csv c.csv", capsys)
    run("stimulus --csv t.csv --trigger-column", capsys)
    rows = np.genfromtxt(tmp_path / "c.csv", delimiter=",", names=True)
    chirp = StimulusSpec("chirp").waveform(48_000)
    np.testing.assert_allclose(rows["sound"], chirp.samples, atol=1e-8)
    assert rows["time_ms"][0] == pytest.approx(-1e3 * chirp.time_zero_s)
    assert np.all(rows["envelope"] >= np.abs(rows["sound"]) - 1e-6)
    with_trigger = np.genfromtxt(tmp_path / "t.csv", delimiter=",", names=True)
    assert with_trigger.size == 48
    assert with_trigger["trigger"][0] == pytest.approx(0.5 * 10 ** (-30 / 20), rel=1e-6)  # -30 dB re full scale
    np.testing.assert_allclose(with_trigger["sound"][:5], [1, 1, 1, 1, 0.8])


@pytest.mark.parametrize("name", ["a.png", "a.svg"])
def test_the_same_stimulus_gives_the_same_picture(name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run(f"stimulus --stimulus octave-chirp --frequency-hz 500 --plot {name}", capsys)
    first = (tmp_path / name).read_bytes()
    run(f"stimulus --stimulus octave-chirp --frequency-hz 500 --plot {name}", capsys)
    assert (tmp_path / name).read_bytes() == first


def test_a_plan_gives_what_the_options_leave_out(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    plan = tmp_path / "p.toml"
    plan.write_text(
        '[sound]\nstimulus = "tone-burst"\nfrequency_hz = 1000\nenvelope = "cosine"\nlevel_db_fs = -40\nsample_rate_hz = 96000\n',
        encoding="utf-8",
    )
    content = as_json("stimulus p.toml", capsys)
    assert (content["name"], content["envelope"], content["sample_rate_hz"]) == ("tone burst 1000 Hz", "cosine", 96_000)
    content = as_json("stimulus p.toml --frequency-hz 500 --sample-rate-hz 48000", capsys)
    assert (content["name"], content["envelope"], content["sample_rate_hz"]) == ("tone burst 500 Hz", "cosine", 48_000)
    content = as_json("stimulus p.toml --stimulus chirp --chirp-span-ms 2.56", capsys)
    assert (content["name"], content["chirp_span_ms"]) == ("chirp 2.56 ms", pytest.approx(2.56))
    plan.write_text('[sound]\nstimulus = "chirp"\nlevel_db_fs = -40\n', encoding="utf-8")
    assert as_json("stimulus p.toml --chirp-span-ms 5.04", capsys)["name"] == "chirp 5.04 ms"


@pytest.mark.parametrize(
    ("text", "status", "words"),
    [
        ("--stimulus ring", 2, "sound.stimulus = 'ring': should be 'click'"),
        ("--stimulus tone-burst", 2, "needs frequency_hz"),
        ("--frequency-hz 500", 2, "belongs to tone-burst and octave-chirp"),
        ("--stimulus tone-burst --frequency-hz 500 --cycles 2,1", 2, "sound.cycles"),
        ("--stimulus chirp --chirp-by-level", 2, "needs level_db_nhl"),
        ("--stimulus custom --wav none.wav", 2, "cannot be read"),
        ("--plot picture.gif", 2, "must end in .png or .svg"),
        ("--plot no/such/folder.png", 1, "cannot be written"),
        ("--write-wav no/such/folder.wav", 1, "cannot be written"),
        ("--csv no/such/folder.csv", 1, "cannot be written"),
        ("none.toml", 2, "cannot be read"),
        ("--play", 2, "--play needs a level"),
        ("--play 0 --level-db-fs -60", 2, "allowed is 1 or more"),
        ("--play --level-db-nhl 40", 2, "needs a calibration"),
        ("--play --level-db-fs 0 --age-group adult", 2, "above the output ceiling"),
        ("--play --level-db-fs -60 --rate-per-s 50", 2, "50"),
        ("--sample-rate-hz 8000", 2, "sample_rate_hz"),
    ],
)
def test_how_it_refuses(text: str, status: int, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    done, out, err = run(f"stimulus {text} --json", capsys)
    assert done == status
    assert words in err
    assert words in json.loads(out)["error"]


def test_a_listening_plan_has_no_sound(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "listen.toml").write_text('title = "only listening"\n', encoding="utf-8")
    status, _, err = run("stimulus listen.toml", capsys)
    assert status == 2
    assert "plays nothing: give it a table [sound]" in err


@pytest.mark.lsl
def test_play_by_the_output_of_a_plan(tmp_path: Path) -> None:
    """The last example, against a rig; the rig hears what was played."""
    audio = f"play-audio-{uuid.uuid4().hex[:6]}"
    rig = warm.Popen(
        [
            sys.executable, "-P", "-m", "quietfloor.bench.patient.rig", "--audio-source-id", audio,
            "--eeg-source-id", audio + "-eeg",
        ],
        cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert rig.stdin is not None
    assert rig.stdout is not None
    try:
        assert json.loads(rig.stdout.readline())["event"] == "ready"
        (tmp_path / "plan.toml").write_text(
            f'[sound]\nstimulus = "tone-burst"\nfrequency_hz = 1000\nlevel_db_fs = -40\ndevice_source_id = "{audio}"\n'
            "speed = 10\nlead_in_s = 0.5\n",
            encoding="utf-8",
        )
        words = [sys.executable, "-P", "-m", "quietfloor.monitor.cli", *shlex.split(LINES[-1])[1:], "--json"]
        done = warm.run(words, cwd=tmp_path, capture_output=True, text=True, timeout=patience(60), check=False)
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["played"] >= 20
    finally:
        rig.stdin.close()
        rig.wait(patience(10))
        rig.stdout.close()


def test_the_level_says_on_which_reference_it_rests(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    calibration = virtual_calibration()
    own = tmp_path / "mine.toml"
    own.write_text(
        '[[reference]]\nstimulus = "click"\ntransducer = "insert"\ncoupler = "occluded-ear-simulator"\nlevel_db_ppe_spl = 36.0\n'
        'source = "our five"\nstatus = "lab"\nn = 3\nlisteners = [1, 2, 3]\nthresholds_db = [30.0, 36.0, 40.0]\n',
        encoding="utf-8",
    )  # fmt: skip
    shipped = as_json(f"stimulus --level-db-nhl 40 --calibration {calibration}", capsys)
    assert (shipped["reference_db"], shipped["level_db_ppe"]) == (35.5, 75.5)
    mine = as_json(f"stimulus --level-db-nhl 40 --calibration {calibration} --references {own}", capsys)
    assert (mine["reference_db"], mine["reference_source"]) == (36.0, "our five (lab)")
    in_ppe = as_json(f"stimulus --level-db-ppe-spl 80 --calibration {calibration}", capsys)
    assert (in_ppe["level_db"], in_ppe["level_unit"], in_ppe["reference_db"]) == (80.0, "dB p-p.e. SPL", None)
    _, out, _ = run(f"stimulus --level-db-nhl 40 --calibration {calibration} --references {own}", capsys)
    assert "reference     0 dB nHL is 36 dB: our five (lab)" in out
    status, out, _ = run(f"calibrate {own} --show", capsys)
    assert status == 0
    assert "click / insert / occluded-ear-simulator: 0 dB nHL is 36 dB p-p.e. SPL; our five (lab)" in out
    status, out, _ = run(f"calibrate {calibration} --show", capsys)
    assert "# click: up to 92.4 dB nHL left" in out
    assert "0 dB nHL is 35.5 dB, ISO 389-6:2007 (from memory)" in out
