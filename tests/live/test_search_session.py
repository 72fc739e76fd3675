"""A session by search as a user makes it, beside the virtual patient: to its answer, and within its minutes."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.commands.demo import rig, virtual_calibration
from tests.live.harness import Outcome, call
from tests.live.truth import seen_above_db
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.long]
HIDDEN_DB = 25.0
PATIENT = f"""
name = "two ears"
left = {{ threshold_db_nhl = 45 }}
right = {{ threshold_db_nhl = {HIDDEN_DB:g} }}
background = {{ in_band_rms_uv = 0.5 }}
"""
PLAN = """
[subject]
pseudonym = "two ears"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "octave-chirp"
frequency_hz = 2000

[[condition]]
ear = "left"
stimulus = "octave-chirp"
frequency_hz = 2000

[limits]
highest_db_nhl = 70

[run.stream]
source_id = "EEG"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "CALIBRATION"
device_source_id = "AUDIO"
rate_per_s = 39.1
speed = 20
lead_in_s = 1.0

[run.analysis]
acoustic_delay_ms = 0.9
"""


def written(folder: Path, speed: int) -> tuple[str, str]:
    """The plan and the patient; ids of the streams for sound and EEG."""
    tag = uuid.uuid4().hex[:8]
    text = PLAN.replace("CALIBRATION", str(virtual_calibration())).replace("AUDIO", f"audio-{tag}")
    text = text.replace("EEG", f"eeg-{tag}").replace("speed = 20", f"speed = {speed}")
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    (folder / "patient.toml").write_text(PATIENT, encoding="utf-8")
    return f"audio-{tag}", f"eeg-{tag}"


@pytest.fixture(scope="module")
def searched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Outcome, Path]]:
    """Only the right ear is searched; the rig stays for what follows."""
    folder = tmp_path_factory.mktemp("session")
    audio, eeg = written(folder, speed=20)
    with rig(str(folder / "patient.toml"), audio, eeg, 3):
        words = ("--condition", "1", "--auto", "--out", str(folder / "s"), "--no-window", "--json")
        yield call("session", str(folder / "plan.toml"), *words, timeout_s=150), folder / "s"


def test_one_condition_is_searched_to_its_answer(searched: tuple[Outcome, Path]) -> None:
    outcome, folder = searched
    assert outcome.status == DONE, outcome.err
    found = outcome.json
    right, left = found["thresholds"]
    assert (right["method"], right["finding"], right["settled"]) == ("search", "threshold", True)
    assert HIDDEN_DB - 2.5 <= right["level_db_nhl"] <= HIDDEN_DB + 15.0, "its response grows slowly"
    assert right["low_db_nhl"] <= right["level_db_nhl"] <= right["high_db_nhl"]
    assert left["finding"] == "not tested"
    assert len(found["made"]) == 1
    assert "2000 Hz octave chirp by air: next a search from 0 to 70 dB nHL, beginning at 40." in outcome.err
    assert "1. octave-chirp 2000 Hz, right ear" in outcome.err
    assert "1 of 1 answered" in outcome.err
    assert {path.name for path in folder.iterdir()} == {"run-001", "session.json", "session-plan.toml", "dose.jsonl"}


def test_the_minutes_hold_for_all_recordings_and_the_next_one_knows_what_was_found(searched: tuple[Outcome, Path]) -> None:
    """In 30 s at most; the rest is searched in another recording."""
    _, folder = searched
    before = sum(run["seconds"] for run in call("session", str(folder), "--status", "--json").json["runs"])
    outcome = call("session", str(folder), "--auto", "--minutes", "0.5", "--no-window", "--json", timeout_s=90)
    assert outcome.status == DONE, outcome.err
    spent_s = sum(run["seconds"] for run in outcome.json["runs"]) - before
    assert spent_s <= 40.0
    assert spent_s >= 20.0 or outcome.json["thresholds"][1]["settled"]
    plan = (folder / "run-002" / "plan.toml").read_text(encoding="utf-8")
    assert "expected_db_nhl" in plan
    assert "minutes = 0.5" in plan
    record = json.loads((folder / "run-002" / "run.json").read_text(encoding="utf-8"))
    assert [one["ear"] for one in record["search"]["conditions"]] == ["left"]


@pytest.mark.parametrize(("keys", "at_once", "said"), [
    ("together = false", 0, ""),
    ("sounds_per_ear = 1", 1, "In run 1 both ears heard sounds at once"),
    ("", 2, "In run 1 each ear heard two sounds of different frequencies at once"),
])  # fmt: skip
def test_a_person_from_the_session_to_the_report(keys: str, at_once: int, said: str, tmp_path: Path) -> None:
    """Two frequencies in both ears: one after the other, in both ears at once, and all four at once."""
    audio, eeg = written(tmp_path, speed=20)
    plan = tmp_path / "plan.toml"
    second = PLAN[PLAN.index("[[condition]]") : PLAN.index("[limits]")].replace("2000", "500")
    text = plan.read_text(encoding="utf-8").replace("[limits]", f"{second}[search]\n{keys}\n\n[limits]")
    plan.write_text(text + "band_hz = [30, 1500]\n", encoding="utf-8")  # responses to low frequencies are slow
    with rig(str(tmp_path / "patient.toml"), audio, eeg, 3):
        words = ("--auto", "--out", str(tmp_path / "s"), "--no-window", "--json")
        outcome = call("session", str(plan), *words, timeout_s=300)
    assert outcome.status == DONE, outcome.err
    found = outcome.json["thresholds"]
    assert len(outcome.json["made"]) == 1
    for one in found:
        hidden_db = {"right": HIDDEN_DB, "left": 45.0}[one["condition"]["ear"]]
        assert (one["finding"], one["settled"]) == ("threshold", True)
        assert abs(one["level_db_nhl"] - hidden_db - seen_above_db(one["condition"]["frequency_hz"])) <= 10.0
    record = json.loads((tmp_path / "s" / "run-001" / "run.json").read_text(encoding="utf-8"))
    assert record["stimulus"].get("together", False) is (at_once > 0)
    assert record["stimulus"].get("sounds_per_ear", 1) == max(at_once, 1)
    ended = json.loads((tmp_path / "s" / "run-001" / "events.jsonl").read_text(encoding="utf-8").splitlines()[-1])
    seconds = ended["sample"] / record["stream"]["rate_hz"]
    print(f"{at_once} at once in each ear: {seconds:.0f} s of signal for {len(found)} thresholds")
    assert call("report", str(tmp_path / "s"), "--out", str(tmp_path / "report")).status == DONE
    text = " ".join((tmp_path / "report" / "report.html").read_text(encoding="utf-8").split())
    assert said in text
    assert ("both ears heard sounds at once" in text) is (at_once > 0)
    for one in found:
        assert f"threshold {one['level_db_nhl']:g} dB nHL" in text
    assert call("replay", str(tmp_path / "s" / "run-001"), "--json").json["identical"] is True


@pytest.mark.skipif(os.name != "posix", reason="a terminal of this kind")
def test_orders_are_typed_into_a_terminal(tmp_path: Path) -> None:
    """Begin, pause, go on, leave the left ear, stop, and no more; each after the line that it answers."""
    script = [
        ("q: not now > ", ""), (" · next ", "p"), (" · paused", "p"), (" · next ", "leave 2"),
        ("left ear: set aside; ", "q"), ("q: not now > ", "q"),
    ]  # fmt: skip
    audio, eeg = written(tmp_path, speed=6)
    command = [sys.executable, "-m", "quietfloor.monitor.cli", "session", str(tmp_path / "plan.toml")]
    command += ["--out", str(tmp_path / "s"), "--no-window"]
    ours, theirs = pty.openpty()
    with rig(str(tmp_path / "patient.toml"), audio, eeg, 3):
        process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
        os.close(theirs)
        seen = ""
        try:
            while process.poll() is None:
                if not select.select([ours], [], [], patience(60.0))[0]:
                    break
                with contextlib.suppress(OSError):
                    seen += os.read(ours, 65536).decode(errors="replace")
                while script and script[0][0] in seen:
                    said, words = script.pop(0)
                    seen = seen.partition(said)[2]
                    os.write(ours, f"{words}\n".encode())
            assert process.wait(patience(30.0)) == DONE, seen
        finally:
            process.kill()
            process.wait()
            os.close(ours)
    assert not script, seen
    record = json.loads((tmp_path / "s" / "run-001" / "run.json").read_text(encoding="utf-8"))
    orders = [(order["order"], order["condition"]) for order in record["search"]["orders"]]
    assert orders == [("pause", None), ("go_on", None), ("leave", 1)]
    assert record["stopped_by"] == "operator"
