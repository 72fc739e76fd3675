"""Curves in pixels: cut at a box, divided into dashes, whether one crosses a label. Checked against matplotlib's paths."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.curves import EVEN_HALF, OVERLAYS, PLUS_MINUS, SOLID, Box, corners, crosses, cut, dashes
from quietfloor.monitor.display.theme import THEMES

PATTERNS = (EVEN_HALF, PLUS_MINUS, *OVERLAYS)


def walk(seed: int, count: int = 60) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    return np.sort(rng.uniform(0, 200, count)), np.cumsum(rng.normal(0, 8, count)) + 50


def pieces_in(xs: Floats, ys: Floats) -> float:
    """Length of what is drawn of a curve with interruptions."""
    steps = np.hypot(np.diff(xs), np.diff(ys))
    return float(np.nansum(steps))


@pytest.mark.parametrize("seed", range(12))
def test_a_cut_curve_is_the_part_inside_the_box(seed: int) -> None:
    xs, ys = walk(seed)
    box = Box(30.0, 35.0, 150.0, 70.0)
    cut_x, cut_y = cut(xs, ys, box)
    known = np.isfinite(cut_x)
    assert (cut_x[known] >= box.left - 1e-6).all()
    assert (cut_x[known] <= box.right + 1e-6).all()
    assert (cut_y[known] >= box.top - 1e-6).all()
    assert (cut_y[known] <= box.bottom + 1e-6).all()
    # The same length as the points of a very fine curve that lie inside.
    place = np.linspace(0, len(xs) - 1, 400_001)
    fine_x, fine_y = (np.interp(place, np.arange(len(xs)), one) for one in (xs, ys))
    middle_x, middle_y = ((one[1:] + one[:-1]) / 2 for one in (fine_x, fine_y))
    inside = (middle_x > box.left) & (middle_x < box.right) & (middle_y > box.top) & (middle_y < box.bottom)
    length = np.hypot(np.diff(fine_x), np.diff(fine_y))[inside].sum()
    assert pieces_in(cut_x, cut_y) == pytest.approx(length, abs=0.05)


def test_a_curve_inside_is_left_as_it_is_and_gaps_stay() -> None:
    xs, ys = np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.0, np.nan, 1.0, 9.0])
    whole = cut(xs[:1], ys[:1], Box(0, 0, 4, 4))
    assert (whole[0] == xs[:1]).all()
    cut_x, cut_y = cut(xs, ys, Box(0, 0, 4, 5))
    assert np.isnan(cut_y[1])
    assert cut_x[3] == pytest.approx(2.5)
    assert cut_y[3] == pytest.approx(5.0)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_dashes_have_the_lengths_of_their_pattern(pattern: tuple[float, ...]) -> None:
    xs, ys = np.linspace(0.0, 500.0, 173), np.zeros(173)
    new_x, _, on = dashes(xs, ys, pattern)
    assert not on[-1]
    runs, begun = [], 0.0
    for place in range(1, len(new_x)):
        if on[place] != on[place - 1] or place == len(new_x) - 1:
            runs.append((bool(on[place - 1]), float(new_x[place]) - begun))
            begun = float(new_x[place])
    wanted = itertools.cycle(zip(itertools.cycle((True, False)), pattern))
    for (drawn, length), (wants, size) in zip(runs[:-1], wanted, strict=False):
        assert drawn == wants
        assert length == pytest.approx(size)


@pytest.mark.parametrize("seed", range(5))
def test_dashes_leave_no_part_of_the_curve_and_add_none(seed: int) -> None:
    xs, ys = walk(seed)
    new_x, new_y, on = dashes(xs, ys, (7.0, 3.0))
    steps = np.hypot(np.diff(new_x), np.diff(new_y))
    assert steps.sum() == pytest.approx(np.hypot(np.diff(xs), np.diff(ys)).sum())
    assert steps[on[:-1]].sum() / steps.sum() == pytest.approx(0.7, abs=0.03)
    ys[10] = np.nan
    new_x, new_y, on = dashes(xs, ys, (7.0, 3.0))
    assert np.isfinite(new_x[:-1][on[:-1]] + new_x[1:][on[:-1]]).all()
    assert np.isfinite(new_y[:-1][on[:-1]] + new_y[1:][on[:-1]]).all()


@pytest.mark.parametrize("seed", range(20))
def test_a_curve_crosses_a_label_as_matplotlib_says(seed: int) -> None:
    from matplotlib.path import Path
    from matplotlib.transforms import Bbox

    xs, ys = walk(seed)
    path, rng = Path(np.column_stack([xs, ys])), np.random.default_rng(seed)
    found = set()
    for _ in range(60):
        left, top = rng.uniform(0, 200), rng.uniform(-50, 150)
        box = Box(left, top, left + rng.uniform(2, 40), top + rng.uniform(2, 20))
        said = path.intersects_bbox(Bbox([[box.left, box.top], [box.right, box.bottom]]), filled=False)
        assert crosses(xs, ys, box) == said
        found.add(said)
    assert found == {True, False}
    assert not crosses(xs, np.full_like(ys, np.nan), Box(0, 0, 200, 100))


def test_boxes_share_what_both_cover() -> None:
    one = Box(0, 0, 10, 10)
    assert one.shared(Box(5, 5, 20, 20)) == 25.0
    assert not one.overlaps(Box(10, 0, 20, 10))
    assert one.grown(1).overlaps(Box(10, 0, 20, 10))


def test_each_kind_of_curve_has_a_pattern_of_its_own() -> None:
    """Odd half and average are solid, one thin and one thick; all others are told apart without colour."""
    assert len({SOLID, *PATTERNS}) == 1 + len(PATTERNS)
    assert all(len(OVERLAYS) == len(theme.overlays) for theme in THEMES.values())
    shares = sorted(sum(one[::2]) / sum(one) for one in PATTERNS)
    assert shares[0] < 0.3  # dots
    assert OVERLAYS[0][0] > 2 * EVEN_HALF[0]  # both are plain dashes: short and long
    assert len({len(one) for one in OVERLAYS}) == len(OVERLAYS)


def test_marks_of_waves_have_different_corners() -> None:
    for count in (3, 4, 24):
        xs, ys = corners(count, 10.0, 20.0, 8.0)
        assert len(xs) == len(ys) == count
        assert (xs.mean(), ys.mean()) == pytest.approx((10.0, 20.0))
        assert 6.0 <= np.ptp(xs) <= 10.0
