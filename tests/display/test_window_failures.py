"""What fails in the window harms no run, and what stands still is not painted."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.run_view import RunView, WindowLink
from quietfloor.monitor.review.replay import replay
from tests.display.conftest import Spin, live_scene, until
from tests.slow import patience


def carried_through(view: RunView) -> None:
    """The run was not harmed: its own end, its journal whole, its looks those of a replay."""
    run = view.live
    assert run is not None
    assert run.failure is None
    assert run.status.verdict is not None
    assert run.status.verdict.stopped_by == "response"
    assert replay(run.folder).identical


def broken(*_: object) -> None:
    raise RuntimeError("no more paint")


def test_a_panel_that_fails_is_left_and_the_others_go_on(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(view)
    window.plane.show_plane = broken
    view.run.start()
    until(qt, lambda: view.run.wait(0))
    qt(0.2)
    assert [panel.name for panel in window.panels if panel.failed] == ["decision plane"]
    assert "cannot be drawn (RuntimeError); recording goes on" in window.plane.aside.text()
    assert window.sentence.word.text() == "Response present"
    assert caplog.text.count("the panel 'decision plane' failed") == 1
    carried_through(view)


def test_an_error_while_painting_ends_nothing(
    application: object, link: WindowLink, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Without a hook PyQt ends the process here."""
    from PyQt5.QtCore import QCoreApplication

    from quietfloor.monitor.display.app import guarded
    from quietfloor.monitor.display.window import Window

    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    link.show(view)
    with guarded(), caplog.at_level(logging.ERROR):
        window = Window(link)
        window.average.draw = broken  # type: ignore[method-assign]
        window.ladder.rungs._draw = broken  # type: ignore[method-assign]
        window.show()
        view.run.start()
        until(lambda s: QCoreApplication.processEvents(), lambda: view.run.wait(0))
        for _ in range(20):
            window.tick()
            window.ladder.rungs.update()
            QCoreApplication.processEvents()
        assert window.average.failed
        window.finish()
    assert 1 <= caplog.text.count("a part of the window failed; recording goes on") <= 2  # each place is told once
    carried_through(view)


def test_a_window_that_fails_again_and_again_gives_up_and_the_run_does_not(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, link: WindowLink,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(view)
    view.model.headline = broken  # type: ignore[method-assign]
    view.run.start()
    until(qt, lambda: not window.isVisible())
    assert link.gone
    assert "fails again and again" in caplog.text
    assert view.run.wait(patience(30))
    carried_through(view)


def test_a_display_that_feeds_on_nothing_is_no_trouble_either(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """All three doors fail on the acquisition thread."""
    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    run = view.live
    assert run is not None
    publisher = run._publisher
    publisher._optional, publisher._on_signal, publisher._on_status = [broken], broken, broken
    open_window(view)
    run.start()
    until(qt, lambda: run.wait(0))
    assert caplog.text.count("left out from now on; recording goes on") == 3
    carried_through(view)


def test_nothing_is_painted_where_nothing_changed(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(view)
    view.run.start()
    until(qt, lambda: view.run.wait(0))
    qt(0.3)
    painted = {"plane": 0, "eeg": 0}
    for name in painted:
        panel = getattr(window, name)
        draw = panel.draw

        def counted(canvas: object, name: str = name, draw: Callable[..., None] = draw) -> None:
            painted[name] += 1
            draw(canvas)

        panel.draw = counted
    view.model.show(view.model.looks - 1)
    qt(0.2)
    first = dict(painted)
    qt(0.3)
    assert painted == first  # a view that stands still costs nothing
    assert 1 <= first["plane"] <= 3
