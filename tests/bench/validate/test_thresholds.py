"""The proof of thresholds: ears, their runs, ladders by the logic of a live session, and honest counting."""

import csv
import json
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.patient.session_course import State
from quietfloor.bench.simulate.ears import FREQUENCIES_HZ, VirtualEar, draw
from quietfloor.bench.simulate.simulate import chain
from quietfloor.bench.simulate.simulated_staircases import (
    RunOutcome,
    RunRequest,
    Sessions,
    own_alone,
    response_uv,
    run,
    settings_of,
    setup_of,
    size_nv,
    visible_db_nhl,
    visible_in_normal_ears_db,
)
from quietfloor.bench.simulate.staircase_runner import climb, rules_for
from quietfloor.bench.validate.threshold_tables import Row, errors, figures, in_reach, targets, text
from quietfloor.bench.validate.thresholds import main, parser, sessions_of, write
from quietfloor.monitor.session.conditions import ABSENT, PRESENT, UNDECIDED, Condition
from quietfloor.monitor.session.next_level import Measurement, follow

QUIET = Sessions(rules=("evidence", "fsp:pocock"), max_sweeps=4096, minutes=30.0)


def ear(threshold_db: float, number: int = 0, noise_uv: float = 0.7, frequency_hz: float = 2000.0) -> VirtualEar:
    patient = Patient("E", Ear(threshold_db), Ear(math.inf), Background(noise_uv))
    return VirtualEar(number, "flat", patient, Condition("left", "air", "octave-chirp", frequency_hz), threshold_db)


def test_ears_are_drawn_by_number_and_seed_and_of_all_kinds() -> None:
    ears = [draw(number, 1) for number in range(300)]
    assert draw(17, 1) == ears[17] != draw(17, 2)
    assert {one.kind for one in ears} == {"normal", "flat", "sloping", "conductive", "mixed", "asymmetric", "deaf"}
    assert {one.frequency_hz for one in ears} == set(FREQUENCIES_HZ)
    assert {(one.route, one.age_group) for one in ears} == {(r, a) for r in ("air", "bone") for a in ("adult", "infant")}
    for one in ears:
        tested = one.patient.ear(one.side)
        hidden = (tested.cochlear_db if one.route == "bone" else tested.air_db)(one.frequency_hz)
        assert one.true_db_nhl == (math.inf if one.kind == "deaf" else float(hidden))
    assert np.mean([one.true_db_nhl % 5.0 in (0.0, 2.5) for one in ears if one.kind != "deaf"]) < 0.05


def test_a_simulated_run_decides_by_what_a_live_run_of_the_plan_has() -> None:
    live = settings_of(1000.0, "infant", 30.0, QUIET)
    simulated = chain("evidence", setup_of(1000.0, "infant", 30.0, QUIET))
    assert simulated.identity == live.identity


def test_the_response_is_nothing_at_the_true_threshold_and_seen_above_it() -> None:
    setup = setup_of(2000.0, "adult", 40.0, QUIET)
    one = ear(30.0).patient
    sound = ("octave-chirp", 2000.0)
    assert not response_uv(one, "left", "air", sound, 29.0, setup.grid).any()
    visible = visible_db_nhl(one, "left", "air", 2000.0, "adult", QUIET, 30.0)
    sizes = [size_nv(response_uv(one, "left", "air", sound, level, setup.grid), setup) for level in (visible - 0.5, visible)]
    assert sizes[0] < QUIET.floor_nv <= sizes[1]
    assert 3.0 < visible - 30.0 < 15.0
    assert 3.0 < visible_in_normal_ears_db(2000.0, None, QUIET) < 15.0
    assert math.isnan(visible_db_nhl(ear(math.inf).patient, "left", "air", 2000.0, "adult", QUIET, 60.0))


def test_answers_do_not_depend_on_the_company_and_deaf_ears_give_none() -> None:
    requests = [RunRequest(ear(30.0, 1), 50.0, 0, 0.0), RunRequest(ear(math.inf, 2), 50.0, 0, 0.0)]
    together, alone = run(requests, QUIET), run(requests[:1], QUIET)
    assert together[0] == alone[0]
    for rule in QUIET.rules:
        assert together[0][rule].measurement.verdict == PRESENT
        assert together[1][rule].measurement.verdict != PRESENT
        assert (together[1][rule].true_nv, together[1][rule].own_nv) == (0.0, 0.0)


def test_unmasked_sound_crosses_and_advised_noise_stops_it() -> None:
    asymmetric = replace(ear(math.inf, 3), patient=replace(ear(math.inf).patient, right=Ear(0.0), crossing_air_db=55.0))
    request = [RunRequest(asymmetric, 85.0, 0, 0.0)]
    unmasked, masked = run(request, replace(QUIET, masked=False)), run(request, QUIET)
    assert unmasked[0]["evidence"].measurement.verdict == PRESENT
    assert (unmasked[0]["evidence"].own_nv, masked[0]["evidence"].true_nv) == (0.0, 0.0)
    assert masked[0]["evidence"].measurement.verdict != PRESENT
    assert own_alone(asymmetric).right == Ear(math.inf)


def test_restless_people_are_noisier_later() -> None:
    calm = ear(math.inf, 4)
    restless = replace(calm, patient=replace(calm.patient, course=(State(0.0, 1.0), State(10.0, 3.0))))
    early, late = (run([RunRequest(restless, 40.0, 0, start_s)], QUIET)[0]["evidence"] for start_s in (0.0, 900.0))
    assert early.measurement.verdict == ABSENT
    assert late.measurement.verdict == UNDECIDED
    assert late.measurement.residual_noise_nv > 1.5 * early.measurement.residual_noise_nv


@pytest.fixture(scope="module")
def scripted() -> Callable[[float], Measurement]:
    def measure(level_db: float) -> Measurement:
        return Measurement(PRESENT if level_db >= 35.0 else ABSENT, residual_noise_nv=15.0, seconds=60.0)

    return measure


def test_ladders_side_by_side_are_those_of_one_after_the_other(
    monkeypatch: pytest.MonkeyPatch, scripted: Callable[[float], Measurement]
) -> None:
    asked = []

    def answered(requests: list[RunRequest], sessions: Sessions) -> list[dict[str, RunOutcome]]:
        asked.extend(request.key for request in requests)
        return [{rule: RunOutcome(scripted(q.level_db_nhl), 1.0, 1.0) for rule in sessions.rules} for q in requests]

    monkeypatch.setattr("quietfloor.bench.simulate.staircase_runner.run", answered)
    ears = [ear(20.0, number, frequency_hz=hz) for number, hz in enumerate((500.0, 1000.0, 1000.0))]
    with ThreadPoolExecutor(2) as workers:
        climbed = climb(ears, QUIET, workers)
    assert [(one.ear.number, one.rule) for one in climbed] == [(n, rule) for n in range(3) for rule in QUIET.rules]
    assert len(asked) == len(set(asked))  # what two rules ask alike is simulated once
    for one in climbed:
        rules = rules_for(one.ear, QUIET)
        assert one.course == follow(one.ear.condition, rules, scripted, time_s=1800.0, longest_s=QUIET.longest_s)
        assert one.course.threshold.level_db_nhl == 35.0
        assert len(one.outcomes) == len(one.course.runs)


def test_what_goes_wrong_in_a_run_ends_all_ladders(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(requests: list[RunRequest], sessions: Sessions) -> list[dict[str, RunOutcome]]:
        raise ArithmeticError("no noise today")

    monkeypatch.setattr("quietfloor.bench.simulate.staircase_runner.run", broken)
    with ThreadPoolExecutor(1) as workers, pytest.raises(ArithmeticError, match="no noise today"):
        climb([ear(20.0)], QUIET, workers)


ROW = Row(
    ear=0, kind="flat", age_group="adult", route="air", frequency_hz=1000.0, noise_uv=1.0, restless=False, rule="evidence",
    true_db=30.0, visible_db=40.0, finding="threshold", found_db=45.0, estimate_db=42.0, low_db=38.0, high_db=46.0,
    hearing_error_db=1.0, seen_error_db=2.5, why="found", runs=6, undecided_runs=1, false_runs=0, silent_runs=2, missed_runs=0,
    minutes=8.0,
)  # fmt: skip


def test_everything_is_counted_and_nothing_left_out() -> None:
    rows = [
        ROW,
        replace(ROW, ear=1, hearing_error_db=-6.0, found_db=25.0, high_db=39.0),  # at or below the hidden one
        replace(ROW, ear=2, finding="no response", found_db=90.0, hearing_error_db=math.nan, seen_error_db=math.nan),
        replace(ROW, ear=3, finding="at most", hearing_error_db=math.nan, seen_error_db=math.nan),
        replace(
            ROW, ear=4, true_db=math.inf, visible_db=math.inf, found_db=70.0, hearing_error_db=math.nan, false_runs=1,
            settled=True,
        ),
    ]
    one = figures(rows, "evidence")
    assert (one.ears, one.found, one.beyond, one.beyond_found) == (4, 2, 1, 1)
    assert (one.hearing.near.count, one.hearing.near.n, one.hearing.wide.count) == (1, 2, 2)
    assert (one.hearing_near_all.count, one.hearing_near_all.n) == (1, 4)
    assert one.hearing.bias_db == pytest.approx(-2.5)
    assert (one.wrong_side.count, one.wrong_side.n) == (2, 5)  # the ear that hears nothing, too
    assert (one.false_settled.count, one.false_settled.n) == (1, 5)
    assert [(of.count, of.n) for of in (one.deaf_any, one.deaf_settled)] == [(1, 1), (1, 1)]
    assert (one.not_heard.count, one.inconclusive.count) == (1, 1)
    assert (one.covered.count, one.covered.n) == (1, 2)
    assert (one.false_runs.count, one.false_runs.n) == (1, 10)
    assert [met for _, met in targets(one)] == [False, True, False]
    said = text(rows, replace(QUIET, rules=("evidence",)))
    assert "NOT MET within 5 dB" in said
    assert "settled responses at or below the hidden one: 20.0 % (1 of 5; 0.5 to 71.6)" in said
    assert "at most 6.8 % and 0.13 %, every run decided" in said


def test_reach_ends_below_the_top_of_the_ladder() -> None:
    assert in_reach(replace(ROW, visible_db=85.0))
    assert not in_reach(replace(ROW, visible_db=86.0))
    assert not in_reach(replace(ROW, route="bone", visible_db=41.0))


def test_errors_of_few_are_undefined_rather_than_zero() -> None:
    assert math.isnan(errors([]).bias_db)
    assert math.isnan(errors([1.0]).sd_db)
    assert errors([1.0, math.nan]).near.n == 1
    moved = errors([7.0, 8.0, 9.0])
    assert (moved.near.count, moved.near_unbiased.count) == (0, 3)


def test_files_hold_the_rows_and_null_for_what_is_unknown(tmp_path) -> None:
    write(tmp_path, "words\n", [replace(ROW, estimate_db=math.nan)], {"bias": math.inf})
    with (tmp_path / "thresholds.csv").open(encoding="utf-8") as file:
        assert next(csv.DictReader(file))["estimate_db"] == ""
    content = json.loads((tmp_path / "thresholds.json").read_text(encoding="utf-8"))
    assert content["bias"] is None
    assert content["ladders"][0]["estimate_db"] is None
    assert sorted(path.name for path in tmp_path.iterdir()) == ["thresholds.csv", "thresholds.json", "thresholds.txt"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--ears", "0"], "--ears 0 is outside 1"),
        (["--band", "30"], "give two frequencies"),
        (["--rule", "fsp:often"], "often"),
        (["--rule", "evidence", "--rule", "evidence"], "each once"),
        (["--floor-nv", "0"], "floor_nv"),
    ],
)
def test_wrong_options_are_refused_before_anything_runs(options: list[str], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        sessions_of(parser().parse_args(options))
    assert main(options) == 2


def test_the_program_climbs_a_ladder_and_reports(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--ears", "1", "--jobs", "1", "--seed", "3", "--max-sweeps", "512", "--floor-nv", "60", "--rule", "evidence"]
    assert main([*arguments, "--out", str(tmp_path)]) == 0
    said = capsys.readouterr()
    assert said.out == (tmp_path / "thresholds.txt").read_text(encoding="utf-8")
    assert "minutes of signal per threshold" in said.out
    assert "0 of 1 ladders go on" in said.err
    assert len(json.loads((tmp_path / "thresholds.json").read_text(encoding="utf-8"))["ladders"]) == 1
