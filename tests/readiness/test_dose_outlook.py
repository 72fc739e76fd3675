"""What a session says of the dose of a day before it begins, and how it goes on where that is not enough."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.readiness.dose_outlook import outlook_of
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.storage.dose_ledger import FILE, SessionDose
from quietfloor.stimuli.dose import DAY_DB, Dose, limit_pa2s
from quietfloor.stimuli.dose_table import time_words
from tests.live.harness import call


def session_of(folder: Path, age_group: str, highest: float, method: str = "search", **subject: Any) -> Session:
    data: dict[str, Any] = {
        "method": method, "subject": {"pseudonym": "P01", "age_group": age_group, **subject},
        "condition": [{"ear": "right"}, {"ear": "right", "stimulus": "tone-burst", "frequency_hz": 4000.0}],
        "limits": {"highest_db_nhl": highest},
        "run": {"sound": {"calibration": str(virtual_calibration()), "rate_per_s": 37.1}, "stream": {"name": "nobody"}},
    }  # fmt: skip
    return Session.begin(folder, make_session_plan(data))


def test_where_a_day_is_enough_nothing_is_said(tmp_path: Path) -> None:
    outlook = outlook_of(session_of(tmp_path, "adult", 70.0))
    assert outlook.words == ()
    assert outlook.record()["can_be_finished"] is True


def test_each_level_has_the_time_that_its_energy_leaves(tmp_path: Path) -> None:
    """80 dB nHL of a click is 115.5 dB p-p.e. (ISO 389-6, from memory), its train at 37.1/s has 10 lg(37.1/20) - 17.96 dB more
    RMS; 10.6 dB are the steps of an infant of 3 months (tests/stimuli/test_ear_steps.py). 10 dB less are ten times the time."""
    outlook = outlook_of(session_of(tmp_path, "infant", 80.0, age_months=3))
    clicks = [row for row in outlook.rows if row.condition.stimulus == "click"]
    assert [row.level_db_nhl for row in clicks] == [80.0, 70.0, 60.0, 50.0]
    seconds = 10 ** ((DAY_DB - (35.5 + 80 - 17.96 + 10 * math.log10(37.1 / 20) + 10.6)) / 10)
    assert [row.allowed_s for row in clicks] == pytest.approx([seconds * 10**step for step in range(4)], rel=0.05)
    assert dict(outlook.short)["right"] > 1.0
    assert "cannot be finished today" in outlook.words[0]
    assert f"80 dB nHL {time_words(clicks[0].allowed_s)}" in outlook.words[1]


def test_what_was_heard_before_is_missing(tmp_path: Path) -> None:
    session = session_of(tmp_path, "infant", 60.0, age_months=3)
    before = outlook_of(session).rows[0].allowed_s
    SessionDose(tmp_path).settle("run-001", Dose(0.0, 0.75 * limit_pa2s("infant")))
    assert outlook_of(session).rows[0].allowed_s == pytest.approx(0.25 * before)
    (tmp_path / FILE).write_text("gone\n")
    assert "is damaged" in outlook_of(session).words[0]


def test_the_first_words_of_a_session_say_it(tmp_path: Path) -> None:
    session_of(tmp_path / "s", "infant", 80.0)
    said = call("session", str(tmp_path / "s"), "--status")
    assert said.status == 0
    assert "cannot be finished today" in said.out + said.err
    assert call("session", str(tmp_path / "s"), "--status", "--json").json["dose"]["can_be_finished"] is False


def test_auto_leaves_out_what_is_not_allowed_and_goes_on(tmp_path: Path) -> None:
    """Both conditions are refused in turn, and nothing is opened: there is no stream of this name."""
    session = session_of(tmp_path / "s", "infant", 80.0, "ladder")
    SessionDose(session.folder).settle("run-001", Dose(limit_pa2s("infant"), limit_pa2s("infant")))
    said = call("session", str(tmp_path / "s"), "--auto", "--no-window")
    words = said.out + said.err
    assert said.status == 0
    assert words.count("is left out today") == 2
    assert "100 % of it is used" in words
