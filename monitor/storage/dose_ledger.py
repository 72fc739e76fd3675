"""Sound dose of each ear in a session, on disk: reserved before a sound is played, settled after it, read by the next run.

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
from typing import Any

from quietfloor.monitor.untrusted.bounded_io import json_from, json_of, text_of, toml_of
from quietfloor.monitor.untrusted.safe_paths import no_link
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.stimuli.dose import WINDOW_S, Dose, DoseError, exposure_db

FILE = "dose.jsonl"
KEYS = ("left_pa2s", "right_pa2s")
NEW_SESSION = "Begin a new session folder (--out), and add up for yourself what this person's ears got today"


class ExposureError(QuotingError, RuntimeError):
    """Raised if the sound dose is not known; nothing may be played."""


@dataclass(frozen=True)
class _Account:
    dose: Dose
    at: datetime.datetime


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


class SessionDose:
    """The dose ledger of one session folder, which need not exist yet."""

    def __init__(self, session: Path, now: Callable[[], datetime.datetime] = _now) -> None:
        self.session = session
        self._now = now

    def spent(self, but: str | None = None) -> Dose:
        """Dose of the last 24 hours without the run named ``but``. Raises ExposureError when it is not known."""
        accounts = self._accounts()
        oldest = self._now() - datetime.timedelta(seconds=WINDOW_S)
        for folder in sorted(self.session.glob("run-*")) if self.session.is_dir() else []:
            if folder.name != but and folder.is_dir():
                self._compare(folder, accounts, oldest)
        recent = [account.dose for name, account in accounts.items() if name != but and account.at > oldest]
        return sum(recent, Dose())

    def reserve(self, name: str, dose: Dose) -> None:
        """Reserve the largest dose of run ``name`` before it plays. It is on the disk when this returns. Raises ExposureError."""
        self._append(name, dose, "reserved")

    def settle(self, name: str, dose: Dose) -> None:
        """Settle the dose that run ``name`` gave. Raises ExposureError; the reservation then stays."""
        self._append(name, dose, "played")

    def _append(self, name: str, dose: Dose, what: str) -> None:
        line = {"run": name, "at": self._now().isoformat(), "what": what, **dict(zip(KEYS, dose.both, strict=True))}
        path = self.session / FILE
        try:
            self.session.mkdir(parents=True, exist_ok=True)
            with open(path, "a", encoding="utf-8", newline="\n", opener=no_link) as file:  # two programs do not mix short lines
                file.write(json.dumps(line, allow_nan=False) + "\n")
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
            raise ExposureError(f"{path} cannot be read ({error}): what these ears got is not known. {NEW_SESSION}") from error
        accounts: dict[str, _Account] = {}
        lines = text.split("\n")
        for number, line in enumerate(lines[:-1], 1):  # behind the last end of line: what a crash cut short
            try:
                name, account = _read_line(line)
            except (ValueError, KeyError, TypeError, DoseError) as error:
                problem = f"line {number} of {path} is damaged ({error})"
                raise ExposureError(f"{problem}: what these ears got is not known. {NEW_SESSION}") from error
            accounts[name] = account
        return accounts

    def _compare(self, folder: Path, accounts: dict[str, _Account], oldest: datetime.datetime) -> None:
        """Compare the ledger entry of a run with its folder; the larger dose counts."""
        if (folder / "run.json").is_file():
            own = _own_account(folder, oldest)
            if own is None:
                return
            account = accounts.get(folder.name, own)
            accounts[folder.name] = _Account(account.dose.largest(own.dose), max(account.at, own.at))
        elif folder.name not in accounts and _plays(folder) and _changed(folder) > oldest:
            raise ExposureError(
                f"{folder} played sound, but {self.session / FILE} does not say how much, and the run left no result: what these "
                f"ears got is not known. {NEW_SESSION}"
            )


def dose_record(dose: Dose) -> dict[str, Any]:
    """The dose for run.json: in Pa2 s, and as sound exposure levels in dB, null for none."""
    return dict(zip(KEYS, dose.both, strict=True)) | {
        f"{ear}_db": exposure_db(pa2s) for ear, pa2s in zip(("left", "right"), dose.both, strict=True)
    }


def _read_line(line: str) -> tuple[str, _Account]:
    content = json_from(line)
    name, at = content["run"], datetime.datetime.fromisoformat(content["at"])
    if not isinstance(name, str) or at.tzinfo is None:
        raise ValueError("run is a name and at a time with its zone")
    return name, _Account(_dose(content), at)


def _dose(content: dict[str, Any]) -> Dose:
    left, right = (content[key] for key in KEYS)
    if isinstance(left, bool) or isinstance(right, bool):
        raise ValueError("a dose is a number")
    return Dose(left, right)


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
        return _Account(_dose(stimulus["dose"]), started)
    except (OSError, ValueError, KeyError, TypeError, DoseError) as error:
        problem = f"{folder / 'run.json'} does not tell what was played ({error})"
        raise ExposureError(f"{problem}: what these ears got is not known. {NEW_SESSION}") from error


def _plays(folder: Path) -> bool:
    """Whether a run without a result played sound, according to its plan; without a plan it never began."""
    try:
        return "sound" in toml_of(folder / "plan.toml")
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return True
