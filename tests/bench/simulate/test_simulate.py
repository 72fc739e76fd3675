"""Many runs at once: the same decisions as one by one, rules that do not disturb each other, and an oracle that is one."""

from __future__ import annotations

import numpy as np
import pytest

from quietfloor.bench.simulate.noises import NOISES, Grid, NoiseSource, Presentation, run_seeds
from quietfloor.bench.simulate.responses import SHAPES, Oracle, Response
from quietfloor.bench.simulate.simulate import ORACLE, OUTCOMES, Batch, Setup, chain, simulate
from quietfloor.monitor.core.stopping import NoiseFloorReached, SweepLimit

GRID = Grid()
SETUP = Setup(GRID, max_sweeps=1024)


def batch(
    runs: range, nv: float, rules: tuple[str, ...] = ("evidence", "fsp"), name: str = "gaussian", setup: Setup = SETUP
) -> Batch:
    source = NoiseSource(NOISES[name], GRID, Presentation(), run_seeds(1, name, runs))
    waves = Response(nv).waves_uv(GRID, run_seeds(1, "response", runs))
    chains = [chain(rule, setup) for rule in rules]
    points = len(setup.analysis(chains[0].rules).window_times_ms)
    return simulate(source, waves, setup, chains, NOISES[name].covariance_uv2(GRID, points) if NOISES[name].gaussian else None)


def test_a_batch_equals_its_runs_one_by_one() -> None:
    together = batch(range(6), 500.0)
    for run in range(6):
        alone = batch(range(run, run + 1), 500.0)
        for name, decided in together.decided.items():
            assert decided.outcome[run] == alone.decided[name].outcome[0]
            assert decided.sweeps[run] == alone.decided[name].sweeps[0]
            np.testing.assert_allclose(decided.noise_nv[run], alone.decided[name].noise_nv[0], rtol=1e-9)


def test_rules_side_by_side_decide_as_if_alone() -> None:
    rules = ("evidence", "fsp:bonferroni", "hotelling", "multi_point_f", "guidance_clear", "naive_fsp")
    many = batch(range(8), 600.0, rules)
    for rule in rules:
        alone = batch(range(8), 600.0, (rule,))
        np.testing.assert_array_equal(many.decided[rule].sweeps, alone.decided[rule].sweeps)
        np.testing.assert_array_equal(many.decided[rule].outcome, alone.decided[rule].outcome)


def test_every_run_ends_in_one_of_three_ways() -> None:
    strong = batch(range(10), 3000.0)
    assert {OUTCOMES[code] for code in strong.decided["evidence"].outcome} == {"response_present"}
    assert (strong.decided["evidence"].sweeps == 256).all()  # not before the noise is known
    silent = batch(range(10), 0.0)
    assert (silent.decided["fsp"].outcome == OUTCOMES.index("inconclusive")).all()
    assert (silent.decided["fsp"].sweeps == 1024).all()
    floor = batch(range(10), 0.0, setup=Setup(GRID, max_sweeps=1024, floor_nv=90.0))
    assert (floor.decided["fsp"].outcome == OUTCOMES.index("response_absent")).all()
    assert (floor.decided["fsp"].sweeps < 640).all()  # 2 uV / sqrt(n) = 90 nV at 494
    assert (floor.decided["fsp"].noise_nv <= 90.0).all()


def test_residual_noise_is_compared_with_what_is_left() -> None:
    found = batch(range(40), 0.0)
    assert np.sqrt((found.left_nv**2).mean()) == pytest.approx(2000 / np.sqrt(1024), rel=0.06)
    assert np.sqrt((found.estimated_nv**2).mean()) == pytest.approx(2000 / np.sqrt(1024), rel=0.03)


def test_what_was_left_when_a_run_ended_is_held_against_the_truth() -> None:
    """Without noise to speak of the amplitude is the truth; a run that ends on a response in noise finds it too large."""
    loud = batch(range(10), 30_000.0).decided["evidence"]
    np.testing.assert_allclose(loud.amplitude, 1.0, atol=0.02)
    found = batch(range(60), 400.0, ("evidence", "evidence@30"), setup=Setup(GRID, max_sweeps=6144))
    early, late = found.decided["evidence"], found.decided["evidence@30"]
    assert (late.outcome == early.outcome).all()
    assert (late.sweeps >= early.sweeps).all()
    assert (late.noise_nv <= 30.0).all()
    assert early.amplitude.mean() > 1.04 > 1.03 > late.amplitude.mean() > 0.97
    assert np.sqrt((late.left_nv**2).mean()) == pytest.approx(30.0, rel=0.05)
    assert np.isnan(batch(range(2), 0.0).decided["fsp"].amplitude).all()
    mixed = np.concatenate([Response(nv).waves_uv(GRID, run_seeds(1, "response", range(2))) for nv in (3000.0, 0.0)])
    source = NoiseSource(NOISES["white"], GRID, Presentation(), run_seeds(1, "white", range(4)))
    one = chain("evidence", SETUP)
    amplitude = simulate(source, mixed, SETUP, [one], early=True).decided["evidence"].amplitude
    assert np.isnan(amplitude).tolist() == [False, False, True, True]
    with pytest.raises(ValueError, match="after @ give the noise"):
        chain("evidence@quiet", SETUP)


@pytest.mark.parametrize("shape", SHAPES)
def test_responses_have_the_size_asked_for_after_the_filter(shape: str) -> None:
    fine = Grid(start_ms=-2.0, n_times=120)
    waves = Response(300.0, shape=shape).waves_uv(fine, run_seeds(1, "response", range(30)))
    height = 1e3 * (waves.max(axis=1) - waves.min(axis=1))
    assert height.max() <= 300.0 + 1e-6
    assert height.mean() == pytest.approx(300.0, rel=0.05)  # points miss the very top by up to half their spacing
    if shape == "wave_v":
        latency = fine.times_ms[waves.argmax(axis=1)]
        assert latency.min() >= 6.0 - 0.25
        assert latency.max() <= 8.5 + 0.25
        assert np.ptp(latency) > 1.5
    assert not Response(0.0, shape=shape).waves_uv(fine, run_seeds(1, "response", range(2))).any()


def test_the_oracle_gains_half_the_energy_per_sweep_and_loses_as_much_without_a_response() -> None:
    """E log(p1 / p0) after n independent sweeps is + or - n d^2 / 2, d^2 = s' C^-1 s (sweeps are nearly independent)."""
    runs, units = 60, 20
    wave = Response(400.0).waves_uv(GRID, run_seeds(1, "response", range(runs)))[:, 28:77]
    covariance = NOISES["white"].covariance_uv2(GRID, 49)
    energy = np.einsum("ri,ij,rj->r", wave, np.linalg.inv(covariance), wave)
    for present in (True, False):
        oracle = Oracle(wave, covariance)
        source = NoiseSource(NOISES["white"], GRID, Presentation(), run_seeds(2, "white", range(runs)))
        for _ in range(units):
            oracle.update(source.unit()[..., 28:77] + present * wave[:, np.newaxis].astype(np.float32), source.gain)
        expected = (1 if present else -1) * units * 16 * energy / 2
        error = np.sqrt(units * 16 * energy.mean() / runs)
        assert (oracle.log_ratio - expected).mean() == pytest.approx(0.0, abs=4 * error)


def test_no_rule_beats_the_oracle() -> None:
    found = batch(range(30), 400.0, ("evidence", "hotelling"), setup=Setup(GRID, max_sweeps=2048))
    oracle = found.decided[ORACLE].sweeps.mean()
    assert oracle < found.decided["evidence"].sweeps.mean() < 2048
    assert ORACLE not in batch(range(2), 400.0, name="pops").decided  # it would not know everything there


def test_names_of_rules() -> None:
    assert chain("fsp:bonferroni", SETUP).identity != chain("fsp", SETUP).identity
    assert chain("fsp", SETUP).identity == chain("fsp:pocock", SETUP).identity
    assert chain("evidence", SETUP).identity != chain("evidence", Setup(GRID, max_sweeps=1024, alpha=0.05)).identity
    assert [type(rule) for rule in chain("evidence", SETUP).rules[1:]] == [NoiseFloorReached, SweepLimit]
    for wrong, words in (
        ("magic", "rule 'magic' is unknown"),
        ("sweep_limit", "cannot find a response"),
        ("fsp:x", "budget = 'x'"),
        ("evidence:pocock", "has no error budget"),
    ):
        with pytest.raises(ValueError, match=words):
            chain(wrong, SETUP)
