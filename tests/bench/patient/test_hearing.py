"""Thresholds along frequency: by air, in the cochlea, in noise."""

import math

import numpy as np
import pytest

from quietfloor.bench.patient.hearing import Ear, masked_db

AT_HZ = np.array([250.0, 500.0, 1000.0, 2000.0, 8000.0])


def test_one_number_holds_everywhere() -> None:
    ear = Ear(40.0)
    np.testing.assert_array_equal(ear.air_db(AT_HZ), 40.0)
    np.testing.assert_array_equal(ear.cochlear_db(AT_HZ), 40.0)
    np.testing.assert_array_equal(ear.conductive_db(AT_HZ), 0.0)


@pytest.mark.parametrize(("air", "cochlear"), [(40.0, 0.0), (-5.0, -5.0)])
def test_conductive_loss_leaves_the_cochlea_normal(air: float, cochlear: float) -> None:
    ear = Ear(air, "conductive")
    np.testing.assert_array_equal(ear.cochlear_db(AT_HZ), cochlear)
    np.testing.assert_array_equal(ear.conductive_db(AT_HZ), air - cochlear)


def test_table_is_drawn_over_the_logarithm_of_frequency_and_level_beyond_its_ends() -> None:
    ear = Ear(air_db_nhl={2000: 40, 500: 10})
    np.testing.assert_allclose(ear.air_db(AT_HZ), [10, 10, 25, 40, 40])
    np.testing.assert_array_equal(ear.conductive_db(AT_HZ), 0.0)


def test_bone_says_what_is_conductive_in_a_mixed_loss() -> None:
    ear = Ear(air_db_nhl={500: 50, 2000: 60}, bone_db_nhl={500: 20, 2000: 50})
    np.testing.assert_allclose(ear.conductive_db(AT_HZ), [30, 30, 20, 10, 10])
    np.testing.assert_allclose(ear.cochlear_db(AT_HZ), [20, 20, 35, 50, 50])
    np.testing.assert_allclose(Ear(45.0, bone_db_nhl={1000: 15}).conductive_db(AT_HZ), 30.0)


def test_no_hearing_in_part_of_the_table() -> None:
    ear = Ear(air_db_nhl={1000: 30, 2000: math.inf})
    assert ear.air_db(np.array([1000.0]))[0] == 30.0
    assert ear.air_db(np.array([2000.0, 8000.0])).min() > 150.0


def test_noise_adds_its_power_to_a_threshold() -> None:
    lifted_db = masked_db(np.array([0.0, 20.0, 60.0]), np.array([40.0, 20.0, -np.inf]))
    np.testing.assert_allclose(lifted_db, [40.0, 23.0, 60.0], atol=0.02)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Ear(-40.0), r"threshold_db_nhl = -40\.0 is not modelled"),
        (lambda: Ear(math.nan), r"threshold_db_nhl = nan is not modelled"),
        (lambda: Ear(), "one threshold"),
        (lambda: Ear(10.0, air_db_nhl={1000: 10}), "one threshold"),
        (lambda: Ear(10.0, "odd"), "loss = 'odd' is unknown"),
        (lambda: Ear(air_db_nhl={}), "air_db_nhl is empty"),
        (lambda: Ear(air_db_nhl={50: 10}), r"air_db_nhl: 50 Hz is outside 100\.\.20000 Hz"),
        (lambda: Ear(air_db_nhl={500: -20}), r"air_db_nhl at 500 Hz = -20 is not modelled"),
        (lambda: Ear(air_db_nhl={500: 20, 2000: 20}, bone_db_nhl={1000: 35}), r"bone_db_nhl at 500 Hz is 15 dB above the air"),
        (lambda: Ear(40.0, "conductive", bone_db_nhl={1000: 10}), "leave loss out"),
    ],
)
def test_impossible_ear_is_refused(make, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()
