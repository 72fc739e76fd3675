"""Estimates: arithmetic of chains, intervals, what is not known, and the words."""

import math
from pathlib import Path
from statistics import NormalDist

import pytest

from quietfloor.monitor.hearing.estimate import (
    RELATIVE_STAND_IN_DB,
    STAND_IN_DB,
    Estimate,
    Measured,
    estimate,
    estimate_all,
    grade,
)
from quietfloor.monitor.hearing.tables import HearingError, load_hearing_tables

TABLES = load_hearing_tables()
Z95 = NormalDist().inv_cdf(0.975)


def burst(hz: float = 500, present: float = math.nan, absent: float = math.nan, ear: str = "right") -> Measured:
    return Measured(ear, "air", "tone-burst", "insert", hz, present, absent)


def bone(hz: float = 500, present: float = math.nan, absent: float = math.nan, **more: bool) -> Measured:
    return Measured("right", "bone", "tone-burst", "bone-vibrator", hz, present, absent, **more)


def by(measured: Measured, *names: str, age: str = "infant", months: float | None = None) -> Estimate:
    return estimate(measured, TABLES.choose(names), age, months)


@pytest.mark.parametrize(("hz", "nhl", "ehl"), [(500, 23.6, 15.0), (2000, 12.9, 13.3), (4000, 12.6, 16.9)])
def test_normal_infants_come_out_near_normal(hz: float, nhl: float, ehl: float) -> None:
    """Stapells, Gravel & Martin 1995: mean ABR thresholds of their normal infants, by their own mean differences."""
    found = by(burst(hz, nhl, nhl - 10), "stapells-1995")
    assert found.level_db == pytest.approx(ehl)
    assert found.low_db < 0.0 < 30.0 < found.high_db


@pytest.mark.parametrize(("within", "share"), [(15, 0.80), (20, 0.93), (30, 0.98)])
def test_spread_is_that_of_published_shares(within: float, share: float) -> None:
    """Stapells, Gravel & Martin 1995: 80, 93, 98 % within 15, 20, 30 dB of the behavioural threshold; computed SD 11 to 13 dB."""
    spread = by(burst(2000, 30, 20), "stapells-1995").sd_db
    assert NormalDist(0, spread).cdf(within) * 2 - 1 == pytest.approx(share, abs=0.03)


def test_a_threshold_and_its_interval() -> None:
    found = by(burst(500, 60, 50), "stapells-1995")
    assert (found.finding, found.status, found.tables) == ("threshold", "verified", ("stapells-1995",))
    assert found.level_db == pytest.approx(51.4)
    assert (found.low_db, found.high_db) == pytest.approx((51.4 - Z95 * 12, 51.4 + Z95 * 12))
    assert found.sentence == (
        "Right ear, 500 Hz tone burst by air: about 51 dB eHL (95 %: 28 to 75), from a response at 60 dB nHL and none at 50, by "
        "stapells-1995 (verified)."
    )
    half = estimate(burst(500, 60, 50), TABLES.choose(["stapells-1995"]), "infant", coverage=0.5)
    assert half.high_db - half.low_db == pytest.approx(2 * 0.6745 * 12, abs=0.01)


def test_octave_chirp_counts_from_the_burst_of_its_frequency() -> None:
    """About 5 dB less is subtracted: Ferm et al. 2013, Ferm & Lightfoot 2015."""
    chirp = Measured("left", "air", "octave-chirp", "insert", 2000, 40, 30)
    found = by(chirp, "octave-chirp-2015", "stapells-1995")
    assert found.level_db - by(burst(2000, 40, 30), "stapells-1995").level_db == pytest.approx(5.0)
    assert found.sd_db == pytest.approx(math.hypot(12.0, RELATIVE_STAND_IN_DB))
    assert "octave-chirp-2015 with stapells-1995" in found.sentence
    with pytest.raises(HearingError, match=r"no correction for tone burst 2000 Hz.*to follow 'octave-chirp-2015'"):
        by(chirp, "octave-chirp-2015")


def test_newborn_bone_counts_from_air() -> None:
    """Int J Audiol 2014: 28 dB at 500 Hz; the rest is the correction by air."""
    found = by(bone(500, 0, -10), "newborn-bone-2014", "stapells-1995", months=2)
    assert found.level_db == pytest.approx(0 + 28 - 8.6)
    with pytest.raises(HearingError, match=r"no correction for tone burst 500 Hz / bone.*4 months"):
        by(bone(500, 0, -10), "newborn-bone-2014", "stapells-1995", months=4)
    unknown = by(bone(500, 0, -10), "newborn-bone-2014", "stapells-1995")
    assert any("0 to 3 months of age, and the age in months was not given" in note for note in unknown.notes)
    with pytest.raises(HearingError, match=r"no correction for tone burst 1000 Hz / air / any earphone"):
        by(bone(1000, 0, -10), "newborn-bone-2014", "stapells-1995", months=2)


def test_no_row_is_told_with_what_was_looked_for() -> None:
    told = r"Right ear, 1000 Hz tone burst by air: no correction for tone burst 1000 Hz / air / insert / infant in stapells-1995"
    with pytest.raises(HearingError, match=told):
        by(burst(1000, 30, 20), "stapells-1995")
    with pytest.raises(HearingError, match="/ adult in stapells-1995"):
        by(burst(500, 30, 20), "stapells-1995", age="adult")
    with pytest.raises(HearingError, match="click / air"):
        by(Measured("right", "air", "click", "insert", None, 30, 20), "stapells-1995", "stapells-2000")


def test_tables_that_disagree_are_not_averaged() -> None:
    with pytest.raises(HearingError, match=r"more than one correction.*stapells-1995 -8.6 dB; stapells-2000 \+0 dB.*choose one"):
        by(burst(500, 30, 20), "stapells-1995", "stapells-2000")
    assert by(burst(500, 30, 20), "stapells-1995", "stapells-2000", age="adult").level_db == 20.0


def test_nominal_frequencies() -> None:
    """A burst of whole samples may be 500.5 Hz; 510 Hz is another frequency."""
    assert by(burst(500.5, 30, 20), "stapells-1995").level_db == pytest.approx(21.4)
    with pytest.raises(HearingError, match="510 Hz"):
        by(burst(510, 30, 20), "stapells-1995")


def test_no_response_at_the_highest_level() -> None:
    found = by(burst(500, absent=100), "stapells-1995")
    assert found.finding == "no response"
    assert found.level_db == pytest.approx(91.4)
    assert found.low_db == pytest.approx(91.4 - Z95 * 12)
    assert math.isnan(found.high_db)
    assert "no response up to 100 dB nHL; worse than about 91 dB eHL (95 %: above 68)" in found.sentence


def test_response_at_the_lowest_level() -> None:
    found = by(burst(2000, present=20), "stapells-1995")
    assert found.finding == "at most"
    assert math.isnan(found.low_db)
    assert "the lowest level that was run; 20 dB eHL or better (95 %: below 44)" in found.sentence


def test_not_tested_needs_no_table_row() -> None:
    found = by(burst(1000), "stapells-1995")
    assert (found.finding, found.rows) == ("not tested", ())
    assert math.isnan(found.level_db)
    assert found.sentence.endswith("not tested.")


def test_a_wide_bracket_reaches_further_down() -> None:
    narrow, wide = by(burst(500, 60, 50), "stapells-1995"), by(burst(500, 60, 30), "stapells-1995")
    assert wide.level_db == narrow.level_db
    assert wide.high_db == narrow.high_db
    assert narrow.low_db - wide.low_db == pytest.approx(20.0)
    assert any("nothing was run in the 30 dB below" in note for note in wide.notes)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: burst(500, 30, 30), r"a response at 30 dB nHL but none at 30: repeat one of the two"),
        (lambda: burst(500, 30, 50), r"a response at 30 dB nHL but none at 50"),
        (lambda: burst(500, 130, 20), r"130 dB nHL; allowed is -40 to 120"),
        (lambda: burst(500, math.inf, 20), r"inf dB nHL; allowed"),
        (lambda: burst(500, 30, -50), r"-50 dB nHL; allowed"),
        (lambda: burst(500, 30, 20, ear="both"), r"ear = 'both'; allowed are left, right"),
        (lambda: Measured("left", "bone", "click", "insert"), r"transducer = 'insert'; bone goes with bone-vibrator"),
        (lambda: Measured("left", "air", "buzz", "insert"), r"stimulus = 'buzz'"),
    ],
)
def test_what_cannot_be(make, told: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(HearingError, match=told):
        make()


@pytest.mark.parametrize("coverage", [0.4, 1.0, math.nan])
def test_coverage_out_of_range(coverage: float) -> None:
    with pytest.raises(HearingError, match="coverage"):
        estimate(burst(500, 30, 20), TABLES.choose(["stapells-1995"]), "infant", coverage=coverage)


def test_stand_in_for_a_spread_that_is_not_published() -> None:
    found = by(burst(500, 30, 20), "stapells-2000", age="adult")
    assert found.sd_db == STAND_IN_DB
    assert any("gives no spread of single ears: 12 dB (SD) stands in" in note for note in found.notes)


@pytest.mark.parametrize(("hz", "told"), [(500, "13.6 to 28.6 dB"), (4000, "by 6.2 dB"), (1000, "5.6 to 15.6")])
def test_severe_losses_come_out_too_good(hz: float, told: str) -> None:
    """McCreery et al. 2015, table 5: severe to profound, two constant corrections."""
    loud, soft = by(burst(hz, 90, 80), "stapells-2000"), by(burst(hz, 40, 30), "stapells-2000")
    assert any("McCreery" in note and told in note for note in loud.notes)
    assert not any("McCreery" in note for note in soft.notes)


def test_masking_that_was_due_is_noted() -> None:
    told = "not known to be this ear's"
    assert any(told in note for note in by(bone(2000, 20, 10, ear_known=False), "young-bone-2012").notes)
    assert any(told in note for note in by(bone(2000, 20, 10, ear_known=False, masked=True), "young-bone-2012").notes)
    assert not any(told in note for note in by(bone(2000, 20, 10, masked=True), "young-bone-2012").notes)


def test_unverified_is_said_everywhere(tmp_path: Path) -> None:
    """+5 dB for an octave chirp of 4 kHz by bone: common practice, no source."""
    path = tmp_path / "own.toml"
    path.write_text(
        '[[table]]\nname = "practice"\ntitle = "practice"\n'
        '[[row]]\ntable = "practice"\nstimulus = "octave-chirp"\nfrequency_hz = 4000\n'
        'route = "bone"\nage_group = "infant"\ntransducer = "bone-vibrator"\nadd_db = 5\nstatus = "unverified"\n'
        'source = "common practice, no publication found"\n',
        encoding="utf-8",
    )
    chirp = Measured("right", "bone", "octave-chirp", "bone-vibrator", 4000, 20, 10)
    found = estimate(chirp, load_hearing_tables(path).choose(["practice"]), "infant", 0.5)
    assert (found.level_db, found.status) == (25.0, "unverified")
    assert "by practice (unverified)" in found.sentence
    assert any("practice is unverified: common practice, no publication found" in note for note in found.notes)


def test_all_at_once_keeps_what_cannot_be_estimated() -> None:
    made, rest = estimate_all([burst(500, 30, 20), burst(1000, 30, 20)], TABLES.choose(["stapells-1995"]), "child")
    assert [one.measured.frequency_hz for one in made] == [500]
    assert [one.measured.frequency_hz for one in rest] == [1000]
    assert "no correction" in rest[0].reason


def four(levels: tuple[float, ...], absent_too: bool = True) -> list[Estimate]:
    return [
        by(burst(hz, level, level - 10), "stapells-2000", age="adult")
        for hz, level in zip((500, 1000, 2000, 4000), levels, strict=True)
    ]


def test_grade_of_an_average() -> None:
    """Average 40 dB eHL: moderate by WHO 2021 (35 to below 50)."""
    found = grade("right", four((40, 50, 50, 60)), TABLES.grading("who-2021"))
    assert (found.average_db, found.word) == (pytest.approx(40.0), "moderate")
    assert found.high_db - found.average_db == pytest.approx(Z95 * 12)
    assert "the interval reaches from no loss to moderately severe" in found.sentence
    assert "not for estimates" in found.sentence


def test_grade_without_a_frequency_or_with_no_response() -> None:
    nothing = grade("left", four((40, 50, 50, 60)), TABLES.grading("who-2021"))
    assert math.isnan(nothing.average_db)
    assert nothing.sentence == (
        "Left ear: no average by World Health Organization 2021: 500, 1000, 2000, 4000 Hz by air are missing."
    )
    some = grade("right", four((40, 50, 50, 60)), TABLES.grading("bsa-2018"))
    assert "250 Hz by air is missing" in some.sentence
    silent = [*four((40, 50, 50, 60))[:3], by(burst(4000, absent=100), "stapells-2000", age="adult")]
    found = grade("right", silent, TABLES.grading("who-2021"))
    assert "more than" in found.sentence
    assert math.isnan(found.high_db)
