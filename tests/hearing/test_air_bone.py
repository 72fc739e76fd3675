"""Air against bone: the gap, its limits, and words that leave the decision open."""

import math

import pytest

from quietfloor.monitor.hearing.air_bone import FOR_A_PROFESSIONAL, AirBone, compare, compare_all
from quietfloor.monitor.hearing.estimate import Estimate, Measured, estimate
from quietfloor.monitor.hearing.tables import load_hearing_tables

TABLES = load_hearing_tables()
CHOSEN = TABLES.choose(["stapells-1995", "young-bone-2012", "newborn-bone-2014"])
NAN = math.nan


def one(
    route: str, present: float, absent: float, hz: float = 2000, months: float | None = None, masked: bool = True
) -> Estimate:
    transducer = "insert" if route == "air" else "bone-vibrator"
    measured = Measured("right", route, "tone-burst", transducer, hz, present, absent, masked=masked)
    return estimate(measured, CHOSEN, "infant", months)


def pair(air: tuple[float, float], bone: tuple[float, float], **more: float) -> AirBone:
    return compare(one("air", *air, **more), one("bone", *bone, **more), TABLES, "infant", more.get("months"))


@pytest.mark.parametrize(
    ("air", "bone", "pattern"),
    [
        ((20, 10), (20, 10), "none"),
        ((60, 50), (60, 50), "cochlear"),
        ((60, 50), (10, 0), "conductive"),
        ((80, 70), (45, 40), "mixed"),
        ((30, 20), (60, 50), "implausible"),
        ((NAN, 90), (10, 0), "conductive"),
        ((NAN, 90), (60, 50), "mixed"),
        ((80, 70), (NAN, 55), "open"),
        ((60, 50), (NAN, 55), "cochlear"),
        ((20, 10), (NAN, 55), "implausible"),
        ((NAN, 90), (NAN, 55), "open"),
        ((60, 50), (20, NAN), "conductive"),
        ((80, 70), (40, NAN), "open"),
        ((20, NAN), (20, 10), "none"),
        ((20, NAN), (20, NAN), "none"),
        ((20, 10), (20, NAN), "none"),
        ((20, NAN), (45, NAN), "open"),
        ((60, NAN), (20, NAN), "open"),
        ((NAN, NAN), (20, 10), "open"),
        ((20, 10), (NAN, NAN), "open"),
    ],
)
def test_patterns(air: tuple[float, float], bone: tuple[float, float], pattern: str) -> None:
    assert pair(air, bone).pattern == pattern


def test_gap_and_interval_from_different_studies() -> None:
    """Air +0.4 (1995), bone 0 (2012): their errors are independent as far as is known."""
    found = pair((60, 50), (10, 0))
    reach = 1.959964 * math.hypot(12.0, 12.0)
    assert found.gap_db == pytest.approx(50.4)
    assert (found.low_db, found.high_db) == pytest.approx((50.4 - reach, 50.4 + reach), abs=1e-3)
    assert any("different studies" in note for note in found.notes)
    assert found.sentence.startswith("Right ear, 2000 Hz: air 60 dB eHL and bone 10 dB eHL, a gap of 50 dB (95 %: 17 to 84).")


def test_what_both_rest_on_cancels() -> None:
    """Bone that counts from air (Int J Audiol 2014): the gap of ears that answer 28 dB lower by bone is 0, whatever the table."""
    found = pair((24, 14), (-4, -14), hz=500, months=1)
    assert found.gap_db == pytest.approx(0.0)
    assert found.high_db == pytest.approx(1.959964 * 10.0, abs=1e-3)
    assert found.pattern == "none"
    assert not any("different studies" in note for note in found.notes)


def test_uncertain_gaps_say_so() -> None:
    unsure = pair((40, 30), (20, 10))
    assert unsure.pattern == "conductive"
    assert unsure.sentence.endswith("The interval does not exclude that there is no gap at all.")
    assert "does not exclude" not in pair((70, 60), (10, 0)).sentence


def test_limits_bound_the_gap_from_one_side() -> None:
    at_least = pair((NAN, 90), (10, 0))
    assert math.isnan(at_least.gap_db)
    assert math.isnan(at_least.high_db)
    assert "air worse than 90 dB eHL and bone 10 dB eHL, a gap of at least 80 dB (95 %: above 47)" in at_least.sentence
    at_most = pair((80, 70), (NAN, 55))
    assert math.isnan(at_most.low_db)
    assert "a gap of at most 25 dB" in at_most.sentence
    assert "whether there is a conductive component besides is open" in at_most.sentence
    unknown = pair((NAN, 90), (NAN, 55))
    assert math.isnan(unknown.low_db)
    assert math.isnan(unknown.high_db)
    assert "the gap is not known" in unknown.sentence


@pytest.mark.parametrize(
    ("present", "absent", "speaks"), [(30, 20, "against"), (20, 10, "against"), (60, 30, "for"), (NAN, 40, "for")]
)
def test_limit_of_normal_bone(present: float, absent: float, speaks: str) -> None:
    """30 dB nHL at 2 kHz told normal from raised cochlear hearing in 98 % of ears: Hatton, Janssen & Stapells 2012."""
    notes = pair((70, 60), (present, absent)).notes
    assert any(f"speaks {speaks} a raised cochlear threshold: normal up to 30 dB nHL" in n and "98 %" in n for n in notes)


def test_no_word_of_the_limit_between_the_levels_that_were_run() -> None:
    assert not any("raised cochlear" in note for note in pair((70, 60), (35, 25)).notes)


def test_the_limit_and_the_estimate_may_disagree() -> None:
    """At 500 Hz a newborn's 20 dB nHL by bone is normal by one study and 39 dB eHL by two others."""
    assert any("says the opposite" in note for note in pair((60, 50), (20, 10), hz=500, months=1).notes)


def test_bone_without_masking_may_be_the_other_ear() -> None:
    air = one("air", 70, 60)
    told = "bone was run without masking"
    assert any(told in note for note in compare(air, one("bone", 10, 0, masked=False), TABLES, "infant").notes)
    assert not any(told in note for note in compare(air, one("bone", 10, 0), TABLES, "infant").notes)


def test_words_leave_the_decision_open() -> None:
    for air, bone in (((60, 50), (10, 0)), ((80, 70), (45, 40)), ((60, 50), (60, 50))):
        sentence = pair(air, bone).sentence
        assert "would fit" in sentence
        assert "diagnos" not in sentence
    assert "licensed professional" in FOR_A_PROFESSIONAL


def test_only_one_ear_and_frequency_is_compared() -> None:
    with pytest.raises(ValueError, match="one frequency of one ear"):
        compare(one("air", 30, 20), one("bone", 0, -10, hz=500, months=1), TABLES, "infant")
    with pytest.raises(ValueError, match="air with bone"):
        compare(one("bone", 30, 20), one("air", 30, 20), TABLES, "infant")


def test_every_bone_estimate_finds_its_air() -> None:
    known = [one("air", 60, 50), one("bone", 10, 0), one("air", 30, 20, hz=4000), one("bone", 0, -10, hz=500, months=1)]
    assert [(found.frequency_hz, found.pattern) for found in compare_all(known, TABLES, "infant")] == [(2000, "conductive")]
    assert compare_all([], TABLES, "infant") == ()
