"""Completion of a run that was cut short: its missing files are made from the recording. The same engine decides again, and every
live event must be the same, byte for byte or as the same decisions (``Replayed.identical``). Nothing that was recorded is
changed; the event log is only continued."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event, Verdict
from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.review.replay import Grade, Replayed, grade, least, plan_of, replay
from quietfloor.monitor.run.run_record import BEGUN_FORMAT, run_record
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.run.timing_certificate import Timing
from quietfloor.monitor.run.unit_check import CHECK_S
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.record import cells_csv
from quietfloor.monitor.sources.base import NoStream
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.folder_lock import is_held, sole_writer
from quietfloor.monitor.storage.record_schema import checked_record, is_number
from quietfloor.monitor.storage.run_folder import RunFolder, event_line
from quietfloor.monitor.untrusted.bounded_io import bytes_of, json_from
from quietfloor.monitor.untrusted.safe_text import QuotingError

MOST_LOG_BYTES = 2_000_000_000  # a day of looks has 150 MB
WHY = "the program was ended before the run was over"
BEFORE = "the program was ended before the first sweep: nothing was decided"


class FinishError(QuotingError, RuntimeError):
    """Raised if a run folder cannot be completed; the text says why. The recording is unchanged."""


class NothingRecorded(FinishError):
    """Raised if the program ended before anything was recorded, so that there is nothing to complete."""


@dataclass(frozen=True)
class Finished:
    """The record of the run, and the names of the files that were made or continued; none if it was complete."""

    record: dict[str, Any]
    made: tuple[str, ...]


def is_unfinished(path: Path) -> bool:
    """Whether a folder contains a recording without a result, and no program is using it."""
    folder = RunFolder(path)
    return folder.raw.is_file() and not folder.run.is_file() and not is_held(folder.raw)


def finish(path: Path | str) -> Finished:
    """Make the missing ones of run.json, average.csv and the end of events.jsonl.

    Raises NothingRecorded, FinishError, FolderError, InUse, ReplayError, PlanError, SourceError, XdfError, OSError.
    """
    folder = RunFolder.open(path)
    with sole_writer(folder.path.parent):
        if is_held(folder.raw):
            raise FinishError(f"{folder.path} is being recorded: wait until the run is over")
        if folder.run.is_file() and (folder.average.is_file() or folder.cell_averages.is_file()):
            return Finished(_record(folder), ())
        try:
            RecordingSource(folder.raw)
        except (NoStream, XdfError) as error:
            if folder.run.is_file() or folder.events.is_file():
                raise
            raise NothingRecorded(f"{folder.path}: the program was ended before anything was recorded") from error
        return _finished(folder)


def _finished(folder: RunFolder) -> Finished:
    done = _decided(folder)
    if done is None:  # it ended in its first second
        engine: Engine | None = None
        search: PlannedSearch | None = None
        plan, unit = _plan(folder), None
        stream = RecordingSource(folder.raw).description
        verdict = _last_words(folder) or Verdict(0, "inconclusive", "fault", BEFORE)
        events: list[Event] = [verdict]
    else:
        engine, plan, stream, unit, verdict, events = done.engine, done.plan, done.stream, done.unit, done.verdict, done.events
        search = done.search
    made = []
    there = RecordingSource(folder.raw).total_samples
    text, identical_by = _whole_log(folder, [event for event in events if event.kept], there, plan.format)
    if text is not None and not folder.run.is_file():
        with _writing(folder.events):
            folder.write_text(folder.events.name, text)
        made.append(folder.events.name)
    if search is not None:
        if not folder.cell_averages.is_file():
            with _writing(folder.cell_averages):
                folder.write_text(folder.cell_averages.name, cells_csv(search))
            made.append(folder.cell_averages.name)
    elif engine is not None and not folder.average.is_file():
        now = engine.average_now()
        with _writing(folder.average):
            folder.write_average(now.times_ms, *now.columns_uv())
        made.append(folder.average.name)
    if not folder.run.is_file():
        begun = _begun(folder)
        record = run_record(
            plan, verdict, engine, stream=stream, unit=unit, sound=_stimulus(begun, plan), calibration=begun.get("calibration"),
            failure=verdict.reason if verdict.stopped_by == "fault" else None, started=begun.get("started"),
            timing=Timing.of_record(begun.get("timing") or {}), acknowledged=begun.get("cautions_acknowledged"),
            from_recording=True, search=search,
        ) | {"identical_by": identical_by}  # fmt: skip
        with _writing(folder.run):
            folder.write_json(folder.run.name, record)
        made.append(folder.run.name)
    folder.begun.unlink(missing_ok=True)  # all of it is in run.json
    return Finished(_record(folder), tuple(made))


@contextlib.contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FinishError(
            f"cannot write {path} ({error.strerror or error}): what was recorded is whole; free the disk, then "
            f"`quietfloor finish {path.parent}` again"
        ) from error


def _record(folder: RunFolder) -> dict[str, Any]:
    try:
        return folder.read_record()
    except (OSError, ValueError) as error:
        raise FinishError(f"{folder.run} is damaged ({error}): move it away, and it is made again from the recording") from error


def _decided(folder: RunFolder) -> Replayed | None:
    """Decide the run again; None for a run that ended before its unit was determined, so that nothing was decided."""
    last = _last_words(folder)
    if not folder.plan.is_file() or plan_of(folder).stream.unit is None or _short(folder) or (last and last.sample == 0):
        return None
    done = replay(folder, ended=WHY)
    if done.live_looks is not None and not done.identical:
        look = done.first_difference
        raise FinishError(_differs(folder, "the number of looks, or the verdict," if look is None else f"look {look + 1}"))
    return done


def _short(folder: RunFolder) -> bool:
    """Whether a recording is too short for any decision; a unit in its plan is then the one that the user gave."""
    source = RecordingSource(folder.raw)
    return source.total_samples < CHECK_S * source.description.rate_hz


def _lines(folder: RunFolder) -> tuple[list[str], str]:
    """Complete lines of the event log, and the incomplete last line, if any."""
    if not folder.events.is_file():
        return [], ""
    *whole, cut = bytes_of(folder.events, MOST_LOG_BYTES).decode("utf-8", errors="replace").split("\n")
    return [line + "\n" for line in whole], cut


def _whole_log(folder: RunFolder, events: list[Event], there: int, run_format: int) -> tuple[str | None, Grade | None]:
    """The complete event log, None if nothing is missing; and how the existing events agree with the decisions made again, None
    if there are none.

    An incomplete last line is completed. If it cannot be completed, because it is a notice that does not follow from the
    recording, it is kept as the text of a notice. Events on samples that a power cut removed (from ``there`` on) are kept
    unchanged.
    """
    lines, cut = _lines(folder)
    said = [event for line in lines if (event := _event(folder, line))["type"] != "notice"
            and (event["type"] == "verdict" or event["sample"] < there)]  # fmt: skip
    same = least(grade(new, old, run_format) for new, old in zip(events, said, strict=False))
    if same is None or len(said) > len(events):
        raise FinishError(_differs(folder, "what the engine said"))
    identical_by = same if said else None
    rest = [event_line(event.record()) for event in events[len(said) :]]
    if not rest and not cut:
        return None, identical_by
    if cut and not (rest and rest[0].startswith(cut)):
        lines.append(event_line({"type": "notice", "what": "cut_line", "text": cut}))
    return "".join(lines + rest), identical_by


def _differs(folder: RunFolder, what: str) -> str:
    return (
        f"{folder.path}: {what} comes out otherwise than it was said live, so nothing was written. Was it made by another "
        f"version of this program? `quietfloor replay {folder.path}` compares look by look"
    )


def _last_words(folder: RunFolder) -> Verdict | None:
    """The verdict of a run whose log ends with one."""
    for line in reversed(_lines(folder)[0]):
        event = _event(folder, line)
        if event["type"] == "verdict":
            return Verdict(event["sample"], event["verdict"], event["stopped_by"], event["reason"])
    return None


def _event(folder: RunFolder, line: str) -> dict[str, Any]:
    """Parse one logged event and check that it has the required keys. Raises FinishError."""
    try:
        event = json_from(line)
        kind = event["type"]
        whole = kind == "notice" or is_number(event["sample"])
        if kind == "verdict":
            whole = whole and all(isinstance(event[key], str) for key in ("verdict", "stopped_by", "reason"))
        if not (isinstance(kind, str) and whole):
            raise ValueError(line)
        return dict(event)
    except (ValueError, KeyError, TypeError) as error:
        told = f"a line of {folder.events} is no event of a run ({error})"
        raise FinishError(f"{told}: move that file away, and it is made again from the recording") from error


def _plan(folder: RunFolder) -> Plan:
    return plan_of(folder) if folder.plan.is_file() else Plan()


def _begun(folder: RunFolder) -> dict[str, Any]:
    try:
        content = checked_record(folder.read_json(folder.begun.name))
        return content if content.get("format") == BEGUN_FORMAT else {}
    except (OSError, ValueError):
        return {}


def _stimulus(begun: dict[str, Any], plan: Plan) -> dict[str, Any] | None:
    """The sound that was played, from begun.json. Without that file it comes from the plan, without a sound dose, so that the
    session's account is not treated as settled."""
    if plan.sound is None:
        return None if plan.stated is None else plan.stated.record()
    if begun.get("stimulus") is not None:
        return dict(begun["stimulus"])
    try:
        return make_stimulus(plan.sound, datetime.date.today()).record
    except PlanError:
        return {"stimulus": plan.sound.stimulus_name, **plan.sound.spec.record()}
