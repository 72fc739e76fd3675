"""``quietfloor timing`` on the virtual bench over real LSL: a loop that jitters, and channels that cannot be it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED
from tests.live.timing_bench import Bench, bench

pytestmark = [pytest.mark.lsl, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def jittering(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("jitter"), "--loop-jitter-us", "200") as made:
        yield made


def test_a_loop_that_jitters_fails_and_verifies_no_run(jittering: Bench) -> None:
    content, err = jittering.timing("--count", "128")
    assert not content["passed"]
    assert content["sd_ms"] == pytest.approx(0.2, rel=0.2)
    assert "FAILED: the sound scatters by 0." in err
    extra = '[decision]\nmax_sweeps = 64\n[timing]\ncertificate = "timing.toml"'
    status, out, err = jittering.call("run", str(jittering.plan(extra)), "--json", "--out", "s")
    assert status == DONE, err
    timing = json.loads(out)["timing"]
    assert (timing["verified"], timing["sd_ms"], timing["certificate"]) == (False, None, None)
    assert re.search(r"timing\.toml: the timing check of \S+ failed: the sound scatters", timing["reason"])
    assert "timing not verified" in err
    plan = jittering.plan(extra, 'amplifier_delay_ms = "certificate"')
    status, _, err = jittering.call("run", str(plan), "--out", "s")
    assert status == BAD_ARGUMENTS
    assert 'amplifier_delay_ms = "certificate": timing.toml' in err
    assert not (jittering.folder / "s" / "run-002").exists()

    content, _ = jittering.timing("--set", "sample_rate_hz=44100")
    assert content["exit_status"] == BAD_ARGUMENTS
    assert "certificate of other equipment (output rate_hz is 44100.0, it was 48000.0)" in content["error"]


def test_what_goes_wrong_is_said(jittering: Bench) -> None:
    content, _ = jittering.timing("--sound-channel", "1", "--count", "64", "--out", "none.toml")
    assert content["exit_status"] == FAILED
    assert "no sound keeps step with the trigger" in content["error"]
    content, _ = jittering.timing("--trigger", "Cz-M2", "--count", "64", "--out", "none.toml")
    assert "no trigger stands out" in content["error"]
    content, _ = jittering.timing("--trigger", "2", "--out", "none.toml")
    assert content["exit_status"] == FAILED
    assert "also named as" in content["error"]
    assert not (jittering.folder / "none.toml").exists()
