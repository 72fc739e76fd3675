"""Responses of the virtual patient that overlap, separated: from samples of sound to the response in filtered EEG."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin, oaconvolve

from quietfloor.bench.patient.adaptation import Adaptation
from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.simulate.simulated_staircases import AUDIO_HZ, levels_of
from quietfloor.monitor.core.deconvolution import deconvolve
from quietfloor.stimuli.clicks import click
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.schedule import Schedule

EEG_HZ, N_SWEEPS, STEP = 8000.0, 480, 6
POINTS = np.arange(-40, 160)  # -5 to 20 ms
NORMAL = Patient("normal", Ear(0.0), Ear(0.0), Background(1e-6))
TAPS = firwin(401, [100.0, 1500.0], pass_zero=False, fs=EEG_HZ)


def latency_ms(average_uv: np.ndarray) -> float:
    """Time of the largest point from 5 to 10 ms, by a parabola."""
    at = 80 + int(np.argmax(average_uv[80:121]))
    before, top, after = average_uv[at - 1 : at + 2]
    return float(POINTS[at] + 0.5 * (before - after) / (before - 2 * top + after)) * 1e3 / EEG_HZ


# the errors before and after, relative to the response's peak to trough; measured 0.33 and 0.035, 0.094 and 0.012, 0.10 and 0.020
@pytest.mark.parametrize(
    ("per_s", "random_ms", "raw", "most"), [(150.0, 1.5, 0.25, 0.05), (150.0, 4.0, 0.07, 0.02), (250.0, 3.9, 0.08, 0.03)]
)
def test_the_mean_response_of_the_adapted_ear_is_recovered(per_s: float, random_ms: float, raw: float, most: float) -> None:
    """The truth is the mean of what the single sounds evoke, each smaller and later by those before it."""
    waveform = click(AUDIO_HZ)
    sound = waveform.samples * gain(60.0, waveform, "left", *levels_of("air"))
    schedule = Schedule(per_s, AUDIO_HZ, n_sweeps=N_SWEEPS, random_interval_s=random_ms * 1e-3, seed=7, lead_in_s=0.2)
    onsets = schedule.onsets(N_SWEEPS) // STEP
    audio = np.zeros((3, STEP * onsets[-1] + 48_000))
    for onset in STEP * onsets:
        audio[0, onset : onset + sound.size] += sound
    eeg = oaconvolve(VirtualPatient(NORMAL, virtual_earphone(), Amplifier(rate_hz=EEG_HZ), 1).feed(audio)[0], TAPS, mode="same")

    listener, ears, used = Listener(NORMAL, virtual_earphone(), AUDIO_HZ), Adaptation(), np.arange(N_SWEEPS) >= 10
    response, t_s = listener.answer("left", sound), np.arange(-800, 800) / EEG_HZ - listener.delay_s("left")
    adapted = [ears.heard(onset / EEG_HZ, np.ones(1)) for onset in onsets]
    evoked = np.mean([one.size * response.at(t_s - one.later_s) for one in adapted[10:]], axis=0)
    truth = oaconvolve(evoked, TAPS, mode="same")[800 + POINTS]

    average = eeg[onsets[used][:, np.newaxis] + POINTS].mean(axis=0)
    found = deconvolve(average, onsets, used.astype(float)).response_uv
    assert np.abs(average - truth).max() > raw * np.ptp(truth)
    assert np.abs(found - truth).max() < most * np.ptp(truth)
    assert latency_ms(found) == pytest.approx(latency_ms(truth), abs=0.05)
