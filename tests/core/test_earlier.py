"""Bets that begin with what an earlier run of the same ear left: valid as any, and sooner where they are right."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.stats import binomtest

from quietfloor.monitor.core.analysis import AnalysisSettings, RunningAnalysis
from quietfloor.monitor.core.earlier import Earlier
from quietfloor.monitor.core.evidence import RIDGE, EvidenceSettings, RunningEvidence, response_bank
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.stopping import decision_identity

SETTINGS = AnalysisSettings(4000.0, 4.0, 57, (5.0, 17.0))
TIMES = SETTINGS.window_times_ms
FINE = response_bank(TIMES, np.arange(5.5, 10.01, 0.25))
SHAPE = toeplitz(np.exp(-np.arange(len(TIMES)) / 4.0) * np.cos(np.arange(len(TIMES)) / 3.0)) + RIDGE * np.eye(len(TIMES))
ROOT = np.linalg.cholesky(SHAPE)
WAVE = 0.3 * response_bank(TIMES, np.array([7.3]))[1]
LEFT_UV = 0.065


def ready(batch: tuple[int, ...] = (), average_uv: Floats | None = None) -> RunningEvidence:
    bank = response_bank(TIMES, SETTINGS.evidence.latencies_ms(SETTINGS.window_ms))
    evidence = RunningEvidence(SETTINGS.evidence, bank, batch)
    if average_uv is not None:
        evidence.come_after(np.broadcast_to(average_uv, (*batch, len(TIMES))), np.full(batch, LEFT_UV**-2), FINE)
    evidence.learn_noise(np.broadcast_to(SHAPE, (*batch, *SHAPE.shape)))
    return evidence


def noise(rng: np.random.Generator, batch: tuple[int, ...] = (), rms_uv: float = 0.5) -> Floats:
    return np.asarray(rms_uv * (ROOT @ rng.standard_normal((*batch, len(TIMES), 1)))[..., 0])


def blocks_needed(evidence: RunningEvidence, waves: Floats, rng: np.random.Generator, most: int = 400) -> Floats:
    """Blocks (R,) until evidence reaches 2, in blocks of 0.5 uV; those that never do count as ``most``."""
    needed = np.full(len(waves), float(most))
    for block in range(1, most + 1):
        evidence.update(waves + noise(rng, (len(waves),)), np.full(len(waves), 4.0))
        needed = np.where((evidence.log10 >= 2.0) & (needed == most), float(block), needed)
    return needed


def test_the_capital_is_the_mean_of_those_after_a_block_and_after_its_mirror_image() -> None:
    """What makes it a martingale under symmetry, whatever was recorded before."""
    rng = np.random.default_rng(1)
    average = WAVE + LEFT_UV * 2 * noise(rng)
    past = [0.5 * WAVE + noise(rng) for _ in range(12)]
    for end in (0, 3, 12):
        after = []
        coming = noise(rng, rms_uv=1.5)
        for mirror in (None, 1.0, -1.0):
            evidence = ready(average_uv=average)
            for mean in past[:end]:
                evidence.update(mean, np.asarray(4.0))
            if mirror is not None:
                evidence.update(mirror * coming, np.asarray(4.0))
            after.append(1.0 if end == 0 and mirror is None else 10.0 ** float(evidence.log10))
        assert (after[1] + after[2]) / 2 == pytest.approx(after[0], rel=1e-9)


def test_a_response_like_the_earlier_one_is_found_sooner_and_a_wrong_one_delays_it_little() -> None:
    runs = 80
    waves = np.broadcast_to(WAVE, (runs, len(TIMES)))
    rng = np.random.default_rng(2)
    averages = WAVE + noise(rng, (runs,), LEFT_UV)
    elsewhere = 0.3 * response_bank(TIMES, np.array([8.8]))[1] + noise(rng, (runs,), LEFT_UV)
    first, same, wrong = (
        blocks_needed(ready((runs,), average), waves, np.random.default_rng(3)).mean() for average in (None, averages, elsewhere)
    )
    assert same < 0.85 * first
    assert wrong < 1.6 * first


def test_without_a_response_false_alarms_stay_below_alpha_however_large_the_earlier_response() -> None:
    runs, alpha = 1000, 0.01
    rng = np.random.default_rng(4)
    averages = 3.0 * WAVE + noise(rng, (runs,), LEFT_UV)
    needed = blocks_needed(ready((runs,), averages), np.zeros((runs, len(TIMES))), rng, most=60)
    false = int((needed < 60).sum())
    assert binomtest(false, runs, alpha, alternative="greater").pvalue > 0.01


def test_an_average_is_laid_where_its_response_is_expected_now() -> None:
    earlier = Earlier(tuple(WAVE), float(TIMES[0]), 0.25, LEFT_UV, later_ms=0.5)
    moved = earlier.at(TIMES)
    assert TIMES[moved.argmax()] == pytest.approx(TIMES[WAVE.argmax()] + 0.5)
    assert moved[0] == 0.0
    assert earlier.weight == pytest.approx(LEFT_UV**-2)
    for wrong in ({"noise_uv": 0.0}, {"step_ms": math.nan}, {"average_uv": (1.0, math.inf)}):
        with pytest.raises(ValueError, match=next(iter(wrong))):
            replace(earlier, **wrong)  # type: ignore[arg-type]


def test_an_analysis_begins_with_the_earlier_run_of_its_settings() -> None:
    rng = np.random.default_rng(5)
    settings = replace(SETTINGS, evidence=EvidenceSettings(earlier=Earlier(tuple(WAVE), float(TIMES[0]), 0.25, LEFT_UV)))
    plain, after = RunningAnalysis(SETTINGS), RunningAnalysis(settings)
    for _ in range(24):
        sweeps = rng.standard_normal((16, SETTINGS.n_times))
        sweeps[:, SETTINGS.window.points] += WAVE
        for one in (plain, after):
            look = one.update(sweeps, np.ones(16, dtype=bool)).look
            assert look is not None
    assert after.evidence.log10 > plain.evidence.log10 + 0.3


def test_settings_without_an_earlier_run_keep_their_name_and_those_with_one_have_another() -> None:
    earlier = Earlier((0.0, 0.1), 5.0, 0.25, LEFT_UV)
    assert decision_identity((), EvidenceSettings()) == "9612455cacc6"  # as before there was such a key
    assert decision_identity((), EvidenceSettings(earlier=earlier)) != decision_identity((), EvidenceSettings())
    assert decision_identity((), EvidenceSettings(earlier=earlier)) != decision_identity(
        (), EvidenceSettings(earlier=replace(earlier, noise_uv=0.07))
    )
