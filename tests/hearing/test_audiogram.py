"""The chart: places and symbols of the convention, arrows, bars, legend in words, files that do not change."""

import math
from pathlib import Path
from typing import Any

import pytest
from matplotlib.colors import to_hex

from quietfloor.monitor.hearing.audiogram import BONE_ASIDE, BOTTOM_DB, COLOURS, TOP_DB, audiogram_figure, draw_audiogram
from quietfloor.monitor.hearing.estimate import Estimate, Measured, NotEstimated, estimate
from quietfloor.monitor.hearing.tables import load_hearing_tables

CHOSEN = load_hearing_tables().choose(["stapells-1995", "young-bone-2012"])
NAN = math.nan


def one(ear: str, route: str, hz: float, present: float, absent: float, **more: bool) -> Estimate:
    transducer = "insert" if route == "air" else "bone-vibrator"
    return estimate(Measured(ear, route, "tone-burst", transducer, hz, present, absent, **more), CHOSEN, "infant")


ALL = [
    one("right", "air", 500, 60, 50), one("right", "air", 2000, 50, 40), one("right", "air", 4000, NAN, 90),
    one("left", "air", 500, 20, NAN, masked=True), one("left", "air", 2000, 30, 20), one("left", "air", 4000, 30, 20),
    one("right", "bone", 2000, 20, 10), one("left", "bone", 2000, 20, 10, masked=True),
]  # fmt: skip


def axes_of(*estimates: Estimate) -> Any:
    return audiogram_figure("A", estimates).axes[0]


def symbols(axes: Any) -> list[Any]:
    return [line for line in axes.lines if line.get_marker() not in (None, "None", "")]


def words(figure: Any) -> str:
    (legend,) = figure.legends
    return " ".join(text.get_text() for text in (*legend.get_texts(), *figure.texts)).replace("\n", " ")


def test_axes_of_the_convention() -> None:
    """Lowest levels on top, an octave as wide as 20 dB is high (ISO 8253-1, from memory)."""
    figure = audiogram_figure("A", ALL)
    axes = figure.axes[0]
    assert axes.get_ylim() == (BOTTOM_DB, TOP_DB)
    box = axes.get_window_extent()
    octave = box.width / (axes.get_xlim()[1] - axes.get_xlim()[0])
    twenty_db = 20 * box.height / (BOTTOM_DB - TOP_DB)
    assert octave == pytest.approx(twenty_db, rel=1e-6)
    assert [label.get_text() for label in axes.get_xticklabels()] == ["125", "250", "500", "1000", "2000", "4000", "8000"]
    assert axes.get_ylabel().startswith("estimated hearing level, dB eHL")


@pytest.mark.parametrize(
    ("ear", "masked", "marker"), [("right", False, "o"), ("left", False, "x"), ("right", True, "^"), ("left", True, "s")]
)
def test_symbols_by_air(ear: str, masked: bool, marker: str) -> None:
    """Circle and cross; triangle and square with the other ear masked."""
    (symbol,) = symbols(axes_of(one(ear, "air", 2000, 50, 40, masked=masked)))
    assert symbol.get_marker() == marker
    assert to_hex(symbol.get_markeredgecolor()) == COLOURS[ear]
    assert (float(symbol.get_xdata()[0]), float(symbol.get_ydata()[0])) == pytest.approx((1.0, 50.4))


@pytest.mark.parametrize(("ear", "side"), [("right", -1), ("left", 1)])
@pytest.mark.parametrize("masked", [False, True])
def test_symbols_by_bone(ear: str, side: int, masked: bool) -> None:
    """Right: < and [, left of the line; left: > and ], right of it."""
    (symbol,) = symbols(axes_of(one(ear, "bone", 2000, 20, 10, masked=masked)))
    assert float(symbol.get_xdata()[0]) == pytest.approx(1.0 + side * BONE_ASIDE)
    outline = symbol.get_marker().vertices
    assert len(outline) == (4 if masked else 3)
    middle = outline[1:-1, 0].mean()  # the point of < or the back of [
    assert math.copysign(1, middle - outline[0, 0]) == side


def arrows(axes: Any) -> list[Any]:
    return [text for text in axes.texts if text.arrow_patch is not None]


@pytest.mark.parametrize(("ear", "side"), [("right", -1), ("left", 1)])
@pytest.mark.parametrize(("present", "absent", "down"), [(NAN, 90, True), (20, NAN, False)])
def test_arrows(ear: str, side: int, present: float, absent: float, down: bool) -> None:
    """No response: down and outward, to the side of the ear; a response at the lowest level: up."""
    axes = axes_of(one(ear, "air", 2000, present, absent))
    (arrow,) = arrows(axes)
    at = (arrow.xy[0], arrow.xy[1])
    end = arrow.xycoords.transform(at)
    start = axes.transData.transform(at)
    assert math.copysign(1, end[0] - start[0]) == side
    assert bool(end[1] < start[1]) is down
    assert arrows(axes_of(one(ear, "air", 2000, 50, 40))) == []


def joined(axes: Any) -> list[tuple[float, ...]]:
    return [tuple(line.get_xdata()) for line in axes.lines if line.get_linewidth() == 1.3]


def test_lines_join_what_was_found_and_nothing_else() -> None:
    axes = axes_of(*ALL)
    assert sorted(joined(axes)) == [(-1.0, 1.0), (1.0, 2.0)]  # right 500-2000; left 2000-4000; no response and "at most" not


def test_bars_show_the_interval() -> None:
    axes = axes_of(one("right", "air", 2000, 50, 40))
    bar = next(line for line in axes.lines if line.get_alpha() == 0.45)
    assert tuple(bar.get_ydata()) == pytest.approx((50.4 - 23.52, 50.4 + 23.52), abs=0.01)
    open_bar = next(line for line in axes_of(one("right", "air", 2000, NAN, 90)).lines if line.get_alpha() == 0.45)
    assert open_bar.get_ydata()[1] == BOTTOM_DB


def test_legend_names_what_is_there_and_only_that() -> None:
    told = words(audiogram_figure("A", ALL))
    parts = (
        "right ear by air", "left ear by air, other ear masked", "right ear by bone", "left ear by bone, other ear masked",
        "no response: hearing is worse than here", "may be better", "interval by air: holds 95 % of ears",
    )  # fmt: skip
    assert [part for part in parts if part not in told] == []
    assert "masking was due" not in told
    few = words(audiogram_figure("A", ALL[:2]))
    assert "left ear" not in few
    assert "no response" not in few
    assert "by bone" not in few


def test_the_chart_says_what_it_is() -> None:
    missing = NotEstimated(Measured("left", "air", "tone-burst", "insert", 1000, 30, 20), "no row")
    told = words(audiogram_figure("Subject 7", ALL, [missing]))
    assert "Subject 7" in told
    assert "not a hearing test" in told
    assert "licensed professional" in told
    assert "stapells-1995 (verified), young-bone-2012 (verified)" in told
    assert "Left ear, 1000 Hz tone burst by air" in told
    assert "UNVERIFIED" not in told


def test_masking_that_was_due() -> None:
    flagged = one("right", "bone", 2000, 20, 10, ear_known=False)
    figure = audiogram_figure("A", [flagged])
    assert "?" in [text.get_text() for text in figure.axes[0].texts]
    assert "not known to be this ear's" in words(figure)


def test_off_the_chart_is_told_by_its_number() -> None:
    axes = axes_of(one("left", "air", 4000, 120, 110))
    (symbol,) = symbols(axes)
    assert float(symbol.get_ydata()[0]) == BOTTOM_DB
    assert "124" in [text.get_text() for text in axes.texts]


def test_nothing_and_untested() -> None:
    untested = one("left", "air", 1000, NAN, NAN)
    for estimates in ([], [untested]):
        figure = audiogram_figure("A", estimates)
        assert symbols(figure.axes[0]) == []
        assert "Corrections: none" in words(figure)


def test_words_stay_inside_the_page() -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    lacking = [Measured("left", "air", "tone-burst", "insert", hz, 30, 20) for hz in range(300, 1500, 100)]
    missing = [NotEstimated(measured, "no row") for measured in lacking]
    figure = audiogram_figure("A", ALL, missing)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    page = figure.bbox
    boxes = [text.get_window_extent() for text in figure.texts] + [figure.legends[0].get_window_extent()]
    boxes.append(figure.axes[0].get_tightbbox(canvas.get_renderer()))
    for box in boxes:
        assert page.x0 <= box.x0
        assert box.x1 <= page.x1
        assert page.y0 <= box.y0
        assert box.y1 <= page.y1


@pytest.mark.parametrize("ending", [".png", ".svg", ".pdf"])
def test_the_same_estimates_give_the_same_file(tmp_path: Path, ending: str) -> None:
    first, second = tmp_path / f"a{ending}", tmp_path / f"b{ending}"
    for path in (first, second):
        draw_audiogram(path, "A", ALL)
    assert first.read_bytes() == second.read_bytes()
    assert first.stat().st_size > 5000


def test_other_endings(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"must end in \.png, \.svg, \.pdf"):
        draw_audiogram(tmp_path / "a.gif", "A", ALL)
