"""Patients who change over a session: noise and bursts by its time, from one seed."""

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background, BackgroundSource
from quietfloor.bench.patient.profiles import PatientError, load_patient, parse_patient
from quietfloor.bench.patient.rig_options import configured_patient, parser
from quietfloor.bench.patient.session_course import State, bursts_per_min_at, check, drawn, noise_at

COURSE = (State(0.0, 1.0, what="asleep"), State(2.0, 4.0, 30.0, what="awake"))


def test_a_state_holds_until_the_next_and_the_change_takes_its_time() -> None:
    np.testing.assert_allclose(noise_at(COURSE, [0.0, 119.0, 125.0, 130.0, 900.0]), [1.0, 1.0, 2.5, 4.0, 4.0])
    np.testing.assert_allclose(bursts_per_min_at(COURSE, 7.0, [0.0, 900.0]), [0.0, 30.0])
    np.testing.assert_allclose(bursts_per_min_at((), 7.0, [0.0, 900.0]), 7.0)
    np.testing.assert_allclose(noise_at((State(0.0, 2.0),), [0.0, 1.0]), 2.0)  # in that state from the first moment


def test_begins_are_drawn_by_the_seed_and_stay_in_order() -> None:
    patient = load_patient("waking-infant")
    one, again, other = (drawn(patient.course, seed) for seed in (1, 1, 2))
    assert one == again != other
    for state, given in zip(one, patient.course, strict=True):
        assert given.from_min <= state.from_min <= given.from_min + given.spread_min
    check(one)


def test_the_background_follows_the_session() -> None:
    def rms(session_s: float) -> float:
        course = (State(0.0, 1.0), State(2.0, 4.0))
        source = BackgroundSource(Background(1.0), 1, 4000.0, np.random.SeedSequence(3), course, session_s)
        return float(np.sqrt(np.mean(np.diff(source.read(40_000)[0]) ** 2)))

    assert rms(300.0) / rms(0.0) == pytest.approx(4.0, rel=1e-6)


def test_bursts_come_as_often_as_the_state_says() -> None:
    course = (State(0.0, 1.0, 0.0), State(5.0, 1.0, 60.0))
    source = BackgroundSource(Background(1.0, burst_s=0.1, burst_factor=50.0), 1, 1000.0, np.random.SeedSequence(3), course)
    pieces = np.abs(source.read(600_000)[0]).reshape(600, -1).max(axis=1)
    quiet = np.median(pieces[:300])
    assert (pieces[:300] > 5 * quiet).sum() == 0
    assert 120 < (pieces[320:] > 5 * quiet).sum() < 260  # 280 s, one in a second on average, some at once


def test_the_rig_draws_the_states_of_its_session() -> None:
    options = parser().parse_args(["--patient", "waking-infant", "--audio-source-id", "a", "--eeg-source-id", "e", "--seed", "5"])
    assert configured_patient(options).course == drawn(load_patient("waking-infant").course, 5)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("[[course]]\nfrom_min = 5\nnoise = -1", r"course\.0: .*noise = -1\.0 is outside 0\.\.100"),
        ("[[course]]\nfrom_min = 5\nspread_min = 5\n[[course]]\nfrom_min = 9", "a state from 9 min follows"),
        ("[[course]]\nfrom_min = 5\nloud = 1", r"course\.0\.loud"),
    ],
)
def test_a_wrong_course_is_refused(more: str, message: str) -> None:
    text = 'name = "P"\nleft = { threshold_db_nhl = 0 }\nright = { threshold_db_nhl = 0 }\n[background]\nin_band_rms_uv = 1\n'
    with pytest.raises(PatientError, match=message):
        parse_patient(text + more)
