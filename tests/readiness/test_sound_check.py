"""The sound before it is played: level, ceiling, calibration, dose; and triggers that make no sound at all."""

from __future__ import annotations

import datetime
import json
import math
import re
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.calibration import level_check
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.readiness import sound_check
from quietfloor.monitor.readiness.findings import Finding, parted
from quietfloor.monitor.readiness.sound_check import SilentTriggers, sound_group
from quietfloor.monitor.run import sound_output
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.stimuli.calibration import Calibration, Loop
from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from quietfloor.stimuli.dose import Dose, limit_pa2s
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.outputs import Output
from tests.readiness.streams import plan_of
from tests.slow import patience

EARPHONE = Path(__file__).resolve().parents[2] / "bench" / "virtual-earphone.toml"
TODAY = datetime.date(2026, 3, 1)


def told(plan: Plan, session: Path, today: datetime.date = TODAY) -> dict[str, Finding]:
    return {finding.about: finding for finding in sound_group(plan, session, today).findings}


def calibrated(path: Path = EARPHONE, **more: Any) -> Plan:
    return plan_of(sound={"level_db_nhl": 60, "calibration": str(path)} | more)


def issued(tmp_path: Path, **changes: Any) -> Path:
    """A calibration of the virtual earphone, changed."""
    path = tmp_path / "calibration.toml"
    save_calibration(path, replace(load_calibration(EARPHONE), **changes))
    return path


def test_a_calibrated_click(tmp_path: Path) -> None:
    found = told(calibrated(), tmp_path)
    assert {finding.severity for finding in found.values()} == {"ok"}
    assert "click, right ear, 60 dB nHL" in found["sound"].said
    assert "60 dB nHL, 47.1/s, by" in found["sound"].said
    random = told(calibrated(random_interval_ms=3.5), tmp_path)
    assert "60 dB nHL, 47.1/s, intervals ±3.5 ms, by" in random["sound"].said
    assert "virtual-earphone" in found["calibration"].said
    # 130 dB p-p.e. is the adult ceiling on an ear simulator; 60 dB nHL are 95.5 dB p-p.e. of a click, and its curve between the
    # samples has 2.1 dB more. (115 dB RMS are farther: 6 of them in 125 ms, 4.64 samples each, are 81.2 dB RMS.)
    assert found["ceiling"].value == pytest.approx(130.0 - 95.5 - 2.11, abs=0.01)
    assert found["dose"].value < 1.0


def test_a_window_that_cannot_tell_an_absence_is_named(tmp_path: Path) -> None:
    found = told(calibrated(stimulus="tone-burst", frequency_hz=500, level_db_nhl=0), tmp_path)
    assert found["window"].severity == "look"
    assert 'it cannot end with "no response"' in found["window"].said
    assert found["window"].remedy.startswith("lower sound.rate_per_s")


SEARCHED = {"ear": "left", "stimulus": "tone-burst", "frequency_hz": 2000, "levels_db_nhl": [10, 30, 50]}


def searching(condition: dict[str, Any], minutes: float = 30.0, **more: Any) -> Plan:
    """[sound] says another ear, stimulus and level, none of which is played."""
    sound = {"level_db_nhl": 20, "calibration": str(EARPHONE)} | more
    return make_plan({"sound": sound, "search": {"minutes": minutes, "condition": [SEARCHED | condition]}})


def test_a_search_is_checked_at_the_levels_that_it_may_play(tmp_path: Path) -> None:
    found = told(searching({}), tmp_path)
    assert {finding.severity for finding in found.values()} == {"ok"}
    assert "tone-burst 2000 Hz, left ear, 10 to 50 dB nHL" in found["sound"].said
    assert found["sound"].value == 50.0
    loudest = told(calibrated(ear="left", stimulus="tone-burst", frequency_hz=2000, level_db_nhl=50), tmp_path)
    assert found["ceiling"].value == pytest.approx(loudest["ceiling"].value, abs=1e-9)
    assert "left ear" in found["dose"].said


def test_a_search_with_a_level_above_the_ceiling_is_refused_by_the_check(tmp_path: Path) -> None:
    for condition, more, words in (
        ({"levels_db_nhl": [10, 30, 95]}, {"age_group": "infant"}, "ceiling"),
        ({"window_ms": [5.0, 30.0]}, {}, "ends at 30 ms"),
    ):
        found = told(searching(condition, **more), tmp_path)
        assert list(found) == ["sound"]
        assert found["sound"].severity == "stop"
        assert words in found["sound"].said


def test_a_search_that_may_come_to_the_limit_of_the_dose_says_so(tmp_path: Path) -> None:
    found = told(searching({"levels_db_nhl": [10, 30, 90]}, minutes=1440.0), tmp_path)["dose"]
    assert found.severity == "look"
    times = found.value / 100.0
    assert times > 9.5
    words = "what the left ear may get in a day; 0 % of it got so far"
    assert found.said == f"if the loudest level played all the time: {times:.0f} times {words}"
    assert "are left out" in found.remedy
    assert "lower" not in found.remedy


def test_listening_says_that_it_cannot_see_the_sound(tmp_path: Path) -> None:
    found = told(Plan(), tmp_path)
    assert list(found) == ["sound"]
    assert found["sound"].severity == "look"


def test_uncalibrated(tmp_path: Path) -> None:
    found = told(plan_of(sound={"level_db_fs": -40}), tmp_path)
    assert found["calibration"].severity == "look"
    assert "uncalibrated" in found["calibration"].said
    assert "-40 dB re full scale" in found["sound"].said
    assert found["ceiling"].value == pytest.approx(20.0, abs=0.01)


def test_a_level_above_the_ceiling_stops(tmp_path: Path) -> None:
    found = told(plan_of(sound={"level_db_fs": -12.5}), tmp_path)
    assert found["sound"].severity == "stop"
    assert "7.50 dB above the output ceiling" in found["sound"].said + found["sound"].remedy


@pytest.mark.parametrize(("left", "severity"), [(40, "ok"), (10, "look"), (0, "look"), (-1, "stop")])
def test_a_calibration_expires(tmp_path: Path, left: int, severity: str) -> None:
    path = issued(tmp_path, issued=TODAY - datetime.timedelta(days=100), valid_days=100 + left)
    found = told(calibrated(path), tmp_path)
    if severity == "stop":
        assert found["sound"].severity == "stop"
        assert "valid for 99 days" in found["sound"].remedy
    else:
        assert found["calibration"].severity == severity
        assert found["calibration"].value == left


def test_a_calibration_of_another_output_stops(tmp_path: Path) -> None:
    found = told(calibrated(issued(tmp_path, device="another")), tmp_path)
    assert found["sound"].severity == "stop"
    assert "device is 'another'" in found["sound"].remedy


@pytest.mark.parametrize(("level_db_fs", "severity"), [(-30.0, "ok"), (-120.0, "look")])
def test_bits_of_a_sound_card(level_db_fs: float, severity: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = Output(0, "USB interface", "ALSA", 4, 48_000.0)
    monkeypatch.setattr(sound_output, "find_output", lambda *which: card)
    found = told(plan_of(sound={"device": "sound-card", "level_db_fs": level_db_fs}), tmp_path)["bits"]
    assert found.severity == severity
    # a click of one sign has a p-p value of 1 at 0 dB, half of the scale from -1 to 1: 23 of 24 bits, less 1 for each 6.02 dB
    assert found.value == pytest.approx(23 + level_db_fs / 6.0206, abs=0.1)
    assert f"{found.value:.1f} of the 24 bits" in found.said


def test_muted(tmp_path: Path) -> None:
    found = told(calibrated(muted=True), tmp_path)
    assert found["sound"].severity == "look"
    assert "MUTED" in found["sound"].said


def in_noise(level_db_spl: float, **more: Any) -> dict[str, Any]:
    sound = {"level_db_nhl": 60, "calibration": str(EARPHONE), "stimulus": "tone-burst", "frequency_hz": 1000, "rate_per_s": 37.1}
    return sound | {"ipsilateral_noise": "notched", "ipsilateral_noise_level_db_spl": level_db_spl} | more


def test_noise_in_the_tested_ear_is_named_and_counted(tmp_path: Path) -> None:
    quiet = told(plan_of(sound=in_noise(70.0, ipsilateral_noise="none", ipsilateral_noise_level_db_spl=None)), tmp_path)
    found = told(plan_of(sound=in_noise(70.0)), tmp_path)
    assert found["ipsilateral_noise"].severity == "look"
    assert found["ipsilateral_noise"].said.startswith(
        "notched noise, none from 707 to 1414 Hz, 70 dB SPL before the cut, in the same ear; 11.5 dB below the peak-to-peak"
    )
    assert (found["ipsilateral_noise"].value, found["ipsilateral_noise"].unit) == (70.0, "dB SPL")
    assert "ipsilateral_noise" not in quiet
    assert found["ceiling"].value < quiet["ceiling"].value
    assert found["dose"].value > quiet["dose"].value


def test_noise_in_the_tested_ear_above_the_ceiling_stops_and_names_the_largest(tmp_path: Path) -> None:
    stopped = told(plan_of(sound=in_noise(120.0)), tmp_path)["sound"]
    assert stopped.severity == "stop"
    words = f"{stopped.said}: {stopped.remedy}"
    assert "ipsilateral noise of 120 dB SPL and the stimulus on the right ear are together above the output ceiling" in words
    most = re.search(r"beside this stimulus ([\d.]+) dB SPL is allowed: lower the noise to that, or the stimulus", words)
    assert most is not None
    allowed = told(plan_of(sound=in_noise(float(most[1])), decision={"max_sweeps": 32}), tmp_path)
    assert allowed["ceiling"].severity == "ok"
    assert 0.0 <= allowed["ceiling"].value < 0.2


def test_what_the_ears_got_counts(tmp_path: Path) -> None:
    SessionDose(tmp_path).reserve("run-001", Dose(0.0, 0.6 * limit_pa2s("adult")))
    found = told(calibrated(), tmp_path)
    assert dict(found["dose"].parts)["used_percent"] == pytest.approx(60.0)
    assert "60 % of it is used" in found["dose"].said
    SessionDose(tmp_path).reserve("run-002", Dose(0.0, 0.3999 * limit_pa2s("adult")))
    stopped = told(calibrated(level_db_nhl=80), tmp_path)
    assert stopped["sound"].severity == "stop"
    assert "more than the right ear may get in a day" in stopped["sound"].said + stopped["sound"].remedy


def test_a_dose_that_is_not_known_stops(tmp_path: Path) -> None:
    (tmp_path / "dose.jsonl").write_text('{"run": "run-001", "at": 5}\n')
    assert "at is a time" in told(calibrated(), tmp_path)["dose"].said
    (tmp_path / "dose.jsonl").write_text("nonsense\n")
    found = told(calibrated(), tmp_path)
    assert list(found) == ["dose"]
    assert found["dose"].severity == "stop"
    assert "Nothing is played for this person" in found["dose"].remedy


@pytest.mark.parametrize("name", ["ears: left", "it's: 'x': y"])
def test_a_colon_in_a_path_is_not_where_a_message_is_parted(name: str, tmp_path: Path) -> None:
    session = tmp_path / name
    session.mkdir()
    (session / "dose.jsonl").write_text("nonsense\n")
    found = told(calibrated(), session)["dose"]
    assert str(session / "dose.jsonl") in found.said
    assert found.remedy.startswith("what these ears got is not known. Nothing is played for this person")


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("no stream 'a: b' is there: start it", ("no stream 'a: b' is there", "start it")),
        ("the amplifier's 'x' is away: see `quietfloor: help`", ("the amplifier's 'x' is away", "see `quietfloor: help`")),
        ("nothing to part", ("nothing to part", "")),
    ],
)
def test_what_is_wrong_and_what_to_do(text: str, parts: tuple[str, str]) -> None:
    assert parted(text) == parts


def looped(tmp_path: Path) -> Path:
    return issued(tmp_path, loop=Loop("stream Amp, channel 3", 1000.0, -40.0, -50.0, -50.0))


def test_a_level_check_that_was_never_made(tmp_path: Path) -> None:
    found = told(calibrated(looped(tmp_path)), tmp_path)
    assert found["level_check"].severity == "look"
    assert "level_check" not in told(calibrated(), tmp_path), "without a loop there is nothing to check with"


@pytest.mark.parametrize(("moved_db", "severity"), [(0.2, "ok"), (-3.0, "stop")])
def test_a_level_check_of_this_session(tmp_path: Path, moved_db: float, severity: str) -> None:
    path = looped(tmp_path)
    calibration: Calibration = load_calibration(path)
    level_check.keep(tmp_path, level_check.LevelCheck(calibration.id, "x", math.nan, moved_db, "2026-03-01T10:00:00+00:00"))
    finding = told(calibrated(path), tmp_path)["level_check"]
    assert finding.severity == severity
    assert finding.said.startswith(f"right {moved_db:+.1f} dB")
    assert finding.value == pytest.approx(abs(moved_db))


class Nowhere:
    """Stands for an output: keeps the first 4 s of what it is given, at once."""

    rate_hz, block, can_wait, error = 48_000.0, 4800, True, None

    def __init__(self) -> None:
        self.blocks: list[np.ndarray] = []
        self.enough, self.over = threading.Event(), threading.Event()

    def start(self, fill: Any) -> None:
        threading.Thread(target=self._take, args=(fill,)).start()

    def _take(self, fill: Any) -> None:
        block = np.zeros((self.block, 3), dtype=np.float32)
        while not self.over.is_set():
            if not fill(block):
                time.sleep(0.001)
            elif len(self.blocks) < 40:
                self.blocks.append(block.copy())
            else:
                self.enough.set()
                time.sleep(0.01)

    def stop(self) -> None:
        self.over.set()

    def stamp_s(self, sample: int) -> float:
        return sample / self.rate_hz


LOUD = [
    {"level_db_nhl": 90, "calibration": str(EARPHONE), "stimulus": "chirp", "chirp_by_level": True},
    {"level_db_nhl": 80, "calibration": str(EARPHONE), "masking": "white", "masking_level_db_em": 40},
    {"level_db_fs": -20, "stimulus": "tone-burst", "frequency_hz": 500, "rate_per_s": 27.1, "references": "missing.toml"},
    {"level_db_nhl": 60, "calibration": "missing.toml"},
    {"level_db_fs": -30, "stimulus": "custom", "wav": "missing.wav"},
    {
        "level_db_fs": -60, "stimulus": "tone-burst", "frequency_hz": 1000, "ipsilateral_noise": "notched",
        "ipsilateral_noise_level_db_fs": -60, "ipsilateral_noise_notch_hz": [800, 1200],
    },
]


@pytest.mark.parametrize("sound", LOUD, ids=lambda sound: sound.get("stimulus", sound.get("masking", "click")))
def test_triggers_without_sound_are_silent_whatever_the_plan(sound: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    output = Nowhere()
    monkeypatch.setattr(sound_check, "open_device", lambda plan: output)
    if sound.get("stimulus") == "custom":  # the plan's own validation would read the file
        plan = plan_of(sound={"level_db_fs": -30}).sound
        assert plan is not None
        plan = plan.model_copy(update=sound)
    else:
        plan = plan_of(sound=sound).sound
        assert plan is not None
    silent = SilentTriggers(plan)
    assert output.enough.wait(patience(20))
    silent.close()
    played = np.concatenate(output.blocks)
    assert not played[:, :2].any(), "sound columns"
    starts = np.flatnonzero((played[1:, 2] == played[:, 2].max()) & (played[:-1, 2] == 0.0))
    assert len(starts) > 20
    assert np.median(np.diff(starts)) == pytest.approx(48_000 / plan.rate_per_s, abs=2)
    assert silent.sending


def test_anything_that_would_sound_is_not_played(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FrameSource, "exposure", lambda self, sweeps, seconds: Dose(1e-12, 0.0))
    plan = plan_of(sound={"level_db_fs": -30}).sound
    assert plan is not None
    with pytest.raises(Exception, match="would not be silent"):
        SilentTriggers(plan)


def test_nothing_is_written(tmp_path: Path) -> None:
    told(calibrated(), tmp_path / "new")
    assert list(tmp_path.iterdir()) == []
    json.dumps([finding.record() for finding in told(calibrated(), tmp_path / "new").values()])


ONE_EARPHONE = {"device": "sound-card", "channels": [1, 1, 2], "trigger_on_earphone_jack": True, "level_db_fs": -40}
STEREO = Output(0, "Stereo (hw:0,0)", "ALSA", 2, 48_000.0)


def test_a_trigger_on_an_earphones_jack_is_named_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_output, "find_output", lambda *_: STEREO)
    found = told(plan_of(sound=ONE_EARPHONE), tmp_path)
    assert found["jack"].severity == "look"
    assert found["jack"].said == "the trigger, -60 dB re full scale, leaves by output 2, an earphone's jack"
    assert "nothing that somebody can wear" in found["jack"].remedy
    assert "jack" not in told(plan_of(sound={"level_db_fs": -40}), tmp_path)
    refused = told(plan_of(sound=ONE_EARPHONE | {"trigger_db_fs": -30}), tmp_path)["sound"]
    assert refused.severity == "stop"
    assert refused.remedy == "lower it to -37.1"


def test_the_triggers_of_a_check_are_in_the_account_where_they_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_output, "find_output", lambda *_: STEREO)
    output = Nowhere()
    monkeypatch.setattr(sound_check, "open_device", lambda plan: output)
    plan = plan_of(sound=ONE_EARPHONE | {"ear": "right"}).sound
    assert plan is not None
    silent = SilentTriggers(plan, tmp_path)
    reserved = SessionDose(tmp_path).spent()
    assert output.enough.wait(patience(20))
    silent.close()
    silent.close()
    played = np.concatenate(output.blocks)
    assert not played[:, :2].any(), "sound columns"
    energy = float(np.sum(played[:, 2].astype(float) ** 2))
    given = SessionDose(tmp_path).spent()
    # without a calibration full scale is 150 dB p-p.e.: a sine of that peak-to-peak value has an RMS of 150 dB SPL
    at_least = energy / 48_000.0 * (20e-6) ** 2 * 10 ** (150 / 10) * 8.0
    assert at_least <= given.left_pa2s * (1 + 1e-6)  # a little more was rendered than was kept
    assert given.left_pa2s < 2.0 * at_least
    assert given.right_pa2s == 0.0
    assert reserved.left_pa2s > given.left_pa2s


def test_no_trigger_is_sent_where_the_account_cannot_be_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_output, "find_output", lambda *_: STEREO)
    output = Nowhere()
    monkeypatch.setattr(sound_check, "open_device", lambda plan: output)
    (tmp_path / "dose.jsonl").write_text("damaged\n")
    plan = plan_of(sound=ONE_EARPHONE).sound
    assert plan is not None
    with pytest.raises(Exception, match="what these ears got is not known"):
        SilentTriggers(plan, tmp_path)
    assert output.over.is_set()
    assert output.blocks == []
