"""A person who has never seen the program records from a foreign stream: from ``quietfloor`` to a run with its verdict, at a real
screen, without a terminal and without writing TOML. The hands are keys alone in one walk, the mouse alone in the other."""

from __future__ import annotations

import json
import uuid
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import rig
from quietfloor.monitor.plan.run_plan import load_plan, load_run_plan
from quietfloor.monitor.session.session import Session
from tests.live.harness import call, foreign
from tests.live.test_screen import Screened, x_server
from tests.live.test_screen import pytestmark as at_a_screen
from tests.slow import patience

pytestmark = at_a_screen

LONGEST_S = 300.0  # what the whole walk may take
AMPLIFIER = ["--nv", "4000", "--noise", "0.5", "--channels", "2", "--seconds", "600"]

# The person: looks at what is on the screen every 100 ms, and does the next thing when it can be seen to be possible.
PERSON = """
import json, sys, time
from pathlib import Path
from PyQt5.QtCore import QPoint, Qt, QTimer
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication
from quietfloor.monitor.display import app, start, window

WHAT, HOW, KEPT = {what!r}, {how!r}, Path({kept!r})
began_s, deeds, seen, stopped = time.monotonic(), [], [], []


def key(where, name, *with_):
    deeds.append("key " + "+".join((*with_, name)))
    modifier = Qt.ControlModifier if with_ else Qt.NoModifier
    QTest.keyClick(QApplication.focusWidget() or where, getattr(Qt, "Key_" + name), modifier)


def click(widget):
    deeds.append("click " + (widget.accessibleName() or widget.text()))
    QTest.mouseClick(widget, Qt.LeftButton)


def front(widget):
    widget.raise_()
    widget.activateWindow()
    return QApplication.activeWindow() is widget


class Started(start.StartWindow):
    round = 0

    def __init__(self, *given, **named):
        super().__init__(*given, **named)
        Started.round += 1
        self.mine, self.at = Started.round, 0
        self.hands = QTimer(self)
        self.hands.timeout.connect(self.act)
        self.hands.start(100)

    def act(self):
        if not front(self):
            return
        if self.mine == 1:
            self.choose(self.maker)
        elif self.at == 0:  # back: it says how the run ended
            self.at = 1
            self.grab().save(str(KEPT / "after.png"))
            seen.append([self.home.word.text(), self.home.outcome.text()])
            (KEPT / "walk.json").write_text(json.dumps({{
                "deeds": deeds, "seen": seen, "seconds": time.monotonic() - began_s}}))
            self.close()

    def choose(self, maker):
        if self.at == 0:
            self.at = 1
            click(self.home.deeds[WHAT]) if HOW == "mouse" else key(self, WHAT[0].upper())
        elif self.at == 1 and maker.isVisible() and maker.newest is not None and maker.judged.stream is not None:
            self.at = 2
            seen.append([maker.word.text(), maker.summary.text()])
            self.grab().save(str(KEPT / "stream.png"))
            self.turn()
        elif self.at == 2 and maker.page.name == "channels":
            self.at = 3
            self.grab().save(str(KEPT / "channels.png"))
            if WHAT == "recording" and HOW == "mouse":
                click(maker.page.buttons[1, "too"])
            elif WHAT == "recording":
                key(self, "Down")
                key(self, "Right")
                key(self, "Space")
            self.turn()
        elif self.at == 3 and maker.page.name == "sound":
            self.at = 5
            self.turn()
            self.turn()
            self.turn()
        elif self.at == 3 and maker.page.name == "output" and "lsl" in maker.page.outputs.buttons:
            self.at = 4
            click(maker.page.outputs.buttons["lsl"])
        elif self.at == 4 and maker.page.name == "output" and maker.draft.calibration:
            self.turn()
        elif self.at == 4 and maker.page.name == "conditions" and maker.newest is not None:
            ears = [box for cell, box in maker.page.boxes.items() if (cell.route, cell.stimulus) == ("air", "click")]
            click(ears[len(maker.draft.grid)])
            if len(maker.draft.grid) == 2:
                self.at = 5
                self.turn()
                self.turn()
        elif self.at == 5 and maker.page.name == "plan" and maker.ready:
            self.at = 6
            self.grab().save(str(KEPT / "plan.png"))
            seen.append(["TOML", maker.plan_page.text.toPlainText()])
            click(maker.doing["begin"]) if HOW == "mouse" else key(self, "Return", "Ctrl")

    def turn(self):
        click(self.maker.doing["next"]) if HOW == "mouse" else key(self, "PageDown")


class Watched(window.Window):
    def tick(self):
        super().tick()
        panel, view = self.setup, self.view
        if self.stage == "session" and panel is None and view is None and front(self):
            if time.monotonic() - self.link.talk.since_s > 2.0 and self.link.talk.idle:
                self.grab().save(str(KEPT / "session.png"))
                click(self.bar.buttons["next"]) if HOW == "mouse" else key(self, "Return")
        elif panel is not None and panel.isVisible() and front(self):
            step = getattr(self, "step", 0)
            if step == 0 and panel.flow.report.seconds > 3.0:
                self.step = 1
                self.grab().save(str(KEPT / "setup.png"))
                click(panel.buttons[panel._cautions]) if HOW == "mouse" else key(self, "A")
            elif step == 1:
                self.step = 2
                if HOW == "mouse":
                    click(panel.doing["acknowledge"])
                elif not panel.flow.acknowledged:
                    key(self, "A")
            elif step == 2 and panel.doing["start"].isEnabled() and panel.flow.report.ready:
                self.step = 3
                click(panel.doing["start"]) if HOW == "mouse" else key(self, "Return")
        elif WHAT == "session" and view is not None and view.live is not None and view.run.status.seconds > 8.0 and not stopped:
            stopped.append(True)
            key(self, "S")
            key(self, "S")
        elif view is not None and view.run.status.state == "done" and not hasattr(self, "over"):
            if self.link.offered is None and not self.link.talk.waiting:
                return
            self.over = True
            self.grab().save(str(KEPT / "run.png"))
            seen.append(["run", str(view.run.folder.path)])
            deeds.append("close the window")
            QTimer.singleShot(300, self.close)


start.StartWindow = Started
app.Window = Watched
from quietfloor.monitor.cli import main
sys.exit(main([]))
"""


class Walk:
    """What a walk left."""

    def __init__(self, folder: Path, how: str, what: str = "recording") -> None:
        self.name = f"Lab {uuid.uuid4().hex[:6]}"
        self.folder = folder
        person = PERSON.format(what=what, how=how, kept=str(folder))
        other = foreign(self.name, AMPLIFIER) if what == "recording" else rig("hearing-adult", "quietfloor-audio", self.name, 1)
        with x_server() as (display, _), other:
            walked = Screened(display, folder, [], script=person, folder=folder)
            self.status, self.out, self.err = walked.end(100.0)
        assert (folder / "walk.json").is_file(), self.out + self.err
        told: dict[str, Any] = json.loads((folder / "walk.json").read_text())
        self.deeds, self.seconds = told["deeds"], told["seconds"]
        self.seen = [tuple(one) for one in told["seen"]]

    @property
    def run(self) -> Path:
        return self.folder / "sessions" / "P01" / "run-001"


@pytest.fixture(scope="module", params=["keys", "mouse"])
def walk(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Walk:
    return Walk(tmp_path_factory.mktemp(f"walk-{request.param}"), request.param)


def test_a_run_with_a_verdict_is_recorded_in_few_steps_and_less_than_five_minutes(walk: Walk) -> None:
    assert walk.status == 0, walk.err
    record = json.loads((walk.run / "run.json").read_text(encoding="utf-8"))
    assert (record["verdict"], record["fault"]) == ("response_present", None)
    assert record["cautions_acknowledged"]["how"]
    assert walk.seconds < patience(LONGEST_S)
    assert len(walk.deeds) <= 16, walk.deeds
    letters = {deed for deed in walk.deeds if deed.startswith("key ") and len(deed) == len("key A")}
    assert letters <= {"key R", "key A", "key S"}, "nothing is typed into a field: these open the page, acknowledge and stop"
    assert "Traceback" not in walk.err


def test_the_start_page_comes_back_and_says_how_it_ended(walk: Walk) -> None:
    word, command = walk.seen[-1]
    assert word == "Done"
    assert command == "quietfloor run sessions/P01/plan.toml --out sessions/P01"
    assert "kept in sessions/P01/run-001" in walk.out


def test_the_plan_that_was_written_is_the_one_that_was_shown_and_a_script_gets_the_same(walk: Walk) -> None:
    path = walk.folder / "sessions" / "P01" / "plan.toml"
    shown = next(text for what, text in walk.seen if what == "TOML")
    assert path.read_text(encoding="utf-8") == shown
    plan, used = load_plan(path), load_run_plan(walk.run / "plan.toml")
    assert plan.stream.name == walk.name
    assert (plan.stream.eeg, plan.stream.trigger) == (("E1", "E2"), "TRIG")
    assert used.decision == plan.decision
    assert (used.stream.name, used.stream.eeg, used.stream.trigger) == (walk.name, ("E1", "E2"), "TRIG")


def test_the_written_plan_run_by_a_script_uses_the_same_plan(walk: Walk) -> None:
    with foreign(walk.name, AMPLIFIER):
        plan = walk.folder / "sessions" / "P01" / "plan.toml"
        again = call("run", str(plan), "--out", str(walk.folder / "script"), "--no-window", "--json", timeout_s=90.0)
    assert again.status == 0, again.err
    assert (walk.folder / "script" / "run-001" / "plan.toml").read_text() == (walk.run / "plan.toml").read_text()


def test_a_session_of_own_sound_begins_at_the_window_without_a_terminal(tmp_path: Path) -> None:
    """On the virtual patient: output, calibration and conditions are chosen; the set-up panel asks, not a terminal."""
    walk = Walk(tmp_path, "mouse", "session")
    assert walk.status == 0, walk.err
    assert "nobody is here to ask" not in walk.out
    record = json.loads((walk.run / "run.json").read_text(encoding="utf-8"))
    assert (record["stopped_by"], record["fault"], record["cautions_acknowledged"] is None) == ("operator", None, False)
    session = Session.open(tmp_path / "sessions" / "P01")
    assert [str(one) for one in session.plan.conditions] == ["right ear, click by air", "left ear, click by air"]
    assert walk.seen[-1] == ("Done", "quietfloor session sessions/P01/session.toml --out sessions/P01")
    assert "Traceback" not in walk.err


def test_without_a_screen_it_prints_the_help() -> None:
    outcome = call()
    assert outcome.status == 0
    assert outcome.out.startswith("usage: quietfloor")
    assert "typical order" in outcome.out

