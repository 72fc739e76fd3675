"""Where plans, sessions and templates of the start page are, and what a folder can be opened as."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import re
import shlex
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

from quietfloor.monitor.session.recorded_session import PLAN
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of, text_of
from quietfloor.monitor.untrusted.safe_paths import file_name, new_draft

MOST_RECENT = 8  # own choice: as many folders as are seen in a list without scrolling
CODE = re.compile(r"P(\d{1,6})")
FILES = {"recording": "plan", "session": "session"}  # name of the plan, without .toml


@dataclass(frozen=True)
class Remembered:
    """What the start page remembers: the folder of all sessions, folders opened last (newest first), calibration files."""

    folder: str = "sessions"
    recent: tuple[str, ...] = ()
    calibrations: tuple[str, ...] = ()


@dataclass(frozen=True)
class Places:
    """Folders of the start page. ``settings``: the folder of quietfloor among the settings of the user."""

    settings: Path
    remembered: Remembered = Remembered()

    @property
    def folder(self) -> Path:
        """The folder of all sessions."""
        return Path(self.remembered.folder)

    @property
    def templates(self) -> Path:
        return self.settings / "templates"

    @classmethod
    def recall(cls, settings: Path) -> Places:
        """Read what was remembered; what cannot be used is left at its default."""
        with contextlib.suppress(OSError, ValueError, RecursionError, TypeError, KeyError):
            found = json_of(settings / "start.json")
            lists = {name: tuple(str(one) for one in found[name] if isinstance(one, str)) for name in ("recent", "calibrations")}
            folder = str(found["folder"]) or "sessions"
            return cls(settings, Remembered(folder, lists["recent"][:MOST_RECENT], lists["calibrations"]))
        return cls(settings)

    def remember(self) -> None:
        """Write it; the page works without."""
        path = self.settings / "start.json"
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            draft = new_draft(path)
            draft.write_text(json.dumps(asdict(self.remembered), indent=2) + "\n", encoding="utf-8")
            os.replace(draft, path)

    def opened(self, path: Path) -> Places:
        """The places after this folder was opened or made."""
        name = str(path.absolute())
        recent = (name, *(one for one in self.remembered.recent if one != name))[:MOST_RECENT]
        return replace(self, remembered=replace(self.remembered, recent=recent))

    def with_calibration(self, path: Path) -> Places:
        name = str(path.absolute())
        known = (name, *(one for one in self.remembered.calibrations if one != name))
        return replace(self, remembered=replace(self.remembered, calibrations=known))

    def with_folder(self, folder: str) -> Places:
        return replace(self, remembered=replace(self.remembered, folder=folder or "sessions"))

    # -- of one person ------------------------------------------------------------------------------------------------

    def of_code(self, code: str) -> Path:
        """Session folder of a person."""
        return self.folder / folder_name(code)

    def next_code(self) -> str:
        """A code that no folder has: P01, P02, ..."""
        with contextlib.suppress(OSError):
            used = [int(found[1]) for path in self.folder.iterdir() if (found := CODE.fullmatch(path.name))]
            return f"P{max(used, default=0) + 1:02d}"
        return "P01"

    def plan_path(self, code: str, kind: Literal["recording", "session"], text: str) -> Path:
        """Where a plan is written: a name that is free, or the file that already has exactly this text."""
        folder, stem = self.of_code(code), FILES[kind]
        number = 1
        while True:
            path = folder / (f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml")
            if not os.path.lexists(path) or _has(path, text):
                return path
            number += 1

    def known_templates(self) -> tuple[Path, ...]:
        with contextlib.suppress(OSError):
            return tuple(sorted(self.templates.glob("*.toml")))
        return ()

    def keep_template(self, name: str, text: str) -> Path:
        """Write a template; one of this name is never replaced. Raises FileExistsError, OSError."""
        path = self.templates / f"{file_name(name)}.toml"
        write_plan(path, text)
        return path

    def calibration_folders(self) -> tuple[Path, ...]:
        """Where calibration files are looked for."""
        return (Path(), Path("calibrations"), self.folder, self.settings / "calibrations", bench_folder())


def folder_name(code: str) -> str:
    """Name of the session folder of a person, as `quietfloor session` has it."""
    return file_name("".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in code.strip()))


def write_plan(path: Path, text: str) -> None:
    """Write a plan; a file with this text is left as it is, one with another is never replaced. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if _has(path, text):
        return
    with open(path, "x", encoding="utf-8") as file:
        file.write(text)


def _has(path: Path, text: str) -> bool:
    with contextlib.suppress(OSError, ValueError):
        return path.is_file() and text_of(path) == text
    return False


def bench_folder() -> Path:
    """Folder of the bench with the calibration of its virtual earphone, found without importing the bench. Raises
    RuntimeError."""
    found = importlib.util.find_spec("quietfloor.bench")
    if found is None or not found.submodule_search_locations:
        raise RuntimeError("the package `quietfloor.bench` is not installed: install quietfloor as a whole (pip install .)")
    return Path(found.submodule_search_locations[0])


# -- opening -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """One way to open a folder: title, and the command line after `quietfloor`."""

    title: str
    arguments: tuple[str, ...]


@dataclass(frozen=True)
class Opened:
    """What a folder is, in words, and the ways to open it; none where it cannot be opened."""

    said: str
    ways: tuple[Way, ...] = ()


def what_is(text: str) -> Opened:
    """What can be done with the folder, or the plan, of this path."""
    if not text.strip():
        return Opened("Choose the folder of a session, or of one run in it")
    path = Path(text.strip()).expanduser()
    name = str(path)
    if path.is_file() and path.suffix == ".toml":
        return Opened(f"{path.name} is a plan: put it into the templates, or choose the folder that was made with it")
    if not path.is_dir():
        return Opened(f"There is no folder {name}")
    if RunFolder(path).raw.is_file():
        if not RunFolder(path).run.is_file():
            return Opened(
                f"{path.name} is a run that was cut short: its missing files can be made from its recording",
                (Way("Make the missing files", ("finish", name)), Way("Replay", ("replay", name))),
            )
        return Opened(
            f"{path.name} is a recorded run",
            (Way("Replay, look by look", ("replay", name)), Way("Waves, as text", ("waves", name))),
        )
    runs = sorted(one for one in path.glob("run-*") if RunFolder(one).raw.is_file())
    report = Way("Report as HTML, PDF and JSON", ("report", name))
    if (path / PLAN).is_file():
        made = f"with {_count(runs)}" if runs else "without a run"
        found = Way("What was found, and what is next, as text", ("session", name, "--status"))
        ways = (Way("Continue the session", ("session", name)), found)
        return Opened(f"{path.name} is a session {made}", (*ways, report) if runs else ways)
    if runs:
        replays = tuple(Way(f"Replay {one.name}", ("replay", str(one))) for one in runs[-6:])
        return Opened(f"{path.name} is a folder with {_count(runs)}, and no session", (report, *replays))
    return Opened(f"{path.name} holds neither a session (no {PLAN}) nor a run (no run-001, no raw.xdf)")


def found_folders(places: Places) -> tuple[Path, ...]:
    """Folders to offer: opened before, then those in the folder of all sessions, the newest first; each once."""
    found: list[Path] = [Path(one) for one in places.remembered.recent]
    with contextlib.suppress(OSError):
        inside = [path for path in places.folder.iterdir() if path.is_dir()]
        found += sorted(inside, key=lambda path: path.stat().st_mtime, reverse=True)
    once = {str(path.absolute()): path for path in reversed(found)}
    return tuple(path for path in reversed(once.values()) if path.is_dir() and what_is(str(path)).ways)


def command_line(arguments: Iterable[str]) -> str:
    """The command as it would be typed."""
    return shlex.join(["quietfloor", *arguments])


def _count(runs: list[Path]) -> str:
    return f"{len(runs)} run" + ("" if len(runs) == 1 else "s")
