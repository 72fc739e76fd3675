"""Plans: every key is checked, every error names it, and what is written is what was used."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import (
    AnalysisPlan,
    DecisionPlan,
    Plan,
    PlanError,
    SoundPlan,
    StreamPlan,
    TimingPlan,
    TriggerPlan,
    load_plan,
    make_plan,
    override,
)
from quietfloor.monitor.plan.sound_plan import StatedPlan
from quietfloor.monitor.storage.record_schema import checked_plan, checked_record
from quietfloor.stimuli.levels import STATED

LAYOUT = Layout(8000.0, ("E1", "TRIG"), (0,), 1)
SOUND = {"level_db_fs": -40.0}

# (section, key): values just outside what is allowed, or of the wrong kind.
WRONG: dict[tuple[str, str], tuple[Any, ...]] = {
    ("", "operator"): (3, ["a"], "m" * 61, "a\nb", "\x1b[2J", "\u202eB"),
    ("", "site"): (3, ["a"], "s" * 61, "a\tb"),
    ("stream", "name"): (3, ["a"]),
    ("stream", "source_id"): (3,),
    ("stream", "eeg"): (1.5, True, [True], [1.5], {"a": 1}),
    ("stream", "trigger"): (1.5, True, ["TRIG"]),
    ("stream", "unit"): ("parsec", "MV", "", 3),
    ("stream", "markers"): (3,),
    ("stream", "wait_s"): (0.49, 601, "soon", math.nan, math.inf),
    ("sound", "stimulus"): ("ring", 3),
    ("sound", "frequency_hz"): (500, "high"),
    ("sound", "duration_us"): (39.9, 1001, "short"),
    ("sound", "cycles"): ([2, 1], "2-1-2", [2, 1, 2]),
    ("sound", "envelope"): ("round", "linear"),
    ("sound", "chirp_k"): (0.092, "slow"),
    ("sound", "chirp_d"): (0.4356, "slow"),
    ("sound", "chirp_span_ms"): (3.32, "long"),
    ("sound", "chirp_by_level"): (True, "perhaps"),
    ("sound", "wav"): (3, "sound.wav"),
    ("sound", "wav_zero_ms"): (1.0, "late"),
    ("sound", "ear"): ("centre", "Left"),
    ("sound", "level_db_nhl"): (-40.1, 120.1, "loud"),
    ("sound", "level_db_ppe_spl"): (-20.1, 150.1, "loud", 90),  # 90 needs a calibration
    ("sound", "level_db_fs"): (-140.1, 0.1, "loud"),
    ("sound", "polarity"): ("positive",),
    ("sound", "rate_per_s"): (0.99, 100.1, math.nan),
    ("sound", "random_pause"): (20.0, "perhaps"),
    ("sound", "random_interval_ms"): (-0.1, 4.3, 101, "some"),  # 47.1/s leaves 21.2 - 17 ms
    ("sound", "random_polarity"): (3, "perhaps"),
    ("sound", "held_to_plan"): (3, "perhaps"),
    ("sound", "together"): (3, "perhaps", True),
    ("sound", "sounds_per_ear"): (0, 3, 2),  # 2 needs both ears at once
    ("sound", "mains_hz"): (50.0, [5.0], [500.0], ["fifty"]),
    ("sound", "lead_in_s"): (0.09, 60.1),
    ("sound", "trigger_db_fs"): (-80.1, 0.1, math.nan, "small"),
    ("sound", "route"): ("bone", "wire"),
    ("sound", "transducer"): ("loudspeaker", "bone-vibrator"),
    ("sound", "age_group"): ("dog",),
    ("sound", "age_months"): (-1, 1501, "young", 3.0, math.nan),  # 3 months are no adult
    ("sound", "dose_policy"): (3, ["a.toml"]),
    ("sound", "age_change"): (3, "", "m" * 201),
    ("sound", "calibration"): (3,),
    ("sound", "references"): (3,),
    ("sound", "masking"): ("pink", "white", "octave-band"),
    ("sound", "masking_level_db_em"): (-20.1, 100.1, 40),
    ("sound", "masking_level_db_fs"): (-120.1, 0.1, -40),
    ("sound", "masking_frequency_hz"): (124, 8001, 1000),
    ("sound", "masking_transducer"): ("bone-vibrator", "insert"),
    ("sound", "masking_calibration"): (3, "other.toml"),
    ("sound", "ipsilateral_noise"): ("pink", "notched", "high-pass", "broadband"),
    ("sound", "ipsilateral_noise_level_db_spl"): (-0.1, 120.1, 60),
    ("sound", "ipsilateral_noise_level_db_fs"): (-120.1, 0.1, -60),
    ("sound", "ipsilateral_noise_notch_hz"): ([707], "707", [707, 1414]),
    ("sound", "ipsilateral_noise_high_pass_hz"): ("low", 1000),
    ("sound", "muted"): ("perhaps", 3),
    ("sound", "equalise"): ("perhaps", 3, True),
    ("sound", "device"): ("card",),
    ("sound", "device_source_id"): (3,),
    ("sound", "output"): (1.5, True, 3, "my card"),
    ("sound", "channels"): ([1, 2], [0, 1, 2], [1, 2, 257], [1, 1, 2], "1,2,3", [3, 2, 1]),
    ("sound", "trigger_on_earphone_jack"): ("perhaps", 3, True),  # True needs a sound card, and one output for both ears
    ("sound", "block"): (511, 8193, 1024.5, 2048),
    ("sound", "allow_shared"): ("perhaps", True),
    ("sound", "bits"): (15, 33, 16),
    ("sound", "sample_rate_hz"): (31999, 192001),
    ("sound", "speed"): (0.09, 50.1),
    ("sound", "seed"): (-1, 1.5, 2**63),
    ("trigger", "edge"): ("up",),
    ("trigger", "kind"): ("steps",),
    ("trigger", "refractory_ms"): (0.49, 1001),
    ("analysis", "band_hz"): ([1500, 100], [100, 100], [100], [1, 2, 3], 100, ["a", 1500], [100, math.inf]),
    ("analysis", "window_ms"): ([17, 5], [5], "5,17", [5, math.nan]),
    ("analysis", "epoch_ms"): ([20, -2], [1], [-1001, 20]),
    ("analysis", "latency_ms"): ([10, 5.5], [1], [5.5, 1001]),
    ("analysis", "acoustic_delay_ms"): (-0.1, 50.1),
    ("analysis", "amplifier_delay_ms"): (-0.1, 120.1, "some", [1]),
    ("timing", "certificate"): (3, ["a.toml"]),
    ("stated", "stimulus"): ("custom", 3),
    ("stated", "frequency_hz"): (500, "high"),
    ("stated", "duration_us"): (39.9, 1001, "short"),
    ("stated", "cycles"): ([2, 1], "2-1-2", [2, 1, 2]),
    ("stated", "envelope"): ("round", "linear"),
    ("stated", "chirp_span_ms"): (3.32, "long"),
    ("stated", "ear"): ("both", "Left"),
    ("stated", "route"): ("skull",),
    ("stated", "level_db_nhl"): (-40.1, 120.1, "loud"),
    ("stated", "level_db_ppe_spl"): (-20.1, 150.1, "loud"),
    ("stated", "muted"): ("perhaps",),
    ("stated", "transducer"): ("headphone",),
    ("stated", "age_group"): ("baby",),
    ("stated", "masking"): ("pink",),
    ("stated", "masking_level_db_em"): (-20.1, 100.1, 40),
    ("stated", "masking_transducer"): ("loudspeaker", "insert"),
    **{("analysis", key.key): (0.99 * key.smallest, 1.01 * key.largest) for one in CRITERIA for key in one.keys},
    ("analysis", "rail_uv"): (0, -1),
    ("analysis", "earlier"): (
        "run-003",
        {"average_nv": [1.0, 2.0], "begin_ms": 5.0, "step_ms": 0.25},
        {"average_nv": [1.0], "begin_ms": 5.0, "step_ms": 0.25, "noise_nv": 65.0},
        {"average_nv": [1.0, math.inf], "begin_ms": 5.0, "step_ms": 0.25, "noise_nv": 65.0},
        {"average_nv": [1.0, 2.0], "begin_ms": 5.0, "step_ms": 0.25, "noise_nv": 0.0},
        {"average_nv": [1.0, 2.0], "begin_ms": 5.0, "step_ms": 0.25, "noise_nv": 65.0, "latr_ms": 1.0},
    ),
    ("decision", "rule"): ("t2", "noise_floor", "evidence:pocock", "fsp:half", 3),
    ("decision", "look_every"): (0, 15, 100_001, 256.5, "often"),
    ("decision", "alpha"): (0, 0.9e-6, 0.21, math.nan, "one in a hundred"),
    ("decision", "floor_nv"): (0.9, 501),
    ("decision", "max_sweeps"): (31, 10_000_001, 100.5),
    ("decision", "quiet_nv"): (0.9, 14, 501, "quiet"),
    ("decision", "absent_below_nv"): (4.9, 2001, "small"),
}
# The ends of what is allowed.
RIGHT: dict[tuple[str, str], tuple[Any, ...]] = {
    ("", "operator"): ("", "MB", "m" * 60, "Žofie & 漢"),
    ("", "site"): ("", "room 3 <b>", "s" * 60),
    ("stream", "eeg"): ("Cz", 1, [0, "Pz"]),
    ("stream", "trigger"): (0, "TRIG"),
    ("stream", "unit"): ("uV", "microvolts", "V", "mV"),
    ("stream", "wait_s"): (0.5, 600),
    ("sound", "rate_per_s"): (1, 58),
    ("sound", "random_pause"): (True, False),
    ("sound", "random_interval_ms"): (0, 4.2),
    ("sound", "random_polarity"): (True, False),
    ("sound", "held_to_plan"): (True, False),
    ("sound", "together"): (False,),
    ("sound", "mains_hz"): ([], [16.7], [50], [400]),
    ("sound", "lead_in_s"): (0.1, 60),
    ("sound", "trigger_db_fs"): (-80, 0),
    ("sound", "trigger_on_earphone_jack"): (False,),
    ("sound", "speed"): (0.1, 50),
    ("analysis", "acoustic_delay_ms"): (0, 50),
    ("analysis", "amplifier_delay_ms"): (0, 90),
    **{("analysis", key.key): (key.smallest, key.largest) for one in CRITERIA for key in one.keys},
    ("analysis", "rail_uv"): (1e-3, 1e6),
    ("analysis", "earlier"): ({"average_nv": [1.0, -2.0], "begin_ms": 5.0, "step_ms": 0.25, "noise_nv": 65.0, "later_ms": 0.3},),
    ("decision", "rule"): ("evidence", "fsp:obrien_fleming", "guidance_clear"),
    ("decision", "look_every"): (16, 100_000),
    ("decision", "alpha"): (1e-6, 0.2),
    ("decision", "floor_nv"): (1, 500),
    ("decision", "max_sweeps"): (32, 10_000_000),
    ("decision", "quiet_nv"): (15, 500),
    ("decision", "absent_below_nv"): (5, 2000),
}


def with_value(section: str, key: str, value: Any) -> dict[str, Any]:
    table = {key: value}
    if section == "sound" and key not in STATED:
        table |= SOUND
    if section == "stated":
        table = {"stimulus": "click", "ear": "left"} | table
    return {section: table} if section else table


def test_every_key_has_a_test() -> None:
    tables = {
        "stream": StreamPlan,
        "sound": SoundPlan,
        "trigger": TriggerPlan,
        "analysis": AnalysisPlan,
        "decision": DecisionPlan,
        "timing": TimingPlan,
        "stated": StatedPlan,
    }
    assert {(section, key) for section, model in tables.items() for key in model.model_fields} == {
        place for place in WRONG if place[0]
    }
    outside = {key for section, key in WRONG if not section}
    assert set(tables) | {"format", "title", "search"} | outside == set(Plan.model_fields)  # search: test_search_plan


@pytest.mark.parametrize(("section", "key", "value"), [(*place, value) for place, values in WRONG.items() for value in values])
def test_a_wrong_value_is_refused_by_its_name(section: str, key: str, value: Any) -> None:
    with pytest.raises(PlanError) as caught:
        make_plan(with_value(section, key, value), "bench.toml")
    said = str(caught.value)
    assert said.startswith("bench.toml: ")
    assert section in said
    assert key in said
    assert "\n" not in said  # one fault, one line
    assert "Input" not in said
    assert "validation" not in said


@pytest.mark.parametrize(("section", "key", "value"), [(*place, value) for place, values in RIGHT.items() for value in values])
def test_the_ends_of_what_is_allowed_are_allowed(section: str, key: str, value: Any) -> None:
    plan = make_plan(with_value(section, key, value))
    plan.engine_settings(LAYOUT)
    assert make_plan(tomllib.loads(plan.to_toml())) == plan


def test_an_error_says_what_which_allowed_and_meaning() -> None:
    with pytest.raises(PlanError) as caught:
        make_plan({"decision": {"alpha": 0.5, "floor": 3}, "analysis": {"band_hz": 100}})
    assert str(caught.value).splitlines() == [
        "plan: analysis.band_hz = 100: should be numbers in brackets, such as [100.0, 1500.0]",
        "plan: decision.alpha = 0.5 (false alarms of the whole run, all looks together): should be less than or equal to 0.2",
        "plan: unknown key decision.floor: did you mean floor_nv? allowed here are rule, look_every, alpha, floor_nv, "
        "max_sweeps, quiet_nv, absent_below_nv",
    ]


def test_levels_exclude_each_other_and_db_nhl_needs_a_calibration() -> None:
    for levels in ({}, {"level_db_nhl": 40, "level_db_fs": -40, "calibration": "x"}):
        with pytest.raises(PlanError, match=r"\[sound\] give exactly one of level_db_nhl .* and level_db_fs"):
            make_plan({"sound": levels})
    with pytest.raises(PlanError, match="level_db_nhl = 40 needs a calibration file"):
        make_plan({"sound": {"level_db_nhl": 40}})
    with pytest.raises(PlanError, match="level_db_ppe_spl = 90 needs a calibration file"):
        make_plan({"sound": {"level_db_ppe_spl": 90}})
    with pytest.raises(PlanError, match="give exactly one of"):
        make_plan({"sound": {"level_db_nhl": 40, "level_db_ppe_spl": 90, "calibration": "x"}})
    with pytest.raises(PlanError, match="bone vibrator has no sound pressure"):
        make_plan(
            {"sound": {"level_db_ppe_spl": 90, "calibration": "x", "route": "bone", "transducer": "bone-vibrator"}}
        )  # fmt: skip
    with pytest.raises(PlanError, match=r"chirp_by_level needs level_db_nhl"):
        make_plan({"sound": {"stimulus": "chirp", "chirp_by_level": True, "level_db_ppe_spl": 90, "calibration": "x"}})
    with pytest.raises(PlanError, match="give one of level_db_nhl and level_db_ppe_spl"):
        make_plan({"stated": {"stimulus": "click", "ear": "left", "level_db_nhl": 40, "level_db_ppe_spl": 75.5}})


def test_pauses_follow_the_mains_and_decide_how_long_blocks_are() -> None:
    for sound, pauses_s, units in (
        ({}, (0.02, 1 / 60), 1),
        ({"mains_hz": [50]}, (0.02,), 1),
        ({"mains_hz": []}, (), 2),
        ({"random_pause": False}, (), 2),
    ):
        plan = make_plan({"sound": SOUND | sound})
        assert plan.sound is not None
        assert plan.sound.pauses_s == pauses_s
        assert plan.evidence_settings().block_units == units


def test_the_key_of_an_earlier_version_says_what_to_write() -> None:
    with pytest.raises(PlanError) as caught:
        make_plan({"sound": SOUND | {"random_pause_ms": 20}})
    assert str(caught.value) == (
        "plan: sound.random_pause_ms = 20 is a key of an earlier version: write random_pause = true (a pause over one period of "
        "each of mains_hz), or false for a fixed rate, instead"
    )


def test_a_window_ends_before_the_next_sound() -> None:
    make_plan({"sound": SOUND | {"rate_per_s": 58}})
    with pytest.raises(PlanError, match=r"ends at 17 ms, but at 59/s the next stimulus comes after 16.9 ms"):
        make_plan({"sound": SOUND | {"rate_per_s": 59}})


@pytest.mark.parametrize(
    ("analysis", "words"),
    [
        ({"band_hz": [100, 3700]}, "3600 Hz"),
        ({"band_hz": [1, 1500]}, "5 Hz or more"),
        ({"epoch_ms": [-300, 20]}, "-200 to 200 ms"),
        ({"window_ms": [5, 250]}, "-200 to 200 ms"),
        ({"window_ms": [5, 5.5]}, "widen"),
        ({"acoustic_delay_ms": 50, "amplifier_delay_ms": 101}, "151"),
    ],
)
def test_what_this_stream_cannot_carry_is_refused(analysis: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        make_plan({"analysis": analysis}).engine_settings(LAYOUT)


def test_a_plan_survives_writing_and_reading(tmp_path: Path) -> None:
    calibration = tmp_path / "earphone.toml"
    plan = make_plan(
        {
            "title": "Näher an 'zero'",
            "stream": {
                "name": "Bench EEG",
                "source_id": "sn-1",
                "eeg": [2, "Cz"],
                "trigger": 3,
                "unit": "mV",
                "markers": "marks",
            },
            "sound": {"level_db_nhl": 35.5, "calibration": str(calibration), "mains_hz": [50], "muted": True, "seed": 9},
            "trigger": {"edge": "falling", "kind": "analogue"},
            "analysis": {"band_hz": [30, 3000], "rail_uv": 187500.0, "amplifier_delay_ms": 8.25},
            "decision": {"alpha": 1e-3, "floor_nv": 7.5, "max_sweeps": 10_000},
        }
    )
    path = tmp_path / "plan.toml"
    path.write_text(plan.to_toml(), encoding="utf-8")
    assert load_plan(path) == plan
    assert plan.stream.eeg == ("2", "Cz")


def test_a_calibration_is_found_beside_its_plan(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('[sound]\nlevel_db_nhl = 40\ncalibration = "../earphone.toml"\n')
    sound = load_plan(path).sound
    assert sound is not None
    assert sound.calibration == str(tmp_path.parent / "earphone.toml")


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"cannot be read \(No such file"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(tmp_path)
    for content in (b"alpha = = 3", b"\xff\xfe"):
        (tmp_path / "odd.toml").write_bytes(content)
        with pytest.raises(PlanError, match="is not TOML"):
            load_plan(tmp_path / "odd.toml")


def test_the_command_line_replaces_single_values() -> None:
    plan = make_plan({"stream": {"name": "A"}, "decision": {"alpha": 0.05, "max_sweeps": 2000}})
    changed = override(plan, {"decision": {"alpha": 0.01, "floor_nv": None}, "stream": {"eeg": ["1"], "name": None}})
    assert (changed.decision.alpha, changed.decision.max_sweeps, changed.decision.floor_nv) == (0.01, 2000, 15.0)
    assert (changed.stream.name, changed.stream.eeg) == ("A", ("1",))
    assert override(plan, {"decision": {"alpha": None}}) == plan
    with pytest.raises(PlanError, match=r"command line: decision\.floor_nv = 0"):
        override(plan, {"decision": {"floor_nv": 0}})


def test_the_engine_gets_what_the_plan_says() -> None:
    plan = make_plan(
        {
            "analysis": {
                "acoustic_delay_ms": 0.9,
                "amplifier_delay_ms": 4,
                "reject_peak_times": 3,
                "reject_peak_uv": 50,
                "rail_uv": 400,
            },
            "trigger": {"edge": "falling", "refractory_ms": 5},
            "decision": {"alpha": 0.02, "floor_nv": 20, "max_sweeps": 1000},
        }
    )
    settings = plan.engine_settings(LAYOUT)
    assert settings.delay_ms == pytest.approx(4.9)
    limits = {criterion.name: (criterion.times, criterion.ceiling) for criterion in settings.criteria}
    assert (limits["peak"], limits["slope"]) == ((3, 50), (3.5, math.inf))
    assert (settings.rail_uv, settings.alpha, settings.floor_nv, settings.max_sweeps, settings.lead_s) == (400, 0.02, 20, 1000, 0)
    assert (settings.trigger.edge, settings.trigger.refractory_ms) == ("falling", 5)
    assert math.isnan(settings.trigger.unit_mark_ms)
    ours = make_plan({"sound": SOUND | {"lead_in_s": 30}}).engine_settings(LAYOUT)
    assert ours.trigger.unit_mark_ms == 0.75
    assert ours.lead_s == 32.0


CARD = SOUND | {"device": "sound-card"}
ONE_EARPHONE = {"channels": [1, 1, 2], "trigger_on_earphone_jack": True}


def test_keys_of_a_sound_card() -> None:
    plan = make_plan({"sound": CARD | {"output": 3, "channels": [5, 6, 1], "block": 512, "allow_shared": True, "bits": 32}}).sound
    assert plan is not None
    assert (plan.output, plan.channels, plan.block, plan.allow_shared, plan.bits) == ("3", (5, 6, 1), 512, True, 32)
    again = make_plan({"sound": plan.model_dump(mode="json", exclude_none=True)}).sound
    assert again == plan


def test_one_earphone_has_a_small_trigger_and_a_caution() -> None:
    plan = make_plan({"sound": CARD | ONE_EARPHONE}).sound
    assert plan is not None
    assert (plan.channels, plan.card_channels, plan.trigger_db_fs) == ((1, 1, 2), (1, 1, 2), -60.0)
    assert "leaves by output 2, a jack that usually feeds an ear: nothing that somebody can wear" in plan.caution
    assert make_plan({"sound": plan.model_dump(mode="json", exclude_none=True)}).sound == plan
    own = make_plan({"sound": CARD | ONE_EARPHONE | {"trigger_db_fs": -44}}).sound
    usual = make_plan({"sound": CARD}).sound
    assert own is not None
    assert usual is not None
    assert (own.trigger_db_fs, usual.trigger_db_fs, usual.caution) == (-44.0, -30.0, "")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"speed": 2.0}, "plays in real time"),
        ({"lead_in_s": 1.9}, "2 s of stream to wake up"),
        ({"channels": [1, 2, 2]}, "an output each"),
        ({"channels": [1, 1, 1]}, "an output each"),
        ({"channels": [1, 0, 2]}, r"outputs count from 1, and none can be left out.*channels = \[1, 1, 2\], with trigger_on_"),
        ({"channels": [1, 1, 2]}, "leaves by output 2, which usually feeds an ear. If nothing that somebody can wear is"),
        ({"trigger_on_earphone_jack": True}, r"belongs to one earphone for both ears, such as channels = \[1, 1, 2\], not to"),
        (ONE_EARPHONE | {"masking": "white", "masking_level_db_fs": -60}, "masking = 'white' .*would have to come from a second"),
        (ONE_EARPHONE | {"together": True, "rate_per_s": 44.1}, "one earphone cannot be on both ears"),
        ({"block": 512, "sample_rate_hz": 96_000.0}, "allowed at 96000 Hz is 960 to 8192"),
    ],
)
def test_what_a_sound_card_cannot_do_is_refused(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(PlanError, match=said):
        make_plan({"sound": CARD | wrong})


def test_the_largest_seed_comes_back_from_plan_and_record() -> None:
    largest = 2**63 - 1  # of an integer in TOML
    plan = make_plan({"stream": {"name": "Bench"}, "sound": {"level_db_fs": -30, "seed": largest}})
    assert plan.sound is not None
    assert plan.sound.seed == largest
    assert checked_record({"seed": largest}) == {"seed": largest}
    assert checked_plan({"sound": {"seed": largest}})


QUIET_BURST = {"stimulus": "tone-burst", "frequency_hz": 1000, "level_db_fs": -60}
IN_NOISE = QUIET_BURST | {"ipsilateral_noise": "notched", "ipsilateral_noise_level_db_fs": -60}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"ipsilateral_noise_level_db_spl": 60.0}, "give exactly one of ipsilateral_noise_level_db_spl .needs a calibration"),
        ({"ipsilateral_noise_level_db_fs": None}, "give exactly one of ipsilateral_noise_level_db_spl"),
        (
            {"ipsilateral_noise_level_db_fs": None, "ipsilateral_noise_level_db_spl": 60.0},
            "ipsilateral_noise_level_db_spl = 60 needs a calibration file: name it as calibration, or give",
        ),
        ({"ipsilateral_noise": "none"}, "ipsilateral_noise_level_db_fs without noise: add ipsilateral_noise = one of"),
        ({"ipsilateral_noise_high_pass_hz": 500.0}, "belongs to ipsilateral_noise = \"high-pass\", not to \"notched\": leave it"),
        ({"ipsilateral_noise_notch_hz": [100.0, 500.0]}, "an edge at 100 Hz; allowed is 125 to 9000 Hz"),
        ({"ipsilateral_noise_notch_hz": [900.0, 1000.0]}, "the upper edge is at least 1.25 times the lower one: widen it"),
        ({"frequency_hz": 8000}, "an edge at 11313.7 Hz; allowed is 125 to 9000 Hz"),
        ({"stimulus": "click", "frequency_hz": None}, "'click', which has no frequency: give ipsilateral_noise_notch_hz"),
        (
            {"stimulus": "click", "frequency_hz": None, "ipsilateral_noise": "high-pass"},
            "'click', which has no frequency: give ipsilateral_noise_high_pass_hz",
        ),
        ({"route": "bone", "transducer": "bone-vibrator"}, "a bone vibrator gives no noise of a known level over a wide band"),
        ({"together": True, "rate_per_s": 44.1}, "with together = true: it goes with one ear at a time"),
    ],
)
def test_noise_in_the_tested_ear_that_cannot_be_is_refused(wrong: dict[str, Any], said: str) -> None:
    sound = {name: value for name, value in (IN_NOISE | wrong).items() if value is not None}
    with pytest.raises(PlanError, match=said):
        make_plan({"sound": sound})


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"route": "bone", "transducer": "bone-vibrator"}, 'ear = "both" with route = "bone": a vibrator moves both cochleae'),
        ({"together": True, "rate_per_s": 44.1}, 'ear = "both" with together = true: there each ear has sounds of its own'),
        ({"masking": "white", "masking_level_db_fs": -60}, 'ear = "both" with masking = "white": no ear is left for the noise'),
        (
            {"ipsilateral_noise": "notched", "ipsilateral_noise_level_db_fs": -60},
            'ear = "both" with ipsilateral_noise = "notched": that is noise in the ear of one stimulus',
        ),
        (
            {"device": "sound-card", "output": "x", "channels": [1, 1, 2], "trigger_on_earphone_jack": True},
            "one earphone cannot be on both ears: use a card with three outputs",
        ),
    ],
)
def test_one_sound_in_both_ears_that_cannot_be_is_refused(wrong: dict[str, Any], said: str) -> None:
    make_plan({"sound": QUIET_BURST | {"ear": "both"}})
    with pytest.raises(PlanError, match=said):
        make_plan({"sound": QUIET_BURST | {"ear": "both"} | wrong})


def test_the_edges_of_noise_in_the_tested_ear_follow_the_burst_unless_they_are_given() -> None:
    def edges(**more: Any) -> tuple[float, ...]:
        sound = make_plan({"sound": IN_NOISE | more}).sound
        assert sound is not None
        return sound.ipsilateral_edges_hz

    assert edges() == pytest.approx((707.107, 1414.214), abs=1e-3)
    assert edges(ipsilateral_noise="high-pass") == pytest.approx((1414.214,), abs=1e-3)
    assert edges(ipsilateral_noise="broadband") == ()
    assert edges(ipsilateral_noise_notch_hz=[800, 1200]) == (800.0, 1200.0)
    assert edges(ipsilateral_noise="high-pass", ipsilateral_noise_high_pass_hz=2000) == (2000.0,)


def test_noise_in_the_tested_ear_comes_back_from_a_plan_and_is_in_no_plan_without_it(tmp_path: Path) -> None:
    plan = make_plan({"sound": IN_NOISE | {"ipsilateral_noise_notch_hz": [800, 1200]}})
    (tmp_path / "plan.toml").write_text(plan.to_toml(), encoding="utf-8")
    assert load_plan(tmp_path / "plan.toml").sound == plan.sound
    quiet = make_plan({"sound": QUIET_BURST})
    assert "ipsilateral_noise_" not in quiet.to_toml()


def test_published_latencies_are_not_looked_for_in_noise() -> None:
    quiet, noisy = (make_plan({"sound": sound}).sound for sound in (QUIET_BURST, IN_NOISE))
    assert quiet is not None
    assert noisy is not None
    assert noisy.latency_ms((5.0, 19.0)) == (5.0, 19.0) != quiet.latency_ms((5.0, 19.0))
    assert StatedPlan.of_sound(quiet) is not None
    assert StatedPlan.of_sound(noisy) is None
