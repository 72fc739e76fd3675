"""Other equipment plays: what its operator states is kept as stated, and used like what we would know of our own sound."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main, parser
from quietfloor.monitor.commands.run import plan_from
from quietfloor.monitor.display.ladder import read_ladder
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_run_plan, make_plan
from quietfloor.monitor.plan.sound_plan import StatedPlan
from quietfloor.monitor.review.recover import finish
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.session.conditions import Condition, summary_of
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.monitor.storage.run_folder import RunFolder, jsonable
from quietfloor.monitor.waves.expected import wave_v_ms
from quietfloor.stimuli.dose import Dose
from tests.live.harness import ROOT, Scenario, perform

EARPHONE = ROOT / "bench" / "virtual-earphone.toml"
STATED = {"stimulus": "click", "ear": "left", "level_db_nhl": 40.0, "age_group": "adult"}
PLAN = f"""
[stream]
name = "STREAM"
eeg = ["E1"]
trigger = "TRIG"

[sound]
ear = "left"
level_db_nhl = 40
calibration = "{EARPHONE}"

[decision]
max_sweeps = 96
"""


def listening(tmp_path: Path, text: str) -> Plan:
    (tmp_path / "plan.toml").write_text(text)
    plan = plan_from(parser().parse_args(["run", str(tmp_path / "plan.toml"), "--listen"]))
    assert isinstance(plan, Plan)
    return plan


@pytest.mark.lsl
def test_a_run_that_listens_by_a_plan_with_a_sound(tmp_path: Path) -> None:
    happened = perform(Scenario(["--nv", "0"], ["--listen"], PLAN), tmp_path)
    assert happened.outcome.status == 0, happened.outcome.err
    assert "listening to other equipment, as stated: left ear, click, 40 dB nHL" in happened.outcome.err
    record = json.loads((happened.folder / "run.json").read_text())
    sound = record["stimulus"]
    assert (sound["stated"], sound["ear"], sound["kind"], sound["level_db_nhl"]) == (True, "left", "click", 40.0)
    assert (record["calibration"], record["seed"], sound["polarity"], sound["dose"]) == ("uncalibrated", None, None, None)
    run = summary_of(1, record)
    assert run is not None
    assert run.condition == Condition("left", "air", "click", None)
    assert run.words.startswith("run 1: 40 dB nHL as stated, undecided")
    assert SessionDose(tmp_path).spent() == Dose()  # nothing of it was ours
    plan = load_run_plan(happened.folder / "plan.toml")
    assert plan.sound is None
    assert plan.stated is not None
    assert happened.replayed().json["identical"] is True
    ladder = read_ladder(tmp_path, plan.stated, None, False)
    assert [(str(rung.level), len(rung.replicates)) for rung in ladder.rungs] == [("40 dB nHL", 1)]
    assert main(["report", str(tmp_path)]) == 0
    page = (tmp_path / "report.html").read_text()
    assert "came from other equipment and is as its operator stated it" in page
    assert "40 dB nHL as stated" in page
    before = record["stimulus"]
    for name in ("run.json", "average.csv"):
        (happened.folder / name).unlink()
    assert finish(happened.folder).record["stimulus"] == before


def test_latencies_are_those_published_for_what_is_stated(tmp_path: Path) -> None:
    low, high = listening(tmp_path, PLAN).latency_ms()
    assert low < wave_v_ms(40.0, "adult") < high
    assert high - low == pytest.approx(3.0)
    unknown = make_plan({}).latency_ms()
    assert high - low < unknown[1] - unknown[0]
    own = make_plan({"sound": {"ear": "left", "level_db_nhl": 40, "calibration": "x"}}).latency_ms()
    assert (low, high) == own
    alone = make_plan({"stated": STATED})
    assert alone.latency_ms() == own
    assert make_plan({"stated": STATED | {"stimulus": "tone-burst", "frequency_hz": 500}}).analysis.window_ms == (5.0, 21.0)


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"stimulus": "tone-burst", "frequency_hz": 500.0, "cycles": [2, 1, 2], "rate_per_s": 27.1},
        {"stimulus": "chirp", "muted": True},
        {"stimulus": "octave-chirp", "frequency_hz": 1000.0, "rate_per_s": 27.1},
        {"masking": "white", "masking_level_db_em": 60.0},
    ],
)
def test_a_record_of_what_is_stated_has_the_keys_of_one_that_was_played(more: dict[str, Any], tmp_path: Path) -> None:
    plan = make_plan({"sound": {"ear": "left", "level_db_nhl": 40, "calibration": str(EARPHONE)} | more})
    assert plan.sound is not None
    stated = StatedPlan.of_sound(plan.sound)
    assert stated is not None
    told, played = stated.record(), make_stimulus(plan.sound, datetime.date(2026, 3, 1)).record
    assert set(told) == set(played) | {"stated", "dose"}
    assert told["stimulus"] == played["stimulus"] or told["kind"] == "chirp"  # whose span is told
    for key in ("kind", "ear", "route", "transducer", "age_group", "level_db_nhl", "muted", "frequency_hz"):
        assert told[key] == played[key]
    if played["masking"] is not None:
        assert set(told["masking"]) == set(played["masking"])
        assert told["masking"]["level_db_em"] == 60.0
    RunFolder(tmp_path).write_json("run.json", {"stimulus": told})
    assert RunFolder(tmp_path).read_record()["stimulus"] == jsonable(told)


def test_what_cannot_be_stated_is_refused_by_name() -> None:
    for wrong, said in (
        ({"stated": STATED, "sound": {"level_db_fs": -40}}, r"\[sound\] is what we play, \[stated\] what other equipment plays"),
        ({"stated": STATED | {"stimulus": "tone-burst"}}, "needs frequency_hz"),
        ({"stated": {"stimulus": "click"}}, "stated.ear is missing"),
        ({"stated": STATED | {"levels": 3}}, "unknown key stated.levels"),
        ({"stated": STATED | {"masking_level_db_em": 40}}, "add masking, or leave them out"),
    ):
        with pytest.raises(PlanError, match=said):
            make_plan(wrong)
