"""Reference levels (0 dB nHL) from `references.toml`, and rows of the user that replace them."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date as Day
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from quietfloor.monitor.untrusted.bounded_io import toml_of, why
from quietfloor.monitor.untrusted.wrong_keys import wrong_key
from quietfloor.stimuli.calibration import BONE, Calibration, LevelError
from quietfloor.stimuli.waveforms import Waveform

_SHIPPED = Path(__file__).with_name("references.toml")
LAB = "lab"  # measured by the user: `quietfloor calibrate --references`
_STATUSES = ("verified", "secondary", "from memory", LAB)

Key = tuple[str, float | None, str, str]  # stimulus, frequency_hz, transducer, coupler


@dataclass(frozen=True)
class Reference:
    """The level of 0 dB nHL for one stimulus, transducer and coupler, with the source of the number.

    level_db_ppe: dB p-p.e. SPL, by bone re 1 uN. level_db_zeq: RMS level of its train at 20 per second, dB. nan: not given.
    thresholds_db: of a row that was measured by the user (status "lab"), whose median is level_db_ppe; by listener, a number.
    """

    stimulus: str
    transducer: str
    coupler: str
    level_db_ppe: float
    source: str
    status: str
    frequency_hz: float | None = None
    level_db_zeq: float = math.nan
    thresholds_db: tuple[float, ...] = ()
    listeners: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        what = f"reference for {_in_words(self.key)}"
        low, high = (20.0, 110.0) if self.transducer == BONE else (0.0, 80.0)  # own choice: no published threshold lies outside
        if not (low <= self.level_db_ppe <= high or (math.isnan(self.level_db_ppe) and not math.isnan(self.level_db_zeq))):
            raise LevelError(f"{what}: {self.level_key} = {self.level_db_ppe}; allowed is {low:g} to {high:g} dB")
        if not (math.isnan(self.level_db_zeq) or low - 40.0 <= self.level_db_zeq <= high):
            raise LevelError(f"{what}: level_db_zeq = {self.level_db_zeq}; allowed is {low - 40:g} to {high:g} dB")
        if self.frequency_hz is not None and not 20.0 <= self.frequency_hz <= 20_000.0:
            raise LevelError(f"{what}: frequency_hz = {self.frequency_hz}; allowed is 20 to 20000 Hz")
        _check_origin(what, self.source, self.status)
        listed = self.thresholds_db
        if len(set(self.listeners)) != len(listed) or bool(listed) != (self.status == LAB):
            raise LevelError(f"{what}: status {LAB!r} goes with thresholds_db and listeners, a number for each threshold")
        if listed and not abs(statistics.median(listed) - self.level_db_ppe) <= 0.05:
            raise LevelError(f"{what}: {self.level_key} = {self.level_db_ppe:g} is not the median of its thresholds_db")

    @property
    def n(self) -> int:
        """Listeners of a row that was measured by the user; 0 of others."""
        return len(self.thresholds_db)

    @property
    def spread_db(self) -> float:
        """SD of their thresholds; nan for fewer than two."""
        return statistics.stdev(self.thresholds_db) if self.n > 1 else math.nan

    @property
    def name(self) -> str:
        return _in_words(self.key)

    @property
    def level_words(self) -> str:
        """The level of 0 dB nHL with its unit."""
        if math.isnan(self.level_db_ppe):
            return f"{self.level_db_zeq:g} dB, L_Zeq of its train at 20 per second"
        return f"{self.level_db_ppe:g} dB p-p.e. {'re 1 uN' if self.transducer == BONE else 'SPL'}"

    @property
    def words(self) -> str:
        """Source and status, and of an own measurement the listeners."""
        return f"{self.source} ({self.status})"

    @property
    def key(self) -> Key:
        return self.stimulus, self.frequency_hz, self.transducer, self.coupler

    @property
    def level_key(self) -> str:
        return "level_db_ppe_force" if self.transducer == BONE else "level_db_ppe_spl"

    @property
    def level_db_ppe_spl(self) -> float:
        """Level in dB p-p.e. SPL, for earphones only; a vibrator has no sound pressure."""
        if self.transducer == BONE:
            raise LevelError(f"reference for {_in_words(self.key)}: its level is a force")
        return self.level_db_ppe


@dataclass(frozen=True)
class Zero:
    """One value of a table over frequency."""

    frequency_hz: float
    level_db: float
    source: str
    status: str


@dataclass(frozen=True)
class References:
    """All tables, with rows by their keys. The frequencies of `pure_tones` and `narrow_bands` rise."""

    signals: Mapping[Key, Reference]
    pure_tones: Mapping[tuple[str, str], tuple[Zero, ...]]  # by transducer, coupler
    narrow_bands: tuple[Zero, ...]

    def signal(self, waveform: Waveform, transducer: str, coupler: str) -> Reference:
        """The reference of a stimulus on a transducer and coupler. Raises LevelError if there is none."""
        key: Key = (waveform.name, waveform.frequency_hz, transducer, coupler)
        if key not in self.signals:
            known = "; ".join(_in_words(known) for known in self.signals)
            older = (waveform.name.partition(" ")[0], *key[1:])
            hint = ""
            if older in self.signals:
                hint = f"; the row named {older[0]!r} does not hold for it: name one {waveform.name!r}"
            raise LevelError(f"no reference threshold for {_in_words(key)}; known are {known}: add a row of your own{hint}")
        return self.signals[key]

    def pure_tone_db(self, transducer: str, coupler: str, frequency_hz: float) -> float:
        """0 dB HL of a tone in dB SPL, interpolated linearly over the logarithm of frequency. Raises LevelError outside the rows.
        """
        rows = self.pure_tones.get((transducer, coupler), ())
        return _between(rows, frequency_hz, f"pure-tone zero of {transducer} on {coupler}")

    def narrow_band_db(self, frequency_hz: float) -> float:
        """Level of third-octave noise at 0 dB effective masking, in dB above the pure-tone threshold. Raises LevelError."""
        return _between(self.narrow_bands, frequency_hz, "narrow-band reference level")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class ReferenceRow(_Table):
    stimulus: str
    transducer: str
    coupler: str
    source: str
    status: str
    frequency_hz: float | None = None
    level_db_ppe_spl: Annotated[float, Field(allow_inf_nan=False)] | None = None
    level_db_ppe_force: Annotated[float, Field(allow_inf_nan=False)] | None = None
    level_db_zeq: Annotated[float, Field(allow_inf_nan=False)] | None = None
    n: int = 0  # this and the next two say what follows from the last three
    spread_db: float | None = None
    date: Day | None = None
    listeners: list[int] = []
    thresholds_db: list[Annotated[float, Field(allow_inf_nan=False)]] = []

    def reference(self) -> Reference:
        if self.n != len(self.thresholds_db):
            raise LevelError(f"n = {self.n} with {len(self.thresholds_db)} thresholds_db: n is their number")
        by_bone = self.transducer == BONE
        own, other = (self.level_db_ppe_force, self.level_db_ppe_spl)[:: 1 if by_bone else -1]
        if other is not None:
            unit = ("spl", "force")[by_bone]
            raise LevelError(f"level_db_ppe_{('force', 'spl')[by_bone]} of {self.transducer}: write level_db_ppe_{unit}")
        levels = (math.nan if level is None else level for level in (own, self.level_db_zeq))
        level_db_ppe, level_db_zeq = levels
        return Reference(
            self.stimulus, self.transducer, self.coupler, level_db_ppe, self.source, self.status, self.frequency_hz, level_db_zeq,
            tuple(self.thresholds_db), tuple(self.listeners),
        )  # fmt: skip


class _Zeros(_Table):
    levels_db: list[Annotated[list[float], Field(min_length=2, max_length=2)]]
    source: str
    status: str

    def zeros(self, lowest_db: float, highest_db: float) -> dict[float, Zero]:
        """By frequency in Hz. Raises LevelError."""
        _check_origin("levels_db", self.source, self.status)
        for pair in self.levels_db:
            if not (20.0 <= pair[0] <= 20_000.0 and lowest_db <= pair[1] <= highest_db):
                allowed = f"[Hz, dB], 20 to 20000 Hz, {lowest_db:g} to {highest_db:g} dB"
                raise LevelError(f"levels_db: {pair}; allowed is {allowed}")
        return {hz: Zero(hz, db, self.source, self.status) for hz, db in self.levels_db}


class ToneRow(_Zeros):
    transducer: str
    coupler: str


class ReferencesFile(_Table):
    reference: list[ReferenceRow] = []
    pure_tone: list[ToneRow] = []
    narrow_band: list[_Zeros] = []


def load_references(own: Path | None = None) -> References:
    """The shipped tables; rows of the file `own` replace or extend them. Raises LevelError."""
    signals: dict[Key, Reference] = {}
    tones: dict[tuple[str, str], dict[float, Zero]] = {}
    bands: dict[float, Zero] = {}
    for path in (_SHIPPED, own):
        if path is None:
            continue
        file = _shipped() if path == _SHIPPED else _read(path)
        try:
            for reference in (row.reference() for row in file.reference):
                signals[reference.key] = reference
            for row in file.pure_tone:
                tones.setdefault((row.transducer, row.coupler), {}).update(row.zeros(-20.0, 100.0))
            for band in file.narrow_band:
                bands.update(band.zeros(0.0, 20.0))
        except LevelError as error:
            raise LevelError(f"{path}: {error}; see {_SHIPPED} for the form of a row") from error
    return References(
        MappingProxyType(signals),
        MappingProxyType({place: _rising(rows) for place, rows in tones.items()}),
        _rising(bands),
    )


def reference_for(waveform: Waveform, calibration: Calibration, references: References | None = None) -> Reference:
    """Return the reference for this stimulus on the coupler of the calibration. Raises LevelError."""
    table = load_references() if references is None else references
    return table.signal(waveform, calibration.transducer, calibration.coupler)


@lru_cache(maxsize=1)
def _shipped() -> ReferencesFile:
    """The shipped file, read once: a session asks for it at each of its levels."""
    return _read(_SHIPPED)


def _read(path: Path) -> ReferencesFile:
    see = f"see {_SHIPPED} for the form of a row"
    try:
        content = toml_of(path)
    except (OSError, ValueError) as error:
        raise LevelError(f"{path} cannot be read ({why(error)}): {see}") from error
    if not content:
        raise LevelError(f"{path} is empty: {see}")
    try:
        return ReferencesFile.model_validate(content)
    except ValidationError as error:
        raise LevelError(f"{path}: {'; '.join(wrong_key(problem) for problem in error.errors())}; {see}") from error


def _check_origin(what: str, source: str, status: str) -> None:
    if status not in _STATUSES:
        raise LevelError(f"{what}: status = {status!r}; allowed are {', '.join(_STATUSES)}")
    if not source.strip():
        raise LevelError(f"{what}: source is empty; name the standard or the study")


def _rising(rows: dict[float, Zero]) -> tuple[Zero, ...]:
    return tuple(rows[hz] for hz in sorted(rows))


def _between(rows: tuple[Zero, ...], frequency_hz: float, what: str) -> float:
    if not rows or not rows[0].frequency_hz <= frequency_hz <= rows[-1].frequency_hz:
        known = f"known from {rows[0].frequency_hz:g} to {rows[-1].frequency_hz:g} Hz" if rows else "none is known"
        raise LevelError(f"no {what} at {frequency_hz:g} Hz: {known}; add rows from your own standard")
    logs = [math.log(row.frequency_hz) for row in rows]
    return float(np.interp(math.log(frequency_hz), logs, [row.level_db for row in rows]))


def _in_words(key: Key) -> str:
    stimulus, frequency_hz, transducer, coupler = key
    return f"{stimulus}{'' if frequency_hz is None else f' {frequency_hz:g} Hz'} / {transducer} / {coupler}"
