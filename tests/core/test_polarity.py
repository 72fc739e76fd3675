"""Averages by polarity against their definition, and what is said of a stimulus artefact: how soon, and how often by mistake."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from quietfloor.bench.devtools.fault_runs import AUDIO_HZ, LEAD_IN_S, RATE_HZ, settings_for, stream
from quietfloor.monitor.core.averaging import Window
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event, LookDone, StimulusArtefact
from quietfloor.monitor.core.polarity import ALPHA, Polarities
from quietfloor.monitor.core.samples import Chunk
from quietfloor.stimuli.schedule import Schedule

Floats = NDArray[np.float64]
TIMES_MS = np.arange(-2.0, 20.0, 0.25)
WINDOW = Window(slice(28, 77), 50)  # 5 to 17 ms
ALTERNATING = np.where(np.arange(16) % 2, -1.0, 1.0)


def test_averages_are_the_weighted_means_of_either_polarity() -> None:
    """Each sweep counts with its unit's weight over the unit's accepted sweeps, as in the whole average."""
    rng = np.random.default_rng(1)
    found = Polarities(2, TIMES_MS, WINDOW)
    sums, weights = np.zeros((2, 2, len(TIMES_MS))), np.zeros((2, 2))
    for _ in range(5):
        sweeps, accepted = rng.normal(size=(2, 16, len(TIMES_MS))), rng.random((2, 16)) < 0.8
        weight, signs = rng.uniform(1, 9, 2), rng.choice([-1.0, 0.0, 1.0], 16)
        found.update(sweeps, accepted, weight, signs)
        for place, sign in enumerate((1, -1)):
            for channel in range(2):
                for k in np.flatnonzero(accepted[channel] & (signs == sign)):
                    sums[place, channel] += weight[channel] / accepted[channel].sum() * sweeps[channel, k]
                    weights[place, channel] += weight[channel] / accepted[channel].sum()
    np.testing.assert_allclose(found.averages_uv(), sums / weights[..., np.newaxis], rtol=1e-10)


def test_without_polarities_averages_are_not_known() -> None:
    assert np.isnan(Polarities(1, TIMES_MS, WINDOW).averages_uv()).all()


def named(seed: int, units: int, artefact_uv: Floats, noise_uv: float = 2.0, order: int = 3) -> tuple[int | None, float]:
    """The unit after which an artefact was named (None: never), and the largest evidence. Skewed, coloured noise that wanders."""
    rng = np.random.default_rng(seed)
    found = Polarities(1, TIMES_MS, WINDOW)
    most, when = 0.0, None
    for unit in range(units):
        signs = ALTERNATING * rng.choice([-1.0, 1.0])
        raw = rng.gamma(0.5, size=(16, len(TIMES_MS) + order)) - 0.5
        noise = np.array([np.convolve(row, np.ones(order + 1), "valid") for row in raw]) * noise_uv * (1 + (unit // 20) % 2)
        noise += ALTERNATING[:, np.newaxis] * 0.3  # keeps step with places in a unit: no matter, it does not follow the coin
        sweeps = noise + signs[:, np.newaxis] * artefact_uv
        found.update(sweeps[np.newaxis], np.ones((1, 16), dtype=bool), np.ones(1), signs)
        most = max(most, found.evidence)
        if found.look(unit) and when is None:
            when = unit
    return when, most


def test_at_most_the_stated_share_of_runs_name_an_artefact_by_mistake() -> None:
    """At 1 in 20, where few runs can tell: the largest evidence of a run reaches 20 in at most 5 % (Ville's inequality)."""
    most = np.array([named(seed, 60, np.zeros(len(TIMES_MS)))[1] for seed in range(200)])
    assert stats.binomtest(int((most >= np.log10(20.0)).sum()), 200, 0.05, alternative="greater").pvalue > 1e-3
    assert (most >= -np.log10(ALPHA)).sum() <= 1


@pytest.mark.parametrize(("size_uv", "within"), [(40.0, 30), (5.0, 384)])
def test_an_artefact_that_decays_into_the_window_is_named_soon(size_uv: float, within: int) -> None:
    artefact = np.where(TIMES_MS >= 0, size_uv * np.exp(-np.maximum(TIMES_MS, 0) / 2.0), 0.0)
    when, _ = named(5, within, artefact)
    assert when is not None


def test_a_response_that_differs_with_polarity_is_no_artefact() -> None:
    wave = 2.0 * np.exp(-0.5 * ((TIMES_MS - 8.0) / 0.5) ** 2)
    when, most = named(6, 200, wave)
    assert (when, most > 3) == (None, True)


def events_of(artefact_uv: float, coin: bool = True) -> tuple[list[Event], Engine]:
    """A run through the engine with an exponential of that size after each onset, its sign that of the sound."""
    settings = settings_for(seed=3)
    samples, stamps_s = stream(3, 0.0)
    decay = artefact_uv * np.exp(-np.arange(100) / (2e-3 * RATE_HZ))
    for sweep in Schedule(47.1, AUDIO_HZ, seed=3, lead_in_s=LEAD_IN_S, random_polarity=coin).sweeps():
        at = int(np.ceil(sweep.onset_sample * RATE_HZ / AUDIO_HZ))
        if at + 100 > samples.shape[1]:
            break
        samples[0, at : at + 100] += sweep.sign * decay
    engine = Engine(settings)
    events = [event for start in range(0, samples.shape[1], 500) for event in engine.feed(
        Chunk(samples[:, start : start + 500], stamps_s[start : start + 500])
    )]  # fmt: skip
    return events, engine


def test_a_run_keeps_both_averages_and_names_the_artefact_once() -> None:
    events, engine = events_of(40.0)
    (said,) = (event for event in events if isinstance(event, StimulusArtefact))
    assert said.at_ms < 7
    now = engine.average_now()
    assert now.condensation_uv is not None
    assert now.rarefaction_uv is not None
    half = 0.5 * (now.condensation_uv - now.rarefaction_uv)[0]
    assert half[(now.times_ms > 0) & (now.times_ms < 1)].max() > 10.0  # condensation is positive, as it was made
    both = 0.5 * (now.condensation_uv + now.rarefaction_uv)[0]
    np.testing.assert_allclose(both, now.average_uv[0], atol=0.05 * np.abs(half).max())
    assert any(isinstance(event, LookDone) for event in events)


def test_a_run_without_artefact_says_nothing() -> None:
    events, _ = events_of(0.0)
    assert not any(isinstance(event, StimulusArtefact) for event in events)
