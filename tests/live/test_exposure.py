"""The account of sound in a session folder, and the ways around it: restart, kill, a file deleted or edited, another clock."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
import os
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.plan.run_plan import PlanError, load_plan, make_plan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.readiness.dose_words import own_cautions
from quietfloor.monitor.run.opening import open_run
from quietfloor.monitor.run.sound_output import Sound, make_stimulus
from quietfloor.monitor.storage.dose_ledger import FILE, Age, ExposureError, SessionDose, dose_record
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.stimuli.dose import Dose, limit_pa2s
from tests.live.harness import call

TODAY = datetime.date(2026, 3, 1)
LIMIT = limit_pa2s("adult")


class Clock:
    def __init__(self) -> None:
        self.time = datetime.datetime(2026, 3, 1, 9, 0, tzinfo=datetime.UTC)

    def __call__(self) -> datetime.datetime:
        return self.time

    def pass_(self, **time: float) -> None:
        self.time += datetime.timedelta(**time)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def account(tmp_path: Path, clock: Clock) -> SessionDose:
    return SessionDose(tmp_path / "session", clock)


def left_run(session: Path, name: str, dose: Dose | None, started: datetime.datetime, **more: Any) -> Path:
    """A run folder as a run leaves it; without a dose as a version without one left it."""
    folder = session / name
    folder.mkdir(parents=True)
    stimulus = {"stimulus": "click"} | ({} if dose is None else {"dose": dose_record(dose)})
    (folder / "plan.toml").write_text("[sound]\nlevel_db_fs = -40\n")
    record = {"started": started.isoformat(), "stimulus": stimulus} | more
    (folder / "run.json").write_text(json.dumps(jsonable(record)))
    return folder


def test_a_new_session_has_heard_nothing(account: SessionDose) -> None:
    assert account.spent() == Dose()
    assert not account.session.exists()


def test_runs_add_up_and_what_was_played_replaces_what_was_reserved(account: SessionDose) -> None:
    account.reserve("run-001", Dose(0.0, 5.0))
    assert account.spent() == Dose(0.0, 5.0)
    account.settle("run-001", Dose(0.0, 2.0))
    account.reserve("run-002", Dose(3.0, 0.5))
    assert account.spent() == Dose(3.0, 2.5)
    assert account.spent(but="run-002") == Dose(0.0, 2.0)
    assert SessionDose(account.session, account._now).spent() == Dose(3.0, 2.5)  # another program, later


def test_a_run_that_was_killed_counts_as_reserved(account: SessionDose) -> None:
    account.reserve("run-001", Dose(0.0, 5.0))
    with (account.session / FILE).open("a") as file:
        file.write('{"run": "run-001", "at": "2026-03-0')  # killed while it wrote
    assert account.spent() == Dose(0.0, 5.0)
    account.reserve("run-002", Dose(0.0, 1.0))  # in place of the torn line
    assert account.spent() == Dose(0.0, 6.0)


def test_a_day_later_it_is_forgotten(account: SessionDose, clock: Clock) -> None:
    account.settle("run-001", Dose(0.0, 5.0))
    clock.pass_(hours=23)
    account.settle("run-002", Dose(0.0, 1.0))
    clock.pass_(hours=1, seconds=1)
    assert account.spent() == Dose(0.0, 1.0)
    clock.pass_(days=-3)  # a clock that was put back: still counted
    assert account.spent() == Dose(0.0, 6.0)


def test_deleting_the_account_does_not_empty_it(account: SessionDose, clock: Clock) -> None:
    left_run(account.session, "run-001", Dose(1.0, 4.0), clock.time)
    left_run(account.session, "run-002", Dose(0.0, 2.0), clock.time - datetime.timedelta(hours=25))
    assert account.spent() == Dose(1.0, 4.0)


def test_an_edited_account_is_held_against_the_runs(account: SessionDose, clock: Clock) -> None:
    left_run(account.session, "run-001", Dose(1.0, 4.0), clock.time)
    account.settle("run-001", Dose(2.0, 0.0))
    assert account.spent() == Dose(2.0, 4.0)


def test_a_run_without_any_account_closes_the_session(account: SessionDose, clock: Clock) -> None:
    folder = account.session / "run-001"
    folder.mkdir(parents=True)
    clock.time = datetime.datetime.now(datetime.UTC)  # file times are of the machine
    assert account.spent() == Dose()  # never began: no plan
    (folder / "plan.toml").write_text('[stream]\neeg = ["1"]\n')
    assert account.spent() == Dose()  # listened
    (folder / "plan.toml").write_text("[sound]\nlevel_db_fs = -40\n")
    with pytest.raises(ExposureError, match=r"run-001 played sound.*for a day; after that begin a new folder"):
        account.spent()
    assert account.spent(but="run-001") == Dose()
    clock.pass_(hours=25)
    assert account.spent() == Dose()


def test_a_run_of_an_earlier_version_closes_the_session_for_a_day(account: SessionDose, clock: Clock) -> None:
    left_run(account.session, "run-001", None, clock.time)
    with pytest.raises(ExposureError, match="says nothing about its sound dose"):
        account.spent()
    clock.pass_(hours=25)
    assert account.spent() == Dose()


def test_replays_and_listening_play_nothing(account: SessionDose, clock: Clock) -> None:
    left_run(account.session, "run-001", Dose(1.0, 4.0), clock.time, replay_of="elsewhere/run-001")
    left_run(account.session, "run-002", Dose(1.0, 4.0), clock.time, stimulus=None)
    assert account.spent() == Dose()


@pytest.mark.parametrize("left", [1, 20, 60])
def test_a_line_that_a_crash_cut_short_costs_nothing(account: SessionDose, left: int) -> None:
    """The machine went down while the second reservation was written: no sound was played on it, the next one is kept."""
    account.reserve("run-001", Dose(1.0, 2.0))
    whole = (account.session / FILE).read_text()
    account.reserve("run-002", Dose(3.0, 4.0))
    torn = (account.session / FILE).read_text()[: len(whole) + left]
    (account.session / FILE).write_text(torn)
    assert account.spent() == Dose(1.0, 2.0)
    account.reserve("run-003", Dose(5.0, 6.0))
    assert account.spent() == Dose(6.0, 8.0)
    assert (account.session / FILE).read_text().startswith(whole)
    (account.session / FILE).write_text(torn[len(whole) :])  # nothing but a torn line
    account.reserve("run-004", Dose(0.5, 0.5))
    assert account.spent() == Dose(0.5, 0.5)


@pytest.mark.parametrize(
    "line",
    [
        "nonsense",
        "{}",
        "3",
        '{"run": "run-001", "at": "2026-03-01T09:00:00+00:00", "left_pa2s": -5, "right_pa2s": 0}',
        '{"run": "run-001", "at": "2026-03-01T09:00:00+00:00", "left_pa2s": NaN, "right_pa2s": 0}',
        '{"run": "run-001", "at": "2026-03-01T09:00:00+00:00", "left_pa2s": true, "right_pa2s": 0}',
        '{"run": "run-001", "at": "2026-03-01T09:00:00+00:00", "left_pa2s": "0", "right_pa2s": 0}',
        '{"run": "run-001", "at": "2026-03-01T09:00:00", "left_pa2s": 0, "right_pa2s": 0}',
        '{"run": 1, "at": "2026-03-01T09:00:00+00:00", "left_pa2s": 0, "right_pa2s": 0}',
        '{"run": "run-001", "at": "yesterday", "left_pa2s": 0, "right_pa2s": 0}',
    ],
)
def test_a_damaged_account_is_no_permission(account: SessionDose, line: str) -> None:
    account.settle("run-001", Dose(0.0, 2.0))
    with (account.session / FILE).open("a") as file:
        file.write(line + "\n")
    with pytest.raises(ExposureError, match=r"line 2 of .*dose\.jsonl is damaged"):
        account.spent()


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"stimulus": {"dose": {"left_pa2s": -1, "right_pa2s": 0}}, "started": "2026-03-01T09:00:00+00:00"}'],
)
def test_a_damaged_run_is_no_permission(account: SessionDose, clock: Clock, text: str) -> None:
    (left_run(account.session, "run-001", Dose(), clock.time) / "run.json").write_text(text)
    with pytest.raises(ExposureError, match="does not tell what was played"):
        account.spent()


def test_without_a_disk_nothing_is_reserved(tmp_path: Path, clock: Clock) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ExposureError, match="nothing is played without it"):
        SessionDose(tmp_path / "file" / "session", clock).reserve("run-001", Dose())


# -- the account of a person ---------------------------------------------------------------------------------------


def folder_of(parent: Path, name: str, code: str | None, clock: Clock) -> SessionDose:
    (parent / name).mkdir(parents=True)
    if code is not None:
        (parent / name / "session-plan.toml").write_text(f"[subject]\npseudonym = {json.dumps(code)}\n")
    return SessionDose(parent / name, clock)


def test_the_sessions_of_one_person_have_one_account(tmp_path: Path, clock: Clock) -> None:
    first, second = (folder_of(tmp_path, name, code, clock) for name, code in (("s1", "P07"), ("s2", " p07 ")))
    others = [folder_of(tmp_path, "s3", "P08", clock), folder_of(tmp_path, "s4", None, clock)]
    first.settle("run-001", Dose(1.0, 2.0))
    left_run(second.session, "run-001", Dose(0.0, 3.0), clock.time)  # no ledger, only its run.json
    assert first.spent() == second.spent() == Dose(1.0, 5.0)
    assert second.spent(but="run-001") == Dose(1.0, 2.0)  # of this folder, not of the other one
    assert [one.spent() for one in others] == [Dose(), Dose()]
    clock.pass_(hours=24, seconds=1)
    assert first.spent() == Dose()


def test_a_new_folder_is_no_way_round_a_damaged_account(tmp_path: Path, clock: Clock) -> None:
    first, second = (folder_of(tmp_path, name, "P07", clock) for name in ("s1", "s2"))
    first.settle("run-001", Dose(1.0, 2.0))
    (first.session / FILE).write_text("gone\n")
    with pytest.raises(ExposureError, match=r"line 1 of .*s1.* is damaged"):
        second.spent()
    (first.session / FILE).unlink()
    third = folder_of(tmp_path, "s3", "P07", clock)
    third.settle("run-001", Dose(0.0, 1.0))
    (third.session / "session-plan.toml").write_text("[subject\n")
    with pytest.raises(ExposureError, match=r"s3 had sound.*whose ears"):
        second.spent()
    long_ago = (clock.time - datetime.timedelta(days=3)).timestamp()
    os.utime(third.session / FILE, (long_ago, long_ago))
    os.utime(third.session, (long_ago, long_ago))
    assert second.spent() == Dose()


@pytest.mark.parametrize(
    ("before", "after", "older"),
    [(Age("infant"), Age("adult"), True), (Age("infant"), Age("child", 20.0), True), (Age("child"), Age("adult"), True),
     (Age("infant", 3.0), Age("infant", 12.0), True), (Age("infant"), Age("infant", 3.0), True),
     (Age("infant", 3.0), Age("infant", 4.0), False), (Age("adult"), Age("infant"), False), (Age("child"), Age("child"), False)],
)  # fmt: skip
def test_nobody_grows_older_within_a_day_without_a_word(
    tmp_path: Path, clock: Clock, before: Age, after: Age, older: bool
) -> None:
    first, second = (folder_of(tmp_path, name, "P07", clock) for name in ("s1", "s2"))
    first.settle("run-001", Dose(1.0, 2.0), before)
    first.settle("run-000", Dose(1.0, 2.0))  # a line of an earlier version
    if not older:
        second.check_age(after)
        return
    with pytest.raises(ExposureError, match=r"was .* in a run of the last 24 hours.*age_change"):
        second.check_age(after)
    said = dataclasses.replace(after, change="entered by mistake")
    second.check_age(said)
    second.reserve("run-001", Dose(0.0, 1.0), said)
    line = json.loads((second.session / FILE).read_text())
    assert (line["age_group"], line["age_months"], line["age_change"]) == (after.group, after.months, "entered by mistake")
    assert second.spent() == Dose(2.0, 5.0)  # what was counted stays counted
    clock.pass_(hours=25)
    second.check_age(after)


@pytest.mark.parametrize(
    ("before", "now", "times"),
    [(Age("adult"), Age("infant"), 100.0), (Age("infant", 12.0), Age("infant"), 100.0), (Age("infant"), Age("adult"), 1.0),
     (None, Age("infant"), 1.0)],
)  # fmt: skip
def test_what_was_counted_for_larger_ears_counts_for_smaller_ones(
    account: SessionDose, clock: Clock, before: Age | None, now: Age, times: float
) -> None:
    """20 dB, the most that any step of age adds, are 100 times the energy."""
    account.settle("run-001", Dose(1.0, 2.0), before)
    clock.pass_(hours=1)
    account.settle("run-002", Dose(0.0, 1.0), now)
    found = account.counted(now)
    assert found.both == pytest.approx((times, 2.0 * times + 1.0))
    clock.pass_(hours=24)
    assert account.counted(now) == Dose()


def test_a_folder_of_another_user_beside_the_sessions_is_nobodys_account(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = folder_of(tmp_path, "s1", "P07", clock)
    (tmp_path / "lost+found").mkdir()
    looked = Path.is_file

    def is_file(path: Path) -> bool:
        if path.parent.name == "lost+found":
            raise PermissionError(13, "Permission denied", str(path))
        return looked(path)

    monkeypatch.setattr(Path, "is_file", is_file)  # whoever runs the tests may be allowed to look anywhere
    assert first.spent() == Dose()


def test_a_link_to_a_session_counts_once(tmp_path: Path, clock: Clock) -> None:
    first, second = (folder_of(tmp_path, name, "P07", clock) for name in ("s1", "s2"))
    first.settle("run-001", Dose(0.0, 3.0))
    (tmp_path / "again").symlink_to(first.session, target_is_directory=True)
    (tmp_path / "here").symlink_to(second.session, target_is_directory=True)
    assert first.spent() == second.spent() == Dose(0.0, 3.0)


# -- the sound of a run ----------------------------------------------------------------------------------------------


def sound_plan(level: float = 60.0, **more: Any) -> SoundPlan:
    plan = make_plan({"sound": {"level_db_nhl": level, "calibration": str(virtual_calibration()), **more}})
    assert plan.sound is not None
    return plan.sound


def test_a_plan_that_is_too_much_is_refused_with_the_time_left() -> None:
    # 90 dB nHL at 47.1/s: 70.5 s and 0.5 dB are a day's sum, 3761 sweeps (see tests/stimuli/test_dose.py)
    with pytest.raises(PlanError, match=r"right ear.*80 s are left, about 37\d\d sweeps, and 6144 are asked for: lower"):
        make_stimulus(sound_plan(90.0), TODAY, sweeps=6144)
    make_stimulus(sound_plan(90.0), TODAY, sweeps=3000)
    with pytest.raises(PlanError, match=r"50 % of it is used for this person\): at this level 40 s are left"):
        make_stimulus(sound_plan(90.0), TODAY, sweeps=3000, spent=Dose(0.0, 0.5 * LIMIT))
    make_stimulus(sound_plan(90.0), TODAY, sweeps=3000, spent=Dose(0.9 * LIMIT, 0.0))  # the other ear
    make_stimulus(sound_plan(90.0, muted=True), TODAY, sweeps=6144)


def test_masking_is_part_of_it() -> None:
    masked = {"masking": "white", "masking_level_db_em": 74.0}
    with pytest.raises(PlanError, match="left ear may get"):
        make_stimulus(sound_plan(40.0, **masked), TODAY, sweeps=60_000)
    make_stimulus(sound_plan(40.0), TODAY, sweeps=60_000)


@pytest.mark.lsl
def test_a_sound_is_set_aside_before_it_plays_and_settled_after(tmp_path: Path) -> None:
    plan = sound_plan(80.0, device_source_id="exposure-a")
    stimulus = make_stimulus(plan, TODAY)
    sound = Sound(stimulus)
    sound.reserve(tmp_path, "run-001", 1000)
    planned = SessionDose(tmp_path).spent()
    assert planned.right_pa2s == pytest.approx(stimulus.frames.exposure(20 * 47.1, 0).right_pa2s)  # the first 20 s
    sound.reserve_more(None, 512)
    assert SessionDose(tmp_path).spent() == planned  # enough for now
    for _ in range(18):
        stimulus.frames.read(48_000)  # as the player would
        assert stimulus.frames.dose.right_pa2s <= SessionDose(tmp_path).spent().right_pa2s, "what is played was put down before"
        sound.reserve_more(None, 512)
    later = SessionDose(tmp_path).spent()
    assert later.right_pa2s > planned.right_pa2s
    assert later.right_pa2s <= stimulus.frames.exposure(18 * 47.1 + 512, 0).right_pa2s * 1.01
    planned = later
    sound.stop()
    sound.close()
    assert SessionDose(tmp_path).spent() == stimulus.frames.dose
    assert 0 < stimulus.frames.dose.right_pa2s < planned.right_pa2s
    assert sound.record["dose"]["right_pa2s"] == stimulus.frames.dose.right_pa2s


@pytest.mark.lsl
def test_a_sound_outside_a_run_is_set_aside_whole(tmp_path: Path) -> None:
    """Nobody adds to it while it plays: as many sweeps as were asked for come, here 40 s."""
    stimulus = make_stimulus(sound_plan(60.0, device_source_id="exposure-e"), TODAY)
    sound = Sound(stimulus)
    sound.reserve(tmp_path, "run-001", 2000, ahead=False)
    set_aside = SessionDose(tmp_path).spent()
    for _ in range(48):
        stimulus.frames.read(48_000)
    assert not stimulus.frames.dose_exhausted
    assert stimulus.frames.dose.right_pa2s >= stimulus.frames.exposure(2000, 0).right_pa2s
    assert stimulus.frames.dose.right_pa2s <= set_aside.right_pa2s
    sound.stop()
    sound.close()


@pytest.mark.lsl
def test_two_sounds_of_a_person_that_begin_together_do_not_both_get_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one records its dose after this one has counted, and before this one records."""
    one = Sound(make_stimulus(sound_plan(60.0, device_source_id="exposure-f"), TODAY))
    recorded = SessionDose.reserve

    def reserve(account: SessionDose, name: str, *rest: Any) -> None:
        recorded(account, "run-002", Dose(0.0, LIMIT))
        recorded(account, name, *rest)

    monkeypatch.setattr(SessionDose, "reserve", reserve)
    with pytest.raises(PlanError, match="begins at the same moment: try again"):
        one.reserve(tmp_path, "run-001", 1000)
    assert SessionDose(tmp_path).spent() == Dose(0.0, LIMIT)  # nothing of it is left set aside
    one.stop()
    one.close()


@pytest.mark.lsl
def test_a_sound_never_gives_more_than_was_set_aside(tmp_path: Path) -> None:
    plan = sound_plan(80.0, device_source_id="exposure-b")
    stimulus = make_stimulus(plan, TODAY)
    sound = Sound(stimulus)
    sound.reserve(tmp_path, "run-001", 100)
    for _ in range(30):
        sound.reserve_more(None, 512)
        stimulus.frames.read(48_000)
    assert len(stimulus.frames.sweeps) == pytest.approx(100 + 20 * 47.1, abs=2)
    assert sound.failure is not None
    assert "all the sound that was set aside for this run" in sound.failure
    sound.stop()
    sound.close()
    with pytest.raises(PlanError, match="more than the right ear may get"):
        Sound(make_stimulus(plan, TODAY)).reserve(tmp_path, "run-002", 10**6)


@pytest.mark.lsl
def test_a_sound_outside_a_run_is_kept_in_the_usual_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    plan = sound_plan(80.0, device_source_id="exposure-c")
    sound = Sound(make_stimulus(plan, TODAY))
    sound.start()
    sound.stop()
    sound.close()
    lines = [json.loads(line) for line in (tmp_path / "sessions" / FILE).read_text().splitlines()]
    assert [line["what"] for line in lines] == ["reserved", "played"]
    SessionDose(tmp_path / "sessions").settle("before", Dose(0.0, LIMIT))
    again = Sound(make_stimulus(plan, TODAY))
    with pytest.raises(PlanError, match="100 % of it is used"):
        again.start()
    again.stop()
    again.close()


PLAN = """[stream]
name = "nobody"
eeg = [1]
trigger = 2
wait_s = 0.5
[sound]
level_db_nhl = {level}
calibration = "{calibration}"
"""


def test_the_command_line_refuses_before_anything_is_opened(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.format(level=90, calibration=virtual_calibration()))
    session = tmp_path / "session"
    first = call("run", str(plan), "--out", str(session), "--json")
    assert first.status == 2
    assert "more than the right ear may get in a day" in first.json["error"]
    assert not session.exists()
    plan.write_text(PLAN.format(level=70, calibration=virtual_calibration()))
    SessionDose(session).settle("run-001", Dose(0.0, 0.1 * LIMIT), Age("infant"))
    grown = call("run", str(plan), "--out", str(session), "--json")
    assert grown.status == 1
    assert "age_change" in grown.json["error"]
    SessionDose(session).settle("run-001", Dose(0.0, 0.99 * LIMIT), Age("adult"))
    second = call("run", str(plan), "--out", str(session), "--json")
    assert second.status == 2
    assert "99 % of it is used for this person" in second.json["error"]
    (session / FILE).write_text("gone\n")
    third = call("run", str(plan), "--out", str(session), "--json")
    assert third.status == 1
    assert "is damaged" in third.json["error"]
    assert math.isfinite(limit_pa2s("infant"))


def test_a_run_under_a_policy_has_to_be_acknowledged_in_numbers(tmp_path: Path) -> None:
    policy, plan = tmp_path / "policy.toml", tmp_path / "plan.toml"
    policy.write_text(
        'name = "p"\napproval = "vote 3"\napproved_by = "A. Person"\nreason = "r"\nage_groups = ["adult"]\nday_limit_times = 3\n'
        f"expires = {datetime.date.today() + datetime.timedelta(days=9)}\n"
    )
    text = PLAN.format(level=90, calibration=virtual_calibration())
    plan.write_text(text + 'dose_policy = "policy.toml"\n[decision]\nmax_sweeps = 6144\n')
    words = ("run", str(plan), "--out", str(tmp_path / "s"), "--json")
    assert "carries no seal" in call(*words).json["error"]
    assert call("dose", "--seal", str(policy)).status == 0
    refused = call(*words)
    assert refused.status == 2
    assert "nobody acknowledged it" in refused.json["error"]
    assert "nobody" in call(*words, "--acknowledge").json["error"]  # the next reason: there is no such stream
    # 80 s at 90 dB nHL in a day (see above), three times as much is 4.0 min
    (caution,) = own_cautions(load_plan(plan))
    assert "vote 3, approved by A. Person" in caution
    assert "may hear 4.0 min of this sound at 90 dB nHL in a day instead of 80 s" in caution
    # who acknowledged something else did not acknowledge this
    with pytest.raises(PlanError, match="raises what this person may hear, and nobody acknowledged it"):
        open_run(load_plan(plan), session=tmp_path / "other", acknowledged={"also": ["the stereo card"]})
    policy.write_text(policy.read_text().replace("= 3", "= 4"))
    assert "was changed since it was sealed" in call(*words, "--acknowledge").json["error"]
