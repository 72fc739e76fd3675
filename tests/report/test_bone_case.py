"""A case of the trade, from curves to words: a normal infant's ear by bone at a low level, twice, and 5 dB above it.

Latencies and numbers of sweeps are common practice, no source; amplitudes and noise are invented.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan
from tests.report.conftest import ROOT, recorded
from tests.report.test_report import Page

PRACTICE = ROOT / "docs" / "bone-check"
AIR = """
[[condition]]
ear = "left"
stimulus = "octave-chirp"
frequency_hz = 4000
sound = { calibration = "AIR", transducer = "insert" }
"""
# level in dB nHL, latencies of III and V in ms, amplitude of V in nV
BONE = ((10.0, 7.07, 9.13, 150.0), (10.0, 6.93, 9.40, 150.0), (15.0, 6.67, 8.87, 230.0))
NOISE_UV = 0.72  # of a sweep, in the band: 15 nV are left after 2,300


def waves(iii_ms: float, v_ms: float, v_nv: float) -> Any:
    """Bells at these latencies, and the trough of V 2.3 ms later; ``v_nv`` peak to trough."""
    def bell(times_ms: np.ndarray, at_ms: float, sd_ms: float) -> np.ndarray:
        return np.exp(-0.5 * ((times_ms - at_ms) / sd_ms) ** 2)

    return lambda t: 1e-3 * v_nv * (
        0.35 * bell(t, iii_ms, 0.35) + 0.62 * bell(t, v_ms, 0.4) - 0.38 * bell(t, v_ms + 2.3, 0.8)
    )  # fmt: skip


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The session of the worked example of the docs, with one run by air beside it."""
    folder = tmp_path_factory.mktemp("case") / "infant"
    text = (PRACTICE / "session.toml").read_text(encoding="utf-8").replace("../../", f"{ROOT}/")
    text = text.replace('own = "tables.toml"', f'own = "{PRACTICE / "tables.toml"}"').replace(
        'tables = ["lab-bone-octave-chirp"]', 'tables = ["lab-bone-octave-chirp", "octave-chirp-2015", "stapells-1995"]'
    )
    path = folder.parent / "session.toml"
    path.write_text(text + AIR.replace("AIR", f"{ROOT / 'bench' / 'virtual-earphone.toml'}"), encoding="utf-8")
    session = Session.begin(folder, load_session_plan(path))
    bone, air = session.plan.conditions
    for seed, (level, iii_ms, v_ms, v_nv) in enumerate(BONE, 1):
        if level > 10.0:
            session.announce("growth", "does V come earlier and larger")
        made = session.run_plan(bone, level)
        _run(folder, made, seed, waves(iii_ms, v_ms, v_nv))
    _run(folder, session.run_plan(air, 15.0), 4, waves(6.2, 8.4, 200.0))
    return folder


def _run(folder: Path, made: Any, seed: int, wave: Any) -> None:
    window = made.analysis.window_ms
    plan = {
        "decision": {"floor_nv": 15.0, "quiet_nv": 15.0, "max_sweeps": 12288},
        "analysis": {"window_ms": list(window), "latency_ms": list(made.sound.latency_ms(window))},
    }
    recorded(folder, made.sound, seed=seed, sweeps=2600, noise_uv=NOISE_UV, wave=wave, plan=plan)


def asked(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    assert main([*map(str, words)]) == 0
    return capsys.readouterr().out


def test_marks_lead_to_the_words_of_practice(case: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    runs = [case / f"run-00{number}" for number in (1, 2, 3)]
    for run, (_, iii_ms, v_ms, _) in zip(runs, BONE, strict=True):
        record = json.loads((run / "run.json").read_text(encoding="utf-8"))
        assert record["verdict"] == "response_present"
        assert 2_000 <= record["sweeps_accepted"] <= 2_500
        suggested = json.loads(asked(capsys, "waves", run, "--json"))["runs"][0]["marks"]
        (v,) = (mark for mark in suggested if mark["wave"] == "V")
        assert v["latency_low_ms"] <= v_ms <= v["latency_high_ms"]
        asked(capsys, "waves", run, "--mark", f"V={v_ms}", "--mark", f"III={iii_ms}")
    together = asked(capsys, "waves", *runs)
    assert "at 10 dB nHL: clear response by guidance" in together
    assert re.search(r"from 10 to 15 dB nHL: at \+5 dB wave V is 0\.3 ms earlier and \d+ % larger: as expected", together)

    asked(capsys, "report", case, "--out", tmp_path)
    content = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    bone = next(ladder for ladder in content["ladders"] if ladder["condition"]["route"] == "bone")
    assert bone["threshold"]["whose"] == "this ear's"
    low = next(level for level in bone["levels"] if level["level_db_nhl"] == 10.0)
    assert [mark["wave"] for mark in low["marks"]["marks"]] == ["III", "V", "trough"]
    assert {mark["by"] for mark in low["marks"]["marks"] if mark["wave"] in ("III", "V")} == {"operator"}
    low_runs = [row for row in content["masking"] if row["run"] in (1, 2)]
    assert [(row["due"], row["said"]) for row in low_runs] == [(False, "no masking, and none was due")] * 2
    said = Page((tmp_path / "report.html").read_text(encoding="utf-8")).said
    for words in ("clear response by guidance", "as expected", "15 dB eHL or better",
                  "Neither is raised: this would fit a normal ear."):  # fmt: skip
        assert words in said, words
