"""A plan in a run folder has a format number: later keys are off for earlier formats, later formats are refused in words."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path

import pytest

import quietfloor.monitor.plan.run_plan
from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.core.identity import identity
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import FORMAT, Plan, PlanError, load_plan, load_run_plan, make_plan

STREAM = '[stream]\nname = "a"\neeg = ["1"]\ntrigger = "2"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_a_run_writes_says_its_format() -> None:
    assert f"format = {FORMAT}\n" in make_plan({}).to_toml()


def test_without_a_number_a_run_is_of_format_1_and_a_new_plan_of_the_newest(tmp_path: Path) -> None:
    path = written(tmp_path, STREAM)
    assert load_run_plan(path).format == 1
    assert load_plan(path).format == FORMAT


def test_an_old_run_s_plan_begins_a_run_of_the_newest_format(tmp_path: Path) -> None:
    assert load_plan(written(tmp_path, "format = 1\n" + STREAM)).format == FORMAT


def test_a_key_that_came_later_is_off_in_an_older_run_and_nowhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quietfloor.monitor.plan.run_plan, "INTRODUCED", {2: {("decision", "alpha"): 0.05}})
    text = STREAM + "[decision]\nfloor_nv = 12\n"
    assert load_run_plan(written(tmp_path, text)).decision.alpha == 0.05
    assert load_run_plan(written(tmp_path, "format = 2\n" + text)).decision.alpha == Plan().decision.alpha
    assert load_run_plan(written(tmp_path, text + "alpha = 0.02\n")).decision.alpha == 0.02


def test_the_trigger_of_an_older_run_had_full_size(tmp_path: Path) -> None:
    text = STREAM + "[sound]\nlevel_db_fs = -40\n"
    for origin, size in (("", 0.0), ("format = 1\n", 0.0), ("format = 2\n", -30.0)):
        sound = load_run_plan(written(tmp_path, origin + text)).sound
        assert sound is not None
        assert sound.trigger_db_fs == size


@pytest.mark.parametrize("number", ["99", "0", '"x"'])
def test_a_format_that_is_not_known_is_refused_in_words(number: str, tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"plan\.toml: .*format"):
        load_run_plan(written(tmp_path, f"format = {number}\n" + STREAM))


def test_runs_of_the_first_format_had_one_order_of_polarities_and_were_not_held_to_their_sound(tmp_path: Path) -> None:
    text = STREAM + "[sound]\nlevel_db_fs = -40\n"
    layout = Layout(8000.0, ("a", "b"), (0,), 1)
    old, new = load_run_plan(written(tmp_path, text)), load_plan(written(tmp_path, text))
    assert old.sound is not None
    assert new.sound is not None
    assert {sweep.polarity for sweep in islice(old.sound.schedule().sweeps(), 0, 1600, 16)} == {"condensation"}
    assert {sweep.polarity for sweep in islice(new.sound.schedule().sweeps(), 0, 1600, 16)} == {"condensation", "rarefaction"}
    assert old.engine_settings(layout).schedule is None
    assert new.engine_settings(layout).schedule == new.sound.schedule()
    fixed = make_plan({"sound": {"level_db_fs": -40, "random_pause": False}})
    assert fixed.engine_settings(layout).schedule is None  # without pauses nothing tells two sounds apart


def test_runs_of_a_format_before_a_criterion_do_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    layout = Layout(8000.0, ("a", "b"), (0,), 1)
    later = replace(CRITERIA[1], since=FORMAT)
    monkeypatch.setattr(quietfloor.monitor.plan.run_plan, "CRITERIA", (*CRITERIA, later))
    assert make_plan({}).engine_settings(layout).criteria == (*CRITERIA, later)
    earlier = tuple(one for one in CRITERIA if one.since < FORMAT)
    assert Plan(format=FORMAT - 1).engine_settings(layout).criteria == earlier


def test_what_only_describes_a_criterion_changes_no_identity() -> None:
    renamed = replace(CRITERIA[0], word="larger than the others", since=FORMAT + 1)
    assert identity(renamed) == identity(CRITERIA[0]) != identity(replace(renamed, times=3.0))
