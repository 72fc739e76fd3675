"""What is wrong with a draft is said at its step, and nothing that `check` would refuse can begin."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from quietfloor.monitor.begin import checked, choices
from quietfloor.monitor.begin.checked import Judged, StepName, judge, prove, suggested, touched_by
from quietfloor.monitor.begin.choices import Seen, find_calibrations, find_references, reference_options, stream_options
from quietfloor.monitor.begin.draft import Cell, Draft, new, with_cell, with_stream
from quietfloor.monitor.begin.places import Places, bench_folder
from quietfloor.monitor.plan.run_plan import PlanError, load_plan
from quietfloor.monitor.readiness.sound_check import sound_group
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan, make_session_plan
from quietfloor.stimuli.outputs import Finding, Output
from tests.begin.conftest import EARPHONE, MARKERS, OWN_AUDIO, TODAY, VIBRATOR, stream

LISTENING = with_stream(new("recording", "P01"), stream())
OWN = replace(LISTENING, own_sound=True, device="lsl", calibration=EARPHONE)
SESSION = replace(
    with_stream(new("session", "P01"), stream()), device="lsl", calibration=EARPHONE, bone_calibration=VIBRATOR,
    grid=(Cell("right", "air", "click"),),
)  # fmt: skip
CARD = Output(3, "Box: USB (hw:1,0)", "ALSA", 8, 48_000.0)


def told(judged: Judged, step: StepName) -> list[tuple[str, str]]:
    state = next(one for one in judged.steps if one.name == step)
    return [(problem.severity, f"{problem.said} {problem.remedy}") for problem in state.problems]


def stops(judged: Judged) -> list[str]:
    return [problem.said for problem in judged.problems if problem.severity == "stop"]


# -- streams and channels ------------------------------------------------------------------------------------------------


def test_every_stream_says_what_is_wrong_with_it() -> None:
    slow, lone = stream("Slow", rate_hz=250.0), stream("Lone", ("Cz",))
    options = {option.text.partition(" · ")[0]: option for option in stream_options((stream(), MARKERS, OWN_AUDIO, slow, lone))}
    assert options["Amp"].possible
    for name, why in (
        ("Slow", "too slow"), ("Lone", "one channel"), ("Marks", "text, not samples"), ("quietfloor audio", "sound of a run"),
    ):  # fmt: skip
        assert not options[name].possible
        assert why in options[name].said
    assert next(iter(options)) == "Amp"  # what can be chosen comes first


def test_streams_that_a_plan_cannot_tell_apart_cannot_be_chosen() -> None:
    twins = stream_options((stream(uid="1"), stream(uid="2"), stream(source_id="sn-2", uid="3")))
    assert [option.possible for option in twins] == [True, False, False]


@pytest.mark.parametrize(
    ("seen", "severity", "said"),
    [
        (Seen(), "wait", "looking"), (Seen(()), "stop", "no stream is there"), (Seen((MARKERS,)), "stop", "can be used"),
        (Seen((), "LSL is missing"), "stop", "LSL is missing"), (Seen((stream(),)), "stop", "no stream is chosen"),
    ],
)  # fmt: skip
def test_no_stream_is_a_reason_in_words(seen: Seen, severity: str, said: str, places: Places) -> None:
    (found,) = told(judge(new("recording", "P01"), seen, places, TODAY), "stream")
    assert found[0] == severity
    assert said in found[1]


def test_a_stream_that_vanished_says_so(places: Places) -> None:
    assert "'Amp' is not there" in told(judge(LISTENING, Seen(()), places, TODAY), "stream")[0][1]


def test_only_the_one_stream_that_can_be_used_is_chosen_by_itself(seen: Seen, places: Places) -> None:
    judged = judge(new("recording", "P01"), seen, places, TODAY)
    assert suggested(judged, seen, frozenset()) == LISTENING
    assert suggested(judged, seen, frozenset({"stream"})).stream == ""
    two = Seen((stream(), stream("Other")))
    assert suggested(judge(new("recording", "P01"), two, places, TODAY), two, frozenset()).stream == ""


def test_channels_are_to_be_chosen_where_no_label_tells(places: Places) -> None:
    bare = stream(labels=("", "", ""), units=("", "", ""))
    judged = judge(with_stream(new("recording", "P01"), bare), Seen((bare,)), places, TODAY)
    assert [severity for severity, _ in told(judged, "channels")] == ["stop", "stop"]
    chosen = judge(replace(judged.draft, eeg=("1",), trigger="3"), Seen((bare,)), places, TODAY)
    assert told(chosen, "channels")[0][0] == "look"  # the unit
    assert stops(chosen) == []
    assert stops(judge(replace(chosen.draft, trigger="1"), Seen((bare,)), places, TODAY)) != []


def test_channels_of_different_units_need_one_that_is_said(places: Places) -> None:
    mixed = stream(units=("uV", "mV", ""))
    draft = replace(with_stream(new("recording", "P01"), mixed), eeg=("Cz-M2", "Cz-M1"))
    assert "different units" in stops(judge(draft, Seen((mixed,)), places, TODAY))[0]
    assert stops(judge(replace(draft, unit="uV"), Seen((mixed,)), places, TODAY)) == []


def test_a_marker_stream_that_is_not_there_would_stop_the_run(seen: Seen, places: Places) -> None:
    assert stops(judge(replace(LISTENING, markers="Marks"), seen, places, TODAY)) == []
    assert "not there" in stops(judge(replace(LISTENING, markers="Others"), seen, places, TODAY))[0]


# -- a recording ---------------------------------------------------------------------------------------------------------


def test_a_recording_that_listens_is_ready_and_its_command_is_what_a_script_would_type(seen: Seen, places: Places) -> None:
    judged = judge(LISTENING, seen, places, TODAY)
    folder = str(places.of_code("P01"))
    assert judged.stopped_by is None
    assert prove(judged, places, TODAY) == ()
    assert judged.arguments == ("run", f"{folder}/plan.toml", "--out", folder)


@pytest.mark.parametrize(
    ("draft", "step", "said"),
    [
        (replace(OWN, level_db_nhl=110.0), "sound", "110 dB nHL is too loud: the loudest that this output gives is 92.3"),
        (replace(OWN, stimulus="click", route="bone", bone_calibration=VIBRATOR), "sound", "no reference level"),
        (replace(OWN, per_s=50.0), "sound", "mains"),
        (replace(OWN, calibration="/nowhere/cal.toml"), "output", "not there"),
        (replace(OWN, transducer="supra-aural"), "output", "calibration is of insert"),
        (replace(OWN, device="sound-card"), "output", "looking for sound cards"),
        (replace(OWN, audio_id=" "), "output", "source id"),
        (replace(OWN, code=""), "person", "no code"),
        (replace(OWN, code="x\ny"), "person", "control character"), (replace(OWN, code="x" * 61), "person", "61 characters"),
    ],
)  # fmt: skip
def test_what_check_would_refuse_is_refused_at_its_step(
    draft: Draft, step: StepName, said: str, seen: Seen, places: Places
) -> None:
    judged = judge(draft, seen, places, TODAY)
    problems = told(judged, step)
    if judged.stopped_by is None:
        problems += [(one.severity, one.said) for one in prove(judged, places, TODAY) if one.step == step]
    assert any(severity in ("stop", "wait") and said in text for severity, text in problems), judged.problems


def test_the_loudest_level_is_that_at_which_a_click_or_six_of_them_reach_a_limit(seen: Seen, places: Places) -> None:
    """At 47.1/s six clicks fall into 125 ms. Each is 100 us long, 4.8 samples of the output: four of the full height and one of
    0.8 times that. 0 dB nHL is 35.5 dB p-p.e. SPL (ISO 389-6:2007, from memory); that is the RMS of a sine with the same
    distance from peak to peak (IEC 60645-3, from memory), 2 sqrt(2) times less than the distance. What a converter makes of the
    samples swings further than they do. 115 dB SPL, 130 dB p-p.e.: own choices."""
    samples = np.array([1.0, 1.0, 1.0, 1.0, 0.8])
    rms_of_peak = math.sqrt(6 * np.sum(samples**2) / (0.125 * 48_000))
    curve = signal.resample(np.pad(samples, 500), 64 * (samples.size + 1000))
    by_rms_db = 115.0 - 35.5 - 20 * math.log10(2 * math.sqrt(2) * rms_of_peak)
    loudest_db = min(by_rms_db, 130.0 - 35.5 - 20 * math.log10(np.ptp(curve)))
    (found,) = [reach for cell, reach in judge(OWN, seen, places, TODAY).grid if cell == Cell("right", "air", "click")]
    assert found.loudest_db == pytest.approx(loudest_db, abs=0.02)  # curves of 8 and of 64 points a sample
    for level, too_loud in ((loudest_db - 0.1, False), (loudest_db + 0.1, True)):
        said = [said for _, said in told(judge(replace(OWN, level_db_nhl=level), seen, places, TODAY), "sound")]
        assert any("too loud" in one for one in said) == too_loud, level


def test_where_no_reference_is_known_the_level_can_be_in_ppe(seen: Seen, places: Places) -> None:
    unknown = replace(OWN, stimulus="tone-burst", frequency_hz=750.0, per_s=37.1)
    (problem,) = [one for one in judge(unknown, seen, places, TODAY).problems if one.step == "sound"]
    assert (problem.severity, problem.remedy) == ("stop", "or state the level in dB p-p.e. SPL")
    judged = judge(replace(unknown, in_ppe=True, level_db_ppe_spl=85.0), seen, places, TODAY)
    assert judged.stopped_by is None
    assert prove(judged, places, TODAY) == ()
    loud = judge(replace(unknown, in_ppe=True, level_db_ppe_spl=135.0), seen, places, TODAY)
    assert any("ceiling" in one.said for one in prove(loud, places, TODAY))


def test_a_sound_without_calibration_says_that_its_level_is_not_known(seen: Seen, places: Places) -> None:
    judged = judge(replace(OWN, calibration=""), seen, places, TODAY)
    assert judged.stopped_by is None
    assert ("look", True) in [(severity, "quietfloor calibrate" in said) for severity, said in told(judged, "output")]


def test_an_output_that_cannot_play_cannot_be_chosen_and_says_why(seen: Seen, places: Places) -> None:
    stereo = replace(CARD, number=1, listed_as="Stereo", channels=2)
    outputs = ((stereo, (Finding("no", "it has 2 outputs"),)), (CARD, (Finding("ok", "8 outputs"),)))
    seen = replace(seen, outputs=outputs)
    judged = judge(replace(OWN, device="sound-card", calibration=""), seen, places, TODAY)
    assert [(option.value, option.possible) for option in judged.outputs] == [
        ("Box: USB", True), ("Stereo", False), ("lsl", True),
    ]  # fmt: skip
    assert suggested(judged, seen, frozenset()).output == "Box: USB"
    chosen = judge(replace(judged.draft, output="Stereo"), seen, places, TODAY)
    assert "2 outputs" in stops(chosen)[0]
    fits = [option.possible for option in judge(replace(judged.draft, output="Box: USB"), seen, places, TODAY).options("air")]
    assert fits == [False]  # of the virtual earphone, not of this card


def test_a_calibration_that_fits_is_chosen_by_itself_and_brings_its_transducer(seen: Seen, places: Places) -> None:
    draft = replace(OWN, calibration="", transducer="supra-aural")
    judged = judge(draft, seen, places, TODAY)
    chosen = suggested(judged, seen, frozenset({"output"}))
    assert (chosen.calibration, chosen.bone_calibration, chosen.transducer) == (EARPHONE, VIBRATOR, "insert")
    assert suggested(judged, seen, frozenset({"air", "bone"})) == draft
    assert touched_by(frozenset({"air"}), draft, replace(draft, device="sound-card")) == {"output"}


def test_a_calibration_that_was_changed_by_hand_is_refused(tmp_path: Path, seen: Seen, places: Places) -> None:
    file = tmp_path / "changed.toml"
    file.write_text(Path(EARPHONE).read_text(encoding="utf-8").replace("130.0", "110.0"), encoding="utf-8")
    seen = replace(seen, calibrations=find_calibrations([], [str(file)]))
    judged = judge(replace(OWN, calibration=str(file)), seen, places, TODAY)
    assert "seal" in stops(judged)[0]
    assert [option.possible for option in judged.options("air")] == [False]


# -- a session -----------------------------------------------------------------------------------------------------------


def test_the_grid_says_why_a_field_cannot_be_chosen(seen: Seen, places: Places) -> None:
    judged = judge(SESSION, seen, places, TODAY)
    assert judged.reach(Cell("left", "air", "tone-burst", 500.0)).why == ""
    assert "no reference level" in judged.reach(Cell("left", "bone", "click")).why
    assert "lower the rate to 40" in judged.reach(Cell("left", "air", "octave-chirp", 500.0)).why
    slower = judge(replace(SESSION, per_s=37.1), seen, places, TODAY)
    assert slower.reach(Cell("left", "air", "octave-chirp", 500.0)).why == ""
    bare = judge(replace(SESSION, bone_calibration=""), seen, places, TODAY)
    assert "no calibration of a bone vibrator" in bare.reach(Cell("left", "bone", "click")).why


def test_a_file_of_reference_levels_that_is_found_lets_a_session_test_by_bone(seen: Seen, places: Places, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("[[reference]]\nstimulus = 1\n", encoding="utf-8")
    (tmp_path / "plan.toml").write_text('[sound]\nreferences = "x.toml"\n', encoding="utf-8")
    seen = replace(seen, references=find_references([bench_folder(), tmp_path]))
    none, own, bad = reference_options(SESSION, seen)
    assert (none.value, none.possible, Path(own.value).name, own.possible) == ("", True, "virtual-references.toml", True)
    assert (Path(bad.value).name, bad.possible) == ("bad.toml", False)
    by_bone = Cell("left", "bone", "click")
    draft = replace(SESSION, grid=(by_bone,), bone_calibration=VIBRATOR)
    assert "reference levels, under Output" in judge(draft, seen, places, TODAY).reach(by_bone).why
    judged = judge(replace(draft, references=own.value), seen, places, TODAY)
    assert (judged.reach(by_bone).why, judged.stopped_by) == ("", None)
    assert [one.said for one in prove(judged, places, TODAY) if one.severity == "stop"] == []
    assert make_session_plan(checked.plan_data(judged.draft)).run_plan(0, 20.0).sound.references == own.value  # type: ignore[union-attr]
    gone = replace(draft, references=str(tmp_path / "gone.toml"))
    assert not reference_options(gone, seen)[-1].possible
    assert judge(gone, seen, places, TODAY).reach(by_bone).why


def test_every_field_that_can_be_chosen_passes_the_check_and_no_other(seen: Seen, places: Places) -> None:
    """Against the check itself, field by field: what the grid allows has no finding that says stop, at its loudest level."""
    judged = judge(SESSION, seen, places, TODAY)
    for cell, reach in judged.grid:
        level = 20.0 if reach.why else choices.highest_in_steps(reach.loudest_db)
        data = checked.plan_data(replace(SESSION, grid=(cell,)))
        if "lower the rate" in reach.why:
            with pytest.raises(PlanError, match="rate_per_s"):
                make_session_plan(data)
            continue
        for louder_db, refused in ((0.0, bool(reach.why)), (choices.STEP_DB, True)):
            plan = make_session_plan(data).run_plan(0, level + louder_db, max_sweeps=64)
            found = [one.severity for one in sound_group(plan, places.of_code("P01"), TODAY).findings if one.about == "sound"]
            assert ("stop" in found) == refused, (cell, reach, louder_db)


@pytest.mark.parametrize("age_group", ["adult", "infant"])
def test_a_whole_session_is_proved_and_its_check_says_the_same(age_group: str, seen: Seen, places: Places) -> None:
    draft = replace(SESSION, age_group=age_group, per_s=37.1)  # type: ignore[arg-type]
    for hz in (500.0, 4000.0):
        for ear in ("right", "left"):
            draft = with_cell(draft, Cell(ear, "air", "octave-chirp", hz), True)  # type: ignore[arg-type]
    judged = judge(draft, seen, places, TODAY)
    assert judged.stopped_by is None
    assert [one for one in prove(judged, places, TODAY) if one.severity == "stop"] == []
    judged.path.parent.mkdir(parents=True)
    judged.path.write_text(judged.text, encoding="utf-8")
    session = Session(judged.path.parent, load_session_plan(judged.path))
    findings = sound_group(session.next_search(most=0) or session.first_plan(), judged.path.parent, TODAY).findings
    assert [one.said for one in findings if one.severity == "stop"] == []


def test_a_session_needs_conditions_and_a_calibration(seen: Seen, places: Places) -> None:
    assert "no condition" in stops(judge(replace(SESSION, grid=()), seen, places, TODAY))[0]
    assert "no calibration of the insert earphone" in stops(judge(replace(SESSION, calibration=""), seen, places, TODAY))[0]


def test_what_cannot_be_searched_is_refused_with_its_step(seen: Seen, places: Places) -> None:
    judged = judge(replace(SESSION, age_months=600.0, age_group="child"), seen, places, TODAY)
    assert judged.stopped_by is not None
    assert "age_months" in judged.stopped_by.said


def test_the_age_is_only_said_where_the_plan_has_a_place_for_it(places: Places) -> None:
    """A plan without [sound] and [stated] has none."""
    briefs = []
    for draft in (LISTENING, OWN, replace(LISTENING, stated=True), SESSION):
        judged = judge(draft, Seen((stream(),), calibrations=find_calibrations([bench_folder()], [])), places, TODAY)
        brief = next(one.brief for one in judged.steps if one.name == "person")
        briefs.append("adult" in brief)
        assert ("age_group" in judged.text) == ("adult" in brief)
    assert briefs == [False, True, True, True]


# -- the person and the folder -------------------------------------------------------------------------------------------


def test_the_session_of_somebody_else_is_not_continued(seen: Seen, places: Places) -> None:
    Session.begin(places.of_code("P01"), make_session_plan(checked.plan_data(replace(SESSION, code="S.9"))))
    assert "session of 'S.9'" in told(judge(SESSION, seen, places, TODAY), "person")[0][1]


def test_a_folder_with_runs_is_told(seen: Seen, places: Places) -> None:
    (places.of_code("P01") / "run-001").mkdir(parents=True)
    (found,) = told(judge(LISTENING, seen, places, TODAY), "person")
    assert found[0] == "look"
    assert "1 run already" in found[1]


def test_a_code_of_any_letters_stays_inside_the_folder(seen: Seen, places: Places) -> None:
    for code in ("../../etc", "a/b", "..", "con", "Ünï 7"):
        judged = judge(replace(LISTENING, code=code), seen, places, TODAY)
        assert judged.path.parent.parent == places.folder
        assert judged.path.parent.name not in ("", ".", "..")


def test_a_plan_that_is_there_is_never_replaced(seen: Seen, places: Places) -> None:
    first = judge(LISTENING, seen, places, TODAY)
    first.path.parent.mkdir(parents=True)
    first.path.write_text(first.text, encoding="utf-8")
    assert judge(LISTENING, seen, places, TODAY).path == first.path  # the same text
    other = judge(replace(LISTENING, floor_nv=20.0), seen, places, TODAY)
    assert other.path.name == "plan-2.toml"
    assert load_plan(first.path).decision.floor_nv == 15.0


def test_one_sound_in_both_ears_is_judged_with_its_levels_and_refused_by_bone(seen: Seen, places: Places) -> None:
    both = replace(OWN, ear="both")
    assert stops(judge(both, seen, places, TODAY)) == stops(judge(OWN, seen, places, TODAY))
    said = stops(judge(replace(both, route="bone", calibration=VIBRATOR), seen, places, TODAY))
    assert any("a vibrator moves both cochleae" in one for one in said), said
    too_loud = [one for _, one in told(judge(replace(both, level_db_nhl=110.0), seen, places, TODAY), "sound")]
    assert any("too loud" in one for one in too_loud), too_loud
