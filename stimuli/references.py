"""Reference levels (0 dB nHL) from `references.toml`, and rows of the user that replace them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from quietfloor.monitor.untrusted.bounded_io import toml_of, why
from quietfloor.stimuli.calibration import BONE, Calibration, LevelError
from quietfloor.stimuli.waveforms import Waveform

_SHIPPED = Path(__file__).with_name("references.toml")
_STATUSES = ("verified", "secondary", "from memory")
_TABLES = ("reference", "pure_tone", "narrow_band")

Key = tuple[str, float | None, str, str]  # stimulus, frequency_hz, transducer, coupler


@dataclass(frozen=True)
class Reference:
    """The level of 0 dB nHL for one stimulus, transducer and coupler, with the source of the number.

    level_db_ppe: dB p-p.e. SPL, by bone re 1 uN. level_db_zeq: RMS level of its train at 20 per second, dB. nan: not given.
    """

    stimulus: str
    transducer: str
    coupler: str
    level_db_ppe: float
    source: str
    status: str
    frequency_hz: float | None = None
    level_db_zeq: float = math.nan

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


def load_references(own: Path | None = None) -> References:
    """The shipped tables; rows of the file `own` replace or extend them. Raises LevelError."""
    signals: dict[Key, Reference] = {}
    tones: dict[tuple[str, str], dict[float, Zero]] = {}
    bands: dict[float, Zero] = {}
    for path in (_SHIPPED, own):
        if path is None:
            continue
        content = _shipped() if path == _SHIPPED else _read(path)
        for row in content.get("reference", ()):
            reference = _reference(path, row)
            signals[reference.key] = reference
        for row in content.get("pure_tone", ()):
            place = (str(_required(path, row, "transducer")), str(_required(path, row, "coupler")))
            tones.setdefault(place, {}).update(_zeros(path, row, {"transducer", "coupler"}, (-20.0, 100.0)))
        for row in content.get("narrow_band", ()):
            bands.update(_zeros(path, row, set(), (0.0, 20.0)))
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
def _shipped() -> dict[str, Any]:
    """The shipped file, read once: a session asks for it at each of its levels."""
    return _read(_SHIPPED)


def _read(path: Path) -> dict[str, Any]:
    try:
        content = toml_of(path)
    except (OSError, ValueError) as error:
        raise LevelError(f"{path} cannot be read ({why(error)}): see {_SHIPPED} for the form of a row") from error
    unknown = [name for name in content if name not in _TABLES]
    lists = all(isinstance(rows, list) and all(isinstance(row, dict) for row in rows) for rows in content.values())
    if unknown or not content or not lists:
        raise LevelError(f"{path}: allowed are the tables {', '.join(f'[[{name}]]' for name in _TABLES)}; see {_SHIPPED}")
    return content


def _reference(path: Path, row: dict[str, Any]) -> Reference:
    level_key = "level_db_ppe_force" if row.get("transducer") == BONE else "level_db_ppe_spl"
    numbers = {name: row[name] for name in (level_key, "frequency_hz", "level_db_zeq") if name in row}
    plain = {field.name for field in fields(Reference)} - {"level_db_ppe"}
    try:
        unknown = set(row) - plain - {level_key}
        if unknown:
            raise KeyError(f"unknown {', '.join(sorted(unknown))}")
        for name, number in numbers.items():
            if type(number) not in (int, float) or math.isnan(number):
                raise ValueError(f"{name} = {number!r}; allowed is a number")
        for name in plain - set(numbers) - {"frequency_hz", "level_db_zeq"}:
            if name in row and not isinstance(row[name], str):
                raise ValueError(f"{name} = {row[name]!r}; allowed is a text")
        level = float(numbers.pop(level_key, math.nan))
        given: dict[str, Any] = {name: row[name] for name in row if name in plain}
        given |= {name: float(number) for name, number in numbers.items()}
        return Reference(**given, level_db_ppe=level)
    except LevelError as error:
        raise LevelError(f"{path}: {error}") from error
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LevelError(f"{path}: {row}: {error}; see {_SHIPPED} for the form of a row") from error


def _zeros(path: Path, row: dict[str, Any], plain: set[str], allowed: tuple[float, float]) -> dict[float, Zero]:
    unknown = set(row) - plain - {"levels_db", "source", "status"}
    if unknown:
        raise LevelError(f"{path}: unknown {', '.join(sorted(unknown))}; see {_SHIPPED} for the form of a row")
    source, status = str(_required(path, row, "source")), str(_required(path, row, "status"))
    _check_origin(str(path), source, status)
    zeros = {}
    levels = _required(path, row, "levels_db")
    for pair in levels if isinstance(levels, list) else [levels]:
        fits = isinstance(pair, list) and len(pair) == 2 and all(type(number) in (int, float) for number in pair)
        if not fits or not (20.0 <= pair[0] <= 20_000.0 and allowed[0] <= pair[1] <= allowed[1]):
            raise LevelError(
                f"{path}: levels_db: {pair}; allowed is [Hz, dB], 20 to 20000 Hz, {allowed[0]:g} to {allowed[1]:g} dB"
            )
        zeros[float(pair[0])] = Zero(float(pair[0]), float(pair[1]), source, status)
    return zeros


def _required(path: Path, row: dict[str, Any], name: str) -> Any:
    if name not in row:
        raise LevelError(f"{path}: {name} is missing in {row}; see {_SHIPPED} for the form of a row")
    return row[name]


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
