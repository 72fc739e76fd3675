"""What noise in the tested ear does to the virtual patient: places that it leaves free answer as in quiet, others less."""

from __future__ import annotations

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.cochlea import PLACES_HZ
from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.masker import RunningNoise
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.ipsilateral import IpsilateralKind, IpsilateralNoise
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.masking import RAMP_S, Noise
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform, click, tone_burst
from tests.bench.conftest import AUDIO_HZ

RATE_HZ = float(AUDIO_HZ)
AIR = load_calibration(VIRTUAL_EARPHONE)
NORMAL = Patient("N", Ear(0.0), Ear(0.0), Background(0.0))
NOTCH_HZ = (1414.2, 2828.4)
_SIXTH_OCTAVE = 1.13
_LOW_HZ, _HIGH_HZ = np.outer(NOTCH_HZ, (1 / _SIXTH_OCTAVE, _SIXTH_OCTAVE))
FREE = (_LOW_HZ[1] < PLACES_HZ) & (_HIGH_HZ[0] > PLACES_HZ)
COVERED = (_LOW_HZ[0] > PLACES_HZ) | (_HIGH_HZ[1] < PLACES_HZ)


def noise_of(kind: IpsilateralKind, level_db_spl: float = 80.0, edges_hz: tuple[float, ...] = ()) -> IpsilateralNoise:
    return IpsilateralNoise(kind, level_db_spl, "left", RATE_HZ, Ceiling("insert", "adult", AIR), edges_hz, seed=2)


def running(noise: IpsilateralNoise) -> np.ndarray:
    """What the ear knows of it after 5 s."""
    ear = RunningNoise(RATE_HZ)
    ear.feed(Noise(noise).read(round((5.0 + RAMP_S) * RATE_HZ))[round(RAMP_S * RATE_HZ) :])
    assert ear.mean_squares is not None
    return ear.mean_squares


def parts(waveform: Waveform, level_db_nhl: float, noise: IpsilateralNoise | None) -> np.ndarray:
    """The part of its full response that each place gives."""
    heard = Listener(NORMAL, virtual_earphone(), RATE_HZ).heard(
        "left", waveform.samples * gain(level_db_nhl, waveform, "left", AIR), None if noise is None else running(noise)
    )
    return np.asarray(heard.parts[0])


def test_in_notched_noise_the_places_of_the_notch_answer_a_click_as_in_quiet_and_no_others() -> None:
    quiet, notched, broad = (
        parts(click(RATE_HZ), 50.0, noise)
        for noise in (None, noise_of("notched", 85.0, NOTCH_HZ), noise_of("broadband", 85.0))
    )
    np.testing.assert_allclose(notched[FREE], quiet[FREE], atol=1 / 128)
    assert quiet[FREE].min() == 1.0
    assert notched[COVERED].max() < 0.35
    np.testing.assert_allclose(notched[COVERED], broad[COVERED], atol=0.05)
    assert broad[FREE].max() < 0.35


@pytest.mark.parametrize("edge_hz", [500.0, 1000.0, 2000.0, 4000.0])
def test_in_high_pass_noise_the_places_below_its_edge_answer(edge_hz: float) -> None:
    quiet, masked = (parts(click(RATE_HZ), 50.0, noise) for noise in (None, noise_of("high-pass", 85.0, (edge_hz,))))
    np.testing.assert_allclose(masked[edge_hz / 1.13 > PLACES_HZ], quiet[edge_hz / 1.13 > PLACES_HZ], atol=1 / 128)
    assert masked[1.13 * edge_hz < PLACES_HZ].max() < 0.35


def test_a_burst_in_the_notch_keeps_its_own_place_and_loses_its_spread() -> None:
    burst = tone_burst(RATE_HZ, 2000.0)
    quiet, notched = (parts(burst, 70.0, noise) for noise in (None, noise_of("notched", 85.0, NOTCH_HZ)))
    np.testing.assert_allclose(notched[FREE], quiet[FREE], atol=1 / 128)
    assert notched[COVERED].sum() < 0.5 * quiet[COVERED].sum()


def test_the_patient_answers_a_click_in_noise_in_its_own_ear_less() -> None:
    """Through the frames: the noise is found in the column of the click. Wave V in quiet, notched, and broadband noise."""
    waveform, schedule = click(RATE_HZ), Schedule(40.0, RATE_HZ, "condensation", n_sweeps=160, lead_in_s=1.5, pauses_s=())
    sizes = []
    for noise in (None, noise_of("notched", 70.0, NOTCH_HZ), noise_of("broadband", 70.0)):
        factor = gain(50.0, waveform, "left", AIR)
        frames = FrameSource(waveform, factor, "left", schedule, Ceiling("insert", "adult", AIR), ipsilateral=noise)
        eeg = VirtualPatient(NORMAL, virtual_earphone(), Amplifier(), 1).feed(frames.read(frames.total_samples or 0))[0]
        onsets = [round(sweep.onset_sample / RATE_HZ * 16_000) for sweep in frames.sweeps[20:]]
        mean = np.mean([eeg[onset : onset + 320] for onset in onsets], axis=0)
        sizes.append(mean.max() - mean.min())
    quiet, notched, broad = sizes
    assert broad < 0.8 * quiet
    assert broad < notched < quiet
