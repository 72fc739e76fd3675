"""Findings on the stream as a whole: rate, bandwidth, unit, missing samples, and whether the noise floor can be reached. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.signal import welch

from quietfloor.monitor.core.clock import RATE_PPM, REFUSED_PPM
from quietfloor.monitor.core.samples import PLAUSIBLE_UV, Floats
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Severity, parted
from quietfloor.monitor.run.unit_check import UNITS_UV, PreflightError, UnitFinding
from quietfloor.monitor.session.staircase_rules import MOST_SWEEPS, minutes, needed_sweeps, sweep_limit
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import suitability

CONVERTER_PASSES = 0.262  # of the rate, -3 dB: a converter of many open boards (ADS1299: TI SBAS499, secondary)
FALLS_DB = 10.0  # own choice, over the last octave of the band: EEG falls by 0 to 6 dB there, a low-pass filter by 12 or more
OCTAVE_PIECE_S = 0.05  # of samples, for one spectrum
ERRORS = 6.0  # standard errors that a rate must be off by, as in a run
SURE_PPM = 500.0  # own choice: two standard errors are then the 0.1 % that matter
KNOWN_S = 2.0  # of stream; a spectrum that is not known then belongs to a channel without a signal
AS_IN_A_RUN = "as in a run"
MEND = "do not trust times in ms: mend the rate that the amplifier's program states"


@dataclass(frozen=True)
class StreamFigures:
    """Figures of the stream, nan if not known.

    ``ppm``: measured against stated rate, with its standard error. ``falls_db``: fall of the spectrum over the last octave of the
    band. ``unit``: the unit that was determined, or the reason why none was.
    """

    seconds: float
    ppm: float
    ppm_error: float
    falls_db: float
    unit: UnitFinding | PreflightError | None
    lost_samples: int
    breaks: int
    not_finite: float
    refused: str  # why the plan cannot be carried out on this stream; "" where it can
    wrong_hz: float = math.nan  # by the clock of this machine, where that is another rate altogether
    clock_ppm: float = math.nan  # as ppm, by this clock
    clock_ppm_error: float = math.nan
    uneven: bool = False  # no second of samples came evenly enough to know the rate by this clock


def judge(seen: StreamFigures, description: StreamDescription, plan: Plan) -> tuple[Finding, ...]:
    """Findings about the stream itself."""
    bandwidth, unit = _bandwidth(seen, description, plan), _unit(seen)
    return (_rate(seen, description), bandwidth, unit, _samples(seen), *_identity(description))


def _rate(seen: StreamFigures, description: StreamDescription) -> Finding:
    level, sentence = suitability(description)[0]
    stated = description.rate_hz
    if level == "no" or not math.isfinite(seen.ppm):
        severity: Severity = "stop" if level == "no" else "wait"
        return Finding("rate", severity, f"{stated:g} Hz stated", sentence if level == "no" else "", value=stated, unit="Hz")
    if math.isfinite(seen.wrong_hz):
        by_clock = f"{stated:g} Hz stated, {seen.wrong_hz:.0f} Hz measured by this machine's clock"
        wrong = (("measured_hz", seen.wrong_hz),)
        return Finding("rate", "stop", by_clock, MEND, "", stated, "Hz", REFUSED_PPM, AS_IN_A_RUN, wrong)
    if seen.uneven:
        said = f"{stated:g} Hz stated; samples come too unevenly to measure the rate by this machine's clock"
        return Finding("rate", "wait", said, "close other programs, then check again", "", stated, "Hz", REFUSED_PPM, AS_IN_A_RUN)
    off, error = abs(seen.ppm), seen.ppm_error
    measured = f"{stated * (1 + 1e-6 * seen.ppm):.6g} Hz measured ({seen.ppm:+z.0f} ± {max(1.0, error):.0f} ppm)"
    said = f"{stated:g} Hz stated, {measured}"
    parts = (("ppm", seen.ppm), ("ppm_error", error))
    mild, serious = RATE_PPM

    def found(severity: Severity, remedy: str, limit: float, basis: str) -> Finding:
        return Finding("rate", severity, said, remedy, "", stated, "Hz", limit, basis, parts)

    if off > serious + ERRORS * error:
        return found("stop", MEND, serious, AS_IN_A_RUN)
    if abs(seen.clock_ppm) > serious + ERRORS * seen.clock_ppm_error:
        said += f"; {stated * (1 + 1e-6 * seen.clock_ppm):.5g} Hz by this machine's clock"
        return found("look", MEND, serious, AS_IN_A_RUN)
    if off > mild + ERRORS * error:
        return found("look", "times in ms are wrong by as much, which is harmless below 0.1 % (1000 ppm)", mild, AS_IN_A_RUN)
    if error > SURE_PPM:
        return found("look", "time stamps scatter too much to know it better yet: listen longer", SURE_PPM, OWN_CHOICE)
    return found("ok" if level == "ok" else "look", "" if level == "ok" else sentence, mild, AS_IN_A_RUN)


def _bandwidth(seen: StreamFigures, description: StreamDescription, plan: Plan) -> Finding:
    low, high = plan.analysis.band_hz
    rate = description.rate_hz
    if seen.refused:
        return Finding("bandwidth", "stop", seen.refused, "", value=0.45 * rate, unit="Hz", limit=high, basis="45 % of the rate")
    passes = CONVERTER_PASSES * rate
    said = f"band {low:g}-{high:g} Hz of at most {0.45 * rate:g} Hz at this rate"
    parts = (("falls_db", seen.falls_db), ("converter_hz", passes))
    if seen.falls_db > FALLS_DB:
        said += f"; the signal falls by {seen.falls_db:.0f} dB from {high / 2:g} to {high:g} Hz"
        remedy = "something before this program filters it: switch the amplifier's low-pass filter off, or raise its rate"
        return Finding("bandwidth", "look", said, remedy, "", seen.falls_db, "dB", FALLS_DB, OWN_CHOICE, parts)
    if high > passes:
        said += f"; converters of many open boards pass {passes:.0f} Hz at this rate"
        basis = "-3 dB at 0.262 of the rate, one converter's data sheet (secondary)"
        return Finding("bandwidth", "look", said, "raise the amplifier's rate if it can", "", passes, "Hz", high, basis, parts)
    if math.isnan(seen.falls_db) and seen.seconds < KNOWN_S:
        return Finding("bandwidth", "wait", said)
    return Finding("bandwidth", "ok", said, "", "", seen.falls_db, "dB", FALLS_DB, OWN_CHOICE, parts)


def _unit(seen: StreamFigures) -> Finding:
    basis, limit = f"{PLAUSIBLE_UV[0]:g} to {PLAUSIBLE_UV[1]:g} uV RMS in the band, own choice", PLAUSIBLE_UV[1]
    if seen.unit is None:
        return Finding("unit", "wait", "listening")
    if isinstance(seen.unit, PreflightError):
        what, remedy = parted(seen.unit)
        return Finding("unit", "stop", what, remedy, limit=limit, basis=basis)
    unit = seen.unit
    name = next((name for name, uv in UNITS_UV.items() if uv == unit.uv_per_unit), f"{unit.uv_per_unit:g} uV")
    assumed = unit.origin.startswith("assumed")
    said = f"{unit.origin}: nothing is stated" if assumed else f"{name}, {unit.origin}"
    if math.isfinite(unit.rms_uv):
        said += f"; {unit.rms_uv:.2g} uV RMS in the band"
    remedy = "say by --unit, or stream.unit in the plan, whether its numbers are uV, mV or V" if assumed else ""
    return Finding("unit", "look" if assumed else "ok", said, remedy, "", unit.rms_uv, "uV", limit, basis,
                   (("uv_per_unit", unit.uv_per_unit),))  # fmt: skip


def _samples(seen: StreamFigures) -> Finding:
    if seen.not_finite > 0:
        said = f"{100 * seen.not_finite:.2g} % of the samples are no numbers"
        bad = 100 * seen.not_finite
        return Finding("samples", "look", said, "is every chosen channel connected?", "", bad, "%", 0.0, AS_IN_A_RUN)
    if seen.breaks:
        said = f"{seen.lost_samples} missing, in {seen.breaks} places where the time stamps jump"
        remedy = "close other programs, use a cable instead of radio; sweeps there are rejected"
        return Finding("samples", "look", said, remedy, "", float(seen.lost_samples), "samples", 0.0, AS_IN_A_RUN)
    if seen.seconds < 1.0:
        return Finding("samples", "wait", "listening")
    return Finding("samples", "ok", f"none missing in {seen.seconds:.0f} s", "", "", 0.0, "samples", 0.0, AS_IN_A_RUN)


def _identity(description: StreamDescription) -> Iterable[Finding]:
    """Finding on the source id, only if it is missing."""
    if not description.source_id:
        remedy = "if its program stops or restarts, the run ends there; give the stream a source id where it is sent"
        yield Finding("identity", "look", "none", remedy)


def floor_finding(noise_uv: float, hum_uv: float, plan: Plan, sweeps_per_s: float, dead: str = "") -> Finding:
    """Finding on whether the noise floor can be reached, from the deciding channel: RMS in the band, and the part of it that is
    hum.

    The noise of the mean of independent sweeps is that of one sweep divided by the square root of their number. Hum counts as
    noise, which is cautious: random pauses and averaging within a unit cancel a part of it. ``dead``: label of the deciding
    channel, if it has no signal.
    """
    floor_nv, most = plan.decision.floor_nv, plan.decision.max_sweeps
    needed = needed_sweeps(noise_uv, floor_nv)
    if dead:
        return Finding("floor", "wait", f"not known while {dead} gives no signal")
    if not math.isfinite(noise_uv):
        return Finding("floor", "wait", "listening")
    if plan.search is not None:
        said = f"of a search not known before, it shares its sweeps among levels; now {noise_uv:.2g} uV RMS in the band"
        return Finding("floor", "ok", said, parts=(("noise_uv", noise_uv),))
    after_nv = 1e3 * noise_uv / math.sqrt(most)
    lasts = f" ({minutes(needed / sweeps_per_s)})" if sweeps_per_s > 0 else ""
    said = f"about {after_nv:.2g} nV after {most:,} sweeps, the floor is {floor_nv:g} nV: "
    parts = (("sweeps_needed", math.ceil(needed)), ("noise_uv", noise_uv))
    basis = "the plan's floor"
    if after_nv <= floor_nv:
        said += f"reached after about {_round(needed)}{lasts}"
        return Finding("floor", "ok", said, "", "", after_nv, "nV", floor_nv, basis, parts)
    said += f"not reached, about {_round(needed)} sweeps would be needed{lasts}"
    more = f"allow more sweeps (max_sweeps = {sweep_limit(needed)}, or in a session none), " if needed <= MOST_SWEEPS else ""
    remedy = f"let the person lie down with the neck at rest, improve the contacts, {more}or raise the floor"
    if hum_uv > 0.5 * noise_uv:
        remedy = f"remove the hum first ({hum_uv:.2g} uV of {noise_uv:.2g} uV); then {remedy}"
    return Finding("floor", "look", said, remedy, "", after_nv, "nV", floor_nv, basis, parts)


def _round(number: float) -> str:
    """The number with two significant digits; more would not be justified."""
    return f"{float(f'{number:.2g}'):,.0f}"


def sweeps_per_s(plan: Plan, triggers_per_s: float) -> float:
    """Sweeps per second of the plan, pauses included; with other equipment as observed, nan if nothing was."""
    if plan.sound is None:
        return triggers_per_s
    return 1.0 / plan.sound.sweep_s


def falls_db(x: Floats, rate_hz: float, band_hz: tuple[float, float]) -> float:
    """Fall in dB of the spectrum of x (n,) over the last octave of the band; medians, so that mains lines do not count."""
    high = band_hz[1]
    piece = int(OCTAVE_PIECE_S * rate_hz)
    if len(x) < 8 * piece or high > 0.45 * rate_hz:
        return math.nan
    hz, power = welch(x - x.mean(), rate_hz, nperseg=piece)
    upper, lower = (np.median(power[(hz >= 0.85 * top) & (hz <= top)]) for top in (high, high / 2))
    return float(10 * np.log10(lower / upper)) if upper > 0 and lower > 0 else math.nan
