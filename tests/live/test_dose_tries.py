"""Tries to get more sound into an ear than the hard limit: random days of runs, folders, ages, policies, kills, lies; seeded."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.plan.run_plan import PlanError, make_plan
from quietfloor.monitor.run import sound_output
from quietfloor.monitor.run.sound_output import Sound, make_stimulus, spent_by
from quietfloor.monitor.storage import dose_ledger
from quietfloor.monitor.storage.dose_ledger import FILE, ExposureError
from quietfloor.stimuli.dose import HARD_TIMES, WEEK_S, WINDOW_S, limit_pa2s
from quietfloor.stimuli.dose_policy import seal_file

CALIBRATION = str(virtual_calibration())
POLICY = """name = "p"
approval = "a"
approved_by = "b"
reason = "c"
expires = 2027-01-01
age_groups = ["infant", "child"]
day_limit_times = {times}
"""


class Try:
    """One person, several folders, a clock; what was really played is kept apart from every account."""

    def __init__(self, folder: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.random = folder, np.random.default_rng(seed)
        self.now = datetime.datetime(2026, 6, 1, 8, tzinfo=datetime.UTC)
        self.played: list[tuple[datetime.datetime, str, float]] = []  # when, age group, Pa2 s at the right ear
        self.refused: set[str] = set()
        self.runs = 0
        monkeypatch.setattr(dose_ledger, "_now", lambda: self.now)
        monkeypatch.setattr(dose_ledger.SessionDose.__init__, "__defaults__", (lambda: self.now,))
        monkeypatch.setattr(sound_output, "_open", lambda *_: _Silent())
        monkeypatch.setattr(sound_output, "MarkerOutlet", lambda *_, **__: _Silent())
        monkeypatch.setattr(sound_output, "Player", lambda *_: _Silent())
        for name in ("s1", "s2", "s3"):
            (folder / name).mkdir()
            (folder / name / "session-plan.toml").write_text('[subject]\npseudonym = "P01"\n')
        for times in (1.5, 5.0):
            (folder / f"{times}.toml").write_text(POLICY.format(times=times))
            seal_file(folder / f"{times}.toml")
        (folder / "broken.toml").write_text((folder / "1.5.toml").read_text().replace("1.5", "5.0"))
        (folder / "beyond.toml").write_text(POLICY.format(times=50.0) + 'seal = "0123456789abcdef"\n')

    def run(self) -> None:
        """One run: any plan, any of the folders; it may be killed, in the middle of the sound, with or without its last line."""
        draw = self.random
        sound = {
            "calibration": CALIBRATION, "age_group": str(draw.choice(["infant", "child", "adult"])), "random_pause": False,
            "level_db_nhl": float(draw.choice([70.0, 80.0, 82.0])), "rate_per_s": float(draw.choice([21.1, 47.1, 91.1])),
        }  # fmt: skip
        if sound["age_group"] == "infant":
            sound |= {"age_months": float(draw.choice([1.0, 12.0]))} if draw.random() < 0.6 else {}
        if draw.random() < 0.5:
            sound |= {"dose_policy": str(self.folder / f"{draw.choice(['1.5', '5.0', 'broken', 'beyond'])}.toml")}
        if draw.random() < 0.3:
            sound |= {"age_change": "said"}
        if draw.random() < 0.3:
            sound |= {"stimulus": "tone-burst", "frequency_hz": float(draw.choice([500.0, 4000.0]))}
        session = self.folder / str(draw.choice(["s1", "s2", "s3"]))
        self.runs += 1
        name, sweeps = f"run-{self.runs:03d}", int(draw.integers(16, 20_000))
        try:
            plan = make_plan({"sound": sound}).sound
            assert plan is not None
            spent = spent_by(session, plan, self.now.date(), name)
            stimulus = make_stimulus(plan, self.now.date(), spent=spent)
            one = Sound(stimulus)
            one.reserve(session, name, sweeps if draw.random() < 0.5 else max(16, stimulus.most_sweeps(sweeps, spent)))
        except (PlanError, ExposureError) as error:
            self.refused.add(str(error).split(":")[0][:40])
            return
        for _ in range(int(draw.integers(1, 60))):
            stimulus.frames.read(int(draw.integers(1, 4)) * 48_000)
            try:
                if draw.random() < 0.97:  # a stream may stand still
                    one.reserve_more(None, 512)
            except ExposureError:
                break  # the run ends on a fault
            if stimulus.frames.finished:
                break
        self.played.append((self.now, plan.age_group, stimulus.frames.dose.right_pa2s))
        if draw.random() < 0.6:
            one.stop()
        elif draw.random() < 0.5:
            with (session / FILE).open("a") as file:
                file.write('{"run": "run-')  # killed while it wrote: either this is mended, or nothing plays here any more
            if draw.random() < 0.7:
                lines = (session / FILE).read_text().splitlines()
                (session / FILE).write_text("\n".join(line for line in lines if line.endswith("}")) + "\n")

    def most(self, seconds: float) -> float:
        """The largest sum of such a time at the end of a run that played, in limits of a day of the age of that run."""
        sums = [
            sum(dose for at, _, dose in self.played[: last + 1] if (end - at).total_seconds() < seconds) / limit_pa2s(group)
            for last, (end, group, own) in enumerate(self.played)
            if own > 0.0
        ]
        return max(sums)


class _Silent:
    """Stands for device, markers and player: the frames are read by the test, as a player would."""

    underruns: tuple[object, ...] = ()
    underrun_count = 0

    def stop(self) -> None: ...


@pytest.mark.parametrize("seed", range(4))
def test_no_sequence_of_runs_plays_more_than_the_hard_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    tried = Try(tmp_path, seed, monkeypatch)
    for _ in range(60):
        tried.run()
        tried.now += datetime.timedelta(hours=float(tried.random.choice([0.01, 0.2, 2.0, 30.0], p=[0.5, 0.3, 0.15, 0.05])))
    assert tried.played
    assert tried.refused
    assert tried.most(WINDOW_S) <= HARD_TIMES * (1 + 1e-6)
    assert tried.most(WEEK_S) <= HARD_TIMES * (1 + 1e-6)


@pytest.mark.parametrize("times", [None, 5.0])
def test_day_after_day_the_week_has_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, times: float | None) -> None:
    """Whoever takes all of each day comes to the sum of a working week, and no further."""
    tried = Try(tmp_path, 1, monkeypatch)
    sound = {"calibration": CALIBRATION, "age_group": "infant", "level_db_nhl": 82.0, "random_pause": False}
    sound |= {} if times is None else {"dose_policy": str(tmp_path / f"{times}.toml")}
    plan = make_plan({"sound": sound}).sound
    assert plan is not None
    limit, days = limit_pa2s("infant"), []
    for day in range(7):
        session = tmp_path / f"s{day % 3 + 1}"
        stimulus = make_stimulus(plan, tried.now.date(), spent=spent_by(session, plan, tried.now.date()))
        sweeps = stimulus.most_sweeps(10**6, spent_by(session, plan, tried.now.date()))
        one = Sound(stimulus)
        if sweeps >= 16:
            one.reserve(session, f"run-{day:03d}", sweeps)
            while not stimulus.frames.finished and stimulus.frames.position < 48_000 * (sweeps / 47.1 + 30):
                stimulus.frames.read(48_000)
                one.reserve_more(None, 512)
            one.stop()
        days.append(stimulus.frames.dose.right_pa2s / limit)
        tried.now += datetime.timedelta(hours=24.1)
    assert sum(days) == pytest.approx(HARD_TIMES, rel=0.02)
    assert max(days) <= (1.0 if times is None else HARD_TIMES) * (1 + 1e-6)
    assert days[-1] == pytest.approx(0.0, abs=0.01)
    tried.now += datetime.timedelta(days=7)
    assert spent_by(tmp_path / "s1", plan, tried.now.date()).right_pa2s == 0.0
    assert json.loads((tmp_path / "s1" / FILE).read_text().splitlines()[0])["age_group"] == "infant"
