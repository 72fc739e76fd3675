"""Opens the window beside the work: the command runs on a thread of its own, Qt has the main thread."""

from __future__ import annotations

import contextlib
import gc
import logging
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

from PyQt5.QtCore import QMessageLogContext, Qt, QTimer, QtMsgType, qInstallMessageHandler
from PyQt5.QtWidgets import QApplication

from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.screen import unseen
from quietfloor.monitor.display.window import Window
from quietfloor.monitor.display.window_settings import settings_file

log = logging.getLogger("quietfloor")

LOOK_EVERY_MS = 50
FAILED = 1  # exit status
MOST_COMPLAINTS = 5
SCREEN_LOST = "connection broke"  # said of X11 and of Wayland
HARMLESS = ("XDG_RUNTIME_DIR", "propagateSizeHints")


_kept: list[QApplication] = []  # Qt needs it until the end, whoever else forgets it


def application() -> QApplication:
    """The only application object, with sharp text and images on high-resolution screens."""
    existing = QApplication.instance()
    if isinstance(existing, QApplication):
        return existing
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_EnableHighDpiScaling)
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_UseHighDpiPixmaps)
    QApplication.setHighDpiScaleFactorRoundingPolicy(Qt.HighDpiScaleFactorRoundingPolicy.PassThrough)
    if unseen():
        os.environ.setdefault("QT_FONT_DPI", "96")  # such a screen claims another size, and everything would be a little off
    app = QApplication(sys.argv[:1])
    app.setApplicationName("quietfloor")
    app.setStyle("Fusion")
    app.setQuitOnLastWindowClosed(False)
    _kept.append(app)
    gc.freeze()  # modules stay for good: to look through them again for what can be freed would hold up a frame by 0.1 s
    return app


class _Guard:
    """Logs errors in a slot or while painting, a few times. Without it such an error would end the whole process (PyQt calls
    abort)."""

    def __init__(self) -> None:
        self._seen: dict[str, int] = {}

    def __call__(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        where = "".join(traceback.format_tb(trace)[-1:]) + kind.__name__
        self._seen[where] = self._seen.get(where, 0) + 1
        if len(self._seen) <= MOST_COMPLAINTS and self._seen[where] == 1:
            log.error("a part of the window failed; recording goes on", exc_info=(kind, error, trace))


@contextlib.contextmanager
def guarded(screen_lost: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Log errors in the window, and messages of Qt, while the context lasts.

    ``screen_lost`` is called when the screen itself is gone: Qt reports that, and ends the process when the call returns.
    """

    def qt_says(kind: QtMsgType, context: QMessageLogContext, text: str | None) -> None:
        if not text or any(known in text for known in HARMLESS):
            return
        log.log(logging.DEBUG if kind == QtMsgType.QtDebugMsg else logging.WARNING, "Qt: %s", text)
        if SCREEN_LOST in text:
            screen_lost()

    hook, sys.excepthook = sys.excepthook, _Guard()
    before = qInstallMessageHandler(qt_says)
    try:
        yield
    finally:
        sys.excepthook = hook
        qInstallMessageHandler(before)


@contextlib.contextmanager
def on_signals(deed: Callable[[], None]) -> Iterator[None]:
    """Handle Ctrl-C, a request to terminate, and a closed terminal; Python processes them between two frames of the window. A
    signal that this program was started to ignore stays ignored."""
    known = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    known = [number for number in known if signal.getsignal(number) is not signal.SIG_IGN]
    before: dict[int, Any] = {number: signal.signal(number, lambda *_: deed()) for number in known}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def perform(work: Callable[[WindowLink], int], unattended: bool = False, settings: Path | None = None) -> int:
    """Do ``work`` with a window that opens at its first run; returns the exit status of the work, or raises its error.

    If the window is closed while the work goes on, this waits for its end; ``link.gone`` tells ``work`` that there is no window.
    """
    outcome: list[int | BaseException] = []
    link = WindowLink(unattended)

    def labour() -> None:
        try:
            outcome.append(work(link))
        except BaseException as error:
            outcome.append(error)

    worker = threading.Thread(target=labour, name="command", daemon=True)

    at_once: list[bool] = []  # interrupted before there was anything to stop

    def interrupt() -> None:
        link.interrupt()
        if link.view is None:
            at_once.append(True)
            QApplication.quit()

    def screen_lost() -> None:
        log.error("the screen has gone; the run goes on as text")
        link.leave()
        while worker.is_alive():
            worker.join(0.1)
        sys.stdout.flush()
        sys.stderr.flush()
        (ended,) = outcome
        if isinstance(ended, BaseException):
            log.error("%s", ended)
        os._exit(FAILED if isinstance(ended, BaseException) else ended)

    with guarded(screen_lost), on_signals(interrupt):
        app = application()
        window = Window(link, settings or settings_file(), on_close=app.quit)

        def look() -> None:
            if not worker.is_alive():
                window.finish()
            elif (link.view is not None or link.talk.sight is not None) and not window.isVisible() and not link.gone:
                window.show()

        timer = QTimer()
        timer.timeout.connect(look)
        worker.start()
        timer.start(LOOK_EVERY_MS)
        app.exec_()
        timer.stop()
        link.leave()
        while worker.is_alive():
            if at_once:
                raise KeyboardInterrupt
            worker.join(0.1)
    (result,) = outcome
    if isinstance(result, BaseException):
        raise result
    return result
