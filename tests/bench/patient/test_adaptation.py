"""Adaptation of the virtual ears with rate, against what is published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from quietfloor.bench.patient.adaptation import REFERENCE_PER_S, Adaptation, at_rate, beside, equal_rate
from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import SIDES, Patient
from quietfloor.bench.simulate.simulated_staircases import AUDIO_HZ, SOUNDS, levels_of
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.together import Together

HERE = np.zeros((2, 100))
HERE[0, 20:40] = 1.0
THERE = np.zeros((2, 100))
THERE[0, 60:80] = 1.0
OTHER_EAR = HERE[::-1]


def after(times_s: list[float], parts: np.ndarray = HERE) -> list[float]:
    ears = Adaptation()
    return [ears.heard(at_s, parts).size for at_s in times_s]


def test_sizes_at_fast_rates_are_those_published() -> None:
    # Br J Audiol 27:205 (1993), abstract: 8 % at 1000/s; fastest at about 200/s, about 2.8 times as fast as at 9 or 10/s
    assert at_rate(1000.0).size / at_rate(9.5).size == pytest.approx(0.08, abs=0.01)
    per_s = {rate: rate * at_rate(rate).size ** 2 for rate in (9.5, 40.0, 100.0, 200.0, 400.0)}
    assert per_s[200.0] / per_s[9.5] == pytest.approx(2.8, rel=0.1)
    rates = np.arange(5.0, 1000.0)
    worth = [rate * at_rate(rate).size ** 2 for rate in rates]
    assert 100.0 < rates[int(np.argmax(worth))] < 250.0
    assert per_s[200.0] > 0.9 * max(worth)


def test_latency_from_10_to_100_per_s_is_that_published() -> None:
    # Don, Allen & Starr 1977, abstract: 0.5 ms
    assert 1e3 * (at_rate(100.0).later_s - at_rate(10.0).later_s) == pytest.approx(0.5)
    assert at_rate(REFERENCE_PER_S) == (1.0, 0.0)


def test_slower_than_10_per_s_nothing_changes() -> None:
    # 45 listeners at 2.3 and 9.2/s, 60 to 90 dB nHL: no systematic difference of wave V (abstract)
    assert at_rate(2.3) == at_rate(9.2) == at_rate(0.0)


@pytest.mark.parametrize("rate_per_s", [3.0, 10.0, 47.1, 100.0, 500.0])
def test_a_regular_train_has_its_own_rate(rate_per_s: float) -> None:
    sizes = after([at / rate_per_s for at in range(200)])
    assert sizes[0] == at_rate(0.0).size
    assert sizes[-1] == pytest.approx(at_rate(rate_per_s).size, rel=1e-4)
    assert (np.diff(sizes) < 1e-5).all()


def test_adaptation_is_complete_by_the_fifth_click() -> None:
    # Don, Allen & Starr 1977, abstract, for 100/s
    later = Adaptation()
    shifts = [later.heard(0.01 * at, HERE).later_s for at in range(40)]
    assert (shifts[4] - shifts[0]) / (shifts[-1] - shifts[0]) > 0.9


def test_it_is_of_the_place_and_of_the_ear() -> None:
    for other in (THERE, OTHER_EAR):
        ears = Adaptation()
        ears.heard(0.0, other)
        assert ears.heard(0.002, HERE) == at_rate(0.0)
    ears = Adaptation()
    ears.heard(0.0, 0.5 * HERE)
    softer = ears.heard(0.002, HERE).size
    assert after([0.0, 0.002])[1] < softer < at_rate(0.0).size


def test_equal_rate_by_its_definition() -> None:
    for rate_per_s in (1.0, 40.0, 300.0):
        left = sum(math.exp(-at / (rate_per_s * 15e-3)) for at in range(1, 2000))
        assert equal_rate(left) == pytest.approx(rate_per_s)
    assert equal_rate(0.0) == 0.0


@pytest.mark.parametrize("shared", [0.0, 0.4, 1.0])
def test_another_train_in_the_same_ear_against_sound_by_sound(shared: float) -> None:
    rng, interval_s, sizes = np.random.default_rng(5), 1.0 / 40.0, []
    other = HERE.copy()
    other[0, 20 + round(20 * shared) : 40] = 0.0  # it excites a part of the places, and others more
    other += THERE
    for _ in range(40):
        ears, phase_s = Adaptation(), float(rng.uniform(0, interval_s))
        both = sorted([(at * interval_s, 0) for at in range(40)] + [(phase_s + at * interval_s, 1) for at in range(-1, 40)])
        found = [(which, ears.heard(1.0 + at_s, (HERE, other)[which]).size) for at_s, which in both]
        sizes += [size for which, size in found if which == 0][20:]
    assert beside(shared, 40.0) == pytest.approx(np.mean(sizes) / at_rate(40.0).size, rel=0.01)
    assert beside(0.0, 40.0) == pytest.approx(1.0)


def answered_uv(level_db_nhl: float, frequencies_hz: tuple[float, ...]) -> list[float]:
    """Peak to trough of the mean response of the left ear to each of these octave chirps, all of them at once in both ears."""
    seconds, eeg_hz = 15.0, 8000.0
    both = Together.of(Schedule(39.1, AUDIO_HZ, seed=3), len(frequencies_hz))
    audio = np.zeros((3, round((seconds + 1.0) * AUDIO_HZ)))
    onsets_s = []
    for number, frequency_hz in enumerate(frequencies_hz):
        burst = SOUNDS["octave-chirp"](AUDIO_HZ, frequency_hz)
        for row, side in enumerate(SIDES):
            samples = burst.samples * gain(level_db_nhl, burst, side, *levels_of("air"))
            onsets = np.array([at for at in both.ear(side, number).onsets(600) if 0.1 * AUDIO_HZ < at < seconds * AUDIO_HZ])
            for at in onsets - round(burst.time_zero_s * AUDIO_HZ):
                audio[row, at : at + samples.size] += samples
            if side == "left":
                onsets_s.append(onsets / AUDIO_HZ)
    normal = Patient("normal", Ear(0.0), Ear(0.0), Background(1e-6))
    eeg = VirtualPatient(normal, virtual_earphone(), Amplifier(rate_hz=eeg_hz), 1).feed(audio)[0]
    eeg = sosfiltfilt(butter(2, (30.0, 1500.0), "bandpass", fs=eeg_hz, output="sos"), eeg)
    sweeps = [eeg[np.round(own * eeg_hz).astype(int)[:, np.newaxis] + np.arange(160)] for own in onsets_s]
    return [float(np.ptp(own.mean(axis=0))) for own in sweeps]


@pytest.mark.parametrize(
    ("level_db_nhl", "low", "high"),
    [
        pytest.param(20.0, 0.93, 1.07, marks=pytest.mark.long),
        (40.0, 0.75, 1.0),
        pytest.param(70.0, 0.6, 0.9, marks=pytest.mark.long),
    ],
)
def test_two_frequencies_that_overlap_in_an_ear_evoke_nearly_what_each_does_alone(
    level_db_nhl: float, low: float, high: float
) -> None:
    """From samples of sound to EEG. Published of steady sounds: smaller beside others, but little, and mostly where there are low
    frequencies beside higher ones (John et al. 2002, abstract). The bounds are about what shared places make of it."""
    alone = [answered_uv(level_db_nhl, (frequency_hz,))[0] for frequency_hz in (1000.0, 4000.0)]
    at_once = answered_uv(level_db_nhl, (1000.0, 4000.0))
    parts = [one / other for one, other in zip(at_once, alone, strict=True)]
    print(level_db_nhl, [round(part, 2) for part in parts])
    assert all(low < part < high for part in parts)
