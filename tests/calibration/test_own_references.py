"""Thresholds of listeners by the frames that are played, and the file of references that keeps them."""

from __future__ import annotations

import datetime
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.calibration.own_references import Listening, Trials, cautions, trials_of, with_threshold
from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.plan.run_plan import make_sound_plan
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.references import load_references

TODAY = datetime.date(2026, 11, 30)
BURST = {"stimulus": "tone-burst", "frequency_hz": 750, "ear": "left", "calibration": str(virtual_calibration())}


def of(**keys: Any) -> tuple[Trials, Listening]:
    options = {key: keys.pop(key) for key in ("step_db", "start_db", "highest_db") if key in keys}
    return trials_of(make_sound_plan(BURST | {"level_db_fs": -40.0} | keys, "test"), TODAY, **options)


def heard(trials: Trials, listening: Listening, true_db: float, rng: np.random.Generator, early: float = 0.0) -> list[float]:
    """Play all frames to a listener who hears sounds from about ``true_db`` on (p-p.e. on the coupler: 130 dB is full scale), and
    answers now and then for nothing (``early``: share of units). Returns the levels in the frames, in order."""
    frames, unit, played, levels = trials.sound.frames, -1, 0, []
    while not listening.bracket.end and not frames.finished:
        block = frames.read(4800)
        if np.any(block[0]):
            level = 130.0 + 20.0 * math.log10(float(np.ptp(block[0])))
            number = frames.sweeps[-1].unit
            if number != unit:
                unit = number
                levels.append(level)
                if rng.random() < 1.0 / (1.0 + math.exp(-(level - true_db) / 1.5)):
                    listening.press(len(frames.sweeps))
        elif rng.random() < early:
            listening.press(len(frames.sweeps))
        played = len(frames.sweeps)
        listening.update(played)
        assert np.all(block[1] == 0.0)  # the other ear
    return levels


@pytest.mark.parametrize("seed", [3, 4])
def test_a_listener_is_found_by_what_is_played(seed: int) -> None:
    true_db = 31.0
    trials, listening = of(seed=seed)
    levels = heard(trials, listening, true_db, np.random.default_rng(seed))
    assert listening.bracket.end == "found"
    assert listening.bracket.threshold_db == pytest.approx(true_db, abs=4.0)
    assert levels[0] == pytest.approx(60.0, abs=0.2)
    assert max(levels) < 61.0
    assert listening.silent > 0
    assert (listening.false_alarms, listening.stray, listening.reliable) == (0, 0, True)
    assert (trials.unit, trials.key) == ("dB p-p.e. SPL", ("tone-burst", 750.0, "insert", "occluded-ear-simulator"))


def test_by_bone_levels_are_forces() -> None:
    trials, listening = of(
        route="bone", transducer="bone-vibrator", frequency_hz=1000,
        calibration=str(virtual_calibration().with_name("virtual-vibrator.toml")),
    )  # fmt: skip
    assert (trials.unit, trials.key[2:], listening.bracket.level_db) == (
        "dB p-p.e. re 1 uN", ("bone-vibrator", "artificial-mastoid"), 80.0,
    )  # fmt: skip
    assert trials.steps.lowest_db == 20.0


@pytest.mark.parametrize(
    "keys", [{"cycles": [1, 0, 1]}, {"envelope": "blackman"}, {"stimulus": "click", "frequency_hz": None, "duration_us": 200.0}],
)  # fmt: skip
def test_a_sound_of_another_form_gets_no_reference_under_the_name_of_the_usual_one(keys: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="has not the form for which a reference of this name holds: leave out"):
        of(**keys)


def test_somebody_who_presses_at_random_is_not_believed() -> None:
    trials, listening = of()
    heard(trials, listening, 31.0, np.random.default_rng(5), early=0.2)
    assert not listening.reliable


def test_levels_stay_below_the_ceiling_and_the_wish() -> None:
    trials, _ = of(highest_db=140.0, stimulus="click", frequency_hz=None)
    assert 120.0 < trials.steps.highest_db < 130.0  # 130 dB p-p.e., what a converter adds, and the RMS at 20/s
    assert of(highest_db=70.0)[0].steps.highest_db == 70.0
    assert of(step_db=5.0)[0].steps.levels_db[:3] == (0.0, 5.0, 10.0)
    with pytest.raises(ValueError, match="--start-db 75 is above --highest-db 70"):
        of(highest_db=70.0, start_db=75.0)
    with pytest.raises(ValueError, match="the loudest that this output gives is 126 dB"):
        of(highest_db=200.0, start_db=190.0)
    with pytest.raises(ValueError, match="needs a calibration"):
        trials_of(make_sound_plan({"level_db_fs": -40.0}, "test"), TODAY)


def test_the_median_of_listeners_becomes_a_reference(tmp_path: Path) -> None:
    path = tmp_path / "lab" / "mine.toml"
    trials, _ = of()
    for listener, db in ((2, 30.0), (1, 34.0), (3, 28.0)):
        row = with_threshold(path, trials, listener, db, TODAY)
    assert (row.level_db_ppe, row.n, row.listeners, row.status) == (30.0, 3, (1, 2, 3), "lab")
    assert row.spread_db == pytest.approx(np.std([34, 30, 28], ddof=1))
    assert "3 of the 25 ears" in cautions(row)[0]
    text = path.read_text(encoding="utf-8")
    assert tomllib.loads(text)["reference"][0] == {
        "stimulus": "tone-burst", "frequency_hz": 750.0, "transducer": "insert", "coupler": "occluded-ear-simulator",
        "level_db_ppe_spl": 30.0, "source": "own measurement: median of 3 listeners, 2026-11-30", "status": "lab", "n": 3,
        "spread_db": 3.06, "date": TODAY, "listeners": [1, 2, 3], "thresholds_db": [34.0, 30.0, 28.0],
    }  # fmt: skip
    again = with_threshold(path, trials, 3, 33.0, TODAY)  # the same person once more
    assert (again.n, again.level_db_ppe, again.thresholds_db) == (3, 33.0, (34.0, 30.0, 33.0))
    sound = make_stimulus(make_sound_plan(BURST | {"level_db_nhl": 40.0, "references": str(path)}, "test"), TODAY)
    assert sound.record["level_db_ppe"] == pytest.approx(73.0)
    assert sound.record["reference_source"] == "own measurement: median of 3 listeners, 2026-11-30 (lab)"
    other, _ = of(stimulus="click", frequency_hz=None)
    with_threshold(path, other, 1, 36.0, TODAY)
    assert len(tomllib.loads(path.read_text(encoding="utf-8"))["reference"]) == 2
    assert [one.name for one in path.parent.iterdir()] == ["mine.toml"]


def test_a_threshold_by_bone_is_kept_as_a_force(tmp_path: Path) -> None:
    trials, _ = of(
        route="bone", transducer="bone-vibrator", frequency_hz=1000,
        calibration=str(virtual_calibration().with_name("virtual-vibrator.toml")),
    )  # fmt: skip
    row = with_threshold(tmp_path / "bone.toml", trials, 1, 58.0, TODAY)
    assert (row.level_key, row.level_db_ppe) == ("level_db_ppe_force", 58.0)
    assert "level_db_ppe_force = 58.0" in (tmp_path / "bone.toml").read_text(encoding="utf-8")


def test_a_changed_median_and_rows_of_others_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    trials, _ = of()
    with_threshold(path, trials, 1, 30.0, TODAY)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("level_db_ppe_spl = 30.0", "level_db_ppe_spl = 20.0"), encoding="utf-8")
    with pytest.raises(LevelError, match="level_db_ppe_spl = 20 is not the median of its thresholds_db"):
        load_references(path)
    path.write_text(text.replace("listeners = [\n    1,\n]", "listeners = []"), encoding="utf-8")
    with pytest.raises(LevelError, match="a number for each threshold"):
        load_references(path)
    own = text.split("n = 1")[0].replace('"lab"', '"verified"')
    path.write_text(own, encoding="utf-8")
    with pytest.raises(LevelError, match="rows that were not measured here"):
        with_threshold(path, trials, 1, 30.0, TODAY)
    assert path.read_text(encoding="utf-8") == own
