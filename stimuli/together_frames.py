"""Frames of both ears at once: each ear plays cells of its own, and one trigger channel tells both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.calibration import BONE, EARS, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.cell_code import CellCode
from quietfloor.stimuli.cell_frames import CellFrames, CellSound, Choose
from quietfloor.stimuli.dose import Dose
from quietfloor.stimuli.frames import TRIGGER_DB_FS, FrameSource
from quietfloor.stimuli.schedule import Sweep
from quietfloor.stimuli.together import Together


class TogetherFrames(FrameSource):
    """The frames of one recording in which both ears hear sounds at once. The same choices give the same frames, for any block
    size.

    ``cells``: one table for both ears; ``silence`` is the number of its silent cell. ``choose``: called with an even number of a
    unit for the left ear's cell, and with an odd one for the right ear's; each is played in that unit and the next one. The
    triggers of a unit carry the cell that its number asks for. Until unit 1 the right ear hears nothing.

    Each ear has its own ceiling, limit of rises and dose, as in `CellFrames`. If one of them has had its dose, all ends there. An
    ear that gets masking noise hears no sounds meanwhile, as in `CellFrames` too.

    Raises LevelError and ScheduleError as `CellFrames` does, and LevelError for a bone vibrator (it moves both ears), and for a
    choice from the other ear.
    """

    def __init__(
        self,
        cells: Sequence[CellSound],
        together: Together,
        ceiling: Ceiling,
        code: CellCode,
        choose: Choose,
        silence: int,
        first: int,
        spent: Dose | None = None,
        trigger_db_fs: float = TRIGGER_DB_FS,
    ) -> None:
        if ceiling.transducer == BONE:
            raise LevelError("both ears at once: a bone vibrator moves both ears; test one ear after the other")
        if not 0 <= silence < len(cells) or cells[silence].gain != 0.0:
            raise LevelError(f"both ears at once: silence = {silence} is no silent cell of {len(cells)}")
        self.together, self.cells, self._code, self._choose = together, tuple(cells), code, choose
        silent = cells[silence]
        super().__init__(silent.waveform, 0.0, "left", together.frames, ceiling, None, spent, trigger_db_fs)
        begins = [first if cells[first].ear == ear else silence for ear in EARS]
        self._ears: list[CellFrames] = []
        for number, (ear, begun) in enumerate(zip(EARS, begins, strict=True)):
            own = [cell if cell.ear == ear else replace(cell, masking=None) for cell in cells]
            beside = self._ears[0] if self._ears else None
            schedule, asked = together.ear(ear), self._of_ear(number)
            self._ears.append(CellFrames(own, schedule, ceiling, code, asked, begun, spent, trigger_db_fs, beside))
        self._silence = silence
        self.time_zero_s = self._ears[0].time_zero_s
        self._reach = max(ear.reach_samples for ear in self._ears) + round(together.longest_s * self.rate_hz)
        self.total_samples = self._length()

    def _of_ear(self, number: int) -> Choose:
        def chosen(unit: int) -> int | None:
            if unit % 2 != number:
                return self._silence if unit < number else None
            cell = self._choose(unit)
            if cell is not None and not 0 <= cell < len(self.cells):
                raise LevelError(f"cell {cell} was chosen; there are cells 0 to {len(self.cells) - 1}")
            if cell is not None and cell != self._silence and self.cells[cell].ear != EARS[number]:
                raise LevelError(f"cell {cell} of the {self.cells[cell].ear} ear was chosen for the {EARS[number]} ear")
            return cell

        return chosen

    def read(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames, (3, n) float32: left, right, trigger; silence after the end."""
        start = self.position
        sounds = self._sounds_of_ears(n)  # first: a trigger says what they play
        stop = min((ear.ended_at for ear in self._ears if ear.ended_at is not None), default=start + n)
        whole = min(max(stop - start, 0), n)
        frames = super().read(whole)
        frames[:2] = sounds[:2, :whole]
        if whole == n:
            return frames
        self._end_at(stop)
        return np.concatenate([frames, super().read(n - whole)], axis=1)

    def _sounds_of_ears(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames of both ears, (3, n). What an ear may play depends on what the other one does, so both go on from
        one turn to the next together."""
        end = self._ears[0].position + n
        pieces = [np.zeros((3, 0), dtype=np.float32)]
        while (at := self._ears[0].position) < end:
            piece = min([ear.turn(end) for ear in self._ears]) - at
            left, right = (ear.read_on(piece) for ear in self._ears)
            pieces.append(left + right)
        return np.concatenate(pieces, axis=1)

    def exposure(self, sweeps: float, seconds: float) -> Dose:
        """Dose of each ear for this many sweeps of the cell that is loudest there."""
        each = [ear.exposure(sweeps, seconds) for ear in self._ears]
        return each[0].largest(each[1])

    def exposure_of(self, cell: int, sweeps: float, seconds: float) -> Dose:
        """Dose of each ear for this many sweeps of a cell."""
        return self._ears[EARS.index(self.cells[cell].ear)].exposure_of(cell, sweeps, seconds)

    def allow(self, dose: Dose) -> None:
        """Allow these frames no more than `dose` from now on. An earlier allowance is never raised."""
        self._ears[0].allow(dose)  # both have one account

    def extend(self, dose: Dose) -> None:
        """Raise the allowance of these frames by `dose`. The limit of an ear is never raised."""
        self._ears[0].extend(dose)

    @property
    def dose(self) -> Dose:
        """Dose of the frames that were read so far."""
        return self._ears[0].dose

    @property
    def dose_exhausted(self) -> bool:
        """Whether an ear has reached its dose limit; from then on the frames are silent and without triggers."""
        return self.ended_at is not None or any(ear.dose_exhausted for ear in self._ears)

    @property
    def limited_samples(self) -> int:
        """Samples that the ceiling of either ear had to change."""
        return sum(ear.limited_samples for ear in self._ears)

    @property
    def below_ceiling_db(self) -> float:
        return min(ear.below_ceiling_db for ear in self._ears)

    def cells_of(self, unit: int) -> tuple[int, int]:
        """The cells that the left and the right ear hear in a unit that has begun."""
        return self._ears[0].of_units[unit], self._ears[1].of_units[unit]

    def _as_played(self, sweep: Sweep) -> Sweep:
        return replace(sweep, cell=self.cells_of(sweep.unit)[sweep.unit % 2])

    def _is_wide(self, sweep: Sweep) -> bool:
        assert sweep.cell is not None
        return self._code.wide(sweep.unit, sweep.cell)[sweep.index_in_unit]
