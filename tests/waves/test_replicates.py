"""Runs of one level against each other."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from quietfloor.monitor.waves.peaks import Sought, suggest
from quietfloor.monitor.waves.replicates import Comparison, Replicate, combined, compare, guidance
from quietfloor.monitor.waves.trace import Averages, Trace
from tests.waves.conftest import TIMES_MS, Floats, averages, bell, filtered_noise

WINDOW = (5.0, 17.0)
WAVE = bell(6.5, 160, 0.4) - bell(8.6, 90, 0.8)


def runs(rng: np.random.Generator, wave_nv: Floats, noises: tuple[float, ...]) -> list[Replicate]:
    """Replicates with these residual noises."""
    out = []
    for number, rms in enumerate(noises, 1):
        rows = filtered_noise(rng, 3, rms)
        out.append(Replicate(f"run-{number:03d}", averages(wave_nv, rows[0], rows[1:], rms)))
    return out


def both(rng: np.random.Generator, wave_nv: Floats, noises: tuple[float, ...] = (15.0, 15.0)) -> Comparison:
    return compare(runs(rng, wave_nv, noises), WINDOW)


def test_the_gap_that_noise_leaves(rng: np.random.Generator) -> None:
    """Mean |difference| of two Gaussian curves of noise s is 2 s / sqrt(pi) = 1.128 s, 1.596 times that of the common average."""
    found = [both(rng, WAVE) for _ in range(80)]
    assert np.mean([one.gap_nv for one in found]) == pytest.approx(found[0].noise_gap_nv, rel=0.04)
    assert found[0].noise_gap_nv == pytest.approx(1.128 * 15, rel=0.05)
    assert found[0].noise_nv == pytest.approx(15 / math.sqrt(2))
    assert found[0].noise_gap_nv == pytest.approx(1.596 * found[0].noise_nv, rel=0.05)


def test_correlation_by_chance(rng: np.random.Generator) -> None:
    """Of noise alone 5 of 100 pairs are above what is stated: of 150 pairs, 99.9 % of counts are inside."""
    found = [both(rng, 0 * WAVE) for _ in range(150)]
    above = sum(one.correlation > one.by_chance for one in found)
    assert 1 <= above <= 18
    assert both(rng, WAVE).correlation > 0.7


@pytest.mark.parametrize(
    ("amplitude", "gap", "verdict"),
    [
        (60, 20, "clear response"), (59, 20, "no response"), (40, 13.3, "clear response"), (39, 13, "inconclusive"),
        (100, 25, "clear response"), (70, 25, "no response"), (70, 26, "inconclusive"), (90, 30, "clear response"),
    ],
)  # fmt: skip
def test_published_guidance(amplitude: float, gap: float, verdict: str) -> None:
    """Newborn hearing screening guidance 2.1 (2013, secondary): clear from 40 nV and 3 x the gap; absent at a gap up to 25 nV."""
    assert guidance(amplitude, gap) == verdict


def test_common_average_weighs_by_inverse_variance(rng: np.random.Generator) -> None:
    one, other = runs(rng, WAVE, (10.0, 20.0))
    both_of_them = combined([one, other])
    expected = 0.8 * one.averages.average_uv + 0.2 * other.averages.average_uv
    np.testing.assert_allclose(both_of_them.average_uv, expected)
    assert both_of_them.residual_noise_nv == pytest.approx(1 / math.sqrt(1 / 100 + 1 / 400))
    assert both_of_them.residual_noise_nv < 10
    errors = []
    for _ in range(100):
        pair = runs(rng, 0 * WAVE, (10.0, 20.0))
        errors.append(1e3 * combined(pair).average_uv[60:-60])
    assert np.std(errors) == pytest.approx(both_of_them.residual_noise_nv, rel=0.05)
    v = suggest(Trace.of(both_of_them), Sought((5.0, 8.0))).get("V")
    assert v is not None
    assert v.latency_ms.low < 6.5 < v.latency_ms.high


def test_other_times_are_laid_on_the_first(rng: np.random.Generator) -> None:
    """A run at another rate: interpolated where they overlap."""
    one = runs(rng, WAVE, (10.0,))[0]
    coarse = {field: getattr(one.averages, field)[4::2] for field in ("times_ms", "average_uv", "a_uv", "b_uv", "plus_minus_uv")}
    other = Replicate("run-002", dataclasses.replace(one.averages, **coarse))
    found = compare([one, other], WINDOW)
    assert found.times_ms[0] == pytest.approx(TIMES_MS[4])
    assert np.abs(found.difference_nv).max() < 1.0
    assert found.correlation > 0.999


def test_what_is_said(rng: np.random.Generator) -> None:
    first, second = runs(rng, WAVE, (8.0, 8.0))
    one = dataclasses.replace(first, verdict="response_present", evidence=2.1)
    other = dataclasses.replace(second, verdict="inconclusive", evidence=0.9)
    found = compare([one, other], WINDOW)
    assert found.guidance == "clear response"
    assert found.evidence == pytest.approx(3.0)
    assert "by the rule run-001: response present, run-002: undecided; evidence of all together 3.0 (2.0 needed)" in found.words
    assert found.words.startswith("clear response by guidance (amplitude 2")
    assert "evidence" not in compare([first, second], WINDOW).words  # one is not known: nothing is said of both


def test_what_cannot_be_compared(rng: np.random.Generator) -> None:
    one, other = runs(rng, WAVE, (10.0, 10.0))

    def changed(**values: object) -> Replicate:
        return Replicate("run-002", dataclasses.replace(other.averages, **values))

    with pytest.raises(ValueError, match="two or more"):
        compare([one], WINDOW)
    with pytest.raises(ValueError, match="no runs"):
        combined([])
    with pytest.raises(ValueError, match="filtered differently"):
        compare([one, changed(band_hz=(30.0, 1500.0))], WINDOW)
    with pytest.raises(ValueError, match="run-002 has no average"):
        compare([one, changed(residual_noise_nv=math.nan)], WINDOW)
    with pytest.raises(ValueError, match="no times in common"):
        compare([one, changed(times_ms=TIMES_MS + 100)], WINDOW)
    with pytest.raises(ValueError, match="window_ms"):
        compare([one, other], (30.0, 40.0))
    assert isinstance(one.averages, Averages)
