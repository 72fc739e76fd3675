"""Code of a unit's cell in the widths of its triggers: written by the player, read from the EEG stream.

The first trigger of a unit marks the unit and is wide. The other 15 triggers are a word of 15 bits: as narrow as any trigger for
0, as wide as the mark for 1. Only these two widths are used, because at 4 kHz only two can be told from each other and from the
marks of breaks.

The words are those of the Hamming code (15, 11), which contains the BCH code (15, 7): 7 bits give the cell, and 4 bits the run
and the unit (a hash of the run's key and the unit's number). The words of two cells differ in at least 5 bits, those of two runs
in at least 3. A unit is read only if at most `MOST_UNREAD` of its bits are unclear and all others fit. Therefore at least 3 bits
must be inverted before a unit is given to a wrong cell, or 5 if all bits are clear.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

UNIT_SWEEPS = 16
BITS = UNIT_SWEEPS - 1
MOST_CELLS = 128
RUNS = 16  # words of one cell, one for each value of the bits that say run and unit
MOST_UNREAD = 2
# Of the first lobe, ms: 0.5 is 0, 1.0 is 1. At 4 kHz a digital input may see 3 samples of either: that is not clear. An analogue
# one at 4 kHz sees lobes 0.1 to 0.15 ms narrower (measured: tests/stimuli/test_cell_code.py). From the last limit on a lobe is a
# mark of a break.
NARROWEST_MS, NARROW_MS, WIDE_MS, BREAK_MARK_MS = 0.2, 0.61, 0.76, 1.3
DAMAGED, FOREIGN = -1, -2

# Generators over GF(2), bit n for x^n: x^4 + x + 1 of the Hamming code, times x^4 + x^3 + x^2 + x + 1 that of the BCH code (a
# textbook's pair, from memory; the test counts the distances of all words).
_HAMMING, _SECOND = 0b10011, 0b11111
_PLACES = (1 << np.arange(BITS)).astype(np.int16)


class CellCodeError(ValueError):
    """Raised for a table of cells that the code cannot hold, or a unit or cell that it does not have."""


def _product(a: int, b: int) -> int:
    """Product of two polynomials over GF(2)."""
    out = 0
    while b:
        out ^= a * (b & 1)
        a, b = a << 1, b >> 1
    return out


_OF_CELL = np.array([_product(_HAMMING, _product(_SECOND, cell)) for cell in range(MOST_CELLS)], dtype=np.int16)
_OF_RUN = np.array([_product(_HAMMING, run) for run in range(RUNS)], dtype=np.int16)
_IS_WORD = np.zeros(1 << BITS, dtype=bool)
_IS_WORD[np.bitwise_xor.outer(_OF_CELL, _OF_RUN)] = True


@dataclass(frozen=True)
class CellCode:
    """The code of one run. ``key`` distinguishes the run from others (the seed of its pauses); ``cells`` is the number of cells.

    Raises CellCodeError.
    """

    key: int
    cells: int

    def __post_init__(self) -> None:
        if not 1 <= self.cells <= MOST_CELLS:
            raise CellCodeError(
                f"{self.cells} cells; allowed are 1 to {MOST_CELLS}: search fewer conditions or levels in one recording"
            )

    def wide(self, unit: int, cell: int) -> tuple[bool, ...]:
        """Which of the 16 triggers of a unit (numbered from 0 in the run) are wide: (16,) bool. The first one always is."""
        if not (0 <= cell < self.cells and unit >= 0):
            raise CellCodeError(f"cell {cell} of unit {unit}; cells are 0 to {self.cells - 1}, units begin with 0")
        word = int(_OF_CELL[cell]) ^ int(_OF_RUN[_run_bits(self.key, unit)])
        return (True, *(bool(word >> place & 1) for place in range(BITS)))

    def read(self, unit: int, widths_ms: NDArray[np.float64]) -> int:
        """The cell of a unit, from the widths (16,) in ms of the first lobes of its triggers; nan for a missing trigger.

        Returns DAMAGED if the cell cannot be read, FOREIGN if the word clearly belongs to another run, unit or table.
        """
        return int(self.read_all(np.array([unit]), widths_ms[np.newaxis])[0])

    def read_all(self, units: NDArray[np.int64], widths_ms: NDArray[np.float64]) -> NDArray[np.int64]:
        """The cells (n,) of units (n,) with widths (n, 16); see `read`."""
        with np.errstate(invalid="ignore"):
            zero = (widths_ms >= NARROWEST_MS) & (widths_ms <= NARROW_MS)
            one = (widths_ms >= WIDE_MS) & (widths_ms < BREAK_MARK_MS)
        clear = (zero | one)[:, 1:]
        word = one[:, 1:] @ _PLACES
        run = _OF_RUN[[_run_bits(self.key, int(unit)) for unit in units]]
        differs = (self._words ^ (word ^ run)[:, np.newaxis]) & (clear @ _PLACES)[:, np.newaxis]
        fits = differs == 0
        unread = (~clear).sum(1)
        readable = (unread <= MOST_UNREAD) & ~zero[:, 0]
        out = np.where(readable & fits.any(1), fits.argmax(1), DAMAGED)
        return np.asarray(np.where((unread == 0) & ~zero[:, 0] & (out == DAMAGED) & _IS_WORD[word], FOREIGN, out))

    @cached_property
    def _words(self) -> NDArray[np.int16]:
        return _OF_CELL[: self.cells]


def _run_bits(key: int, unit: int) -> int:
    return hashlib.blake2b(f"{key} {unit}".encode(), digest_size=1).digest()[0] % RUNS
