"""Selection of channels, their unit, and whether a run can use a stream. Pure: reads descriptions only."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from quietfloor.monitor.formats.xdf_format import DTYPES
from quietfloor.monitor.sources.base import ChannelError, StreamDescription
from quietfloor.stimuli.frames import COLUMNS

LOWEST_RATE_HZ = 4000.0  # own choice: below it, cutting sweeps at the nearest sample costs more than 10 % at 1 kHz
GOOD_RATE_HZ = 8000.0  # own choice: 2.5 % at 1 kHz even without sub-sample alignment

_PREFIXES_UV = {"": 1e6, "m": 1e3, "milli": 1e3, "u": 1.0, "μ": 1.0, "mu": 1.0, "micro": 1.0, "n": 1e-3, "nano": 1e-3}
_EXPONENTS_UV = {"-3": 1e3, "-6": 1.0, "-9": 1e-3}  # pylsl's set_channel_units writes the power of ten of a volt


class Channels(NamedTuple):
    """Channels as indices from 0 into the rows of a chunk."""

    eeg: tuple[int, ...]
    trigger: int


class Finding(NamedTuple):
    """One property of a stream that is good ("ok"), may be a problem ("warning"), or makes it unusable ("no")."""

    level: Literal["ok", "warning", "no"]
    sentence: str


def unit_to_uv(text: str) -> float:
    """Microvolts in one of the unit that ``text`` names; nan if it does not name a voltage.

    Accepts V, mV, uV and nV in their many spellings, and the exponents -3, -6, -9. "MV" gives nan, because it is used for both
    millivolts and microvolts.
    """
    # A µ sent as UTF-8 and read as Latin-1 arrives as "Âµ".
    unit = unicodedata.normalize("NFKC", text.replace("Â", "")).strip()
    if unit in _EXPONENTS_UV:
        return _EXPONENTS_UV[unit]
    if unit.startswith("MV"):
        return math.nan
    match = re.fullmatch(r"(milli|micro|mu|nano|[muμn]?)[\s_-]*(?:volts?|v)\.?", unit.lower())
    return _PREFIXES_UV[match.group(1)] if match else math.nan


def resolve_channels(description: StreamDescription, eeg: Sequence[str], trigger: str) -> Channels:
    """Find the channels that a person named.

    Each name is an exact label, else a label that fits regardless of case if only one does, else a number. Numbers count from 1;
    if any number given is 0, all of them count from 0. Raises ChannelError.
    """
    if not eeg:
        raise ChannelError("no EEG channel named: give at least one label or number. " + _has(description))
    asked = [name.strip() for name in (*eeg, trigger)]
    by_label = [_by_label(description, name) for name in asked]
    both = list(zip(asked, by_label, strict=True))
    first = 0 if any(index is None and _number(name) == 0 for name, index in both) else 1
    indices = [_by_number(description, name, first) if index is None else index for name, index in both]
    chosen, trigger_index = tuple(indices[:-1]), indices[-1]
    if len(set(chosen)) < len(chosen):
        raise ChannelError(f"EEG channels {', '.join(asked[:-1])} name one channel twice. " + _has(description))
    if trigger_index in chosen:
        raise ChannelError(
            f"trigger {asked[-1]!r} is channel {_named(description, trigger_index)}, which is also named as EEG: the trigger "
            "needs a channel of its own. " + _has(description)
        )
    return Channels(chosen, trigger_index)


def resolve_channel(description: StreamDescription, name: str) -> int:
    """One channel by its label, or its number from 1. Raises ChannelError."""
    index = _by_label(description, name.strip())
    return _by_number(description, name.strip(), 1) if index is None else index


def uv_per_unit(description: StreamDescription, eeg: Sequence[int]) -> float:
    """Microvolts per stream unit, common to the given channels; nan if the stream does not state it, or if they differ."""
    factors = [unit_to_uv(description.units[index]) for index in eeg]
    return factors[0] if factors and all(factor == factors[0] for factor in factors) else math.nan


def limit_of(channel_format: str) -> float:
    """Largest magnitude that samples of a format can hold; infinite for floating point."""
    dtype = DTYPES.get(channel_format)
    return float(np.iinfo(dtype).max) if dtype is not None and dtype.kind == "i" else math.inf


def timing_loss(rate_hz: float, frequency_hz: float = 1000.0) -> float:
    """Share of the amplitude at ``frequency_hz`` that is lost if sweeps are cut at the nearest sample: 1 - sinc(f/rate)."""
    cycles = frequency_hz / rate_hz
    return float(1.0 - np.sinc(cycles)) if math.isfinite(cycles) else 1.0


def suitability(description: StreamDescription) -> list[Finding]:
    """Judge whether a run can use this stream as its EEG: one finding per aspect, in words for the user."""
    if description.channel_format == "string":
        return [Finding("no", "It carries text, not samples: it can label stimuli, but no response can be measured in it.")]
    if description.type == "Audio" and description.labels == COLUMNS:
        return [Finding("no", "It is the sound of a run on its way to a virtual patient: no EEG is in it.")]
    findings = [_rate(description.rate_hz)]
    if description.channel_count < 2:
        findings.append(Finding("no", "It has one channel: the EEG and the trigger must be two channels of the same stream."))
    else:
        findings.append(Finding("ok", f"{description.channel_count} channels: room for EEG and trigger."))
    findings.append(_units(description))
    if not any(description.labels):
        findings.append(Finding("warning", "Its channels have no labels: name them by number, counted from 1."))
    if not description.source_id:
        findings.append(Finding("warning", "It has no source id: if its program stops or restarts, the run ends there."))
    return findings


def _rate(rate_hz: float) -> Finding:
    if not rate_hz > 0:
        return Finding("no", "It states no regular sampling rate: sweeps cannot be cut from it.")
    lost = 100 * timing_loss(rate_hz)  # of a wave that is turned over, more than all of it
    share = f"{lost:.2g} %" if lost < 99.5 else "all"
    loss = f"cutting sweeps at the nearest sample would cost {share} of the amplitude at 1 kHz"
    if rate_hz < LOWEST_RATE_HZ:
        return Finding("no", f"{rate_hz:g} Hz is too slow: {loss}; set the amplifier to {LOWEST_RATE_HZ:g} Hz or more.")
    if rate_hz < GOOD_RATE_HZ:
        return Finding("warning", f"{rate_hz:g} Hz will do, but {loss}: prefer {GOOD_RATE_HZ:g} Hz or more if the amplifier can.")
    return Finding("ok", f"{rate_hz:g} Hz: {loss}, and alignment between samples recovers that.")


def _units(description: StreamDescription) -> Finding:
    stated = sorted({unit for unit in description.units if unit})
    voltages = [unit for unit in stated if math.isfinite(unit_to_uv(unit))]
    if voltages:
        return Finding("ok", f"Its unit is stated: {', '.join(voltages)}.")
    what = f"states the unit {', '.join(stated)}, which is no voltage" if stated else "does not state its unit"
    return Finding("warning", f"It {what}: say by --unit whether its numbers are uV, mV or V.")


def _by_label(description: StreamDescription, name: str) -> int | None:
    if not name:
        raise ChannelError("a channel's name is empty. " + _has(description))
    exact = [index for index, label in enumerate(description.labels) if label == name]
    loose = [index for index, label in enumerate(description.labels) if label.casefold() == name.casefold()]
    for found in (exact, loose):
        if len(found) > 1:
            twins = ", ".join(_named(description, index) for index in found)
            raise ChannelError(f"label {name!r} fits channels {twins}: give a number instead. " + _has(description))
        if found:
            return found[0]
    return None


def _by_number(description: StreamDescription, name: str, first: int) -> int:
    number = _number(name)
    if number is None:
        raise ChannelError(f"no channel {name!r} in stream {description.name!r}. " + _has(description))
    index = number - first
    if not 0 <= index < description.channel_count:
        last = description.channel_count - 1 + first
        raise ChannelError(f"channel number {name} is outside {first} to {last}. " + _has(description))
    return index


def _number(name: str) -> int | None:
    return int(name) if re.fullmatch(r"[0-9]{1,9}", name) else None


def _named(description: StreamDescription, index: int) -> str:
    label = description.labels[index]
    return f"{index + 1} {label!r}" if label else str(index + 1)


def _has(description: StreamDescription) -> str:
    shown = [_named(description, index) for index in range(min(description.channel_count, 40))]
    more = f" and {description.channel_count - 40} more" if description.channel_count > 40 else ""
    return f"The stream has channels {', '.join(shown)}{more}."
