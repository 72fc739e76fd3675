"""The program with its window on a real screen (Xvfb): the whole loop, Ctrl-C, a window that is closed, a screen that goes."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests import warm
from tests.slow import patience

pytestmark = [
    pytest.mark.lsl,
    pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="X11"),
    pytest.mark.skipif(shutil.which("Xvfb") is None and os.environ.get("CI") != "true", reason="no Xvfb on this machine"),
]
# A person at the window: waits until something is on the screen, then does it. Runs inside the program, on Qt's own thread.
PERSON = """
import sys
from PyQt5.QtCore import QTimer
from quietfloor.monitor.display import window as module

class Watched(module.Window):
    def tick(self):
        super().tick()
        view = self.view
        if view is not None and view.model.looks >= {looks} and not getattr(self, "acted", False):
            self.acted = True
            print("platform", __import__("PyQt5.QtWidgets").QtWidgets.QApplication.platformName(), file=sys.stderr)
            {deed}

module.Window = Watched
from quietfloor.monitor.display import app
app.Window = Watched
from quietfloor.monitor.cli import main
sys.exit(main(sys.argv[1:]))
"""


@contextlib.contextmanager
def x_server() -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A screen of our own, on a number that is free."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x800x24", "-nolisten", "tcp"]
    process = subprocess.Popen(command, pass_fds=(write,), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.close(write)
    try:
        with os.fdopen(read) as said:
            number = said.readline().strip()
        assert number, "Xvfb did not start"
        yield f":{number}", process
    finally:
        process.terminate()
        process.wait(patience(10))


class Screened:
    """The program on a screen; what it says is read when it has ended."""

    def __init__(
        self, display: str, home: Path, arguments: list[str], looks: int = 10**9, deed: str = "pass", script: str = "",
        folder: Path | None = None,
    ) -> None:  # fmt: skip
        kept_out = ("WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
        environment = {name: value for name, value in os.environ.items() if name not in kept_out}
        environment |= {"DISPLAY": display, "XDG_CONFIG_HOME": str(home / "config")}
        environment |= {"PYTHONUNBUFFERED": "1"}
        person = home / "person.py"
        person.write_text(script or PERSON.format(looks=looks, deed=deed), encoding="utf-8")
        self.process = warm.Popen(
            [sys.executable, str(person), *arguments],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
            cwd=folder,
        )  # fmt: skip

    def end(self, timeout_s: float = 60.0) -> tuple[int, str, str]:
        try:
            out, err = self.process.communicate(timeout=patience(timeout_s))
        except subprocess.TimeoutExpired:
            self.process.kill()
            out, err = self.process.communicate()
            raise AssertionError(f"did not end in {timeout_s:g} s: {out}{err}") from None
        return self.process.returncode, out, err


def until(true: Callable[[], object], timeout_s: float = 30.0) -> None:
    end_s = time.monotonic() + patience(timeout_s)
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.05)


def record(session: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((session / "run-001" / "run.json").read_text(encoding="utf-8"))
    return found


def looks(session: Path) -> int:
    path = session / "run-001" / "events.jsonl"
    return 0 if not path.is_file() else path.read_text(encoding="utf-8").count('{"type":"look"')


DEMO = ["demo", "--only", "hearing", "--speed", "8"]


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str, str]:
    """The demonstration in its window, with a picture of it; folder, exit status and what was said."""
    folder = tmp_path_factory.mktemp("demonstrated")
    deed = f"QTimer.singleShot(300, lambda: self.grab().save({str(folder / 'seen.png')!r}))"
    with x_server() as (display, _):
        program = Screened(display, folder, [*DEMO, "--json", "--out", str(folder / "s")], looks=20, deed=deed)
        return folder, *program.end()


def test_the_demonstration_in_its_window_and_what_was_shown(demonstrated: tuple[Path, int, str, str]) -> None:
    folder, status, out, err = demonstrated
    assert status == 0, err
    (run,) = json.loads(out)["runs"]
    assert (run["verdict"], run["identical"]) == ("response_present", True)
    assert "platform xcb" in err
    assert "Qt: " not in err
    assert "Traceback" not in err
    assert (folder / "seen.png").stat().st_size > 20_000
    assert (folder / "config" / "quietfloor" / "window.json").is_file()


def test_ctrl_c_in_the_terminal_ends_run_and_window(tmp_path: Path) -> None:
    session = tmp_path / "s"
    with x_server() as (display, _):
        program = Screened(display, tmp_path, ["demo", "--speed", "2", "--out", str(session)])
        until(lambda: looks(session) >= 3)
        program.process.send_signal(signal.SIGINT)
        status, out, err = program.end()
    assert status == 1, err  # it did not end as it should
    assert record(session)["stopped_by"] == "operator"
    assert "replays identically" in out
    assert "Traceback" not in err
    assert [path.name for path in sorted(session.iterdir()) if path.name.startswith("run-")] == ["run-001"]


@pytest.mark.parametrize("how", ["closed", pytest.param("screen gone", marks=pytest.mark.long)])
def test_without_window_or_screen_the_run_goes_on_as_text(tmp_path: Path, how: str) -> None:
    session = tmp_path / "s"
    with x_server() as (display, server):
        arguments = [*DEMO, "--out", str(session)]
        if how == "closed":
            program = Screened(display, tmp_path, arguments, looks=5, deed="self.finish()")
        else:
            program = Screened(display, tmp_path, arguments)
            until(lambda: looks(session) >= 5)
            server.terminate()
        status, out, err = program.end()
    assert status == 0, err
    assert record(session)["verdict"] == "response_present"
    assert record(session)["fault"] is None
    assert "Undecided: evidence" in out  # said by the text view
    assert "Response present" in out
    assert "replays identically" in out
    assert ("the screen has gone; the run goes on as text" in err) == (how == "screen gone")


@pytest.mark.long
def test_a_recorded_run_on_the_screen(demonstrated: tuple[Path, int, str, str], tmp_path: Path) -> None:
    """Closed before its end, the rest is decided at full speed, so that the comparison is whole."""
    folder, _, said, _ = demonstrated
    (run,) = json.loads(said)["runs"]
    with x_server() as (display, _):
        arguments = ["replay", str(folder / "s" / "run-001"), "--speed", "8"]
        program = Screened(display, tmp_path, arguments, looks=5, deed="self.finish()")
        status, out, err = program.end()
    assert status == 0, err
    assert f"{run['looks']} looks, each identical" in out
