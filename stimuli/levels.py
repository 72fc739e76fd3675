"""From dB nHL to a factor on the samples, through a reference threshold and a calibration.

    dB nHL + reference (dB p-p.e. SPL at 0 dB nHL) = dB p-p.e. SPL = full scale (dB p-p.e. SPL) + dB re full scale

dB re full scale counts the peak-to-peak value against 1.0, half of what -1..+1 can hold: the scale of the calibrations.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from stimuli.calibration import Calibration, LevelError
from stimuli.waveforms import Waveform

REFERENCE_PRESSURE_PA = 20e-6
LOWEST_DB_NHL, HIGHEST_DB_NHL = -40.0, 120.0  # own choice: what a plan may ask for; the ceiling is far lower for most outputs
LOWEST_DB_FS = -140.0  # own choice: below the last bit of a 24-bit converter
_SHIPPED = Path(__file__).with_name("references.toml")
_STATUSES = ("verified", "secondary", "from memory")


def db_ppe_spl(peak_to_peak_pa: float) -> float:
    """Peak-to-peak equivalent level: dB SPL (RMS) of the long sine with this peak-to-peak pressure. 1 Pa is 84.95 dB."""
    return 20.0 * math.log10(peak_to_peak_pa / (2.0 * math.sqrt(2.0)) / REFERENCE_PRESSURE_PA)


def peak_to_peak_pa(level_db_ppe_spl: float) -> float:
    """Inverse of `db_ppe_spl`."""
    return float(2.0 * math.sqrt(2.0) * REFERENCE_PRESSURE_PA * 10.0 ** (level_db_ppe_spl / 20.0))


@dataclass(frozen=True)
class Reference:
    """The level of 0 dB nHL for one stimulus, transducer and coupler, with where the number comes from."""

    stimulus: str
    transducer: str
    coupler: str
    level_db_ppe_spl: float
    source: str
    status: str

    def __post_init__(self) -> None:
        what = f"reference for {self.stimulus!r}, {self.transducer!r}, {self.coupler!r}"
        if not 0.0 <= self.level_db_ppe_spl <= 80.0:  # own choice: no published threshold of a short signal lies outside
            raise LevelError(f"{what}: level_db_ppe_spl = {self.level_db_ppe_spl}; allowed is 0 to 80 dB")
        if self.status not in _STATUSES:
            raise LevelError(f"{what}: status = {self.status!r}; allowed are {', '.join(_STATUSES)}")
        if not self.source.strip():
            raise LevelError(f"{what}: source is empty; name the standard or the study")


References = Mapping[tuple[str, str, str], Reference]


def load_references(own: Path | None = None) -> References:
    """The shipped reference thresholds by (stimulus, transducer, coupler); rows of the file `own` replace or extend them."""
    table: dict[tuple[str, str, str], Reference] = {}
    for path in (_SHIPPED, own):
        if path is None:
            continue
        for row in _rows(path):
            table[row.stimulus, row.transducer, row.coupler] = row
    return MappingProxyType(table)


def _rows(path: Path) -> list[Reference]:
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return [Reference(**{**row, "level_db_ppe_spl": float(row["level_db_ppe_spl"])}) for row in content["reference"]]
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        if isinstance(error, LevelError):
            raise
        raise LevelError(f"{path}: {error}; see {_SHIPPED} for the form of a row") from error


def reference_for(waveform: Waveform, calibration: Calibration, references: References | None = None) -> Reference:
    """The reference that fits this stimulus on the coupler that the calibration was measured with. Raises LevelError."""
    table = load_references() if references is None else references
    key = (waveform.name, calibration.transducer, calibration.coupler)
    if key not in table:
        known = "; ".join(" / ".join(k) for k in table)
        raise LevelError(f"no reference threshold for {' / '.join(key)}; known are {known}: add a row from your own standard")
    return table[key]


def gain(
    level_db_nhl: float, waveform: Waveform, ear: str, calibration: Calibration, references: References | None = None
) -> float:
    """Factor on the samples that gives `level_db_nhl` at `ear` ("left" or "right"). The output ceiling comes later, in `frames`.

    Raises LevelError for a level that no hearing test uses (nan included), or that this output cannot reach without clipping.
    """
    reference = reference_for(waveform, calibration, references)
    full_scale = calibration.full_scale_db_ppe_spl(ear)
    if not LOWEST_DB_NHL <= level_db_nhl <= HIGHEST_DB_NHL:
        raise LevelError(f"level_db_nhl = {level_db_nhl}; allowed is {LOWEST_DB_NHL:g} to {HIGHEST_DB_NHL:g} dB")
    factor = _factor(level_db_nhl + reference.level_db_ppe_spl - full_scale, waveform)
    if factor > 1.0:
        highest = level_db_nhl - 20.0 * math.log10(factor)
        raise LevelError(
            f"level_db_nhl = {level_db_nhl:g} would clip: calibration {calibration.id!r} reaches {highest:.1f} dB nHL "
            f"with {waveform.name!r} on the {ear} ear; lower the level, or calibrate with more amplification"
        )
    return factor


def gain_db_fs(level_db_fs: float, waveform: Waveform) -> float:
    """Factor for a level in dB re full scale (peak-to-peak against 1.0), all that can be said without a calibration."""
    highest = 20.0 * math.log10(waveform.peak_to_peak)
    if not LOWEST_DB_FS <= level_db_fs <= highest:
        raise LevelError(f"level_db_fs = {level_db_fs}; allowed for {waveform.name!r} is {LOWEST_DB_FS:g} to {highest:.2f} dB")
    return min(_factor(level_db_fs, waveform), 1.0)


def _factor(level_db_fs: float, waveform: Waveform) -> float:
    return float(10.0 ** (level_db_fs / 20.0) / waveform.peak_to_peak)


def level_db_nhl(
    factor: float, waveform: Waveform, ear: str, calibration: Calibration, references: References | None = None
) -> float:
    """Inverse of `gain`; -inf for silence."""
    if factor <= 0.0:
        return -math.inf
    level_db_fs = 20.0 * math.log10(factor * waveform.peak_to_peak)
    reference = reference_for(waveform, calibration, references).level_db_ppe_spl
    return calibration.full_scale_db_ppe_spl(ear) + level_db_fs - reference
