"""A plan that was looked up once says the same as the plan asked again, and needs none of its files any more."""

from __future__ import annotations

import dataclasses
import datetime
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_run_plan, make_plan, override
from quietfloor.monitor.run.resolved_plan import UNIT_NAMES, layout_of, resolve
from quietfloor.monitor.run.sound_output import make_stimulus, open_sound
from quietfloor.monitor.sources.base import SourceError, StreamDescription
from quietfloor.monitor.storage.dose_ledger import SessionDose

TODAY = datetime.date(2026, 11, 1)
STREAM = StreamDescription("Amp", "EEG", "amp-1", "host", "uid", 0.0, 3, 16_000.0, "int16", ("Cz", "Pz", "trig"), ("uV",) * 3)


def plan_with(sound: dict[str, Any] | None = None, **sections: Any) -> Plan:
    data = {"title": "A", "stream": {"name": "Amp", "eeg": ["Pz"], "trigger": "trig"}, **sections}
    return make_plan(data if sound is None else data | {"sound": sound})


@pytest.mark.parametrize("uv", UNIT_NAMES)
@pytest.mark.parametrize("analysis", [{}, {"rail_uv": 400.0}])
def test_settings_and_plan_of_a_unit_are_those_of_the_plan_itself(uv: float, analysis: dict[str, Any], tmp_path: Path) -> None:
    plan = plan_with({"level_db_fs": -30.0}, analysis=analysis)
    resolved = resolve(plan, STREAM)
    assert resolved.channels.eeg == (1,)
    there = resolved.settings_at(uv)
    assert there == plan.engine_settings(layout_of(STREAM, resolved.channels, uv))
    assert there.rail_uv == min(analysis.get("rail_uv", math.inf), 32767 * uv)  # of 16-bit samples
    written = tmp_path / "plan.toml"
    written.write_text(resolved.to_toml(uv))
    changes = {"stream": {"unit": UNIT_NAMES[uv]}, "analysis": {"latency_ms": plan.latency_ms()}}
    assert load_run_plan(written) == override(plan, changes)
    assert tomllib.loads(resolved.to_toml()) == tomllib.loads(plan.to_toml())


def test_it_is_a_frozen_value_that_needs_no_file_any_more(tmp_path: Path) -> None:
    file = tmp_path / "earphone.toml"
    file.write_bytes(VIRTUAL_EARPHONE.read_bytes())
    plan = plan_with({"level_db_nhl": 40.0, "calibration": str(file), "device_source_id": "resolved-once"})
    assert plan.sound is not None
    stimulus = make_stimulus(plan.sound, TODAY)
    file.unlink()
    resolved = resolve(plan, STREAM, stimulus, today=TODAY)
    assert stimulus.calibration is not None
    assert resolved.calibration == stimulus.calibration.id
    assert "right ear · click · 40 dB nHL" in resolved.title
    sound = open_sound(stimulus)
    try:
        sound.reserve(tmp_path, "run-001", 64)
    finally:
        sound.stop()
        sound.close()
    assert SessionDose(tmp_path).spent().both == (0.0, 0.0)  # nothing was played
    with pytest.raises(dataclasses.FrozenInstanceError):
        resolved.plan = plan  # type: ignore[misc]


def test_one_stimulus_is_asked_for_the_dose_of_any_number_of_sweeps() -> None:
    plan = plan_with({"level_db_nhl": 90.0, "calibration": str(VIRTUAL_EARPHONE)})
    assert plan.sound is not None
    stimulus = make_stimulus(plan.sound, TODAY)
    stimulus.check_dose(100, SessionDose(Path("nowhere")).spent())
    with pytest.raises(PlanError, match="sound: "):
        stimulus.check_dose(10**7, SessionDose(Path("nowhere")).spent())


def test_a_stream_that_cannot_carry_it_is_refused() -> None:
    with pytest.raises(SourceError):
        resolve(plan_with(), dataclasses.replace(STREAM, rate_hz=0.0))
    with pytest.raises(PlanError):
        resolve(plan_with(analysis={"band_hz": [100.0, 9000.0]}), STREAM)
    late = resolve(plan_with(analysis={"window_ms": [5.0, 8.0]}), STREAM)
    assert [said.partition(":")[0] for said in late.warnings] == ["of this run"]


def test_an_output_that_is_not_there_is_said_once() -> None:
    card = {"device": "sound-card", "output": "an output that is not there", "level_db_nhl": 40.0}
    plan = plan_with(card | {"calibration": str(VIRTUAL_EARPHONE)})
    assert plan.sound is not None
    with pytest.raises(PlanError, match=r"^sound: (?!sound: )"):
        make_stimulus(plan.sound, TODAY)
