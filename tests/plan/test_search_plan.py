"""What a plan says of a search: each key is checked by its name, and what follows from it is what single runs would have."""

from __future__ import annotations

import datetime
import math
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import table_of, written_out
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_run_plan, make_plan, override
from quietfloor.monitor.plan.search_plan import SearchConditionPlan, SearchPlan
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.run.sound_output import make_cells
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.together_frames import TogetherFrames

SOUND = {"level_db_nhl": 60.0, "calibration": str(virtual_calibration()), "rate_per_s": 37.1}
ONE = {"ear": "right", "stimulus": "tone-burst", "frequency_hz": 2000.0, "levels_db_nhl": [10.0, 30.0, 50.0]}
OTHER = {"ear": "left", "stimulus": "click", "levels_db_nhl": [20.0, 40.0], "rank": 1}
WRONG: dict[str, tuple[Any, ...]] = {
    "ear": ("both",),
    "stimulus": ("noise",),
    "frequency_hz": (99, 20_001),
    "levels_db_nhl": ([], [30, 20], [20, 20], [-41, 0], list(range(42)), "20"),
    "start_db_nhl": (-41, 121),
    "rank": (-1, 1001, 0.5),
    "sound": (0, 3, 1.5),
    "masking_db_em": ([1, 2, 3, 4], "loud"),
    "masking": ("pink", "none"),
    "expected_db_nhl": (-61, 20),
    "expected_sd_db": (2, 10),
    "window_ms": ([17, 5], 5),
    "latency_ms": ([[5, 9]], "5"),
}
WRONG_OF_ALL: dict[str, tuple[Any, ...]] = {
    "condition": ([], "right", [OTHER, OTHER]),
    "width_db": (4.9, 41),
    "widest_db": (4.9, 61, 8),
    "deciding": ("Cz-M1", ["Cz-M1"], [1, 2]),
    "minutes": (0, 1441),
}


def plan_of(*conditions: dict[str, Any], **keys: Any) -> Plan:
    return make_plan({"sound": SOUND, "search": keys | {"condition": list(conditions)}})


def test_every_key_has_a_wrong_value() -> None:
    assert set(WRONG) == set(SearchConditionPlan.model_fields)
    assert set(WRONG_OF_ALL) == set(SearchPlan.model_fields)


@pytest.mark.parametrize(("key", "value"), [(key, value) for key, values in WRONG.items() for value in values])
def test_a_wrong_value_of_a_condition_is_refused(key: str, value: Any) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(ONE | {key: value})
    said = str(caught.value)
    assert said.startswith("plan: ")
    assert "search" in said
    assert key in said or "expected_" in said
    assert "\n" not in said


@pytest.mark.parametrize(("key", "value"), [(key, value) for key, values in WRONG_OF_ALL.items() for value in values])
def test_a_wrong_value_of_all_is_refused(key: str, value: Any) -> None:
    with pytest.raises(PlanError, match=r"search"):
        make_plan({"sound": SOUND, "search": {"condition": [ONE]} | {key: value}})


def test_an_unknown_key_is_told_with_those_that_are_there() -> None:
    with pytest.raises(PlanError, match="did you mean levels_db_nhl"):
        plan_of(ONE | {"levels_db_hl": [10]})
    with pytest.raises(PlanError, match="did you mean minutes"):
        plan_of(ONE, minute=3)


def test_a_search_is_in_quiet() -> None:
    noise = {"ipsilateral_noise": "broadband", "ipsilateral_noise_level_db_spl": 50}
    with pytest.raises(PlanError, match=r"ipsilateral_noise = 'broadband' with \[search\]: noise in the tested ear goes with"):
        make_plan({"sound": SOUND | noise, "search": {"condition": [ONE]}})


def test_a_search_is_of_one_ear_a_condition() -> None:
    with pytest.raises(PlanError, match=r'ear = "both" with \[search\]: one sound in both ears tells no threshold of an ear'):
        make_plan({"sound": SOUND | {"ear": "both"}, "search": {"condition": [ONE]}})


def test_a_search_needs_levels_of_our_own_sound() -> None:
    with pytest.raises(PlanError, match=r"give \[sound\] with level_db_nhl"):
        make_plan({"search": {"condition": [ONE]}})
    with pytest.raises(PlanError, match=r"give \[sound\] with level_db_nhl"):
        make_plan({"sound": {"level_db_fs": -60}, "search": {"condition": [ONE]}})


def test_the_table_has_every_level_and_silence() -> None:
    plan = plan_of(ONE | {"masking_db_em": [35.0], "rank": 2}, OTHER)
    plan = override(plan, {"sound": {"masking": "white", "masking_level_db_em": 35}})
    table = table_of(plan)
    assert table is not None
    cells = [(cell.ear, cell.level_db_nhl, cell.masking_level_db_em, cell.muted) for cell in table.cells]
    assert cells == [
        ("right", 10.0, None, None), ("right", 30.0, None, None), ("right", 50.0, 35.0, None),
        ("left", 20.0, None, None), ("left", 40.0, None, None), ("right", 10.0, None, True),
    ]  # fmt: skip
    assert table.first == 4  # of the lowest rank, nearest to 40
    assert table.sounds[0].stimulus == "tone-burst"
    assert table.sounds[5].muted
    assert table_of(make_plan({"sound": SOUND})) is None


def test_windows_and_latencies_are_written_out_and_read_again(tmp_path: Any) -> None:
    """Those of a run of one level, but for the window, which all levels share: that of the softest."""
    plan = written_out(plan_of(ONE, OTHER))
    assert plan.search is not None
    for one, given in zip(plan.search.condition, (ONE, OTHER), strict=True):
        assert one.window_ms is not None
        assert one.latency_ms is not None
        for level, latency_ms in zip(one.levels_db_nhl, one.latency_ms, strict=True):
            keys = {key: given[key] for key in ("ear", "stimulus", "frequency_hz") if key in given}
            alone = make_plan({"sound": SOUND | keys | {"level_db_nhl": level}})
            assert alone.sound is not None
            low, high = alone.latency_ms()
            assert (max(low, one.window_ms[0]), high) == pytest.approx((max(latency_ms[0], one.window_ms[0]), latency_ms[1]))
            if level == one.levels_db_nhl[0]:
                assert one.window_ms == alone.analysis.window_ms
    folder = RunFolder(tmp_path)
    folder.write_text(folder.plan.name, plan.to_toml())
    assert load_run_plan(folder.plan).search == plan.search
    assert written_out(plan) == plan


def test_a_window_that_the_next_sound_would_cut_is_refused() -> None:
    with pytest.raises(PlanError, match=r"of tone-burst 2000 Hz, right ear ends at 30 ms.*lower sound.rate_per_s"):
        written_out(plan_of(ONE | {"window_ms": [5.0, 30.0]}))


def test_the_search_hears_each_level_as_a_run_of_it_alone_would() -> None:
    plan = written_out(plan_of(ONE, OTHER))
    layout = Layout(16_000.0, ("eeg", "trigger"), (0,), 1)
    settings = plan.engine_settings(layout)
    search = make_search(plan, settings)
    assert search is not None
    for sought, given in zip(search.sought, (ONE, OTHER), strict=True):
        for level, of_level in zip(sought.levels_db, sought.condition.settings, strict=True):
            keys = {key: given[key] for key in ("ear", "stimulus", "frequency_hz") if key in given}
            alone = make_plan({"sound": SOUND | keys | {"level_db_nhl": level}}).engine_settings(layout)
            assert of_level.evidence.block_units == alone.evidence.block_units
            assert of_level.evidence.latency_ms == pytest.approx(alone.evidence.latency_ms)
    windows = [one.condition.settings[0].window_ms for one in search.sought]
    assert settings.window_ms == (min(start for start, _ in windows), max(stop for _, stop in windows))
    assert search.wanted.alpha == plan.decision.alpha


def test_what_is_expected_of_a_threshold_reaches_the_search() -> None:
    plan = written_out(plan_of(ONE | {"expected_db_nhl": 35.0, "expected_sd_db": 12.0}, OTHER))
    search = make_search(plan, plan.engine_settings(Layout(16_000.0, ("eeg", "trigger"), (0,), 1)))
    assert search is not None
    one, other = (sought.condition for sought in search.sought)
    assert (one.ear, one.frequency_hz, one.expected_db, one.expected_sd_db) == ("right", 2000.0, 35.0, 12.0)
    assert (other.ear, math.isnan(other.frequency_hz), math.isnan(other.expected_db)) == ("left", True, True)


BOTH = SOUND | {"together": True, "rate_per_s": 38.5}
OTHER_EARPHONE = {"masking": "white", "masking_level_db_fs": -60.0, "masking_transducer": "circumaural"}


@pytest.mark.parametrize(
    ("sound", "conditions", "words"),
    [
        (BOTH, [ONE], "need a \\[search\\] with conditions of both ears"),
        (BOTH | OTHER_EARPHONE, [ONE | {"masking_db_em": [40.0]}, OTHER], "'circumaural' would be on an ear that is tested"),
        (BOTH | {"random_pause": False}, [ONE, OTHER], "leave random_pause and held_to_plan on"),
        (BOTH | {"random_interval_ms": 2.0}, [ONE, OTHER], "random_interval_ms = 2 with together = true: .*: leave random_"),
        (BOTH | {"held_to_plan": False}, [ONE, OTHER], "leave random_pause and held_to_plan on"),
        (BOTH | {"rate_per_s": 9.9}, [ONE, OTHER], "together = true at rate_per_s = 9.9: allowed is 10 and more"),
        (BOTH | {"rate_per_s": 37.1}, [ONE, OTHER], "the ears hear 38.30 and 35.98 sounds a second; .*: use 36.9"),
        (BOTH | {"route": "bone", "transducer": "bone-vibrator"}, [ONE, OTHER], "a vibrator moves both ears"),
        (BOTH | {"sounds_per_ear": 2}, [ONE, OTHER], "sounds_per_ear = 2: give each .* its sound, 1 or 2, and each ear both"),
        (BOTH, [ONE, OTHER | {"sound": 2}], "sound.sounds_per_ear = 1: give each .* its sound, 1, or leave it out"),
        (BOTH | {"sounds_per_ear": 2, "rate_per_s": 36.5}, [ONE, OTHER], "the ears hear 37.68, 35.39, 40.28 and 33.37 sounds"),
        (SOUND | {"sounds_per_ear": 2}, [ONE, OTHER], "sounds_per_ear = 2 needs together = true"),
    ],
)
def test_what_cannot_be_in_both_ears_at_once_is_refused(sound: Any, conditions: Any, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        make_plan({"sound": sound, "search": {"condition": conditions}})
    with pytest.raises(PlanError, match="need a"):
        make_plan({"sound": BOTH})


def test_in_both_ears_at_once_a_window_ends_before_the_ears_own_next_sound() -> None:
    one = make_plan({"sound": SOUND | {"rate_per_s": 38.5}, "search": {"condition": [ONE, OTHER]}})
    both = make_plan({"sound": BOTH, "search": {"condition": [ONE, OTHER]}})
    assert one.sound is not None
    assert both.sound is not None
    assert one.sound.room_ms - both.sound.room_ms == pytest.approx(1e3 / 38.5 / 32)
    assert both.sound.sweep_s - one.sound.sweep_s == pytest.approx(1.5 / 38.5 / 16)


def test_each_condition_has_noise_of_its_kind_in_the_other_ear() -> None:
    conditions = [
        ONE | {"masking_db_em": [40.0, 50.0], "masking": "octave-band"}, OTHER | {"masking_db_em": [45.0], "masking": "white"}
    ]  # fmt: skip
    sound = BOTH | {"masking": "white", "masking_level_db_em": 40.0}
    plan = make_plan({"sound": sound, "search": {"condition": conditions}})
    table = table_of(plan)
    assert table is not None
    noise = [(one.masking, one.masking_ear, one.masking_hz, one.masking_level_db_em) for one in table.sounds]
    assert noise[1:3] == [("octave-band", "left", 2000.0, 40.0), ("octave-band", "left", 2000.0, 50.0)]
    assert noise[4] == ("white", "right", None, 45.0)
    assert [one[0] for one in (noise[0], noise[3], noise[5])] == ["none"] * 3  # soft ones, and silence
    stimulus = make_cells(table, lambda unit: None, datetime.date(2026, 1, 1))
    assert isinstance(stimulus.frames, TogetherFrames)
    search = make_search(written_out(plan), plan.engine_settings(Layout(16_000.0, ("eeg", "trigger"), (0,), 1)))
    assert search is not None
    assert [one.condition.noisy for one in search.sought] == [(False, True, True), (False, True)]


def test_the_channel_of_each_ears_own_side_decides() -> None:
    layout = Layout(16_000.0, ("Cz-M2", "Cz-M1", "trigger"), (0, 1), 2)
    plan = make_plan({"sound": BOTH, "search": {"condition": [ONE, OTHER], "deciding": ["Cz-M1", "Cz-M2"]}})
    search = make_search(written_out(plan), plan.engine_settings(layout))
    assert search is not None
    assert [(one.ear, layout.labels[one.channel]) for one in search.sought] == [("right", "Cz-M2"), ("left", "Cz-M1")]
    wrong = make_plan({"sound": BOTH, "search": {"condition": [ONE, OTHER], "deciding": ["Cz-M1", "Fz"]}})
    with pytest.raises(PlanError, match=r"search.deciding: 'Fz' is not among the EEG channels in use .Cz-M2, Cz-M1."):
        make_search(written_out(wrong), wrong.engine_settings(layout))


def test_a_rate_that_leaves_no_room_in_both_ears_is_told_with_one_that_does() -> None:
    low = {"stimulus": "octave-chirp", "frequency_hz": 500.0, "levels_db_nhl": [10.0, 30.0]}
    conditions = [low | {"ear": "left"}, low | {"ear": "right"}]
    plans = [
        make_plan({"sound": BOTH | {"rate_per_s": rate}, "search": {"condition": conditions}}) for rate in (39.1, 38.5)
    ]  # fmt: skip
    with pytest.raises(PlanError, match=r"after 20.8 ms: lower sound.rate_per_s to 38.5"):
        written_out(plans[0])
    written_out(plans[1])


def test_an_unknown_key_of_a_condition_is_named_once() -> None:
    with pytest.raises(PlanError, match=r"unknown key search\.condition, 0 from 0: ran: did you mean rank\? allowed here are"):
        make_plan({"search": {"condition": [{"ear": "left", "levels_db_nhl": [10], "ran": 1}]}})
