"""Cells: every bet is fair, whatever was believed, and the levels that count as found have one error together."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from quietfloor.monitor.core.averaging import Unit, reduce_unit
from quietfloor.monitor.search.cells import Cell, SharedNoise, found, refuted, shares
from tests.search.made import SETTINGS, sweeps_uv, wave_uv

ACCEPTED = np.ones(16, dtype=bool)


def unit(rng: np.random.Generator, wave: np.ndarray | float = 0.0, sign: float = 1.0) -> Unit:
    return reduce_unit(sign * sweeps_uv(rng, np.zeros(57)) + wave, ACCEPTED, SETTINGS.window)


def ready(expected: np.ndarray | None) -> Cell:
    cell = Cell(SETTINGS)
    points = len(SETTINGS.window_times_ms)
    cell.learn_noise(np.eye(points), np.eye(points))
    if expected is not None:
        cell.expect(np.outer((0.7, 1.3), expected), np.array([0.5, 0.4]))
    return cell


@pytest.mark.parametrize("expected", [None, SETTINGS.window.of(wave_uv(60.0, 20.0))])
def test_a_unit_and_its_mirror_image_leave_the_capital_as_it_was_on_average(expected: np.ndarray | None) -> None:
    """The definition of a fair bet on a sign (Ville 1939): the mean over both signs is what was there before."""
    capitals = []
    for sign in (1.0, -1.0):
        cell, rng = ready(expected), np.random.default_rng(5)
        for _ in range(30):
            cell.update(unit(rng, SETTINGS.times_ms * 0 + 0.1))
        before = 10.0**cell.log10
        cell.update(unit(rng, sign=sign))
        capitals.append(10.0**cell.log10)
    assert np.mean(capitals) == pytest.approx(before, rel=1e-9)
    assert capitals[0] != pytest.approx(capitals[1], rel=1e-3)


def test_the_expected_wave_finds_a_response_sooner() -> None:
    wave = wave_uv(60.0, 20.0, size_uv=0.4)
    grown = []
    for expected in (None, SETTINGS.window.of(wave)):
        cell, rng = ready(expected), np.random.default_rng(6)
        for _ in range(60):
            cell.update(unit(rng, wave))
        grown.append(cell.log10)
    assert grown[1] > grown[0] + 0.5 > 2.0


def test_a_look_holds_average_halves_noise_and_limit() -> None:
    wave = wave_uv(60.0, 20.0, size_uv=0.4)
    cell, rng = ready(None), np.random.default_rng(9)
    units = [unit(rng, wave) for _ in range(64)]
    for one in units:
        cell.update(one)
    look = cell.look()
    weights = np.array([one.weight for one in units])
    means = np.array([one.mean_uv for one in units])
    assert (look.presented, look.accepted) == (1024, 1024)
    assert look.average_uv == pytest.approx(np.average(means, axis=0, weights=weights))
    assert look.half_b_uv == pytest.approx(np.average(means[1::2], axis=0, weights=weights[1::2]))
    assert look.noise.within_units_nv == pytest.approx(1e3 / math.sqrt(weights.sum()))
    assert look.noise.value_nv == pytest.approx(1e3 / math.sqrt(1024), rel=0.05)  # of 1 uV that was made
    assert look.evidence_log10 <= look.evidence_log10_max
    assert look.limit_nv > 1e3 * np.ptp(SETTINGS.window.of(wave))


def test_noise_is_learned_once_from_the_first_units() -> None:
    noise, rng = SharedNoise(3, len(SETTINGS.window_times_ms), 57), np.random.default_rng(7)
    assert [noise.update(unit(rng), SETTINGS.stride) for _ in range(5)] == [False, False, True, False, False]
    assert noise.matrix is not None
    assert noise.matrix[0, 1] > 0.5  # neighbouring points are alike
    assert np.allclose(noise.matrix, noise.matrix.T)


def test_capital_is_spread_over_the_cells_at_or_below_a_level() -> None:
    spread = shares(19)
    assert np.allclose(spread.sum(axis=1), 1.0)
    assert (np.triu(spread, 1) == 0.0).all()
    assert (np.diff(spread[-1]) > 0).all()


def test_a_level_is_found_only_where_every_louder_hypothesis_is_refuted() -> None:
    assert found(np.array([True, False, True, True])).tolist() == [False, False, True, True]
    assert not found(np.array([True, True, False])).any()
    log10 = np.zeros(19)
    assert not refuted(log10, 0.01).any()
    log10[8] = 2.9
    assert refuted(log10, 0.01)[8]
    assert not found(refuted(log10, 0.01)).any()  # not against "nothing at or below the loudest"
    log10[8] = 3.7
    assert np.flatnonzero(found(refuted(log10, 0.01)))[0] == 8
    log10[7] = 2.7  # beside a level that was found a softer one needs less
    assert np.flatnonzero(found(refuted(log10, 0.01)))[0] == 7


def test_many_levels_together_have_the_error_of_one() -> None:
    """Capitals of cells without a response, by fair coins, the best one bet on again; at a fifth, by exact limits (scipy)."""
    rng, alpha, false = np.random.default_rng(8), 0.2, 0
    for _ in range(300):
        log10, ever = np.zeros(19), np.zeros(19, dtype=bool)
        for _ in range(100):
            level = int(rng.integers(15, 19)) if rng.random() < 0.3 else int(np.argmax(log10))
            log10[level] += np.log10(1.0 + 0.5 * rng.choice((-1.0, 1.0)))
            ever |= refuted(log10, alpha)
        false += bool(found(ever).any())
    assert binomtest(false, 300).proportion_ci().low <= alpha
    assert false > 0  # not so strict that nothing can be found
