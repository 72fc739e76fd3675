"""No label covers another one, nor the curve or mark that it labels: every text of real scenes, in all sizes and themes."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.charts import Chart
from quietfloor.monitor.display.curves import Box, crosses
from quietfloor.monitor.display.theme import THEMES, Look
from tests.display.conftest import Spin, ladder, live_scene, replay_scene, stop_at, until

SIZES = ((900, 560), (1280, 720), (1920, 1080), (2560, 1440))
LOOKS = [Look(theme, projector) for theme in THEMES.values() for projector in (False, True)]
TOUCH_PX2 = 1.0  # area that two texts may share by rounding


def charts(window: Any) -> Iterator[tuple[str, Chart]]:
    """Every chart that is seen."""
    for panel in window.present_panels:
        if panel.isVisible():
            for chart in panel.findChildren(Chart):
                yield panel.name, chart


def settle(window: Any, qt: Spin) -> None:
    """Draw everything twice: what a drawing finds out about its room is seen in the next one."""
    for _ in range(2):
        qt(0.01)
        for _, chart in charts(window):
            chart.grab()


def covered(window: Any) -> list[str]:
    """Texts that cover each other."""
    found = []
    for name, chart in charts(window):
        for (one, box), (other, other_box) in itertools.combinations(chart.labels, 2):
            if box.shared(other_box) > TOUCH_PX2:
                found.append(f"{name}: {one!r} and {other!r}")
    return found


def crossed(window: Any, *panels: str) -> list[str]:
    """Texts over a curve that was drawn under them."""
    return [
        f"{name}: {words!r}"
        for name, chart in charts(window)
        for words, box in chart.labels
        if name in panels and any(crosses(xs, ys, box.grown(-1.0)) for xs, ys in chart.curves)
    ]


def outside(window: Any) -> list[str]:
    found = []
    for name, chart in charts(window):
        room = Box(*chart.inside.getCoords()).grown(2.0)
        found += [
            f"{name}: {words!r}"
            for words, box in chart.labels
            if box.shared(room) < (box.right - box.left) * (box.bottom - box.top) - TOUCH_PX2
        ]
    return found


def scenes(window: Any, qt: Spin) -> Iterator[str]:
    """One after the other; each is left as it was found."""
    yield "as it is"
    window.do("replicates")
    until(qt, lambda: window.average.overlays)
    window.do("plus_minus")
    yield "overlay and plus-minus"
    window.do("plus_minus")
    window.do("replicates")
    window.do("waves")
    for _ in range(4):
        window.do("wave_next")
        yield f"waves, {window.averages.mark_editor.run_marks.chosen} chosen"
    window.do("cursor")
    window.do("cursor")
    yield "waves and cursors"
    window.do("zoom_in")
    window.do("zoom_taller")
    yield "zoomed in"
    window.do("zoom_whole")
    window.do("cursors_clear")
    window.do("waves")
    for name in ("levels", "growth"):
        window.do(name)
        until(qt, lambda: window.averages.growth._levels.rows)
        yield name
        window.do(name)


def wrong_in(window: Any, qt: Spin, looks: list[Look]) -> list[str]:
    """What is covered in any scene, in the window and with the panel alone."""
    wrong, size = [], (window.width(), window.height())
    for look in looks:
        window.restyle(look)
        for scene in scenes(window, qt):
            for alone in (False, True):
                if alone:
                    window.do("panel_2")
                settle(window, qt)
                where = f"{size[0]} {look.theme.name}{' projector' * look.projector}, {scene}{', alone' * alone}: "
                bad = covered(window) + outside(window)
                # Letters for a projector in the smallest window leave no free place for the name that has to be read.
                if alone or not (look.projector and size[0] < 1000):
                    bad += crossed(window, "average", "decision plane", "latency and amplitude")
                wrong += [where + one for one in bad]
                if alone:
                    window.do("panel_2")
    assert not any(panel.failed for panel in window.panels)
    return wrong


@pytest.mark.parametrize(("size", "look"), list(zip(SIZES, LOOKS, strict=True)), ids=[str(size[0]) for size in SIZES])
def test_no_label_covers_another_or_a_curve(
    run_window: Callable[[Path], Any], qt: Spin, made_runs: list[Path], size: tuple[int, int], look: Look
) -> None:
    window = run_window(made_runs[1])
    window.resize(*size)
    wrong = wrong_in(window, qt, [look])
    assert not wrong, "\n".join(wrong)


@pytest.mark.long
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_no_label_covers_another_or_a_curve_in_any_look(
    run_window: Callable[[Path], Any], qt: Spin, made_runs: list[Path], size: tuple[int, int]
) -> None:
    window = run_window(made_runs[1])
    window.resize(*size)
    wrong = wrong_in(window, qt, LOOKS)
    assert not wrong, "\n".join(wrong)


def test_the_words_of_the_plane_keep_apart_at_any_look(
    open_window: Callable[..., Any], qt: Spin, finished: dict[str, Path], link: Any
) -> None:
    """Where the path, its forecast and the line of a quiet average move through the plane."""
    for which in ("present", "absent", "undecided"):
        view = replay_scene(finished[which], speed=1000.0)
        window = open_window(view)
        link.ladder = ladder([finished["present"], finished["absent"]])
        view.run.start()
        until(qt, lambda view=view: view.run.wait(0))  # type: ignore[misc]
        qt(0.1)
        for size in SIZES[:2]:
            window.resize(*size)
            for look in range(0, view.model.looks, max(1, view.model.looks // 6)):
                view.model.show(look)
                qt(0.05)
                settle(window, qt)
                assert covered(window) == [], f"{which}, look {look}, {size}"
        window.finish()


def test_labels_of_a_live_run_that_waits_for_a_quiet_average(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    view = live_scene(recordings["response"], tmp_path, pace=40.0, quiet_nv=30.0)
    window = open_window(view)
    window.resize(900, 560)
    view.run.start()
    for looks in (3, 8, 15):
        until(qt, stop_at(view, looks))
        settle(window, qt)
        assert covered(window) == []
