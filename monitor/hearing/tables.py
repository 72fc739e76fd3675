"""Numbers for hearing levels and masking advice: `hearing-tables.toml`, and a file of the user that replaces parts of it.

Tables are chosen by name; there is no default. A table of the user replaces the shipped table of the same name as a whole; so do
a set of interaural attenuations and a grading. `[[normal]]`, `[[occlusion]]` and `[[white_noise]]` of a user's file replace all
shipped ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from quietfloor.monitor.untrusted.bounded_io import toml_of, why
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.untrusted.wrong_keys import message_of
from quietfloor.stimuli.stimulus import Standard

SHIPPED = Path(__file__).with_name("hearing-tables.toml")
EXAMPLE = Path(__file__).with_name("hearing-tables-example.toml")
STATUSES = ("verified", "secondary", "from memory", "unverified")  # from the best to the worst

Route = Literal["air", "bone"]
AgeGroup = Literal["adult", "child", "infant"]
Earphone = Literal["insert", "supra-aural", "circumaural"]
Status = Literal["verified", "secondary", "from memory", "unverified"]
_Hz = Annotated[float, Field(ge=100, le=20_000)]
_Db = Annotated[float, Field(ge=-60, le=120)]  # own choice: nothing of this kind lies outside
_ONE_HZ = 0.005  # frequencies closer than this fraction are one: nominal 500 Hz may be 500.5 Hz


class HearingError(QuotingError, ValueError):
    """Raised if no valid answer is possible; the text says what is missing or wrong, and what to do."""


def _several(value: Any) -> Any:
    return value if isinstance(value, (list, tuple)) else (value,)


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


class _Sourced(_Entry):
    source: str = Field(min_length=3)
    status: Status


class _Aged(_Sourced):
    age_group: Annotated[tuple[AgeGroup, ...], BeforeValidator(_several)]
    age_months: tuple[float, float] | None = None

    def fits_age(self, age_group: str, age_months: float | None) -> bool:
        """Whether this entry fits the age. An unknown age in months is taken to fit a narrower entry; see `narrower`."""
        known = age_months is not None and self.age_months is not None
        inside = not known or self.age_months[0] <= age_months <= self.age_months[1]  # type: ignore[index,operator]
        return age_group in self.age_group and inside

    @property
    def narrower(self) -> str:
        """Words for `age_months`."""
        return "" if self.age_months is None else f"{self.age_months[0]:g} to {self.age_months[1]:g} months of age"


class Table(_Entry):
    """Description of a table; its rows refer to it by name."""

    name: str = Field(min_length=1)
    title: str = Field(min_length=1)
    about: str = ""


class Row(_Aged):
    """One row. `correction_db` is added to dB nHL; the estimate scatters by `spread_db` (SD, nan when not published)."""

    table: str
    stimulus: Standard
    frequency_hz: Annotated[tuple[_Hz, ...], BeforeValidator(_several)] = ()
    route: Route
    transducer: Literal["any", "insert", "supra-aural", "circumaural", "bone-vibrator"]
    add_db: float | None = Field(default=None, ge=0, le=60)
    subtract_db: float | None = Field(default=None, ge=0, le=60)
    relative_to: Literal["air", "tone-burst"] | None = None
    spread_db: float | None = Field(default=None, gt=0, le=40)
    note: str = ""

    @model_validator(mode="before")
    @classmethod
    def _no_sign(cls, data: Any) -> Any:
        if isinstance(data, dict) and "correction_db" in data:
            raise ValueError("correction_db can be read with either sign: write subtract_db or add_db")
        return data

    @model_validator(mode="after")
    def _consistent(self) -> Row:
        if (self.add_db is None) == (self.subtract_db is None):
            raise ValueError("give exactly one of add_db and subtract_db, 0 or more")
        if (self.route == "bone") != (self.transducer == "bone-vibrator") and self.transducer != "any":
            raise ValueError(f"route = {self.route!r} with transducer = {self.transducer!r}: bone goes with bone-vibrator")
        if (self.stimulus in ("tone-burst", "octave-chirp")) != bool(self.frequency_hz):
            raise ValueError(f"stimulus = {self.stimulus!r}: tone-burst and octave-chirp have a frequency_hz, the others none")
        if self.relative_to == self.route or self.relative_to == self.stimulus:
            raise ValueError(f"relative_to = {self.relative_to!r} is this row's own: leave it out")
        return self

    @property
    def correction_db(self) -> float:
        return self.add_db if self.add_db is not None else -(self.subtract_db or 0.0)

    def is_for(self, stimulus: str, frequency_hz: float | None, route: str, transducer: str | None) -> bool:
        """Whether the row is for this sound. A transducer of None matches any row."""
        at_frequency = frequency_hz is None and not self.frequency_hz
        if frequency_hz is not None:
            at_frequency = any(same_hz(frequency_hz, hz) for hz in self.frequency_hz)
        fits = transducer is None or self.transducer in ("any", transducer)
        return (self.stimulus, self.route) == (stimulus, route) and at_frequency and fits


class Normal(_Aged):
    """Thresholds of normal ears: pairs (Hz, dB nHL). `accuracy_percent`: accuracy of a limit."""

    stimulus: Standard
    levels_db_nhl: tuple[tuple[_Hz, _Db], ...]
    route: Route
    kind: Literal["mean", "limit"] = Field(alias="is")
    accuracy_percent: float | None = Field(default=None, gt=50, le=100)

    def at(self, frequency_hz: float | None) -> float:
        """Threshold in dB nHL at a frequency; nan if nothing is published."""
        return next((db for hz, db in self.levels_db_nhl if frequency_hz is not None and same_hz(hz, frequency_hz)), math.nan)


class Interaural(_Aged):
    """Smallest attenuation between the ears in dB: one value for all frequencies, or pairs (Hz, dB)."""

    set: str = Field(min_length=1)
    transducer: Annotated[tuple[str, ...], BeforeValidator(_several)]
    minimum_db: float | None = Field(default=None, ge=0, le=120)
    minimum_by_hz: tuple[tuple[_Hz, float], ...] = ()

    @model_validator(mode="after")
    def _one_form(self) -> Interaural:
        if (self.minimum_db is None) == (not self.minimum_by_hz):
            raise ValueError("give exactly one of minimum_db and minimum_by_hz")
        return self

    def at(self, frequency_hz: float | None) -> float:
        """Value in dB at the nearest frequency of the row, in octaves; the smallest of all for a stimulus without one."""
        if self.minimum_db is not None:
            return self.minimum_db
        if frequency_hz is None:
            return min(db for _, db in self.minimum_by_hz)
        return min(self.minimum_by_hz, key=lambda pair: abs(math.log(pair[0] / frequency_hz)))[1]


class Occlusion(_Sourced):
    """Occlusion effect as pairs (Hz, dB)."""

    transducer: Annotated[tuple[Earphone, ...], BeforeValidator(_several)]
    effects_db: tuple[tuple[_Hz, float], ...]

    def at(self, frequency_hz: float | None) -> float:
        """Effect in dB of the nearest row; 0 above 1.4 times the highest frequency of the rows; the largest for a sound without a
        frequency."""
        if frequency_hz is None:
            return max(db for _, db in self.effects_db)
        if frequency_hz > 1.42 * max(hz for hz, _ in self.effects_db):
            return 0.0
        return min(self.effects_db, key=lambda pair: abs(math.log(pair[0] / frequency_hz)))[1]


class WhiteNoise(_Aged):
    """Level of white noise that removed a response by bone."""

    frequency_hz: _Hz
    level_db_nhl: _Db
    mean_db_spl: _Db
    sd_db: float = Field(gt=0, le=40)


class Grades(_Sourced):
    """Names for an average hearing level."""

    name: str = Field(min_length=1)
    title: str
    averages_hz: tuple[_Hz, ...] = Field(min_length=1)
    first: str
    steps: tuple[tuple[float, str], ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _rising(self) -> Grades:
        levels = [level for level, _ in self.steps]
        if levels != sorted(set(levels)):
            raise ValueError("steps must rise")
        return self

    def word(self, level_db: float) -> str:
        return next((word for level, word in reversed(self.steps) if level_db >= level), self.first)


class _File(_Entry):
    table: tuple[Table, ...] = ()
    row: tuple[Row, ...] = ()
    normal: tuple[Normal, ...] = ()
    interaural: tuple[Interaural, ...] = ()
    occlusion: tuple[Occlusion, ...] = ()
    white_noise: tuple[WhiteNoise, ...] = ()
    grades: tuple[Grades, ...] = ()


@dataclass(frozen=True)
class Chosen:
    """Tables that were chosen by name, with their rows."""

    names: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class HearingTables:
    """All tables, shipped and of the user."""

    tables: Mapping[str, Table]
    rows: tuple[Row, ...]
    normals: tuple[Normal, ...]
    interaural: tuple[Interaural, ...]
    occlusion: tuple[Occlusion, ...]
    white_noise: tuple[WhiteNoise, ...]
    grades: Mapping[str, Grades]

    def choose(self, names: Iterable[str]) -> Chosen:
        """The rows of these tables. Raises HearingError for none, and for an unknown name."""
        wanted = tuple(dict.fromkeys([names] if isinstance(names, str) else names))
        if not wanted:
            raise HearingError(f"no correction table is chosen, and there is no default: name one or more of {self._known()}")
        for name in wanted:
            if name not in self.tables:
                raise HearingError(f"correction table {name!r} is unknown; known are {self._known()}")
        return Chosen(wanted, tuple(row for row in self.rows if row.table in wanted))

    def grading(self, name: str) -> Grades:
        """A grading by name. Raises HearingError."""
        if name not in self.grades:
            raise HearingError(f"grades = {name!r} is unknown; known are {', '.join(self.grades)}")
        return self.grades[name]

    def in_words(self) -> tuple[str, ...]:
        """One line for each table, for the user's choice."""
        return tuple(
            f"{table.name}: {table.title}; {worst_status(row.status for row in self.rows if row.table == table.name)}"
            for table in self.tables.values()
        )

    def _known(self) -> str:
        return ", ".join(self.tables)


def same_hz(one_hz: float, other_hz: float) -> bool:
    return math.isclose(one_hz, other_hz, rel_tol=_ONE_HZ)


def worst_status(statuses: Iterable[str]) -> str:
    """The least certain of several statuses; "unverified" if there is none."""
    return max(statuses, key=STATUSES.index, default="unverified")


def load_hearing_tables(own: Path | None = None) -> HearingTables:
    """Read the shipped file, with the parts that `own` replaces or adds. Raises HearingError that names file, entry and key."""
    shipped = _read(SHIPPED)
    if own is None:
        return _tables(shipped)
    mine = _read(own)
    names, sets = {table.name for table in mine.table}, {entry.set for entry in mine.interaural}
    grades = {entry.name for entry in mine.grades}
    return _tables(
        _File(
            table=(*(table for table in shipped.table if table.name not in names), *mine.table),
            row=(*(row for row in shipped.row if row.table not in names), *mine.row),
            normal=mine.normal or shipped.normal,
            interaural=(*(entry for entry in shipped.interaural if entry.set not in sets), *mine.interaural),
            occlusion=mine.occlusion or shipped.occlusion,
            white_noise=mine.white_noise or shipped.white_noise,
            grades=(*(entry for entry in shipped.grades if entry.name not in grades), *mine.grades),
        )
    )


def _tables(file: _File) -> HearingTables:
    return HearingTables(
        {table.name: table for table in file.table},
        file.row,
        file.normal,
        file.interaural,
        file.occlusion,
        file.white_noise,
        {entry.name: entry for entry in file.grades},
    )


def _read(path: Path) -> _File:
    try:
        data = toml_of(path)
    except (OSError, ValueError) as error:
        raise HearingError(f"{path} cannot be read ({why(error)}): see {EXAMPLE} for the form of a file") from error
    try:
        file = _File.model_validate(data)
    except ValidationError as error:
        raise HearingError("\n".join(f"{path}: {_explain(problem)}" for problem in error.errors()[:10])) from error
    named = [table.name for table in file.table]
    if len(set(named)) < len(named):
        raise HearingError(f"{path}: two tables of one name; names are {', '.join(sorted(named))}")
    homeless = sorted({row.table for row in file.row} - set(named))
    if homeless:
        raise HearingError(f"{path}: rows of table {homeless[0]!r}, but no [[table]] of that name: add one with name and title")
    return file


def _explain(problem: Any) -> str:
    kind, *place = problem["loc"]
    entry = f"[[{kind}]]" + (f" number {place[0] + 1}" if place and isinstance(place[0], int) else "")
    key = ".".join(str(part) for part in place[1:2])
    told = message_of(problem)
    if key == "source":
        told = "is empty: name the document, its date and its place, or leave the row out"
    elif problem["type"] == "extra_forbidden":
        told = f"is unknown here; see {SHIPPED} for the keys"
    value = f" = {problem['input']!r}" if key and not isinstance(problem["input"], dict) else ""
    return f"{entry}: {key}{value}{': ' if key else ''}{told}"
