"""State of one EEG channel, from its samples alone: measured figures, their meaning, and what to do. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Severity
from quietfloor.monitor.readiness.lines import Line, Mains

RAIL_LIKE_UV = 10_000.0  # own choice: an input that stands still this far from zero is at its limit, not just unplugged
HUM_UV = 5.0  # own choice: a good set-up has less; it is outside the band and costs little, but the contact that lets it in does
LOOSE_UV = 50.0  # own choice: so much comes in where a contact is loose, rather than through cables that lie badly
HUM_IN_BAND = 0.3  # own choice: of the noise there; together they are then 4 % more than the noise alone
DRIFT_UV_PER_S = 100.0  # own choice: slow EEG moves by some tens of uV a second, a contact that settles by more
STEADY_UV_PER_S = 1.0  # own choice: no matter for anybody
OFFSET_UV = 100_000.0  # own choice: half of what common converters take at their highest gain (187.5 mV at 24 times, from memory)
LIMITED = 0.2  # own choice: part of the time at the limit; sweeps there are rejected
HELD = 0.4  # own choice: part of neighbouring samples that are equal
KOHM = 5.0  # one published protocol of click ABR asks for less at each electrode (read in its table)
TOP_LINES = 3  # named in words; all are in the numbers

SKIN = "clean the skin again, add gel, press the electrode on"


@dataclass(frozen=True)
class ChannelFigures:
    """Figures of one channel over the last seconds; voltages in uV, undefined is nan.

    ``still``, ``limited``, ``not_finite``: share of the time. ``level_uv``: mean; ``drift_uv_per_s``: its slope. ``noise_uv``:
    RMS in the band (median); ``hum_in_band_uv``: RMS of the mains lines in it. ``held``: share of neighbouring samples that are
    equal. ``step_uv``: smallest difference between two samples.
    """

    label: str
    decides: bool
    still: float = math.nan
    limited: float = math.nan
    not_finite: float = 0.0
    zero: bool = False
    level_uv: float = math.nan
    drift_uv_per_s: float = math.nan
    noise_uv: float = math.nan
    held: float = math.nan
    step_uv: float = math.nan
    mains: Mains | None = None
    hum_in_band_uv: float = math.nan
    tone: Line | None = None
    impedance_kohm: float = math.nan
    impedance_from: str = ""


def judge(channel: ChannelFigures, rail_uv: float) -> tuple[Finding, ...]:
    """Findings on a channel, one per aspect. Without a signal only the impedance is judged, which needs none."""
    bad: Severity = "stop" if channel.decides else "look"
    found = [_signal(channel, bad, rail_uv)]
    if alive(channel) and math.isnan(channel.level_uv):
        found.append(Finding("noise", "wait", "not known before the unit is", subject=channel.label))
    elif alive(channel):
        found += [_noise(channel), _mains(channel), _drift(channel), *_resolution(channel), *_tone(channel)]
    return (*found, *_impedance(channel))


def alive(channel: ChannelFigures) -> bool:
    """Whether the channel changes and is finite; False also while that is not known."""
    return channel.still <= 0.5 and channel.not_finite <= 0.5


def _signal(channel: ChannelFigures, bad: Severity, rail_uv: float) -> Finding:
    def say(severity: Severity, said: str, remedy: str, part: float, limit: float = 0.5) -> Finding:
        return Finding("signal", severity, said, remedy, channel.label, 100 * part, "%", 100 * limit, OWN_CHOICE)

    if math.isnan(channel.still):
        return Finding("signal", "wait", "listening", subject=channel.label)
    if channel.not_finite > 0.5:  # the engine leaves out what is no number in any of its channels
        said = f"no numbers {_percent(channel.not_finite)} of the time"
        remedy = "connect this input, or leave the channel out: until then no sweep can be used"
        return say("stop", said, remedy, channel.not_finite)
    if channel.still > 0.5:
        volts = abs(channel.level_uv)
        if channel.zero:
            remedy = "the amplifier sends nothing here: start it, switch the channel on, let its program read the input"
            return say(bad, "all zero", remedy, channel.still)
        if volts >= min(0.98 * rail_uv, RAIL_LIKE_UV):
            remedy = f"the contact is open or its offset too large: {SKIN}; check the reference; lower the gain"
            return say(bad, f"at the amplifier's limit: {_volts(channel.level_uv)}, does not move", remedy, channel.still)
        where = f" at {_volts(channel.level_uv)}" if math.isfinite(volts) else ""
        return say(bad, f"flat{where}", "plug the electrode in; is this the right channel?", channel.still)
    touched = max(channel.limited, channel.still)
    if touched > 0.0:
        severity: Severity = bad if touched > LIMITED else "look"
        remedy = f"lower the amplifier's gain; {SKIN}; sweeps there are rejected"
        return say(severity, f"at its limit or flat {_percent(touched)} of the time", remedy, touched, 0.0)
    return say("ok", "moves, and is within its limits", "", 0.0, 0.0)


def _noise(channel: ChannelFigures) -> Finding:
    if math.isnan(channel.noise_uv):
        return Finding("noise", "wait", "listening", subject=channel.label)
    return Finding("noise", "ok", f"{channel.noise_uv:.2g} uV RMS in the band", "", channel.label, channel.noise_uv, "uV")


def _mains(channel: ChannelFigures) -> Finding:
    if channel.mains is None:
        return Finding("mains", "wait", "listening", subject=channel.label)
    lines = channel.mains.lines
    if not lines:
        said = f"no hum above {max(channel.mains.least, 0.1):.1g} uV"
        return Finding("mains", "ok", said, "", channel.label, 0.0, "uV", HUM_UV, OWN_CHOICE)
    parts = tuple((f"{line.hz:.1f} Hz", line.amplitude) for line in lines)
    largest = max(line.amplitude for line in lines)
    in_band = math.isfinite(channel.noise_uv) and channel.hum_in_band_uv > HUM_IN_BAND * channel.noise_uv
    said, remedy = name_lines(lines), ""
    if largest >= LOOSE_UV:
        remedy = f"a contact is probably loose, the ground's or the reference's first: {SKIN}"
    elif largest >= HUM_UV or in_band:
        remedy = "check ground and reference, move cables away from the mains and keep them together"
    if in_band:
        said += f"; {channel.hum_in_band_uv:.2g} uV RMS of it in the band, where the noise is {channel.noise_uv:.2g}"
        remedy += "; switch lamps, chargers and screens off one by one"
    return Finding("mains", "look" if remedy else "ok", said, remedy, channel.label, largest, "uV", HUM_UV, OWN_CHOICE, parts)


def _drift(channel: ChannelFigures) -> Finding:
    drift, level = abs(channel.drift_uv_per_s), channel.level_uv
    if math.isnan(drift):
        return Finding("drift", "wait", "listening", subject=channel.label)
    remedies = []
    if drift > DRIFT_UV_PER_S:
        remedies.append("wait a minute for the contact to settle; keep cables and head still")
    if abs(level) > OFFSET_UV:
        remedies.append(f"the offset is close to what amplifiers take: use electrodes of one kind, {SKIN}")
    said = f"offset {_volts(level)}, " + (f"drifting {drift:.2g} uV/s" if drift >= STEADY_UV_PER_S else "steady")
    return Finding("drift", "look" if remedies else "ok", said, "; ".join(remedies), channel.label, drift, "uV/s", DRIFT_UV_PER_S,
                   OWN_CHOICE, (("offset", level),))  # fmt: skip


def _resolution(channel: ChannelFigures) -> Iterable[Finding]:
    """Finding on the resolution, only if there is a problem."""
    if channel.held > HELD:
        said = f"{_percent(channel.held)} of neighbouring samples are equal, the smallest step is {channel.step_uv:.2g} uV"
        remedy = "the stream repeats samples of a slower converter, or its steps are too coarse: check the amplifier's settings"
        yield Finding("resolution", "look", said, remedy, channel.label, 100 * channel.held, "%", 100 * HELD, OWN_CHOICE)


def _tone(channel: ChannelFigures) -> Iterable[Finding]:
    """Finding on a test tone, only if there is one."""
    if channel.tone is not None:
        said = f"{channel.tone.hz:.1f} Hz, {channel.tone.amplitude:.2g} uV: an impedance test seems to be on"
        remedy = "switch the impedance test of the amplifier off before the run; it also leaks into other channels"
        yield Finding("test_tone", "look", said, remedy, channel.label, channel.tone.amplitude, "uV", 0.0, "any clear tone there")


def _impedance(channel: ChannelFigures) -> Iterable[Finding]:
    """Finding on the impedance, only if the stream carries one."""
    kohm = channel.impedance_kohm
    if math.isfinite(kohm):
        high = kohm > KOHM
        said = f"{kohm:.2g} kOhm, {channel.impedance_from}"
        remedy = f"{SKIN}; below {KOHM:g} kOhm each, and alike, is usual" if high else ""
        severity: Severity = "look" if high else "ok"
        yield Finding("impedance", severity, said, remedy, channel.label, kohm, "kOhm", KOHM, "one published protocol")


def name_lines(lines: Iterable[Line]) -> str:
    """The fundamental and the largest lines in words: "50 Hz 14 uV, 150 Hz 5.6 uV, 250 Hz 2.8 uV and 3 smaller"."""
    ordered = sorted(lines, key=lambda line: -line.amplitude)
    named = sorted(ordered[:TOP_LINES], key=lambda line: line.hz)
    more = len(ordered) - len(named)
    text = ", ".join(f"{line.hz:.0f} Hz {line.amplitude:.2g} uV" for line in named)
    return text + (f" and {more} smaller" if more else "")


def drift_uv_per_s(means: Floats, spacing_s: float) -> Floats:
    """Slope (n_channels,) in uV/s of a line through means (n_channels, n) in uV, taken ``spacing_s`` apart."""
    t = (np.arange(means.shape[1]) - (means.shape[1] - 1) / 2) * spacing_s
    return np.asarray(means @ t / (t @ t))


def _percent(part: float) -> str:
    return f"{100 * part:.0f} %" if part >= 0.01 else "less than 1 %"


def _volts(uv: float) -> str:
    """A voltage in the unit that makes it readable."""
    size = abs(uv)
    if size >= 1e6:
        return f"{uv / 1e6:.4g} V"
    if size >= 500:
        return f"{uv / 1e3:.4g} mV" if size >= 1e4 else f"{uv / 1e3:.2g} mV"
    return f"{uv:.0f} uV" if size >= 100 else f"{uv:.2g} uV"
