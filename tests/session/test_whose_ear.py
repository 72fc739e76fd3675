"""Whose response a run found, by what the other ear had; against masking as it is taught in courses (from memory)."""

from __future__ import annotations

import math

import pytest

from quietfloor.monitor.hearing.tables import load_hearing_tables
from quietfloor.monitor.session.conditions import ABSENT, OWN, PRESENT, UNDECIDED, UNKNOWN, Condition, RunSummary
from quietfloor.monitor.session.masked_runs import About, judged
from quietfloor.monitor.session.threshold import tallies, threshold_of
from quietfloor.monitor.session.whose_ear import of_runs

ABOUT = About(load_hearing_tables())
RIGHT = Condition("right", "air", "tone-burst", 2000.0)


def run(number: int, level: float, verdict: str, noise_db_em: float | None = None, condition: Condition = RIGHT) -> RunSummary:
    noise = "" if noise_db_em is None else f"octave-band {noise_db_em:g} dB EM"
    return RunSummary(
        number, condition, level, verdict, "", masking_db=noise_db_em, transducer="insert", age_group="adult", noise=noise,
        noise_transducer="insert",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("level", "verdict", "noise", "whose"),
    [
        (40, PRESENT, None, OWN),  # 40 - 50 dB between the ears: the other one cannot hear it
        (70, PRESENT, None, UNKNOWN),  # 20 dB at the other cochlea, which may hear 0
        (70, ABSENT, None, OWN),  # neither ear answered
        (70, UNDECIDED, None, UNKNOWN),
        (70, PRESENT, 30, OWN),  # 10 dB more than what arrives there
        (70, PRESENT, 10, UNKNOWN),
        (70, PRESENT, math.nan, UNKNOWN),
        (70, ABSENT, 30, OWN),
        (70, ABSENT, 80, UNKNOWN),  # 30 dB come back to the tested cochlea
        (70, PRESENT, 80, OWN),  # and it answered in spite of that
    ],
)
def test_of_one_run(level: float, verdict: str, noise: float | None, whose: str) -> None:
    (found,) = judged([run(1, level, verdict, noise)], ABOUT)
    assert found.whose == whose


def test_a_sound_that_no_table_knows_is_nobodys() -> None:
    custom = RunSummary(1, RIGHT, 30, PRESENT, "", transducer="no such earphone", age_group="adult")
    assert judged([custom], ABOUT)[0].whose == UNKNOWN


def by_bone(number: int, level: float, verdict: str, noise_db_em: float) -> RunSummary:
    return RunSummary(
        number, Condition("left", "bone", "tone-burst", 2000.0), level, verdict, "", masking_db=noise_db_em,
        transducer="bone-vibrator", age_group="adult", noise=f"{noise_db_em:g}", noise_transducer="insert",
    )  # fmt: skip


def test_what_an_ear_is_known_to_hear_by_bone_counts_for_the_other() -> None:
    """The left cochlea hears nothing below 45 dB, shown with noise in the right ear: at 70 dB nHL by air none is due."""
    bone = [by_bone(2, 45, PRESENT, 85), by_bone(3, 40, ABSENT, 80)]
    low = [run(4, 40, PRESENT), run(5, 30, ABSENT)]
    assert judged([run(1, 70, PRESENT), *low], ABOUT)[0].whose == UNKNOWN
    assert {one.whose for one in judged([run(1, 70, PRESENT), *bone, *low], ABOUT)} == {OWN}


def test_two_ears_do_not_vouch_for_each_other() -> None:
    """Noise of 60 dB EM does if the right ear hears well, which only a run at 70 dB nHL tells; and whose that was tells only the
    noise."""
    found = judged([run(1, 70, PRESENT), by_bone(2, 45, PRESENT, 60), by_bone(3, 40, ABSENT, 60)], ABOUT)
    assert (found[0].whose, found[1].whose) == (UNKNOWN, UNKNOWN)


def test_of_several_runs() -> None:
    assert (of_runs([OWN, OWN]), of_runs([OWN, UNKNOWN]), of_runs([]), of_runs([OWN, ""])) == (OWN, UNKNOWN, "", "")


def test_kinds_of_noise_are_told_apart_and_the_ears_own_speaks() -> None:
    runs = judged([run(1, 70, PRESENT), run(2, 70, PRESENT), run(3, 70, ABSENT, 30), run(4, 70, PRESENT, 20)], ABOUT)
    (tally,) = tallies(runs).values()
    assert (tally.standing, tally.numbers, tally.aside, tally.whose) == ("absent", (3,), (1, 2, 4), OWN)
    threshold = threshold_of(RIGHT, runs)
    assert (threshold.finding, threshold.level_db_nhl, threshold.whose) == ("no response", 70, OWN)
    assert threshold.low_db_nhl > 60, "the responses with other masking are not in the interval either"


def test_noise_that_may_hide_the_tested_ear() -> None:
    threshold = threshold_of(RIGHT, judged([run(1, 70, ABSENT, 90)], ABOUT))
    assert threshold.words.endswith("not known to be this ear's")
    assert "the noise at 70 dB nHL may have hidden a response of this ear" in threshold.notes
    both = threshold_of(RIGHT, judged([run(1, 70, ABSENT, 90), run(2, 80, PRESENT, 40)], ABOUT))
    assert (both.whose, both.hidden) == (OWN, True)
    assert both.words.endswith("; noise may have hidden a lower one")
