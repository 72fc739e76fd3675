"""Everything that can be done in the window of a lesson, with its keys: the one table behind buttons, shortcuts and the list."""

from __future__ import annotations

from quietfloor.bench.teach.choices import STOPS
from quietfloor.bench.teach.vote import CHOICES, Choice
from quietfloor.monitor.display.actions import Action, spoken

SWEEPS, CONDITIONS, VOTE, RULES, WINDOW = (
    "Sweeps", "What surrounds the response", "The vote", "The answer, and what is drawn", "The window",
)  # fmt: skip
STEPS = {"step_1": 1, "step_2": 2, "step_4": 4, "step_8": 8, "step_16": 16, "step_256": 256}
PACES: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 47.1, 200.0, 1000.0)  # sweeps a second; the last ones as fast as it goes

# Conditions from top to bottom: what they set, title, key of a step more (with Shift a step less), unit, and what it is.
SLIDERS: tuple[tuple[str, str, str, str, str], ...] = (
    ("noise_uv", "noise", "I", "µV", "Background EEG, 100 to 1500 Hz: about 2 µV in a relaxed adult. The average goes on."),
    ("level_db_nhl", "level", "E", "dB nHL", "Level of the click above normal threshold. Another level begins a new average."),
    ("mains_uv", "hum", "M", "µV", "Hum of the mains, 50 Hz, with 150 and 250 Hz, which pass the filter. The average goes on."),
    ("jitter_ms", "jitter", "J", "ms", "Standard deviation of the trigger about the sound: it blurs. The average goes on."),
    ("rate_per_s", "rate", "T", "/s", "Stimuli a second; 50 is in step with hum of 50 Hz. Another rate begins a new average."),
    ("artefacts_per_min", "movements", "V", "/min", "Half a second of tense muscles; many such sweeps are rejected."),
)  # fmt: skip
assert [name for name, *_ in SLIDERS] == list(STOPS)
SLIDER_STEPS = {f"{what}_{name}": (name, by) for name, *_ in SLIDERS for what, by in (("more", 1), ("less", -1))}
VOTE_KEYS: dict[Choice, str] = {"yes": "Y", "no": "X", "wait": "W"}
HANDS: dict[str, tuple[Choice, int]] = {f"{what}_{one}": (one, by) for one in CHOICES for what, by in (("add", 1), ("take", -1))}
VOTE_MEANS = {"yes": "yes, there is a response", "no": "no, there is none", "wait": "wait: more sweeps first"}

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
    Action("again", ("N",), "begin a new average, with other noise; the answer is hidden again", SWEEPS, button="New"),
    *(
        Action(f"{what}_{name}", (f"{shift}{key}",), f"{title}: a step {what} ({unit})", CONDITIONS, button=sign)
        for name, title, key, unit, _ in SLIDERS
        for what, shift, sign in (("more", "", "+"), ("less", "Shift+", "−"))
    ),
    Action(
        "pause", ("Z",), "random pause after every 16 sweeps on or off (without it hum can stay in step); a new average",
        CONDITIONS, button="random pause",
    ),
    Action("ear", ("O",), "the other ear: one that hears, or one that does not; a new average", CONDITIONS, button="ear"),
    Action("usual", ("0",), "all conditions as at the beginning; a new average of the same ear", CONDITIONS, button="Usual"),
    Action("secret", ("G",), "a secret ear, to guess: does it hear? A new average", VOTE, button="Guess"),
    *(
        Action(f"{what}_{one}", (f"{shift}{VOTE_KEYS[one]}",), f"a hand {said} for “{VOTE_MEANS[one]}”", VOTE, button=sign)
        for one in CHOICES
        for what, shift, said, sign in (("add", "", "more", f"+ {one}"), ("take", "Shift+", "less", "−"))
    ),
    Action("reveal", ("R",), "show or hide the answer: true response, rules, noise that is really left", RULES, button="Reveal"),
    Action("count", ("C",), "count false alarms of all rules in runs without a response, or stop", RULES, button="Count"),
    Action(
        "weighted", ("B",), "the weighted average beside the plain one; once more: alone; and once more: plain only", RULES,
        button="Weighted",
    ),
    Action("halves", ("H",), "show or hide the odd and the even half", RULES, button="Halves"),
    Action("plus_minus", ("U",), "show or hide the plus-minus average: the response cancels, the noise stays", RULES,
           button="Plus-minus"),
    Action("lesson", ("L",), "the lesson sheet", WINDOW, button="Lesson"),
    Action("keys", ("F1", "?"), "this list", WINDOW, button="Keys"),
    Action("theme", ("D",), "dark or light", WINDOW, button="Dark"),
    Action("projector", ("P",), "larger letters and thicker lines for a projector, or smaller ones", WINDOW, button="Large"),
    Action("full_screen", ("F", "F11"), "full screen, or back", WINDOW, button="Full"),
    Action("quit", ("Ctrl+Q", "Ctrl+W"), "close the window", WINDOW),
)  # fmt: skip
SHORT = {",": ",", ".": "."}  # on a button there is no room for the words


def named(key: str) -> str:
    """Name of a key in a list of keys, such as "Shift I"."""
    return spoken(key).replace("Shift+", "Shift ")


def on_button(text: str, action: Action) -> str:
    """Words of a button, with the key that does the same."""
    key = action.keys[0]
    return f"{text} [{SHORT.get(key, named(key))}]"
