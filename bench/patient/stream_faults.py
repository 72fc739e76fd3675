"""Faults within a stream, as one table. A fault changes blocks in transit, the same for any division of the stream.

A block is samples (n_channels, n) in uV, the trigger last, with stamps (n,) in s. Temporary faults repeat every 3 s.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.artefacts import CRITERIA

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
EVERY_S = 3.0
MAINS_HZ, MAINS_UV = 50.0, ((1, 40.0), (3, 8.0), (5, 2.0))  # harmonics with their peaks: own choice
LEAK = 0.03  # of the trigger: 5 uV where it is 158 uV
HELD_MS = 0.5
RAIL_UV = 187_500.0  # 4.5 V at a gain of 24
INT16_UV = 0.01  # a step of an int16 stream
ONE_IN = 20  # triggers
_PULSE_MS = 5.0  # from the beginning of a pulse until the next one can begin
_LOW = 0.3  # of the height of a pulse: where it begins


class Block:
    """A piece of the stream, with the state that its fault keeps between pieces."""

    def __init__(self, rate_hz: float, at_s: float, seed: int = 0) -> None:
        self.rate_hz, self.at = rate_hz, round(at_s * rate_hz)
        self.rng = np.random.default_rng(seed)
        self.first = 0  # number of its first sample
        self.samples: Floats = np.zeros((2, 0))
        self.stamps_s: Floats = np.zeros(0)
        self.memory: dict[str, float] = {}
        self.pending: list[tuple[int, int, float]] = []

    @property
    def places(self) -> NDArray[np.int64]:
        return self.first + np.arange(len(self.stamps_s))

    def during(self, seconds: float) -> Bools:
        """Whether each sample lies in a stretch of the fault, (n,)."""
        since = self.places - self.at
        return (since >= 0) & (since % round(EVERY_S * self.rate_hz) < round(seconds * self.rate_hz))

    @property
    def after(self) -> Bools:
        return self.places >= self.at

    @property
    def times_struck(self) -> NDArray[np.int64]:
        """Number of times that the fault has begun by each sample, (n,)."""
        since = self.places - self.at
        return np.where(since >= 0, 1 + since // round(EVERY_S * self.rate_hz), 0)

    def drop(self, which: Bools) -> None:
        self.samples, self.stamps_s = self.samples[:, ~which], self.stamps_s[~which]


Change = Callable[[Block], None]


@dataclass(frozen=True)
class StreamFault:
    """One fault. ``says``: events that must be reported; ``leaves_out``: reasons of rejection of which at least one must occur,
    if any is given.

    ``ends``: the run must end on a fault. ``by_nature``: its effect on the EEG is time-locked to the stimulus, so that an average
    cannot distinguish it from a response; the event, and a muted run, can.
    """

    name: str
    what: str
    change: Change
    says: tuple[str, ...] = ()
    leaves_out: frozenset[str] = frozenset()
    ends: bool = False
    by_nature: bool = False
    limit_uv: float = math.inf  # of the format of the stream
    told_after_s: float = 0.0  # a shorter run need not say it


class Injector:
    """Applies one fault to one stream; blocks must come in order."""

    def __init__(self, fault: StreamFault, rate_hz: float, at_s: float, seed: int = 0) -> None:
        self.fault = fault
        self._block = Block(rate_hz, at_s, seed)

    def apply(self, samples_uv: Floats, stamps_s: Floats) -> tuple[Floats, Floats]:
        """The next block as it comes out of the fault; fewer samples where some are lost."""
        block = self._block
        block.samples, block.stamps_s = samples_uv.astype(np.float64), stamps_s.astype(np.float64)
        self.fault.change(block)
        block.first += len(stamps_s)
        return block.samples, block.stamps_s


# -- stamps and samples ---------------------------------------------------------------------------------------------------------


def _nothing(block: Block) -> None:
    pass


def _gap(block: Block) -> None:
    block.drop(block.during(0.3))


def _few_lost(block: Block) -> None:
    block.drop(block.during(3.0 / block.rate_hz))


def _jump(block: Block) -> None:
    block.stamps_s += 0.4 * block.times_struck


def _backward(block: Block) -> None:
    block.stamps_s -= 2.0 * block.times_struck


def _repeated(block: Block) -> None:
    for at in np.flatnonzero(block.during(0.4)):
        if block.during(1.0 / block.rate_hz)[at]:
            block.memory["stamp"] = float(block.stamps_s[at])
        block.stamps_s[at] = block.memory["stamp"]


def _faster(ppm: float) -> Change:
    def change(block: Block) -> None:
        first_s = block.memory.setdefault("first", float(block.stamps_s[0]))
        block.stamps_s = first_s + (block.stamps_s - first_s) / (1.0 + 1e-6 * ppm)

    return change


# -- EEG ------------------------------------------------------------------------------------------------------------------------


def _nan(block: Block) -> None:
    block.samples[0, block.during(0.3)] = np.nan


def _inf(block: Block) -> None:
    block.samples[0, block.during(2.0 / block.rate_hz)] = np.inf


def _saturated(block: Block) -> None:
    """An int16 stream whose input swings beyond what 16 bits hold."""
    swing = 600.0 * np.sin(2 * np.pi * 3.0 * (block.places - block.at) / block.rate_hz)
    block.samples[:-1] += np.where(block.during(0.5), swing, 0.0)
    info = np.iinfo(np.int16)
    block.samples[:-1] = np.clip(np.round(block.samples[:-1] / INT16_UV), info.min, info.max) * INT16_UV


def _rails(block: Block) -> None:
    block.samples[0, block.during(0.5)] = RAIL_UV


def _flat(block: Block) -> None:
    block.samples[0, block.during(0.5)] = 0.0


def _leak(block: Block) -> None:
    block.samples[:-1] += LEAK * block.samples[-1]


def _mains(block: Block) -> None:
    """Hum that is switched on and off."""
    turns = 2 * np.pi * MAINS_HZ * block.places / block.rate_hz
    hum = sum(uv * np.sin(number * turns + number) for number, uv in MAINS_UV)
    block.samples[:-1] += np.where(block.during(EVERY_S / 2), hum, 0.0)


# -- trigger --------------------------------------------------------------------------------------------------------------------


def _pulses(block: Block) -> list[tuple[int, int]]:
    """(place in the block, number) of each pulse that begins in it."""
    line = np.abs(block.samples[-1])
    block.memory["height"] = max(block.memory.get("height", 1e-9), float(line.max(initial=0.0)))
    up = np.flatnonzero(line > _LOW * block.memory["height"])
    found = []
    for at in up.tolist():
        if block.first + at >= block.memory.get("until", -math.inf):
            block.memory["until"] = block.first + at + round(1e-3 * _PULSE_MS * block.rate_hz)
            block.memory["count"] = block.memory.get("count", 0) + 1
            found.append((at, int(block.memory["count"])))
    return found


def _write(block: Block) -> None:
    """What is to be written into the trigger line, in this block and later ones."""
    stop = block.first + len(block.stamps_s)
    for start, end, value in block.pending:
        a, b = max(start, block.first) - block.first, min(end, stop) - block.first
        if a < b:
            block.samples[-1, a:b] = value
    block.pending = [one for one in block.pending if one[1] > stop]


def _chosen(block: Block) -> list[int]:
    """Samples, from the start of the stream, at which one of every so many pulses begins."""
    return [block.first + at for at, number in _pulses(block) if number % ONE_IN == 7 and block.first + at >= block.at]


def _missing(block: Block) -> None:
    for start in _chosen(block):
        block.pending.append((start, start + round(1e-3 * _PULSE_MS * block.rate_hz), 0.0))
    _write(block)


def _doubled(block: Block) -> None:
    for start in _chosen(block):
        again = start + round(9e-3 * block.rate_hz)
        block.pending.append((again, again + max(2, round(1e-3 * block.rate_hz)), block.memory["height"]))
    _write(block)


def _inverted(block: Block) -> None:
    block.samples[-1] *= -1.0


def _turned_over(block: Block) -> None:
    _pulses(block)
    block.samples[-1, block.after] = block.memory["height"] - block.samples[-1, block.after]


def _silent(block: Block) -> None:
    block.samples[-1, block.after] = 0.0


def _held(block: Block) -> None:
    size = max(2, round(1e-3 * HELD_MS * block.rate_hz))
    for at, place in enumerate(block.places.tolist()):
        if place % size == 0:
            block.memory["held"] = float(block.samples[-1, at])
        block.samples[-1, at] = block.memory.get("held", 0.0)


_LARGE = frozenset({"saturation", "flat", *(criterion.name for criterion in CRITERIA)})
_ALL = (
    StreamFault("none", "nothing: for comparison", _nothing),
    StreamFault("gap", "0.3 s of samples lost", _gap, ("gap:lost",), frozenset({"gap"})),
    StreamFault("few-lost", "3 samples lost", _few_lost, ("gap:lost",), frozenset({"gap"})),
    StreamFault("jump", "stamps jump ahead by 0.4 s", _jump, ("gap:lost",), frozenset({"gap"})),
    StreamFault("repeated", "stamps stand still for 0.4 s", _repeated, ("gap:repeated",), frozenset({"gap"})),
    StreamFault("backward", "stamps go back by 2 s", _backward, ("gap:clock",), frozenset({"gap"})),
    StreamFault("rate-200ppm", "200 ppm faster than stated", _faster(200.0), ("rate_mismatch",), told_after_s=10.1),
    StreamFault("rate-5000ppm", "0.5 % faster than stated", _faster(5000.0), ("rate_mismatch",), told_after_s=10.1),
    StreamFault("rate-20000ppm", "2 % faster than stated", _faster(20_000.0), ("rate_mismatch",), ends=True),
    StreamFault("nan", "0.3 s of NaN", _nan, ("gap:not_finite",), frozenset({"not_finite"})),
    StreamFault("inf", "2 infinite samples", _inf, ("gap:not_finite",), frozenset({"not_finite"})),
    StreamFault("int16", "int16 that saturates", _saturated, (), frozenset({"saturation"}), limit_uv=32767 * INT16_UV),
    StreamFault("rails", "0.5 s at the amplifier's rail", _rails, (), _LARGE),
    StreamFault("flat", "0.5 s of a flat line", _flat, (), _LARGE),
    StreamFault("trigger-missing", "1 trigger of 20 is missing", _missing, ("trigger_missing",)),
    StreamFault("trigger-doubled", "1 trigger of 20 comes twice", _doubled, ("trigger_doubled",), frozenset({"trigger_doubled"})),
    StreamFault("trigger-inverted", "the trigger is inverted", _inverted, ("trigger_learned",)),
    StreamFault("trigger-turned", "the line is turned over in the run", _turned_over, ("trigger_changed",),
                frozenset({"trigger_changed"})),
    StreamFault("trigger-silent", "no trigger any more", _silent, ("trigger_silent",), ends=True),
    StreamFault("trigger-held", "the trigger is read every 0.5 ms and held", _held, ("trigger_grid",)),
    StreamFault("crosstalk", "the trigger leaks into the EEG", _leak, ("trigger_artefact",), by_nature=True),
    StreamFault("mains-step", "mains hum is switched on and off", _mains, ("noise_changed",)),
)  # fmt: skip
STREAM_FAULTS = {fault.name: fault for fault in _ALL}
