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
from typing import Annotated, Any

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from quietfloor.monitor.untrusted.bounded_io import text_of, toml_from, toml_of, why
from quietfloor.monitor.untrusted.wrong_keys import unknown_key, wrong_value
from quietfloor.stimuli.calibration import BONE, EARS, Calibration, CalibrationError, Loop, Measured

_FIRST = ("id", "device", "host_interface", "rate_hz", "transducer", "coupler")
_THEN = ("issued", "valid_days", "issued_by", "condensation_sign", "measured_with")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _Ears(_Table):
    left: float = Field(default=math.nan, description="leave out an ear that was not measured")
    right: float = Field(default=math.nan, description="leave out an ear that was not measured")


class _MeasuredTable(_Ears):
    stimulus: str
    frequency_hz: float | None = None
    scale: str = "ppe"


class _LoopTable(_Ears):
    input: str
    frequency_hz: float
    level_db_fs: float


class CalibrationTable(_Table):
    """Keys of the file. What their values may be is checked by `Calibration`."""

    id: str
    device: str
    host_interface: str
    rate_hz: float
    transducer: str
    coupler: str
    full_scale_db_ppe_spl: _Ears | None = None
    full_scale_db_ppe_force: _Ears | None = None
    issued: date = Field(description="such as 2026-01-31, without quotes")
    valid_days: int
    issued_by: str
    condensation_sign: int = 1
    measured_with: str = "click"
    measured: list[_MeasuredTable] = []
    response_db: list[Annotated[list[float], Field(min_length=2, max_length=3)]] = Field(
        default=[], description="rows [Hz, dB] or [Hz, left dB, right dB]"
    )
    loop: _LoopTable | None = None
    channels: list[int] | None = None
    seal: str | None = None


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
    lines = [_line(name, getattr(calibration, name)) for name in _FIRST]
    levels = ", ".join(f"{ear} = {db!r}" for ear, db in _known(calibration.left_db_ppe, calibration.right_db_ppe).items())
    lines.append(f"{calibration.full_scale_key} = {{ {levels} }}")
    lines += [_line(name, getattr(calibration, name)) for name in _THEN]
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


def _known(left: float, right: float) -> dict[str, float]:
    return {ear: db for ear, db in zip(EARS, (left, right), strict=True) if not math.isnan(db)}


def _line(name: str, value: Any) -> str:
    return tomli_w.dumps({name: value}).rstrip("\n")


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [_line(name, value) for name, value in table.items()]


def _calibration(content: dict[str, Any]) -> tuple[Calibration, str | None]:
    try:
        table = CalibrationTable.model_validate(content)
    except ValidationError as error:
        raise CalibrationError("; ".join(_explained(problem) for problem in error.errors())) from error
    unit, other = ("force", "spl") if table.transducer == BONE else ("spl", "force")
    if getattr(table, f"full_scale_db_ppe_{other}") is not None:
        raise CalibrationError(
            f"full_scale_db_ppe_{other} does not fit transducer = {table.transducer!r}; write full_scale_db_ppe_{unit}"
        )
    full_scale = getattr(table, f"full_scale_db_ppe_{unit}")
    if full_scale is None:
        raise CalibrationError(f"full_scale_db_ppe_{unit} is missing: write {{ left = 120.0, right = 120.5 }}, or one ear")
    measured = (Measured(row.stimulus, row.frequency_hz, row.scale, row.left, row.right) for row in table.measured)
    loop = table.loop
    calibration = Calibration(
        **table.model_dump(include={*_FIRST, *_THEN}), left_db_ppe=full_scale.left, right_db_ppe=full_scale.right,
        measured=tuple(measured), response=tuple((row[0], row[1], row[-1]) for row in table.response_db),
        loop=None if loop is None else Loop(loop.input, loop.frequency_hz, loop.level_db_fs, loop.left, loop.right),
        channels=None if table.channels is None else tuple(table.channels),  # type: ignore[arg-type]
    )  # fmt: skip
    return calibration, table.seal


def _explained(problem: Any) -> str:
    key = ".".join(f"{part + 1}" if isinstance(part, int) else part for part in problem["loc"])
    if problem["type"] == "missing":
        return f"{key} is missing; add it"
    models: dict[str, type[_Table]] = {"measured": _MeasuredTable, "loop": _LoopTable}
    model = models.get(str(problem["loc"][0]), CalibrationTable)
    fields = (_Ears if key.startswith("full_scale") and len(problem["loc"]) > 1 else model).model_fields
    return unknown_key(key, fields) if problem["type"] == "extra_forbidden" else wrong_value(key, problem, fields)
