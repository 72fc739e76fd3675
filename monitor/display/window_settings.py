"""What the window remembers from one time to the next: a small JSON file of our own. A damaged one is ignored, with a notice."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from quietfloor.monitor.display.theme import THEMES
from quietfloor.monitor.display.zoom import LEAST_SCALE_NV, MOST_SCALE_NV
from quietfloor.monitor.untrusted.bounded_io import json_of

USUAL, LEAST = (1280, 720), (900, 560)  # width and height in pixels of the screen
TITLE = 40  # own choice: what the frame above a window takes of the screen; its height is not known before it is shown
STATES = ("", "maximised", "full screen")
MOST_SCREENS, LARGEST = 20, 100_000  # own choice


@dataclass(frozen=True)
class Place:
    """Where a window is on a screen, in pixels: ``x`` and ``y`` from the upper left corner of the free part of that screen, size
    without its frame. ``state``: one of STATES."""

    x: int
    y: int
    width: int
    height: int
    state: str = ""


@dataclass(frozen=True)
class WindowSettings:
    """``places``: by the name of the screen; ``screen``: the one it was on last; ``step`` of the set-up, and the panel that was
    ``alone``, by their names; ``scale_nv``: the fixed scale of the averages, 0 where it fits the curves. Every field can be left
    out."""

    places: dict[str, Place] = field(default_factory=dict)
    screen: str = ""
    theme: str = "light"
    projector: bool = False
    halves: bool = True
    plus_minus: bool = False
    step: str = ""
    alone: str = ""
    scale_nv: float = 0.0


def fitted(place: Place | None, room: tuple[int, int]) -> Place:
    """This place, or the usual size in the middle, moved and made smaller until it lies in the free part of a screen, whose width
    and height are ``room``."""
    wide, high = max(1, room[0]), max(1, room[1] - TITLE)
    if place is None:
        width, height = min(USUAL[0], wide), min(USUAL[1], high)
        return Place((wide - width) // 2, TITLE + (high - height) // 2, width, height)
    width = min(max(place.width, LEAST[0]), wide)
    height = min(max(place.height, LEAST[1]), high)
    x, y = min(max(place.x, 0), wide - width), min(max(place.y, TITLE), room[1] - height)
    return Place(x, y, width, height, place.state)


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
    kinds = {name: type(value) for name, value in vars(WindowSettings()).items()}
    good: dict[str, Any] = {name: value for name, value in found.items() if name in kinds and type(value) is kinds[name]}
    if good.get("theme") not in THEMES:
        good.pop("theme", None)
    if not LEAST_SCALE_NV <= good.get("scale_nv", 0.0) <= MOST_SCALE_NV:
        good.pop("scale_nv", None)
    places = {name: _place(value) for name, value in list(good.pop("places", {}).items())[-MOST_SCREENS:]}
    return WindowSettings({name: place for name, place in places.items() if place is not None}, **good), ""


def _place(value: Any) -> Place | None:
    """None for what is no place."""
    if not isinstance(value, dict) or value.get("state", "") not in STATES:
        return None
    numbers: list[Any] = [value.get(name) for name in ("x", "y", "width", "height")]
    if not all(type(number) is int and abs(number) <= LARGEST for number in numbers):
        return None
    x, y, width, height = numbers
    return Place(x, y, width, height, value.get("state", ""))


def remember(path: Path, what: WindowSettings) -> None:
    """Keep it; that it cannot be kept is no trouble worth a word."""
    draft = path.with_name(f".{path.name}.part")
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(asdict(what), indent=2) + "\n", encoding="utf-8")
        os.replace(draft, path)
