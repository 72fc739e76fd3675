"""Sound by bone, and what crosses the head: whose cochlea answers, and what noise does to it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.brainstem import Response
from quietfloor.bench.patient.cochlea import PLACES_HZ
from quietfloor.bench.patient.earphone import (
    VIRTUAL_EARPHONE,
    VIRTUAL_REFERENCES,
    VIRTUAL_VIBRATOR,
    Vibrator,
    virtual_earphone,
    virtual_vibrator,
)
from quietfloor.bench.patient.hearing import Ear, crossing_bone_db
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient, Side
from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.masking import Masking, rms_of_em
from quietfloor.stimuli.references import load_references
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform, click, octave_chirp, tone_burst
from tests.bench.conftest import AUDIO_HZ

RATE_HZ = float(AUDIO_HZ)
AIR, BONE = load_calibration(VIRTUAL_EARPHONE), load_calibration(VIRTUAL_VIBRATOR)
ZEROS = load_references(VIRTUAL_REFERENCES)
NORMAL = Patient("N", Ear(0.0), Ear(0.0), Background(0.0))
CONDUCTIVE = replace(NORMAL, left=Ear(air_db_nhl={1000: 40}, bone_db_nhl={1000: 0}))
LEFT_DEAF = replace(NORMAL, left=Ear(math.inf), crossing_air_db=60.0)


def samples(waveform: Waveform, level_db_nhl: float, route: str = "bone") -> np.ndarray:
    return waveform.samples * gain(level_db_nhl, waveform, "left", BONE if route == "bone" else AIR, ZEROS)


def answer(
    patient: Patient, waveform: Waveform, level_db_nhl: float, route: str = "bone", masking_db_em: dict[Side, float] | None = None
) -> Response:
    """To a sound in the left column."""
    listener = Listener(patient, virtual_earphone(), RATE_HZ, virtual_vibrator("left") if route == "bone" else None)
    masking = {side: np.full(PLACES_HZ.size, db) for side, db in (masking_db_em or {}).items()}
    return listener.masked_answer("left", samples(waveform, level_db_nhl, route), masking)


@pytest.mark.parametrize("frequency_hz", [500.0, 1000.0, 2000.0, 4000.0])
@pytest.mark.parametrize("make", [tone_burst, octave_chirp])
def test_a_level_by_bone_is_what_the_same_level_by_air_is_to_a_normal_ear(make, frequency_hz: float) -> None:
    waveform = make(RATE_HZ, frequency_hz)
    by_bone, by_air = (answer(NORMAL, waveform, 40.0, route) for route in ("bone", "air"))
    times_s = np.arange(0.0, 0.03, 1e-4)
    np.testing.assert_allclose(by_bone.at(times_s), by_air.at(times_s), atol=1e-6)


def test_the_zero_of_a_click_by_bone_is_that_of_the_best_place() -> None:
    listener = Listener(NORMAL, virtual_earphone(), RATE_HZ, virtual_vibrator("left"))
    excitation = listener._excitation(samples(click(RATE_HZ), 30.0))
    level_db = listener._brainstem.level_db_nhl(excitation, listener._full_scale_db("left"))
    assert level_db.max() == pytest.approx(30.0, abs=0.05)


def test_bone_passes_the_middle_ear_and_air_does_not() -> None:
    burst = tone_burst(RATE_HZ, 1000.0)
    assert answer(CONDUCTIVE, burst, 20.0).uv.size
    assert not answer(replace(CONDUCTIVE, right=Ear(math.inf)), burst, 38.0, "air").uv.size
    behind = answer(replace(CONDUCTIVE, right=Ear(math.inf)), burst, 60.0, "air")
    np.testing.assert_allclose(behind.uv.max(), answer(NORMAL, burst, 20.0, "air").uv.max(), rtol=1e-6)


def test_an_unmasked_sound_is_heard_by_the_better_cochlea_and_noise_there_stops_it() -> None:
    burst = tone_burst(RATE_HZ, 2000.0)
    crossed = answer(LEFT_DEAF, burst, 45.0)
    np.testing.assert_allclose(crossed.uv.max(), answer(NORMAL, burst, 40.0).uv.max(), rtol=1e-6)  # 5 dB by bone in adults
    assert not answer(LEFT_DEAF, burst, 45.0, masking_db_em={"right": 50.0}).uv.size
    assert not answer(LEFT_DEAF, burst, 59.0, "air").uv.size
    assert answer(LEFT_DEAF, burst, 70.0, "air").uv.size
    assert not answer(LEFT_DEAF, burst, 70.0, "air", {"right": 25.0}).uv.size


def test_a_normal_own_ear_answers_as_if_nothing_crossed() -> None:
    burst = tone_burst(RATE_HZ, 2000.0)
    alone = answer(replace(NORMAL, right=Ear(math.inf)), burst, 80.0, "air")
    np.testing.assert_allclose(answer(NORMAL, burst, 80.0, "air").uv.max(), alone.uv.max(), rtol=1e-6)


def test_too_much_noise_comes_back_and_hides_the_tested_ear() -> None:
    burst, patient = tone_burst(RATE_HZ, 2000.0), replace(NORMAL, crossing_air_db=50.0)
    assert answer(patient, burst, 30.0, masking_db_em={"right": 60.0}).uv.size  # 10 dB of it come back
    assert not answer(patient, burst, 30.0, masking_db_em={"right": 85.0}).uv.size


def test_the_middle_ear_of_the_other_side_takes_from_the_noise_too() -> None:
    burst, patient = tone_burst(RATE_HZ, 1000.0), replace(LEFT_DEAF, right=Ear(air_db_nhl={1000: 30}, bone_db_nhl={1000: 0}))
    assert answer(patient, burst, 40.0, masking_db_em={"right": 55.0}).uv.size
    assert not answer(patient, burst, 40.0, masking_db_em={"right": 75.0}).uv.size


def test_less_crosses_by_bone_in_babies() -> None:
    assert [crossing_bone_db(age) for age in (0.0, 6.0, 12.0, 36.0, None)] == [30.0, 25.0, 20.0, 5.0, 5.0]
    assert replace(NORMAL, age_months=0.0).crossing_db("bone") == 30.0
    assert replace(NORMAL, crossing_bone_db=12.0).crossing_db("bone") == 12.0
    with pytest.raises(ValueError, match=r"crossing_air_db = 200 is outside 0\.\.120 dB"):
        replace(NORMAL, crossing_air_db=200)


def test_a_vibrator_needs_its_own_calibration_and_zeros() -> None:
    with pytest.raises(LevelError, match="is of insert"):
        Vibrator.from_calibration(AIR, "left")
    with pytest.raises(LevelError, match="no reference level of tone bursts on bone-vibrator"):
        Vibrator.from_calibration(BONE, "left", None)


def frames(level_db_nhl: float, masking_db_em: float | None) -> tuple[np.ndarray, np.ndarray]:
    """As a player sends them: 1 kHz by bone on the left mastoid, white noise by the earphone of the right ear; and the onsets."""
    burst = tone_burst(RATE_HZ, 1000.0)
    masking = None
    if masking_db_em is not None:
        rms = rms_of_em(masking_db_em, None, "right", AIR, RATE_HZ)
        masking = Masking("white", rms, "right", RATE_HZ, Ceiling("insert", "adult", AIR))
    schedule = Schedule(27.1, AUDIO_HZ, n_sweeps=48, lead_in_s=1.5)
    factor = gain(level_db_nhl, burst, "left", BONE, ZEROS)
    source = FrameSource(burst, factor, "left", schedule, Ceiling("bone-vibrator", "adult", BONE), masking)
    out = source.read(source.total_samples or 0)
    return np.pad(out, ((0, 0), (0, 9600))), np.array([sweep.onset_sample for sweep in source.sweeps])


def evoked(patient: Patient, level_db_nhl: float, masking_db_em: float | None, cuts: tuple[int, ...] = ()) -> np.ndarray:
    played, onsets = frames(level_db_nhl, masking_db_em)
    head = VirtualPatient(patient, virtual_earphone(), Amplifier(), 1, virtual_vibrator("left"))
    eeg = np.concatenate([head.feed(part) for part in np.split(played, cuts, axis=1)], axis=1)
    return eeg[0] if cuts else np.mean([eeg[0, at : at + 320] for at in (onsets[16:] // 3)], axis=0)


def test_the_whole_chain_by_bone_with_and_without_noise() -> None:
    unmasked = evoked(LEFT_DEAF, 30.0, None)
    assert np.ptp(unmasked) > 0.05
    assert not evoked(LEFT_DEAF, 30.0, 45.0).any()
    assert np.ptp(evoked(replace(NORMAL, right=Ear(math.inf)), 30.0, 45.0)) == pytest.approx(np.ptp(unmasked), rel=0.5)


def test_noise_in_the_other_ear_is_the_same_however_the_audio_is_cut() -> None:
    played, _ = frames(40.0, 15.0)
    whole = VirtualPatient(LEFT_DEAF, virtual_earphone(), Amplifier(), 1, virtual_vibrator("left")).feed(played)[0]
    pieces = evoked(LEFT_DEAF, 40.0, 15.0, (3, 700, 30_001, 71_503, 90_000))
    np.testing.assert_array_equal(pieces, whole)
    assert whole.any()
