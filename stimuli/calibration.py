"""What full scale means in dB, for one output chain and no other."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

EARS = ("left", "right")
TRANSDUCERS = ("insert", "supra-aural")
COUPLERS = ("occluded-ear-simulator", "2cc", "artificial-ear")  # IEC 60318-4, -5, -1

# Own choice. Quieter full scales cannot drive an ABR; louder ones do not come out of an earphone. Two ears of one set differ by a
# few dB: more means that one of the two numbers is wrong.
PLAUSIBLE_FULL_SCALE_DB = (90.0, 150.0)
PLAUSIBLE_EAR_DIFFERENCE_DB = 12.0


class LevelError(ValueError):
    """A level, reference or calibration that cannot be used; nothing is played."""


class CalibrationError(LevelError):
    """A calibration that is incomplete, implausible, out of date, or of another device."""


def plausible(left_db: float, right_db: float) -> bool:
    """Whether a pair of full scales can be true at all (nan is not)."""
    low, high = PLAUSIBLE_FULL_SCALE_DB
    return low <= left_db <= high and low <= right_db <= high and abs(left_db - right_db) <= PLAUSIBLE_EAR_DIFFERENCE_DB


@dataclass(frozen=True)
class Calibration:
    """dB p-p.e. SPL, per ear, of a waveform whose peak-to-peak value is 1.0, measured on `coupler`.

    It holds for one device, host interface and sample rate. condensation_sign: the sign of a sample that moves the diaphragm
    outward, measured acoustically. Raises CalibrationError that names the field.
    """

    id: str
    device: str
    host_interface: str
    rate_hz: float
    transducer: str
    coupler: str
    left_db_ppe_spl: float
    right_db_ppe_spl: float
    issued: date
    valid_days: int
    issued_by: str
    condensation_sign: int = 1

    def __post_init__(self) -> None:
        self._require(bool(self.id.strip()), "id", self.id, "a name that no other calibration has")
        self._require(math.isfinite(self.rate_hz) and self.rate_hz > 0, "rate_hz", self.rate_hz, "a rate above 0")
        self._require(self.transducer in TRANSDUCERS, "transducer", self.transducer, ", ".join(TRANSDUCERS))
        self._require(self.coupler in COUPLERS, "coupler", self.coupler, ", ".join(COUPLERS))
        self._require(
            plausible(self.left_db_ppe_spl, self.right_db_ppe_spl),
            "full_scale_db_ppe_spl",
            {"left": self.left_db_ppe_spl, "right": self.right_db_ppe_spl},
            "{:g} to {:g} dB for each ear, the two within {:g} dB".format(*PLAUSIBLE_FULL_SCALE_DB, PLAUSIBLE_EAR_DIFFERENCE_DB),
        )
        self._require(self.valid_days > 0, "valid_days", self.valid_days, "a number of days above 0")
        self._require(self.condensation_sign in (-1, 1), "condensation_sign", self.condensation_sign, "1 or -1")

    def _require(self, fulfilled: bool, field: str, value: object, allowed: str) -> None:
        if not fulfilled:
            raise CalibrationError(
                f"calibration {self.id!r}: {field} = {value!r}; allowed is {allowed}: correct it or calibrate again"
            )

    def full_scale_db_ppe_spl(self, ear: str) -> float:
        if ear not in EARS:
            raise LevelError(f"ear = {ear!r}; allowed are {', '.join(EARS)}")
        return self.left_db_ppe_spl if ear == "left" else self.right_db_ppe_spl

    def check(self, device: str, host_interface: str, rate_hz: float, today: date) -> None:
        """Raise CalibrationError, naming every difference, unless this calibration fits the output in use today."""
        wrong = []
        for field, mine, yours in (
            ("device", self.device, device),
            ("host_interface", self.host_interface, host_interface),
            ("rate_hz", self.rate_hz, rate_hz),
        ):
            if mine != yours:
                wrong.append(f"{field} is {mine!r}, in use is {yours!r}")
        age_days = (today - self.issued).days
        if not 0 <= age_days <= self.valid_days:
            wrong.append(f"issued on {self.issued}, valid for {self.valid_days} days, today is {today}")
        if wrong:
            raise CalibrationError(
                f"calibration {self.id!r} does not fit: {'; '.join(wrong)}. "
                "Calibrate this output, or play uncalibrated in dB re full scale"
            )


# TOML key -> type; the two levels are the table full_scale_db_ppe_spl.
_FIELDS: dict[str, type] = {
    "id": str,
    "device": str,
    "host_interface": str,
    "rate_hz": float,
    "transducer": str,
    "coupler": str,
    "full_scale_db_ppe_spl": dict,
    "issued": date,
    "valid_days": int,
    "issued_by": str,
    "condensation_sign": int,
}
_OPTIONAL = {"condensation_sign"}


def load_calibration(path: Path) -> Calibration:
    """Read a calibration from TOML: the fields of `Calibration`, the levels as a table `full_scale_db_ppe_spl` (left, right)."""
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CalibrationError(f"calibration file {path} cannot be read: {error}") from error
    try:
        fields = _checked(content, _FIELDS, _OPTIONAL)
        levels = _checked(fields.pop("full_scale_db_ppe_spl"), dict.fromkeys(EARS, float), set(), "full_scale_db_ppe_spl.")
        return Calibration(**fields, left_db_ppe_spl=levels["left"], right_db_ppe_spl=levels["right"])
    except CalibrationError as error:
        raise CalibrationError(f"calibration file {path}: {error}") from error


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
}
