"""Panels take turns: one a frame, each shows what is newest, none is left waiting, and all at once where a person asked."""

from __future__ import annotations

from typing import Any

from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.model import ViewModel
from quietfloor.monitor.display.panel_noise import NoisePanel
from quietfloor.monitor.display.turns import Turns
from tests.display.conftest import Spin, until


def test_one_panel_a_frame_and_none_waits_for_ever(qt: Spin) -> None:
    told: list[str] = []
    panels = [NoisePanel() for _ in range(3)]
    turns = Turns(*((panel, lambda model, name=name: told.append(f"{name} {model.title}"))
                    for panel, name in zip(panels, "abc", strict=True)))  # type: ignore[misc] # fmt: skip
    model = ViewModel(Feed(), "first", 15.0, 6144, (5.5, 9.0))
    turns.take(model)
    assert told == [], "nothing is new"
    turns.ask()
    turns.take(model)
    model.title = "second"
    turns.ask()  # before b and c had their turn
    for _ in range(5):
        turns.take(model)
    assert told == ["a first", "b second", "c second", "a second"]
    told.clear()
    for _ in range(6):  # a look in each frame
        turns.ask()
        turns.take(model)
    assert [said[0] for said in told] == ["a", "b", "c", "a", "b", "c"]
    told.clear()
    turns.ask()
    turns.take(model, at_once=True)
    assert sorted(told) == ["a second", "b second", "c second"]
    turns.take(model)
    assert len(told) == 3
    for panel in panels:
        panel.deleteLater()


def shown_looks(window: Any) -> tuple[int, int, int]:
    """How many looks each panel of a run shows."""
    return len(window.plane._plane.path), window.average.curves.look + 1, len(window.noise._track.sweeps)


def test_looking_back_is_seen_in_all_panels_at_once_and_now_within_three_frames(shown: Any, qt: Spin, press: Any) -> None:
    model = shown.view.model
    until(qt, lambda: shown_looks(shown) == (model.looks,) * 3)
    shown._timer.stop()
    for key, back in (("Left", 1), ("Left", 2), ("Right", 1)):
        press(shown, key)
        shown.tick()
        assert shown_looks(shown) == (model.looks - back,) * 3
    press(shown, "End")
    for late in ((0, 1, 1), (0, 0, 1), (0, 0, 0)):
        shown.tick()
        assert shown_looks(shown) == tuple(model.looks - looks for looks in late)
    press(shown, "Left")
    shown.tick()
    press(shown, "End", "d")  # other colours meanwhile: everything again
    shown.tick()
    assert shown_looks(shown) == (model.looks,) * 3


def test_a_picture_is_of_one_look(shown: Any, qt: Spin, press: Any, tmp_path: Any) -> None:
    model = shown.view.model
    until(qt, lambda: shown_looks(shown) == (model.looks,) * 3)
    shown._timer.stop()
    press(shown, "Left")
    shown.tick()
    press(shown, "End")
    shown.tick()
    assert len(set(shown_looks(shown))) == 2
    shown.export("", tmp_path / "whole.png")
    assert shown_looks(shown) == (model.looks,) * 3
