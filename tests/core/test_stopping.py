"""Rules: nan never decides, earlier rules win, and absence is only claimed where it was looked for."""

import numpy as np
import pytest

from monitor.core.evidence import EvidenceSettings
from monitor.core.samples import Layout
from monitor.core.settings import EngineSettings
from monitor.core.stopping import STOPPING_RULES, EvidenceReached, Figures, NoiseFloorReached, SweepLimit, first_met

RULES = (EvidenceReached(0.01), NoiseFloorReached(15.0), SweepLimit(1024, 32))


def figures(**changes: float) -> Figures:
    values = {"sweeps_presented": 512.0, "sweeps_accepted": 500.0, "evidence_log10": 0.3, "residual_noise_nv": 40.0, "fsp": 1.0}
    return Figures(**{name: np.array([value]) for name, value in (values | changes).items()})


@pytest.mark.parametrize(
    ("changes", "index"),
    [
        ({}, -1),
        ({"evidence_log10": 2.0}, 0),
        ({"evidence_log10": 1.999}, -1),
        ({"residual_noise_nv": 15.0}, 1),
        ({"residual_noise_nv": 15.0, "sweeps_accepted": 255.0}, -1),
        ({"sweeps_presented": 992.0}, -1),
        ({"sweeps_presented": 993.0}, 2),
        ({"evidence_log10": 2.5, "residual_noise_nv": 9.0, "sweeps_presented": 1024.0}, 0),
        ({"evidence_log10": np.nan, "residual_noise_nv": 9.0, "sweeps_presented": 1024.0}, 1),
        ({"evidence_log10": np.nan, "residual_noise_nv": np.nan, "sweeps_presented": 1024.0}, 2),
        ({"evidence_log10": np.nan, "residual_noise_nv": np.nan, "sweeps_presented": np.nan, "fsp": np.nan}, -1),
        ({"residual_noise_nv": np.inf}, -1),
    ],
)
def test_the_first_rule_that_is_met_decides(changes: dict[str, float], index: int) -> None:
    assert first_met(RULES, figures(**changes)) == [index]


def test_a_batch_is_decided_run_by_run() -> None:
    rows = ([64, 64, 1024], [60, 300, 900], [2.5, np.nan, 0], [90, 10, 90], [1, 1, 1])
    many = Figures(*(np.array(row, dtype=float) for row in rows))
    np.testing.assert_array_equal(first_met(RULES, many), [0, 1, 2])


def test_absence_needs_a_window_that_covers_the_latencies() -> None:
    quiet = figures(residual_noise_nv=5.0)
    assert NoiseFloorReached().met(quiet).all()
    assert not NoiseFloorReached(covered=False).met(quiet).any()
    expected = EvidenceSettings(latency_ms=(6.0, 9.0))
    layout = Layout(16000.0, ("a", "t"), (0,), 1)
    for window_ms, covered in (((5.0, 17.0), True), ((7.0, 17.0), False), ((5.0, 10.0), False)):
        rules = EngineSettings(layout, window_ms=window_ms, evidence=expected).analysis.rules
        assert rules[1].met(quiet).all() == covered


@pytest.mark.parametrize("rule", sorted(STOPPING_RULES))
def test_every_rule_of_the_table_says_what_its_yes_means(rule: str) -> None:
    made = STOPPING_RULES[rule]()
    assert made.outcome in ("response_present", "response_absent", "inconclusive")
    assert made.stopped_by in ("response", "noise_floor", "sweep_limit")
    nothing = Figures(*(np.array([np.nan]) for _ in range(5)))
    assert not made.met(nothing).any()


@pytest.mark.parametrize(
    ("make", "part"),
    [
        (lambda: EvidenceReached(0.5), "alpha = 0.5"),
        (lambda: EvidenceReached(float("nan")), "alpha = nan"),
        (lambda: NoiseFloorReached(0.0), "floor_nv = 0"),
        (lambda: SweepLimit(0), "max_sweeps = 0"),
    ],
)
def test_impossible_rules_are_refused_with_name_and_value(make: object, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        make()  # type: ignore[operator]
