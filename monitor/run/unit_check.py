"""Before the engine starts: is the stream in the unit it says, and is it alive? Pure functions on its first second."""

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
    """The stream cannot be used as it is; the text says why and what to do."""


@dataclass(frozen=True)
class UnitFinding:
    """Microvolts per stream unit, where that comes from, and the RMS that it makes of the first second."""

    uv_per_unit: float
    origin: str
    rms_uv: float
    note: str = ""


def band_rms(eeg: Floats, band: Band) -> float:
    """RMS in the band of the first of eeg (n_channels, n), in the stream's unit; robust against bursts; nan when too short."""
    finite = np.where(np.isfinite(eeg[:1]), eeg[:1], 0.0)
    out = RunningBand(band, 1).feed(finite - finite.mean())
    return float(1.4826 * np.median(np.abs(out))) if out.size else math.nan


def settle_unit(eeg: Floats, band: Band, stated_uv: float, given_uv: float, label: str) -> UnitFinding:
    """Choose the unit: ``given_uv`` by the user, else ``stated_uv`` by the stream (nan: not), else what is plausible.

    eeg (n_channels, n) in the stream's unit. Raises PreflightError when the RMS in the band is not that of EEG.
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
    """``settle_unit`` for the EEG channels of a stream, eeg (n_channels, n); what the user has ``given`` comes first."""
    stated = math.nan if given is not None else stated_uv(description, channels)
    return settle_unit(eeg, band, stated, math.nan if given is None else unit_to_uv(given), description.label(channels.eeg[0]))


def stated_uv(description: StreamDescription, channels: Channels) -> float:
    """Microvolts per unit as the stream states it for its EEG channels; nan where it states none, or none that is a voltage."""
    stated = {description.units[index] for index in channels.eeg if not math.isnan(unit_to_uv(description.units[index]))}
    if len({unit_to_uv(unit) for unit in stated}) > 1:
        raise PreflightError(
            f"the EEG channels state different units ({', '.join(sorted(stated))}): name channels of one unit by --eeg, or say "
            "by --unit which one holds for all of them"
        )
    return uv_per_unit(description, channels.eeg)


def _word(uv: float) -> str:
    """The unit's name where it has one."""
    return next((name for name, factor in UNITS_UV.items() if factor == uv), f"{uv:g} uV")


def _plausible(rms_uv: float) -> bool:
    return PLAUSIBLE_UV[0] <= rms_uv <= PLAUSIBLE_UV[1]
