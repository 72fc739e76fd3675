"""Counting sweeps after an earlier run: same ears in every row, sooner with an earlier run that is right."""

import json

import numpy as np
import pytest

from quietfloor.bench.simulate.noises import run_seeds
from quietfloor.bench.simulate.responses import Response
from quietfloor.bench.simulate.simulate import Setup
from quietfloor.bench.validate.after_earlier import CASES, earlier_run, main, measure


def test_an_earlier_run_ends_at_the_noise_that_is_asked_for() -> None:
    setup = Setup()
    waves = Response(300.0).waves_uv(setup.grid, run_seeds(1, "response", range(20)))
    average, weight = earlier_run(waves, setup, 100.0, run_seeds(1, "earlier", range(20)))
    left_nv = 1e3 * np.sqrt(((average - setup.analysis(()).window.of(waves)) ** 2).mean(axis=-1))
    assert (1e3 / np.sqrt(weight) <= 100.0).all()
    assert np.sqrt((left_nv**2).mean()) == pytest.approx(100.0, rel=0.15)  # what is really left is what is stated


def test_an_earlier_run_that_is_right_ends_the_next_one_sooner_on_the_same_ears() -> None:
    first, same = (measure(case, 30, 300.0, 50.0, 3, Setup()) for case in CASES[:2])
    assert first.oracle == same.oracle
    assert same.ratio < first.ratio


@pytest.mark.long
def test_the_command_counts_each_case_on_the_same_ears(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--runs", "30", "--seed", "3", "--left-nv", "50", "--json"]) == 0
    out, err = capsys.readouterr()
    cases = json.loads(out)["cases"]
    assert [one["case"] for one in cases] == [case.name for case in CASES]
    first, same, *_, silent = cases
    assert first["oracle"] == same["oracle"]
    assert same["ratio"] < first["ratio"]
    assert silent["found"] <= 3
    assert "times the oracle's" in err


@pytest.mark.parametrize(("words", "said"), [(["--runs", "1"], "--runs"), (["--left-nv", "1"], "--left-nv")])
def test_what_is_not_allowed_is_said(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert said in capsys.readouterr().err
