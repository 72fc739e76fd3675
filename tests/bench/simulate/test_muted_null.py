"""A live muted loop as a null source: real triggers, the sweeps of a live run, and crosstalk that is found for what it is."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.bench.simulate.muted_null import Loop, MutedDraws, MutedRun
from quietfloor.bench.simulate.noises import run_seeds
from quietfloor.bench.simulate.recordings import RecordingError
from quietfloor.bench.validate.error_rate import main
from quietfloor.bench.validate.options import parser, plan_from
from quietfloor.bench.validate.plan import Cell, ValidationPlan
from quietfloor.bench.validate.tables import tables
from quietfloor.bench.validate.work import run_cell, work
from quietfloor.monitor.core.analysis import RunningAnalysis
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import LookDone, UnitDone
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.frames import TRIGGER_S, UNIT_TRIGGER_S, trigger_pulse
from quietfloor.stimuli.schedule import Schedule
from tests.synthetic import coloured_uv, spread_pulse, wave_v_uv

AUDIO_HZ = 48_000.0
GAPPY_HZ = 8000.0
# What a sweep depends on around its onset, in samples at 8 kHz: the epoch of -2 to 20 ms, 16 points of margin and 16 of the
# interpolator on either side, and half a filter of 293 points.
BEFORE, BEHIND = 16 + 16 + 16 + 146, 160 + 16 + 16 + 146
PLAN = """
[stream]
name = "amp"
eeg = ["Cz-M2", "Cz-M1"]
trigger = "trigger"
unit = "uV"
[sound]
level_db_fs = -30
muted = true
seed = 5
[decision]
alpha = 0.05
max_sweeps = 512
"""
PLAN_768 = PLAN.replace("512", "768")


def schedule(n_sweeps: int) -> Schedule:
    return Schedule(47.1, AUDIO_HZ, n_sweeps=n_sweeps, seed=5, lead_in_s=1.3)


def keep(session: Path, rows: np.ndarray, rate_hz: float, plan: str = PLAN, lost: tuple[int, ...] = ()) -> RunFolder:
    """The folder of a run with these samples (Cz-M2, Cz-M1, trigger); 0.1 s is missing before each of ``lost``."""
    folder = RunFolder.create(session)
    folder.write_text("plan.toml", plan)
    units = ("uV", "uV", "V")
    amplifier = StreamDescription("amp", "EEG", "sn", "h", "u", 1.0, 3, rate_hz, "float32", ("Cz-M2", "Cz-M1", "trigger"), units)
    kept = np.ones(rows.shape[1], dtype=bool)
    for at in lost:
        kept[at - round(0.1 * rate_hz) : at] = False
    stamps_s = 50.0 + np.flatnonzero(kept) / rate_hz
    with Journal(folder.raw, [amplifier]) as journal:
        journal.samples(Chunk(rows[:, kept].astype(np.float32), stamps_s))
    return folder


def stream(
    n_sweeps: int, rate_hz: float = 4000.0, crosstalk_nv: float = 0.0, noise_uv: float = 2.0, seed: int = 3
) -> tuple[np.ndarray, np.ndarray]:
    """Rows (3, n) of noise and triggers as the schedule gives them, with a wave in step with each; and the onsets in samples."""
    onsets = schedule(n_sweeps).onsets(n_sweeps) / AUDIO_HZ * rate_hz
    n = int(onsets[-1] + 0.3 * rate_hz)
    eeg = coloured_uv(np.random.default_rng(seed), (2, n), rate_hz, noise_uv) + 300.0
    if crosstalk_nv:
        for onset in onsets:
            span = np.arange(int(onset), int(onset + 0.03 * rate_hz))
            eeg[0, span] += wave_v_uv((span - onset) * 1e3 / rate_hz, nv=crosstalk_nv)
    first = np.arange(n_sweeps) % 16 == 0
    line = spread_pulse(n, onsets[first], rate_hz, 1.0) + spread_pulse(n, onsets[~first], rate_hz, 0.5)
    return np.vstack([eeg, line]), onsets


def planned(folder: RunFolder, *options: str) -> ValidationPlan:
    return plan_from(parser().parse_args(["--muted", str(folder.path), "--rules", "evidence", *options]))


def run_of(plan: ValidationPlan) -> MutedRun:
    assert plan.muted is not None
    return plan.muted


@pytest.fixture(scope="module")
def gappy(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFolder, np.ndarray, np.ndarray]:
    """640 sweeps of noise: samples are lost inside a unit and over the start of one, and once a value is not finite."""
    rows, onsets = stream(640, GAPPY_HZ)
    rows[0, 20_000:40_000] *= 3.0  # something for the criteria
    rows[1, int(onsets[300]) + 60] = np.nan
    lost = (int(onsets[104]) + 80, int(onsets[498]) + 80)
    return keep(tmp_path_factory.mktemp("gappy"), rows, GAPPY_HZ, lost=lost), rows, onsets


def bad_samples(rows: np.ndarray, onsets: np.ndarray) -> np.ndarray:
    """Of the samples before any was lost: which are missing or cannot be used (n,)."""
    bad = ~np.isfinite(rows).all(axis=0)
    for number in (104, 498):
        bad[int(onsets[number]) + 80 - 800 : int(onsets[number]) + 80] = True
    return bad


def units_of(presented: list[int]) -> list[list[int]]:
    """Sweeps by number, put into units: a marked one begins a unit, and 16 end it."""
    units: list[list[int]] = []
    for number in presented:
        if not units or number % 16 == 0 or len(units[-1]) == 16:
            units.append([])
        units[-1].append(number)
    return units


def slowly(eeg: np.ndarray, run: MutedRun, onset: float) -> np.ndarray:
    """The sweep of one onset the long way: filter a stretch around it, make it 16 x finer, take the values."""
    band, epoch = run.settings.band, run.settings.epoch
    assert (band.step, len(band.bandpass)) == (1, 293)
    begin = int(onset) - 2000
    fine = signal.resample(np.convolve(eeg[begin : begin + 4000], band.bandpass, "same"), 16 * 4000)
    times_ms = epoch.first_ms + np.arange(epoch.n_times) * 1e3 / GAPPY_HZ
    return np.interp(16 * (onset - begin + times_ms * 1e-3 * GAPPY_HZ), np.arange(len(fine)), fine)


def test_sweeps_lie_at_the_real_triggers(gappy: tuple[RunFolder, np.ndarray, np.ndarray]) -> None:
    """Which sweeps there are, in which units, which of them can be used, and what is in them, from the true onsets alone."""
    folder, rows, onsets = gappy
    plan = planned(folder)
    loop, bad = plan.loop, bad_samples(rows, onsets)
    presented = [number for number, onset in enumerate(onsets) if not bad[int(onset) : int(onset) + 8].any()]
    units = units_of(presented)[: len(loop.sweeps)]  # the last one may wait for samples that never come
    assert len(units) == len(loop.sweeps) >= 40
    assert {len(unit) for unit in units} > {16}
    unusable = 0
    for unit, sweeps, usable in zip(units, loop.sweeps, loop.usable, strict=True):
        for place in range(16):
            onset = onsets[unit[place]] if place < len(unit) else np.nan
            good = place < len(unit) and not bad[int(onset) - BEFORE : int(onset) + BEHIND + 1].any()
            assert usable[place] == good
            unusable += not good
            if good:
                error_uv = sweeps[place] - slowly(rows[0], run_of(plan), onset)
                assert np.abs(error_uv).max() < 0.05 * np.abs(sweeps[place]).max()
            else:
                assert not sweeps[place].any()
    short = sum(16 - len(unit) for unit in units)
    assert sum(loop.left_out.values()) + short == unusable > 15
    assert (~loop.presented).sum() == short
    assert loop.sha256 == hashlib.sha256(folder.raw.read_bytes()).hexdigest()
    assert (loop.channel, loop.name) == ("Cz-M2", str(folder.path))


def test_in_order_they_are_the_live_run(gappy: tuple[RunFolder, np.ndarray, np.ndarray]) -> None:
    """The analysis, fed with the sweeps as a simulation feeds it, makes the looks of the engine: faults and criteria alike."""
    folder, rows, onsets = gappy
    plan = planned(folder, "--max-sweeps", "640")
    loop = plan.loop
    kept = ~bad_samples(rows, onsets) | ~np.isfinite(rows).all(axis=0)
    stamps_s = 50.0 + np.flatnonzero(kept) / GAPPY_HZ
    engine = Engine(replace(run_of(plan).settings, alpha=1e-6, floor_nv=1.0, max_sweeps=100_000))
    events = engine.feed(Chunk(rows[:, kept].astype(np.float32), stamps_s))
    looks = [event for event in events if isinstance(event, LookDone)]
    done = [event for event in events if isinstance(event, UnitDone)]
    analysis = RunningAnalysis(plan.setup.analysis(plan.chains[0].rules), (1,))
    draws = MutedDraws(loop, [np.random.SeedSequence(0)])
    draws._at[:] = 0
    assert len(looks) == len(loop.sweeps) >= 40
    rejected = 0
    for live, look in zip(done, looks, strict=True):
        found = analysis.update(draws.unit(), draws.usable, draws.presented)  # type: ignore[arg-type]
        assert found.look is not None
        accepted = [why is None for why in live.left_out]
        assert found.accepted[0, : len(accepted)].tolist() == accepted
        assert not found.accepted[0, len(accepted) :].any()
        assert found.look.figures.sweeps_accepted[0] == look.sweeps_accepted
        assert found.look.figures.sweeps_presented[0] == look.sweeps_presented
        assert found.look.figures.residual_noise_nv[0] == pytest.approx(look.residual_noise_nv, rel=1e-4, nan_ok=True)
        assert found.look.figures.evidence_log10[0] == pytest.approx(look.evidence, rel=1e-3, abs=1e-4, nan_ok=True)
        rejected += sum(why in ("peak", "slope") for why in live.left_out)
    assert rejected > 0


def some(units: int) -> Loop:
    sweeps = np.arange(units, dtype=np.float32)[:, np.newaxis, np.newaxis] + np.zeros((units, 16, 5), dtype=np.float32)
    return Loop("run", "", "Cz", 1.0, sweeps, np.ones((units, 16), dtype=bool), np.ones((units, 16), dtype=bool), {})


def test_a_run_begins_at_a_random_unit_and_keeps_the_order() -> None:
    loop, seeds = some(7), run_seeds(3, "muted", range(40))
    together, later = MutedDraws(loop, seeds), MutedDraws(loop, seeds[25:])
    found = np.stack([together.unit() for _ in range(7)])
    np.testing.assert_array_equal(np.stack([later.unit() for _ in range(7)]), found[:, 25:])
    assert found.shape == (7, 40, 16, 5)
    begins = found[0, :, 0, 0]
    assert set(begins) == set(range(7))
    for run, begin in enumerate(begins):
        assert found[:, run, 3, 2].tolist() == [(begin + k) % 7 for k in range(7)]
    with pytest.raises(RecordingError, match="the same noise twice"):
        together.unit()
    draws = MutedDraws(loop, seeds)
    draws.unit()[:] += 100.0  # a response is added to what a run got
    assert loop.sweeps.max() == 6.0


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Ten runs of 768 sweeps of pure noise, 1 uV."""
    return keep(tmp_path_factory.mktemp("quiet"), stream(10 * 768 + 16, noise_uv=1.0)[0], 4000.0, PLAN_768)


@pytest.fixture(scope="module")
def coupled(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """The same with a wave of 300 nV in step with the trigger."""
    return keep(tmp_path_factory.mktemp("coupled"), stream(10 * 768 + 16, crosstalk_nv=300.0, noise_uv=1.0)[0], 4000.0, PLAN_768)


def rate(plan: ValidationPlan, out: Path) -> float:
    row = tables(work(plan, out, jobs=1)).row(plan.sources[0], 0.0, "evidence")
    assert row is not None
    return row.present.rate


def test_noise_alone_keeps_alpha(quiet: RunFolder, tmp_path: Path) -> None:
    plan = planned(quiet, "--runs", "200")
    assert plan.sources == ("muted",)
    assert plan.loop.sweeps.shape[:2] == (481, 16)
    assert plan.loop.usable.all()
    assert plan.setup.alpha == 0.05
    assert rate(plan, tmp_path) <= 0.05


def test_crosstalk_is_found_and_reported_apart(coupled: RunFolder, tmp_path: Path) -> None:
    """Far more alarms than alpha with the real triggers; the same recording with random onsets shows nothing of it."""
    out = tmp_path / "found"
    arguments = ["--rules", "evidence,fsp:bonferroni", "--runs", "120", "--seed", "2"]
    assert main(["--muted", str(coupled.path), *arguments, "--jobs", "1", "--out", str(out)]) == 0
    rows = list(csv.DictReader((out / "results.csv").read_text().splitlines()))
    assert {row["source"] for row in rows} == {"muted"}
    assert {row["recording"] for row in rows} == {str(coupled.path)}
    evidence = next(row for row in rows if row["rule"] == "evidence")
    assert float(evidence["low"]) > 0.5
    content = json.loads((out / "results.json").read_text())
    facts = content["muted"]
    sha256 = hashlib.sha256(coupled.raw.read_bytes()).hexdigest()
    assert (facts["run"], facts["sha256"], facts["channel"]) == (str(coupled.path), sha256, "Cz-M2")
    assert facts["sweeps"] == 10 * 768 + 16
    assert facts["separate_runs"] == pytest.approx(10.0, abs=0.1)
    assert "recording" not in content
    for name in ("table.txt", "report.html"):
        said = (out / name).read_text()
        for words in ("10.0 separate runs", sha256[:16], str(coupled.path), "none with a fault", "muted"):
            assert words in said
    command = ["--recording", str(coupled.path), "--rules", "evidence", "--runs", "100"]
    assert rate(plan_from(parser().parse_args(command)), tmp_path / "random") <= 0.05


@pytest.mark.long
def test_reports_do_not_depend_on_the_cores(gappy: tuple[RunFolder, np.ndarray, np.ndarray], tmp_path: Path) -> None:
    """With sweeps that cannot be used, and responses added on top."""
    same = ["--muted", str(gappy[0].path), "--rules", "evidence", "--response", "0,800", "--runs", "120"]
    for jobs in ("1", "2"):
        assert main([*same, "--jobs", jobs, "--out", str(tmp_path / jobs)]) == 0
    for name in ("table.txt", "results.csv", "results.json", "report.html"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()
    said = (tmp_path / "1" / "table.txt").read_text()
    assert "of which unusable" in said
    assert "gap" in said


def test_a_run_does_not_depend_on_those_beside_it(gappy: tuple[RunFolder, np.ndarray, np.ndarray]) -> None:
    plan = planned(gappy[0], "--runs", "120")
    alone, among = run_cell(plan, Cell("muted", 0.0, 60, 10)), run_cell(plan, Cell("muted", 0.0, 0, 100))
    assert alone["decided"]["evidence"]["sweeps"] == among["decided"]["evidence"]["sweeps"][60:70]
    assert alone["left_nv"] == pytest.approx(among["left_nv"][60:70], abs=2e-3)


def test_the_virtual_rig_with_the_sound_muted(tmp_path: Path) -> None:
    """Units are those of the schedule, onsets those of the trigger as the rig's converter sees it, whatever its clock does."""
    onsets = schedule(330).onsets(330)
    frames = np.zeros((3, int(onsets[-1] + 0.2 * AUDIO_HZ)), dtype=np.float32)
    for number, onset in enumerate(onsets):
        pulse = trigger_pulse(TRIGGER_S if number % 16 else UNIT_TRIGGER_S, AUDIO_HZ)
        frames[2, onset : onset + len(pulse)] = pulse
    amplifier = Amplifier.with_channels(2, 4000.0, drift_ppm=60.0)
    rows = VirtualPatient(load_patient("quiet-sleeper"), virtual_earphone(), amplifier, 4).feed(frames)
    folder = keep(tmp_path, rows, 4000.0)
    plan = planned(folder, "--max-sweeps", "320")
    assert plan.loop.sweeps.shape[:2] == (20, 16)
    assert plan.loop.usable.all()
    lasted_s = (onsets[319] - onsets[0]) / AUDIO_HZ * (1 + 60e-6)
    assert plan.loop.duration_s == pytest.approx(lasted_s, abs=1e-4)


def test_settings_come_from_the_run_or_from_a_plan(
    gappy: tuple[RunFolder, np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    """Sound, stream and trigger are the run's own whatever plan is given; channel and settings make another identity."""
    run, real = gappy[0], tmp_path / "real.toml"
    real.write_text(
        '[sound]\nlevel_db_fs = -50\nrate_per_s = 20.3\nrandom_pause = false\n[trigger]\nedge = "falling"\n'
        "[analysis]\nband_hz = [150, 1200]\n[decision]\nalpha = 0.02\nmax_sweeps = 320\n"
    )
    usual, asked = planned(run), planned(run, "--plan", str(real))
    assert (asked.setup.alpha, asked.setup.max_sweeps, asked.setup.grid.band_hz) == (0.02, 320, (150.0, 1200.0))
    assert asked.presentation == usual.presentation
    assert asked.presentation.rate_per_s == 47.1
    assert run_of(asked).settings.trigger == run_of(usual).settings.trigger
    assert asked.setup.evidence.block_units == 1
    other = planned(run, "--channel", "Cz-M1")
    assert other.loop.channel == "Cz-M1"
    assert not np.allclose(other.loop.sweeps, usual.loop.sweeps, atol=0.1)
    limited = planned(run, "--max-sweeps", "320")
    assert len({usual.identity, asked.identity, other.identity, limited.identity}) == 4
    assert usual.identity == planned(run, "--runs", "7").identity


Change = Callable[[RunFolder], object]
SOUND = PLAN.replace("muted = true", "muted = false")
LISTENED = PLAN.partition("[sound]")[0]


@pytest.mark.parametrize(
    ("change", "options", "words"),
    [
        (lambda folder: folder.write_text("plan.toml", SOUND), (), "muted = false under [sound]"),
        (lambda folder: folder.write_text("plan.toml", LISTENED), (), "has no [sound]"),
        (lambda folder: folder.plan.unlink(), (), "has no plan.toml"),
        (lambda folder: folder.raw.unlink(), (), "holds no raw.xdf"),
        (lambda folder: folder.write_text("plan.toml", PLAN.replace('unit = "uV"', "")), (), "give --unit"),
        (lambda folder: folder.write_text("plan.toml", PLAN.replace("muted = true", "muted = 7")), (), "sound.muted"),
        (lambda folder: None, ("--channel", "Oz"), "Oz"),
        (lambda folder: None, ("--channel", "trigger"), "also named as EEG"),
        (lambda folder: None, (), "give --max-sweeps 32 or fewer"),
        (lambda folder: None, ("--rate", "4000"), "--rate"),
        (lambda folder: None, ("--stimulus-rate", "30"), "--stimulus-rate"),
        (lambda folder: None, ("--schedule", "fixed"), "--schedule"),
        (lambda folder: None, ("--recording", "quiet.npz"), "give one of them"),
        (lambda folder: None, ("--noise", "gaussian", "--max-sweeps", "32"), "its own source"),
    ],
)  # fmt: skip
def test_refusals(
    change: Change, options: tuple[str, ...], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = keep(tmp_path, stream(40)[0], 4000.0)
    change(folder)
    assert main(["--muted", str(folder.path), *options, "--out", str(tmp_path / "out")]) == 2
    assert words in capsys.readouterr().err


def test_what_is_no_run_or_has_no_triggers_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows, _ = stream(600)
    rows[2] = 0.0
    dead = keep(tmp_path, rows, 4000.0)
    for path, words in (
        (tmp_path / "none", "there is nothing of that name"),
        (dead.raw, "not the folder of a run"),
        (dead.path, "no trigger for"),
    ):
        assert main(["--muted", str(path), "--out", str(tmp_path / "out")]) == 2
        assert words in capsys.readouterr().err
