"""Actions of the window with their keys: the only table for buttons, shortcuts and the list of keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Where = Literal["always", "live", "replay"]


@dataclass(frozen=True)
class Action:
    """``name`` is what the window calls; ``keys`` in Qt's spelling, the first one is shown; ``text`` says what it does."""

    name: str
    keys: tuple[str, ...]
    text: str
    group: str
    where: Where = "always"
    button: str = ""  # on the bar, where it has one


RUN, VIEW, PICTURE, WAVE, WINDOW = "The run", "Looking back", "The pictures", "Waves", "The window"

ACTIONS: tuple[Action, ...] = (
    Action("stop", ("S",), "stop the run; press twice within 3 seconds. What was recorded is kept", RUN, "live", "Stop"),
    Action("mark", ("M",), "keep a note: on this moment of the run; in a session, on the run that is over", RUN, "live", "Mark"),
    Action("next", ("N", "Return", "Enter"), "begin the next run, when this one is over", RUN, "live", "Next"),
    Action("level_up", ("Shift+Up",), "in a session: a higher level for the next run than suggested", RUN, "live"),
    Action("level_down", ("Shift+Down",), "in a session: a lower level for the next run", RUN, "live"),
    Action("discard", ("X",), "in a session: discard the run that is over, with a reason, or let it count again", RUN, "live"),
    Action("play", ("Space",), "play or pause the recorded run", RUN, "replay", "Play"),
    Action("slower", (",",), "half the speed", RUN, "replay", "Slower"),
    Action("faster", (".",), "twice the speed", RUN, "replay", "Faster"),
    Action("go_to", ("G",), "go to a moment of the recording", RUN, "replay", "Go to"),
    Action("pause", ("Space",), "pause the view, or follow again; recording goes on", VIEW, "live", "Pause view"),
    Action("back", ("Left",), "one look back", VIEW, "always", "◂"),
    Action("forward", ("Right",), "one look on", VIEW, "always", "▸"),
    Action("back_ten", ("PgUp",), "ten looks back", VIEW),
    Action("forward_ten", ("PgDown",), "ten looks on", VIEW),
    Action("first", ("Home",), "to the first look", VIEW),
    Action("newest", ("End",), "to the newest look, and follow", VIEW, "always", "Newest"),
    Action("panel_1", ("1",), "decision plane alone, or all panels again", PICTURE),
    Action("panel_2", ("2",), "average alone, or all panels again", PICTURE),
    Action("panel_3", ("3",), "incoming EEG alone, or all panels again", PICTURE),
    Action("panel_4", ("4",), "noise against sweeps alone, or all panels again", PICTURE),
    Action("panel_5", ("5",), "level ladder alone, or all panels again", PICTURE),
    Action("all_panels", ("0", "Esc"), "all panels", PICTURE),
    Action("halves", ("H",), "show or hide the odd and the even half", PICTURE),
    Action("plus_minus", ("U",), "show or hide the plus-minus average (noise without the response)", PICTURE),
    Action("taller", ("+", "="), "EEG twice as tall", PICTURE),
    Action("flatter", ("-",), "EEG half as tall", PICTURE),
    Action("rung_up", ("Up",), "choose the rung above", PICTURE),
    Action("rung_down", ("Down",), "choose the rung below", PICTURE),
    Action("overlay", ("O",), "draw the newest run of the chosen rung over the average, or take it away", PICTURE),
    Action("waves", ("W",), "show or hide marks on the waves of a run that is over; each can be dragged", WAVE),
    Action("wave_next", ("A",), "choose the next wave: I, III, V, trough", WAVE),
    Action("wave_earlier", ("Shift+Left",), "the chosen wave one sample earlier", WAVE),
    Action("wave_later", ("Shift+Right",), "the chosen wave one sample later", WAVE),
    Action("wave_remove", ("Del", "Backspace"), "take the chosen wave away; a click on the average puts it back", WAVE),
    Action("wave_again", ("R",), "all waves as suggested, whatever was done by hand", WAVE),
    Action("export", ("E",), "export the whole or one panel as PNG or SVG", PICTURE, "always", "Export"),
    Action("theme", ("D",), "dark or light", WINDOW),
    Action("projector", ("P",), "larger letters and thicker lines for a projector", WINDOW),
    Action("full_screen", ("F", "F11"), "full screen, or back", WINDOW),
    Action("keys", ("F1", "?"), "this list", WINDOW, "always", "Keys"),
    Action("frames", ("F12",), "show how long frames take", WINDOW),
    Action("quit", ("Ctrl+Q", "Ctrl+W"), "close the window; asks while a run is on", WINDOW),
)  # fmt: skip

SPOKEN = {
    ",": "comma", ".": "full stop",
    "Shift+Left": "Shift ←", "Shift+Right": "Shift →", "Shift+Up": "Shift ↑", "Shift+Down": "Shift ↓", "Del": "Delete",
    "Return": "Enter", "Left": "←", "Right": "→", "Up": "↑", "Down": "↓", "PgUp": "Page up", "PgDown": "Page down", "-": "−",
}  # fmt: skip


def offered(replay: bool) -> tuple[Action, ...]:
    """Those that make sense for a live run, or for a recorded one."""
    never = "live" if replay else "replay"
    return tuple(action for action in ACTIONS if action.where != never)


def spoken(key: str) -> str:
    """Name of a key as on keyboards."""
    return SPOKEN.get(key, key)
