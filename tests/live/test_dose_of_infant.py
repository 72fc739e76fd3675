"""A virtual newborn whose responses begin at 70 to 75 dB nHL, searched in a closed loop as a run does it, with and without a dose
policy."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import PatientSource
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import table_of, written_out
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run import sound_output
from quietfloor.monitor.run.run import AHEAD_SWEEPS, NextCell
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.run.sound_output import DoseRefused, Sound, make_cells, spent_by
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.said import Order
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.stimuli.dose import limit_pa2s
from quietfloor.stimuli.dose_policy import seal_file
from tests.live.test_dose_tries import POLICY, _Silent

TODAY = datetime.date(2026, 6, 1)
LOSS_DB = 62.0  # of the ear; near it responses are too small to be seen
LEVELS = [42.0, 52.0, 62.0, 72.0, 82.0]
PATIENT = f"""
name = "newborn"
age_months = 0
left = {{ threshold_db_nhl = {LOSS_DB:g} }}
right = {{ threshold_db_nhl = {LOSS_DB:g} }}
background = {{ in_band_rms_uv = 1.3 }}
"""
LONGEST_S = 1500.0


def search_of(folder: Path, monkeypatch: pytest.MonkeyPatch, policy: str | None) -> tuple[PlannedSearch, list[str], float]:
    """The search when it is over, what it was refused, and the dose of the right ear in usual limits of a day."""
    for name in ("_open", "MarkerOutlet", "Player"):
        monkeypatch.setattr(sound_output, name, lambda *_, **__: _Silent())
    common = {"stimulus": "octave-chirp", "levels_db_nhl": LEVELS, "start_db_nhl": 62.0, "ear": "right"}
    plan = written_out(make_plan({
        "stream": {"name": "Virtual EEG", "eeg": ["eeg"], "trigger": "trigger", "unit": "uV"},
        "sound": {
            "stimulus": "octave-chirp", "frequency_hz": 2000, "level_db_nhl": 82.0, "lead_in_s": 0.7, "rate_per_s": 39.1,
            "seed": 4, "calibration": str(VIRTUAL_EARPHONE), "age_group": "infant",
        } | ({} if policy is None else {"dose_policy": policy}),
        "analysis": {"acoustic_delay_ms": 0.9},
        "search": {"condition": [common | {"frequency_hz": 2000}, common | {"frequency_hz": 4000}]},
    }))  # fmt: skip
    table = table_of(plan)
    assert table is not None
    assert plan.sound is not None
    settings = table.engine_settings(plan.engine_settings(Layout(8000.0, ("eeg", "trigger"), (0,), 1)))
    search = make_search(plan, settings)
    assert search is not None
    engine, played = Engine(settings, None, search.judge), NextCell.of(plan)
    (folder / "patient.toml").write_text(PATIENT)
    session = folder / "s"
    stimulus = make_cells(table, played, TODAY, spent=spent_by(session, plan.sound, TODAY))
    sound = Sound(stimulus)
    sound.reserve(session, "run-001", 16)
    source = PatientSource(stimulus, load_patient(str(folder / "patient.toml")), 1, 5)
    refused: list[str] = []
    while engine.verdict is None and source.seconds < LONGEST_S:
        chunk = source.pull(0.0)
        if chunk is None:
            continue
        engine.feed(chunk)
        wanted = search.cell_of(0)
        place = None if wanted is None else search.cells.place(wanted)
        if wanted is None or place is None:
            continue
        try:
            sound.reserve_more(wanted, AHEAD_SWEEPS)
            played.cells[0] = wanted
        except DoseRefused as error:
            if str(error) not in refused:
                refused.append(str(error))
                level_db = search.sought[place.condition].levels_db[place.level]
                search.order(Order("not_offered", place.condition, level_db, str(error)))
    assert not stimulus.frames.dose_exhausted
    sound.stop()
    assert SessionDose(session).spent() == stimulus.frames.dose
    return search, refused, stimulus.frames.dose.right_pa2s / limit_pa2s("infant")


@pytest.mark.long
@pytest.mark.timeout(900)
def test_without_a_policy_the_loudest_levels_are_refused_with_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    search, refused, share = search_of(tmp_path, monkeypatch, None)
    assert not all(math.isfinite(one.high_db) for one in search.answers()), "one threshold has no upper limit"
    assert "more than the right ear may get in a day" in refused[0]
    assert "% of it is used" in refused[0]
    assert "lower the level" in refused[0]
    assert 0.5 < share <= 1.0


@pytest.mark.long
@pytest.mark.timeout(900)
def test_under_a_policy_the_search_ends_with_thresholds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text(POLICY.format(times=5.0))
    seal_file(policy)
    search, refused, share = search_of(tmp_path, monkeypatch, str(policy))
    assert refused == []
    answers = search.answers()
    assert all(one.finished and math.isfinite(one.low_db) and math.isfinite(one.high_db) for one in answers)
    assert all(LOSS_DB <= one.threshold_db <= LOSS_DB + 15.0 for one in answers)
    assert 1.0 < share <= 5.0, "it needed more than a day's limit"
