"""What a plan will play, in the words that head a set-up: ear, route, stimulus and level, one line for each ear. No Qt."""

from __future__ import annotations

from dataclasses import dataclass

from quietfloor.monitor.display.ladder import Level
from quietfloor.monitor.display.scales import written
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.plan.search_plan import SearchConditionPlan, SearchPlan
from quietfloor.monitor.plan.sound_plan import SoundPlan, StatedPlan
from quietfloor.stimuli.calibration import ear_words


@dataclass(frozen=True)
class Heard:
    """A line of the heading, and the ear in whose colour it stands, "" for none; ``large`` for the one stimulus of a run."""

    words: str
    ear: str = ""
    large: bool = False


def heading_of(plan: Plan) -> tuple[Heard, ...]:
    """Lines that name what is heard, the one with the stimulus first; of a search one for each ear."""
    if plan.search is not None and plan.sound is not None:
        return _of_search(plan.search, plan.sound.route)
    sound = plan.sound or plan.stated
    if sound is None:
        return (Heard("Sound of other equipment · ear and level are not stated", large=True),)
    level = "level not stated" if sound.level is None else str(Level.of_plan(sound))
    stated = " · as stated" if isinstance(sound, StatedPlan) else ""
    words = f"{ear_words(sound.ear).capitalize()} · by {sound.route} · {sound.stimulus_name} · {level}{stated}"
    lines = [Heard(words, sound.ear, large=True)]
    if sound.masking != "none":
        other = "left" if sound.ear == "right" else "right"
        lines.append(Heard(f"{other.capitalize()} ear · {sound.masking} noise{_noise_level(sound)}", other))
    if isinstance(sound, SoundPlan) and sound.ipsilateral_noise != "none":
        lines.append(Heard(f"{sound.ear.capitalize()} ear · {sound.ipsilateral_noise} noise{_ipsilateral(sound)}", sound.ear))
    return tuple(lines)


def _noise_level(sound: SoundPlan | StatedPlan) -> str:
    if sound.masking_level_db_em is not None:
        return f" · {written(sound.masking_level_db_em)} dB EM"
    fs = sound.masking_level_db_fs if isinstance(sound, SoundPlan) else None
    return "" if fs is None else f" · {written(fs)} dB re full scale"


def _ipsilateral(sound: SoundPlan) -> str:
    """What the noise in the tested ear leaves free, and its level before that was cut."""
    spl, fs, edges_hz = sound.ipsilateral_noise_level_db_spl, sound.ipsilateral_noise_level_db_fs, sound.ipsilateral_edges_hz
    free = {0: "", 1: " from {:.0f} Hz on", 2: ", none from {:.0f} to {:.0f} Hz"}[len(edges_hz)].format(*edges_hz)
    level = f"{written(fs)} dB re full scale" if spl is None and fs is not None else f"{written(spl or 0.0)} dB SPL"
    return f"{free} · {level}{' before the cut' if edges_hz else ''}"


def _of_search(search: SearchPlan, route: str) -> tuple[Heard, ...]:
    lines = []
    for ear in dict.fromkeys(one.ear for one in search.condition):
        own = [one for one in search.condition if one.ear == ear]
        low, high = min(one.levels_db_nhl[0] for one in own), max(one.levels_db_nhl[-1] for one in own)
        levels = f"{written(low)} to {written(high)} dB nHL" if low < high else f"{written(low)} dB nHL"
        noise = [level for one in own for level in one.masking_db_em]
        masked = f" · noise in the other ear up to {written(max(noise))} dB EM" if noise else ""
        lines.append(Heard(f"{ear.capitalize()} ear · by {route} · {_stimuli(own)} · {levels}{masked}", ear))
    return tuple(lines)


def _stimuli(conditions: list[SearchConditionPlan]) -> str:
    """Each kind of stimulus once, with its frequencies."""
    found: dict[str, list[float]] = {}
    for one in conditions:
        found.setdefault(one.stimulus.replace("-", " "), []).extend([] if one.frequency_hz is None else [one.frequency_hz])
    tones = {kind: ", ".join(f"{hz:g}" for hz in sorted(set(hertz))) for kind, hertz in found.items()}
    return ", ".join(f"{kind} {hertz} Hz" if hertz else kind for kind, hertz in tones.items())
