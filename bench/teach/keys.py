"""Everything that can be done in the window of a lesson, with its keys: the one table behind buttons, shortcuts and the list."""

from __future__ import annotations

from quietfloor.bench.teach.choices import STOPS
from quietfloor.monitor.display.actions import Action

SWEEPS, CONDITIONS, RULES, WINDOW = "Sweeps", "What surrounds the response", "Truth and rules", "The window"
STEPS = {"step_1": 1, "step_2": 2, "step_4": 4, "step_8": 8, "step_16": 16, "step_256": 256}
PACES: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 47.1, 200.0, 1000.0)  # sweeps a second; the last ones as fast as it goes

ACTIONS: tuple[Action, ...] = (
    Action("step_1", ("1",), "one more sweep, and no more", SWEEPS, button="+1"),
    Action("step_2", ("2",), "two more sweeps", SWEEPS, button="+2"),
    Action("step_4", ("4",), "four more sweeps", SWEEPS, button="+4"),
    Action("step_8", ("8",), "eight more sweeps", SWEEPS, button="+8"),
    Action("step_16", ("6",), "16 more sweeps: a unit, after which the rules look", SWEEPS, button="+16"),
    Action("step_256", ("5",), "256 more sweeps", SWEEPS, button="+256"),
    Action("double", ("Return", "Enter"), "as many sweeps again: 1, 2, 4, 8 ... 1,024", SWEEPS, button="Double"),
    Action("run", ("Space",), "run, or pause", SWEEPS, button="Run"),
    Action("slower", (",",), "slower, down to one sweep a second", SWEEPS, button="Slower"),
    Action("faster", (".",), "faster, up to as fast as it goes", SWEEPS, button="Faster"),
    Action("again", ("N",), "begin a new average, with other noise", SWEEPS, button="New"),
    Action("slider_up", ("Up",), "choose the slider before", CONDITIONS),
    Action("slider_down", ("Down",), "choose the slider after", CONDITIONS),
    Action("less", ("Left",), "less of what the chosen slider sets", CONDITIONS),
    Action("more", ("Right",), "more of it", CONDITIONS),
    Action("pause", ("Z",), "random pause after every 16 sweeps on or off (without it hum can stay in step); anew", CONDITIONS),
    Action("ear", ("O",), "the other ear: one that hears, or one that does not; a new average", CONDITIONS),
    Action("secret", ("G",), "a secret ear, to guess: does it hear? A new average", CONDITIONS, button="Guess"),
    Action("reveal", ("R",), "show or hide the true response, and the noise that is really left", RULES, button="Reveal"),
    Action("count", ("C",), "count false alarms of all rules in runs without a response, or stop", RULES, button="Count"),
    Action("halves", ("H",), "show or hide the odd and the even half (of the sweeps)", RULES),
    Action("plus_minus", ("U",), "show or hide the plus-minus average: the response cancels, the noise stays", RULES),
    Action("theme", ("D",), "dark or light", WINDOW),
    Action("projector", ("P",), "larger letters and thicker lines for a projector, or smaller ones", WINDOW),
    Action("full_screen", ("F", "F11"), "full screen, or back", WINDOW),
    Action("lesson", ("L",), "the lesson sheet", WINDOW, button="Lesson"),
    Action("keys", ("F1", "?"), "this list", WINDOW, button="Keys"),
    Action("quit", ("Ctrl+Q", "Ctrl+W"), "close the window", WINDOW),
)

# Sliders from top to bottom: what they set, title, unit, and what it is.
SLIDERS: tuple[tuple[str, str, str, str], ...] = (
    ("noise_uv", "noise", "µV", "Background EEG between 100 and 1500 Hz: about 2 µV in a relaxed adult. The average goes on."),
    ("level_db_nhl", "level", "dB nHL", "Level of the click above normal threshold. Another level begins a new average."),
    ("mains_uv", "hum", "µV", "Hum of the mains, 50 Hz, with 150 and 250 Hz, which pass the filter. The average goes on."),
    ("jitter_ms", "jitter", "ms", "Standard deviation of the trigger about the sound: it blurs. The average goes on."),
    ("rate_per_s", "rate", "/s", "Stimuli a second; 50 is in step with hum of 50 Hz. Another rate begins a new average."),
    ("artefacts_per_min", "movements", "/min", "Half a second of tense muscles; such sweeps are rejected. The average goes on."),
)
assert [name for name, *_ in SLIDERS] == list(STOPS)
