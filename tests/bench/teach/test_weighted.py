"""The weighted average: against the formula written out, and against the noise that is really left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.bench.teach.adjustable import Conditions
from quietfloor.bench.teach.choices import Lesson
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.weighted import Weighted
from quietfloor.monitor.core.averaging import Window

MOVING = Lesson(conditions=Conditions(artefacts_per_min=12.0))


def test_each_unit_counts_by_one_over_its_variance() -> None:
    """Best linear unbiased estimate of a constant in independent noise of unequal variance: weights 1 / variance, and the
    variance of the result 1 / sum(1 / variance) (textbooks of statistics, from memory). Elberling & Wahlgreen 1985 (Scand Audiol
    14:89, abstract): blocks of sweeps are weighted "inversely proportional to the level of the noise activity"."""
    rng = np.random.default_rng(1)
    sizes_uv, points = rng.choice([1.0, 10.0], 40), 60
    made = Weighted(points, Window(slice(0, points), 30))
    tops, below = np.zeros(points), 0.0
    for size_uv in sizes_uv:
        sweeps = size_uv * rng.standard_normal((16, points))
        made.unit(sweeps, np.ones(16, dtype=bool))
        variance = float(sweeps.var(axis=0, ddof=1).mean())
        tops, below = tops + 16.0 / variance * sweeps.mean(axis=0), below + 16.0 / variance
    assert np.allclose(made.parts_nv()[0], 1e3 * tops / below)
    assert made.noise_nv == pytest.approx(1e3 / math.sqrt(below))
    known = 1e3 / math.sqrt(float((16.0 / sizes_uv**2).sum()))
    plain = 1e3 * math.sqrt(float((sizes_uv**2).mean()) / (16 * len(sizes_uv)))
    assert made.noise_nv == pytest.approx(known, rel=0.03)
    assert made.real_noise_nv(np.zeros(points)) == pytest.approx(known, rel=0.3)  # 60 points: standard error 9 %
    assert known < plain / 3


def test_nothing_before_the_first_unit_and_nothing_of_rejected_sweeps() -> None:
    made = Weighted(20, Window(slice(0, 20), 10))
    assert math.isnan(made.noise_nv)
    assert np.isnan(made.parts_nv()[0]).all()
    sweeps = np.random.default_rng(2).standard_normal((16, 20))
    sweeps[3] = 1e6
    made.unit(sweeps, np.arange(16) != 3)
    assert made.noise_nv == pytest.approx(1e3 / math.sqrt(15), rel=0.2)


def test_without_movements_both_averages_are_equally_quiet_and_with_them_only_the_weighted_one_is() -> None:
    """What is really left bears out what is estimated, for both."""
    steady, moving = Classroom(seed=1), Classroom(MOVING, seed=1)
    for room in (steady, moving):
        room.step(512)
        for estimated, real in ((room.noise_nv, room.real_noise_nv), (room.weighted.noise_nv, room.weighted_real_nv)):
            assert 0.7 < real / estimated < 1.4
    assert steady.weighted.noise_nv == pytest.approx(steady.noise_nv, rel=0.03)
    assert moving.weighted.noise_nv < 1.3 * steady.weighted.noise_nv
    assert moving.noise_nv > 5 * moving.weighted.noise_nv


def test_the_weighted_average_goes_on_after_the_verdict_and_is_drawn_like_the_plain_one() -> None:
    room = Classroom(Lesson(conditions=Conditions(noise_uv=1.0)), seed=1)
    room.step(8)
    curves = room.curves(weighted=True)
    assert curves is not None
    assert np.isnan(curves.average_nv).all()
    room.step(376)
    assert room.verdict is not None
    before = room.weighted.noise_nv
    room.step(384)
    assert room.weighted.noise_nv == pytest.approx(before / math.sqrt(2), rel=0.05)
    plain, weighted = room.curves(), room.curves(weighted=True)
    assert plain is not None
    assert weighted is not None
    assert np.array_equal(plain.times_ms, weighted.times_ms)
    assert weighted.half_band_nv == pytest.approx(1.96 * room.weighted.noise_nv)
    assert np.abs(plain.average_nv - weighted.average_nv).max() < room.noise_nv  # steady noise: hardly any difference
    track = room.track()
    assert track is not None
    assert np.isnan(track.weighted_nv[track.sweeps < 16]).all()
    assert np.isfinite(track.weighted_real_nv[track.sweeps >= 16]).all()
