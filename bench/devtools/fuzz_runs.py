"""The text files within the folders of runs and sessions, as targets: each is broken in turn, beside whole ones, and read by all
who read it."""

from __future__ import annotations

import datetime
import json
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.fuzz_target import Target
from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.display.ladder import read_ladder
from quietfloor.monitor.display.run_view import moments_of
from quietfloor.monitor.export import material as export
from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.hearing.tables import HearingError
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan
from quietfloor.monitor.report.make import make_report
from quietfloor.monitor.report.material import ReportError, read_material
from quietfloor.monitor.report.record import report_text
from quietfloor.monitor.review.marked_run import MARKS, read, several
from quietfloor.monitor.review.recover import FinishError, finish
from quietfloor.monitor.review.replay import ReplayError, replay
from quietfloor.monitor.run.run_record import begin_record
from quietfloor.monitor.run.timing_certificate import Timing
from quietfloor.monitor.session.recorded_session import PLAN
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.session.session_store import STATE, SessionError
from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.storage.dose_ledger import ExposureError, SessionDose, dose_record
from quietfloor.monitor.storage.folder_lock import InUse
from quietfloor.monitor.storage.level_checks import FILE as LEVEL_CHECK
from quietfloor.monitor.storage.level_checks import last_check
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.waves.marks import Estimate, Mark, Marks
from quietfloor.monitor.waves.norms_file import NormError, load_norms
from quietfloor.stimuli.dose import Dose

SWEEPS = 96
# What each command answers with; see the commands in monitor/commands.
REPORT = (ReportError, SessionError, FolderError, PlanError, HearingError, NormError)
REPLAY = (PlanError, FolderError, InUse, ReplayError, SourceError, XdfError)
FINISH = (FinishError, FolderError, InUse, PlanError, ReplayError, SourceError, XdfError)
SESSION = (PlanError, SessionError, FolderError, HearingError)
Reader = Callable[[Path], object]


def made_session(home: Path) -> Path:
    """A session with two short runs, and every file that may lie in it."""
    session = home / "session"
    plan = plan_for(60.0, max_sweeps=SWEEPS, floor_nv=15.0)
    assert plan.sound is not None
    patient = load_patient("hearing-adult")
    made = [carry_through(plan, patient, session, seed) for seed in (1, 2)]
    sound = {"calibration": plan.sound.calibration, "lead_in_s": 0.5}
    Session.begin(session, make_session_plan({
        "method": "ladder",
        "subject": {"pseudonym": "s07", "age_group": "adult"}, "condition": [{"ear": "right"}, {"ear": "left"}],
        "run": {"stream": {"name": "Virtual EEG", "eeg": ["1"], "trigger": "trigger"}, "sound": sound},
    })).note(1, "quiet")  # fmt: skip
    SessionDose(session).settle("run-001", Dose(1e-3, 1e-3))
    (session / LEVEL_CHECK).write_text(json.dumps({"calibration": made[0]["calibration"], "passed": True}), encoding="utf-8")
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    for record in made:
        folder = RunFolder(Path(record.pop("folder")))
        record["stimulus"] |= {"dose": dose_record(Dose(1e-3, 0.0))}
        folder.write_json(folder.run.name, record | {"started": now})
        mark = Mark("V", Estimate(6.0, 5.9, 6.1), Estimate(300.0, 200.0, 400.0), "operator", 100.0)
        folder.write_json(MARKS, Marks((mark,)).record())
        begun = begin_record("2026-01-01T00:00:00+00:00", sound=record["stimulus"], calibration=record["calibration"],
                             timing=Timing(), acknowledged=None)  # fmt: skip
        folder.write_json("begun.json", begun)
        folder.write_json("check.json", {"good": True, "channels": [{"label": "1", "state": "good", "rms_uv": 3.0}]})
    return session


class InSession:
    """One file of a session, at ``place``, read by ``readers``, each of which may refuse; ``without`` are files that are taken
    away, which is what some readers wait for; ``fresh``: readers change the folder."""

    def __init__(self, place: str, readers: Sequence[Reader], without: Sequence[str] = (), fresh: bool = False) -> None:
        self.place, self.readers, self.without, self.fresh = place, readers, without, fresh
        self._made = Path()

    def seeds(self, home: Path) -> list[bytes]:
        self._made = made_session(home)
        return [(self._made / self.place).read_bytes()]

    def carry(self, data: bytes, scratch: Path) -> None:
        session = scratch / "session"
        if self.fresh and session.exists():
            shutil.rmtree(session)
        if not session.exists():
            shutil.copytree(self._made, session)
            for name in self.without:
                (session / name).unlink()
        (session / self.place).write_bytes(data)
        refused = None
        for reader in self.readers:
            try:
                reader(session)
            except ANSWERS.get(reader, ()) as error:
                refused = refused or error
        if refused is not None:
            raise refused

    def target(self, name: str, *dictionary: bytes) -> Target:
        answers = {kind for reader in self.readers for kind in ANSWERS.get(reader, ())}
        return Target(name, self.seeds, self.carry, tuple(answers), dictionary)


def reported(session: Path) -> None:
    report_text(make_report(read_material(session), suggest_marks=True))


def plainly_reported(session: Path) -> None:
    """As a folder of runs that no session plan speaks of."""
    plan = session / PLAN
    aside = plan.rename(session / "aside")
    try:
        reported(session)
    finally:
        aside.rename(plan)


def waved(session: Path) -> None:
    norms = load_norms()
    runs = [read(session / f"run-{number:03d}", norms) for number in (1, 2)]
    several(runs, norms)
    for run in runs:
        assert run.title
        run.marks.intervals()


def replayed(session: Path) -> None:
    replay(RunFolder.open(session / "run-001"))


def exported(session: Path) -> None:
    export.read_material(session / "run-001")


def finished(session: Path) -> None:
    finish(session / "run-001")


def gone_on(session: Path) -> None:
    """What `quietfloor session` does before and between runs."""
    one = Session.open(session)
    suggestion = one.next()
    one.thresholds()
    one.measured()
    one.suggestions(minutes_left=10.0)
    one.next_search(minutes_left=10.0)
    if suggestion is not None and suggestion.level_db_nhl is not None:
        one.run_plan(suggestion.condition, suggestion.level_db_nhl)


def noted(session: Path) -> None:
    one = Session.open(session)
    one.announce("growth", "to see")
    one.note(1, "movement")


def dosed(session: Path) -> None:
    for but in (None, "run-001"):
        total = SessionDose(session).spent(but)
        assert all(np.isfinite(part) and part >= 0 for part in total.both), total


def shown(session: Path) -> None:
    """What the window makes of it."""
    plan = plan_for(60.0)
    ladder = read_ladder(session, plan.sound, None, running=False)
    for rung in ladder.rungs:
        assert isinstance(rung.words, str)
        for replicate in rung.replicates:
            assert replicate.words
            assert replicate.state
    moments_of(RunFolder(session / "run-001"))


def averaged(session: Path) -> None:
    RunFolder(session / "run-001").read_average()


def checked(session: Path) -> None:
    last_check(session, "any")


def planned(session: Path) -> Plan:
    return load_plan(session / "run-001" / "plan.toml")


ANSWERS: dict[Any, tuple[type[Exception], ...]] = {
    reported: REPORT, plainly_reported: REPORT, waved: (ValueError, FolderError), replayed: REPLAY, finished: FINISH,
    exported: (export.ExportError, XdfError), gone_on: SESSION, noted: SESSION, dosed: (ExposureError,), averaged: (FolderError,),
    planned: (PlanError,),
}  # fmt: skip
RECORD = (b"response_present", b"response_absent", b"inconclusive", b"fault", b"operator", b"replay_of", b"verdict", b"stimulus",
          b"level_db_nhl", b"masking", b"sweeps_accepted", b"stream", b"rate_hz", b"muted", b"ear", b"left", b"bone",
          b"tone-burst")  # fmt: skip
EVENTS = (b'{"type":"look"', b'{"type":"verdict"', b'"sample":', b'"stopped_by":', b'"reason":', b'"type":"notice"',
          b'"what":"note"', b'"at_s":', b'{}\n', b"[]\n", b"null\n")  # fmt: skip
MARK = (b"operator", b"suggested", b"trough", b"III", b"latency_ms", b"amplitude_nv", b"marks", b"intervals", b"null")

RUN_TARGETS: tuple[Target, ...] = (
    InSession("run-001/run.json", (reported, plainly_reported, waved, gone_on, dosed, shown)).target("run.json", *RECORD),
    InSession("run-001/run.json", (replayed, exported, finished), fresh=True).target("run.json-raw", *RECORD),
    InSession("run-001/plan.toml", (reported, waved, planned, dosed)).target("run-plan", b"window_ms", b"analysis", b"sound"),
    InSession("run-001/plan.toml", (replayed, exported)).target("run-plan-replay", b"window_ms", b"band_hz", b"sound"),
    InSession("run-001/events.jsonl", (replayed, shown, gone_on)).target("events", *EVENTS),
    InSession("run-001/events.jsonl", (finished,), ("run-001/run.json", "run-001/average.csv"), fresh=True).target(
        "events-finish", *EVENTS
    ),
    InSession("run-001/begun.json", (finished, reported), ("run-001/run.json",), fresh=True).target("begun", *RECORD),
    InSession("run-001/average.csv", (averaged, reported, waved)).target("average", b"time_ms", b",,,,", b"nan", b"inf"),
    InSession(f"run-001/{MARKS}", (waved, reported)).target("marks", *MARK),
    InSession("run-001/check.json", (reported,)).target("check", b"channels", b"state", b"findings"),
    InSession(STATE, (gone_on, noted, reported)).target("session-state", b"runs", b"coming", b"after", b"purpose", b"notes"),
    InSession(PLAN, (gone_on, reported, exported)).target("session-folder-plan", b"condition", b"subject"),
    InSession("dose.jsonl", (dosed,)).target("dose", b'"left_pa2s": ', b'"run": ', b'"at": ', b"run-002"),
    InSession(LEVEL_CHECK, (checked,)).target("level-check", b"calibration", b"any"),
)  # fmt: skip
