"""Sessions whose thresholds come from searches: what is searched next, and what the answers say together."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.hearing.estimate import estimate
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.search.running import RunningSearch
from quietfloor.monitor.session.searching import Ahead, SearchAhead, levels_of, recording
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import SessionPlan, make_session_plan
from quietfloor.monitor.session.session_store import keep_noise
from quietfloor.monitor.session.staircase_rules import Rules
from tests.search.made import condition as made_condition
from tests.search.made import sweeps_uv, wave_uv
from tests.session.searches import LEVELS, PLAN, answer, write_search

CALIBRATION = Path(__file__).parents[2] / "bench" / "virtual-earphone.toml"


def plan_of(text: str = PLAN) -> SessionPlan:
    return make_session_plan(tomllib.loads(text.replace("CALIBRATION", str(CALIBRATION))))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.begin(tmp_path / "s08", plan_of())


def ahead(session: Session, minutes: float | None = None, **wanted: object) -> SearchAhead:
    found = session.search_ahead(minutes, **wanted)  # type: ignore[arg-type]
    assert found is not None
    return found


def named(found: SearchAhead) -> list[tuple[int, int]]:
    return [(one.index, one.rank) for one in found.conditions]


def test_one_frequency_of_each_ear_comes_before_the_second_one(session: Session) -> None:
    found = ahead(session)
    assert named(found) == [(0, 0), (2, 0), (1, 1)]
    assert {one.levels_db for one in found.conditions} == {LEVELS}
    assert [one.start_db for one in found.conditions] == [40.0, 40.0, 40.0]
    assert found.conditions[0].table() == {
        "ear": "right", "stimulus": "octave-chirp", "frequency_hz": 2000.0, "levels_db_nhl": list(LEVELS), "start_db_nhl": 40.0,
        "rank": 0,
    }  # fmt: skip
    assert found.sentence == (
        "Right ear, 2000 Hz octave chirp by air and 2 more conditions: next a search from 0 to 80 dB nHL, beginning at 40."
    )
    assert ahead(session, 12.0).sentence.endswith(", at most 12.0 min.")
    assert session.search_ahead(0.1) is None, "in 6 s nothing is found"


def test_the_minutes_to_go_follow_the_noise_and_what_is_open(session: Session) -> None:
    """Four times the noise power takes longer, a third of the conditions less; unknown noise says nothing."""
    assert math.isnan(ahead(session).to_go.median_s)
    keep_noise(session.folder, 1.0)
    quiet = ahead(session).to_go
    assert 0.0 < quiet.low_s < quiet.median_s < quiet.high_s
    median_min = round(quiet.median_s / 60)
    assert f" About {median_min} min of signal to go (" in ahead(session).sentence
    one = ahead(session, only=0).to_go
    assert 2.0 < quiet.median_s / one.median_s < 4.0
    keep_noise(session.folder, 2.0)
    assert ahead(session).to_go.median_s > 1.5 * quiet.median_s


def test_an_answer_is_read_back_and_shapes_what_is_searched_next(session: Session) -> None:
    right, low, left = session.plan.conditions
    write_search(session.folder, {right: answer(31.6, found_db=35.0)}, seconds=120.0)
    first, second, third = session.thresholds()
    assert (first.method, first.finding, first.settled) == ("search", "threshold", True)
    assert (first.level_db_nhl, first.low_db_nhl, first.high_db_nhl) == pytest.approx((32.0, 27.6, 35.6))
    assert first.estimate_db_nhl == 31.6
    assert (first.lowest_present_db_nhl, first.rests_on) == (35.0, (1,))
    assert math.isnan(first.highest_absent_db_nhl)
    assert first.words.startswith("threshold 32 dB nHL (95 %: 28 to 36); a response was found at 35 dB nHL")
    assert first.hidden_below.startswith("no response larger than 40 nV at 0 dB nHL, ")
    assert (second.finding, third.finding) == ("not tested", "not tested")
    found = ahead(session)
    assert named(found) == [(2, 0), (1, 1)]
    other_ear, octaves = found.conditions
    assert other_ear.expected == pytest.approx((31.6, 12.4), abs=0.1)
    assert octaves.expected == pytest.approx((31.6, 24.2), abs=0.1), "two octaves away"
    assert other_ear.start_db == 40.0, "never above where the plan begins"
    write_search(session.folder, {left: answer(12.0, found_db=15.0)})
    (last,) = ahead(session).conditions
    assert last.condition == low
    assert last.expected == pytest.approx((31.6, 24.2), abs=0.1), "the same ear says more"
    write_search(session.folder, {low: answer(20.0, found_db=25.0)})
    assert session.search_ahead() is None


def test_soft_thresholds_begin_the_others_softer(session: Session) -> None:
    right, _, left = session.plan.conditions
    write_search(session.folder, {right: answer(6.0, found_db=10.0)})
    assert {one.condition: one.start_db for one in ahead(session).conditions}[left] == 16.0


def test_a_search_that_ran_is_an_answer(session: Session) -> None:
    """An ear that begins at 22 dB nHL, its sweeps fed to the search of a live session."""
    search, rng, usable = RunningSearch((made_condition(),)), np.random.default_rng(5), np.ones(16, dtype=bool)
    while (chosen := search.choose()) is not None:
        level = made_condition().levels_db[chosen.place.level]
        search.update(chosen.place, sweeps_uv(rng, wave_uv(level, 22.0)), usable)
    said = search.answer()
    write_search(session.folder, {session.plan.conditions[0]: said}, seconds=said.seconds)
    found = session.thresholds()[0]
    assert found.settled
    assert (found.estimate_db_nhl, found.lowest_present_db_nhl) == pytest.approx((said.threshold_db, said.found_db))
    assert found.low_db_nhl <= 30.0 <= found.high_db_nhl


def test_a_finished_search_beats_an_unfinished_one_and_the_newest_counts(session: Session) -> None:
    right = session.plan.conditions[0]
    for said in (
        answer(30.0, found_db=35.0),
        answer(36.0, found_db=40.0),
        answer(34.0, found_db=45.0, width_db=30.0, finished=False),
    ):
        write_search(session.folder, {right: said})
    assert [run.number for run in session.searches()] == [1, 2, 3]
    assert (session.thresholds()[0].level_db_nhl, session.thresholds()[0].rests_on) == (36.0, (2,))
    out = session.discard(2, "probe fell out").words
    assert out.endswith("by mistake in at most 1 of 100 searches; discarded: probe fell out")
    session.note(2, "checked")
    assert session.thresholds()[0].level_db_nhl == 30.0
    session.discard(1, "the same")
    unfinished = session.thresholds()[0]
    assert (unfinished.finding, unfinished.settled, unfinished.lowest_present_db_nhl) == ("at most", False, 45.0)
    assert unfinished.words.startswith("not finished; so far threshold 34 dB nHL")
    assert named(ahead(session))[0] == (0, 0), "it is searched again"
    assert ahead(session).conditions[0].expected == pytest.approx((34.0, 30.0 / 3.92), abs=0.1), "from what was known by then"
    assert session.restore(2).notes == ("checked",)
    assert session.thresholds()[0].level_db_nhl == 36.0
    assert session.runs() == (), "no run of one level"


@pytest.mark.parametrize(
    ("said", "finding", "level", "words"),
    [
        (answer(math.inf), "no response", 80.0, "threshold above 80 dB nHL (95 %: 78 or more); no response was found"),
        (answer(-4.0, found_db=0.0), "at most", 0.0, "threshold below 0 dB nHL (95 %: at most 0)"),
        (answer(78.0, width_db=10.0), "no response", 80.0, "threshold 78 dB nHL (95 %: 73 to 83); no response was found"),
        (answer(40.0, width_db=40.0, finished=False), "not tested", math.nan, "not finished; so far threshold 40"),
    ],
)
def test_answers_beyond_the_levels(session: Session, said: object, finding: str, level: float, words: str) -> None:
    write_search(session.folder, {session.plan.conditions[0]: said})  # type: ignore[dict-item]
    found = session.thresholds()[0]
    assert found.finding == finding
    assert found.level_db_nhl == pytest.approx(level, nan_ok=True)
    assert found.words.startswith(words)
    assert (named(ahead(session))[0] == (0, 0)) == (finding == "not tested"), "what has its answer is not searched again"


def test_time_of_searches_counts_and_a_condition_that_was_not_played_says_nothing(session: Session) -> None:
    right, _, left = session.plan.conditions
    found = {right: answer(30.0, found_db=35.0, seconds=90.0), left: answer(20.0, seconds=30.0)}
    write_search(session.folder, found, seconds=150.0)
    assert [run.seconds for run in session.searches()] == pytest.approx([112.5, 37.5])
    limited = plan_of(PLAN.replace("[limits]", "[limits]\nminutes = 10"))
    again = Session.begin(session.folder, limited)
    assert again.time_left_s(again.all_runs()) == pytest.approx(450.0)
    assert ahead(again).minutes == pytest.approx(7.5)
    path = session.folder / "run-001" / "run.json"
    record = json.loads(path.read_text())
    for cell in record["search"]["conditions"][1]["cells"]:
        cell["presented"] = 0
    path.write_text(json.dumps(record))
    assert [run.condition for run in session.searches()] == [right]


def test_a_damaged_search_is_named_and_the_rest_is_read(session: Session) -> None:
    right = session.plan.conditions[0]
    write_search(session.folder, {right: answer(30.0, found_db=35.0)})
    write_search(session.folder, {right: answer(40.0, found_db=45.0)})
    path = session.folder / "run-002" / "run.json"
    record = json.loads(path.read_text())
    for damage in ({"found_db_nhl": 33.0}, {"cells": []}, {"cells": None}, {"threshold_db_nhl": "loud"}):
        broken = json.loads(json.dumps(record))
        broken["search"]["conditions"][0] |= damage
        path.write_text(json.dumps(broken))
        assert session.thresholds()[0].level_db_nhl == 30.0
        assert session.damaged[0].startswith("run-002 cannot be read"), damage


def test_conditions_with_another_rate_or_transducer_go_into_another_recording(tmp_path: Path) -> None:
    text = PLAN.replace('ear = "left"', 'ear = "left"\nsound = { rate_per_s = 21.1 }')
    session = Session.begin(tmp_path / "s", plan_of(text))
    assert named(ahead(session)) == [(0, 0), (1, 1)]
    assert named(ahead(session, without={0, 1})) == [(2, 0)]
    assert named(ahead(session, only=2)) == [(2, 0)]
    bone = Session.begin(tmp_path / "b", plan_of(PLAN.replace('ear = "left"', 'ear = "left"\nroute = "bone"')))
    assert named(ahead(bone)) == [(0, 0), (1, 1)]


def test_sounds_with_a_form_of_their_own_are_told_apart(tmp_path: Path) -> None:
    """The table of a recording has one form for each kind of stimulus, and the usual one for a second kind."""
    scipy.io.wavfile.write(tmp_path / "own.wav", 48000, np.sin(np.arange(480) * 0.3).astype(np.float32))

    def named_with(left: str) -> list[tuple[int, int]]:
        text = PLAN.replace('ear = "left"\nstimulus = "octave-chirp"\nfrequency_hz = 2000', f'ear = "left"\n{left}')
        assert text != PLAN
        return named(ahead(Session(tmp_path / "none", plan_of(text))))

    assert named_with('stimulus = "tone-burst"\nfrequency_hz = 2000') == [(0, 0), (2, 0), (1, 1)]
    assert named_with('stimulus = "tone-burst"\nfrequency_hz = 2000\nsound = { cycles = [1, 1, 1] }') == [(0, 0), (1, 1)]
    assert named_with(f'stimulus = "custom"\nsound = {{ wav = "{tmp_path}/own.wav", wav_zero_ms = 1.0 }}') == [(0, 0), (1, 1)]


def test_no_more_cells_than_a_recording_can_tell_apart(tmp_path: Path) -> None:
    more = "".join(
        f'[[condition]]\near = "left"\nstimulus = "octave-chirp"\nfrequency_hz = {hz}\n' for hz in (500, 1000, 3000, 4000, 8000)
    )
    found = ahead(Session.begin(tmp_path / "s", plan_of(PLAN.replace("[limits]", f"{more}[limits]"))))
    assert {len(one.levels_db) for one in found.conditions} == {14}, "17 levels each are 136 cells, a recording has 127"
    assert [one.rank for one in found.conditions] == [0, 0, 1, 1, 2, 3, 4, 5]
    ten = [replace(found.conditions[0], index=index, rank=index, levels_db=LEVELS, noise_db_em=()) for index in range(10)]
    assert [one.rank for one in recording(ten)] == list(range(9)), "the tenth finds no place: 140 cells"


def test_levels_whose_sound_is_not_let_out_are_left_out(session: Session) -> None:
    found = ahead(session, given=lambda sound: sound.level_db_nhl <= 62.0)
    assert {one.levels_db[-1] for one in found.conditions} == {60.0}
    assert session.search_ahead(given=lambda _: False) is None


def test_steps_become_wider_where_there_would_be_too_many() -> None:
    def every(_: float) -> bool:
        return True

    assert levels_of(Rules(lowest_db=0.0, highest_db=80.0), every) == LEVELS
    fine = levels_of(Rules(lowest_db=0.0, highest_db=90.0, last_step_db=1.0), every)
    assert (len(fine), fine[1], fine[-1]) == (31, 3.0, 90.0)
    assert levels_of(Rules(lowest_db=10.0, highest_db=33.0, start_db=20.0), every)[-1] == 30.0


def test_levels_for_which_noise_is_due_have_it_in_the_same_recording(session: Session) -> None:
    """50 dB between the ears with inserts, 10 dB margin (as taught in courses): from 55 dB nHL on noise is due."""
    right, low, left = session.plan.conditions
    every = ahead(session, noise=True)
    assert named(every) == [(0, 0), (2, 0), (1, 1)]
    due_db = next(level for level in LEVELS if (advice := session.masking(0, level)) is not None and advice.due)
    for one in every.conditions:
        assert one.levels_db == LEVELS
        assert one.table()["masking"] == "octave-band"
        given = one.table()["masking_db_em"]
        assert given == [session.noise_db_em(one.condition, level, search=True) for level in LEVELS if level >= due_db]
    plan = session.plan.search_plan(every)
    assert plan.sound is not None
    assert plan.sound.masking != "none"
    top = due_db - 5.0  # a session of an earlier version: levels without noise in a recording of their own
    write_search(session.folder, {
        right: answer(math.inf, top_db=top), left: answer(20.0, found_db=25.0, top_db=top), low: answer(math.inf, top_db=top),
    })  # fmt: skip
    masked = ahead(session, noise=True)
    assert named(masked) == [(0, 0), (1, 1)]
    assert {one.levels_db for one in masked.conditions} == {LEVELS}
    given = masked.conditions[0].table()["masking_db_em"]
    without = ahead(session)
    assert {one.levels_db for one in without.conditions} == {LEVELS}, "nobody wants noise: all levels, without"
    noise = dict(zip([level for level in LEVELS if level >= due_db], given, strict=True))
    write_search(session.folder, {right: answer(62.0, found_db=65.0)}, masking_db_em=noise)
    found = session.thresholds()[0]
    assert (found.level_db_nhl, found.whose, found.masked) == (62.0, "this ear's", True)


def test_four_frequencies_of_both_ears_find_place_in_one_recording(session: Session) -> None:
    """More levels than a recording has cells for: the loud ones are farther apart, and keep their noise."""
    (one, *_) = ahead(session, noise=True).conditions
    levels = tuple(float(level) for level in range(0, 95, 5))
    noise = tuple(math.nan if level < 55.0 else level - 40.0 for level in levels)
    eight = recording([replace(one, index=index, rank=index // 2, levels_db=levels, noise_db_em=noise) for index in range(8)])
    assert len(eight) == 8
    assert eight[0].levels_db == (*levels[:11], 60.0, 70.0, 80.0, 90.0)
    assert eight[0].noise_of_loudest == (20.0, 30.0, 40.0, 50.0)
    assert sum(len(each.levels_db) for each in eight) <= 127


def test_noise_by_another_earphone_comes_in_a_recording_of_one_ear(session: Session) -> None:
    """Somebody has to move it: the levels that need none come first, in both ears."""
    waiting = [replace(one, one_ear=True) for one in ahead(session, noise=True).conditions]
    quiet = recording(waiting)
    assert len(quiet) == 3
    assert not any(one.noise_of_loudest for one in quiet)
    loud = recording([replace(one, above_db=quiet[0].levels_db[-1]) for one in waiting])
    assert [one.condition.ear for one in loud] == ["right", "right"]
    assert all(one.noise_of_loudest for one in loud)


def test_a_response_that_may_be_the_other_ears_is_searched_again_with_noise(session: Session) -> None:
    right = session.plan.conditions[0]
    write_search(session.folder, {right: answer(68.0, found_db=70.0)})
    found = session.thresholds()[0]
    assert found.words.endswith("; not known to be this ear's")
    assert not found.measured.ear_known
    assert 0 not in [one.index for one in ahead(session).conditions]
    assert {one.expected for one in ahead(session).conditions} == {None}, "it says nothing of others"
    assert named(ahead(session, noise=True, only=0, again=True)) == [(0, 0)]
    doubtful = session.search_ahead(noise=True, without={1, 2})
    assert doubtful is not None
    (one,) = doubtful.conditions
    assert one.doubtful
    assert one.noise_of_loudest
    noise = dict(zip(one.levels_db[-len(one.noise_of_loudest) :], one.noise_of_loudest, strict=True))
    write_search(session.folder, {right: answer(68.0, found_db=70.0)}, masking_db_em=noise)
    assert session.thresholds()[0].whose == "this ear's"
    assert session.search_ahead(noise=True, without={1, 2}) is None


def test_where_no_noise_can_be_given_levels_are_searched_without(session: Session) -> None:
    found = ahead(session, noise=True, given=lambda sound: sound.masking == "none")
    assert {one.levels_db for one in found.conditions} == {LEVELS}
    assert not any(one.noise_of_loudest for one in found.conditions)


def test_a_loud_level_without_known_noise_has_that_of_the_level_below(session: Session) -> None:
    one = Ahead(0, session.plan.conditions[0], (50.0, 60.0, 70.0), 50.0, 0, noise_db_em=(math.nan, 30.0, math.nan))
    assert one.noise_of_loudest == (30.0, 30.0)
    quiet = one.quiet
    assert quiet is not None
    assert quiet.levels_db == (50.0,)


def test_searches_and_ladders_work_together_for_hearing_levels(session: Session, add_run: Callable[..., int]) -> None:
    """One table for both, so that only the levels differ: 32 by a search, 30 by a ladder."""
    right, low, _ = session.plan.conditions
    write_search(session.folder, {right: answer(31.6, found_db=35.0), low: answer(math.inf)})
    chirp = {"ear": "left", "kind": "octave-chirp", "frequency_hz": 2000.0}
    for word in ("40+", "30+", "20-", "25-", "30+", "25-"):
        add_run(session.folder, word, **chirp)
    first, second, third = session.measured()
    assert (first.finding, first.searched_db_nhl, first.lowest_present_db_nhl) == ("threshold", 32.0, 35.0)
    assert (second.finding, second.highest_absent_db_nhl) == ("no response", 80.0)
    assert (third.finding, third.lowest_present_db_nhl, third.highest_absent_db_nhl) == ("threshold", 30.0, 25.0)
    assert session.search_ahead() is None, "the ladder's threshold is settled"
    tables = session.plan.hearing.load()
    chosen = tables.choose(["octave-chirp-2015", "stapells-1995"])
    found, ladder = (estimate(one, chosen, "infant", age_months=3) for one in (first, third))
    assert found.level_db - ladder.level_db == pytest.approx(2.0)
    assert "from a threshold of 32 dB nHL by a search" in found.sentence


def test_the_status_lists_searches(session: Session, capsys: pytest.CaptureFixture[str]) -> None:
    write_search(session.folder, {session.plan.conditions[0]: answer(31.6, found_db=35.0)})
    assert main(["session", str(session.folder), "--status", "--json"]) == DONE
    out, err = capsys.readouterr()
    assert "right ear, 2000 Hz octave chirp by air · run 1: search, threshold 32 dB nHL (95 %: 28 to 36)" in err
    found = json.loads(out)
    assert found["runs"][0]["search"]["found_db"] == 35.0
    assert found["thresholds"][0]["method"] == "search"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("rate_per_s = 39.1", "rate_per_s = 39.1\nrandom_pause = false\nheld_to_plan = false", "a search is known by its pauses"),
        ("[run.sound]", "[run.decision]\nrule = 'fsp'\n[run.sound]", "a search decides by evidence"),
        ("rate_per_s = 39.1", "rate_per_s = 39.1\nmasking = 'white'\nmasking_level_db_fs = -40", "masking_level_db_em"),
    ],
)
def test_what_no_search_can_do_is_refused(old: str, new: str, words: str) -> None:
    assert old in PLAN
    with pytest.raises(PlanError, match=words):
        plan_of(PLAN.replace(old, new))
    plan_of('method = "ladder"\n' + PLAN.replace(old, new))
