"""Tables of published values: `wave-norms.toml`, and a file of the user whose entries replace the shipped ones."""

from __future__ import annotations

import math
from pathlib import Path
from types import MappingProxyType
from typing import Any

from quietfloor.monitor.untrusted.bounded_io import toml_of, why
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.waves.norms import RANGE_SD, STATUSES, Burst, Key, Norms, Row, Study

_SHIPPED = Path(__file__).with_name("wave-norms.toml")


class NormError(QuotingError, ValueError):
    """Raised if a table of norms cannot be used; the message names file, entry and what is allowed."""


def load_norms(own: Path | None = None) -> Norms:
    """Read the shipped tables; entries of the file ``own`` replace or extend them. Raises NormError."""
    studies: dict[Key, Study] = {}
    bursts: dict[str, Burst] = {}
    for path in (_SHIPPED, own):
        if path is None:
            continue
        for table, entries in _read(path).items():
            for entry in entries:
                try:
                    if table == "burst":
                        bursts[_text(entry, "age_group")] = _burst(entry)
                    else:
                        key, study = _study(table, entry)
                        studies[key] = study
                except (KeyError, TypeError, ValueError) as error:
                    raise NormError(f"{path}: [[{table}]] {entry}: {error}; see {_SHIPPED} for the form of an entry") from error
    return Norms(MappingProxyType(studies), MappingProxyType(bursts))


def _read(path: Path) -> dict[str, Any]:
    try:
        content = toml_of(path)
    except (OSError, ValueError) as error:
        raise NormError(f"{path} cannot be read ({why(error)}): see {_SHIPPED} for the form of an entry") from error
    tables = ("latency", "burst", "interval", "amplitude")
    lists = all(isinstance(rows, list) and all(isinstance(row, dict) for row in rows) for rows in content.values())
    if not content or set(content) - set(tables) or not lists:
        raise NormError(f"{path}: allowed are the tables {', '.join(f'[[{name}]]' for name in tables)}; see {_SHIPPED}")
    return content


_COMMON = {"age_group", "source", "status", "n"}
_ALLOWED = {
    "latency": _COMMON | {"wave", "stimulus", "span_ms", "rows", "means"},
    "amplitude": _COMMON | {"wave", "stimulus", "span_ms", "rows"},
    "interval": _COMMON | {"from", "to", "mean_ms", "sd_ms"},
}


def _study(table: str, entry: dict[str, Any]) -> tuple[Key, Study]:
    _known(entry, _ALLOWED[table])
    source, status = _origin(entry)
    n = entry.get("n")
    if n is not None and (type(n) is not int or n < 1):
        raise ValueError(f"n = {n!r}: give a whole number of ears or persons")
    if table == "interval":
        mean, sd = _number(entry["mean_ms"], 0.1, 20.0), _number(entry["sd_ms"], 0.001, 10.0)
        wave, stimulus, span, of_means = f"{_text(entry, 'from')}-{_text(entry, 'to')}", "", None, False
        rows = [(math.nan, *_person(mean, sd))]
    else:
        wave, stimulus, of_means = _text(entry, "wave"), _text(entry, "stimulus"), "means" in entry
        span = _number(entry["span_ms"], 0.0, 20.0) if "span_ms" in entry else None
        if ("rows" in entry) == of_means or (stimulus == "chirp") != (span is not None):
            raise ValueError("give either rows or means, and span_ms of a chirp and of no other stimulus")
        most = 30.0 if table == "latency" else 5000.0
        rows = sorted(_row(row, most, table, of_means) for row in entry["means" if of_means else "rows"])
        if not rows or len({row[0] for row in rows}) < len(rows):
            raise ValueError("give at least one level, each once")
    return (table, wave, stimulus, _text(entry, "age_group"), span, of_means), Study(tuple(rows), source, status, n)


def _row(row: Any, most: float, table: str, of_means: bool) -> Row:
    columns = (2,) if table == "amplitude" and len(row) == 2 else (3,)
    if len(row) not in columns:
        raise ValueError(f"{row}: give dB nHL, mean and SD (of means: lowest and highest; of amplitudes the mean alone will do)")
    level, one = _number(row[0], -20.0, 130.0), _number(row[1], 0.0, most)
    if len(row) == 2:
        return level, one, math.nan, math.nan, math.nan
    other = _number(row[2], 0.0, most)
    if of_means:
        if other < one:
            raise ValueError(f"{row}: the lowest mean is above the highest")
        return level, (one + other) / 2, math.nan, one, other
    return (level, *_person(one, other))


def _person(mean: float, sd: float) -> tuple[float, float, float, float]:
    return mean, sd, mean - RANGE_SD * sd, mean + RANGE_SD * sd


def _burst(entry: dict[str, Any]) -> Burst:
    names = {"constant_ms", "factor_ms", "per_level", "per_frequency", "highest_db_spl", "db_spl_at_0_nhl"}
    _known(entry, names | {"age_group", "frequency_hz", "source", "status"})
    low, high = (_number(edge, 20.0, 20_000.0) for edge in entry["frequency_hz"])
    numbers = {name: _number(entry[name], -200.0, 200.0) for name in names}
    if not (low < high and numbers["per_level"] > 0):
        raise ValueError("frequency_hz is [lowest, highest], per_level above 0")
    return Burst(**numbers, frequency_hz=(low, high), source=_origin(entry)[0], status=_origin(entry)[1])


def _known(entry: dict[str, Any], allowed: set[str]) -> None:
    if unknown := set(entry) - allowed:
        raise ValueError(f"unknown {', '.join(sorted(unknown))}; allowed are {', '.join(sorted(allowed))}")


def _origin(entry: dict[str, Any]) -> tuple[str, str]:
    source, status = _text(entry, "source"), _text(entry, "status")
    if status not in STATUSES:
        raise ValueError(f"status = {status!r}; allowed are {', '.join(STATUSES)}")
    return source, status


def _text(entry: dict[str, Any], name: str) -> str:
    value = entry.get(name)
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{name} = {value!r}: give a text")
    return value


def _number(value: Any, low: float, high: float) -> float:
    if type(value) not in (int, float) or not low <= value <= high:
        raise ValueError(f"{value!r} is outside {low:g} to {high:g}")
    return float(value)
