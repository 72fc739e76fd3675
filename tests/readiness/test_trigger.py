"""What the trigger channel shows before a run."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.findings import ready
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.sources.channels import Channels
from tests.readiness.streams import RATE, described, findings, listened, made, plan_of
from tests.synthetic import spread_pulse, stream

OURS = {"level_db_fs": -40}


@pytest.mark.parametrize(
    ("kind", "words"),
    [("pulse", "upwards, steps"), ("inverted", "downwards, steps"), ("gate", "upwards, steps"), ("codes", "upwards, steps")],
)
def test_each_kind_is_seen_with_its_rate(kind: str, words: str) -> None:
    found = findings(listened(made(trigger=kind)))
    assert found["trigger", "TRIG"].severity == "ok"
    assert words in found["trigger", "TRIG"].said
    assert found["trigger", "TRIG"].value == pytest.approx(226, abs=8)
    assert found["trigger_rate", "TRIG"].value == pytest.approx(47.1, abs=0.05)
    assert found["doubled", "TRIG"].severity == "ok"


def analogue(noise: float) -> dict:
    line = made()
    n = line.samples.shape[1]
    line.samples[-1] = spread_pulse(n, line.onsets + 0.37, RATE) + noise * np.random.default_rng(4).standard_normal(n)
    return findings(listened(line))


def test_a_sloping_trigger_and_how_far_it_stands_out() -> None:
    clear, poor = analogue(0.005), analogue(0.07)
    assert "sloping, timed between samples" in clear["trigger", "TRIG"].said
    assert clear["trigger", "TRIG"].severity == "ok"
    assert poor["trigger", "TRIG"].severity == "look"
    assert poor["trigger", "TRIG"].value == pytest.approx(1 / 0.07, rel=0.25)


@pytest.mark.parametrize(
    ("noise", "db_fs", "words"),
    [
        (0.005, -30.0, "its level of -30 dB re full scale is enough"),
        (0.08, -30.0, "raise sound.trigger_db_fs from -30 to -2"),
        (0.08, -1.0, "ends at 0, change its divider"),
    ],
)
def test_the_size_of_our_own_trigger_is_judged(noise: float, db_fs: float, words: str) -> None:
    line = made()
    n = line.samples.shape[1]
    line.samples[-1] = spread_pulse(n, line.onsets + 0.37, RATE) + noise * np.random.default_rng(4).standard_normal(n)
    found = findings(listened(line, plan_of(sound=OURS | {"trigger_db_fs": db_fs})))["trigger", "TRIG"]
    assert words in found.said + found.remedy
    if found.severity == "look":  # as large as it says, it is enough
        assert found.value * 10 ** (math.ceil(20 * math.log10(16 / found.value)) / 20) >= 16


def test_no_trigger_stops() -> None:
    mute = made()
    mute.samples[-1] = 0.0
    seen = listened(mute)
    finding = findings(seen)["trigger", "TRIG"]
    assert finding.severity == "stop"
    assert "the channel does not move" in finding.said
    assert "is the sound on, the cable in" in finding.remedy
    assert not ready(seen.groups())
    mute.samples[-1] = np.random.default_rng(1).standard_normal(mute.samples.shape[1])
    assert "does not move" in findings(listened(mute))["trigger", "TRIG"].said, "noise alone is no movement"


def test_a_channel_that_moves_without_a_trigger() -> None:
    busy = made()
    busy.samples[-1] = 0.0
    busy.samples[-1, 30_000:30_008] = 5.0
    finding = findings(listened(busy))["trigger", "TRIG"]
    assert finding.severity == "stop"
    assert "nothing in it looks like a trigger" in finding.said


def test_triggers_that_ended() -> None:
    ended = made(seconds=9.0)
    ended.samples[-1, 40_000:] = 0.0
    finding = findings(listened(ended))["trigger", "TRIG"]
    assert finding.severity == "stop"
    assert "none for 4 s" in finding.said


def test_double_triggers() -> None:
    double = made()
    for onset in double.onsets[20::40]:
        double.samples[-1, int(onset) + 56 : int(onset) + 64] = 5.0  # 7 ms later
    finding = findings(listened(double))["doubled", "TRIG"]
    assert finding.severity == "look"
    assert finding.value == 6


@pytest.mark.parametrize(("per_s", "severity"), [(47.1, "ok"), (50.0, "look"), (40.0, "look")])
def test_a_rate_in_step_with_the_mains(per_s: float, severity: str) -> None:
    finding = findings(listened(made(per_s=per_s)))["trigger_rate", "TRIG"]
    assert finding.severity == severity
    assert ("in step with the mains" in finding.said) == (severity == "look")
    assert ("set the stimulus rate to" in finding.remedy) == (severity == "look")


def test_sounds_that_come_before_the_window_is_over() -> None:
    finding = findings(listened(made(per_s=61.1)))["trigger_rate", "TRIG"]
    assert finding.severity == "stop"
    assert "before the window is over (17 ms)" in finding.said


def test_triggers_of_another_plan() -> None:
    finding = findings(listened(made(), plan_of(sound=OURS | {"rate_per_s": 44.1})))["trigger_rate", "TRIG"]
    assert finding.severity == "stop"
    assert "the plan has 44.1" in finding.said


def quiet(sent: bool | None, seconds: float = 4.0) -> Readiness:
    silent = made(seconds=seconds)
    silent.samples[-1] = 0.0
    seen = Readiness(described(silent), Channels((0,), 1), plan_of(sound=OURS))
    seen.triggers_sent = sent
    seen.feed(Chunk(silent.samples, silent.stamps_s))
    return seen


@pytest.mark.parametrize(
    ("sent", "severity", "words"),
    [(None, "look", "not tried"), (False, "wait", ""), (True, "stop", "being sent right now, without sound")],
)
def test_our_own_triggers(sent: bool | None, severity: str, words: str) -> None:
    finding = findings(quiet(sent))["trigger", "TRIG"]
    assert finding.severity == severity
    assert words in finding.remedy


def test_a_trigger_before_our_sound_is_somebody_elses() -> None:
    seen = Readiness(described(made()), Channels((0,), 1), Plan())
    assert findings(seen)["trigger", "TRIG"].severity == "wait"


@pytest.mark.parametrize("seed", [0, 6, 10, 11, 13, 17])  # but for the first, the middle interval is more than 1 % off
def test_random_intervals_of_the_plan_are_no_other_rate(seed: int) -> None:
    """The middle of uneven intervals is not their mean: by it every fourth such stream of 20 seemed to have another rate."""
    uneven = stream(np.random.default_rng(seed), n_sweeps=60, random_interval_ms=4.0)
    sound = OURS | {"random_interval_ms": 4.0}
    found = findings(listened(uneven, plan_of(sound=sound)))["trigger_rate", "TRIG"]
    assert (found.severity, found.value) == ("ok", pytest.approx(47.1, rel=0.013))
    other = findings(listened(uneven, plan_of(sound=sound | {"rate_per_s": 45.1})))["trigger_rate", "TRIG"]
    assert (other.severity, "these are not the triggers of this plan" in other.remedy) == ("stop", True)
