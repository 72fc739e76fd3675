"""Read and write calibrations as TOML files with a seal, which shows when a number was changed.

    id, device, host_interface, issued_by   text; device, host_interface, rate_hz: of the output it holds for, and no other
    rate_hz, transducer, coupler            see `quietfloor.stimuli.calibration`
    full_scale_db_ppe_spl                   { left = 128.0, right = 128.4 }, or one ear; full_scale_db_ppe_force for a vibrator
    issued, valid_days                      2026-01-31, 365
    channels                                optional: [1, 2], outputs of a sound card for left and right; needed to play on one.
                                            [1, 1]: one earphone that is moved between the ears, its values equal for both
    condensation_sign, measured_with        optional: 1 or -1; text
    response_db                             optional: [[250, -3.0], [1000, 0.0], [4000, 1.5, 2.0]], Hz, dB of both ears or each
    [[measured]]                            optional: stimulus, frequency_hz (if it has one), scale ("ppe" or "zeq"), left, right
    [loop]                                  optional: input, frequency_hz, level_db_fs, left, right
    seal                                    16 hexadecimal digits over everything else: `quietfloor calibrate --seal FILE`
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

import tomli_w

from quietfloor.monitor.untrusted.bounded_io import text_of, toml_from, toml_of, why
from quietfloor.stimuli.calibration import BONE, EARS, Calibration, CalibrationError, Loop, Measured

# TOML key -> type
_FIELDS: dict[str, type] = {
    "id": str,
    "device": str,
    "host_interface": str,
    "rate_hz": float,
    "transducer": str,
    "coupler": str,
    "full_scale_db_ppe_spl": dict,
    "full_scale_db_ppe_force": dict,
    "issued": date,
    "valid_days": int,
    "issued_by": str,
    "condensation_sign": int,
    "measured_with": str,
    "measured": list,
    "response_db": list,
    "loop": dict,
    "channels": list,
    "seal": str,
}
_OPTIONAL = {"condensation_sign", "measured_with", "measured", "response_db", "loop", "channels", "seal"}
_EARS: dict[str, type] = dict.fromkeys(EARS, float)
_MEASURED: dict[str, type] = {"stimulus": str, "frequency_hz": float, "scale": str, **_EARS}
_LOOP: dict[str, type] = {"input": str, "frequency_hz": float, "level_db_fs": float, **_EARS}


def load_calibration(path: Path) -> Calibration:
    """Read a sealed calibration. Raises CalibrationError that names file and field."""
    calibration, seal = read_unsealed(path)
    if seal != seal_of(calibration):
        state = "carries no seal" if seal is None else "was changed since it was sealed"
        raise CalibrationError(
            f"calibration file {path} {state}: a wrong number here can harm hearing. Compare it with the measurement, then "
            f"`quietfloor calibrate --seal {path}`, or calibrate again"
        )
    return calibration


def read_unsealed(path: Path) -> tuple[Calibration, str | None]:
    """Return the calibration and the seal of the file, without checking the seal."""
    try:
        content: dict[str, Any] = toml_of(path)
    except (OSError, ValueError) as error:
        raise CalibrationError(
            f"calibration file {path} cannot be read ({why(error)}): name one that is there; a path in a plan counts from "
            "the plan's own folder, and a session that was moved takes a plan with the new path"
        ) from error
    try:
        return _calibration(content)
    except CalibrationError as error:
        raise CalibrationError(f"calibration file {path}: {error}") from error


def save_calibration(path: Path, calibration: Calibration) -> None:
    """Write and seal the file in one step: a reader finds the old file or the new one, never a part. Raises CalibrationError."""
    _write(path, _text(calibration, seal_of(calibration)))


def _write(path: Path, text: str) -> None:
    draft = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, suffix=".part", delete=False) as file:
            draft = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except OSError as error:
        if draft is not None:
            with contextlib.suppress(OSError):
                draft.unlink()
        raise CalibrationError(f"calibration file {path} cannot be written: {error.strerror or error}") from error


def seal(path: Path) -> Calibration:
    """Seal a file that was changed by hand, its comments kept. Raises CalibrationError."""
    calibration, _ = read_unsealed(path)
    lines = [line for line in text_of(path).splitlines() if not re.match(r"\s*seal\s*=", line)]
    first_table = next((number for number, line in enumerate(lines) if re.match(r"\[\[?[A-Za-z]", line)), len(lines))
    lines.insert(first_table, f'seal = "{seal_of(calibration)}"')
    text = "\n".join(lines) + "\n"
    try:
        sealed = _calibration(toml_from(text))
    except ValueError:
        sealed = None
    if sealed is None or seal_of(sealed[0]) != sealed[1]:  # written in a way that a line cannot be put into
        text = _text(calibration, seal_of(calibration))
    _write(path, text)
    return load_calibration(path)


def seal_of(calibration: Calibration) -> str:
    """Return a short hash over every value that differs from its default; it finds damage and slips, not forgery."""
    stated = {
        field.name: getattr(calibration, field.name)
        for field in fields(calibration)
        if field.default != getattr(calibration, field.name)
    }
    return hashlib.sha256(_canonical(stated).encode()).hexdigest()[:16]


def _canonical(value: Any) -> str:
    """One text for one meaning: 48000 and 48000.0 are the same number, also inside rows."""
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, dict):
        return "{" + ",".join(f"{name}:{_canonical(item)}" for name, item in sorted(value.items())) + "}"
    if isinstance(value, tuple):
        return "(" + ",".join(map(_canonical, value)) + ")"
    return repr(float(value)) if isinstance(value, (int, float)) else repr(value)


def describe(calibration: Calibration) -> str:
    """Return the text of the file, without its seal."""
    return _text(calibration, None)


def _text(calibration: Calibration, seal: str | None) -> str:
    """Return the content of the file; tables come last, as TOML requires."""
    plain = ("id", "device", "host_interface", "rate_hz", "transducer", "coupler")
    later = ("issued", "valid_days", "issued_by", "condensation_sign", "measured_with")
    lines = [_line(name, getattr(calibration, name)) for name in plain]
    levels = ", ".join(f"{ear} = {db!r}" for ear, db in _known(calibration.left_db_ppe, calibration.right_db_ppe).items())
    lines.append(f"{calibration.full_scale_key} = {{ {levels} }}")
    lines += [_line(name, getattr(calibration, name)) for name in later]
    if calibration.channels is not None:
        lines.append(f"channels = {list(calibration.channels)}")
    if calibration.response:
        lines.append(f"response_db = [{', '.join(f'[{hz!r}, {left!r}, {right!r}]' for hz, left, right in calibration.response)}]")
    if seal is not None:
        lines.append(_line("seal", seal))
    if calibration.loop is not None:
        loop = calibration.loop
        plain_loop = {"input": loop.input, "frequency_hz": loop.frequency_hz, "level_db_fs": loop.level_db_fs}
        lines += ["", "[loop]", *_lines(plain_loop | _known(loop.left_db, loop.right_db))]
    for row in calibration.measured:
        hz = {} if row.frequency_hz is None else {"frequency_hz": row.frequency_hz}
        lines += ["", "[[measured]]", *_lines({"stimulus": row.stimulus, **hz, "scale": row.scale})]
        lines += _lines(_known(row.left_db, row.right_db))
    return "\n".join(lines) + "\n"


def _line(name: str, value: Any) -> str:
    return tomli_w.dumps({name: value}).rstrip("\n")


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [_line(name, value) for name, value in table.items()]


def _calibration(content: dict[str, Any]) -> tuple[Calibration, str | None]:
    key = "full_scale_db_ppe_force" if content.get("transducer") == BONE else "full_scale_db_ppe_spl"
    other = ({"full_scale_db_ppe_force", "full_scale_db_ppe_spl"} - {key}).pop()
    if other in content:
        raise CalibrationError(f"{other} does not fit transducer = {content.get('transducer')!r}; write {key}")
    found = _checked(content, _FIELDS, _OPTIONAL | {other})
    seal = found.pop("seal", None)
    left, right = _ears(found.pop(key), key + ".")
    rows = found.pop("measured", [])
    measured = []
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            raise CalibrationError(f"measured = {row!r}; allowed are tables, each written [[measured]]")
        prefix = f"measured {number}: "
        row = _checked(row, _MEASURED, {"frequency_hz", "scale", *EARS}, prefix)
        levels = _ears_of(row, prefix)
        measured.append(Measured(row["stimulus"], row.get("frequency_hz"), row.get("scale", "ppe"), *levels))
    loop = found.pop("loop", None)
    if loop is not None:
        loop = _checked(loop, _LOOP, set(EARS), "loop.")
        loop = Loop(loop["input"], loop["frequency_hz"], loop["level_db_fs"], *_ears_of(loop, "loop."))
    response = tuple(_response_row(row) for row in found.pop("response_db", []))
    if "channels" in found:
        found["channels"] = tuple(found["channels"])
    calibration = Calibration(
        **found, left_db_ppe=left, right_db_ppe=right, measured=tuple(measured), response=response, loop=loop
    )
    return calibration, seal


def _ears(table: dict[str, Any], prefix: str) -> tuple[float, float]:
    return _ears_of(_checked(table, _EARS, set(EARS), prefix), prefix)


def _ears_of(table: dict[str, Any], prefix: str = "") -> tuple[float, float]:
    """(left, right), nan for one that is not given; a nan that was written is a mistake."""
    for ear in EARS:
        if ear in table and not math.isfinite(table[ear]):
            raise CalibrationError(f"{prefix}{ear} = {table[ear]}; allowed is a finite number: leave out an ear not measured")
    return table.get("left", math.nan), table.get("right", math.nan)


def _response_row(row: Any) -> tuple[float, float, float]:
    numbers = isinstance(row, list) and len(row) in (2, 3) and all(type(x) in (int, float) and math.isfinite(x) for x in row)
    if not numbers:
        raise CalibrationError(f"response_db: {row!r}; allowed is [Hz, dB] or [Hz, left dB, right dB]")
    return float(row[0]), float(row[1]), float(row[-1])


def _known(left: float, right: float) -> dict[str, float]:
    return {ear: db for ear, db in zip(EARS, (left, right), strict=True) if not math.isnan(db)}


def _checked(content: dict[str, Any], types: dict[str, type], optional: set[str], prefix: str = "") -> dict[str, Any]:
    for name in types:
        if name not in content and name not in optional:
            raise CalibrationError(f"{prefix}{name} is missing; add it")
    checked = {}
    for name, value in content.items():
        if name not in types:
            raise CalibrationError(f"unknown key {prefix}{name}; allowed are {', '.join(types)}")
        if types[name] is float and type(value) is int:
            value = float(value)
        if type(value) is not types[name]:  # exact: a date with a time, or a truth value for a number, is a mistake too
            raise CalibrationError(f"{prefix}{name} = {value!r}; allowed is a {_IN_WORDS[types[name]]}")
        checked[name] = value
    return checked


_IN_WORDS = {
    str: "text in quotes",
    float: "number",
    int: "whole number",
    date: "date such as 2026-01-31, without quotes",
    dict: "table such as { left = 120.0, right = 120.5 }",
    list: "list",
}
