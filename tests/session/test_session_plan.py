"""Plans of sessions: what they mean, and that what is wrong is named by its key."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from quietfloor.monitor.cli import parser
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.next_level import Rules
from quietfloor.monitor.session.session_plan import load_session_plan, make_session_plan

ROOT = Path(__file__).parents[2]


def test_every_run_is_made_from_the_template(plan_text: str) -> None:
    plan = make_session_plan(tomllib.loads(plan_text))
    assert plan.conditions == (Condition("right", "air", "click"), Condition("left", "air", "tone-burst", 2000.0))
    first, second = plan.run_plan(0, 35), plan.run_plan(1, 50, seed_after=3, muted=True)
    assert first.title == "Thresholds · S07"
    assert (first.operator, first.site) == ("", "")
    named = make_session_plan(tomllib.loads('operator = " MB "\nsite = "room 2"\n' + plan_text)).run_plan(0, 35)
    assert (named.operator, named.site) == ("MB", "room 2")
    assert first.sound is not None
    assert second.sound is not None
    assert (first.sound.ear, first.sound.stimulus, first.sound.level_db_nhl, first.sound.muted) == ("right", "click", 35, False)
    assert (second.sound.ear, second.sound.frequency_hz, second.sound.rate_per_s) == ("left", 2000, 37.1)
    assert (first.sound.rate_per_s, first.sound.age_group) == (47.1, "adult")
    assert (first.sound.seed, second.sound.seed, second.sound.muted) == (1, 4, True)
    assert (plan.rules(0).start_db, plan.rules(1).start_db, plan.rules(1).highest_db) == (40, 50, 80)
    assert plan.rules(0).floor_nv == first.decision.floor_nv
    assert plan.longest_s(0) == pytest.approx(2 + 6144 / 47.1 * 1.054, rel=0.01)


@pytest.mark.parametrize("wrong", ['operator = 3', f'operator = "{"m" * 61}"', r'site = "a\u001b[2J"', r'site = "a\nb"'])
def test_operator_and_site_are_one_short_line(plan_text: str, wrong: str) -> None:
    with pytest.raises(PlanError, match=wrong.split(" ")[0]):
        make_session_plan(tomllib.loads(f"{wrong}\n{plan_text}"))


def test_a_plan_comes_back_as_it_was_written(plan_text: str, tmp_path: Path) -> None:
    plan = make_session_plan(tomllib.loads(plan_text))
    again = tmp_path / "again.toml"
    again.write_text(plan.to_toml(), encoding="utf-8")
    assert load_session_plan(again) == plan


def test_paths_count_from_the_plan(plan_text: str, tmp_path: Path) -> None:
    earphone = tomllib.loads(plan_text)["run"]["sound"]["calibration"]
    (tmp_path / "my.toml").write_bytes(Path(earphone).read_bytes())
    (tmp_path / "plan.toml").write_text(plan_text.replace(earphone, "my.toml"), encoding="utf-8")
    plan = load_session_plan(tmp_path / "plan.toml")
    assert plan.run["sound"]["calibration"] == str((tmp_path / "my.toml").resolve())


def test_noise_for_bone_comes_by_the_earphone_that_is_named(plan_text: str, tmp_path: Path) -> None:
    earphone = tomllib.loads(plan_text)["run"]["sound"]["calibration"]
    (tmp_path / "my.toml").write_bytes(Path(earphone).read_bytes())
    text = plan_text.replace("[limits]", "[hearing]\nnoise_transducer = 'insert'\n[masking]\ncalibration = 'my.toml'\n[limits]")
    text = text.replace('ear = "right"', 'ear = "right"\nroute = "bone"')
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    sound = load_session_plan(tmp_path / "plan.toml").run_plan(0, 20, masking_db_em=35.0).sound
    assert sound is not None
    assert (sound.masking, sound.masking_level_db_em, sound.masking_ear) == ("white", 35.0, "left")
    assert sound.masking_output == ("insert", str((tmp_path / "my.toml").resolve()))


def test_by_bone_a_vibrator_is_meant(plan_text: str) -> None:
    data = tomllib.loads(plan_text)
    data["condition"] = [{"ear": "left", "route": "bone", "stimulus": "click"}]
    sound = make_session_plan(data).run_plan(0, 20).sound
    assert sound is not None
    assert sound.transducer == "bone-vibrator"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('pseudonym = "S07"', "", "subject.pseudonym is missing"),
        ('age_group = "adult"', 'age_group = "old"', "subject.age_group = 'old'"),
        ('age_group = "adult"', 'age_group = "adult"\nage_months = 3', "age_months = 3 with age_group = 'adult'"),
        ("start_db_nhl = 50", "start_db = 50", "condition 2, start_db: did you mean start_db_nhl[?] allowed here are ear, "),
        ("start_db_nhl = 50", "start_db_nhl = 85", "condition 2 .*start_db = 85 lies outside lowest_db = 0 to highest_db = 80"),
        ('ear = "left"', 'ear = "both"', "condition 2, ear = 'both'"),
        ("frequency_hz = 2000", "", "condition 2 .* in .run.: .*frequency"),
        ('ear = "left"\nstimulus = "tone-burst"\nfrequency_hz = 2000', 'ear = "right"', "condition 2 .* is condition 1 again"),
        ("rate_per_s = 37.1", "rate_per_s = 370", r"condition 2 .* in \[run\]: .*sound.rate_per_s = 370"),
        ("rate_per_s = 37.1", 'ear = "left"', "condition 2 .*: sound.ear is said elsewhere"),
        ("[run.sound]", "[run.sound]\nlevel_db_nhl = 40", r"\[run.sound\] has level_db_nhl = 40, which comes from the session"),
        ("[run.sound]", "[run.sound]\near = 'left'", r"which comes from \[\[condition\]\]"),
        ("[run.sound]", "[run.sond]", r"\[run.sound\] is missing"),
        ("[limits]", "[limits]\nlargest_rise_db = 2", "largest_rise_db = 2: a ladder that may not rise"),
        ("[limits]", "[limits]\nminutes = -1", "limits.minutes = -1 .of recording, all runs together"),
        ("[limits]", "[replicates]\nmost = 1\n[limits]", "present = 2, absent = 2, most = 1"),
        ("[limits]", "[hearing]\ntables = ['nobody-1900']\n[limits]", "hearing.*nobody-1900"),
        ("[limits]", "[masking]\nlevel = 3\n[limits]", "unknown key masking.level: allowed here are auto, noise, calibration"),
        ("37.1", "37.1, route = 'air'", "sound.route is said elsewhere"),
        ("[limits]", "[hearing]\nnoise_transducer = 'supra-aural'\n[masking]\nauto = true\n[limits]", "under .masking."),
        ('method = "ladder"', 'method = "guess"', "method = 'guess'"),
        ("[limits]", "[search]\nwidth_db = 20\n[limits]", "widest_db = 14 with width_db = 20"),
        ("[limits]", "[search]\nwidth = 20\n[limits]", "unknown key search.width: did you mean width_db"),
        (
            "[run.sound]", '[run.sound]\nipsilateral_noise = "notched"\nipsilateral_noise_level_db_spl = 60',
            r"\[run.sound\] has ipsilateral_noise = 'notched': a session looks for thresholds in quiet",
        ),
        ("[run.sound]", "[run.sound]\nlevel_db_ppe_spl = 80", r"level_db_ppe_spl = 80: a session has levels in dB nHL"),
        ("[run.sound]", "[run.search]\nwidth_db = 10\n[run.sound]", r"\[run.search\] is made by the session: leave it out"),
        ("[run.sound]", "[masking]\nauto = true\n[run.sound]\nmasking = 'white'\nmasking_level_db_em = 40", "masking of its own"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(plan_text: str, old: str, new: str, words: str) -> None:
    assert old in plan_text
    with pytest.raises(PlanError, match=words):
        make_session_plan(tomllib.loads(plan_text.replace(old, new)))


def test_a_plan_of_one_run_is_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('[sound]\near = "left"\nlevel_db_fs = -40\n', encoding="utf-8")
    with pytest.raises(PlanError, match="is the plan of one run: `quietfloor run"):
        load_session_plan(path)
    with pytest.raises(PlanError, match="cannot be read"):
        load_session_plan(tmp_path / "none.toml")


def test_the_plan_of_the_docs_is_one_and_its_commands_are_understood(tmp_path: Path) -> None:
    page = (ROOT / "docs/sessions.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```text\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL)
    (text,) = (block for block in blocks if "[[condition]]" in block)
    path = tmp_path / "session.toml"
    path.write_text(text.replace("bench/", f"{ROOT}/bench/"), encoding="utf-8")
    plan = load_session_plan(path)
    assert [str(one) for one in plan.conditions] == ["right ear, click by air", "left ear, 2000 Hz tone burst by air"]
    assert (plan.rules(0), plan.rules(1)) == (Rules(highest_db=80), Rules(start_db=30, highest_db=80))
    (commands,) = (block for block in blocks if block.startswith("quietfloor session"))
    for line in commands.splitlines():
        parser().parse_args(shlex.split(line)[1:])


def test_levels_at_which_no_run_can_end_without_a_response_are_not_offered(plan_text: str) -> None:
    """A 500 Hz burst of an infant at 47.1/s: the next sound comes before the latest wave of 5 dB nHL."""
    text = plan_text.replace("frequency_hz = 2000", "frequency_hz = 500").replace('"adult"', '"infant"')
    fast = make_session_plan(tomllib.loads(text.replace("rate_per_s = 37.1", "rate_per_s = 47.1")))
    assert (fast.rules(0).lowest_db, fast.not_offered(0)) == (0, "")
    assert (fast.rules(1).lowest_db, fast.rules(1).start_db) == (10, 50)
    words = fast.not_offered(1)
    assert words.startswith("nothing below 10 dB nHL is suggested. Of a run at 0 dB nHL: it cannot end with")
    assert words.endswith("lower sound.rate_per_s to 44.4, and leave out analysis.window_ms")
    slow = make_session_plan(tomllib.loads(text))
    assert (slow.rules(1).lowest_db, slow.not_offered(1)) == (0, "")
    short = make_session_plan(tomllib.loads(f"{plan_text}\n[run.analysis]\nwindow_ms = [5.0, 8.0]"))
    assert short.rules(0).lowest_db == 0
    assert short.not_offered(0).startswith("a run at any level: it cannot end with")
