"""Rungs from the records of a session: which runs belong together, in which order, and what a damaged one does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.display.ladder import Ladder, Level, Series, heard_words, load_overlay, read_ladder
from quietfloor.monitor.plan.sound_plan import SoundPlan, StatedPlan
from quietfloor.monitor.session.session_store import STATE, Remarks, SessionStore
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.stimuli.levels import NHL


def plan(db: float = -30.0, ear: str = "right", **more: Any) -> SoundPlan:
    return SoundPlan.model_validate({"level_db_fs": db, "ear": ear} | more)


def add_run(session: Path, db: float, verdict: str, ear: str = "right", **stimulus: Any) -> Path:
    """A finished run with the record and the average that the ladder reads."""
    folder = RunFolder.create(session)
    played = {
        "stimulus": "click", "ear": ear, "route": "air", "level_db_nhl": None, "level_db_fs": db, "muted": False,
    }  # fmt: skip
    stopped_by = {"response_present": "response", "response_absent": "noise_floor", "inconclusive": "operator"}[verdict]
    folder.write_json(
        "run.json",
        {"verdict": verdict, "stopped_by": stopped_by, "sweeps_accepted": 640, "residual_noise_nv": 21.4}
        | {"stimulus": played | stimulus},
    )
    times = np.array([-1.0, 0.0, 1.0])
    folder.write_average(times, [0.1, np.nan, -0.2], times, times, times)
    return folder.path


def shown(ladder: Ladder) -> list[tuple[str, str, list[str]]]:
    return [(str(rung.level), rung.words, [one.folder.name for one in rung.replicates]) for rung in ladder.rungs]


def test_rungs_are_levels_from_the_top_with_the_newest_replicate_first(tmp_path: Path) -> None:
    add_run(tmp_path, -30, "response_present")
    add_run(tmp_path, -40, "response_present")
    add_run(tmp_path, -40, "response_absent")
    add_run(tmp_path, -30, "response_present")
    add_run(tmp_path, -50, "inconclusive")
    ladder = read_ladder(tmp_path, plan(-50), None, running=False)
    assert str(ladder.series) == "right ear, air, click"
    assert shown(ladder) == [
        ("−30 dB re full scale", "response, twice", ["run-004", "run-001"]),
        ("−40 dB re full scale", "mixed: 1 of 2 response", ["run-003", "run-002"]),
        ("−50 dB re full scale", "undecided", ["run-005"]),
    ]
    assert [one.state for rung in ladder.rungs for one in rung.replicates] == [
        "present", "present", "absent", "present", "stopped",
    ]  # fmt: skip
    assert ladder.rungs[1].replicates[0].words == "run-003: no response, 640 sweeps, 21 nV of noise"


def test_a_search_that_was_stopped_is_no_rung(tmp_path: Path) -> None:
    mine, searched = add_run(tmp_path, -30, "response_present"), RunFolder(add_run(tmp_path, -30, "inconclusive"))
    searched.write_json("run.json", searched.read_record() | {"search": {"conditions": []}})
    assert shown(read_ladder(tmp_path, plan(), None, False)) == [("−30 dB re full scale", "response", [mine.name])]


def test_only_the_same_ear_route_and_stimulus_make_a_ladder(tmp_path: Path) -> None:
    add_run(tmp_path, -30, "response_present", ear="left")
    add_run(tmp_path, -30, "response_present", route="bone")
    add_run(tmp_path, -30, "response_present", stimulus="tone burst 500 Hz")
    mine = add_run(tmp_path, -30, "response_present")
    assert shown(read_ladder(tmp_path, plan(), None, False)) == [("−30 dB re full scale", "response", [mine.name])]
    tone = plan(stimulus="tone-burst", frequency_hz=500.0)
    assert Series.of_plan(tone) == Series("right", "air", "tone burst 500 Hz")
    assert shown(read_ladder(tmp_path, tone, None, False)) == [("−30 dB re full scale", "response", ["run-003"])]


def test_the_run_on_the_screen_has_its_rung_before_it_has_a_record(tmp_path: Path) -> None:
    add_run(tmp_path, -30, "response_present")
    present = RunFolder.create(tmp_path).path
    ladder = read_ladder(tmp_path, plan(-40), present, running=True)
    assert [(str(rung.level), rung.words, rung.running) for rung in ladder.rungs] == [
        ("−30 dB re full scale", "response", False), ("−40 dB re full scale", "running", True),
    ]  # fmt: skip
    assert ladder.unreadable == ()
    assert ladder.present == Level(True, "dB re full scale", -40.0)


def test_muted_controls_are_at_the_foot_and_calibrated_levels_apart() -> None:
    levels = [Level(True, "dB p-p.e. SPL", 90.0), Level(True, "dB re full scale", -30.0)]
    levels += [Level(False, NHL, 60.0), Level(True, NHL, 20.0), Level(True, NHL, 60.0)]
    assert [str(level) for level in sorted(levels, reverse=True)] == [
        "60 dB nHL", "20 dB nHL", "90 dB p-p.e. SPL", "−30 dB re full scale", "60 dB nHL, muted",
    ]  # fmt: skip


def test_a_discarded_run_is_not_on_the_ladder_until_it_counts_again(tmp_path: Path) -> None:
    """What people said about runs is kept by the session, not in run.json."""
    for verdict in ("response_present", "response_absent"):
        add_run(tmp_path, -30, verdict)
    store = SessionStore(tmp_path)

    def say(why: str | None) -> list[tuple[str, str, list[str]]]:
        store.change(lambda state: state.runs.update({2: Remarks(discarded=why)}))
        return shown(read_ladder(tmp_path, plan(), None, False))

    assert say("she moved") == [("−30 dB re full scale", "response", ["run-001"])]
    assert say(None) == [("−30 dB re full scale", "mixed: 1 of 2 response", ["run-002", "run-001"])]
    (tmp_path / STATE).write_text("{", encoding="utf-8")
    damaged = read_ladder(tmp_path, plan(), None, False)
    assert damaged.unreadable == (STATE,)
    assert [len(rung.replicates) for rung in damaged.rungs] == [2]


def test_damaged_records_are_named_and_left_out(tmp_path: Path) -> None:
    good = add_run(tmp_path, -30, "response_present")
    for text in ("{", "[]", '{"verdict": "response_present"}', '{"stimulus": null, "verdict": null}'):
        (RunFolder.create(tmp_path).path / "run.json").write_text(text, encoding="utf-8")
    (RunFolder.create(tmp_path).path / "run.json").write_bytes(b"\xff\xfe\x00")
    ladder = read_ladder(tmp_path, plan(), None, False)
    assert [one.folder for rung in ladder.rungs for one in rung.replicates] == [good]
    assert set(ladder.unreadable) == {"run-002", "run-003", "run-004", "run-006"}  # run-005 listened to other equipment


def test_without_sound_of_our_own_or_a_folder_there_is_no_ladder(tmp_path: Path) -> None:
    assert read_ladder(tmp_path, None, None, True) == Ladder(None)
    assert shown(read_ladder(tmp_path / "nowhere", plan(), None, True)) == [("−30 dB re full scale", "running", [])]


def test_an_average_is_loaded_for_an_overlay_and_a_bad_one_refused(tmp_path: Path) -> None:
    path = add_run(tmp_path, -30, "response_present")
    (rung,) = read_ladder(tmp_path, plan(), None, False).rungs
    overlay = load_overlay(rung.replicates[0], rung.level)
    assert overlay.label == "−30 dB re full scale (run-001)"
    np.testing.assert_array_equal(overlay.times_ms, [-1, 0, 1])
    np.testing.assert_array_equal(overlay.average_nv, [100, np.nan, -200])
    (path / "average.csv").write_text("time_ms,something\n1,2\n", encoding="utf-8")
    with pytest.raises(FolderError, match="is no average"):
        load_overlay(rung.replicates[0], rung.level)
    (path / "average.csv").unlink()
    with pytest.raises(FolderError, match="average"):
        load_overlay(rung.replicates[0], rung.level)


def test_a_response_that_may_be_the_other_ears_says_so_and_masked_runs_are_counted_apart(tmp_path: Path) -> None:
    sound = {"level_db_nhl": 70.0, "level_db_fs": None, "kind": "click", "frequency_hz": None, "transducer": "insert"}
    rest = {"age_group": "adult", "masking": None}
    masking = {"noise": "white", "level_db_em": 30.0, "transducer": "insert"}
    for number, more in enumerate((rest, rest, rest | {"masking": masking}), 1):
        folder = RunFolder(add_run(tmp_path, -30, "response_present", **(sound | more)))
        whole = {"evidence": 3.0, "upper_limit_nv": None, "rule": None}
        folder.write_json("run.json", folder.read_json("run.json") | whole)
        here = SoundPlan.model_validate({"level_db_nhl": 70.0, "ear": "right", "calibration": "any.toml"})
        (rung,) = read_ladder(tmp_path, here, None, False).rungs
        told = ("response (which ear?)", "response (which ear?)", "response, masked")
        assert rung.words == told[number - 1]
        assert rung.replicates[0].state == ("present?", "present?", "present")[number - 1]
        doubts = read_ladder(tmp_path, here, folder.path, False).doubts
        assert doubts == ({} if number == 3 else {"present": "noise in the other ear was due, and none was given"})
    assert rung.replicates[0].words.startswith("run-003: response, masked with white 30 dB EM")
    assert rung.replicates[2].words.startswith("run-001: response, not known to be this ear's")


def test_while_a_run_is_on_it_is_known_whether_a_response_would_be_this_ears(tmp_path: Path) -> None:
    """By the same advice that judges it afterwards: by air with inserts 70 dB may cross over, 30 dB may not."""
    common = {"ear": "right", "calibration": "any.toml"}
    noise = {"masking": "white", "masking_level_db_em": 30.0}
    for more, doubted in (({}, True), (noise, False), ({"muted": True}, False)):
        sound = SoundPlan.model_validate({"level_db_nhl": 70.0, **common, **more})
        assert set(read_ladder(tmp_path, sound, None, True).doubts) == ({"present"} if doubted else set())
    assert not read_ladder(tmp_path, SoundPlan.model_validate({"level_db_nhl": 30.0, **common}), None, True).doubts


def test_a_level_that_plays_says_so_before_what_was_found_there(tmp_path: Path) -> None:
    add_run(tmp_path, -40, "response_present")
    (rung,) = read_ladder(tmp_path, plan(-40), None, running=True).rungs
    assert (rung.words, rung.brief) == ("running; earlier: response", "running")
    (rung,) = read_ladder(tmp_path, plan(-40), None, running=False).rungs
    assert rung.words == rung.brief == "response"


def test_runs_that_do_not_agree_are_not_told_by_the_newest(tmp_path: Path) -> None:
    for verdict in ("response_present", "response_absent", "inconclusive", "response_absent", "inconclusive"):
        add_run(tmp_path, -40, verdict)
    (rung,) = read_ladder(tmp_path, plan(-40), None, running=True).rungs
    assert (rung.words, rung.brief) == ("running; earlier: mixed: 1 of 5 response", "running")
    assert rung.states("present") == ("present", "stopped", "absent", "stopped", "absent", "present")
    (rung,) = read_ladder(tmp_path, plan(-40), None, running=False).rungs
    assert (rung.words, rung.brief) == ("mixed: 1 of 5 response", "mixed")
    SessionStore(tmp_path).change(lambda state: state.runs.update({1: Remarks(discarded="moved")}))
    (rung,) = read_ladder(tmp_path, plan(-40), None, running=False).rungs
    assert rung.words == "mixed: 2 of 4 no response"


def test_ear_and_level_of_a_run_in_a_few_words() -> None:
    assert heard_words(plan(-40)) == ("right ear, −40 dB re full scale", "right")
    assert heard_words(plan(-40, "left", muted=True)) == ("left ear, −40 dB re full scale, muted", "left")
    bone = {"route": "bone", "transducer": "bone-vibrator"}
    assert heard_words(plan(-40, "left", **bone)) == ("left ear by bone, −40 dB re full scale", "left")
    stated = {"stimulus": "click", "ear": "left"}
    assert heard_words(StatedPlan.model_validate(stated | {"level_db_nhl": 60})) == ("left ear, 60 dB nHL", "left")
    assert heard_words(StatedPlan.model_validate(stated)) == ("", "")
    assert heard_words(None) == ("", "")


def test_the_run_on_the_screen_is_known_as_discarded(tmp_path: Path) -> None:
    first, second = (add_run(tmp_path, -40, "response_present") for _ in range(2))
    store = SessionStore(tmp_path)
    assert not read_ladder(tmp_path, plan(-40), second, running=False).discarded
    store.change(lambda state: state.runs.update({2: Remarks(discarded="moved")}))
    here = read_ladder(tmp_path, plan(-40), second, running=False)
    assert here.discarded
    (rung,) = here.rungs
    assert (rung.words, rung.brief) == ("discarded; counts: response", "counts: response")
    assert rung.states() == ("discarded", "present")
    assert not read_ladder(tmp_path, plan(-40), first, running=False).rungs[0].discarded
    alone = read_ladder(tmp_path, plan(-50), second, running=False).rungs[-1]
    assert (alone.words, alone.states()) == ("discarded", ("discarded",))
    unknown = StatedPlan.model_validate({"stimulus": "click", "ear": "left"})
    for sound in (None, unknown):  # its level is not known: it has no rung, and is discarded all the same
        assert read_ladder(tmp_path, sound, second, running=False).discarded
    assert not read_ladder(tmp_path, plan(-40), first, running=False).discarded
    store.change(lambda state: state.runs.update({2: Remarks()}))
    assert not read_ladder(tmp_path, plan(-40), second, running=False).discarded
