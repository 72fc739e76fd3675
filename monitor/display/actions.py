"""Actions of the window with their keys: the only table for buttons, shortcuts and the list of keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# A live run, a recorded one, a live search, a recorded one; the session view between two runs.
Stage = Literal["run", "replay", "search", "searched", "session"]
ALWAYS: tuple[Stage, ...] = ("run", "replay", "search", "searched", "session")
LIVE: tuple[Stage, ...] = ("run", "search")
SESSION: tuple[Stage, ...] = ("session",)
IN_SESSION: tuple[Stage, ...] = (*LIVE, *SESSION)
RUNS: tuple[Stage, ...] = ("run", "replay", "search", "searched")  # what has a recording on the screen
REPLAY: tuple[Stage, ...] = ("replay", "searched")
LOOKS: tuple[Stage, ...] = ("run", "replay")  # what is judged look by look
BOARD: tuple[Stage, ...] = ("search", "searched")
ONE_HAND = frozenset({"PgUp", "PgDown", "Return", "Enter", "F5", "B", "."})  # of a presenter or a foot switch


@dataclass(frozen=True)
class Action:
    """``name`` is what the window calls; ``keys`` in Qt's spelling, the first one is shown; ``text`` says what it does."""

    name: str
    keys: tuple[str, ...]
    text: str
    group: str
    where: tuple[Stage, ...] = ALWAYS
    button: str = ""  # on the bar, where it has one
    button_where: tuple[Stage, ...] = ALWAYS

    def keys_in(self, stage: Stage, in_session: bool = False) -> tuple[str, ...]:
        """Its keys there. In a session the keys of a presenter belong to the session alone."""
        if stage not in self.where:
            return ()
        if self.group == HAND:
            return self.keys if in_session or self.name == "one_stop" else ()
        return tuple(key for key in self.keys if not (in_session and key in ONE_HAND))

    def has_button(self, stage: Stage) -> bool:
        return bool(self.button) and stage in self.where and stage in self.button_where


RUN, SEARCH, VIEW, PICTURE, WAVE, WINDOW = "The run", "The search", "Looking back", "The pictures", "Waves", "The window"
MEASURE = "Averages, closer"
NEXT, HAND = "The session, between two runs", "One hand, in a session: presenter or foot switch"

ACTIONS: tuple[Action, ...] = (
    Action("stop", ("S",), "stop the run; press twice within 3 seconds. What was recorded is kept", RUN, LIVE, "Stop"),
    Action("mark", ("M",), "keep a note: on this moment of the run; in a session, on the run that is over", RUN, IN_SESSION,
           "Mark"),
    Action("next", ("N",), "begin the next run, when this one is over", RUN, IN_SESSION, "Next"),
    Action("enter", ("Return", "Enter"), "begin the next run", RUN, ("run",)),
    Action("louder", ("+", "="), "a higher level for the next run", NEXT, SESSION, "Louder"),
    Action("softer", ("-",), "a lower level for the next run", NEXT, SESSION, "Softer"),
    Action("level_up", ("Shift+Up",), "a higher level for the next run, also at the panels of the last", NEXT, IN_SESSION),
    Action("level_down", ("Shift+Down",), "a lower level for the next run", NEXT, IN_SESSION),
    Action("mask", ("K",), "give the noise that is advised in the next run, or give none", NEXT, SESSION, "Mask"),
    Action("condition_next", ("C", "Down"), "another ear or sound for the next run, down the list", NEXT, SESSION, "Condition"),
    Action("condition_before", ("Shift+C", "Up"), "up the list", NEXT, SESSION),
    Action("kind", ("V",), "another kind of run: search, one level, for latency and amplitude, control", NEXT, SESSION, "Kind"),
    Action("repeat", ("R",), "begin once more what was run last: same ear, sound and level", NEXT, SESSION, "Repeat"),
    Action("discard", ("X",), "discard the run that is over, with a reason, or restore it", NEXT, IN_SESSION, "Discard",
           SESSION),
    Action("discard_now", ("Shift+X",), "discard it at once, without a reason, or restore it", NEXT, SESSION),
    Action("report", ("F2",), "write the report of the session", NEXT, SESSION, "Report"),
    Action("files", ("F3",), "export all runs as BDF files", NEXT, SESSION, "Files"),
    Action("step_on", ("PgDown",), "between runs: choose the next step; on a board: the rung below", HAND, IN_SESSION),
    Action("step_back", ("PgUp",), "between runs: choose the step before; on a board: the rung above", HAND, IN_SESSION),
    Action("step_do", ("Return", "Enter", "F5"), "between runs: do the chosen step, at first start; on a board: play the rung",
           HAND, IN_SESSION),
    Action("one_stop", ("B", "."), "stop the run in 2 s; pressed again, it goes on. Between runs: choose start again", HAND,
           IN_SESSION),
    Action("play", ("Space",), "play or pause the recorded run", RUN, REPLAY, "Play"),
    Action("slower", (",",), "half the speed", RUN, REPLAY, "Slower"),
    Action("faster", (".",), "twice the speed", RUN, REPLAY, "Faster"),
    Action("go_to", ("G",), "go to a moment of the recording", RUN, REPLAY, "Go to"),
    Action("pause_sound", ("Space",), "pause the sound between two groups of 16 sweeps, or go on", SEARCH, ("search",), "Pause"),
    Action("cell_up", ("Up",), "choose the rung above", SEARCH, BOARD),
    Action("cell_down", ("Down",), "choose the rung below", SEARCH, BOARD),
    Action("cell_left", ("Left",), "choose the column on the left", SEARCH, BOARD),
    Action("cell_right", ("Right",), "choose the column on the right", SEARCH, BOARD),
    Action("cell_play", ("Return", "Enter"), "play the chosen rung next; the search goes on from there", SEARCH, ("search",)),
    Action("leave", ("L",), "set the column aside that is chosen, or plays; or resume it", SEARCH, ("search",), "Aside"),
    Action(
        "only_louder", ("T",), "allow only the level chosen, or playing, and louder, in all columns", SEARCH, ("search",),
        "Only louder",
    ),
    Action("all_levels", ("Shift+T",), "all levels again", SEARCH, ("search",)),
    Action("pause", ("Space",), "pause the view, or follow again; recording goes on", VIEW, ("run",), "Pause view"),
    Action("back", ("Left",), "one look back", VIEW, LOOKS, "◂"),
    Action("forward", ("Right",), "one look on", VIEW, LOOKS, "▸"),
    Action("back_ten", ("Shift+PgUp", "PgUp"), "ten looks back", VIEW, LOOKS),
    Action("forward_ten", ("Shift+PgDown", "PgDown"), "ten looks on", VIEW, LOOKS),
    Action("first", ("Home",), "to the first look", VIEW, LOOKS),
    Action("newest", ("End",), "to the newest look, and follow", VIEW, RUNS, "Newest"),
    Action("panel_1", ("1",), "decision plane alone, or all panels again", PICTURE, LOOKS),
    Action("panel_2", ("2",), "average alone, or all panels again", PICTURE, LOOKS),
    Action("panel_3", ("3",), "incoming EEG alone, or all panels again", PICTURE, RUNS),
    Action("panel_4", ("4",), "noise against sweeps alone, or all panels again", PICTURE, LOOKS),
    Action("panel_5", ("5",), "level ladder alone, or all panels again", PICTURE, LOOKS),
    Action("panel_6", ("6",), "board of the search alone, or all panels again", PICTURE, BOARD),
    Action("panel_7", ("7",), "session view, or the panels of the run", PICTURE, IN_SESSION, "Session"),
    Action("far", ("8",), "large letters that are read from two metres, dark; or the window again", PICTURE, IN_SESSION, "Far"),
    Action("all_panels", ("0", "Esc"), "all panels; on a board, choose no rung", PICTURE, RUNS),
    Action("halves", ("H",), "show or hide the odd and the even half", PICTURE, RUNS),
    Action("plus_minus", ("U",), "show or hide the plus-minus average (noise without the response)", PICTURE, LOOKS),
    Action("taller", ("+", "="), "EEG twice as tall", PICTURE, RUNS),
    Action("flatter", ("-",), "EEG half as tall", PICTURE, RUNS),
    Action("rung_up", ("Up",), "choose the rung above", PICTURE, LOOKS),
    Action("rung_down", ("Down",), "choose the rung below", PICTURE, LOOKS),
    Action("overlay", ("O",), "draw the newest run of the chosen rung over the average, or take it away", PICTURE, LOOKS),
    Action("replicates", ("Shift+O",), "draw the other runs of this level over the average, or take them away", PICTURE, LOOKS),
    Action("levels", ("K",), "the averages of all levels below each other, or the average again", PICTURE, LOOKS),
    Action("growth", ("I",), "latency and amplitude of the waves against level, or the average again", PICTURE, LOOKS),
    Action("scale", ("Y",), "fix the scale of all averages as it is, or let it fit the curves again", MEASURE, LOOKS),
    Action("scale_up", ("Ctrl+Up",), "fix a scale at which averages are taller", MEASURE, LOOKS),
    Action("scale_down", ("Ctrl+Down",), "fix a scale at which averages are less tall", MEASURE, LOOKS),
    Action("zoom_in", ("Z",), "zoom in on time, where the mouse or the chosen cursor is; the wheel too", MEASURE, LOOKS),
    Action("zoom_out", ("Shift+Z",), "zoom out", MEASURE, LOOKS),
    Action("zoom_taller", ("V",), "zoom in on amplitude; the wheel with Ctrl too", MEASURE, LOOKS),
    Action("zoom_flatter", ("Shift+V",), "zoom out of amplitude", MEASURE, LOOKS),
    Action("part_earlier", ("Ctrl+PgUp",), "an earlier part of a zoomed average", MEASURE, LOOKS),
    Action("part_later", ("Ctrl+PgDown",), "a later part of a zoomed average", MEASURE, LOOKS),
    Action("zoom_whole", ("Ctrl+0",), "the whole average again; a double click too", MEASURE, LOOKS),
    Action("cursor", ("C",), "a first and a second cursor on the average, then choose the other; a click too", MEASURE, LOOKS),
    Action("cursor_earlier", ("Ctrl+Left",), "the chosen cursor one sample earlier; or drag it", MEASURE, LOOKS),
    Action("cursor_later", ("Ctrl+Right",), "the chosen cursor one sample later", MEASURE, LOOKS),
    Action("cursors_clear", ("Shift+C",), "take both cursors away", MEASURE, LOOKS),
    Action("waves", ("W",), "show or hide marks on the waves of a run that is over; each can be dragged", WAVE, LOOKS),
    Action("wave_next", ("A",), "choose the next wave: I, III, V, trough", WAVE, LOOKS),
    Action("wave_earlier", ("Shift+Left",), "the chosen wave one sample earlier", WAVE, LOOKS),
    Action("wave_later", ("Shift+Right",), "the chosen wave one sample later", WAVE, LOOKS),
    Action("wave_remove", ("Del", "Backspace"), "take the chosen wave away; a click on the average puts it back", WAVE, LOOKS),
    Action("wave_again", ("R",), "all waves as suggested, whatever was done by hand", WAVE, LOOKS),
    Action("export", ("E",), "export the whole or one panel as PNG or SVG", PICTURE, ALWAYS, "Export", RUNS),
    Action("theme", ("D",), "dark or light", WINDOW),
    Action("projector", ("P",), "larger letters and thicker lines for a projector", WINDOW),
    Action("full_screen", ("F", "F11"), "full screen, or back", WINDOW),
    Action("keys", ("F1", "?"), "this list", WINDOW, ALWAYS, "Keys"),
    Action("frames", ("F12",), "show how long frames take", WINDOW),
    Action("quit", ("Ctrl+Q", "Ctrl+W"), "close the window; asks while a run is on", WINDOW),
)  # fmt: skip

SPOKEN = {
    ",": "comma", ".": "full stop", "Shift+T": "Shift T", "Shift+O": "Shift O", "Shift+Z": "Shift Z", "Shift+V": "Shift V",
    "Shift+C": "Shift C", "Ctrl+Left": "Ctrl ←", "Ctrl+Right": "Ctrl →", "Ctrl+Up": "Ctrl ↑", "Ctrl+Down": "Ctrl ↓",
    "Ctrl+PgUp": "Ctrl Page up", "Ctrl+PgDown": "Ctrl Page down", "Ctrl+0": "Ctrl 0",
    "Shift+X": "Shift X", "Shift+PgUp": "Shift Page up", "Shift+PgDown": "Shift Page down",
    "Shift+Left": "Shift ←", "Shift+Right": "Shift →", "Shift+Up": "Shift ↑", "Shift+Down": "Shift ↓", "Del": "Delete",
    "Return": "Enter", "Left": "←", "Right": "→", "Up": "↑", "Down": "↓", "PgUp": "Page up", "PgDown": "Page down", "-": "−",
}  # fmt: skip


def offered(stage: Stage) -> tuple[Action, ...]:
    """Those that make sense for what is shown."""
    return tuple(action for action in ACTIONS if stage in action.where)


def spoken(key: str) -> str:
    """Name of a key as on keyboards."""
    return SPOKEN.get(key, key)
