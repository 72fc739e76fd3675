"""What is believed before anything is recorded, beside published values."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import qmc

from quietfloor.monitor.core.evidence import response_bank
from quietfloor.monitor.search.prior import STEEPER, GrowthPrior, Waves, spread_out
from tests.search.made import LEVELS, SETTINGS, brackets

WAVES = Waves(SETTINGS.window_times_ms, np.array(LEVELS), np.array(brackets()))
PRIOR = GrowthPrior(0.0, 90.0, 0.015, WAVES.rms_per_peak)
GROWTHS = PRIOR.curves(spread_out(4096, 4))


def test_points_fill_the_cube_evenly() -> None:
    """Discrepancy (scipy) below a fiftieth of that of random points."""
    own, chance = spread_out(512, 4), np.random.default_rng(1).random((512, 4))
    assert ((own > 0) & (own < 1)).all()
    assert qmc.discrepancy(own) < 0.02 * qmc.discrepancy(chance)


def test_curves_grow_with_level_and_reach_what_is_visible_at_their_threshold() -> None:
    assert (np.diff(GROWTHS.at(np.array(LEVELS)), axis=0) >= 0).all()
    for curve in range(0, 4096, 400):
        threshold = GROWTHS.threshold_db[curve]
        before, after = GROWTHS.at(np.array([threshold - 0.01, threshold + 0.01]))[:, curve]
        assert before < 0.015 < after
    assert np.quantile(GROWTHS.threshold_db, (0.0, 0.5, 1.0)) == pytest.approx([-15.0, 45.0, 105.0], abs=0.5)


@pytest.mark.parametrize(("level_db", "published_uv", "sd_uv"), [(20.0, 0.256, 0.16), (40.0, 0.368, 0.16), (60.0, 0.407, 0.16)])
def test_published_sizes_lie_well_inside_the_prior(level_db: float, published_uv: float, sd_uv: float) -> None:
    """Clicks, 20 adults: Elberling, Callo & Don 2010 (secondary). Levels are taken as above the begin."""
    above = replace(GROWTHS, threshold_db=GROWTHS.threshold_db - GROWTHS.begin_db)
    sizes = above.at(np.array([level_db]))[0] / WAVES.rms_per_peak
    low, high = np.quantile(sizes, (0.05, 0.95))
    assert low < published_uv - sd_uv
    assert published_uv + sd_uv < 1.1 * high


def test_forms_have_rms_1_and_paths_follow_the_expected_latencies() -> None:
    middle = WAVES.basis[len(WAVES.shifts_ms) // 2]
    assert np.sqrt((middle[:3] ** 2).mean(axis=-1)) == pytest.approx(1.0, rel=0.1)
    wave = response_bank(SETTINGS.window_times_ms, np.array([9.0]))[1]
    assert np.sqrt((wave**2).mean()) == pytest.approx(WAVES.rms_per_peak, rel=0.4)
    falls = WAVES.latencies_ms[:, 0] - WAVES.latencies_ms[:, 10]
    assert sorted(set(falls.round(6))) == pytest.approx([steeper * 2.0 for steeper in STEEPER])  # 0.04 ms a dB in the brackets
    kept = WAVES.shifts_ms[WAVES.places]
    inside = (WAVES.latencies_ms > WAVES.shifts_ms[0]) & (WAVES.latencies_ms < WAVES.shifts_ms[-1])
    assert np.abs(kept - WAVES.latencies_ms)[inside].max() <= 0.1251
