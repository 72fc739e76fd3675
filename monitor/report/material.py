"""Data of a report, read from disk once: a session, or a plain folder of runs. All further steps use plain data."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.hearing.tables import HearingError, HearingTables, load_hearing_tables
from quietfloor.monitor.readiness.kept_check import read_check
from quietfloor.monitor.review.search_fit import fits_of
from quietfloor.monitor.review.search_record import Search, read_search
from quietfloor.monitor.session.conditions import Condition, RunSummary, summary_of
from quietfloor.monitor.session.masked_runs import About, judged
from quietfloor.monitor.session.recorded_session import PLAN
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import SessionPlan
from quietfloor.monitor.session.session_store import SessionStore, seconds_of
from quietfloor.monitor.session.staircase_errors import LadderErrors
from quietfloor.monitor.session.threshold import Threshold, threshold_of
from quietfloor.monitor.storage.record_schema import is_number
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.norms_file import load_norms

MARKS = "marks.json"  # in a run folder: marks placed by hand
Kept = TypeVar("Kept")


class ReportError(QuotingError, RuntimeError):
    """Raised if there is nothing to report on; the text says what is missing and what to do."""


@dataclass(frozen=True)
class Note:
    """A note of a person: when (ISO time, or a moment of the run), and its text as it was written."""

    at: str
    text: str


@dataclass(frozen=True)
class RunMaterial:
    """One finished run: run.json, plan.toml, average.csv (columns of (n_times,), None: none), and what was said about it.

    ``summary`` is None for a run that belongs to no ladder in dB nHL. ``why``: what a person said it was for. ``search``: of a
    recording over several levels, which has no average of its own.
    """

    number: int
    name: str
    record: Mapping[str, Any]
    plan: Mapping[str, Any]
    columns: Mapping[str, Floats] | None = None
    summary: RunSummary | None = None
    why: str = ""
    marks: Marks | None = None
    check: Mapping[str, Any] | None = None
    search: Search | None = None
    notes: tuple[Note, ...] = ()
    damaged: tuple[str, ...] = ()  # files beside run.json that cannot be used, each with the reason

    @property
    def discarded(self) -> bool:
        return self.summary is not None and self.summary.discarded is not None


@dataclass(frozen=True)
class Subject:
    """The subject, as far as it is known. ``pseudonym`` is empty in a plain folder of runs."""

    pseudonym: str = ""
    age_group: str | None = None
    age_months: float | None = None


@dataclass(frozen=True)
class Material:
    """Everything that a report may look at. ``rules``: tables of the session plan; None for a search or a plain folder.

    ``errors``: how often the ladder of each threshold is wrong, empty for a plain folder, None where no rate is kept.
    ``next``: what the session suggests, one sentence a ladder. ``left_out``: folders without a result that can be read.
    ``chosen``: names of tables of hearing levels, empty where none was chosen. ``place``: the whole path, home being ~.
    """

    name: str
    place: str
    title: str
    subject: Subject
    runs: tuple[RunMaterial, ...]
    thresholds: tuple[Threshold, ...]
    tables: HearingTables
    norms: Norms
    chosen: tuple[str, ...] = ()
    rules: Mapping[str, Any] | None = None
    errors: tuple[LadderErrors | None, ...] = ()
    next: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    noise_transducer: str | None = None
    attenuation_set: str | None = None

    @property
    def about(self) -> About:
        """Data for masking advice."""
        return About(self.tables, self.subject.age_months, self.noise_transducer, self.attenuation_set)


def read_material(folder: Path, tables: Sequence[str] = (), own_tables: Path | None = None) -> Material:
    """The material of a session or a folder of runs; ``tables`` replace those that the session's plan chose.

    Raises ReportError, and SessionError, PlanError or HearingError for files of a session that cannot be used.
    """
    if not folder.is_dir():
        raise ReportError(f"{folder} is no folder: give the folder of a session, or one that holds run-001, run-002, ...")
    if (folder / "raw.xdf").is_file() or (folder / "run.json").is_file():
        raise ReportError(f"{folder} is a single run: give the folder that holds it, {folder.resolve().parent}")
    session = Session.open(folder) if (folder / PLAN).is_file() else None
    runs, left_out = _runs(folder, session)
    if not runs:
        reasons = f" ({'; '.join(left_out)})" if left_out else ""
        raise ReportError(f"{folder} holds no finished run{reasons}: make one by `quietfloor run PLAN.toml --out {folder}`")
    norms = load_norms()
    name, place = folder.resolve().name, _place(folder.resolve())
    if session is None:
        shipped = load_hearing_tables(own_tables)
        _checked(shipped, tables)
        ages = {str(run.record["stimulus"]["age_group"]) for run in runs if _has(run.record, "stimulus", "age_group")}
        subject = Subject(age_group=ages.pop() if len(ages) == 1 else None)
        if tables and subject.age_group is None:
            raise ReportError(f"{folder}: hearing levels depend on the age group, and these runs have none or several: report on "
                              "one person's runs at a time")  # fmt: skip
        by_number = {one.number: one for one in judged([run.summary for run in runs if run.summary is not None], About(shipped))}
        runs = tuple(replace(run, summary=by_number.get(run.number)) for run in runs)
        return Material(name, place, "", subject, runs, _thresholds(runs), shipped, norms, tuple(tables), left_out=left_out)
    plan: SessionPlan = session.plan
    known = load_hearing_tables(own_tables) if own_tables is not None else plan.hearing.load()
    _checked(known, tables)
    return Material(
        name=name,
        place=place,
        title=plan.title,
        subject=Subject(plan.subject.pseudonym, plan.subject.age_group, plan.subject.age_months),
        runs=runs,
        thresholds=session.thresholds(),
        tables=known,
        norms=norms,
        chosen=tuple(tables) or plan.hearing.tables,
        rules=None if plan.method == "search" else plan.model_dump(mode="json", include={"steps", "replicates", "limits"}),
        errors=session.errors(),
        next=session.next_words(),
        left_out=left_out,
        noise_transducer=plan.hearing.noise_transducer,
        attenuation_set=plan.hearing.attenuation_set,
    )


def _place(folder: Path) -> str:
    """Path of the folder without the name of the home folder, which may contain a person's name."""
    home = Path.home()
    return f"~/{folder.relative_to(home).as_posix()}" if folder.is_relative_to(home) else str(folder)


def _checked(tables: HearingTables, names: Sequence[str]) -> None:
    if names:
        try:
            tables.choose(names)
        except HearingError as error:
            raise HearingError(f"--table: {error}") from error


def _runs(folder: Path, session: Session | None) -> tuple[tuple[RunMaterial, ...], tuple[str, ...]]:
    store = SessionStore(folder)
    said = {} if session is None else store.read().runs
    of_ladder: dict[int, RunSummary] = {}  # of a search what is said of its first condition, for the seconds of all
    for one in () if session is None else session.all_runs():
        first = of_ladder.get(one.number)
        of_ladder[one.number] = one if first is None else replace(first, seconds=first.seconds + one.seconds)
    found, left_out = [], []
    for number, path in store.folders():
        run = RunFolder(path)
        try:
            record = run.read_record()
            if "verdict" not in record or "stream" not in record:
                raise ValueError("run.json is no record of a run")
            search = read_search(run, record)
            if search is not None and search.conditions:
                fits, why = fits_of(run, record, search)
                search = replace(search, fits=fits, missing=(*search.missing, *([why] if why else [])))
            summary = of_ladder.get(number)
            if session is None and search is None:
                summary = summary_of(number, record, seconds_of(run, record))
            columns = _average(run.average)
            marks, no_marks = _kept(path / MARKS, _marks)
            check, no_check = _kept(run.check, _check)
            found.append(
                RunMaterial(
                    number, path.name, record, run.read_plan(), columns, summary, said[number].why if number in said else "",
                    marks, check, search,
                    (*_notes_in(run), *(Note(one["at"], one["text"]) for one in (said[number].notes if number in said else ()))),
                    tuple(one for one in (no_marks, no_check) if one),
                )
            )
        except FileNotFoundError:
            left_out.append(f"{path.name} left no result: {run.why_no_result}")
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            left_out.append(f"{path.name} cannot be read ({type(error).__name__}: {error})")
    return tuple(found), tuple(left_out)


def _thresholds(runs: Sequence[RunMaterial]) -> tuple[Threshold, ...]:
    """The threshold of each condition, in the order in which the ladders were begun."""
    summaries = [run.summary for run in runs if run.summary is not None]
    conditions: list[Condition] = []
    for one in summaries:
        if not any(one.condition.same_as(known) for known in conditions):
            conditions.append(one.condition)
    return tuple(threshold_of(condition, summaries) for condition in conditions)


def _average(path: Path) -> dict[str, Floats] | None:
    """Columns by name; an empty field is nan; None where there is no average."""
    if not path.is_file():
        return None
    try:
        return RunFolder(path.parent).read_average()
    except FolderError as error:
        raise ValueError(str(error)) from error


def _notes_in(run: RunFolder) -> Iterator[Note]:
    """Notes that were made while it ran, as its events have them, as far as these can be read."""
    if not run.events.is_file():
        return
    try:
        for event in run.read_events():
            if isinstance(event, dict) and event.get("type") == "notice" and event.get("what") == "note":
                at_s, text = event.get("at_s"), event.get("text")
                if isinstance(at_s, (int, float)) and is_number(at_s) and isinstance(text, str):
                    minutes, seconds = divmod(max(0, int(at_s)), 60)
                    yield Note(f"{minutes}:{seconds:02d} in the run", text)
    except (OSError, ValueError, FolderError) as error:
        yield Note("", f"events.jsonl cannot be read to its end: notes may be missing ({error})")


def _kept(path: Path, read: Callable[[Path], Kept]) -> tuple[Kept | None, str]:
    """What a file beside run.json holds, None where there is none or it is damaged; and the reason of that, or ""."""
    if not path.is_file():
        return None, ""
    try:
        return read(path), ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        return None, f"{path.name} cannot be used ({type(error).__name__}: {error})"


def _marks(path: Path) -> Marks:
    return Marks.of_record(json_of(path))


def _check(path: Path) -> dict[str, Any]:
    """The check before the run. Raises ValueError for another form."""
    read_check(RunFolder(path.parent))
    content: dict[str, Any] = json_of(path)
    return content


def _has(record: Mapping[str, Any], *keys: str) -> bool:
    value: Any = record
    for key in keys:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value is not None
