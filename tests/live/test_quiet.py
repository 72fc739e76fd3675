"""A response that waits for an average quiet enough to read its waves: decided the same live, from disk, and when stopped."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.offline import RATE_HZ, carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.formats.xdf_read import read_xdf
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.storage.run_folder import RunFolder

QUIET_NV = 40.0


def made(folder: Path, **decision: Any) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """run.json and the looks of a run at 70 dB nHL, where the response is found long before the average is quiet."""
    carry_through(plan_for(70, max_sweeps=4096, **decision), load_patient("hearing-adult"), folder, 1)
    lines = (folder / "run-001/events.jsonl").read_text(encoding="utf-8").splitlines()
    record = json.loads((folder / "run-001/run.json").read_text(encoding="utf-8"))
    return record, [event for event in map(json.loads, lines) if event["type"] == "look"]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, dict[str, Any], list[dict[str, Any]]]]:
    found = {}
    for name, decision in {"plain": {}, "waits": {"quiet_nv": QUIET_NV}}.items():
        folder = tmp_path_factory.mktemp(name)
        found[name] = (folder, *made(folder, **decision))
    return found


def test_it_goes_on_where_the_run_without_it_ends(runs: dict[str, Any]) -> None:
    (_, plain, short), (_, waits, looks) = runs["plain"], runs["waits"]
    assert plain["verdict"] == waits["verdict"] == "response_present"
    assert plain["stopped_by"] == waits["stopped_by"] == "response"
    assert len(looks) > len(short)
    for one, other in zip(short[:-1], looks, strict=False):  # until it was found there is no difference but in the forecast
        assert {k: v for k, v in one.items() if "forecast" not in k} == {k: v for k, v in other.items() if "forecast" not in k}
    waiting = [look for look in looks if look["waits_for_nv"] is not None]
    assert waiting == looks[len(short) - 1 : -1]
    assert all(look["waits_for_nv"] == QUIET_NV for look in waiting)
    assert looks[-1]["residual_noise_nv"] <= QUIET_NV < looks[-2]["residual_noise_nv"]
    assert f"after {short[-1]['sweeps_accepted']} sweeps" in waits["reason"]
    assert plain["rule"]["identity"] != waits["rule"]["identity"]


def test_the_forecast_says_when_it_will_be_quiet(runs: dict[str, Any]) -> None:
    _, _, looks = runs["waits"]
    waiting = [look for look in looks if look["waits_for_nv"] is not None]
    middle = waiting[len(waiting) // 2]
    left = looks[-1]["sweeps_presented"] - middle["sweeps_presented"]
    assert middle["forecast_response"] == 1.0
    assert middle["forecast_median_sweeps"] == pytest.approx(left, rel=0.25, abs=32)


def test_from_disk_it_is_decided_the_same(runs: dict[str, Any]) -> None:
    folder, record, _ = runs["waits"]
    done = replay(RunFolder.open(folder / "run-001"))
    assert done.verdict.verdict == record["verdict"]
    assert done.verdict.reason == record["reason"]


def test_stopped_while_it_waits_the_response_is_still_there(runs: dict[str, Any]) -> None:
    folder, _, looks = runs["waits"]
    first = next(look for look in looks if look["waits_for_nv"] is not None)
    (raw,) = (one for one in read_xdf(folder / "run-001/raw.xdf").streams.values() if one.channel_format != "string")
    layout = Layout(RATE_HZ, ("1", "trigger"), (0,), 1)
    for samples, verdict in ((first["sample"] - 4000, "inconclusive"), (first["sample"] + 4000, "response_present")):
        engine = Engine(plan_for(70, max_sweeps=4096, quiet_nv=QUIET_NV).engine_settings(layout))
        engine.feed(Chunk(raw.samples[:, :samples], raw.stamps_s[:samples]))
        engine.finish("operator", "stopped by the operator")
        assert engine.verdict is not None
        assert (engine.verdict.verdict, engine.verdict.stopped_by) == (verdict, "operator")


def test_stopped_while_it_waits_a_trigger_that_leaks_is_named(runs: dict[str, Any]) -> None:
    folder, _, looks = runs["waits"]
    first = next(look for look in looks if look["waits_for_nv"] is not None)
    (raw,) = (one for one in read_xdf(folder / "run-001/raw.xdf").streams.values() if one.channel_format != "string")
    layout, swing = Layout(RATE_HZ, ("1", "trigger"), (0,), 1), np.ptp(raw.samples[1])
    for leak_uv, named in ((0.0, False), (20.0, True)):
        samples = np.array(raw.samples[:, : first["sample"] + 4000], dtype=np.float64)
        samples[0] += leak_uv * samples[1] / swing
        engine = Engine(plan_for(70, max_sweeps=4096, quiet_nv=QUIET_NV).engine_settings(layout))
        engine.feed(Chunk(samples, raw.stamps_s[: samples.shape[1]]))
        engine.finish("operator", "stopped by the operator")
        assert engine.verdict is not None
        assert (engine.verdict.verdict, "make a muted run" in engine.verdict.reason) == ("response_present", named)


def test_a_noise_below_the_floor_is_refused() -> None:
    with pytest.raises(PlanError, match=r"quiet_nv = 10 is below floor_nv = 15"):
        plan_for(60, quiet_nv=10.0)
    assert math.isclose(plan_for(60, quiet_nv=15.0).decision.quiet_nv or math.nan, 15.0)
