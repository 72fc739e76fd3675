"""What is believed before anything is recorded, beside published values."""

import numpy as np
import pytest
from scipy.stats import qmc

from monitor.core.evidence import response_bank
from monitor.search.prior import Growths, Waves, spread_out
from tests.search.made import LEVELS, SETTINGS, brackets

WAVES = Waves(SETTINGS.window_times_ms, np.array(LEVELS), np.array(brackets()))
GROWTHS = Growths.drawn(0.0, 90.0, WAVES.rms_per_peak)


def test_points_fill_the_cube_evenly() -> None:
    """Discrepancy (scipy) below half of that of random points."""
    own, chance = spread_out(512, 4), np.random.default_rng(1).random((512, 4))
    assert ((own > 0) & (own < 1)).all()
    assert qmc.discrepancy(own) < 0.5 * qmc.discrepancy(chance)


def test_curves_grow_with_level_and_reach_what_is_visible_at_their_threshold() -> None:
    sizes = GROWTHS.at(np.array(LEVELS))
    assert (np.diff(sizes, axis=0) >= 0).all()
    threshold = GROWTHS.threshold_db(0.015, 90.0, 100.0)
    for curve in np.flatnonzero(threshold < 100.0)[::400]:
        at = GROWTHS.at(np.array([threshold[curve] - 0.01, threshold[curve] + 0.01]))[:, curve]
        assert at[0] < 0.015 < at[1]
    assert (sizes[-1, threshold == 100.0] <= 0.015).all()


@pytest.mark.parametrize(("level_db", "published_uv", "sd_uv"), [(20.0, 0.256, 0.16), (40.0, 0.368, 0.16), (60.0, 0.407, 0.16)])
def test_published_sizes_lie_well_inside_the_prior(level_db: float, published_uv: float, sd_uv: float) -> None:
    """Clicks, 20 adults: Elberling, Callo & Don 2010 (secondary). Levels are taken as above the begin."""
    above = Growths(np.zeros_like(GROWTHS.begin_db), GROWTHS.size_uv, GROWTHS.half_db, GROWTHS.power)
    sizes = above.at(np.array([level_db]))[0] / WAVES.rms_per_peak
    low, high = np.quantile(sizes, (0.05, 0.95))
    assert low < published_uv - sd_uv
    assert published_uv + sd_uv < high


def test_forms_have_rms_1_and_paths_follow_the_expected_latencies() -> None:
    middle = WAVES.basis[len(WAVES.shifts_ms) // 2]
    assert np.sqrt((middle[:3] ** 2).mean(axis=-1)) == pytest.approx(1.0, rel=0.1)
    wave = response_bank(SETTINGS.window_times_ms, np.array([9.0]))[1]
    assert np.sqrt((wave**2).mean()) == pytest.approx(WAVES.rms_per_peak, rel=0.4)
    falls = WAVES.latencies_ms[:, 0] - WAVES.latencies_ms[:, 10]
    assert sorted(set(falls.round(6))) == pytest.approx([0.6 * 2.0, 2.0, 1.5 * 2.0])  # 0.04 ms a dB in the brackets
    kept = WAVES.shifts_ms[WAVES.places]
    inside = (WAVES.latencies_ms > WAVES.shifts_ms[0]) & (WAVES.latencies_ms < WAVES.shifts_ms[-1])
    assert np.abs(kept - WAVES.latencies_ms)[inside].max() <= 0.1251
