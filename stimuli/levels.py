"""Levels: from dB nHL to a factor on the samples, through a reference threshold and a calibration.

    dB nHL + reference (dB p-p.e. at 0 dB nHL) = dB p-p.e. = full scale (dB p-p.e.) + dB re full scale

dB re full scale is the peak-to-peak value re 1.0, half of the range -1..+1: the scale of the calibrations. dB p-p.e. is re 20 uPa
for earphones (SPL) and re 1 uN for bone vibrators. A level that is stated in dB p-p.e. SPL needs no reference threshold.

A second way uses the RMS: the level of a train at 20 per second as a sound level meter reads it (L_Zeq, unweighted). If
calibration and reference of a stimulus are both stated in this way, they give the level without any peak-to-peak value. One kind
of level is converted to the other by means of the waveform, and only if its band is so narrow that an earphone does not change
its shape.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from quietfloor.stimuli.calibration import BONE, Calibration, LevelError
from quietfloor.stimuli.references import Reference, References, load_references, reference_for
from quietfloor.stimuli.waveforms import WAVEFORMS, Waveform, is_registered

__all__ = [
    "LEVEL_KEYS", "NHL", "STATED", "Basis", "Reference", "References", "db_ppe_spl", "full_scale_ppe", "gain", "gain_db_fs",
    "gain_on", "level_basis", "level_db_nhl", "load_references", "peak_to_peak_pa", "ppe_basis", "reference_for", "stated_level",
    "zeq_minus_ppe_db",
]  # fmt: skip

REFERENCE_PRESSURE_PA = 20e-6
REFERENCE_TRAIN_PER_S = 20.0  # of the reference thresholds: ISO 389-6 (verified: abstract of Poulsen & Legarth 2008)
LOWEST_DB_NHL, HIGHEST_DB_NHL = -40.0, 120.0  # own choice: what a plan may ask for; the ceiling is far lower for most outputs
LOWEST_DB_PPE, HIGHEST_DB_PPE = -20.0, 150.0  # own choice, likewise
NHL = "dB nHL"
# The keys in which a level can be stated, one of them, and their units.
STATED: Mapping[str, str] = MappingProxyType(
    {"level_db_nhl": NHL, "level_db_ppe_spl": "dB p-p.e. SPL", "level_db_fs": "dB re full scale"}
)
LEVEL_KEYS = ("level_db_ppe", "level_db_zeq", "level_rests_on", "reference_db", "reference_scale", "reference_source")
LOWEST_DB_FS = -140.0  # own choice: below the last bit of a 24-bit converter


def stated_level(sound: Mapping[str, Any]) -> tuple[float, str] | None:
    """Level of a sound and its unit, from the keys of a plan or of `stimulus` in run.json; None if it is not known."""
    return next(((float(sound[key]), unit) for key, unit in STATED.items() if sound.get(key) is not None), None)


def db_ppe_spl(peak_to_peak_pa: float) -> float:
    """Peak-to-peak equivalent level: dB SPL (RMS) of the long sine with this peak-to-peak pressure. 1 Pa is 84.95 dB."""
    return 20.0 * math.log10(peak_to_peak_pa / (2.0 * math.sqrt(2.0)) / REFERENCE_PRESSURE_PA)


def peak_to_peak_pa(level_db_ppe_spl: float) -> float:
    """Inverse of `db_ppe_spl`."""
    return float(2.0 * math.sqrt(2.0) * REFERENCE_PRESSURE_PA * 10.0 ** (level_db_ppe_spl / 20.0))


def zeq_minus_ppe_db(waveform: Waveform, rate_per_s: float = REFERENCE_TRAIN_PER_S) -> float:
    """RMS level of a train minus the peak-to-peak equivalent level of one sound, in dB. For a 100 us click at 20/s: -17.96 dB.

    The result describes the electric waveform. An earphone that does not pass the whole band changes it: a real one gave 3.3 dB
    less for a click than the ideal pulse (29.9 dB p-p.e. SPL against 25.6 dB RMS within 1 ms: JASA 1982, secondary).
    """
    mean_square = rate_per_s * float(np.sum(waveform.samples**2)) / waveform.rate_hz
    return 10.0 * math.log10(mean_square / (waveform.peak_to_peak**2 / 8.0))


@dataclass(frozen=True)
class Basis:
    """The numbers on which a level rests: full scale and reference on one scale ("ppe" or "zeq"), in dB. `text` says where the
    full scale comes from. `reference` is None for a level in dB p-p.e. SPL, and reference_db then 0: it rests on none."""

    full_scale_db: float
    reference_db: float
    scale: str
    text: str
    reference: Reference | None

    @property
    def key(self) -> str:
        return "level_db_ppe_spl" if self.reference is None else "level_db_nhl"

    @property
    def allowed_db(self) -> tuple[float, float]:
        """Lowest and highest level that can be asked for."""
        return (LOWEST_DB_PPE, HIGHEST_DB_PPE) if self.reference is None else (LOWEST_DB_NHL, HIGHEST_DB_NHL)

    def record(self, level: float, waveform: Waveform, rate_per_s: float) -> dict[str, str | float | None]:
        """What this level is in physical units, at the rate of its run, and on whose word; keys are `LEVEL_KEYS`."""
        level_db = level + self.reference_db
        to_zeq_db = zeq_minus_ppe_db(waveform, rate_per_s)  # at the rate of this run, by the waveform
        usual = waveform.name not in WAVEFORMS or is_registered(waveform)
        of_form = "" if usual else "; of the usual form of this stimulus, not of this one"
        if self.scale == "zeq":
            in_ppe, in_zeq = None, level_db + to_zeq_db - zeq_minus_ppe_db(waveform)
        else:
            in_ppe, in_zeq = level_db, level_db + to_zeq_db
        if self.reference is None:
            return dict(zip(LEVEL_KEYS, (in_ppe, in_zeq, self.text, None, None, None), strict=True))
        source = f"{self.reference.words}{of_form}"
        return dict(zip(LEVEL_KEYS, (in_ppe, in_zeq, self.text, self.reference_db, self.scale, source), strict=True))


def level_basis(waveform: Waveform, ear: str, calibration: Calibration, references: References | None = None) -> Basis:
    """Full scale and reference of this stimulus at `ear` ("left" or "right"). Raises LevelError when one is not known.

    The measurement of the stimulus itself has priority. Otherwise the full scale of the calibration is used, corrected by the
    response of the earphone if the stimulus has a frequency.
    """
    reference = reference_for(waveform, calibration, references)
    calibration.full_scale_db_ppe(ear)  # says which ear is wrong or was not measured
    own = calibration.measured_db(waveform.name, waveform.frequency_hz, ear)
    if own is not None and own[1] == "zeq" and not math.isnan(reference.level_db_zeq):
        return Basis(own[0], reference.level_db_zeq, "zeq", "measured with this stimulus as RMS of its train", reference)
    in_ppe = reference.level_db_ppe
    if math.isnan(in_ppe):
        problem = "its reference is RMS, the calibration did not measure it so"
        in_ppe = reference.level_db_zeq - _narrow_zeq_minus_ppe_db(waveform, problem)
    full_scale_db, text = full_scale_ppe(waveform, ear, calibration)
    return Basis(full_scale_db, in_ppe, "ppe", text, reference)


def ppe_basis(waveform: Waveform, ear: str, calibration: Calibration) -> Basis:
    """Full scale of this stimulus at `ear`, for a level in dB p-p.e. SPL on the coupler of the calibration, which needs no
    reference threshold. Raises LevelError."""
    if calibration.transducer == BONE:
        raise LevelError(
            f"level_db_ppe_spl with calibration {calibration.id!r} of a bone vibrator, which has no sound pressure: give "
            "level_db_nhl, or level_db_fs"
        )
    full_scale_db, text = full_scale_ppe(waveform, ear, calibration)
    return Basis(full_scale_db, 0.0, "ppe", text, None)


def full_scale_ppe(waveform: Waveform, ear: str, calibration: Calibration) -> tuple[float, str]:
    """Full scale of this stimulus in dB p-p.e., and where it comes from."""
    main = calibration.full_scale_db_ppe(ear, waveform.frequency_hz)
    own = calibration.measured_db(waveform.name, waveform.frequency_hz, ear)
    if own is None:
        calibration.refuse_older_row(waveform.name)
    elif own[1] == "zeq":
        to_ppe_db = _narrow_zeq_minus_ppe_db(waveform, "the calibration measured it as RMS, its level is asked for as p-p.e.")
        return own[0] - to_ppe_db, "measured with this stimulus as RMS, made p-p.e."
    else:
        return own[0], "measured with this stimulus"
    if calibration.measured_with == waveform.name:
        return main, "measured with this stimulus"
    where = "flat earphone assumed"
    if waveform.frequency_hz is not None and calibration.response:
        where = f"response of the earphone at {waveform.frequency_hz:g} Hz"
    return main, f"measured with {calibration.measured_with}, {where}"


def _narrow_zeq_minus_ppe_db(waveform: Waveform, problem: str) -> float:
    if waveform.frequency_hz is None:
        raise LevelError(
            f"{waveform.name!r}: {problem}, and an earphone changes the shape of so wide a band: measure its peak-to-peak value "
            "(`quietfloor calibrate --meter ppe`), or state level_db_zeq in a row of your own"
        )
    return zeq_minus_ppe_db(waveform)


def gain(
    level_db_nhl: float, waveform: Waveform, ear: str, calibration: Calibration, references: References | None = None
) -> float:
    """Factor on the samples that gives `level_db_nhl` at `ear` ("left" or "right"). The output ceiling is applied later, in
    `frames`.

    Raises LevelError for a level that no hearing test uses (nan included), or that this output cannot reach without clipping.
    """
    return gain_on(level_basis(waveform, ear, calibration, references), level_db_nhl, waveform, ear, calibration)


def gain_on(basis: Basis, level: float, waveform: Waveform, ear: str, calibration: Calibration) -> float:
    """`gain`, where its basis is known already; the level is in the unit of the basis."""
    lowest, highest = basis.allowed_db
    if not lowest <= level <= highest:
        raise LevelError(f"{basis.key} = {level}; allowed is {lowest:g} to {highest:g} dB")
    factor = _factor(level + basis.reference_db - basis.full_scale_db, waveform)
    if factor > 1.0:
        highest = level - 20.0 * math.log10(factor)
        raise LevelError(
            f"{basis.key} = {level:g} would clip: calibration {calibration.id!r} reaches {highest:.1f} {STATED[basis.key]} "
            f"with {waveform.name!r} on the {ear} ear; lower the level, or calibrate with more amplification"
        )
    return factor


def gain_db_fs(level_db_fs: float, waveform: Waveform) -> float:
    """Factor for a level in dB re full scale (peak-to-peak value re 1.0), the only scale that needs no calibration."""
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
    basis = level_basis(waveform, ear, calibration, references)
    return basis.full_scale_db + 20.0 * math.log10(factor * waveform.peak_to_peak) - basis.reference_db
