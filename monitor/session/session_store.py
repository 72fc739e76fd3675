"""Remarks of people on the runs of a session, in session.json; the file is always replaced as a whole."""

from __future__ import annotations

import contextlib
import datetime
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from quietfloor.monitor.session.conditions import PURPOSES, Purpose
from quietfloor.monitor.storage.folder_lock import InUse, sole_writer
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_from, json_of, lines_of
from quietfloor.monitor.untrusted.safe_text import QuotingError

FORMAT = "quietfloor session 1"
STATE, NOISE = "session.json", "noise.json"


class SessionError(QuotingError, RuntimeError):
    """Raised if a session cannot be used; the text says what to do."""


@dataclass
class Remarks:
    """Remarks on one run. ``notes``: {"at": ISO time, "text": ...}."""

    purpose: Purpose = "threshold"
    why: str = ""
    discarded: str | None = None
    discarded_at: str | None = None
    notes: list[dict[str, str]] = field(default_factory=list)


@dataclass
class State:
    """Content of session.json. ``coming``: announced purpose of the next run folder with a number above ``after``; None: none."""

    began: str
    runs: dict[int, Remarks] = field(default_factory=dict)
    coming: dict[str, Any] | None = None


def now_utc() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


class SessionStore:
    """``session.json`` of one folder."""

    def __init__(self, folder: Path, now: Callable[[], datetime.datetime] = now_utc) -> None:
        self.folder, self._now = folder, now

    @property
    def now(self) -> str:
        return self._now().isoformat(timespec="seconds")

    def folders(self) -> list[tuple[int, Path]]:
        """Run folders by number, finished or not."""
        found = []
        for path in self.folder.glob("run-*"):
            digits = path.name.removeprefix("run-")
            if path.is_dir() and digits.isascii() and digits.isdigit():
                found.append((int(digits), path))
        return sorted(found)

    def read(self) -> State:
        """Read the file; an announced purpose is assigned to its run. Raises SessionError."""
        path = self.folder / STATE
        try:
            content = json_of(path)
            if content["format"] != FORMAT:
                raise ValueError(f"its format is {content['format']!r}, this program knows {FORMAT!r}")
            state = State(content["began"], {int(number): Remarks(**said) for number, said in content["runs"].items()})
            for said in state.runs.values():
                texts = [said.why, said.discarded or "", *(note[key] for note in said.notes for key in ("at", "text"))]
                if said.purpose not in PURPOSES or not all(isinstance(text, str) for text in texts):
                    raise ValueError("purpose, why, discarded and notes of a run are text")
            coming = content["coming"]
            made = [] if coming is None else [number for number, _ in self.folders() if number > coming["after"]]
            if made:
                state.runs.setdefault(made[0], Remarks(purpose=coming["purpose"], why=coming["why"]))
            else:
                state.coming = coming
        except FileNotFoundError:
            return State(self.now)
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise SessionError(
                f"{path} is damaged ({type(error).__name__}: {error}). The runs themselves are whole: move this file away to go "
                "on without what was said about them (discarded, notes, what each was for)"
            ) from error
        return state

    def change(self, change: Callable[[State], object], **about: Any) -> None:
        """Read the file, change it, and write it as a whole; ``about`` is added for human readers.

        Raises SessionError, also if another program makes a run there.
        """
        try:
            with sole_writer(self.folder):
                self._change(change, about)
        except InUse as error:
            raise SessionError(str(error)) from error
        except OSError as error:
            raise SessionError(f"cannot write {self.folder / STATE} ({error.strerror or error}): free the disk") from error

    def _change(self, change: Callable[[State], object], about: dict[str, Any]) -> None:
        state = self.read()
        change(state)
        runs = {str(number): asdict(said) for number, said in sorted(state.runs.items())}
        content = {"format": FORMAT, **about, "began": state.began, "runs": runs, "coming": state.coming}
        RunFolder(self.folder).write_json(STATE, content)


def keep_noise(folder: Path, noise_uv: float, now: Callable[[], datetime.datetime] = now_utc) -> None:
    """Keep the RMS noise that a check found in the deciding channel, for the sweep limits of the next runs.

    Nothing is kept if ``noise_uv`` is nan or the folder does not exist.
    """
    if math.isnan(noise_uv) or not folder.is_dir():
        return
    after = max((number for number, _ in SessionStore(folder).folders()), default=0)
    at = now().isoformat(timespec="seconds")
    with contextlib.suppress(OSError):  # no run has to wait for it: the runs themselves tell the noise too
        RunFolder(folder).write_json(NOISE, {"noise_uv": noise_uv, "after_run": after, "at": at})


def kept_noise_uv(folder: Path) -> float:
    """RMS noise of a single sweep in uV from the last check; nan if a run was made since, or if it cannot be read."""
    try:
        kept = json_of(folder / NOISE)
        noise_uv, after = float(kept["noise_uv"]), int(kept["after_run"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return math.nan
    newest = max((number for number, _ in SessionStore(folder).folders()), default=0)
    return noise_uv if 0 < noise_uv < math.inf and after >= newest else math.nan


def seconds_of(folder: RunFolder, record: dict[str, Any]) -> float:
    """Duration in s from the first sample of the stream to the verdict; nan if the events do not contain it."""
    try:
        verdicts = [line for line in lines_of(folder.events) if '"type":"verdict"' in line and line.endswith("\n")]
        return float(json_from(verdicts[-1])["sample"]) / float(record["stream"]["rate_hz"])
    except (OSError, ValueError, KeyError, TypeError, IndexError, ZeroDivisionError):
        return math.nan
