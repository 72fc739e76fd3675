"""What the session view shows, computed without Qt: rows, audiogram, advice, time, electrodes, dose, large letters."""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from quietfloor.monitor.display.board import to_go
from quietfloor.monitor.display.session_live import (
    LETTERS_PER_HEIGHT,
    Far,
    coming_words,
    far_between,
    far_live,
    minutes_of_arc,
    short_time,
    with_live,
)
from quietfloor.monitor.display.session_sight import NOTHING, SessionSight, SightRow, share_words, sight_of
from quietfloor.monitor.display.views import STATES, Headline
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.readiness.findings import Finding, Group
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.running import Place
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.stimuli.dose import Dose, limit_pa2s
from tests.display.made_search import MadeSearch
from tests.live.test_words import LOOK
from tests.session.conftest import PLAN, write_run
from tests.session.searches import PLAN as SEARCHES
from tests.session.searches import answer, write_search

CALIBRATION = Path(__file__).parents[2] / "bench" / "virtual-earphone.toml"
RIGHT, LEFT = Condition("right", "air", "octave-chirp", 2000.0), Condition("left", "air", "octave-chirp", 2000.0)


@pytest.fixture
def ladder(tmp_path: Path) -> Session:
    session = Session.begin(tmp_path / "s07", make_session_plan(tomllib.loads(PLAN)))
    for word in ("40+", "30+", "20-", "25-", "30+", "25-"):
        write_run(session.folder, word, kind="click", transducer="insert")
    return session


@pytest.fixture
def searched(tmp_path: Path) -> Session:
    plan = make_session_plan(tomllib.loads(SEARCHES.replace("CALIBRATION", str(CALIBRATION))))
    session = Session.begin(tmp_path / "s08", plan)
    write_search(session.folder, {RIGHT: answer(23.0, found_db=30.0), LEFT: answer(math.inf)})
    return session


def seen(session: Session, **what: object) -> SessionSight:
    return sight_of(session, None, "nothing", "about 6 minutes to go (3 to 11)", 1200.0, **what)  # type: ignore[arg-type]


def test_in_the_table_it_says_which_ear_in_place_of_answered(tmp_path: Path) -> None:
    session = Session.begin(tmp_path / "s09", make_session_plan(tomllib.loads(PLAN)))
    for word in ("80+", "75-", "80+", "75-"):
        write_run(session.folder, word, kind="click", transducer="insert")
    right = seen(session).rows[0]
    assert (right.said, right.state) == ("which ear?", "present?")


def test_every_condition_stands_with_threshold_interval_state_and_evidence(ladder: Session) -> None:
    right, left = seen(ladder, chosen=(1,)).rows
    (found, _) = ladder.thresholds()
    assert (right.condition.ear, right.sound, right.threshold) == ("right", "click", "30")
    assert (right.said, right.state) == ("settled", "present")
    assert right.interval == f"{found.low_db_nhl:.0f} to {found.high_db_nhl:.0f}"
    assert right.effort == "3,840 · 6.0 min", "six runs of 640 sweeps and a minute"
    assert right.evidence.endswith((" at 30", " at 25"))
    assert (left.threshold, left.interval, left.evidence, left.effort) == (NOTHING,) * 4
    assert left.said == "not tested"
    assert (right.next, left.next) == (False, True)
    assert {row.state for row in (right, left)} <= set(STATES)


def test_of_searches_too_and_no_response_reads_as_above(searched: Session) -> None:
    right, low, left = seen(searched).rows
    assert (right.threshold, right.interval, right.said) == ("23", "19 to 27", "answered")
    assert (left.threshold, left.state) == ("> 80", "absent")
    assert low.said == "not tested"
    assert low.sound == "500 Hz octave chirp"
    assert low.short == "0.5 kHz"
    points = seen(searched).points
    found = [(one.ear, one.level_db, one.finding) for one in points]
    assert found == [("right", 23.0, "threshold"), ("left", 80.0, "no response")]
    assert (points[0].low_db, points[0].high_db) == (19.0, 27.0)
    assert math.isnan(points[1].high_db)


def test_a_search_counts_the_sweeps_of_all_its_levels_as_its_minutes_do(searched: Session) -> None:
    right, low, _ = seen(searched).rows
    assert right.effort == f"{17 * 1024:,} · 1.5 min", "17 levels of 1,024 sweeps each"
    assert low.effort == NOTHING


def test_a_condition_whose_only_run_was_discarded_says_so(tmp_path: Path) -> None:
    session = Session.begin(tmp_path / "s10", make_session_plan(tomllib.loads(PLAN)))
    write_run(session.folder, "40+", kind="click", transducer="insert")
    session.discard(1, "she woke up")
    right, left = seen(session).rows
    assert (right.said, right.state, right.threshold) == ("discarded", "discarded", NOTHING)
    assert left.said == "not tested"


def test_the_audiogram_is_estimated_only_by_tables_that_the_plan_names(ladder: Session, tmp_path: Path) -> None:
    assert seen(ladder).unit == "dB nHL"
    text = SEARCHES.replace("CALIBRATION", str(CALIBRATION)).replace('"adult"', '"infant"')
    text += '\n[hearing]\ntables = ["stapells-1995", "octave-chirp-2015"]\n'
    session = Session.begin(tmp_path / "s09", make_session_plan(tomllib.loads(text)))
    write_search(session.folder, {RIGHT: answer(23.0, found_db=30.0)})
    sight = seen(session)
    assert sight.unit == "dB eHL"
    (point,) = sight.points
    assert point.low_db < point.level_db < point.high_db
    assert point.high_db - point.low_db > 20.0, "ears differ more than the search is wide"


def test_time_and_dose_at_a_glance(ladder: Session) -> None:
    sight = seen(ladder)
    assert sight.time == ("6.0 min of recording gone", "about 6 minutes to go (3 to 11)", "20 min left of the plan's time")
    assert sight.dose == (("right", 0.0), ("left", 0.0))
    limit = limit_pa2s("adult")
    SessionDose(ladder.folder).settle("run-001", Dose(0.25 * limit, 0.9 * limit))
    sight = seen(ladder)
    assert [(ear, round(share, 3)) for ear, share in sight.dose] == [("right", 0.9), ("left", 0.25)]
    assert "little is left" in sight.dose_words
    (ladder.folder / "dose.jsonl").write_text("what is this\n", encoding="utf-8")
    sight = seen(ladder)
    assert sight.dose == ()
    assert "what these ears got is not known" in sight.dose_words
    assert [share_words(one) for one in (0.0, 1e-6, 0.0123, 0.25)] == ["0 %", "< 0.1 %", "1.2 %", "25 %"]


def test_the_electrodes_are_those_of_the_last_check_and_of_the_last_run(ladder: Session) -> None:
    assert seen(ladder).electrodes == (("", "run 6: 0.4 µV of noise in a sweep, 0 % of sweeps rejected"),)
    loose = Finding("signal", "look", "flat", subject="Cz-M1")
    report = Report((Group("electrodes", "Electrodes", (Finding("signal", "ok", "moves", subject="Cz-M2"), loose)),), ())
    moment = datetime.datetime(2026, 1, 15, 9, 4, 59)
    said = seen(ladder, checked=(report, moment)).electrodes
    assert said[0][0] == "look"
    assert said[0][1].startswith("Cz-M1: ")
    assert said[0][1].endswith("(in the check at 09:04)")
    fine = Report((Group("electrodes", "Electrodes", (Finding("signal", "ok", "moves", subject="Cz-M2"),)),), ())
    assert seen(ladder, checked=(fine, moment)).electrodes[0] == ("ok", "every contact was fine in the check at 09:04")


def test_nothing_is_known_before_the_first_run(tmp_path: Path) -> None:
    sight = seen(Session.begin(tmp_path / "new", make_session_plan(tomllib.loads(PLAN))))
    assert sight.points == ()
    assert sight.electrodes[0][0] == "wait"
    assert {one.name: bool(one.why) for one in sight.steps} == {
        "start": True, "louder": True, "softer": True, "mask": True, "condition_next": False, "repeat": True, "discard_now": True,
        "report": True, "files": True,
    }  # fmt: skip
    assert sight.headline.word == "No next run"


def test_a_session_that_is_finished_has_a_neutral_mark(ladder: Session) -> None:
    """Done is what is settled, not what a sentence says: with an open row nothing is next, and nothing is finished."""
    base = replace(seen(ladder), nothing="Every condition has its answer.")
    assert base.headline.word == "No next run"
    assert base.answered == f"{sum(row.done for row in base.rows)} of {len(base.rows)} answered"
    one = replace(base, rows=tuple(replace(row, done=True) for row in base.rows))
    assert one.answered == f"{len(one.rows)} of {len(one.rows)} answered"
    far = far_between(one, "")
    assert (one.headline.state, one.headline.word, far.state, far.word) == ("stopped", "Finished", "stopped", "Finished")


def plan_of(route: str = "air") -> Plan:
    return make_plan({
        "stream": {"name": "EEG", "eeg": ["1"], "trigger": "trigger"},
        "sound": {"stimulus": "octave-chirp", "frequency_hz": 2000, "level_db_nhl": 40, "calibration": str(CALIBRATION)},
        "analysis": {"acoustic_delay_ms": 0.9},
    })  # fmt: skip


def test_a_search_that_is_on_puts_its_answers_so_far_into_the_rows() -> None:
    now = MadeSearch(2).go_on(60).now()
    rows = tuple(
        SightRow(
            Condition(one.ear, "air", one.stimulus, one.frequency_hz), "", "", NOTHING, NOTHING, "waiting", "not tested", NOTHING,
            NOTHING,
        )
        for one in now.conditions
    )  # fmt: skip
    whole = SessionSight("S", rows, (), "dB nHL", None, "", ("1.0 min gone", "", "left"), "", (), (), "")
    live = with_live(whole, plan_of(), Status("running", search=now, seconds=42.0))
    playing = {place.condition for place, _ in now.playing}
    for number, (row, one) in enumerate(zip(live.rows, now.conditions, strict=True)):
        assert row.next == (number in playing)
        if not math.isnan(one.answer.threshold_db) and math.isfinite(one.answer.threshold_db):
            assert row.threshold.lstrip("<> ") in (f"{one.answer.threshold_db:.0f}", f"{one.levels_db[0]:g}")
    assert live.time[0] == "1.0 min gone, 0:42 in this one"
    assert live.time[1] == to_go(now)
    timed = with_live(replace(whole, left="20 min left", left_s=1200.0), plan_of(), Status("running", search=now, seconds=130.0))
    assert (timed.left, timed.time[2]) == ("18 min left", "18 min left of the plan's time")
    blank = SightRow(LEFT, "", "", NOTHING, NOTHING, "waiting", "not tested", NOTHING, NOTHING)
    whole = replace(whole, rows=(replace(blank, condition=RIGHT), blank))
    idle = with_live(whole, plan_of(), Status("running", seconds=5.0))
    assert [row.said for row in idle.rows if row.next] == ["runs at 40 dB"]
    look = replace(LOOK, sweeps_accepted=512)
    before = replace(whole, rows=(replace(whole.rows[0], sweeps=640, seconds=60.0), whole.rows[1]))
    more = with_live(before, plan_of(), Status("running", look=look, seconds=30.0)).rows[0]
    assert more.effort == "1,152 · 1.5 min", "with those of the runs before"


# -- large letters ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("screen_height_mm", [166.0, 174.0, 194.0, 299.0, 336.0], ids=["13.3", "14", "15.6", "24", "27 inch"])
def test_letters_of_the_large_view_are_high_enough_from_two_metres(screen_height_mm: float) -> None:
    """ISO 9241-303 (from memory): 16 minutes of arc at least, 20 to 22 for comfort. Heights of 16:9 screens by Pythagoras."""
    assert minutes_of_arc(screen_height_mm / LETTERS_PER_HEIGHT) >= 22.0
    assert minutes_of_arc(1000.0 * math.tan(math.radians(1.0)) * 2) == pytest.approx(60.0, rel=1e-3)


def test_the_large_letters_say_state_ear_level_and_time(ladder: Session) -> None:
    from quietfloor.monitor.display.session_sight import Coming

    coming = Coming(Condition("left", "bone", "click"), 35.0, "", "threshold", "Mask it.", "noise", True)
    far = far_between(replace(seen(ladder), coming=coming), "Enter: Start")
    assert far.lines == ("Ready", "Left ear, bone", "35 dB nHL + noise", "6 min to go", "Enter: Start")
    assert far.ear == "left"
    due = far_between(replace(seen(ladder), coming=replace(coming, given=False)), "")
    assert due.level == "35 dB nHL, noise due"
    assert far_between(replace(seen(ladder), coming=replace(coming, given=False, masking="", noise="")), "").level == "35 dB nHL"
    troubled = far_between(replace(seen(ladder, note="The run could not be made: no stream", trouble=True), coming=coming), "")
    assert (troubled.state, troubled.word) == ("fault", "Trouble: 8 tells it")
    assert far_between(seen(ladder, trouble=True), "").word == "Trouble: 8 tells it"
    move = replace(seen(ladder), coming=replace(coming, condition=LEFT, move="Move the earphone to the left ear"))
    assert far_between(move, "").lines[:2] == ("Move the earphone", "to the left ear")
    assert move.headline.word == "Move the earphone to the left ear"
    assert far_between(seen(ladder), "").level == "6 runs made"
    head = Headline("undecided", "Undecided", "", "")
    live = far_live(head, plan_of(), Status("running", seconds=12.0), "b: stop")
    assert live == Far("undecided", "Undecided", "right", "Right ear", "40 dB nHL", "0:12 gone", "b: stop")
    now = MadeSearch(2).go_on(30).now()
    search = far_live(head, plan_of(), Status("running", search=now, seconds=12.0), "b: stop")
    assert search.word == "Searching"
    place = now.place
    assert place is not None
    assert f"{now.conditions[place.condition].levels_db[place.level]:g}" in search.level
    paused = far_live(head, plan_of(), Status("running", search=replace(now, paused=True)), "")
    assert (paused.word, paused.level) == ("Paused", "no sound")
    both = replace(now, playing=((Place(0, 10), "start"), (Place(1, 11), "start")))
    ears = [f"{one.ear[:1].upper()} {one.frequency_hz / 1e3:g}k" for one in now.conditions if one.frequency_hz is not None]
    levels = [f"{one.levels_db[at]:g}" for one, at in zip(now.conditions, (10, 11), strict=True)]
    together = far_live(head, plan_of(), Status("running", search=both), "")
    assert together.level == f"{ears[0]} {levels[0]} · {ears[1]} {levels[1]} dB"


def test_what_is_on_is_not_said_to_be_next(ladder: Session) -> None:
    """While a run is on its noise cannot be changed, so nothing is advised."""
    from quietfloor.monitor.display.session_sight import Coming

    coming = Coming(RIGHT, 40.0, "Right ear: a search.", "search", "Mask the left ear.", "white noise of 30 dB EM")
    between = replace(seen(ladder), coming=coming)
    what, why, masking = coming_words(between, coming)
    assert what.startswith("Next: right ear, ")
    assert (why, "(K gives it)" in masking) == ("Right ear: a search.", True)
    on = with_live(between, plan_of(), Status("running", seconds=5.0))
    assert coming_words(on, coming) == (what.replace("Next", "Now"), "The audiogram shows what it finds when it is over.", "")
    given = replace(coming, given=True)
    assert coming_words(on, given)[2] == "Masking: white noise of 30 dB EM is given."


def test_the_last_run_is_named_with_its_ear(ladder: Session) -> None:
    assert re.match(r"Run 6, right click: \d+ dB nHL, ", seen(ladder).last)
    assert ", repeats run 4" in replace(ladder.runs()[-1], replicate_of=4).words


def test_what_is_read_from_far_is_short() -> None:
    assert short_time("about 6 minutes to go (3 to 11)") == "6 min to go"
    assert short_time("less than a minute to go") == "< 1 min to go"
    assert short_time("next run about 56 s") == "takes 56 s"
    assert short_time("time to go not known before the noise is") == ""
