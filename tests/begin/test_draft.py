"""A draft becomes the TOML that a script would use, and a TOML plan becomes a draft."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import tomli_w

from quietfloor.monitor.begin.draft import (
    Cell,
    Draft,
    channel_name,
    draft_of,
    new,
    plan_data,
    roles,
    routing,
    suggested_trigger,
    sweep_s,
    toml_text,
    with_cell,
    with_role,
    with_stimulus,
    with_stream,
)
from quietfloor.monitor.plan.run_plan import PlanError, load_plan, make_plan
from quietfloor.monitor.session.session_plan import load_session_plan, make_session_plan
from tests.begin.conftest import EARPHONE, VIBRATOR, stream

SESSION = replace(
    with_stream(new("session", "P07"), stream()), device="lsl", calibration=EARPHONE, bone_calibration=VIBRATOR,
    grid=(Cell("right", "air", "click"), Cell("left", "air", "tone-burst", 2000.0)), minutes=40.0,
)  # fmt: skip


def test_reference_levels_are_kept_from_a_plan_and_written_where_levels_are_in_db_nhl(tmp_path: Path) -> None:
    draft = replace(with_stream(new("recording"), stream()), own_sound=True, device="lsl", calibration=EARPHONE)
    draft = replace(draft, references="/own.toml")
    assert plan_data(draft)["sound"]["references"] == "/own.toml"
    assert "references" not in plan_data(replace(draft, references=""))["sound"]
    assert "references" not in plan_data(replace(draft, calibration=""))["sound"], "in dB re full scale none is used"
    for one in (draft, replace(SESSION, references="/own.toml")):
        path = tmp_path / f"{one.kind}.toml"
        path.write_text(toml_text(one), encoding="utf-8")
        again = draft_of(path)
        assert again.references == "/own.toml"
        plain = plan_data(replace(again, references=""))
        assert "references" not in plain.get("run", plain)["sound"], "it can be taken away from a template"


# -- channels ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("labels", "trigger"),
    [
        (("Cz", "TRIG"), 1), (("Stim 1", "A", "B"), 0), (("1", "2", "STATUS"), 2), (("Cz", "Pz"), None),
        (("TRIG", "Trigger"), None), (("TRIG",), None),
    ],
)  # fmt: skip
def test_the_trigger_is_suggested_only_where_one_label_tells(labels: tuple[str, ...], trigger: int | None) -> None:
    assert suggested_trigger(stream(labels=labels)) == trigger


def test_a_stream_brings_its_channels_and_the_first_voltage_decides() -> None:
    draft = with_stream(new("recording"), stream(labels=("Aux", "Cz", "Pz", "TRIG"), units=("ohm", "uV", "uV", "")))
    assert (draft.stream, draft.source_id, draft.eeg, draft.trigger) == ("Amp", "", ("Cz",), "TRIG")


def test_channels_that_another_stream_has_too_are_kept() -> None:
    draft = replace(with_stream(new("recording"), stream()), eeg=("Cz-M1", "Cz-M2"))
    assert with_stream(draft, stream("Other")).eeg == ("Cz-M1", "Cz-M2")
    assert with_stream(draft, stream("Other", ("A", "B"))).eeg == ()


def test_the_source_id_is_written_where_the_name_is_not_enough() -> None:
    one, two = stream(source_id="a"), stream(source_id="b")
    assert with_stream(new("recording"), two, (one, two)).source_id == "b"
    assert with_stream(new("recording"), stream(name=""), ()).source_id == "sn-1"


def test_a_channel_is_named_by_number_where_its_label_does_not_tell_it_apart() -> None:
    odd = stream(labels=("Cz", "Cz", "", "2", "TRIG"))
    assert [channel_name(odd, index) for index in range(5)] == ["1", "", "3", "2", "TRIG"]


def test_one_channel_decides_and_one_is_the_trigger() -> None:
    amp = stream(labels=("A", "B", "C", "TRIG"))
    draft = with_stream(new("recording"), amp)
    draft = with_role(draft, amp, 2, "too")
    assert draft.eeg == ("A", "C")
    draft = with_role(draft, amp, 1, "decides")
    assert (draft.eeg, roles(draft, amp)) == (("B", "A", "C"), ("too", "decides", "too", "trigger"))
    draft = with_role(draft, amp, 1, "trigger")
    assert (draft.eeg, draft.trigger) == ((), "B")  # nobody decides until one is chosen
    assert roles(draft, amp) == ("", "trigger", "", "")


# -- the plan ------------------------------------------------------------------------------------------------------------


def test_the_plan_of_a_recording_of_other_equipment_says_only_what_was_chosen() -> None:
    draft = replace(with_stream(new("recording", "P01"), stream()), minutes=2.0)
    assert tomllib.loads(toml_text(draft)) == {
        "stream": {"name": "Amp", "eeg": ["Cz-M2"], "trigger": "TRIG"}, "decision": {"floor_nv": 15.0, "max_sweeps": 5652},
    }  # fmt: skip
    plan = make_plan(plan_data(draft))
    assert (plan.sound, plan.stated) == (None, None)


def test_a_stated_sound_is_in_the_plan_and_sets_its_window() -> None:
    draft = replace(with_stimulus(with_stream(new("recording"), stream()), "tone-burst"), stated=True, frequency_hz=500.0)
    plan = make_plan(plan_data(draft))
    assert plan.stated is not None
    assert (plan.stated.stimulus, plan.stated.frequency_hz, plan.stated.level_db_nhl) == ("tone-burst", 500.0, None)
    assert plan.analysis.window_ms != make_plan({}).analysis.window_ms
    known = make_plan(plan_data(replace(draft, stated_db_nhl=40.0))).stated
    assert known is not None
    assert known.level_db_nhl == 40.0


def test_an_own_sound_has_a_level_in_db_nhl_with_a_calibration_only() -> None:
    draft = replace(with_stream(new("recording"), stream()), own_sound=True, device="lsl")
    plain = make_plan(plan_data(draft)).sound
    assert plain is not None
    assert (plain.level_db_fs, plain.level_db_nhl, plain.calibration) == (-40.0, None, None)
    known = make_plan(plan_data(replace(draft, calibration=EARPHONE))).sound
    assert known is not None
    assert (known.level_db_fs, known.level_db_nhl, known.calibration) == (None, 60.0, EARPHONE)
    bone = make_plan(plan_data(replace(draft, route="bone", bone_calibration=VIBRATOR))).sound
    assert bone is not None
    assert (bone.transducer, bone.calibration) == ("bone-vibrator", VIBRATOR)


def test_minutes_become_the_sweeps_that_last_so_long() -> None:
    draft = replace(with_stream(new("recording"), stream()), own_sound=True, device="lsl", minutes=3.0)
    plan = make_plan(plan_data(draft))
    assert plan.sound is not None
    assert plan.decision.max_sweeps * plan.sound.sweep_s == pytest.approx(180.0, abs=plan.sound.sweep_s)
    assert sweep_s(draft) == plan.sound.sweep_s  # random pauses included


def test_the_plan_of_a_session_has_its_conditions_in_the_order_of_choice() -> None:
    draft = with_cell(with_cell(SESSION, SESSION.grid[0], False), SESSION.grid[0], True)
    plan = make_session_plan(plan_data(draft))
    assert [str(one) for one in plan.conditions] == ["left ear, 2000 Hz tone burst by air", "right ear, click by air"]
    assert (plan.subject.pseudonym, plan.limits.minutes, plan.method) == ("P07", 40.0, "search")


def test_conditions_by_bone_bring_their_own_calibration() -> None:
    draft = with_cell(SESSION, Cell("left", "bone", "click"), True)
    plan = make_session_plan(plan_data(draft))
    sounds = [plan.run_plan(index, 20.0).sound for index in range(3)]
    assert [one.calibration for one in sounds if one] == [EARPHONE, EARPHONE, VIBRATOR]
    assert [one.transducer for one in sounds if one] == ["insert", "insert", "bone-vibrator"]
    alone = make_session_plan(plan_data(replace(draft, grid=(Cell("left", "bone", "click"),)))).run_plan(0, 20.0).sound
    assert alone is not None
    assert (alone.calibration, alone.transducer) == (VIBRATOR, "bone-vibrator")


def test_a_level_that_the_output_does_not_reach_is_not_asked_for() -> None:
    cell = SESSION.grid[0]
    plan = make_session_plan(plan_data(replace(SESSION, start_db_nhl=50.0), {cell: 35.0}))
    assert (plan.condition[0].highest_db_nhl, plan.condition[0].start_db_nhl) == (35.0, 35.0)
    assert plan.condition[1].highest_db_nhl is None


def test_a_limit_of_the_template_is_never_raised() -> None:
    """Its first condition goes to 60 dB nHL only, although the output reaches more."""
    cell = SESSION.grid[0]
    data = plan_data(SESSION)
    data["condition"][0]["highest_db_nhl"] = 60.0
    template = replace(SESSION, base=tomli_w.dumps(data))
    assert make_session_plan(plan_data(template, {cell: 93.0})).condition[0].highest_db_nhl == 60.0
    assert make_session_plan(plan_data(template, {cell: 45.0})).condition[0].highest_db_nhl == 45.0


def test_the_age_of_one_person_does_not_go_to_another(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(toml_text(replace(SESSION, age_months=400.0)), encoding="utf-8")
    assert draft_of(path, "P99").age_months is None


def test_another_output_than_that_of_the_template_leaves_its_keys_out() -> None:
    data = plan_data(SESSION)
    data["run"]["sound"] |= {"channels": [1, 1, 2], "trigger_on_earphone_jack": True, "allow_shared": True}
    card = replace(SESSION, device="sound-card", output="Card", base=tomli_w.dumps(data))
    assert plan_data(card)["run"]["sound"]["channels"] == [1, 1, 2]
    assert routing(card) == {"channels": [1, 1, 2], "allow_shared": True}
    sound = plan_data(replace(card, device="lsl"))["run"]["sound"]
    assert not {"channels", "trigger_on_earphone_jack", "allow_shared", "output"} & sound.keys()


# -- templates -----------------------------------------------------------------------------------------------------------


def round_trip(draft: Draft, folder: Path) -> Draft:
    path = folder / "kept.toml"
    path.write_text(toml_text(draft), encoding="utf-8")
    return draft_of(path, draft.code)


@pytest.mark.parametrize(
    "draft",
    [
        replace(with_stream(new("recording", "P01"), stream()), minutes=2.0, unit="mV", markers="Marks"),
        replace(with_stream(new("recording", "P01"), stream()), stated=True, stimulus="octave-chirp", frequency_hz=1000.0),
        replace(with_stream(new("recording", "P01"), stream()), own_sound=True, device="lsl", calibration=EARPHONE, ear="left"),
        replace(with_stream(new("recording", "P01"), stream()), own_sound=True, device="lsl", calibration=EARPHONE, ear="both"),
        replace(with_stream(new("recording", "P01"), stream()), own_sound=True, output="Card", level_db_fs=-50.0),
        SESSION,
        with_cell(SESSION, Cell("left", "bone", "click"), True),
    ],
)  # fmt: skip
def test_a_draft_comes_back_from_its_plan_and_writes_it_again(draft: Draft, tmp_path: Path) -> None:
    again = round_trip(draft, tmp_path)
    unused = {"audio_id": draft.audio_id} if draft.device == "sound-card" else {}
    if draft.kind == "session" and "bone" not in draft.routes:
        unused["bone_calibration"] = draft.bone_calibration
    assert replace(again, base="", **unused) == replace(draft, minutes=again.minutes)
    assert again.minutes == pytest.approx(draft.minutes, abs=0.06)
    make = make_session_plan if draft.kind == "session" else make_plan
    assert make(plan_data(replace(again, minutes=draft.minutes))) == make(plan_data(draft))


def test_keys_that_the_page_does_not_have_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[stream]\nname = "Amp"\neeg = ["Cz-M2"]\ntrigger = "TRIG"\n[sound]\nlevel_db_nhl = 40\ncalibration = "cal.toml"\n'
        'polarity = "rarefaction"\n[analysis]\nacoustic_delay_ms = 0.9\n[decision]\nalpha = 0.02\n',
        encoding="utf-8",
    )
    draft = replace(draft_of(path, "P02"), level_db_nhl=55.0)
    (tmp_path / "elsewhere").mkdir()
    moved = tmp_path / "elsewhere" / "plan.toml"
    moved.write_text(toml_text(draft), encoding="utf-8")
    plan = load_plan(moved)
    assert plan.sound is not None
    assert (plan.sound.polarity, plan.sound.level_db_nhl) == ("rarefaction", 55.0)
    assert plan.sound.calibration == str(tmp_path / "cal.toml")  # still that beside the template
    assert (plan.analysis.acoustic_delay_ms, plan.decision.alpha) == (0.9, 0.02)


def test_keys_of_a_session_that_the_page_does_not_have_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    extra = '\n[search]\nwidth_db = 15.0\nwidest_db = 18.0\n[[condition]]\near = "right"\nlowest_db_nhl = 10.0\n'
    text = toml_text(SESSION)
    start, _, rest = text.partition("condition = [")
    path.write_text(start + rest.partition("\n]\n")[2] + extra, encoding="utf-8")
    draft = with_cell(draft_of(path, "P08"), Cell("left", "air", "click"), True)
    plan = make_session_plan(plan_data(draft))
    assert (plan.search.width_db, plan.condition[0].lowest_db_nhl, plan.condition[1].lowest_db_nhl) == (15.0, 10.0, None)
    assert load_session_plan(path).condition[0].lowest_db_nhl == 10.0


def test_another_stimulus_drops_the_parameters_of_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    text = '[sound]\nstimulus = "tone-burst"\nfrequency_hz = 500\ncycles = [1, 1, 1]\nlevel_db_fs = -30\n'
    path.write_text(text, encoding="utf-8")
    kept = make_plan(plan_data(draft_of(path))).sound
    assert kept is not None
    assert kept.cycles == (1, 1, 1)
    other = make_plan(plan_data(with_stimulus(draft_of(path), "click"))).sound
    assert other is not None
    assert (other.stimulus, other.cycles) == ("click", None)


def test_a_file_that_is_no_plan_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "no.toml"
    for text, why in (("x = [", "cannot be read"), ("[stream]\nnam = 1", "nam"), ("[subject]\nage_group = 1", "pseudonym")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(PlanError, match=why):
            draft_of(path)


def test_a_level_in_ppe_is_kept_from_a_template_and_written_alone(tmp_path: Path) -> None:
    def template(**tables: object) -> Draft:
        (tmp_path / "plan.toml").write_text(tomli_w.dumps(tables), encoding="utf-8")
        return draft_of(tmp_path / "plan.toml")

    sound = {"level_db_ppe_spl": 85.0, "calibration": EARPHONE, "stimulus": "tone-burst", "frequency_hz": 750, "rate_per_s": 37.1}
    draft = template(sound=sound)
    assert (draft.level_scale, draft.level) == ("ppe", (85.0, "dB p-p.e. SPL"))
    made = plan_data(draft)["sound"]
    assert (made["level_db_ppe_spl"], "level_db_nhl" in made, "level_db_fs" in made) == (85.0, False, False)
    assert plan_data(replace(draft, in_ppe=False))["sound"]["level_db_nhl"] == 60.0
    assert replace(draft, route="bone", bone_calibration=VIBRATOR).level_scale == "nhl"  # a force is no sound pressure
    stated = template(stated={"stimulus": "click", "ear": "left", "level_db_ppe_spl": 95.5})
    assert plan_data(stated)["stated"]["level_db_ppe_spl"] == 95.5
    chosen = plan_data(replace(stated, stated_db_nhl=60.0))["stated"]
    assert (chosen["level_db_nhl"], "level_db_ppe_spl" in chosen) == (60.0, False)
