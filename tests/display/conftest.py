"""A Qt that paints into memory and whose warnings are errors; recorded runs to show."""

from __future__ import annotations

import math
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.ladder import Ladder, Level, Replicate, Rung, Series
from quietfloor.monitor.display.run_view import RunView, WindowLink, moments_of, view_model
from quietfloor.monitor.display.screen import obstacle
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.review.playback import Playback
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.levels import NHL
from tests.slow import patience
from tests.synthetic import stream

Spin = Callable[[float], None]
RATE_HZ = 4000.0
LABELS = ("Cz-M2", "Cz-M1", "TRIG")
DESCRIPTION = StreamDescription(
    "amplifier", "EEG", "sn-3", "here", "uid", 1.0, 3, RATE_HZ, "float32", LABELS, ("microvolts", "microvolts", "")
)


@pytest.fixture(scope="session")
def application(tmp_path_factory: pytest.TempPathFactory) -> object:
    """The one QApplication. The variables it reads are there for its making only: other tests' programs see none of them."""
    place = tmp_path_factory.mktemp("runtime")
    place.chmod(0o700)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QT_QPA_PLATFORM", "offscreen")
        patch.setenv("XDG_RUNTIME_DIR", str(place))
        patch.setenv("QT_FONT_DPI", "96")
        if reason := obstacle():
            if os.environ.get("CI") == "true":
                pytest.fail(reason)
            pytest.skip(reason)
        from quietfloor.monitor.display.app import application

        return application()


@pytest.fixture
def qt(application: object) -> Iterator[Callable[[float], None]]:
    """Lets Qt work for a while; at the end anything that Qt warned of, or that failed inside a slot, fails the test."""
    from PyQt5.QtCore import QCoreApplication, QEvent, QMessageLogContext, QtMsgType, qInstallMessageHandler
    from PyQt5.QtWidgets import QApplication

    said: list[str] = []

    def hear(kind: QtMsgType, context: QMessageLogContext, text: str | None) -> None:
        if kind != QtMsgType.QtDebugMsg and "This plugin does not support" not in (text or ""):  # this platform's own
            said.append(text or "")

    def failed(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        said.append(f"{kind.__name__}: {error}")

    def spin(seconds: float = 0.0) -> None:
        end_s = time.monotonic() + seconds
        while True:
            QCoreApplication.processEvents()
            if time.monotonic() >= end_s:
                break
            time.sleep(0.002)
        for window in QApplication.topLevelWidgets() if seconds else ():  # a busy machine may have had no time for a frame
            timer = getattr(window, "_timer", None)
            if timer is not None and timer.isActive():
                timer.timeout.emit()

    before, hook = qInstallMessageHandler(hear), sys.excepthook
    sys.excepthook = failed
    try:
        yield spin
        spin()
        QCoreApplication.sendPostedEvents(None, int(QEvent.Type.DeferredDelete))
    finally:
        sys.excepthook = hook
        qInstallMessageHandler(before)
    assert said == []


def until(spin: Callable[[float], None], true: Callable[[], object], timeout_s: float = 30.0) -> None:
    """Let Qt work until something holds."""
    end_s = time.monotonic() + patience(timeout_s)
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        spin(0.01)


def record(path: Path, nv: float, n_sweeps: int = 900, seed: int = 3) -> Path:
    """A recording with a response of this size, or without, and an artefact."""
    made = stream(np.random.default_rng(seed), RATE_HZ, n_sweeps, nv=nv, noise_uv=1.0, channels=2)
    made.samples[:2, int(made.onsets[200]) : int(made.onsets[200]) + 30] += 500.0
    with Journal(path, [DESCRIPTION]) as journal:
        for at in range(0, len(made.stamps_s), 80):
            journal.samples(Chunk(made.samples[:, at : at + 80].astype(np.float32), made.stamps_s[at : at + 80]))
    return path


def plan_of(**decision: object) -> Plan:
    stream = {"name": "amplifier", "eeg": ["Cz-M2", "Cz-M1"], "trigger": "TRIG"}
    return make_plan({"title": "a test", "stream": stream, "decision": decision})


@pytest.fixture(scope="session")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Samples with a response, and without."""
    folder = tmp_path_factory.mktemp("recorded")
    return {"response": record(folder / "response.xdf", 350.0), "nothing": record(folder / "nothing.xdf", 0.0)}


@pytest.fixture(scope="session")
def finished(recordings: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Run folders of one session: a response, none down to the floor, stopped undecided."""
    session = tmp_path_factory.mktemp("session")
    made = {}
    for name, source, decision in (
        ("present", "response", {}),
        ("absent", "nothing", {"floor_nv": 45.0}),
        ("undecided", "nothing", {"max_sweeps": 512}),
    ):
        plan = plan_of(**decision)
        run = Run(resolve(plan, DESCRIPTION), RecordingSource(recordings[source]), RunFolder.create(session))
        run.start()
        assert run.wait(patience(60))
        write(run)
        made[name] = run.folder.path
    return made


def write(run: Run) -> None:
    """What a command writes when a run is over."""
    assert run.engine is not None
    now = run.engine.average_now()
    run.folder.write_average(now.times_ms, *now.columns_uv())
    made = run_record(
        run.plan, run.verdict, run.engine, stream=DESCRIPTION, unit=run.unit, sound=None, calibration=None, failure=run.failure
    )
    run.folder.write_json("run.json", made)


@pytest.fixture(scope="session")
def made_runs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Runs of one session of the virtual patient with clear waves: two at 60 dB nHL, then one each at 70 and 50."""
    from quietfloor.bench.patient.offline import carry_through, plan_for
    from quietfloor.bench.patient.profiles import load_patient

    session = tmp_path_factory.mktemp("waves")
    patient = load_patient("quiet-sleeper")
    levels = ((60.0, 1), (60.0, 2), (70.0, 3), (50.0, 4))
    return [Path(carry_through(plan_for(level, 1, alpha=1e-6), patient, session, seed)["folder"]) for level, seed in levels]


class Tape:
    """A clock for a recording and its run that stands still at a moment of the stream (s) until a test moves it on. However
    late a busy machine looks, the run is not over. ``pace``: the one of the recording."""

    def __init__(self, pace: float, until_s: float) -> None:
        self.pace, self._until_s = pace, until_s
        self._now_s, self._looked_s = 0.0, math.nan
        self.source: RecordingSource | None = None
        self._lock = threading.Lock()

    def __call__(self) -> float:
        with self._lock:
            now_s = time.monotonic()
            past_s = 0.0 if math.isnan(self._looked_s) else now_s - self._looked_s
            self._looked_s = now_s
            began_s = None if self.source is None else self.source._started_s
            left_s = math.inf if began_s is None else began_s + self._until_s / self.pace - self._now_s
            self._now_s += max(0.0, min(past_s, left_s))
            return self._now_s

    def move_to(self, until_s: float) -> None:
        """Go on up to this moment, at the same pace."""
        with self._lock:
            self._until_s = until_s


def live_scene(
    recording: Path, session: Path, pace: float | None = None, tape: Tape | None = None, **decision: object
) -> RunView:
    """A run on a recording as a command would show it, not yet started; with a tape it has the pace of the tape."""
    plan, feed = plan_of(**decision), Feed()
    clock, pace = (time.monotonic, pace) if tape is None else (tape, tape.pace)
    source = RecordingSource(recording, pace=pace, clock=clock)
    if tape is not None:
        tape.source = source
    run = Run(
        resolve(plan, DESCRIPTION), source, RunFolder.create(session), optional=[feed.on_event], on_signal=feed.on_signal,
        on_status=feed.on_status, clock=clock,
    )  # fmt: skip
    return RunView(run, view_model(feed, plan, "right ear · click · 60 dB nHL"), session)


def replay_scene(path: Path, speed: float = 1.0) -> RunView:
    """A playback of a run folder, not yet started."""
    from quietfloor.monitor.plan.run_plan import load_plan

    folder, feed = RunFolder.open(path), Feed()
    plan = load_plan(folder.plan)
    play = Playback(folder, plan, speed=speed, optional=[feed.on_event], on_signal=feed.on_signal, on_status=feed.on_status)
    return RunView(play, view_model(feed, plan, plan.title), path.parent, moments_of(folder))


@pytest.fixture
def link() -> WindowLink:
    return WindowLink()


def keep_screens() -> Path | None:
    """Where pictures of this test run are kept, if anywhere (QUIETFLOOR_SCREENS=folder)."""
    folder = os.environ.get("QUIETFLOOR_SCREENS")
    return None if folder is None else Path(folder)


@pytest.fixture
def open_window(qt: Spin, link: WindowLink) -> Iterator[Callable[..., Any]]:
    """Makes windows on the link and closes them, whatever a test did."""
    from quietfloor.monitor.display.window import Window

    opened = []

    def make(view: RunView | None = None, **how: Any) -> Any:
        window = Window(link, **how)
        opened.append(window)
        if view is not None:
            link.show(view)
        window.show()
        qt(0.05)
        return window

    yield make
    for window in opened:
        if window.view is not None:
            window.view.run.stop()
            if window.view.run.status.state != "ready":
                assert window.view.run.wait(patience(30))
        window.finish()
        window.deleteLater()


@pytest.fixture
def run_window(open_window: Callable[..., Any], qt: Spin) -> Callable[[Path], Any]:
    """Opens a window of 1280 x 720 with a recorded run at its end."""

    def make(run: Path) -> Any:
        view = replay_scene(run, speed=1e6)
        window = open_window(view)
        window.resize(1280, 720)
        view.run.start()
        until(qt, lambda: view.run.wait(0))
        qt(0.2)
        return window

    return make


@pytest.fixture
def press(qt: Spin) -> Callable[..., None]:
    """Press keys, each as a person does."""
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest
    from PyQt5.QtWidgets import QApplication

    named = {
        "Space": Qt.Key.Key_Space, "Left": Qt.Key.Key_Left, "Right": Qt.Key.Key_Right, "End": Qt.Key.Key_End,
        "Home": Qt.Key.Key_Home, "Enter": Qt.Key.Key_Return, "Esc": Qt.Key.Key_Escape, "F1": Qt.Key.Key_F1,
        "Up": Qt.Key.Key_Up, "Down": Qt.Key.Key_Down, "PgUp": Qt.Key.Key_PageUp, "PgDown": Qt.Key.Key_PageDown,
    }  # fmt: skip

    def send(window: Any, *keys: str) -> None:
        for key in keys:
            front = QApplication.activeModalWidget() or window
            if QApplication.activeWindow() is not front:
                front.activateWindow()  # as a window manager does when a dialog opens or has closed
                until(qt, lambda front=front: QApplication.activeWindow() is front)  # type: ignore[misc]
            if front is window and getattr(window, "bar", None) is not None and window.bar.entry.isVisible():
                until(qt, window.bar.entry.line.hasFocus)
            target = QApplication.activeModalWidget() or QApplication.focusWidget() or window
            QTest.keyClick(target, named.get(key, key))
            qt(0.0)

    return send


def stop_at(view: RunView, looks: int) -> Callable[[], bool]:
    return lambda: view.model.looks >= looks or view.run.status.state in ("done", "failed")


def ladder(folders: list[Path]) -> Ladder:
    runs = tuple(
        Replicate(folder, verdict, "response", 640, 30.0)
        for folder, verdict in zip(folders, ("response_present", "response_absent"), strict=True)
    )
    rungs = (Rung(Level(True, NHL, 60.0), runs), Rung(Level(True, NHL, 40.0), (), running=True))
    return Ladder(Series("right", "air", "click"), rungs, present=rungs[1].level)


@pytest.fixture
def shown(open_window: Callable[..., Any], qt: Spin, finished: dict[str, Path], link: WindowLink) -> Any:
    """A window with a finished run in it."""
    view = replay_scene(finished["present"], speed=1000.0)
    window = open_window(view)
    link.ladder = ladder([finished["present"], finished["absent"]])
    view.run.start()
    until(qt, lambda: view.run.wait(0))
    qt(0.2)
    return window
