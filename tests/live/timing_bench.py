"""A virtual bench whose sound comes back in its second channel, and ``quietfloor timing`` beside it."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from quietfloor.bench.timing_check.program import main
from quietfloor.monitor.commands.common import DONE, FAILED
from tests import warm
from tests.slow import patience

ROOT = Path(__file__).resolve().parents[2]


class Bench:
    """A rig with a loop in its second channel, and the program beside it, in a folder of its own."""

    def __init__(self, folder: Path, ids: str, *options: str) -> None:
        self.folder, self.audio, self.eeg = folder, f"audio-{ids}", f"eeg-{ids}"
        command = [
            sys.executable,
            "-m",
            "quietfloor.bench.patient.rig",
            "--audio-source-id",
            self.audio,
            "--eeg-source-id",
            self.eeg,
        ]
        self.rig = warm.Popen(
            [*command, "--eeg-name", f"Bench {ids}", "--loop-channel", "2", *options],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert self.rig.stdout is not None
        json.loads(self.rig.stdout.readline())

    def close(self) -> None:
        assert self.rig.stdin is not None
        assert self.rig.stdout is not None
        self.rig.stdin.close()
        self.rig.wait(patience(10))
        self.rig.stdout.close()

    def plan(self, extra: str = "", analysis: str = "") -> Path:
        path = self.folder / "plan.toml"
        calibration = ROOT / "bench" / "virtual-earphone.toml"
        path.write_text(
            f'[stream]\nsource_id = "{self.eeg}"\neeg = ["Cz-M2"]\ntrigger = "trigger"\nwait_s = 60\n'
            f'[sound]\nlevel_db_nhl = 70\ncalibration = "{calibration.as_posix()}"\ndevice_source_id = "{self.audio}"\n'
            f"speed = 16\nlead_in_s = 1\n[analysis]\nacoustic_delay_ms = 0.9\n{analysis}\n{extra}\n"
        )
        return path

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        return warm.Popen(
            [sys.executable, "-m", "quietfloor.monitor.cli", *arguments], cwd=self.folder, text=True, encoding="utf-8",
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip

    def call(self, *arguments: str) -> tuple[int, str, str]:
        process = self.start(*arguments)
        out, err = process.communicate(timeout=patience(90))
        return process.returncode, out, err

    def timing(self, *arguments: str) -> tuple[dict[str, Any], str]:
        """With the plan, in this process; what it prints as JSON, and the rest."""
        out, err = io.StringIO(), io.StringIO()
        with contextlib.chdir(self.folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main([str(self.plan()), "--sound-channel", "2", "--json", *arguments])
        return self._understood(status, out.getvalue(), err.getvalue())

    @staticmethod
    def _understood(status: int, out: str, err: str) -> tuple[dict[str, Any], str]:
        assert out.count("\n") == 1, out + err
        content = json.loads(out)
        assert status == (DONE if content.get("passed") else content.get("exit_status", FAILED)), err
        return content, err


@contextlib.contextmanager
def bench(folder: Path, *options: str, ids: str | None = None) -> Iterator[Bench]:
    made = Bench(folder, ids or uuid.uuid4().hex[:8], *options)
    try:
        yield made
    finally:
        made.close()
