"""Check of the first second of a stream, before the engine starts: its unit, and whether it carries a signal. Pure functions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.filtering import Band, RunningBand
from quietfloor.monitor.core.samples import PLAUSIBLE_UV, Floats
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels, unit_to_uv, uv_per_unit

CHECK_S = 1.0
UNITS_UV = {"microvolts": 1.0, "millivolts": 1e3, "volts": 1e6}


class PreflightError(RuntimeError):
    """Raised if the stream cannot be used as it is; the text says why and what to do."""


@dataclass(frozen=True)
class UnitFinding:
    """Microvolts per stream unit, the source of that value, and the RMS of the first second in uV."""

    uv_per_unit: float
    origin: str
    rms_uv: float
    note: str = ""


def band_rms(eeg: Floats, band: Band) -> float:
    """RMS of the first channel of eeg (n_channels, n) in the band, in the stream's unit; robust against bursts; nan if it is too
    short."""
    finite = np.where(np.isfinite(eeg[:1]), eeg[:1], 0.0)
    out = RunningBand(band, 1).feed(finite - finite.mean())
    return float(1.4826 * np.median(np.abs(out))) if out.size else math.nan


def settle_unit(eeg: Floats, band: Band, stated_uv: float, given_uv: float, label: str) -> UnitFinding:
    """Choose the unit: ``given_uv`` from the user, else ``stated_uv`` from the stream (nan: not stated), else a plausible unit.

    eeg (n_channels, n) is in the stream's unit. Raises PreflightError if the RMS in the band is implausible for EEG.
    """
    rms = band_rms(eeg, band)
    dead = not rms > 0
    note = f"channel {label!r} did not change in the first {CHECK_S:g} s: is its input connected?" if dead else ""
    factor, origin = (given_uv, "given") if math.isfinite(given_uv) else (stated_uv, "stated by the stream")
    if math.isfinite(factor):
        if dead or _plausible(rms * factor):
            return UnitFinding(factor, origin, rms * factor, note)
        better = [name for name, uv in UNITS_UV.items() if _plausible(rms * uv)]
        hint = f"; read as {' or '.join(better)} it would be plausible: give that with --unit" if better else ""
        raise PreflightError(
            f"channel {label!r} has {rms * factor:.3g} uV RMS in the band {band.low_hz:g}-{band.high_hz:g} Hz with the unit "
            f"{origin} ({_word(factor)}); EEG has {PLAUSIBLE_UV[0]:g} to {PLAUSIBLE_UV[1]:g} uV{hint}. Check electrodes, gain "
            "and unit"
        )
    for name in ("microvolts", "volts"):
        uv = UNITS_UV[name]
        if dead or _plausible(rms * uv):
            made = "" if dead else f", which makes its noise {rms * uv:.3g} uV RMS"
            taken = f"the stream states no unit: taken as {name}{made}; state it with --unit"
            return UnitFinding(uv, f"assumed {name}", rms * uv, f"{note} Also, {taken}" if note else taken)
    raise PreflightError(
        f"the stream states no unit, and {rms:.3g} RMS in channel {label!r} is plausible neither as microvolts nor as volts: "
        "give --unit uV, mV or V, and check that this is the EEG channel"
    )


def unit_of(given: str | None, description: StreamDescription, channels: Channels, eeg: Floats, band: Band) -> UnitFinding:
    """``settle_unit`` for the EEG channels of a stream, eeg (n_channels, n); the unit ``given`` by the user has priority."""
    stated = math.nan if given is not None else stated_uv(description, channels)
    return settle_unit(eeg, band, stated, math.nan if given is None else unit_to_uv(given), description.label(channels.eeg[0]))


def stated_uv(description: StreamDescription, channels: Channels) -> float:
    """Microvolts per unit as the stream states it for its EEG channels; nan if it states none, or no voltage."""
    stated = {description.units[index] for index in channels.eeg if not math.isnan(unit_to_uv(description.units[index]))}
    if len({unit_to_uv(unit) for unit in stated}) > 1:
        raise PreflightError(
            f"the EEG channels state different units ({', '.join(sorted(stated))}): name channels of one unit by --eeg, or say "
            "by --unit which one holds for all of them"
        )
    return uv_per_unit(description, channels.eeg)


def _word(uv: float) -> str:
    """Name of the unit, if it has one."""
    return next((name for name, factor in UNITS_UV.items() if factor == uv), f"{uv:g} uV")


def _plausible(rms_uv: float) -> bool:
    return PLAUSIBLE_UV[0] <= rms_uv <= PLAUSIBLE_UV[1]
