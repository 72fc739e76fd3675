"""A search on the virtual patient, over the streams and sound of a real run: found, steered, stopped, killed and finished."""

from __future__ import annotations

import datetime
import os
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import rig, virtual_calibration
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.review.recover import finish
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.opening import OpenRun, open_run
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.said import Order
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.dose import Dose, limit_pa2s
from tests.live.truth import seen_above_db

pytestmark = [pytest.mark.lsl, pytest.mark.real_time, pytest.mark.timeout(600)]
LEVELS = [float(level) for level in range(0, 95, 5)]
HIDDEN_DB = {"right": 18.0, "left": 35.0}
PATIENT = """
name = "two ears"
left = { threshold_db_nhl = 35 }
right = { threshold_db_nhl = 18 }
background = { in_band_rms_uv = 0.3 }
"""


def searched(
    tmp_path: Path,
    act: Callable[[OpenRun, Status], object] = lambda run, status: None,
    before: Callable[[Plan], object] = lambda plan: None,
    at_once: int = 0,
    hidden_db: dict[str, float] = HIDDEN_DB,
    noise_db_em: tuple[float, ...] = (),
    **search: Any,
) -> dict[str, Any]:
    """run.json of a search in both ears; ``act`` is told each new state, on the acquisition thread. ``at_once``: sounds at once
    in each ear, 0: one ear at a time."""
    patient, tag = tmp_path / "patient.toml", uuid.uuid4().hex[:8]
    text = PATIENT.replace("= 35 ", f"= {hidden_db['left']:g} ").replace("= 18 ", f"= {hidden_db['right']:g} ")
    patient.write_text(text, encoding="utf-8")
    common = {"stimulus": "octave-chirp", "levels_db_nhl": LEVELS, "masking_db_em": list(noise_db_em)}
    conditions = [
        common | {"ear": ear, "frequency_hz": frequency_hz, "sound": sound}
        for sound, frequency_hz in enumerate((2000, 500)[: max(at_once, 1)], 1)
        for ear in HIDDEN_DB
    ]
    masking = {"masking": "octave-band", "masking_level_db_em": noise_db_em[-1]} if noise_db_em else {}
    plan = make_plan(
        {
            "stream": {"source_id": f"eeg-{tag}", "eeg": ["1"], "trigger": "trigger"},
            "sound": {
                "stimulus": "octave-chirp", "frequency_hz": 2000, "level_db_nhl": 90, "calibration": str(virtual_calibration()),
                "device_source_id": f"audio-{tag}", "rate_per_s": 36.1 if at_once > 1 else 39.1, "speed": 10, "lead_in_s": 1.0,
                "seed": 5, "together": at_once > 0, "sounds_per_ear": max(at_once, 1),
            } | masking,
            "analysis": {"acoustic_delay_ms": 0.9, "band_hz": [30, 1500]},
            "search": {"condition": conditions} | search,
        }
    )  # fmt: skip
    before(plan)
    opened: list[OpenRun] = []
    with (
        rig(str(patient), f"audio-{tag}", f"eeg-{tag}", 3),
        open_run(plan, tmp_path / "s", on_status=lambda status: act(opened[0], status)) as run,
    ):
        opened.append(run)
        run.run.start()
        return run.finish()


def choices(folder: RunFolder) -> list[dict[str, Any]]:
    return [event for event in folder.read_events() if event["type"] == "choice"]


@pytest.mark.long
@pytest.mark.parametrize("at_once", [0, 1, 2])
def test_thresholds_of_both_ears_are_found_in_one_recording_which_replays(at_once: int, tmp_path: Path) -> None:
    record = searched(tmp_path, at_once=at_once)
    assert len(record["search"]["conditions"]) == 2 * max(at_once, 1)
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("searched", "search", None)
    for one in record["search"]["conditions"]:
        assert one["finished"]
        assert abs(one["threshold_db_nhl"] - HIDDEN_DB[one["ear"]] - seen_above_db(one["frequency_hz"])) <= 10.0
        assert one["found_db_nhl"] > HIDDEN_DB[one["ear"]]
    folder = RunFolder(Path(record["folder"]))
    ended = list(folder.read_events())[-1]["sample"] / record["stream"]["rate_hz"]
    print(f"{at_once} at once in each ear: {ended:.1f} s of stream for {len(record['search']['conditions'])} thresholds")
    assert {path.name for path in folder.path.iterdir()} >= {"raw.xdf", "plan.toml", "cells.json", "cells.csv", "run.json"}
    assert not folder.average.exists()
    done = replay(folder)
    assert done.identical_by == "bytes"
    assert done.looks == done.live_looks
    assert done.verdict.reason == record["reason"]
    dose = record["stimulus"]["dose"]
    assert dose is not None

    # killed a little after the middle: nothing that was decided is lost, and the same search is found again
    kept = list(folder.read_events())
    whole = len(folder.raw.read_bytes())
    os.truncate(folder.raw, whole * 6 // 10)
    recorded = RunFolder(folder.path)
    for path in (folder.run, folder.cell_averages, folder.events):
        path.unlink()
    half = finish(folder.path)
    assert half.record["verdict"] == "inconclusive"
    again = list(recorded.read_events())[:-1]  # but for the end
    assert again == [event for event in kept if event["type"] != "notice"][: len(again)]
    assert len(again) > len(kept) // 2
    of_half = [one["cells"] for one in half.record["search"]["conditions"]]
    of_whole = [one["cells"] for one in record["search"]["conditions"]]
    for less, more in zip(of_half, of_whole, strict=True):
        assert all(a["presented"] <= b["presented"] for a, b in zip(less, more, strict=True))


@pytest.mark.long
@pytest.mark.parametrize("at_once", [0, 1, 2])
def test_levels_with_noise_are_in_the_same_recording(at_once: int, tmp_path: Path) -> None:
    """From 50 dB on there is noise in the other ear. The left ear needs these levels; it has 40 dB EM beside it, and hears none
    of it when the right ear hears sounds."""
    hidden_db = {"right": 18.0, "left": 50.0}
    record = searched(tmp_path, at_once=at_once, hidden_db=hidden_db, noise_db_em=(40.0,) * 9)
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("searched", "search", None)
    noisy = {}
    for number, one in enumerate(record["search"]["conditions"]):
        assert one["finished"]
        assert abs(one["threshold_db_nhl"] - hidden_db[one["ear"]] - seen_above_db(one["frequency_hz"])) <= 10.0
        noisy |= {number * len(LEVELS) + place: cell["masking_db_em"] for place, cell in enumerate(one["cells"])}
    folder = RunFolder(Path(record["folder"]))
    units = [event for event in folder.read_events() if event["type"] == "cell_unit"]
    assert {noisy.get(event["cell"]) for event in units} >= {None, 40.0}
    silence = 2 * max(at_once, 1) * len(LEVELS)
    ears: dict[int, dict[tuple[str | None, int | None], int]] = {}
    for event in units:
        ears.setdefault(event["unit"], {})[event.get("ear"), event.get("sound")] = event["cell"]
    alone = [cells for cells in ears.values() if any(noisy.get(cell) for cell in cells.values())]
    assert len(alone) > 20
    ear_of = [one["ear"] for one in record["search"]["conditions"] for _ in LEVELS]
    for cells in alone:
        in_noise = {ear_of[cell] for cell in cells.values() if noisy.get(cell)}
        assert len(in_noise) == 1
        assert {ear_of[cell] for cell in cells.values() if cell != silence} == in_noise, "the other ear hears no sounds"
    assert min(record["stimulus"]["dose"][f"{ear}_pa2s"] for ear in ("left", "right")) > 0.0
    done = replay(folder)
    assert done.identical_by == "bytes"
    assert done.verdict.reason == record["reason"]


def test_the_operator_steers_it_and_a_replay_follows(tmp_path: Path) -> None:
    given: list[str] = []

    def act(run: OpenRun, status: Status) -> None:
        search = run.run.search
        assert search is not None
        if len(given) > len(search.ordered):
            return  # the order before was not followed yet
        orders = (
            Order("only_above", level_db=50.0, why="she stirs"), Order("pause"), Order("go_on"), Order("leave", 1),
            Order("all_levels"), Order("go_to", 0, 70.0),
        )  # fmt: skip
        heard = given[-1:] != ["pause"] or search.rejected["paused"] > 0
        if status.seconds > 8.0 and heard and len(given) < len(orders):
            given.append(orders[len(given)].kind)
            run.run.order(orders[len(given) - 1])
        elif len(given) == len(orders):
            run.run.stop()

    record = searched(tmp_path, act)
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "operator")
    assert [one["order"] for one in record["search"]["orders"]] == given
    assert [one["state"] for one in record["search"]["conditions"]] == ["running", "left"]
    folder = RunFolder(Path(record["folder"]))
    silence = len(LEVELS) * 2
    cells = [event["cell"] for event in folder.read_events() if event["type"] == "cell_unit"]
    assert silence in cells
    assert record["rejected"]["paused"] > 0
    assert record["sweeps_presented"] == record["sweeps_accepted"] + sum(record["rejected"].values())
    assert choices(folder)[-1]["why"] == "operator"
    done = replay(folder)
    assert done.identical_by == "bytes"


def test_it_ends_at_the_time_that_is_allowed(tmp_path: Path) -> None:
    record = searched(tmp_path, minutes=0.25)
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("inconclusive", "time_limit", None)
    events = list(RunFolder(Path(record["folder"])).read_events())
    seconds = events[-1]["sample"] / record["stream"]["rate_hz"]
    assert 15.0 <= seconds < 25.0  # of the stream


def test_where_little_dose_is_left_soft_levels_are_played_all_the_same(tmp_path: Path) -> None:
    """100 sweeps of the loudest level are left: fewer than are put down ahead of a cell, more than of a soft one."""
    account = tmp_path / "s"

    def spend(plan: Plan) -> None:
        assert plan.sound is not None
        left = make_stimulus(plan.sound, datetime.date(2026, 3, 1)).frames.exposure(100, 0.0).right_pa2s
        account.mkdir()
        SessionDose(account).reserve("before", Dose(limit_pa2s("adult") - left, limit_pa2s("adult") - left))

    def act(run: OpenRun, status: Status) -> None:
        if status.seconds > 6.0 and not any(one.order.kind == "go_to" for one in run.run.search.ordered):  # type: ignore[union-attr]
            run.run.order(Order("go_to", 0, 90.0))

    record = searched(tmp_path, act, spend, minutes=0.25)
    assert (record["stopped_by"], record["fault"]) == ("time_limit", None)
    assert record["sweeps_presented"] > 100
    refused = [one["level_db_nhl"] for one in record["search"]["orders"] if one["order"] == "not_offered"]
    assert 90.0 in refused
    assert record["search"]["conditions"][0]["cells"][-1]["presented"] == 0
