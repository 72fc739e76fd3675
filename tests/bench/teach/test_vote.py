"""Votes of a class: counted by hand, one round for each number of sweeps, and the class as one more rule beside the others."""

from __future__ import annotations

import pytest

from quietfloor.bench.teach.adjustable import Conditions
from quietfloor.bench.teach.choices import Lesson
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.vote import Ballot, Choice, Round, verdict_on
from quietfloor.bench.teach.words import answer, headline


def counted(*hands: tuple[Choice, int, int]) -> Ballot:
    ballot = Ballot()
    for choice, by, sweeps in hands:
        ballot = ballot.counted(choice, by, sweeps)
    return ballot


def test_hands_are_counted_in_the_round_of_their_sweeps() -> None:
    ballot = counted(("yes", 3, 512), ("wait", 9, 256), ("yes", 1, 256), ("yes", 1, 512), ("no", 2, 512))
    assert ballot.rounds == (Round(256, yes=1, wait=9), Round(512, yes=4, no=2))
    assert ballot.at(512).hands == 6
    assert ballot.at(768) == Round(768)
    assert ballot.earlier(512) == "256: 1 / 0 / 9"


def test_hands_are_taken_back_but_never_below_none() -> None:
    ballot = counted(("yes", 2, 256), ("yes", -1, 256))
    assert ballot.at(256).yes == 1
    assert counted(("no", -1, 256)).rounds == ()
    assert counted(("yes", 2, 256), ("yes", -1, 256), ("yes", -1, 256)).rounds == ()


@pytest.mark.parametrize(
    ("hands", "found", "at_sweeps", "now"),
    [
        ([], False, 0, "no vote"),
        ([("yes", 5, 256), ("wait", 5, 256)], False, 0, "waited"),  # half is not more than half
        ([("yes", 5, 256), ("wait", 5, 256), ("yes", 6, 512), ("no", 5, 512)], True, 512, "yes"),
        ([("no", 3, 256), ("yes", 9, 512)], False, 256, "no"),  # the first decision stands
    ],
)
def test_the_class_decides_in_the_first_round_with_more_than_half_of_the_hands(
    hands: list[tuple[Choice, int, int]], found: bool, at_sweeps: int, now: str
) -> None:
    opinion = counted(*hands).opinion()
    assert (opinion.name, opinion.found, opinion.at_sweeps, opinion.now) == ("the class", found, at_sweeps, now)


def test_the_class_is_right_or_wrong_only_when_it_has_decided() -> None:
    yes, no = counted(("yes", 1, 256)).opinion(), counted(("no", 1, 256)).opinion()
    assert verdict_on(yes, responds=True) == "right: there is a response"
    assert verdict_on(yes, responds=False) == "wrong: there is no response"
    assert verdict_on(no, responds=False) == "right: there is no response"
    assert verdict_on(Ballot().opinion(), responds=True) == ""


@pytest.mark.parametrize("ear", ["hears", "deaf"])
def test_words_do_not_tell_the_answer_before_it_is_revealed(ear: str) -> None:
    """The same words for an ear that hears and for one that does not, but for the numbers; afterwards they differ."""
    room = Classroom(Lesson(ear=ear), seed=1)  # type: ignore[arg-type]
    room.step(512)  # the valid rule has found the response of the ear that hears
    assert (room.verdict is not None) == (ear == "hears")
    hidden, shown = headline(room, reveal=False), headline(room, reveal=True)
    assert (hidden.state, hidden.word) == ("waiting", "Is there a response? · 512 sweeps")
    assert "hidden until R" in hidden.meaning
    assert "truth" not in hidden.rest
    assert (shown.state, shown.word) == (
        ("present", "Truth: a response · 512 sweeps") if ear == "hears" else ("absent", "Truth: no response · 512 sweeps")
    )
    assert shown.rest.startswith(f"the evidence says: {'response present (right)' if ear == 'hears' else 'undecided'}, ")
    assert ("no response" in answer(room)) == (ear == "deaf")


def test_the_large_word_is_the_truth_where_the_valid_rule_is_deceived() -> None:
    """Hum in step without the pause: "Response present" in large letters was taken for the answer."""
    room = Classroom(Lesson(ear="deaf", rate_per_s=50.0, random_pause=False, conditions=Conditions(mains_uv=10.0)), seed=1)
    room.step(384)
    assert room.verdict is not None
    assert room.verdict.verdict == "response_present"
    shown = headline(room, reveal=True)
    assert (shown.state, shown.word) == ("absent", "Truth: no response · 384 sweeps")
    assert shown.rest.startswith("the evidence says: response present (wrong), ")


def test_a_correlation_of_nearly_nothing_has_no_sign() -> None:
    room = Classroom(Lesson(conditions=Conditions(noise_uv=8.0, mains_uv=50.0, artefacts_per_min=60.0)), seed=1)
    room.step(256)
    assert -0.005 < room.correlation < 0
    assert "r 0.00" in headline(room, reveal=False).rest
