"""Sessions of virtual people: with noise as advised a normal newborn is not flagged, and no deaf ear is taken to hear."""

from __future__ import annotations

from dataclasses import replace

import pytest

from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.validate.masked_sessions import Person, Session, main, people
from quietfloor.monitor.session.conditions import OWN, UNKNOWN

SESSIONS = Sessions()


def person(group: str, number: int = 0) -> Person:
    """At one frequency only."""
    return replace([one for one in people(0, 1) if one.group == group][number], frequencies_hz=(4000.0,))


def test_a_normal_newborn_is_not_flagged_and_has_no_dilemma() -> None:
    course = Session(person("normal newborn"), True, SESSIONS).follow()
    assert (course.flagged, course.dilemmas) == (0, 0)
    assert [one.threshold.whose for one in course.found] == [OWN] * 4
    assert not any(one.wrong for one in course.found)


def test_without_noise_a_deaf_ear_answers_with_the_other_one_and_says_so() -> None:
    deaf = person("one-sided, adults", 1)
    without, noise = (Session(deaf, given, SESSIONS).follow().found for given in (False, True))
    assert any(one.wrong for one in without), "the shadow of the hearing ear"
    for found in (without, noise):
        assert not any(one.wrong for one in found if one.threshold.whose == OWN)
    assert any(one.threshold.whose == UNKNOWN for one in without)
    left = [one.threshold.finding for one in noise if one.threshold.condition.ear == "left"]
    assert left == ["no response", "no response"]


def test_what_cannot_be_asked(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["--drawn", "-1"])
    assert "give 0 to 10000 people" in capsys.readouterr().err
