"""What two channels are worth together."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from quietfloor.bench.devtools.channels import main, measured, worth
from quietfloor.bench.patient.offline import NAME, carry_through
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.plan.run_plan import make_plan


def test_worth_is_that_of_the_formula_and_never_below_the_better_channel() -> None:
    g, r = 0.92, 0.5
    assert worth([1.0, 1.0], r, [1.0, g]) == pytest.approx((1 + g**2 - 2 * g * r) / (1 - r**2))
    assert worth([1.0, 1.0], 0.0, [1.0, 1.0]) == pytest.approx(2.0)
    assert worth([1.0, 1.0], 0.99, [1.0, 1.0]) == pytest.approx(1.0, abs=0.01)
    rng = np.random.default_rng(1)
    for _ in range(100):
        assert worth(rng.uniform(0.5, 2.0, 2), rng.uniform(-0.9, 0.9), rng.uniform(0.1, 1.0, 2)) >= 1.0 - 1e-12


def test_worth_of_a_best_sum_found_by_trying() -> None:
    rng = np.random.default_rng(2)
    noise = np.linalg.cholesky([[1.0, 0.6 * 1.5], [0.6 * 1.5, 2.25]]) @ rng.normal(size=(2, 40_000))
    mixes = [np.array([np.cos(a), np.sin(a)]) for a in np.linspace(0, np.pi, 721)]
    best = max(float(mix @ [1.0, 0.9]) ** 2 / (mix @ noise).var() for mix in mixes)
    sd, correlation = measured(noise, 400.0)
    assert correlation == pytest.approx(0.6, abs=0.02)
    assert worth(sd, correlation, [1.0, 0.9]) == pytest.approx(best / (1.0 / noise[0].var()), rel=0.02)


def test_a_run_of_the_virtual_patient_and_one_that_is_too_short(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = make_plan({
        "stream": {"name": NAME, "eeg": ["1", "2"], "trigger": "trigger"}, "sound": {"level_db_fs": -30.0},
        "decision": {"max_sweeps": 1024, "floor_nv": 1.0, "alpha": 1e-6},
    })  # fmt: skip
    record = carry_through(plan, load_patient("quiet-deaf"), tmp_path, 3)
    assert main([record["folder"], "--response", "1,0.92"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["correlation"] == pytest.approx(0.5, abs=0.03)  # as `quietfloor.bench.patient.background` makes it
    assert found["worth"] == pytest.approx(1.23, abs=0.05)
    with pytest.raises(ValueError, match=r"3 s without a gap; the noise needs 10 s"):
        measured(np.ones((2, 3000)), 1000.0)
    with pytest.raises(SystemExit):
        main([record["folder"], "--eeg", "1"])
    with pytest.raises(SystemExit):
        main([record["folder"], "--response", "1,large"])
    assert "two numbers with a comma" in capsys.readouterr().err
    assert main([str(tmp_path / "none")]) == 1
    assert "is no run folder" in capsys.readouterr().err
    assert main([record["folder"], "--eeg", "1,nose"]) == 1
    assert "'nose'" in capsys.readouterr().err
