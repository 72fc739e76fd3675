"""What can be chosen in a lesson, and its words: frozen values, no signal."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from quietfloor.bench.teach.adjustable import Conditions
from quietfloor.monitor.core.samples import Floats

Ear = Literal["hears", "deaf", "secret"]
PATIENTS = {"hears": "hearing-adult", "deaf": "quiet-deaf"}

# Stops of the sliders, from left to right.
STOPS: dict[str, tuple[float, ...]] = {
    "noise_uv": (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0),
    "level_db_nhl": (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0),
    "mains_uv": (0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0),
    "jitter_ms": (0.0, 0.1, 0.2, 0.3, 0.5, 1.0),
    "rate_per_s": (11.1, 21.1, 31.1, 41.1, 47.1, 50.0, 61.1),
    "artefacts_per_min": (0.0, 3.0, 6.0, 12.0, 30.0, 60.0),
}


@dataclass(frozen=True)
class Lesson:
    """What can be chosen. `ear` "secret" is one of the two others, by the seed; `level_db_nhl` of a click in the right ear.

    `random_pause`: the pause after every 16 sweeps that keeps hum out of step. Raises ValueError where a value is not allowed.
    """

    ear: Ear = "hears"
    level_db_nhl: float = 60.0
    rate_per_s: float = 47.1
    random_pause: bool = True
    conditions: Conditions = field(default_factory=Conditions)

    def __post_init__(self) -> None:
        if self.ear not in (*PATIENTS, "secret"):
            raise ValueError(f"ear = {self.ear!r}; allowed are {', '.join(PATIENTS)}, secret")
        if not -10.0 <= self.level_db_nhl <= 90.0:
            raise ValueError(f"level_db_nhl = {self.level_db_nhl} is outside -10 to 90 dB nHL")
        if not 5.0 <= self.rate_per_s <= 61.1:
            raise ValueError(f"rate_per_s = {self.rate_per_s} is outside 5 to 61.1: a sweep lasts up to 17 ms")


@dataclass(frozen=True)
class Mark:
    """From sweep number `sweep` (counted from 0) on, a condition is different."""

    sweep: int
    text: str


@dataclass(frozen=True)
class Track:
    """Noise of the plain average in nV after `sweeps` presented, (n,) each: the estimate from the spread of the sweeps (nan for a
    single one), and the true noise, which is known only with the true response. The same of the weighted average, which is nan
    before the first 16 sweeps."""

    sweeps: Floats
    estimated_nv: Floats
    real_nv: Floats
    weighted_nv: Floats
    weighted_real_nv: Floats


@dataclass(frozen=True)
class Opinion:
    """Result of a rule so far: whether it has found a response, and after how many sweeps (0: not yet)."""

    name: str
    found: bool
    at_sweeps: int
    now: str


# Rules beside each other, as `quietfloor.monitor.core.stopping` knows them, and what they are called in class. The first one is
# valid.
RULES: tuple[tuple[str, str, str], ...] = (
    ("evidence", "evidence", "keeps its 1 % however often one looks"),
    ("multi_point_f:none", "p below 1 %", "right at a single look (multi-point F), but asked at every 256 sweeps"),
    ("naive_fsp", "Fsp ≥ 3.1", "a number from the literature, whatever the noise is like; every 256 sweeps"),
    ("signal_to_noise", "the eye", "a peak to trough of three times the mean gap between the halves; every 256 sweeps"),
)
NAIVE_EVERY = 256
WORDS = {"response_present": "response present", "response_absent": "no response", "inconclusive": "undecided"}
WHAT = {
    "noise_uv": "noise", "mains_uv": "hum", "jitter_ms": "jitter", "artefacts_per_min": "movements", "ear": "ear",
    "level_db_nhl": "level", "rate_per_s": "rate", "random_pause": "random pause",
}  # fmt: skip
UNITS = {
    "noise_uv": " µV", "mains_uv": " µV", "jitter_ms": " ms", "artefacts_per_min": " per minute", "level_db_nhl": " dB nHL",
    "rate_per_s": "/s",
}  # fmt: skip
EARS = {"hears": "an ear that hears", "deaf": "an ear that does not hear", "secret": "a secret ear"}


def differs(name: str, value: object) -> str:
    """Text that says what was changed, and to which value."""
    if name == "ear":
        return EARS[str(value)]
    if isinstance(value, bool):
        return f"{WHAT[name]} {'on' if value else 'off'}"
    return f"{WHAT[name]} {value:g}{UNITS[name]}" if isinstance(value, float | int) else f"{WHAT[name]} {value}"
