"""Sweeps that another program cut: the looks of a run, the same however they are cut, and refused where they cannot be right."""

import subprocess
import sys
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

import quietfloor
from quietfloor.monitor.core.engine import Engine, EngineSettings
from quietfloor.monitor.core.epochs import EpochAnalysis, Result, analyse
from quietfloor.monitor.core.events import LookDone, UnitDone
from quietfloor.monitor.core.reporting import AHEAD
from tests.synthetic import band_sweeps_uv, band_wave_uv, layout, play, stream

RATE_HZ, START_MS, N_TIMES = 4000.0, 0.0, 81
TIMES = {"rate_hz": RATE_HZ, "start_ms": START_MS, "band_hz": (100.0, 1500.0)}


@cache
def sweeps_uv(n_sweeps: int = 700, nv: float = 500.0, seed: int = 1, channels: int = 0) -> np.ndarray:
    made = band_sweeps_uv(np.random.default_rng(seed), channels or 1, n_sweeps, N_TIMES)
    made = made.swapaxes(0, 1) if channels else made[0]
    made = made + band_wave_uv(N_TIMES, START_MS, nv)
    made.setflags(write=False)
    return made


def same(one: Result, other: Result) -> None:
    assert [look.record() for look in one.looks] == [look.record() for look in other.looks]
    for name in vars(one).keys() - {"looks"}:
        np.testing.assert_equal(getattr(one, name), getattr(other, name), err_msg=name)


def test_a_response_is_found_and_the_result_is_a_sentence() -> None:
    found = analyse(sweeps_uv(), **TIMES)
    assert found.verdict == "response present"
    assert found.p_value <= found.alpha == 0.01
    assert found.decided_after is not None
    assert 256 <= found.decided_after < found.given == 700
    assert (found.accepted, found.waiting) == (700 - 12 - len(found.rejected), 12)
    error_nv = 1e3 * np.sqrt(np.mean((found.average_uv - band_wave_uv(N_TIMES, START_MS, 500.0))[20:69] ** 2))
    assert error_nv < 1.5 * found.residual_noise_nv
    assert found.upper_limit_nv > 500
    said = repr(found)
    assert said.startswith("Response present: evidence ")
    for words in ("at most 1 false alarm in 100 runs", "700 sweeps", "12 not used", f"{found.residual_noise_nv:.1f} nV of noise"):
        assert words in said


def test_noise_alone_is_absent_at_its_floor_or_undecided() -> None:
    noise = sweeps_uv(2000, nv=0.0)
    assert analyse(noise, **TIMES).verdict == "undecided"
    absent = analyse(noise, **TIMES, floor_nv=60.0)
    assert absent.verdict == "response absent"
    assert absent.decided_after is not None
    assert absent.residual_noise_nv < 60
    assert "no response larger than" in repr(absent)
    assert analyse(noise, **TIMES, absent_below_nv=400.0).verdict == "response absent"
    # what is expected late must be inside the window before its absence means anything
    assert analyse(noise, **TIMES, floor_nv=60.0, latency_ms=(5.5, 16.0)).verdict == "undecided"


@pytest.mark.parametrize("count", [0, 1, 15, 16, 255])
def test_too_few_sweeps_are_undecided(count: int) -> None:
    few = analyse(sweeps_uv()[:count], **TIMES)
    assert few.verdict == "undecided"
    assert np.isnan(few.evidence)
    assert np.isnan(few.p_value)
    assert few.given == count
    assert few.waiting == count % 16
    assert "nothing is decided before 256 sweeps" in repr(few)


@given(st.lists(st.integers(0, 120), max_size=30), st.booleans())
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_where_sweeps_are_cut_into_chunks_changes_nothing(sizes: list[int], random_pauses: bool) -> None:
    made = sweeps_uv(600, channels=2).copy()
    made[7, 0, 3] = np.nan
    made[90:93] *= 30
    made[300, 0, 20:60] = 1.0
    analysis = EpochAnalysis(**TIMES, random_pauses=random_pauses)
    for part in np.split(made, np.minimum(np.cumsum([0, *sizes]), len(made))):
        own = part.copy()
        analysis.add(own)
        own[:] = np.nan  # a buffer that its owner fills again
        assert analysis.result.given <= len(made)
    same(analysis.result, analyse(made, **TIMES, random_pauses=random_pauses))


def test_a_sweep_that_cannot_be_used_is_named_and_rejected() -> None:
    made = sweeps_uv(600, channels=2).copy()
    made[7, 0, 3] = np.nan
    made[8, 1, 3] = np.inf  # in the channel that does not decide
    made[100, 0] = 0.0
    made[200, 0] += 90.0 * np.hanning(N_TIMES)
    result = analyse(made, **TIMES)
    assert result.rejected[7] == "not_finite"
    assert 8 not in result.rejected
    assert result.rejected[100] == "flat"
    assert result.rejected[200] == "peak"
    assert "not_finite 1" in repr(result)
    assert result.average_uv.shape == (2, N_TIMES)
    assert np.isfinite(result.average_uv).all()
    alone = analyse(made[:, 0], **TIMES)
    assert alone.average_uv.shape == (N_TIMES,)
    assert alone.verdict == result.verdict
    np.testing.assert_allclose(alone.average_uv, result.average_uv[0], rtol=1e-9)


@pytest.mark.parametrize(
    ("factor", "remedy"), [(1e-6, "in volts, multiply by 1e6"), (1e-3, "in millivolts, by 1e3"), (1e3, "nanovolts")]
)
def test_another_unit_is_refused_with_the_remedy(factor: float, remedy: str) -> None:
    analysis = EpochAnalysis(**TIMES)
    with pytest.raises(ValueError, match=remedy):
        analysis.add(sweeps_uv() * factor)
    same(analysis.add(sweeps_uv()).result, analyse(sweeps_uv(), **TIMES))  # nothing of it was taken


def test_what_cannot_be_right_is_refused() -> None:
    with pytest.raises(ValueError, match="give rate_hz, and start_ms"):
        analyse(sweeps_uv())
    with pytest.raises(ValueError, match="time as the last axis"):
        analyse(sweeps_uv()[0], **TIMES)
    with pytest.raises(ValueError, match="not inside the epoch"):
        analyse(sweeps_uv()[:, :40], **TIMES)
    with pytest.raises(ValueError, match="at least 2000 Hz"):
        analyse(sweeps_uv(), rate_hz=500.0, start_ms=0.0)
    with pytest.raises(ValueError, match="alpha = 2"):
        analyse(sweeps_uv(), **TIMES, alpha=2.0)
    with pytest.raises(ValueError, match="no sweeps were added"):
        EpochAnalysis(**TIMES).result  # noqa: B018
    analysis = EpochAnalysis(**TIMES).add(sweeps_uv())
    with pytest.raises(ValueError, match=r"shape \(80,\), .* before have shape \(81,\)"):
        analysis.add(sweeps_uv()[:, :80])
    same(analysis.result, analyse(sweeps_uv(), **TIMES))


def sweeps_of(engine_settings: EngineSettings, made: object) -> tuple[list[LookDone], np.ndarray]:
    """Looks of the engine, and its sweeps (n_sweeps, n_channels, n_times) cut anew from the filtered signal that it shows."""
    outputs: list[np.ndarray] = []
    origins: list[float] = []
    engine = Engine(engine_settings, lambda at, part: (origins.append(at), outputs.append(part)))
    events = play(engine, made)
    signal, band, epoch = np.concatenate(outputs, axis=1), engine_settings.band, engine_settings.epoch
    positions = [position for event in events if isinstance(event, UnitDone) for position in event.positions]
    assert origins[0] == band.first_output
    cuts = [epoch.plan(position, band.first_output) for position in positions]
    sweeps = np.array([epoch.read(signal[:, cut.first : cut.stop], cut.phase) for cut in cuts])
    return [event for event in events if isinstance(event, LookDone)], sweeps


OF_A_STREAM = {"sample", "sweeps_per_s", *AHEAD}


@pytest.mark.parametrize("nv", [0.0, 500.0])
def test_the_looks_are_those_of_the_engine(nv: float) -> None:
    made = stream(np.random.default_rng(3), 8000.0, n_sweeps=800, nv=nv, channels=2, fractional=True)
    how = EngineSettings(layout(made), floor_nv=1.0)
    expected, sweeps = sweeps_of(how, made)
    times = {"rate_hz": how.band.analysis_rate_hz, "start_ms": how.epoch.first_ms, "band_hz": how.band_hz}
    result = analyse(sweeps, **times, floor_nv=1.0, random_pauses=True)
    assert len(result.looks) > 16
    for ours, theirs in zip(result.looks, expected, strict=False):  # the engine stops at its verdict
        for name in vars(theirs).keys() - OF_A_STREAM:
            np.testing.assert_equal(getattr(ours, name), getattr(theirs, name), err_msg=name)
    assert (result.verdict == "response present") == (nv > 0)
    assert result.decided_after == (expected[-1].sweeps_presented if nv else None)


@pytest.mark.long
def test_false_alarms_hold_over_all_looks() -> None:
    """400 sets of noise that changes its size: at most alpha of them are ever called a response, at any look (exact binomial)."""
    sets, alpha, rng = 400, 0.2, np.random.default_rng(11)
    alarms = 0
    for _ in range(sets):
        size = np.repeat(rng.choice([1.0, 2.0, 4.0], 30), 16)[:, np.newaxis]
        result = analyse(size * band_sweeps_uv(rng, 1, 480, N_TIMES)[0], **TIMES, alpha=alpha)
        assert (result.verdict == "response present") == any(look.evidence >= -np.log10(alpha) for look in result.looks)
        alarms += result.verdict == "response present"
    assert binomtest(alarms, sets, alpha, alternative="greater").pvalue > 0.001
    assert alarms > 0  # the evidence does bet


def test_the_name_of_the_package_is_light_until_it_is_used() -> None:
    assert quietfloor.analyse is analyse
    with pytest.raises(AttributeError, match="analyze"):
        quietfloor.analyze  # noqa: B018
    code = "import sys, quietfloor; assert 'numpy' not in sys.modules; quietfloor.analyse; assert 'numpy' in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
