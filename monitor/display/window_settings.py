"""What the window remembers from one time to the next: a small JSON file of our own. A damaged one is ignored, with a notice."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from quietfloor.monitor.display.theme import THEMES
from quietfloor.monitor.untrusted.bounded_io import json_of


@dataclass(frozen=True)
class WindowSettings:
    """``geometry`` is what Qt makes of place and size, base64; every field can be left out."""

    geometry: str = ""
    theme: str = "light"
    projector: bool = False
    halves: bool = True
    plus_minus: bool = False


def settings_file() -> Path:
    """Where this system keeps the settings of programs."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "quietfloor" / "window.json"


def recall(path: Path) -> tuple[WindowSettings, str]:
    """What was remembered, and what is wrong with the file ("" where nothing is); what cannot be used is left at its default."""
    try:
        found = json_of(path)
        if not isinstance(found, dict):
            raise ValueError("no table")
    except FileNotFoundError:
        return WindowSettings(), ""
    except (OSError, ValueError, RecursionError) as error:
        return WindowSettings(), f"the window's settings in {path} cannot be read ({error}): the usual ones are used"
    kinds = {field.name: type(field.default) for field in fields(WindowSettings)}
    good: dict[str, Any] = {name: value for name, value in found.items() if name in kinds and type(value) is kinds[name]}
    if good.get("theme") not in THEMES:
        good.pop("theme", None)
    return WindowSettings(**good), ""


def remember(path: Path, what: WindowSettings) -> None:
    """Keep it; that it cannot be kept is no trouble worth a word."""
    draft = path.with_name(f".{path.name}.part")
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(asdict(what), indent=2) + "\n", encoding="utf-8")
        os.replace(draft, path)
