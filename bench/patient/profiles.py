"""Invented patients as TOML files: two ears and a background EEG. Reads a file or a shipped name; errors name the field."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pydantic

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import CROSSING_AIR_DB, CROSSING_DB, Ear, crossing_bone_db
from quietfloor.bench.patient.session_course import State, check
from quietfloor.monitor.untrusted.bounded_io import text_of, toml_from
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.untrusted.wrong_keys import wrong_key

SHIPPED = Path(__file__).parents[1] / "patients"
Side = Literal["left", "right"]
Route = Literal["air", "bone"]
SIDES: tuple[Side, ...] = ("left", "right")


def other(side: Side) -> Side:
    return "left" if side == "right" else "right"


@dataclass(frozen=True)
class Patient:
    """A patient of the bench. `description` is a sentence for display. `age_months`: for infants, whose waves are later (see
    `quietfloor.bench.patient.brainstem`); not given for adults. `crossing_air_db`, `crossing_bone_db`: attenuation to the other
    cochlea of a sound by insert earphone, and by vibrator; the latter follows from the age if not given
    (`quietfloor.bench.patient.hearing`). `course`: states over a session."""

    name: str
    left: Ear
    right: Ear
    background: Background
    description: str = ""
    age_months: float | None = None
    crossing_air_db: float = CROSSING_AIR_DB
    crossing_bone_db: float | None = None
    course: tuple[State, ...] = ()

    def __post_init__(self) -> None:
        check(self.course)
        for name, attenuation_db in (("crossing_air_db", self.crossing_air_db), ("crossing_bone_db", self.crossing_bone_db)):
            if attenuation_db is not None and not CROSSING_DB[0] <= attenuation_db <= CROSSING_DB[1]:
                raise ValueError(f"{name} = {attenuation_db} is outside {CROSSING_DB[0]:g}..{CROSSING_DB[1]:g} dB")
        if self.age_months is not None and not 0.0 <= self.age_months <= 1200.0:
            raise ValueError(f"age_months = {self.age_months} is outside 0..1200; leave it out for an adult")

    def ear(self, side: Side) -> Ear:
        return self.left if side == "left" else self.right

    def crossing_db(self, route: Route) -> float:
        """Attenuation in dB from the sound before the middle ear (by bone: in the own cochlea) to the other cochlea."""
        if route == "air":
            return self.crossing_air_db
        return crossing_bone_db(self.age_months) if self.crossing_bone_db is None else self.crossing_bone_db


class PatientError(QuotingError, ValueError):
    """Raised for a patient file that cannot be used; the message names the field, its value, and what is allowed."""


def shipped_patients() -> list[str]:
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def load_patient(name_or_path: str | Path) -> Patient:
    """A shipped patient by name ("hearing-adult") or any TOML file by path. Raises PatientError."""
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = SHIPPED / f"{name_or_path}.toml"
    try:
        text = text_of(path)
    except OSError as error:
        raise PatientError(
            f"no patient {str(name_or_path)!r}: give one of {', '.join(shipped_patients())}, or the path of a TOML file ({error})"
        ) from error
    except UnicodeDecodeError as error:
        raise PatientError(f"{path} is not TOML: {error}") from error
    return parse_patient(text, str(path))


def parse_patient(text: str, where: str = "patient") -> Patient:
    try:
        return _READER.validate_python(toml_from(text))
    except tomllib.TOMLDecodeError as error:
        raise PatientError(f"{where} is not TOML: {error}") from error
    except pydantic.ValidationError as error:
        raise PatientError(f"{where}: " + "; ".join(wrong_key(fault) for fault in error.errors())) from error


# A stray key is an error rather than a setting silently ignored; the classes themselves stay plain. By setattr because a type
# checker knows no such attribute.
for _class in (Ear, Background, State, Patient):
    setattr(_class, "__pydantic_config__", pydantic.ConfigDict(extra="forbid"))  # noqa: B010
_READER = pydantic.TypeAdapter(Patient)
