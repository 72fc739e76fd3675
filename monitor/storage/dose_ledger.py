"""Sound dose of each ear of a person, on disk: reserved before a sound is played, settled after it, read by the next run.

A person is the code (pseudonym) in ``session-plan.toml``: the accounts of all session folders with this code in the same
directory add up. A folder without a code stands for a person of its own.

``SESSION/dose.jsonl`` has one line for every change; the last line of a run counts. A run that was killed leaves its reservation,
which is never less than what it played. The dose is also in the run.json of each run; if the two differ, the larger one counts.
If a run has neither, because the file was deleted, no more sound may be played in the session.
"""

from __future__ import annotations

import datetime
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from quietfloor.monitor.untrusted.bounded_io import json_from, json_of, text_of, toml_of
from quietfloor.monitor.untrusted.safe_paths import no_link
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.stimuli.dose import HARD_TIMES, WEEK_S, WINDOW_S, Dose, DoseError, exposure_db, limit_pa2s
from quietfloor.stimuli.ear_steps import FLAT_INFANT_DB, row_of

FILE = "dose.jsonl"
KEYS = ("left_pa2s", "right_pa2s")
PLAN = "session-plan.toml"
WAIT = (
    "Nothing is played for this person until it is whole again (from a copy), or for a day; after that begin a new folder (--out)"
)
LONGEST_LINE = 65_536  # bytes
_AGES = ("infant", "child", "adult")  # from the smallest ears
_LARGER_EARS = 10.0 ** (FLAT_INFANT_DB / 10.0)  # the most that any step of age adds


class ExposureError(QuotingError, RuntimeError):
    """Raised if the sound dose is not known; nothing may be played."""


@dataclass(frozen=True)
class Age:
    """Age by which a dose was counted: age group, months or None, and why it is not the one of before."""

    group: str
    months: float | None = None
    change: str = ""

    @property
    def row(self) -> tuple[int, float]:
        """The larger, the larger are the ears."""
        return _AGES.index(self.group), row_of(self.group, self.months) or 0.0

    @property
    def words(self) -> str:
        return self.group if self.months is None else f"{self.group} of {self.months:g} months"

    def record(self) -> dict[str, Any]:
        return {"age_group": self.group, "age_months": self.months, "age_change": self.change or None}


@dataclass(frozen=True)
class _Account:
    dose: Dose
    at: datetime.datetime
    age: Age | None = None  # None: a line of an earlier version, or a check of the output


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


class SessionDose:
    """The dose ledger of one session folder, which need not exist yet, among those of its person."""

    def __init__(self, session: Path, now: Callable[[], datetime.datetime] = _now) -> None:
        self.session = session
        self._now = now

    def spent(self, but: str | None = None) -> Dose:
        """Dose of this person in the last 24 hours without the run named ``but``. Raises ExposureError when it is not known."""
        return sum((account.dose for account in self._recent(but)), Dose())

    def counted(self, age: Age, times: float = 1.0, but: str | None = None) -> Dose:
        """`spent`, or more: what was counted for larger ears than those of ``age`` counts `_LARGER_EARS` times, and what is left
        to ``times`` the limit of a day is also left to the hard limit of seven days.

        Of the days before the last one only what the ledgers say counts. Raises ExposureError, DoseError.
        """
        since = self._now() - datetime.timedelta(seconds=WINDOW_S)
        day = week = Dose()
        for one in self._recent(but, WEEK_S):
            larger = one.age is not None and one.age.row > age.row
            dose = one.dose.times(_LARGER_EARS) if larger else one.dose
            week, day = week + dose, day + dose if one.at > since else day
        beyond = limit_pa2s(age.group, HARD_TIMES) - limit_pa2s(age.group, times)
        return day.largest(Dose(*(max(0.0, one - beyond) for one in week.both)))

    def check_age(self, age: Age, but: str | None = None) -> None:
        """Raise ExposureError if a sound of the last 24 hours was counted for somebody younger, unless ``age`` says why. ``but``:
        as for `spent`."""
        younger = [one.age for one in self._recent(but) if one.age is not None and one.age.row < age.row]
        if younger and not age.change:
            raise ExposureError(
                f"this person was {younger[0].words} in a run of the last 24 hours, and is {age.words} in this plan, in whose "
                "ears the same sound counts less: correct the age. If the earlier one was wrong, say why: age_change = \"...\" "
                "under [sound] (of a session under [run.sound]); it is kept with the dose and the run"
            )

    def reserve(self, name: str, dose: Dose, age: Age | None = None, policy: str | None = None) -> None:
        """Reserve the largest dose of run ``name`` before it plays. It is on the disk when this returns. Raises ExposureError."""
        self._append(name, dose, "reserved", age, policy)

    def settle(self, name: str, dose: Dose, age: Age | None = None, policy: str | None = None) -> None:
        """Settle the dose that run ``name`` gave. Raises ExposureError; the reservation then stays."""
        self._append(name, dose, "played", age, policy)

    def _recent(self, but: str | None, seconds: float = WINDOW_S) -> list[_Account]:
        """Accounts of the last 24 hours, or of so many seconds, of all folders of this person, without the run ``but`` of this
        folder. What is not known of a time before the last 24 hours is left out."""
        day, oldest = (self._now() - datetime.timedelta(seconds=each) for each in (WINDOW_S, seconds))
        found = self._of_folder(but, day, oldest)
        for folder in _others(self.session, day, oldest):
            try:
                found += SessionDose(folder, self._now)._of_folder(None, day, oldest)
            except ExposureError:
                if _changed_lately(folder) > day:
                    raise
        return found

    def _of_folder(self, but: str | None, oldest: datetime.datetime, since: datetime.datetime) -> list[_Account]:
        accounts = self._accounts()
        for folder in sorted(self.session.glob("run-*")) if self.session.is_dir() else []:
            if folder.name != but and folder.is_dir():
                self._compare(folder, accounts, oldest)
        return [account for name, account in accounts.items() if name != but and account.at > since]

    def _append(self, name: str, dose: Dose, what: str, age: Age | None, policy: str | None) -> None:
        line = {"run": name, "at": self._now().isoformat(), "what": what, **dict(zip(KEYS, dose.both, strict=True))}
        line |= {} if age is None else age.record() | {"dose_policy": policy}
        path = self.session / FILE
        try:
            self.session.mkdir(parents=True, exist_ok=True)
            with open(path, "ab+", opener=no_link) as file:  # two programs do not mix short lines
                _cut_torn_line(file)
                file.write((json.dumps(line, allow_nan=False) + "\n").encode())
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise ExposureError(
                f"the sound dose cannot be kept in {path} ({error.strerror or error}): nothing is played without it; free the "
                "disk or choose another --out"
            ) from error

    def _accounts(self) -> dict[str, _Account]:
        path = self.session / FILE
        try:
            text = text_of(path)
        except FileNotFoundError:
            return {}
        except (OSError, UnicodeDecodeError) as error:
            raise ExposureError(f"{path} cannot be read ({error}): what these ears got is not known. {WAIT}") from error
        accounts: dict[str, _Account] = {}
        lines = text.split("\n")
        for number, line in enumerate(lines[:-1], 1):  # behind the last end of line: what a crash cut short
            try:
                name, account = _read_line(line)
            except (ValueError, KeyError, TypeError, DoseError) as error:
                problem = f"line {number} of {path} is damaged ({error})"
                raise ExposureError(f"{problem}: what these ears got is not known. {WAIT}") from error
            accounts[name] = account
        return accounts

    def _compare(self, folder: Path, accounts: dict[str, _Account], oldest: datetime.datetime) -> None:
        """Compare the ledger entry of a run with its folder; the larger dose counts."""
        if (folder / "run.json").is_file():
            own = _own_account(folder, oldest)
            if own is None:
                return
            account = accounts.get(folder.name, own)
            age = account.age or own.age
            accounts[folder.name] = _Account(account.dose.largest(own.dose), max(account.at, own.at), age)
        elif folder.name not in accounts and _plays(folder) and _changed(folder) > oldest:
            raise ExposureError(
                f"{folder} played sound, but {self.session / FILE} does not say how much, and the run left no result: what these "
                f"ears got is not known. {WAIT}"
            )


def _cut_torn_line(file: BinaryIO) -> None:
    """Cut what a crash left of a last line: nothing was played on it, since a line is on the disk before its sound."""
    if size := file.seek(0, os.SEEK_END):
        file.seek(-min(size, LONGEST_LINE), os.SEEK_END)
        tail = file.read()
        if not tail.endswith(b"\n") and (b"\n" in tail or len(tail) == size):  # else it is no line of ours
            file.truncate(size - len(tail) + tail.rfind(b"\n") + 1)


def dose_record(dose: Dose) -> dict[str, Any]:
    """The dose for run.json: in Pa2 s, and as sound exposure levels in dB, null for none."""
    return dict(zip(KEYS, dose.both, strict=True)) | {
        f"{ear}_db": exposure_db(pa2s) for ear, pa2s in zip(("left", "right"), dose.both, strict=True)
    }


def _read_line(line: str) -> tuple[str, _Account]:
    content = json_from(line)
    name, text = content["run"], content["at"]
    if not isinstance(text, str):
        raise ValueError("at is a time in quotation marks")
    at = datetime.datetime.fromisoformat(text)
    if not isinstance(name, str) or at.tzinfo is None:
        raise ValueError("run is a name and at a time with its zone")
    return name, _Account(_dose(content), at, _age(content))


def _dose(content: dict[str, Any]) -> Dose:
    left, right = (content[key] for key in KEYS)
    if isinstance(left, bool) or isinstance(right, bool):
        raise ValueError("a dose is a number")
    return Dose(left, right)


def _age(content: dict[str, Any]) -> Age | None:
    """Age in a line or a record. Raises ValueError."""
    group, months, change = (content.get(key) for key in ("age_group", "age_months", "age_change"))
    if group is None:
        return None
    if group not in _AGES or isinstance(months, bool) or not (months is None or isinstance(months, (int, float))):
        raise ValueError(f"age_group {group!r}, age_months {months!r}")
    return Age(group, months, str(change or ""))


def code_of(folder: Path) -> str | None:
    """Code of the person of a session folder, without regard to case and spaces; None for a folder without a session.

    Raises OSError, ValueError, KeyError, TypeError."""
    try:
        subject = toml_of(folder / PLAN)["subject"]
    except FileNotFoundError:
        return None
    return " ".join(str(subject["pseudonym"]).split()).casefold()


def _others(session: Path, day: datetime.datetime, oldest: datetime.datetime) -> list[Path]:
    """The other folders of the person in the same directory that changed after ``oldest``. Raises ExposureError for one that
    changed after ``day`` and does not tell whose it is."""
    trouble = (OSError, ValueError, KeyError, TypeError)
    try:
        own = code_of(session)
        if own is None:
            return []
        around = sorted({path.resolve() for path in session.resolve().parent.iterdir()} - {session.resolve()})
        beside = [path for path in around if path.is_dir()]
    except trouble as error:
        raise ExposureError(f"{session / PLAN} does not tell whose ears these are ({error}). {WAIT}") from error
    found = []
    for folder in beside:
        try:
            if not (folder / PLAN).is_file() or _changed_lately(folder) <= oldest:
                continue
        except PermissionError:
            continue  # of another user, such as lost+found
        try:
            if code_of(folder) == own:
                found.append(folder)
        except trouble as error:
            if _changed_lately(folder) <= day:
                continue
            raise ExposureError(
                f"{folder} had sound in the last 24 hours, and its {PLAN} does not tell whose ears got it ({error}). {WAIT}"
            ) from error
    return found


def _changed_lately(folder: Path) -> datetime.datetime:
    """When something that tells of a dose was last written there: its ledger, or the folder itself by a new run."""
    paths = [folder, folder / FILE]
    times = [path.stat().st_mtime for path in paths if path.exists()]
    return datetime.datetime.fromtimestamp(max(times, default=0.0), datetime.UTC)


def _changed(folder: Path) -> datetime.datetime:
    changed_s = max(path.stat().st_mtime for path in (folder, *folder.iterdir()))
    return datetime.datetime.fromtimestamp(changed_s, datetime.UTC)


def _own_account(folder: Path, oldest: datetime.datetime) -> _Account | None:
    """Dose in a run.json; None if the run played nothing, or too long ago to count. Raises ExposureError."""
    try:
        record = json_of(folder / "run.json")
        stimulus = record["stimulus"]
        if stimulus is None or stimulus.get("stated") or "replay_of" in record:
            return None
        started = datetime.datetime.fromisoformat(record["started"])
        if started <= oldest:
            return None
        if "dose" not in stimulus:
            raise KeyError("it says nothing about its sound dose, as those of earlier versions")
        return _Account(_dose(stimulus["dose"]), started, _age(stimulus))
    except (OSError, ValueError, KeyError, TypeError, DoseError) as error:
        problem = f"{folder / 'run.json'} does not tell what was played ({error})"
        raise ExposureError(f"{problem}: what these ears got is not known. {WAIT}") from error


def _plays(folder: Path) -> bool:
    """Whether a run without a result played sound, according to its plan; without a plan it never began."""
    try:
        return "sound" in toml_of(folder / "plan.toml")
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return True
