"""``quietfloor timing`` on the virtual bench over real LSL: a patient that stands still or goes away, and Ctrl-C."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from quietfloor.monitor.commands.common import FAILED, FAULT
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.readiness.listener import Check
from quietfloor.monitor.sources.base import SourceError
from quietfloor.stimuli.devices import AHEAD_S, LslAudioDevice
from tests.live.timing_bench import bench
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.timeout(180)]


def test_a_check_leaves_little_to_a_slow_patient_and_what_comes_next_is_measured(tmp_path: Path) -> None:
    """The patient stands still while the check sends triggers: they wait for it, and the check can end all the same."""
    with bench(tmp_path) as on:
        check = Check(load_plan(on.plan()), tmp_path)
        check.open(10.0)
        while check.listened_s < 1.0:
            check.step()
        on.rig.send_signal(signal.SIGSTOP)
        try:
            before_s = math.nan
            while check.seconds != before_s:  # 4 s by the clock, 64 s of sound at this speed
                before_s = check.seconds
                for _ in range(40):
                    check.step()
            silent = check._silent
            assert silent is not None
            assert silent.sent_s <= check.seconds + AHEAD_S + 0.1
        finally:
            on.rig.send_signal(signal.SIGCONT)
        check.lose(SourceError("gone"))  # opened again, the stream counts from its beginning
        check.open(10.0)
        check.step()
        assert isinstance(silent._device, LslAudioDevice)
        assert silent._device.limit_s >= silent.sent_s + 0.9 * AHEAD_S
        check.close()
        content, _ = on.timing("--count", "64")
        assert content["passed"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="finds the child by /proc")
def test_an_amplifier_that_goes_away_is_a_fault_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    with bench(tmp_path) as equipment:
        slow = ("timing", str(equipment.plan()), "--sound-channel", "2", "--speed", "1")
        process = equipment.start(*slow)
        assert process.stderr is not None
        _until(process, "of 500 clicks")
        process.send_signal(signal.SIGINT)  # to the parent alone; a terminal tells the child too
        _child_of(process, signal.SIGINT)
        out, err = process.communicate(timeout=patience(30))
        assert process.returncode == FAILED, err
        assert "interrupted: nothing was kept" in err
        assert "Traceback" not in err + out
    with bench(tmp_path) as equipment:  # another one: the first may take longer to let go of the sound than a new sound waits
        process = equipment.start("timing", str(equipment.plan()), *slow[2:])
        _until(process, "of 500 clicks", times=2)  # an amplifier that went before the first click is another case: nothing began
        equipment.close()
        out, err = process.communicate(timeout=patience(60))
        assert process.returncode == FAULT, err
        assert not (tmp_path / "timing.toml").exists()


def _until(process: subprocess.Popen[str], words: str, times: int = 1) -> None:
    assert process.stderr is not None
    end_s = time.monotonic() + patience(40)
    said = ""
    while said.count(words) < times:
        assert time.monotonic() < end_s, said
        line = process.stderr.readline()
        assert line, said
        said += line


def _child_of(process: subprocess.Popen[str], number: int) -> None:
    (child,) = (Path(f"/proc/{process.pid}/task/{process.pid}/children")).read_text().split()
    os.kill(int(child), number)
