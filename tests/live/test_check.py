"""`quietfloor check` beside somebody else's amplifier, and beside the virtual patient: what is wrong is said, with its number."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import uuid
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan
from tests import warm
from tests.live.harness import ROOT, Outcome, call, foreign
from tests.slow import patience

pytestmark = pytest.mark.lsl


@dataclass
class Case:
    """An amplifier, and how it is looked at."""

    stream: list[str] = field(default_factory=list)
    check: list[str] = field(default_factory=list)


GOOD = ["--noise", "1", "--source-id", "amp-{}"]
CASES = {
    "another rate": Case([*GOOD, "--rate", "8000", "--states", "16000"]),
    "good": Case(GOOD),
    "good, in words": Case(GOOD, ["--words"]),
    "mains": Case([*GOOD, "--mains", "14", "--rate", "16000", "--channels", "2"], ["--eeg", "E1,E2"]),
    "railed": Case([*GOOD, "--stuck", "-187500"]),
    "flat": Case([*GOOD, "--flat"]),
    "wrong unit": Case([*GOOD, "--stated", "volts"]),
    "no unit": Case([*GOOD, "--stated", ""]),
    "no trigger": Case([*GOOD, "--trigger", "none"]),
    "noisy": Case(["--noise", "5"], ["--max-sweeps", "2000", "--floor-nv", "20"]),
    "no such channel": Case(GOOD, ["--eeg", "Cz"]),
}


LATE = {"samples", "rate"}  # a sender that stamps when it pushes, on a busy machine


def look(name: str, case: Case) -> Outcome:
    stream = f"check-{uuid.uuid4().hex[:8]}"
    chosen = [] if "--eeg" in case.check else ["--eeg", "E1"]
    shown = [] if "--words" in case.check else ["--json"]
    more = [word for word in case.check if word != "--words"]
    with foreign(stream, [word.replace("{}", stream) for word in case.stream]):
        return call("check", "--stream", stream, *chosen, "--trigger", "TRIG", "--seconds", "3.5", *shown, *more)


@pytest.fixture(scope="module")
def outcomes() -> Iterator[dict[str, Future[Outcome]]]:
    with ThreadPoolExecutor(6) as pool:
        yield {name: pool.submit(look, name, case) for name, case in CASES.items()}


def found(outcome: Outcome) -> dict[str, dict[str, Any]]:
    """Findings of a check by what they are about; of electrodes those of the first one."""
    return {finding["about"]: finding for finding in reversed(outcome.json["findings"])}


def test_a_rate_that_is_not_the_stated_one_is_no_rate_to_measure_with(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["another rate"].result()
    assert outcome.json["ready"] is False
    rate = found(outcome)["rate"]
    assert rate["severity"] == "stop"
    assert "16000 Hz stated" in rate["said"]
    assert "by this machine's clock" in rate["said"]
    assert "mend the rate" in rate["remedy"]


def test_a_good_stream_is_ready(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["good"].result()
    assert outcome.status == 0, outcome.err
    content = outcome.json
    assert content["ready"] is True
    looks = {finding["about"] for finding in content["findings"] if finding["severity"] != "ok"}
    assert looks - LATE == {"sound", "timing"}, "that of other equipment cannot be seen"
    assert found(outcome)["trigger_rate"]["value"] == pytest.approx(47.1, abs=0.1)
    assert found(outcome)["noise"]["value"] == pytest.approx(1.0, rel=0.15)
    assert 3.5 <= content["seconds"] < 6.0
    assert content["cautions"]["version"] == "1"


def test_in_words(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["good, in words"].result()
    assert outcome.status == 0, outcome.err
    for words in ("Stream\n", "  E1\n", "Trigger\n", "Before each run\n", "Cautions\n"):
        assert words in outcome.out
    assert re.search(r"\nReady, with [234] points to look at\.\n$", outcome.out)
    assert "nan" not in outcome.out


def test_mains(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["mains"].result()
    assert outcome.status == 0, outcome.err
    hum = found(outcome)["mains"]
    assert (hum["severity"], hum["subject"]) == ("look", "E1")
    assert hum["parts"]["50.0 Hz"] == pytest.approx(14.0, rel=0.1)
    assert hum["parts"]["150.0 Hz"] == pytest.approx(5.6, rel=0.1)
    assert hum["remedy"].startswith("check ground and reference, move cables away from the mains")


@pytest.mark.parametrize(
    ("name", "about", "said", "remedy"),
    [
        ("railed", "signal", "at the amplifier's limit: -187.5 mV, does not move", "the contact is open"),
        ("flat", "signal", "all zero", "the amplifier sends nothing here"),
        ("wrong unit", "unit", "uV RMS in the band", "read as microvolts it would be plausible: give that with --unit"),
        ("no trigger", "trigger", "no trigger in 4 s, the channel does not move", "is the sound on, the cable in"),
    ],
)
def test_what_stops(outcomes: dict[str, Future[Outcome]], name: str, about: str, said: str, remedy: str) -> None:
    outcome = outcomes[name].result()
    assert outcome.status == 1, outcome.err
    assert outcome.json["ready"] is False
    finding = found(outcome)[about]
    assert finding["severity"] == "stop"
    assert said in finding["said"]
    assert remedy in finding["said"] + ": " + finding["remedy"]
    assert finding["remedy"] in outcome.err, "what is for people goes to standard error then"


def test_what_is_only_to_be_looked_at(outcomes: dict[str, Future[Outcome]]) -> None:
    unit = outcomes["no unit"].result()
    assert unit.status == 0, unit.err
    assert found(unit)["unit"]["severity"] == "look"


def test_a_floor_that_cannot_be_reached(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["noisy"].result()
    assert outcome.status == 0, outcome.err
    floor = found(outcome)["floor"]
    assert floor["severity"] == "look"
    assert floor["value"] == pytest.approx(1e3 * 5 / 2000**0.5, rel=0.15)
    assert floor["parts"]["sweeps_needed"] == pytest.approx((5000 / 20) ** 2, rel=0.3)
    assert found(outcome)["identity"]["severity"] == "look"


def test_a_channel_that_is_not_there(outcomes: dict[str, Future[Outcome]]) -> None:
    outcome = outcomes["no such channel"].result()
    assert outcome.status == 1
    assert "no channel 'Cz'" in outcome.json["error"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check"], "not named: the stream"),
        (["check", "missing.toml"], "cannot be read"),
        (["check", "--stream", "x", "--eeg", "1", "--trigger", "2", "--seconds", "1"], "give 3 to 600 seconds"),
    ],
)
def test_bad_arguments(words: list[str], said: str) -> None:
    outcome = call(*words)
    assert outcome.status == 2
    assert said in outcome.err


def test_no_stream() -> None:
    outcome = call("check", "--stream", "nobody", "--eeg", "1", "--trigger", "2", "--wait", "0.5", "--json")
    assert outcome.status == 1
    assert "no stream named 'nobody'" in outcome.json["error"]


PLAN = """
[stream]
source_id = "{eeg}"
eeg = ["Cz-M2"]
trigger = "trigger"
[sound]
level_db_nhl = 60
calibration = "{calibration}"
device_source_id = "{audio}"
"""


SESSION = """
method = "ladder"

[subject]
pseudonym = "S07"
age_group = "adult"
[[condition]]
ear = "right"
[run.stream]
source_id = "{eeg}"
eeg = ["Cz-M2"]
trigger = "trigger"
[run.sound]
calibration = "{calibration}"
device_source_id = "{audio}"
"""


def test_our_own_triggers_arrive_and_no_sound_does(tmp_path: Path) -> None:
    """With the virtual patient: the plan's triggers are seen, nothing is played, and nothing is put down as sound dose."""
    eeg, audio = (f"{kind}-{uuid.uuid4().hex[:8]}" for kind in ("eeg", "audio"))
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.format(eeg=eeg, audio=audio, calibration=ROOT / "bench" / "virtual-earphone.toml"))
    ladder = tmp_path / "session.toml"
    ladder.write_text(SESSION.format(eeg=eeg, audio=audio, calibration=ROOT / "bench" / "virtual-earphone.toml"))
    command = [
        sys.executable,
        "-m",
        "quietfloor.bench.patient.rig",
        "--patient",
        "hearing-adult",
        "--eeg-name",
        eeg,
        "--eeg-source-id",
        eeg,
    ]
    command += ["--audio-source-id", audio]
    rig = warm.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert rig.stdin is not None
    assert rig.stdout is not None
    try:
        assert json.loads(rig.stdout.readline())["event"] == "ready"
        begun = Session.begin(tmp_path / "s07", load_session_plan(ladder))
        quiet = ["--no-trigger", "--seconds", "3"]
        with ThreadPoolExecutor(2) as pool:
            without = pool.submit(call, "check", str(plan), "--json", *quiet, "--out", str(tmp_path / "session"))
            of_session = call("check", str(begun.folder), "--json", *quiet)
        untried = without.result()
        outcome = call("check", str(plan), "--json", "--seconds", "4", "--out", str(tmp_path / "session"))
    finally:
        rig.stdin.close()
        rig.wait(patience(10))
        rig.stdout.close()
    assert outcome.status == 0, outcome.err
    trigger, rate = found(outcome)["trigger"], found(outcome)["trigger_rate"]
    assert (trigger["severity"], rate["severity"]) == ("ok", "ok")
    assert trigger["value"] > 150
    assert rate["value"] == pytest.approx(47.1, abs=0.05)
    assert found(outcome)["dose"]["parts"]["used_percent"] == 0.0
    assert not (tmp_path / "session").exists()
    assert of_session.status == 0, of_session.err
    assert "40 dB nHL" in found(of_session)["sound"]["said"], "where the session begins"
    noise_uv = dict(found(of_session)["floor"]["parts"])["noise_uv"]
    assert begun.sweeps(0, ()).noise_uv == pytest.approx(noise_uv)
    assert untried.status == 0, untried.err
    assert found(untried)["trigger"]["severity"] == "look"
    assert "not tried" in found(untried)["trigger"]["remedy"]
