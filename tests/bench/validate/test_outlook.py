"""Counting how often minutes to go hold the end of a search."""

import math

import numpy as np
import pytest

from quietfloor.bench.validate.outlook import Moment, fit, held, main, text
from quietfloor.monitor.search.outlook import TIME_S, Outlook, Progress


def moment(search: int, all_s: float, progress: Progress | None = None) -> Moment:
    return Moment(search, progress or Progress(3.0, 20.0, 60.0), Outlook(10.0, 20.0, 40.0), all_s, all_s)


def test_moments_and_searches_are_counted() -> None:
    known = [moment(1, 20.0), moment(1, 30.0), moment(1, 50.0), moment(2, 5.0), moment(2, 11.0)]
    assert held(known) == (
        "60.0 % of 5 moments (sooner 20.0, later 20.0); each search counted as one, of 2: 58.3 %"  # 2 of 3, and 1 of 2
    )
    said = text([*known, moment(3, 20.0, Progress(0.8, 20.0, 130.0, 10.0))])
    assert "narrow           the 80 % range holds 100.0 % of 1 moments" in said
    assert "after 2 minutes" in said


def test_a_fit_finds_the_law_that_made_the_times() -> None:
    rng, known = np.random.default_rng(1), []
    for number in range(4000):
        width, weight, seconds = math.exp(rng.uniform(0.1, 2.0)), math.exp(rng.uniform(1.0, 4.0)), float(rng.uniform(5.0, 400.0))
        usual = 150.0 * width**0.8 * weight**-0.5 * (1.0 + seconds / TIME_S) ** 0.4
        known.append(moment(number, usual * math.exp(0.5 * rng.standard_normal()), Progress(width, weight, seconds)))
        narrow = Progress(0.9, weight, seconds, 12.0)
        known.append(moment(number, 20.0 * math.exp(0.5 * rng.standard_normal()), narrow))
    first, wide, narrow_said = fit(known).splitlines()
    found = [float(part.split()[-1]) for part in first.split(",")]
    assert found == pytest.approx([150.0, 0.8, -0.5, 0.4], rel=0.1)
    normal = np.exp(0.5 * np.array([-1.2816, 0.0, 1.2816]))  # 10, 50, 90 % points of the standard normal distribution
    for said in (wide, narrow_said):
        numbers = [float(word) for word in said.partition("[")[2].partition("]")[0].split()]
        assert numbers == pytest.approx(normal, rel=0.06)


def test_what_is_not_allowed_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--ears", "0"]) == 2
    assert "--ears" in capsys.readouterr().err
