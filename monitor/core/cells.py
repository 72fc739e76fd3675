"""Units of a recording with several cells, and the cell of each, read from the widths of its triggers.

Units follow from the plan of the sound: each trigger has its place in the plan by its time (`following`), and triggers may be
missing. The code gives the cell, the run and the unit's number. Units are held back until `NEEDED` units in a row belong to this
run; after a unit that clearly belongs to another run, they are held back again. A unit that cannot be read is left out and
counted.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple, Protocol

import numpy as np

from .averaging import UNIT_SWEEPS
from .epoching import Epoch
from .events import CellUnit
from .samples import Bools, Floats
from .train import ALL, DAMAGED, FOREIGN, Both, Code, Stream, streams_of
from .units import Sweep

NEEDED = 4  # with 4 bits for run and unit, another run passes in 1 of 65,000 cases, if its pauses fit too
MOST_FOREIGN = 4  # units; then the run is refused


class CellSettings(Protocol):
    """The part of the engine's settings that is needed here."""

    @property
    def together(self) -> Both | None: ...
    @property
    def epoch(self) -> Epoch: ...
    @property
    def frame_epoch(self) -> Epoch: ...


class Coded(NamedTuple):
    """Units that may be judged now, in order, and whether the run is refused."""

    own: list[CellUnit]
    refused: bool = False


class CellUnits:
    """Reads the cell of each unit; feed it the sweeps of one unit after the other.

    With both ears at once each unit becomes two, left ear first. A unit with an even number carries the cell of the left ear, one
    with an odd number that of the right ear. Each cell is played in its unit and in the next one. With two sounds in each ear
    four streams take turns like that, and each unit becomes four.
    """

    def __init__(self, code: Code, rate_hz: float, channels: int, settings: CellSettings) -> None:
        self._code, self._ms = code, 1e3 / rate_hz
        self._channels, self._together = channels, settings.together
        self._epoch, self._frame = settings.epoch, settings.frame_epoch
        self._held: list[tuple[CellUnit, ...]] = []
        self._in_row = self._foreign = self._strays = 0
        self._streams = streams_of(0 if settings.together is None else settings.together.sounds)
        self._told = [(-1, DAMAGED)] * len(self._streams)  # the last unit that carried the cell of each, and that cell

    def stray(self) -> None:
        """Report a trigger that belongs to no sound of the plan."""
        self._strays += 1

    def take(self, sweeps: list[Sweep], ready: int) -> Coded:
        """Take all existing sweeps of one unit, complete at raw sample ``ready``."""
        cell, units = self._units(sweeps, ready)
        if cell == FOREIGN:
            self._in_row = 0
            self._foreign += 1
            out = [replace(one, cell=DAMAGED) for each in (*self._held, units) for one in each]
            self._held = []
            return Coded(out, self._foreign >= MOST_FOREIGN)
        self._held.append(units)
        if cell >= 0:
            self._in_row += 1
        if self._in_row and self._in_row < NEEDED:
            return Coded([])
        if self._in_row:
            self._foreign = 0
        held, self._held = self._held, []
        return Coded([one for each in held for one in each])

    def _units(self, sweeps: list[Sweep], ready: int) -> tuple[int, tuple[CellUnit, ...]]:
        """What the code says, and the unit, or the unit of each ear."""
        number = sweeps[0].sound // UNIT_SWEEPS
        widths_ms = np.full(UNIT_SWEEPS, np.nan)
        for sweep in sweeps:
            widths_ms[sweep.sound % UNIT_SWEEPS] = sweep.onset.width * self._ms
        cell = self._code.read(number, widths_ms)
        strays, self._strays = self._strays, 0
        if self._together is None:
            return cell, (self._unit(sweeps, ready, cell, strays),)
        turns = len(self._streams)
        self._told[number % turns] = (number, cell)
        units = []
        for place, (stream, offsets_s) in enumerate(zip(self._streams, self._together.offsets_s(number), strict=True)):
            if place > number:  # it hears nothing before its first turn
                break
            told, its_cell = self._told[place]
            its_cell = its_cell if told > number - turns else DAMAGED
            units.append(self._unit(sweeps, ready, its_cell, strays if place == 0 else 0, offsets_s, stream))
        return cell, tuple(units)

    def _unit(
        self, sweeps: list[Sweep], ready: int, cell: int, strays: int, offsets_s: Floats | None = None,
        stream: Stream = ALL,
    ) -> CellUnit:  # fmt: skip
        signal = np.zeros((self._channels, UNIT_SWEEPS, self._epoch.n_times))
        usable: Bools = np.zeros((self._channels, UNIT_SWEEPS), dtype=bool)
        positions = []
        for sweep in sweeps:
            place = sweep.sound % UNIT_SWEEPS
            after_s = 0.0 if offsets_s is None else float(offsets_s[place])
            positions.append(sweep.onset.position + 1e3 * after_s / self._ms)
            if sweep.signal is not None:
                signal[:, place] = sweep.signal if offsets_s is None else self._later(sweep.signal, after_s)
                usable[:, place] = [fault is None for fault in sweep.faults]
        return CellUnit(
            ready, sweeps[0].sound // UNIT_SWEEPS, cell, strays, tuple(positions), tuple(sweep.faults[0] for sweep in sweeps),
            tuple(sweep.sign for sweep in sweeps), signal, usable, stream[0], stream[1] if len(self._streams) > 2 else None,
        )  # fmt: skip

    def _later(self, signal: Floats, after_s: float) -> Floats:
        """The sweep of the sound that begins this long after its frame (n_channels, n_times)."""
        after_ms = self._epoch.first_ms + 1e3 * after_s - self._frame.first_ms
        return self._epoch.later(signal, after_ms * 1e-3 * self._epoch.band.analysis_rate_hz)
