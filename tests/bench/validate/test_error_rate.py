"""The numbers of a validation against libraries and published values, and the command from end to end."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from quietfloor.bench.simulate.intervals import mcnemar, proportion, runs_for_width, survival
from quietfloor.bench.simulate.noises import Grid, Presentation
from quietfloor.bench.simulate.simulate import Setup
from quietfloor.bench.validate.error_rate import main
from quietfloor.bench.validate.options import parser, plan_from
from quietfloor.bench.validate.plan import Cell, ValidationPlan
from quietfloor.bench.validate.report import text, write
from quietfloor.bench.validate.tables import Residual, Tables, tables
from quietfloor.bench.validate.targets import targets
from quietfloor.bench.validate.work import CELLS, ResumeError, run_cell, work
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.storage.raw_writer import Journal
from tests import warm
from tests.slow import patience

SMALL = Setup(Grid(), max_sweeps=512)
PLAN = ValidationPlan(
    rules=("evidence", "fsp"),
    sources=("gaussian", "bursts"),
    sizes_nv=(0.0, 800.0),
    response_sources=("gaussian",),
    runs=220,
    response_runs=120,
    setup=SMALL,
)


def test_exact_interval_of_proportions() -> None:
    """Closed form for 0 of n; 5 of 10 is (0.1871, 0.8129) in Clopper & Pearson's tables; otherwise quantiles of beta."""
    assert proportion(0, 10).high == pytest.approx(1 - 0.025**0.1)
    assert proportion(0, 10).upper == pytest.approx(1 - 0.05**0.1)
    assert proportion(0, 10).low == 0.0
    assert (proportion(5, 10).low, proportion(5, 10).high) == (pytest.approx(0.1871, abs=1e-4), pytest.approx(0.8129, abs=1e-4))
    for k, n in ((1, 7), (33, 4000), (40, 4000), (3999, 4000)):
        found = proportion(k, n)
        assert found.low == pytest.approx(stats.beta.ppf(0.025, k, n - k + 1), rel=1e-6)
        assert found.high == pytest.approx(stats.beta.ppf(0.975, k + 1, n - k), rel=1e-6)
        assert found.upper == pytest.approx(stats.beta.ppf(0.95, k + 1, n - k), rel=1e-6)
    assert (proportion(0, 0).low, proportion(0, 0).high) == (0.0, 1.0)
    with pytest.raises(ValueError, match="count = 3 of n = 2"):
        proportion(3, 2)


def test_runs_chosen_from_a_width_are_enough_and_not_more() -> None:
    for width in (0.1, 0.01, 0.006):
        n = runs_for_width(width, 0.01)
        enough, fewer = proportion(round(0.01 * n), n), proportion(round(0.01 * (n - 1)), n - 1)
        assert enough.high - enough.low <= width < fewer.high - fewer.low
    with pytest.raises(ValueError, match="width = 0"):
        runs_for_width(0.0, 0.01)


def test_mcnemar_is_the_exact_binomial() -> None:
    assert mcnemar(1, 9) == pytest.approx(2 * 11 / 1024)
    assert mcnemar(0, 0) == 1.0
    for b, c in ((3, 17), (8, 34), (125, 0), (12, 12)):
        assert mcnemar(b, c) == pytest.approx(min(1.0, 2 * stats.binom.cdf(min(b, c), b + c, 0.5)))
        assert mcnemar(b, c) == mcnemar(c, b)


def test_survival_agrees_with_the_library_on_censored_times() -> None:
    rng = np.random.default_rng(1)
    times = rng.integers(1, 30, 200).astype(float)
    decided = rng.random(200) < 0.6
    at, left = survival(times, decided)
    other = stats.ecdf(stats.CensoredData(uncensored=times[decided], right=times[~decided])).sf
    np.testing.assert_allclose(left, other.evaluate(at), rtol=1e-12)
    assert not len(survival(times, np.zeros(200, dtype=bool))[0])


def report(out: Path, plan: ValidationPlan, **how: Any) -> dict[str, bytes]:
    found = tables(work(plan, out, **how))
    return {path.name: path.read_bytes() for path in write(out, plan, found, targets(plan, found))}


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return report(tmp_path_factory.mktemp("alone"), PLAN, jobs=1)


def test_two_processes_give_the_same_report(alone: dict[str, bytes], tmp_path: Path) -> None:
    assert report(tmp_path, PLAN, jobs=2) == alone
    assert report(tmp_path / "again", replace(PLAN, seed=2), jobs=1) != alone


def test_an_interrupted_validation_goes_on(alone: dict[str, bytes], tmp_path: Path) -> None:
    class Stop(Exception):
        pass

    def stop_at_three(done: int, total: int, runs: int) -> None:
        if done == 3:
            raise Stop

    with pytest.raises(Stop):
        work(PLAN, tmp_path, jobs=1, progress=stop_at_three)
    kept = (tmp_path / CELLS).read_text().splitlines()
    assert len(kept) == 1 + 3
    (tmp_path / CELLS).write_text("\n".join(kept)[:-40])  # and the last line was cut off
    seen: list[int] = []
    assert report(tmp_path, PLAN, jobs=1, progress=lambda done, total, runs: seen.append(done)) == alone
    assert seen[0] == 2
    seen.clear()
    assert report(tmp_path, PLAN, jobs=1, progress=lambda done, total, runs: seen.append(done)) == alone
    assert seen == [len(list(PLAN.cells()))]  # nothing was left to do


def test_results_of_other_settings_are_not_mixed(tmp_path: Path) -> None:
    small = replace(PLAN, sources=("gaussian",), sizes_nv=(0.0,), response_sources=(), runs=10)
    work(small, tmp_path, jobs=1)
    work(replace(small, runs=20), tmp_path, jobs=1)  # more runs of the same thing may be added
    with pytest.raises(ResumeError, match="another plan"):
        work(replace(small, setup=replace(SMALL, alpha=0.05)), tmp_path, jobs=1)


def test_noise_is_identical_for_every_rule_and_size() -> None:
    """A rule's own row does not depend on which rules ran beside it, and runs are the same whatever cell they fall into."""
    both = run_cell(PLAN, Cell("gaussian", 0.0, 0, 20))
    one = run_cell(replace(PLAN, rules=("fsp",)), Cell("gaussian", 0.0, 0, 20))
    assert one["decided"]["fsp"] == both["decided"]["fsp"]
    later = run_cell(PLAN, Cell("gaussian", 0.0, 10, 10))
    assert later["left_nv"] == pytest.approx(both["left_nv"][10:], abs=2e-3)


def test_tables_count_what_happened(alone: dict[str, bytes]) -> None:
    rows = list(csv.DictReader(alone["results.csv"].decode().splitlines()))
    found = {(row["source"], row["size_nv"], row["rule"]) for row in rows}
    assert found >= {("gaussian", "0.0", "evidence"), ("bursts", "0.0", "fsp"), ("gaussian", "800.0", "oracle")}
    for row in rows:
        assert int(row["present"]) + int(row["absent"]) + int(row["inconclusive"]) == int(row["runs"])
    loud = {row["rule"]: row for row in rows if row["size_nv"] == "800.0"}
    assert float(loud["oracle"]["mean_sweeps"]) < float(loud["evidence"]["mean_sweeps"]) < float(loud["fsp"]["mean_sweeps"])
    content = json.loads(alone["results.json"])
    identities = content["rules"]
    assert all(row["identity"] == identities[row["rule"]] for row in rows if row["rule"] != "oracle")
    assert content["seed"] == 1
    pair = next(p for p in content["pairs"] if (p["first"], p["second"], p["size_nv"]) == ("evidence", "fsp", 800.0))
    one, two = (int(loud[name]["present"]) for name in ("evidence", "fsp"))
    assert pair["only_first"] - pair["only_second"] == one - two
    page = alone["report.html"].decode()
    assert page.count("<svg") == 3
    assert "http" not in re.sub(r'\bxmlns(:xlink)?="http://www.w3.org/[^"]*"', "", page)  # nothing is fetched
    ids = re.findall(r'\bid="([^"]*)"', page)
    assert len(set(ids)) == len(ids)


def test_forecasts_and_averages_are_counted_by_the_way_runs_end() -> None:
    """Four runs, foretold at 512 sweeps: in the range, sooner, later; one had been decided."""
    decided = {
        "outcome": "0012", "sweeps": [800, 528, 1600, 256], "noise_nv": [30.0, 40.0, 15.0, 60.0],
        "left_nv": [33.0, 50.0, 15.0, 60.0], "amplitude": [1.1, 1.3, 0.8, None],
    }  # fmt: skip
    foretold = {"at": 512, "low": [160, 160, 160, None], "high": [320, 320, 320, None], "limit": [0.05, 0.05, 0.6, None]}
    nothing = [None] * 4
    cell = {"source": "quiet", "size_nv": 100.0, "first": 0, "count": 4, "decided": {"evidence": decided},
            "estimated_nv": nothing, "left_nv": nothing, "foretold": [foretold]}  # fmt: skip
    found = tables([cell])
    counts = [(c.ending, c.covered.count, c.covered.n, c.below, c.above, c.expected.count) for c in found.coverages]
    assert counts == [("response_present", 1, 2, 1, 0, 2), ("response_absent", 0, 1, 0, 1, 0)]
    present = found.at_stop[0]
    assert (present.ending, present.runs) == ("response_present", 2)
    assert present.amplitude_error == pytest.approx(0.2)
    assert present.noise_error == pytest.approx(np.sqrt((30**2 + 40**2) / (33**2 + 50**2)) - 1)
    judged = {t.what: t for t in targets(PLAN, found)}
    assert judged["forecast, gaussian and quiet, runs that end present"].state == "too few runs"
    assert judged["forecast, gaussian and quiet, runs that end undecided"].state == "not measured"
    many = replace(found.coverages[1], ending="inconclusive", covered=proportion(180, 200), expected=proportion(30, 200))
    judged = {t.what: t for t in targets(PLAN, replace(found, coverages=(many,)))}
    assert judged["forecast, gaussian and quiet, runs that end undecided"].state == "met"
    assert judged['"decision expected" said where the sweeps ran out first'].state == "MISSED"
    few = replace(many, covered=proportion(8, 10), expected=proportion(0, 10))
    judged = {t.what: t for t in targets(PLAN, replace(found, coverages=(few,)))}
    assert judged["forecast, gaussian and quiet, runs that end undecided"].state == "too few runs"
    assert judged['"decision expected" said where the sweeps ran out first'].state == "too few runs"
    many = replace(many, ending="response_absent")
    judged = {t.what: t for t in targets(PLAN, replace(found, coverages=(many,)))}
    assert judged["forecast, gaussian and quiet, runs that end absent"].state == "MISSED"
    wrong = replace(present, rule="evidence@20", size_nv=300.0, runs=200)
    judged = {t.what: t for t in targets(PLAN, replace(found, at_stop=(wrong,)))}
    assert judged["amplitude at the stop, evidence@20, each size from 200 nV"].state == "MISSED"


def test_targets_are_judged_by_the_limit_and_shortfalls_are_said(alone: dict[str, bytes], tmp_path: Path) -> None:
    found = tables(work(PLAN, tmp_path, jobs=1))
    row = found.row("bursts", 0.0, "evidence")
    assert row is not None

    def with_alarms(count: int, n: int) -> Tables:
        changed = replace(row, present=proportion(count, n))
        return replace(found, rows=tuple(changed if r is row else r for r in found.rows))

    def state(count: int, n: int) -> str:
        return next(t.state for t in targets(PLAN, with_alarms(count, n)) if t.what == "false alarms, bursts")

    assert state(38, 5000) == "met"
    assert state(38, 4000) == "met"
    assert state(51, 5000) == "MISSED"
    assert state(60, 5000) == "MISSED"
    assert state(1, 100) == "too few runs"
    assert state(2, 100) == "too few runs"  # more than 1 %, but nothing is proved by it
    assert state(30, 100) == "MISSED"
    noisy = replace(found, residuals=(Residual("gaussian", 104.0, 100.0, 0.04, 0.001), Residual("bursts", 1.0, 1.0, 0.0, 0.0)))
    judged = {t.what: t for t in targets(PLAN, noisy)}
    assert judged["residual noise, gaussian"].state == "MISSED"
    assert "by 1.0 %" in judged["residual noise, gaussian"].note
    assert judged["residual noise, bursts"].state == "met"
    assert "not measured" in {t.state for t in targets(PLAN, found)}  # there were no runs at 300 nV
    assert "MISSED" in text(PLAN, noisy, list(judged.values()))


def validate(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "quietfloor.monitor.cli", "validate", *map(str, arguments)]
    return warm.run(command, cwd=cwd, capture_output=True, text=True, timeout=patience(60), check=False)


def test_a_recording_of_pure_noise_from_end_to_end(tmp_path: Path) -> None:
    rate_hz = 8000.0
    noise = np.random.default_rng(5).normal(0.0, 4.0, int(60 * rate_hz)).astype(np.float32)
    noise[200_000:200_100] = np.nan  # a gap
    np.savez(tmp_path / "quiet-room.npz", uv=noise, rate_hz=rate_hz)
    done = validate(
        "--recording", "quiet-room.npz", "--rules", "evidence,fsp:bonferroni", "--runs", "40", "--max-sweeps", "512",
        "--alpha", "0.02", "--jobs", "1", "--out", "found", cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    content = json.loads((tmp_path / "found" / "results.json").read_text())
    row = next(row for row in content["rows"] if row["rule"] == "evidence")
    assert row["recording"] == str(tmp_path / "quiet-room.npz") == content["recording"]["file"]
    assert content["recording"]["sha256"] == hashlib.sha256((tmp_path / "quiet-room.npz").read_bytes()).hexdigest()
    assert content["recording"]["separate_runs"] == pytest.approx(60 / (512 / 47.1), rel=0.02)
    interval = proportion(row["present"], 40)
    assert (row["low"], row["high"]) == (pytest.approx(interval.low), pytest.approx(interval.high))
    for words in ("quiet-room.npz", content["recording"]["sha256"][:16], content["rules"]["evidence"], "separate runs"):
        assert words in done.stdout
        assert words in (tmp_path / "found" / "report.html").read_text()
    assert f"{100 * interval.low:.2f}-{100 * interval.high:.2f} %" in done.stdout


PLAN_OF_A_MUTED_RUN = """
[stream]
name = "amp"
eeg = ["Cz-M2"]
trigger = "trigger"
[sound]
level_db_fs = -30
muted = true
rate_per_s = 41.3
[analysis]
band_hz = [150, 1200]
[decision]
alpha = 0.05
max_sweeps = 512
"""


def test_a_muted_run_brings_its_own_settings(tmp_path: Path) -> None:
    """The journal of a run whose second channel is not noise at all, with a gap in the middle."""
    folder = tmp_path / "run-001"
    folder.mkdir()
    (folder / "plan.toml").write_text(PLAN_OF_A_MUTED_RUN)
    rng = np.random.default_rng(7)
    amplifier = StreamDescription("amp", "EEG", "sn", "host", "uid", 1.0, 2, 8000.0, "float32", ("trigger", "Cz-M2"), ("V", "uV"))
    with Journal(folder / "raw.xdf", [amplifier]) as journal:
        for begin_s in (10.0, 25.0):
            samples = np.stack([np.tile(np.repeat([0.0, 1.0], 100), 400), rng.normal(0.0, 4.0, 80_000)]).astype(np.float32)
            journal.samples(Chunk(samples, begin_s + np.arange(80_000) / 8000.0))
    plan = plan_from(parser().parse_args(["--recording", str(folder), "--rules", "evidence", "--runs", "20"]))
    assert plan.setup.alpha == 0.05
    assert plan.setup.grid.band_hz == (150.0, 1200.0)
    assert plan.presentation.rate_per_s == 41.3
    assert [len(piece) for piece in plan.loaded.pieces] == [len(plan.loaded.pieces[0])] * 2  # cut at the gap
    assert plan.loaded.channel == "Cz-M2"
    assert plan.loaded.duration_s == pytest.approx(20.0, abs=0.2)
    record = run_cell(plan, next(plan.cells()))
    left = np.sqrt(np.mean(np.square(record["left_nv"])))
    white = 1e3 * 4.0 * np.sqrt((1200 - 150) / 4000)  # nV, what the band leaves of it
    assert left == pytest.approx(white / np.sqrt(512), rel=0.1)
    arguments = ["--recording", str(folder), "--channel", "1", "--alpha", "0.01", "--rules", "evidence"]
    other = plan_from(parser().parse_args(arguments))
    assert (other.loaded.channel, other.setup.alpha) == ("trigger", 0.01)
    assert other.identity != plan.identity


def test_the_schedule_is_that_of_the_plan_or_as_asked(tmp_path: Path) -> None:
    def pauses_s(sound: str, *arguments: str) -> tuple[float, ...]:
        (tmp_path / "plan.toml").write_text(sound)
        given = ["--rules", "evidence", *(["--plan", str(tmp_path / "plan.toml")] if sound else []), *arguments]
        plan = plan_from(parser().parse_args(given))
        assert plan.setup.evidence.block_units == (1 if plan.presentation.pauses_s else 2)
        identities.add(plan.identity)
        return plan.presentation.pauses_s

    identities: set[str] = set()
    own = "[sound]\nlevel_db_fs = -30\n"
    assert pauses_s("") == pauses_s(own) == pauses_s(own, "--schedule", "pause") == (1 / 50, 1 / 60)
    assert len(identities) == 1
    assert pauses_s(own + "mains_hz = [50]") == (1 / 50,)
    assert pauses_s(own + "mains_hz = [50]\nrandom_pause = false", "--schedule", "pause") == (1 / 50,)
    assert pauses_s(own + "random_pause = false") == pauses_s("", "--schedule", "fixed") == ()
    assert len(identities) == 3
    with pytest.raises(ValueError, match="random_interval_ms = 4: synthetic noise is cut at even intervals: leave it out"):
        pauses_s(own + "random_interval_ms = 4")
    with pytest.raises(ValueError, match="name them in the plan"):
        pauses_s(own + "mains_hz = []", "--schedule", "pause")


def test_the_rule_of_a_plan_is_validated_under_the_identity_of_its_runs(tmp_path: Path) -> None:
    """A report and a run.json name the same rule, with the same hash, when every setting is the same."""
    (tmp_path / "plan.toml").write_text('[sound]\nlevel_db_fs = -30\n[decision]\nrule = "fsp:bonferroni"\nlook_every = 512\n')
    plan = plan_from(parser().parse_args(["--plan", str(tmp_path / "plan.toml")]))
    assert plan.rules == ("fsp:bonferroni", "evidence", "fsp", "hotelling")
    live = load_plan(tmp_path / "plan.toml").engine_settings(Layout(16_000.0, ("Cz", "trigger"), (0,), 1))
    assert plan.chains[0].identity == live.identity
    assert plan.chains[0].rules == live.analysis.rules
    assert plan.chains[1].identity != live.identity
    other = plan_from(parser().parse_args(["--plan", str(tmp_path / "plan.toml"), "--window", "5,16"]))
    assert other.chains[0].identity != live.identity


def test_the_report_states_the_pauses() -> None:
    def said(pauses_s: tuple[float, ...]) -> str:
        return text(replace(PLAN, presentation=Presentation(pauses_s=pauses_s)), tables([]))

    assert "after each unit a random pause of 0-20 + 0-16.7 ms" in said((1 / 50, 1 / 60))
    assert "no random pauses" in said(())


def test_sweeps_cut_before_and_files_that_cannot_serve(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    np.save(tmp_path / "sweeps.npy", np.random.default_rng(6).normal(0.0, 2.0, (400, 89)))
    small = ["--rules", "evidence", "--runs", "10", "--max-sweeps", "320", "--jobs", "1", "--out", str(tmp_path / "out")]
    assert main(["--recording", str(tmp_path / "sweeps.npy"), *small]) == 2
    assert "give --rate" in capsys.readouterr().err
    assert main(["--recording", str(tmp_path / "sweeps.npy"), "--rate", "4000", *small]) == 0
    assert "channel sweeps" in capsys.readouterr().out
    np.save(tmp_path / "short.npy", np.zeros(1000))
    for arguments, words in (
        (["--recording", str(tmp_path / "none.xdf")], "none.xdf"),
        (["--recording", str(tmp_path / "short.npy"), "--rate", "4000", *small[:-1], str(tmp_path / "o2")], "record longer"),
        (["--noise", "loud"], "noise 'loud' is unknown"),
        (["--rules", "magic"], "rule 'magic' is unknown"),
        (["--alpha", "2"], "alpha = 2"),
        (["--runs", "0"], "runs"),
    ):
        assert main([*arguments]) == 2
        assert words in capsys.readouterr().err


@pytest.mark.long
def test_targets_command_prints_the_table(tmp_path: Path) -> None:
    few = ("--runs", "20", "--max-sweeps", "512", "--jobs", "1")
    done = validate("--targets", "--noise", "gaussian,mains-locked", *few, cwd=tmp_path)
    assert done.returncode == 1, done.stderr  # with so few runs nothing can be proved, and it says so
    for words in ("false alarms, mains-locked", "x the oracle", "x the valid Fsp rule", "residual noise, gaussian", "forecast",
                  "too few runs", "targets met"):  # fmt: skip
        assert words in done.stdout
    assert "seed 1" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM to catch")
def test_whoever_ends_the_command_ends_its_work(tmp_path: Path) -> None:
    much = ("--rules", "evidence", "--runs", "100000", "--max-sweeps", "6144", "--jobs", "1", "--out", str(tmp_path / "out"))
    with warm.Popen(
        [sys.executable, "-m", "quietfloor.monitor.cli", "validate", *much], stderr=subprocess.PIPE, text=True
    ) as command:
        assert command.stderr is not None
        assert "quietfloor: plan" in command.stderr.readline()
        command.terminate()
        assert "the same command goes on from there" in command.stderr.read()  # to the end: nobody writes to it any more
        assert command.wait(patience(30)) == 1


@pytest.mark.long
def test_a_dask_scheduler_with_two_workers(alone: dict[str, bytes], tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    here = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0"}
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, **here) as cluster:
        assert report(tmp_path, PLAN, cluster=cluster.scheduler_address) == alone


@pytest.mark.long
@pytest.mark.parametrize(("coin", "least", "most"), [(False, 0.7, 1.0), (True, 0.0, 0.05)])
def test_an_artefact_that_alternates_is_no_response_where_a_coin_says_how_units_begin(
    coin: bool, least: float, most: float, tmp_path: Path
) -> None:
    """40 runs: without the coin nearly all are false alarms; with it at most 2, above the 0.4 that 1 % makes."""
    path = tmp_path / "plan.toml"
    path.write_text(f"[sound]\nlevel_db_fs = -40\nrandom_polarity = {str(coin).lower()}\n", encoding="utf-8")
    how = ["--plan", str(path), "--rules", "evidence", "--noise", "alternating-artefact", "--runs", "40"]
    plan = plan_from(parser().parse_args(how))
    found = tables(work(plan, tmp_path / "out", jobs=1))
    row = found.row("alternating-artefact", 0.0, "evidence")
    assert row is not None
    assert least <= row.present.rate <= most
