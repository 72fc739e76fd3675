"""A session on disk: what its runs say together, what is said about them, and that it goes on after anything."""

from __future__ import annotations

import datetime
import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.session_steps import within_dose
from quietfloor.monitor.run.sound_output import DoseRefused, make_stimulus
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import SessionPlan, make_session_plan
from quietfloor.monitor.session.session_store import SessionError, keep_noise
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.dose import Dose, limit_pa2s

LEFT = {"ear": "left", "stimulus": "tone burst 2000 Hz", "kind": "tone-burst", "frequency_hz": 2000.0}
Add = Callable[..., int]


@pytest.fixture
def plan(plan_text: str) -> SessionPlan:
    return make_session_plan(tomllib.loads(plan_text))


@pytest.fixture
def session(plan: SessionPlan, tmp_path: Path) -> Session:
    return Session.begin(tmp_path / "s07", plan)


def test_runs_are_read_from_their_own_records(session: Session, add_run: Add) -> None:
    add_run(session.folder, "40+", seconds=12.5)
    add_run(session.folder, "40-", masking={"level_db_em": 50.0})
    add_run(session.folder, "50?", **LEFT)
    add_run(session.folder, "60+", muted=True)
    runs = session.runs()
    assert [run.words for run in runs] == [
        "run 1: 40 dB nHL, response, 14.0 nV of noise, 12 s",
        "run 2: 40 dB nHL, masked with 50 dB EM, no response, 14.0 nV of noise, 60 s",
        "run 3: 50 dB nHL, undecided, 14.0 nV of noise, 60 s",
        "run 4: 60 dB nHL, response, 14.0 nV of noise, 60 s, muted control",
    ]
    assert runs[2].condition.same_as(Condition("left", "air", "tone-burst", 2000))
    assert [run.counts for run in runs] == [True, True, True, False]
    assert (runs[0].rule, runs[0].sweeps, runs[1].masking_db) == ("evidence", 640, 50.0)


def test_what_belongs_to_no_ladder_is_left_out_and_what_is_damaged_is_named(session: Session, add_run: Add) -> None:
    for changes in ({"level_db_nhl": None, "level_db_fs": -30.0}, {"kind": None}):
        add_run(session.folder, "40+", **changes)
    replayed = RunFolder(session.folder / "run-002")
    replayed.write_json("run.json", replayed.read_json("run.json") | {"replay_of": "run-001"})
    RunFolder.create(session.folder)
    broken = RunFolder.create(session.folder)
    broken.write_text("run.json", "{")
    assert session.runs() == ()
    assert [text.partition(" ")[0] for text in session.damaged] == ["run-003", "run-004"]
    assert "it holds no recording" in session.damaged[0]


def test_a_discarded_run_does_not_count_and_comes_back(session: Session, add_run: Add) -> None:
    for word in ("40+", "30-", "35-"):
        add_run(session.folder, word)
    first = session.next()
    assert first is not None
    assert (first.level_db_nhl, first.reason) == (40, "confirm")
    out = session.discard(2, "  she woke\nup ")
    assert (out.discarded, out.counts) == ("she woke up", False)
    session.note(2, "electrode off")
    again = Session.open(session.folder)
    assert again.run(2).notes == ("electrode off",)
    changed = again.thresholds()[0]
    assert changed.highest_absent_db_nhl == 35
    again.discard(3, "noise")
    down = again.next()
    assert down is not None
    assert (down.level_db_nhl, down.reason) == (30, "down")
    assert again.restore(2).counts
    kept = json.loads((session.folder / "session.json").read_text(encoding="utf-8"))
    assert kept["format"] == "quietfloor session 1"
    assert kept["runs"]["3"]["discarded"] == "noise"
    assert kept["runs"]["2"]["notes"][0]["text"] == "electrode off"
    assert kept["subject"]["pseudonym"] == "S07"


@pytest.mark.parametrize(
    ("do", "words"),
    [
        (lambda session: session.discard(1, " "), "with a reason"),
        (lambda session: session.discard(9, "x"), "there is no run 9 .* finished ones are: 1"),
        (lambda session: session.note(1, ""), "the note is empty"),
        (lambda session: session.announce("fun", ""), "purpose = 'fun'"),
        (lambda session: session.run_plan(Condition("left", "bone", "click"), 30), "is no condition of"),
    ],
)
def test_what_cannot_be_is_refused(session: Session, add_run: Add, do: Callable[[Session], object], words: str) -> None:
    add_run(session.folder, "40+")
    with pytest.raises(SessionError, match=words):
        do(session)


def test_one_condition_after_the_other_and_then_it_is_done(session: Session, add_run: Add) -> None:
    for word in ("40+", "30+", "20-", "25-", "30+", "25-"):
        add_run(session.folder, word)
    following = session.next()
    assert following is not None
    assert following.condition.ear == "left"
    assert (following.level_db_nhl, following.reason) == (45, "softer"), "25 was the last sound; the plan says 50"
    for word in ("50+", "40+", "30+", "20+", "10+", "0+", "0+"):
        add_run(session.folder, word, **LEFT)
    assert session.next() is None
    right, left = session.thresholds()
    assert (right.finding, right.level_db_nhl, right.settled) == ("threshold", 30, True)
    assert (left.finding, left.level_db_nhl, left.settled) == ("at most", 0, True)
    measured = session.measured()
    assert [(one.ear, one.finding, one.lowest_present_db_nhl, one.ear_known) for one in measured] == [
        ("right", "threshold", 30, True),
        ("left", "at most", 0, True),
    ]
    assert math.isnan(measured[1].highest_absent_db_nhl)


def test_what_a_run_is_for_survives_a_kill(session: Session, add_run: Add) -> None:
    add_run(session.folder, "40+")
    session.announce("growth", "only to see growth")
    killed = Session.open(session.folder)  # another process, after the run was made and nothing else
    add_run(killed.folder, "45+")
    assert [run.purpose for run in killed.runs()] == ["threshold", "growth"]
    add_run(killed.folder, "30-")
    killed.announce("threshold", "down")
    assert [run.purpose for run in killed.runs()] == ["threshold", "growth", "threshold"]
    add_run(killed.folder, "20-")
    assert [run.purpose for run in killed.runs()] == ["threshold", "growth", "threshold", "threshold"]


def test_another_person_needs_another_folder(session: Session, plan_text: str) -> None:
    with pytest.raises(SessionError, match="is the session of 'S07', and the plan is for 'S08'"):
        Session.begin(session.folder, make_session_plan(tomllib.loads(plan_text.replace("S07", "S08"))))
    longer = make_session_plan(tomllib.loads(plan_text.replace("highest_db_nhl = 80", "highest_db_nhl = 70")))
    assert Session.begin(session.folder, longer).plan.limits.highest_db_nhl == 70
    assert Session.open(session.folder).plan.limits.highest_db_nhl == 70


def test_a_kept_plan_without_a_method_is_a_ladder_and_a_new_one_is_a_search(plan_text: str, tmp_path: Path) -> None:
    without = plan_text.replace('method = "ladder"\n', "")
    new = make_session_plan(tomllib.loads(without))
    assert (new.method, new.confirm, new.search.width_db, new.search.widest_db) == ("search", "none", 10.0, 14.0)
    assert Session.begin(tmp_path / "new", new).plan.method == Session.open(tmp_path / "new").plan.method == "search"
    old = tmp_path / "old"
    old.mkdir()
    (old / "session-plan.toml").write_text(without, encoding="utf-8")
    assert Session.open(old).plan.method == "ladder"
    assert Session.begin(old, new).plan.method == Session.open(old).plan.method == "ladder", "it goes on as it began"
    named = make_session_plan(tomllib.loads(plan_text.replace('"ladder"', '"search"')))
    assert Session.begin(old, named).plan.method == Session.open(old).plan.method == "search", "unless the plan names another"


def test_a_damaged_file_says_what_to_do(session: Session, add_run: Add) -> None:
    add_run(session.folder, "40+")
    path = session.folder / "session.json"
    for text in ("{", "[]", '{"format": "quietfloor session 9"}', '{"format": "quietfloor session 1", "runs": {"x": {}}}'):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(SessionError, match=r"is damaged .* move this file away"):
            session.runs()
    path.unlink()
    assert len(session.runs()) == 1
    with pytest.raises(SessionError, match="is no session"):
        Session.open(session.folder.parent)


def test_seeds_differ_from_run_to_run(session: Session, add_run: Add) -> None:
    condition = session.plan.conditions[0]
    first = session.run_plan(condition, 40).sound
    add_run(session.folder, "40+")
    second = session.run_plan(condition, 40).sound
    assert first is not None
    assert second is not None
    assert first.seed != second.seed


def test_time_is_counted_and_shared(session: Session, plan_text: str, add_run: Add) -> None:
    assert math.isinf(session.time_left_s(()))
    limited = make_session_plan(tomllib.loads(plan_text.replace("[limits]", "[limits]\nminutes = 5")))
    session = Session.begin(session.folder, limited)
    for word in ("40+", "30-"):
        add_run(session.folder, word, seconds=120)
    session.discard(2, "noise")
    assert session.time_left_s(session.runs()) == 60
    assert [one.reason for one in session.suggestions()] == ["time", "time"]
    plenty = session.next(minutes_left=60)
    assert plenty is not None
    assert plenty.level_db_nhl == 30


def test_masking_is_flagged_where_it_is_due(session: Session, plan_text: str, add_run: Add, tmp_path: Path) -> None:
    """A click of 80 dB nHL by insert may reach the other ear; 40 does not."""
    add_run(session.folder, "70-")
    made = session.next()
    assert made is not None
    assert (made.level_db_nhl, made.masking_due) == (80, True)
    assert "Masking: Right ear, 80 dB nHL by air: mask the left ear" in made.sentence
    low = session.masking(0, 40)
    assert low is not None
    assert not low.due
    growth = session.masking(0, 80, "growth")
    assert growth is not None
    assert (growth.due, growth.needed) == (True, False)
    add_run(session.folder, "80+")
    assert not session.measured()[0].ear_known


def test_the_error_rate_of_a_ladder_counts_with_the_rules_and_the_largest_alpha(
    session: Session, plan_text: str, add_run: Add
) -> None:
    usual, other = session.errors()
    assert usual is not None
    assert other is not None
    assert usual.alpha == 0.01
    assert other.any_false < usual.any_false, "from 50 dB nHL on it has fewer runs"
    add_run(session.folder, "40+", alpha=0.05)
    assert [0.0 if one is None else one.alpha for one in session.errors()] == [0.05, 0.01]
    for rule, known in (("fsp", True), ("naive_fsp", False)):
        plan = make_session_plan(tomllib.loads(f"{plan_text}\n[run.decision]\nrule = '{rule}'"))
        assert (plan.errors(0) is not None) == known


def test_a_threshold_from_unmasked_runs_is_not_known_to_be_this_ears(
    session: Session, add_run: Add, capsys: pytest.CaptureFixture[str]
) -> None:
    """50 dB or more between the ears with inserts (as taught in courses): at 70 dB nHL noise is due, at 40 it is not."""
    for word in ("70+", "60-", "60-"):
        add_run(session.folder, word)
    right = session.thresholds()[0]
    assert (right.finding, right.level_db_nhl, right.whose) == ("threshold", 70, "not known to be this ear's")
    assert main(["session", str(session.folder), "--status", "--json"]) == 0
    printed = capsys.readouterr()
    assert f"right ear, click by air: {right.words}" in printed.err
    assert right.words.endswith("; not known to be this ear's")
    assert "run 1: 70 dB nHL, response, not known to be this ear's" in printed.err
    said = json.loads(printed.out)
    assert [one["whose"] for one in said["thresholds"]] == ["not known to be this ear's", ""]
    assert [run["whose"] for run in said["runs"]] == ["not known to be this ear's", "this ear's", "this ear's"]


def test_runs_with_other_noise_are_not_pooled(session: Session, add_run: Add) -> None:
    """Two unmasked responses that may be the other ear's do not outvote one masked absence."""
    masked = {"noise": "white", "level_db_em": 35.0, "transducer": "insert"}
    for word in ("70+", "70+", "80+"):
        add_run(session.folder, word)
    add_run(session.folder, "70-", masking=masked)
    right = session.thresholds()[0]
    assert (right.level_db_nhl, right.highest_absent_db_nhl) == (80, 70)
    assert "at 70 dB nHL runs 1, 2 had other masking than white 35 dB EM, and are not counted with the rest" in right.notes
    add_run(session.folder, "80+", masking=masked | {"level_db_em": 45.0})
    right = session.thresholds()[0]
    assert (right.level_db_nhl, right.rests_on, right.whose) == (80, (5, 4), "this ear's")
    assert session.run(5).replicate_of is None, "run 3 had no noise"


def test_the_limit_of_a_run_follows_the_noise_and_says_the_minutes(session: Session, add_run: Add) -> None:
    """An adult of 2 uV: 15 nV take (2000 / 15)^2 = 17,778 sweeps, where the usual limit of a run is 6,144."""
    right = session.plan.conditions[0]
    first = session.sweeps(0, session.runs())
    assert first.limit == session.run_plan(right, 40).decision.max_sweeps == 6144
    assert "a run ends at 6,144 sweeps (2 min) at the latest; the noise is not known yet" in first.words
    add_run(session.folder, "40?", nv=2000 / math.sqrt(6144), sweeps=6144, seconds=135.0)
    known = session.sweeps(0, session.runs())
    assert known.needed == pytest.approx(17_778, rel=1e-4)
    assert session.run_plan(right, 40).decision.max_sweeps == known.limit == 27_136
    assert "takes about 18,000 sweeps (7 min), a run ends at 27,136 sweeps (10 min)" in known.words
    assert session.outlook(0, session.runs()).absence_s == pytest.approx(135 * 17_778 / 6144, rel=1e-3)
    quiet = [add_run(session.folder, "40-", nv=15.0, sweeps=2000) for _ in range(3)]
    assert session.sweeps(0, session.runs()).limit == 6144, "the latest runs count"
    for number in quiet:
        session.discard(number, "another channel")
    assert session.sweeps(0, session.runs()).limit == 27_136


def test_a_check_after_the_last_run_tells_the_noise(session: Session, add_run: Add) -> None:
    keep_noise(session.folder, 2.0)
    assert session.sweeps(0, ()).limit == 27_136
    told = (Path(__file__).parents[2] / "docs" / "file-formats.md").read_text(encoding="utf-8")
    kept = json.loads((session.folder / "noise.json").read_text(encoding="utf-8"))
    assert [key for key in kept if f"`{key}`" not in told] == []
    keep_noise(session.folder, math.nan)
    assert session.sweeps(0, ()).noise_uv == 2.0, "a check that found nothing is none"
    add_run(session.folder, "40-", nv=15.0, sweeps=2000)
    assert session.sweeps(0, session.runs()).noise_uv == pytest.approx(0.671, abs=0.001)
    keep_noise(session.folder, 4.0)
    noisy = session.sweeps(0, session.runs())
    assert noisy.limit == 32_768 < noisy.needed
    assert "it cannot be told; let the person lie down" in noisy.words
    for damage in ("{", "[]", "3", '{"noise_uv": "x", "after_run": 1}', '{"noise_uv": -1, "after_run": 1}', '{"noise_uv": 1}'):
        (session.folder / "noise.json").write_text(damage, encoding="utf-8")
        assert session.sweeps(0, session.runs()).noise_uv < 1


def test_a_limit_in_the_plan_stays_and_says_where_it_is_too_low(session: Session, plan_text: str) -> None:
    fixed = make_session_plan(tomllib.loads(f"{plan_text}\n[run.decision]\nmax_sweeps = 4000"))
    session = Session.begin(session.folder, fixed)
    keep_noise(session.folder, 2.0)
    assert session.run_plan(fixed.conditions[0], 40).decision.max_sweeps == 4000
    assert "it cannot be told; leave out max_sweeps under [run.decision]" in session.sweeps(0, ()).words


def test_a_longer_run_never_passes_the_dose_where_the_usual_one_would_not(session: Session) -> None:
    """A click of 80 dB nHL: 27,136 sweeps are most of what an ear may get in a day."""
    keep_noise(session.folder, 2.0)
    plan = session.run_plan(session.plan.conditions[0], 80)
    assert within_dose(plan, session.folder, False) == plan
    SessionDose(session.folder).settle("run-001", Dose(right_pa2s=0.6 * limit_pa2s("adult")))
    less = within_dose(plan, session.folder, False)
    assert 6144 < less.decision.max_sweeps < plan.decision.max_sweeps  # all that is left
    spent, more = SessionDose(session.folder).spent(), less.decision.max_sweeps + 16
    with pytest.raises(DoseRefused, match="s are left"):
        make_stimulus(less.sound, datetime.date.today(), sweeps=more, spent=spent)
    make_stimulus(less.sound, datetime.date.today(), sweeps=less.decision.max_sweeps, spent=SessionDose(session.folder).spent())
    assert within_dose(plan, session.folder, True) == plan, "a limit of one's own is not changed"


def followed(session: Session, add_run: Add, hears_from: dict[str, float], response_s: float, absence_s: float) -> list[str]:
    """Whatever is suggested, until nothing is: ear and level of each run, with what it found."""
    made: list[str] = []
    while (coming := session.next()) is not None:
        assert coming.level_db_nhl is not None
        ear, heard = coming.condition.ear, coming.level_db_nhl >= hears_from[coming.condition.ear]
        plan = session.run_plan(coming.condition, coming.level_db_nhl)
        assert plan.sound is not None
        needed_s, allowed_s = response_s if heard else absence_s, plan.decision.max_sweeps * plan.sound.sweep_s
        word = f"{coming.level_db_nhl:g}{'?' if needed_s > allowed_s else '+' if heard else '-'}"
        lasts_s = min(needed_s, allowed_s)
        sweeps, nv = int(lasts_s / plan.sound.sweep_s), 15 * (absence_s / lasts_s) ** 0.5
        add_run(session.folder, word, seconds=lasts_s, sweeps=sweeps, nv=nv, **(LEFT if ear == "left" else {}))
        made.append(f"{ear} {word}")
    return made


@pytest.mark.parametrize("absence_s", [130, 200, 300])
def test_where_runs_outgrow_their_share_no_ladder_is_given_up(
    session: Session, plan_text: str, add_run: Add, absence_s: float
) -> None:
    """12 minutes for two ears that hear from 70 dB nHL: each has its runs, the louder the shorter the time."""
    limited = make_session_plan(tomllib.loads(plan_text.replace("[limits]", "[limits]\nminutes = 12")))
    session = Session.begin(session.folder, limited)
    made = followed(session, add_run, {"right": 70.0, "left": 70.0}, 60, absence_s)
    assert {one.finding for one in session.thresholds()} <= {"threshold", "at most"}, made
    assert sum(run.seconds for run in session.runs()) <= 720
    assert all("no time is left" in one.why or "are not enough" in one.why for one in session.suggestions())


def test_what_is_left_of_the_time_goes_to_the_ladder_of_which_least_is_known(
    session: Session, plan_text: str, add_run: Add
) -> None:
    limited = make_session_plan(tomllib.loads(plan_text.replace("[limits]", "[limits]\nminutes = 9")))
    session = Session.begin(session.folder, limited)
    add_run(session.folder, "40+", seconds=60)
    add_run(session.folder, "30-", seconds=240)
    coming = session.next()
    assert coming is not None
    assert (coming.condition.ear, coming.short) == ("left", True)
    add_run(session.folder, "50-", seconds=180, **LEFT)
    last = session.next()
    assert last is not None
    assert (last.condition.ear, last.level_db_nhl) == ("left", 70), "up to 80, by no more than 20 dB from one sound to the next"
    assert "the 60 s left are not enough for a run of about " in last.why
    assert " to its end, but a response may show sooner" in last.why
    plan = session.run_plan(last.condition, 70)
    assert plan.sound is not None
    assert plan.decision.max_sweeps == int(60 / plan.sound.sweep_s), "it ends with the time"
    assert session.run_plan(last.condition, 70, minutes_left=60).decision.max_sweeps == 6144


def test_a_person_who_wakes_is_named_and_what_tells_most_comes_next(session: Session, add_run: Add) -> None:
    for word in ("40+", "30-", "35-"):
        add_run(session.folder, word)
    asleep = session.next()
    assert asleep is not None
    assert (asleep.condition.ear, asleep.short) == ("right", False)
    add_run(session.folder, "40+", nv=80.0, sweeps=128)
    again = session.next()
    assert again is not None
    assert not again.short, "a short run may have met a single bad moment"
    session.discard(4, "again")
    add_run(session.folder, "40+", nv=28.0)
    awake = session.next()
    assert awake is not None
    assert (awake.condition.ear, awake.short) == ("left", True), "nothing is known of it yet"
    assert "the noise of run 5 is 2.0 times that of the runs before: is the person waking?" in awake.why
    session.discard(5, "she moved")
    assert session.next() == asleep
    add_run(session.folder, "35-", presented=1000)
    restless = session.next()
    assert restless is not None
    assert "in run 6 36 % of the sweeps were rejected, 0 % in the runs before" in restless.why
    add_run(session.folder, "50-", **LEFT)
    louder = session.next()
    assert louder is not None
    assert (louder.condition.ear, louder.short) == ("left", False), "asleep again: the ladder that is open goes on"
