"""Marks on waves in the window: `RunMarks` against `quietfloor waves`; mouse and keys, on runs of the virtual patient."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.display.panel_average import published_as
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.waves import RunMarks
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.waves.marks import Marks

Spin = Callable[[float], None]


@pytest.fixture
def runs(made_runs: list[Path], tmp_path: Path) -> list[Path]:
    """Copies of two runs at 60 dB nHL and one at 70, to be marked."""
    return [Path(shutil.copytree(run, tmp_path / run.name)) for run in made_runs[:3]]


def kept(run: Path) -> Marks:
    return Marks.of_record(json.loads((run / "marks.json").read_text(encoding="utf-8")))


def test_the_desk_suggests_what_the_command_suggests(runs: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    marks = RunMarks(runs[0])
    assert main(["waves", str(runs[0]), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["runs"][0]
    assert [mark["wave"] for mark in told["marks"]] == [spot.wave for spot in marks.spots]
    assert [mark["latency_ms"] for mark in told["marks"]] == [spot.ms for spot in marks.spots]
    assert {spot.by_hand for spot in marks.spots} == {False}
    assert not (runs[0] / "marks.json").exists()
    assert marks.words.startswith("Wave V: ")
    assert "suggested" in marks.words
    assert "published" in marks.words


def test_how_far_an_amplitude_is_biased_depends_on_whether_the_run_averaged_on(runs: list[Path]) -> None:
    folder = RunFolder.open(runs[0])
    folder.write_json("run.json", folder.read_record() | {"stopped_by": "response", "residual_noise_nv": 24.0})
    assert "biased upward, as the run ended on finding it" in RunMarks(runs[0]).words
    plan = (runs[0] / "plan.toml").read_text(encoding="utf-8")
    head = "[decision]\n"
    plan = plan.replace(head, f"{head}quiet_nv = 25.0\n") if head in plan else f"{plan}\n{head}quiet_nv = 25.0\n"
    (runs[0] / "plan.toml").write_text(plan, encoding="utf-8")
    words = RunMarks(runs[0]).words
    assert "ended on finding" not in words
    assert "found it and then averaged on" in words


@pytest.mark.parametrize(("db", "of_means"), [(60.0, False), (80.0, True)])
def test_a_range_of_means_of_studies_is_named_so(runs: list[Path], db: float, of_means: bool) -> None:
    """Clicks: persons up to 60 dB nHL, beyond it means of studies (wave-norms.toml)."""
    folder = RunFolder.open(runs[0])
    record = folder.read_record()
    record["stimulus"]["level_db_nhl"] = db
    folder.write_json("run.json", record)
    marks = RunMarks(runs[0])
    (spot,) = [one for one in marks.spots if one.wave == "V"]
    assert spot.of_means == of_means
    assert published_as(spot) == (("means of studies, V", True) if of_means else ("published, V", False))
    assert ("published means of studies" in marks.words) == of_means


def test_a_moved_mark_is_kept_as_the_command_keeps_it(runs: list[Path]) -> None:
    marks = RunMarks(runs[0])
    before = marks.marks.get("V")
    assert before is not None
    step = 1000.0 / 16000.0
    assert "by hand" in marks.move(3)
    assert main(["waves", str(runs[1]), "--mark", f"V={before.latency_ms.value}"]) == 0
    moved = kept(runs[0]).get("V")
    assert moved is not None
    assert moved.by == "operator"
    assert moved.latency_ms.value == pytest.approx(before.latency_ms.value + 3 * step, abs=step / 2 + 1e-9)
    # Both ways: a run that was marked in the window is read by the command, and the other way round.
    assert main(["waves", str(runs[0]), "--mark", f"V={moved.latency_ms.value}"]) == 0
    assert kept(runs[0]) == RunMarks(runs[0]).marks
    by_command = kept(runs[1]).get("V")
    assert by_command == RunMarks(runs[1]).marks.get("V")


def test_taken_away_put_back_and_suggested_again(runs: list[Path]) -> None:
    marks = RunMarks(runs[0])
    suggested = marks.marks
    assert marks.remove() == "Wave V taken away"
    assert kept(runs[0]).get("V") is None
    with pytest.raises(ValueError, match="not marked"):
        marks.move(1)
    with pytest.raises(ValueError, match="not marked"):
        marks.remove()
    before = suggested.get("V")
    assert before is not None
    marks.place(before.latency_ms.value)
    assert kept(runs[0]).get("V") is not None
    marks.suggest_again()
    assert kept(runs[0]) == suggested


def test_a_wave_out_of_order_is_refused_and_nothing_is_kept(runs: list[Path]) -> None:
    marks = RunMarks(runs[0])
    trough = marks.marks.get("trough")
    assert trough is not None
    with pytest.raises(ValueError, match="does not come before"):
        marks.place(trough.latency_ms.value + 1.0)
    assert not (runs[0] / "marks.json").exists()


def test_replicates_and_growth_are_said(runs: list[Path]) -> None:
    marks = RunMarks(runs[0])
    words = marks.beside(runs[1:])
    assert "at 60 dB nHL: " in words
    assert "from 60 to 70 dB nHL: " in words
    assert "earlier" in words


def test_a_run_without_an_average_has_nothing_to_mark(tmp_path: Path) -> None:
    with pytest.raises(FolderError):
        RunMarks(tmp_path)


# -- in the window ----------------------------------------------------------------------------------------------------


@pytest.fixture
def window(run_window: Callable[[Path], Any], runs: list[Path]) -> Any:
    """A recorded run at its end."""
    return run_window(runs[0])


def test_keys_mark_move_remove_and_suggest(window: Any, qt: Spin, runs: list[Path]) -> None:
    window.do("waves")
    qt(0.05)
    assert [spot.wave for spot in window.average.spots if spot.chosen] == ["V"]
    first = next(spot.ms for spot in window.average.spots if spot.wave == "V")
    assert "Wave V" in window.controller.message
    window.do("wave_later")
    window.do("wave_later")
    window.do("wave_earlier")
    mark = kept(runs[0]).get("V")
    assert mark is not None
    assert mark.latency_ms.value == pytest.approx(first, abs=0.1)
    assert mark.by == "operator"
    window.do("wave_next")
    assert "trough" in window.controller.message.lower()
    window.do("wave_remove")
    assert kept(runs[0]).get("trough") is None
    window.do("wave_again")
    assert kept(runs[0]).get("trough") is not None
    qt(0.05)
    assert not window.average.failed
    window.do("waves")
    assert window.average.spots == ()


def test_the_mouse_drags_a_mark_and_keeps_it_when_let_go(window: Any, qt: Spin, runs: list[Path]) -> None:
    from PyQt5.QtCore import QEvent, QPoint, QPointF, Qt
    from PyQt5.QtGui import QMouseEvent
    from PyQt5.QtWidgets import QApplication

    window.do("panel_2")
    window.do("waves")
    qt(0.1)
    chart = window.average.chart
    spot = next(spot for spot in window.average.spots if spot.wave == "V")

    def at(ms: float) -> QPoint:
        rect, (first, last) = chart.inside, chart.x_range
        return QPointF(rect.left() + (ms - first) / (last - first) * rect.width(), rect.center().y()).toPoint()

    def send(kind: Any, place: QPoint, button: Any, held: Any) -> None:
        QApplication.sendEvent(chart.viewport(), QMouseEvent(kind, place, button, held, Qt.KeyboardModifier.NoModifier))
        qt(0.0)

    left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
    send(QEvent.Type.MouseButtonPress, at(spot.ms), left, left)
    send(QEvent.Type.MouseMove, at(spot.ms + 0.2), none, left)
    assert not (runs[0] / "marks.json").exists()
    send(QEvent.Type.MouseMove, at(spot.ms + 0.3), none, left)
    send(QEvent.Type.MouseButtonRelease, at(spot.ms + 0.3), left, none)
    mark = kept(runs[0]).get("V")
    assert mark is not None
    assert mark.latency_ms.value == pytest.approx(spot.ms + 0.3, abs=0.15)
    # A mark that was taken away is put by a click.
    window.do("wave_remove")
    send(QEvent.Type.MouseButtonPress, at(spot.ms), left, left)
    send(QEvent.Type.MouseButtonRelease, at(spot.ms), left, none)
    mark = kept(runs[0]).get("V")
    assert mark is not None
    assert mark.latency_ms.value == pytest.approx(spot.ms, abs=0.1)


def test_waves_wait_for_the_end_of_the_run(qt: Spin) -> None:
    from quietfloor.monitor.display.window import Window

    shown = Window(WindowLink())
    shown.do("waves")
    assert "when the run is over" in shown.controller.message
    shown.finish()
    shown.deleteLater()
