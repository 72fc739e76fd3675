"""A whole session beside the virtual patient with the four keys of a presenter alone: start, stop, repeat, louder, softer, mask,
discard, report, export. The window is a real one, on a virtual screen."""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.commands.demo import rig, virtual_calibration
from quietfloor.monitor.display.screen import obstacle

pytestmark = [pytest.mark.lsl, pytest.mark.real_time, pytest.mark.long, pytest.mark.timeout(300)]
PLAN = """
method = "ladder"

[subject]
pseudonym = "one hand"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "click"

[replicates]
present = 1
absent = 1

[limits]
start_db_nhl = 65
lowest_db_nhl = 60
highest_db_nhl = 75

[run.stream]
source_id = "EEG"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "CALIBRATION"
device_source_id = "AUDIO"
speed = 4
lead_in_s = 1.0

[run.analysis]
acoustic_delay_ms = 0.9

[run.decision]
alpha = 0.000001
floor_nv = 5
max_sweeps = 4096
"""


class Hand:
    """Presses the next key of its script when what it waits for has come; the window is asked every 50 ms."""

    def __init__(self, script: list[tuple[Callable[[Any], object], tuple[str, ...]]]) -> None:
        self.script, self.seen = script, list[str]()

    def look(self) -> None:
        from PyQt5.QtCore import Qt
        from PyQt5.QtTest import QTest
        from PyQt5.QtWidgets import QApplication

        from quietfloor.monitor.display.window import Window

        named = {"PgUp": Qt.Key.Key_PageUp, "PgDown": Qt.Key.Key_PageDown, "Enter": Qt.Key.Key_Return, "b": Qt.Key.Key_B}
        windows = [one for one in QApplication.topLevelWidgets() if isinstance(one, Window) and one.isVisible()]
        if not windows or not self.script or not self.script[0][0](windows[0]):
            return
        _, keys = self.script.pop(0)
        self.seen.append(windows[0].sentence.word.text())
        for key in keys:
            QTest.keyClick(windows[0], named[key])
        if not self.script:
            windows[0].finish()


def between(runs: int) -> Callable[[Any], object]:
    """Between two runs, after so many, and long enough for a key to begin the next one."""
    def now(window: Any) -> bool:
        talk = window.link.talk
        settled = window.controller.session.step is not None and talk.idle and window.controller._now() - talk.since_s > 1.2
        return settled and talk.sight is not None and talk.sight.made == runs

    return now


def plays(window: Any) -> bool:
    """A run is on, and has looked at least twice."""
    return not window.link.talk.waiting and window.view is not None and window.view.on and window.view.model.looks >= 2


def coming(so: Callable[[Any], bool]) -> Callable[[Any], object]:
    """The run that comes next is so, and it can be read: a key that begins a run counts only then."""
    def now(window: Any) -> bool:
        talk = window.link.talk
        return talk.idle and talk.sight is not None and talk.sight.coming is not None and so(talk.sight.coming)

    return now


def told(words: str) -> Callable[[Any], object]:
    return lambda window: window.link.talk.idle and words in window.link.talk.sight.note


def test_a_whole_session_with_the_four_keys_of_a_presenter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    if reason := obstacle():
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    from PyQt5.QtCore import QTimer

    from quietfloor.monitor.cli import parser
    from quietfloor.monitor.commands import session
    from quietfloor.monitor.display.app import application, perform

    tag = uuid.uuid4().hex[:8]
    text = PLAN.replace("CALIBRATION", str(virtual_calibration())).replace("AUDIO", f"audio-{tag}").replace("EEG", f"eeg-{tag}")
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    hand = Hand([
        (between(0), ("PgDown", "Enter")),  # louder: 65 to 70
        (coming(lambda run: run.level_db == 70.0), ("b", "Enter")),  # back to start, start
        (plays, ("b", "b")),  # stop, and take it back
        (plays, ("b",)),  # stop
        (between(1), ("PgDown", "PgDown", "PgDown", "PgDown", "PgDown", "Enter")),  # repeat: 70 again
        (plays, ("b",)),
        (between(2), ("PgUp", "PgUp", "PgUp", "Enter")),  # discard what was repeated
        (told("discarded"), ("b", "PgDown", "PgDown", "Enter")),  # softer
        (coming(lambda run: run.level_db < 70.0), ("PgDown", "Enter")),  # mask
        (coming(lambda run: run.given), ("b", "Enter")),  # start
        (plays, ("b",)),
        (between(3), ("PgUp", "PgUp", "Enter")),  # report
        (told("The report is in"), ("PgDown", "Enter")),  # export
        (told("files are in"), ()),
    ])  # fmt: skip
    monkeypatch.setattr(session, "with_window", lambda args, work: perform(work, settings=tmp_path / "window.json"))
    application()
    timer = QTimer()
    timer.timeout.connect(hand.look)
    timer.start(50)
    words = ["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--no-setup", "--acknowledge"]
    with rig("quiet-sleeper", f"audio-{tag}", f"eeg-{tag}", 3):
        status = session.main(parser().parse_args(words))
    timer.stop()
    assert not hand.script, hand.seen
    assert status == DONE
    folders = [tmp_path / "s" / f"run-{number:03d}" for number in (1, 2, 3)]
    records = [json.loads((folder / "run.json").read_text(encoding="utf-8")) for folder in folders]
    assert [one["stimulus"]["level_db_nhl"] for one in records[:2]] == [70.0, 70.0]
    assert records[2]["stimulus"]["level_db_nhl"] < 70.0
    assert records[2]["stimulus"]["masking"] is not None, "the noise that is advised"
    assert {one["stopped_by"] for one in records} == {"operator"}
    kept = json.loads((tmp_path / "s" / "session.json").read_text(encoding="utf-8"))
    assert kept["runs"]["2"]["discarded"] == "discarded with one key, no reason was typed"
    assert {path.suffix for path in (tmp_path / "s").glob("report.*")} == {".html", ".pdf", ".json"}
    assert len(list((tmp_path / "s" / "files").glob("*.bdf"))) == 3
