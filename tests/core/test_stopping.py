"""Rules: nan never decides, earlier rules win, absence is only claimed where it was looked for, names do not drift."""

from dataclasses import FrozenInstanceError, fields, replace

import numpy as np
import pytest

from quietfloor.monitor.core.analysis import STATISTICS
from quietfloor.monitor.core.evidence import EvidenceSettings
from quietfloor.monitor.core.looks import Looks
from quietfloor.monitor.core.stopping import (
    STOPPING_RULES,
    EvidenceReached,
    FindsResponse,
    FspReached,
    GuidanceAbsent,
    GuidanceClear,
    LookStatistics,
    MultiPointFReached,
    NaiveFsp,
    NoiseFloorReached,
    QuietAfterResponse,
    RunningStopping,
    SignalToNoise,
    SweepLimit,
    UpperLimitReached,
    decision_identity,
    rules_of_run,
)

RULES = (EvidenceReached(0.01), NoiseFloorReached(15.0), SweepLimit(1024, 32))
USUAL = {"sweeps_presented": 512.0, "sweeps_accepted": 500.0, "evidence_log10": 0.3, "residual_noise_nv": 40.0, "fsp": 1.0}
MEASURED = [field.name for field in fields(LookStatistics) if field.name != "covered"]


def figures(covered: bool = True, **changes: float) -> LookStatistics:
    return LookStatistics.of((1,), covered, **{name: np.array([float(value)]) for name, value in (USUAL | changes).items()})


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
    assert RunningStopping(RULES, (1,)).update(figures(**changes)) == [index]


def test_a_batch_is_decided_run_by_run_and_side_by_side() -> None:
    rows = {"sweeps_presented": [64, 64, 1024], "sweeps_accepted": [60, 300, 900]}
    rows |= {"evidence_log10": [2.5, np.nan, 0], "residual_noise_nv": [90, 10, 90], "fsp": [1, 9, 1]}
    many = LookStatistics.of((3,), True, **{name: np.array(row, dtype=float) for name, row in rows.items()})
    np.testing.assert_array_equal(RunningStopping(RULES, (3,)).update(many), [0, 1, 2])
    other = (NaiveFsp(looks=Looks(32, 32, 1024)), RULES[2])
    np.testing.assert_array_equal(RunningStopping(other, (3,)).update(many), [-1, 0, 1])
    with pytest.raises(ValueError, match="no rule"):
        RunningStopping((), ())


def test_absence_needs_a_window_that_covers_the_latencies() -> None:
    assert NoiseFloorReached().met(figures(residual_noise_nv=5.0)).all()
    assert not NoiseFloorReached().met(figures(False, residual_noise_nv=5.0)).any()
    late = {"sweeps_presented": 2048.0, "gap_nv": 20.0}
    assert GuidanceAbsent().begin((1,)).update(figures(**late)).all()
    assert not GuidanceAbsent().begin((1,)).update(figures(False, **late)).any()
    expected = EvidenceSettings(latency_ms=(6.0, 9.0))
    for window_ms, covered in (((5.0, 17.0), True), ((7.0, 17.0), False), ((5.0, 10.0), False)):
        assert expected.covered_by(window_ms) == covered


@pytest.mark.parametrize(
    ("changes", "clear", "absent"),
    [
        ({"peak_to_trough_nv": 40.0, "snr": 3.0, "gap_nv": 13.3}, True, True),  # clear is asked first
        ({"peak_to_trough_nv": 39.9, "snr": 3.0, "gap_nv": 13.3}, False, True),
        ({"peak_to_trough_nv": 80.0, "snr": 2.9, "gap_nv": 27.6}, False, False),  # neither: inconclusive
        ({"peak_to_trough_nv": 20.0, "snr": 0.8, "gap_nv": 25.0}, False, True),
        ({}, False, False),
    ],
)
def test_guidance(changes: dict[str, float], clear: bool, absent: bool) -> None:
    late = figures(**({"sweeps_presented": 2048.0} | changes))
    assert GuidanceClear().begin((1,)).update(late) == [clear]
    assert GuidanceAbsent().begin((1,)).update(late) == [absent]
    early = replace(late, sweeps_presented=np.array([2016.0]))
    assert not GuidanceClear().begin((1,)).update(early).any()
    both = RunningStopping((GuidanceClear(), GuidanceAbsent()), (1,)).update(late)
    assert both == [0 if clear else 1 if absent else -1]
    assert SignalToNoise().begin((1,)).update(late) == [changes.get("snr", 0.0) >= 3.0]


@pytest.mark.parametrize("name", sorted(STOPPING_RULES))
def test_every_rule_of_the_table(name: str) -> None:
    made = STOPPING_RULES[name]()
    assert made.name == name
    assert made.needs <= set(STATISTICS)
    assert made.outcome in ("response_present", "response_absent", "inconclusive")
    assert made.stopped_by in ("response", "noise_floor", "upper_limit", "sweep_limit")
    with pytest.raises(FrozenInstanceError):
        made.anything = 1  # type: ignore[attr-defined]
    assert made == STOPPING_RULES[name]()
    assert hash(made) == hash(STOPPING_RULES[name]())
    for presented in (np.nan, 6144.0):  # nothing known, and everything unknown but the sweeps
        only = {name: np.full(3, np.nan) for name in MEASURED} | {"sweeps_presented": np.full(3, presented)}
        yes = made.begin((3,)).update(LookStatistics.of((3,), True, **only))
        assert yes.shape == (3,)
        assert yes.dtype == bool
        assert not yes.any() or (name == "sweep_limit" and presented == 6144.0)


def test_figures_that_do_not_exist_are_refused() -> None:
    with pytest.raises(TypeError, match="no fspp"):
        LookStatistics.of((), fspp=np.array(1.0))


@pytest.mark.parametrize(
    ("make", "part"),
    [
        (lambda: EvidenceReached(0.5), "alpha = 0.5"),
        (lambda: EvidenceReached(float("nan")), "alpha = nan"),
        (lambda: FspReached(0.0), "alpha = 0.0"),
        (lambda: FspReached(0.01, "pokock"), "budget = 'pokock'"),
        (lambda: MultiPointFReached(moments=4), "moments = 4"),
        (lambda: NoiseFloorReached(0.0), "floor_nv = 0"),
        (lambda: SweepLimit(0), "max_sweeps = 0"),
        (lambda: NaiveFsp(0.0), "criterion = 0"),
        (lambda: GuidanceClear(ratio=0.0), "ratio = 0"),
        (lambda: GuidanceAbsent(0.0), "gap_nv = 0"),
        (lambda: Looks(every=0), "every = 0"),
        (lambda: Looks(first=512, max_sweeps=256), "max_sweeps = 256"),
    ],
)
def test_impossible_rules_are_refused_with_name_and_value(make: object, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        make()  # type: ignore[operator]


def test_identity_depends_on_every_parameter_and_on_nothing_else() -> None:
    made = [rule() for rule in STOPPING_RULES.values()]
    made += [FspReached(0.05), FspReached(budget="bonferroni"), FspReached(looks=Looks(512, 512)), FspReached(df1=6.0)]
    names = [rule.identity() for rule in made]
    assert len(set(names)) == len(names)
    assert FspReached(alpha=0.01, budget="pocock", looks=Looks(256, 256, 6144)).identity() == FspReached().identity()
    assert EvidenceReached(np.float64(0.01)).identity() == EvidenceReached(0.01).identity()
    assert decision_identity(RULES) != decision_identity(RULES[::-1])
    assert decision_identity(RULES, EvidenceSettings()) != decision_identity(RULES, EvidenceSettings(block_units=2))


FINDING = [name for name, kind in STOPPING_RULES.items() if issubclass(kind, FindsResponse)]


@pytest.mark.parametrize("name", FINDING)
def test_a_rule_says_yes_exactly_where_its_standing_reaches_what_is_needed(name: str) -> None:
    finds = rules_of_run(name, alpha=0.05, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)[0]
    assert isinstance(finds, FindsResponse)
    rng = np.random.default_rng(5)
    rows = {key: 10 ** rng.uniform(-1, 2, 400) for key in MEASURED}
    rows |= {"evidence_log10": rng.normal(1, 1, 400), "half_correlation": rng.uniform(-1, 1, 400)}
    rows["sweeps_presented"] = np.full(400, 2048.0)  # a look of every schedule
    seen = LookStatistics.of((400,), True, **rows)
    said = finds.begin((400,)).update(seen)
    standing = finds.standing(seen)
    assert 20 < said.sum() < 380
    np.testing.assert_array_equal(said, standing.value >= standing.needed)


def test_the_rules_of_a_run_are_named_as_in_a_validation() -> None:
    made = rules_of_run("fsp:bonferroni", alpha=0.02, floor_nv=20.0, max_sweeps=2048, block_sweeps=32, look_every=512)
    assert made == (FspReached(0.02, "bonferroni", looks=Looks(512, 512, 2048)), NoiseFloorReached(20.0), SweepLimit(2048, 32))
    clear, absent, _ = rules_of_run("guidance_clear", alpha=0.02, floor_nv=20.0, max_sweeps=1024, block_sweeps=32)
    assert isinstance(absent, GuidanceAbsent)
    assert isinstance(clear, GuidanceClear)
    assert clear.looks == absent.looks == Looks(1024, 1024, 1024)
    for name, part in (("noise_floor", "cannot find"), ("t2", "'t2' is unknown"), ("evidence:pocock", "no error budget"),
                       ("fsp:half", "budget = 'half'")):  # fmt: skip
        with pytest.raises(ValueError, match=part):
            rules_of_run(name, alpha=0.01, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)


@pytest.mark.parametrize("name", ["evidence", "fsp:pocock", "guidance_clear"])
def test_a_response_that_waits_for_a_quiet_average_is_never_taken_back_and_never_made(name: str) -> None:
    """Against one run at a time, by hand: found where the rule alone finds, ended by the first quiet look or the limit."""
    known = {"alpha": 0.05, "floor_nv": 15.0, "max_sweeps": 4096, "block_sweeps": 256}
    plain, waits = (RunningStopping(rules_of_run(name, **known, quiet_nv=nv), (200,)) for nv in (None, 20.0))  # type: ignore[arg-type]
    quiet = waits.rules[0]
    assert isinstance(quiet, QuietAfterResponse)
    assert (quiet.finds, *waits.rules[1:]) == plain.rules
    finds, absent = quiet.finds.begin((200,)), waits.rules[1].begin((200,))
    rng = np.random.default_rng(10)
    found, verdicts = np.zeros(200, dtype=bool), set()
    for look in range(1, 17):
        rows = {key: 10 ** rng.uniform(-1, 1.2, 200) for key in MEASURED}
        rows |= {"evidence_log10": rng.normal(0, 0.7, 200), "residual_noise_nv": rng.uniform(12, 90, 200)}
        rows |= {"sweeps_presented": np.full(200, 256.0 * look), "sweeps_accepted": np.full(200, 250.0 * look)}
        rows |= {"gap_nv": rng.uniform(10, 60, 200), "snr": rng.uniform(0, 5, 200), "peak_to_trough_nv": rng.uniform(20, 90, 200)}
        seen = LookStatistics.of((200,), True, **rows)
        found |= finds.update(seen)
        none, last = absent.update(seen), look == 16
        said = waits.update(seen)
        np.testing.assert_array_equal(waits.found, found)
        for run in range(200):
            over = rows["residual_noise_nv"][run] <= 20.0 or last
            expected = (0 if over else -1) if found[run] else (1 if none[run] else 2 if last else -1)
            assert said[run] == expected
        verdicts |= set(said.tolist())
    assert verdicts == {-1, 0, 1, 2}
    assert not found.all()


def test_an_upper_limit_ends_a_run_where_no_response_can_be_as_large_and_only_where_it_is_asked_for() -> None:
    known = {"alpha": 0.01, "floor_nv": 15.0, "max_sweeps": 1024, "block_sweeps": 32}
    rules = rules_of_run("evidence", **known, absent_below_nv=60)  # type: ignore[arg-type]
    assert rules == (*RULES[:2], UpperLimitReached(60), RULES[2])
    for changes, index in (
        ({"upper_limit_nv": 60.0}, 2),
        ({"upper_limit_nv": 60.1}, -1),
        ({"upper_limit_nv": np.nan}, -1),
        ({"upper_limit_nv": 30.0, "sweeps_accepted": 255.0}, -1),
        ({"upper_limit_nv": 30.0, "evidence_log10": 2.0}, 0),
    ):
        assert RunningStopping(rules, (1,)).update(figures(**changes)) == [index]
    assert RunningStopping(rules, (1,)).update(figures(False, upper_limit_nv=30.0)) == [-1]
    with pytest.raises(ValueError, match=r"absent_below_nv = 2 is outside 5 to 2000"):
        rules_of_run("evidence", **known, absent_below_nv=2)  # type: ignore[arg-type]


def test_noise_for_which_a_response_waits_is_part_of_the_identity_only_where_it_waits() -> None:
    known = {"alpha": 0.01, "floor_nv": 15.0, "max_sweeps": 6144, "block_sweeps": 32}
    made = [rules_of_run("evidence", **known, quiet_nv=nv) for nv in (None, 20, 30)]  # type: ignore[arg-type]
    assert made[0] == (EvidenceReached(0.01), NoiseFloorReached(15.0), SweepLimit(6144, 32))
    assert len({decision_identity(rules) for rules in made}) == 3
    with pytest.raises(ValueError, match=r"quiet_nv = 0.5 is outside 1 to 500"):
        rules_of_run("evidence", **known, quiet_nv=0.5)  # type: ignore[arg-type]
