"""Units of a recording with several cells, and the cell of each, read from the widths of its triggers.

Units follow from the plan of the sound: each trigger has its place in the plan by its time (`following`), and triggers may be
missing. The code gives the cell, the run and the unit's number. Units are held back until `NEEDED` units in a row belong to this
run; after a unit that clearly belongs to another run, they are held back again. A unit that cannot be read is left out and
counted.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from .averaging import UNIT_SWEEPS
from .events import CellUnit
from .samples import Bools
from .train import DAMAGED, FOREIGN, Code
from .units import Sweep

NEEDED = 4  # with 4 bits for run and unit, another run passes in 1 of 65,000 cases, if its pauses fit too
MOST_FOREIGN = 4  # units; then the run is refused


class Coded(NamedTuple):
    """Units that may be judged now, in order, and whether the run is refused."""

    own: list[CellUnit]
    refused: bool = False


class CellUnits:
    """Reads the cell of each unit; feed it the sweeps of one unit after the other."""

    def __init__(self, code: Code, rate_hz: float, channels: int, n_times: int) -> None:
        self._code, self._ms = code, 1e3 / rate_hz
        self._shape = (channels, UNIT_SWEEPS, n_times)
        self._held: list[CellUnit] = []
        self._in_row = self._foreign = self._strays = 0

    def stray(self) -> None:
        """Report a trigger that belongs to no sound of the plan."""
        self._strays += 1

    def take(self, sweeps: list[Sweep], ready: int) -> Coded:
        """Take all existing sweeps of one unit, complete at raw sample ``ready``."""
        unit = self._unit(sweeps, ready)
        cell = unit.cell
        if cell == FOREIGN:
            self._in_row = 0
            self._foreign += 1
            out = [replace(one, cell=DAMAGED) for one in (*self._held, unit)]
            self._held = []
            return Coded(out, self._foreign >= MOST_FOREIGN)
        self._held.append(unit)
        if cell >= 0:
            self._in_row += 1
        if self._in_row and self._in_row < NEEDED:
            return Coded([])
        if self._in_row:
            self._foreign = 0
        out, self._held = self._held, []
        return Coded(out)

    def _unit(self, sweeps: list[Sweep], ready: int) -> CellUnit:
        signal, widths_ms = np.zeros(self._shape), np.full(UNIT_SWEEPS, np.nan)
        usable: Bools = np.zeros(self._shape[:2], dtype=bool)
        for sweep in sweeps:
            place = sweep.sound % UNIT_SWEEPS
            widths_ms[place] = sweep.onset.width * self._ms
            if sweep.signal is not None:
                signal[:, place] = sweep.signal
                usable[:, place] = [fault is None for fault in sweep.faults]
        number = sweeps[0].sound // UNIT_SWEEPS
        strays, self._strays = self._strays, 0
        return CellUnit(
            ready, number, self._code.read(number, widths_ms), strays,
            tuple(sweep.onset.position for sweep in sweeps), tuple(sweep.faults[0] for sweep in sweeps),
            tuple(sweep.sign for sweep in sweeps), signal, usable,
        )  # fmt: skip
