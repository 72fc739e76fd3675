"""The half hour of the lesson, key by key: what the sheet tells the teacher to press, and the same without a window. Pure.

With seed 1, and with nothing else pressed between that begins an average or presents sweeps, everybody sees the same numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from quietfloor.bench.teach.choices import STOPS
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.keys import ACTIONS, SLIDER_STEPS, STEPS, named

KEYS = {action.name: named(action.keys[0]) for action in ACTIONS}


@dataclass(frozen=True)
class Minutes:
    """Actions of the table in their order, each with how often. Votes are added where the class has something to say."""

    minutes: str
    steps: tuple[tuple[str, int], ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys, one for each action however often it is pressed."""
        return tuple(KEYS[name] for name, _ in self.steps)

    @property
    def actions(self) -> tuple[str, ...]:
        return tuple(name for name, times in self.steps for _ in range(times))


HALF_HOUR: tuple[Minutes, ...] = (
    Minutes("0 to 3", (("step_1", 1),)),
    Minutes("3 to 8", (("double", 10),)),
    Minutes("8 to 10", (("reveal", 1),)),
    Minutes("10 to 12", (("ear", 1), ("more_mains_uv", 4), ("more_rate_per_s", 1), ("pause", 1), ("step_256", 2), ("reveal", 1))),
    Minutes("12 to 14", (("pause", 1), ("step_256", 2), ("reveal", 1))),
    Minutes("14 to 15", (("ear", 1), ("usual", 1), ("less_noise_uv", 2), ("step_256", 4), ("reveal", 1))),
    Minutes("15 to 17", (("more_jitter_ms", 4), ("again", 1), ("step_256", 4), ("reveal", 1))),
    Minutes("17 to 20", (("usual", 1), ("more_artefacts_per_min", 3), ("step_256", 2), ("weighted", 2), ("reveal", 1))),
    Minutes("20 to 24", (("weighted", 1), ("usual", 1), ("less_noise_uv", 1), ("secret", 1), ("step_256", 4), ("reveal", 1))),
    Minutes("24 to 27", (("secret", 1), ("step_256", 4), ("reveal", 1), ("count", 1))),
)  # fmt: skip


def press(room: Classroom, action: str) -> None:
    """What an action does to the classroom; nothing where it only changes what is shown."""
    lesson = room.lesson
    if action in STEPS:
        room.step(STEPS[action])
    elif action == "double":
        room.step(max(1, room.sweeps))
    elif action in SLIDER_STEPS:
        name, by = SLIDER_STEPS[action]
        stops = STOPS[name]
        value = getattr(lesson, name, None) if hasattr(lesson, name) else getattr(lesson.conditions, name)
        room.change(**{name: stops[min(max(stops.index(value) + by, 0), len(stops) - 1)]})
    elif action == "pause":
        room.change(random_pause=not lesson.random_pause)
    elif action == "ear":
        room.change(ear="deaf" if lesson.ear == "hears" else "hears")
    elif action in ("again", "usual"):
        getattr(room, action)()
    elif action == "secret":
        room.another_secret()


def walk(room: Classroom) -> Iterator[Minutes]:
    """Go through the half hour; the room stands as it is at the end of the minutes that are given back."""
    for part in HALF_HOUR:
        for action in part.actions:
            press(room, action)
        yield part
