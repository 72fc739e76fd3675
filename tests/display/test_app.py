"""The window beside the work of a command: it opens at the first run, closes with the work, and harms neither."""

from __future__ import annotations

import logging
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.run_view import WindowLink
from tests.display.conftest import Tape, live_scene
from tests.slow import patience

WORDS = "nothing of the kind"


@pytest.fixture
def perform(application: object, tmp_path: Path) -> Callable[..., int]:
    from quietfloor.monitor.display.app import perform

    def quietly(work: Callable[[WindowLink], int], **how: Any) -> int:
        return perform(work, settings=tmp_path / "window.json", **how)

    return quietly


def windows() -> list[Any]:
    from PyQt5.QtWidgets import QApplication

    from quietfloor.monitor.display.window import Window

    return [widget for widget in QApplication.topLevelWidgets() if isinstance(widget, Window) and widget.isVisible()]


def on_main(deed: Callable[[], None]) -> None:
    """Do something on Qt's thread from another."""
    from PyQt5.QtCore import QCoreApplication, QEvent, QObject

    class Once(QObject):
        def event(self, event: QEvent | None) -> bool:
            if event is not None and event.type() == QEvent.Type.User:
                deed()
            return True

    receiver = Once()
    receiver.moveToThread(QCoreApplication.instance().thread())  # type: ignore[union-attr]
    KEPT.append(receiver)
    QCoreApplication.postEvent(receiver, QEvent(QEvent.Type.User))


KEPT: list[Any] = []


def test_the_window_opens_with_the_first_scene_and_closes_with_the_work(
    perform: Callable[..., int], recordings: dict[str, Path], tmp_path: Path
) -> None:
    seen: list[int] = []

    def work(link: WindowLink) -> int:
        seen.append(len(windows()))
        view = live_scene(recordings["response"], tmp_path, pace=10.0)
        link.show(view)
        view.run.start()
        assert link.follow(view.run)
        seen.append(len(windows()))
        link.linger()
        return 3

    assert perform(work, unattended=True) == 3
    assert seen == [0, 1]
    assert windows() == []
    assert (tmp_path / "window.json").is_file()


def test_an_error_of_the_work_comes_out_and_no_window_stays(perform: Callable[..., int]) -> None:
    def work(link: WindowLink) -> int:
        raise LookupError(WORDS)

    hook = sys.excepthook
    with pytest.raises(LookupError, match=WORDS):
        perform(work)
    assert windows() == []
    assert sys.excepthook is hook


def test_when_the_window_is_closed_the_work_goes_on(
    perform: Callable[..., int], recordings: dict[str, Path], tmp_path: Path
) -> None:
    said = []

    def work(link: WindowLink) -> int:
        view = live_scene(recordings["response"], tmp_path, pace=10.0)
        link.show(view)
        view.run.start()
        while not windows():
            time.sleep(0.01)
        on_main(lambda: windows()[0].finish())
        said.append(link.follow(view.run))
        assert view.run.wait(patience(30))
        said.append(view.run.status.verdict.stopped_by)  # type: ignore[union-attr]
        return 0

    assert perform(work) == 0
    assert said == [False, "response"]


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_the_run_in_good_order_and_nothing_follows(
    perform: Callable[..., int], recordings: dict[str, Path], tmp_path: Path, number: signal.Signals
) -> None:
    before = signal.getsignal(number)
    said = []

    def work(link: WindowLink) -> int:
        view = live_scene(recordings["nothing"], tmp_path, tape=Tape(4.0, until_s=5.0))
        link.show(view)
        view.run.start()
        while view.run.status.state != "running":
            time.sleep(0.01)
        signal.pthread_kill(threading.main_thread().ident, number)  # type: ignore[arg-type]
        assert link.follow(view.run)
        said.append(view.run.status.verdict.stopped_by)  # type: ignore[union-attr]
        said.append(link.offer("another one"))
        return 1

    assert perform(work) == 1
    assert said == ["operator", False]
    assert signal.getsignal(number) is before


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_ctrl_c_before_anything_runs_ends_at_once(perform: Callable[..., int]) -> None:
    released = threading.Event()

    def work(link: WindowLink) -> int:
        time.sleep(0.2)
        signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)  # type: ignore[arg-type]
        released.wait(patience(20))  # as when a stream is looked for
        return 0

    with pytest.raises(KeyboardInterrupt):
        perform(work)
    released.set()


def test_what_qt_says_goes_to_the_log(application: object, caplog: pytest.LogCaptureFixture) -> None:
    from PyQt5.QtCore import qWarning

    from quietfloor.monitor.display.app import guarded

    lost: list[bool] = []
    with guarded(lambda: lost.append(True)), caplog.at_level(logging.WARNING):
        qWarning(b"something is not as it should be")
        qWarning(b"QStandardPaths: XDG_RUNTIME_DIR not set")
        assert not lost
        qWarning(b"The X11 connection broke (error 1). Did the X11 server die?")
    assert lost == [True]
    assert caplog.text.count("Qt: ") == 2
