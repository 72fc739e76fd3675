"""The model fitted once more to the averages of a search: it believes what the search believed, and where the true wave is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz

from quietfloor.monitor.core.evidence import RIDGE
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.fitted import Fitted, fit
from quietfloor.monitor.search.posterior import OUTSIDE_DB
from quietfloor.monitor.search.running import Place, RunningSearch
from tests.search.made import LEVELS, condition, sweeps_uv, wave_uv

BEGINS_DB = 20.0
USABLE = np.ones(16, dtype=bool)


def test_it_believes_what_the_search_believed_and_holds_the_wave() -> None:
    one = condition()
    search, rng = RunningSearch((one,)), np.random.default_rng(9)
    for _ in range(400):
        chosen = search.choose()
        if chosen is None:
            break
        level = chosen.place.level
        search.update(Place(0, level), sweeps_uv(rng, wave_uv(LEVELS[level], BEGINS_DB)), USABLE)
    settings = one.settings[0]
    looks = {level: look for level in range(len(LEVELS)) if (look := search.look(Place(0, level))) is not None}
    found = fitted({level: settings.window.of(look.average_uv) for level, look in looks.items()},
                   {level: 1e-3 * float(look.noise.value_nv) for level, look in looks.items()})  # fmt: skip
    answer = search.answer()
    np.testing.assert_allclose(found.threshold_db, (answer.low_db, answer.threshold_db, answer.high_db), atol=3.0)
    assert np.all(np.diff(found.latency_ms, axis=0) >= 0)
    assert np.all(np.diff(found.amplitude_nv, axis=0) >= 0)
    assert np.all(np.diff(found.amplitude_nv[1]) >= -1e-9)  # it grows with level
    loud = [level for level in looks if LEVELS[level] >= answer.found_db]
    assert loud
    for level in loud:
        wave = wave_uv(LEVELS[level], BEGINS_DB)
        at_ms = float(settings.times_ms[int(np.argmax(wave))])
        assert found.latency_ms[0, level] - 0.5 <= at_ms <= found.latency_ms[2, level] + 0.5
        size_nv = 1e3 * float(np.ptp(wave))
        assert 0.6 * found.amplitude_nv[0, level] <= size_nv <= 1.6 * found.amplitude_nv[2, level]  # its form is another one


def test_noise_alone_is_believed_to_hold_no_response() -> None:
    settings, rng = condition().settings[0], np.random.default_rng(3)
    noise_uv = 0.004
    averages = {level: noise_uv * rng.standard_normal(len(settings.window_times_ms)) for level in (4, 8, len(LEVELS) - 1)}
    found = fitted(averages, dict.fromkeys(averages, noise_uv))
    assert found.threshold_db[1] == LEVELS[-1] + OUTSIDE_DB
    assert found.amplitude_nv[2, 8] < 60.0


def test_nothing_to_fit_is_said() -> None:
    with pytest.raises(ValueError, match="no level has an average"):
        fitted({}, {})


def fitted(averages_uv: dict[int, Floats], noise_uv: dict[int, float]) -> Fitted:
    """With the correlation of the noise of made sweeps: a moving sum with weights 0.3, 0.6, 0.6, 0.3, by hand."""
    one = condition()
    points = len(one.settings[0].window_times_ms)
    shape = toeplitz(np.r_[1.0 + RIDGE, 0.8, 0.4, 0.1, np.zeros(points - 4)])
    return fit(one, Wanted(), averages_uv, noise_uv, shape)
