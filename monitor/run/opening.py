"""Opening of a live run from a plan: streams, sound and folder are ready, and nothing has begun. Commands and scripts both use
it."""

from __future__ import annotations

import contextlib
import datetime
import logging
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Self

from quietfloor.monitor.core.engine import Engine, OnSignal
from quietfloor.monitor.plan.cell_table import table_of
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.disk_space import check_room
from quietfloor.monitor.run.publisher import Subscriber
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import NextCell, Run
from quietfloor.monitor.run.run_record import begin_record, run_record
from quietfloor.monitor.run.sound_output import Sound, age_of, make_cells, make_stimulus, open_sound, spent_by
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.record import cells_csv
from quietfloor.monitor.sources.base import StreamDescription, marker_description
from quietfloor.monitor.sources.lsl import LslMarkers, LslSource, find_stream
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.monitor.storage.folder_lock import sole_writer
from quietfloor.monitor.storage.level_checks import last_check
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder

log = logging.getLogger("quietfloor")


class OpenRun:
    """A live run that is open, made by ``open_run``. Call ``run.start``, then ``finish``.

    ``run`` has ``status``, ``wait`` and ``stop``; ``plan`` is the plan as used; ``title`` says in one line what is measured. As a
    context manager it is always closed: a run in progress is stopped and its results are written; a run that never began is
    closed. Until then no other program can write to the session folder.
    """

    def __init__(
        self,
        run: Run,
        plan: Plan,
        title: str,
        sound: Sound | None,
        record: Callable[[], dict[str, Any]],
        remark: Callable[[str], object],
        lock: contextlib.ExitStack,
    ) -> None:
        self.run, self.plan, self.title = run, plan, title
        self._sound, self._record, self._remark, self._lock = sound, record, remark, lock
        self._finished = False

    def finish(self) -> dict[str, Any]:
        """Wait until the run is over, write average.csv and run.json, and return the content of run.json, with ``folder`` added.

        Raises RuntimeError for a run that never began, and for one that is already finished.
        """
        if self._finished or self.run.status.state == "ready":
            raise RuntimeError("this run is finished already" if self._finished else "this run did not begin: call run.start()")
        self.run.wait()
        self._finished = True
        record = write_results(self.run.folder, self._record(), self.run.engine, self._remark, self.run.search)
        if record["fault"] is not None and record["stopped_by"] != "fault":
            self._remark(f"a fault after the decision: {record['fault']}")
        if self._sound is not None and self._sound.limited_samples:
            self._remark(status_text.sound_limited(self._sound.limited_samples))
        return record | {"folder": str(self.run.folder.path)}

    def close(self) -> None:
        """Stop a run in progress and write its results; release all resources."""
        with self._lock:
            if self.run.status.state == "ready":
                self.run.abandon()
            elif not self._finished:
                self.run.stop()
                self.finish()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_run(
    plan: Plan,
    session: Path | str,
    *,
    acknowledged: dict[str, Any] | None = None,
    check: dict[str, Any] | None = None,
    remark: Callable[[str], object] = log.warning,
    optional: Iterable[Subscriber] = (),
    on_signal: OnSignal | None = None,
    on_status: Callable[[Status], None] | None = None,
) -> OpenRun:
    """Find the streams of ``plan``, open its sound, and make a run folder in ``session``, which is locked for other programs
    meanwhile.

    ``acknowledged``: record of the acknowledgement of the cautions. ``check``: record of the check right before this run, kept in
    the run folder as check.json. ``remark`` is called with remarks for the user. ``optional``, ``on_signal`` and ``on_status``
    are passed to Run. Raises PlanError, SourceError, FolderError, JournalError, DiskFull and InUse before anything is played.
    """
    session = Path(session)
    try:
        with contextlib.ExitStack() as lock:
            lock.enter_context(sole_writer(session))
            return _open(
                plan, session, lock, acknowledged, check, remark, optional=optional, on_signal=on_signal, on_status=on_status
            )
    except OSError as error:
        raise FolderError(f"cannot make a run in {session} ({error.strerror or error}): choose another --out") from error


def _open(
    plan: Plan, session: Path, lock: contextlib.ExitStack, acknowledged: dict[str, Any] | None,
    check: dict[str, Any] | None, remark: Callable[[str], object], **listeners: Any,
) -> OpenRun:  # fmt: skip
    stimulus, today = None, datetime.date.today()
    table, played = table_of(plan), NextCell.of(plan)
    if plan.sound is not None:
        account = SessionDose(session)
        account.check_age(age_of(plan.sound))
        spent = spent_by(session, plan.sound, today)
        if table is None:
            stimulus = make_stimulus(plan.sound, today, sweeps=plan.decision.max_sweeps, spent=spent)
        else:
            stimulus = make_cells(table, played, today, spent=spent)
        policy, also = stimulus.policy, (acknowledged or {}).get("also", ())
        if policy is not None and not any(text.startswith(policy.words) for text in also):
            raise PlanError(
                f"sound: dose_policy {policy.short} raises what this person may hear, and nobody acknowledged it: read "
                "the cautions of `quietfloor check` and add --acknowledge, or use the set-up panel of the window"
            )
    with contextlib.ExitStack() as opened:  # closed again when one of the later ones cannot be opened
        source = LslSource(find_stream(plan.stream.name, plan.stream.source_id, plan.stream.wait_s))
        opened.callback(source.close)
        resolved = resolve(plan, source.description, stimulus, today=today)
        plan = resolved.plan
        for said in resolved.warnings:
            remark(said)
        check_room(session, plan, source.description)
        sound = None if stimulus is None else open_sound(stimulus)
        if sound is not None:
            opened.callback(sound.close)
            opened.callback(sound.stop)
        marker_stream: StreamDescription = marker_description()
        markers = None
        if sound is not None:
            markers = LslMarkers(find_stream(source_id=sound.marker_source_id, wait_s=plan.stream.wait_s))
        elif plan.stream.markers is not None:
            markers = LslMarkers(find_stream(plan.stream.markers, wait_s=plan.stream.wait_s))
        if markers is not None:
            opened.callback(markers.close)
            marker_stream = markers.description
        folder = RunFolder.create(session)
        if table is not None:
            table.write(folder)
        run = Run(
            resolved, source, folder, sound=sound, markers=markers, marker_stream=marker_stream, played=played, **listeners
        )  # fmt: skip
        opened.pop_all()  # from here on they are the run's
        opened.callback(run.abandon)
        started = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        checked = last_check(session, resolved.calibration, None if plan.sound is None else plan.sound.card_channels)
        about: dict[str, Any] = {"calibration": resolved.calibration, "timing": resolved.timing, "acknowledged": acknowledged}
        playing = resolved.stated if sound is None else sound.record | {"level_check": checked}
        folder.write_begun(begin_record(started, sound=playing, **about))
        if check is not None:
            _keep_check(folder, check, remark)
        opened.pop_all()

    def record() -> dict[str, Any]:
        return run_record(
            plan,
            run.verdict,
            run.engine,
            stream=source.description,
            unit=run.unit,
            sound=resolved.stated if sound is None else sound.record | {
                "sweeps_played": sound.sweeps_played, "underruns": sound.underruns, "level_check": checked,
            },
            failure=run.failure,
            started=started,
            search=run.search,
            **about,
        )

    return OpenRun(run, plan, resolved.title, sound, record, remark, lock.pop_all())


def _keep_check(folder: RunFolder, check: dict[str, Any], remark: Callable[[str], object]) -> None:
    """No run has to wait for it: what it says does not shape a decision."""
    try:
        folder.write_json(folder.check.name, check)
    except OSError as error:
        remark(f"cannot write {folder.check} ({error.strerror or error}): what the check found is not kept with this run")


def write_results(
    folder: RunFolder, record: dict[str, Any], engine: Engine | None, remark: Callable[[str], object] = log.warning,
    search: PlannedSearch | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Write average.csv (of a search cells.csv), the end of events.jsonl, and run.json. Returns the record; if a file cannot be
    written, the record contains that as a fault."""
    problems: list[str] = []

    def attempt(write: Callable[..., object], *content: Any) -> None:
        try:
            try:
                write(*content)
            except OSError:  # once more, into the room that was kept for it on a full disk
                folder.give_room()
                write(*content)
        except OSError as error:
            problems.append(f"cannot write {folder.path} ({error.strerror or error}): free the disk, then `quietfloor finish` it")
            remark(problems[-1])

    if search is not None:
        attempt(folder.write_text, folder.cell_averages.name, cells_csv(search))
    elif engine is not None:
        now = engine.average_now()
        attempt(folder.write_average, now.times_ms, *now.columns_uv())
    attempt(folder.close)
    if problems:
        record = record | {"fault": record["fault"] or problems[0]}
    attempt(folder.write_json, folder.run.name, record)
    if folder.run.is_file():
        folder.begun.unlink(missing_ok=True)  # all of it is in run.json
    return record | {"fault": record["fault"] or (problems[0] if problems else None)}
