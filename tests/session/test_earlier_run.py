"""A run of a ladder begins its bets with what an earlier run of the same ear left, and a first run as ever."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import Plan, load_run_plan
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan
from quietfloor.monitor.storage.run_folder import RunFolder

TIMES_MS = np.arange(-2.0, 20.0, 0.25)
LAYOUT = Layout(4000.0, ("1", "trigger"), (0,), 1)
AddRun = Callable[..., int]


@pytest.fixture
def session(tmp_path: Path, plan_text: str) -> Session:
    (tmp_path / "plan.toml").write_text(plan_text, encoding="utf-8")
    return Session.begin(tmp_path / "s", load_session_plan(tmp_path / "plan.toml"))


def leave_average(session: Session, number: int, plan: Plan, size_uv: float) -> None:
    folder = RunFolder(session.folder / f"run-{number:03d}")
    folder.write_text("plan.toml", plan.to_toml())
    wave = size_uv * np.exp(-0.5 * ((TIMES_MS - 6.5) / 0.5) ** 2)
    folder.write_average(TIMES_MS, wave, wave, wave, 0.0 * wave)


def test_the_run_with_a_response_at_the_nearest_level_counts(session: Session, add_run: AddRun) -> None:
    condition = session.plan.conditions[0]
    assert session.run_plan(condition, 40).analysis.earlier is None
    for word, size_uv in (("70+", 0.5), ("50+", 0.3), ("30-", 0.1)):
        plan = session.run_plan(condition, float(word[:-1]))
        leave_average(session, add_run(session.folder, word, nv=23.0), plan, size_uv)
    softer = session.run_plan(condition, 35)
    earlier = softer.analysis.earlier
    assert earlier is not None
    assert (earlier.run, earlier.noise_nv, max(earlier.average_nv)) == ("run-002", 23.0, 300.0)
    assert earlier.begin_ms == 1.0  # after what may hold the artefact of the stimulus
    then_ms, now_ms = (sum(one.latency_ms()) / 2 for one in (load_run_plan(session.folder / "run-002" / "plan.toml"), softer))
    assert earlier.later_ms == pytest.approx(now_ms - then_ms, abs=1e-3)
    assert earlier.later_ms > 0.2  # softer sounds are answered later
    assert session.run_plan(condition, 65).analysis.earlier.run == "run-001"  # type: ignore[union-attr]
    settings = softer.engine_settings(LAYOUT).evidence.earlier
    assert settings is not None
    assert TIMES_MS[settings.at(TIMES_MS).argmax()] == pytest.approx(6.5 + earlier.later_ms, abs=0.13)


def test_other_ladders_muted_controls_and_runs_that_do_not_count_have_the_bets_of_a_first_run(
    session: Session, add_run: AddRun
) -> None:
    right, left = session.plan.conditions
    number = add_run(session.folder, "50+")
    assert session.run_plan(right, 40).analysis.earlier is None  # it left no average
    leave_average(session, number, session.run_plan(right, 50), 0.3)
    assert session.run_plan(right, 40).analysis.earlier is not None
    assert session.run_plan(left, 40).analysis.earlier is None
    assert session.run_plan(right, 40, muted=True).analysis.earlier is None
    session.discard(number, "the electrode was loose")
    assert session.run_plan(right, 40).analysis.earlier is None


def test_no_more_points_are_kept_than_evidence_has(session: Session, add_run: AddRun) -> None:
    right = session.plan.conditions[0]
    number = add_run(session.folder, "50+")
    leave_average(session, number, session.run_plan(right, 50), 0.3)
    fine_ms = np.arange(-2.0, 20.0, 1.0 / 16.0)
    wave = np.cos(fine_ms)
    RunFolder(session.folder / f"run-{number:03d}").write_average(fine_ms, wave, wave, wave, wave)
    earlier = session.run_plan(right, 40).analysis.earlier
    assert earlier is not None
    assert (earlier.begin_ms, earlier.step_ms, len(earlier.average_nv)) == (1.0, 0.25, 76)
    assert earlier.average_nv[4] == round(1e3 * math.cos(2.0), 1)


def test_a_run_keeps_it_in_its_plan(session: Session, add_run: AddRun, tmp_path: Path) -> None:
    right = session.plan.conditions[0]
    leave_average(session, add_run(session.folder, "50+"), session.run_plan(right, 50), 0.3)
    plan = session.run_plan(right, 40)
    (tmp_path / "kept.toml").write_text(plan.to_toml(), encoding="utf-8")
    assert load_run_plan(tmp_path / "kept.toml").engine_settings(LAYOUT).evidence == plan.engine_settings(LAYOUT).evidence
