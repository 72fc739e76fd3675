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

_OTHER_NOISE = 1_000_003  # added to a seed


class TogetherFrames(FrameSource):
    """The frames of one recording in which both ears hear sounds at once. The same choices give the same frames, for any block
    size.

    ``cells``: one table for both ears; ``silence`` is the number of its silent cell. ``choose``: called with an even number of a
    unit for the left ear's cell, and with an odd one for the right ear's; each is played in that unit and the next one. With two
    sounds in each ear, four streams take turns like that: the first sounds of the left and the right ear, then the second ones.
    The triggers of a unit carry the cell that its number asks for. Until unit 1 the right ear hears nothing.

    Each stream has its own ceiling, limit of rises and dose, as in `CellFrames`; two sounds in an ear share the ceiling's limits.
    If one of them has had its dose, all ends there. An ear that gets masking noise hears no sounds meanwhile, as in `CellFrames`
    too.

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
        day_times: float = 1.0,
    ) -> None:
        if ceiling.transducer == BONE:
            raise LevelError("both ears at once: a bone vibrator moves both ears; test one ear after the other")
        if not 0 <= silence < len(cells) or cells[silence].gain != 0.0:
            raise LevelError(f"both ears at once: silence = {silence} is no silent cell of {len(cells)}")
        self.together, self.cells, self._code, self._choose = together, tuple(cells), code, choose
        self.first = first
        silent = cells[silence]
        super().__init__(silent.waveform, 0.0, "left", together.frames, ceiling, None, spent, trigger_db_fs)
        shared = replace(ceiling, shared_by=together.sounds)
        self._streams: list[CellFrames] = []
        for number, (sound, ear) in enumerate((sound, ear) for sound in range(together.sounds) for ear in EARS):
            begun = first if sound == 0 and cells[first].ear == ear else silence
            own = [_as_of(cell, ear, sound, together.sounds) for cell in cells]
            schedule, asked, beside = together.ear(ear, sound), self._of_stream(number), list(self._streams)
            self._streams.append(
                CellFrames(own, schedule, shared, code, asked, begun, spent, trigger_db_fs, beside, day_times=day_times)
            )
        self._silence = silence
        self.time_zero_s = self._streams[0].time_zero_s
        self._reach = max(stream.reach_samples for stream in self._streams) + round(together.longest_s * self.rate_hz)
        self.total_samples = self._length()

    def _of_stream(self, number: int) -> Choose:
        ear, turns = EARS[number % 2], 2 * self.together.sounds

        def chosen(unit: int) -> int | None:
            if unit % turns != number:
                return self._silence if unit < number else None
            cell = self._choose(unit)
            if cell is not None and not 0 <= cell < len(self.cells):
                raise LevelError(f"cell {cell} was chosen; there are cells 0 to {len(self.cells) - 1}")
            if cell is not None and cell != self._silence and self.cells[cell].ear != ear:
                raise LevelError(f"cell {cell} of the {self.cells[cell].ear} ear was chosen for the {ear} ear")
            return cell

        return chosen

    def read(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames, (3, n) float32: left, right, trigger; silence after the end."""
        start = self.position
        sounds = self._sounds_of_streams(n)  # first: a trigger says what they play
        stop = min((stream.ended_at for stream in self._streams if stream.ended_at is not None), default=start + n)
        whole = min(max(stop - start, 0), n)
        frames = super().read(whole)
        frames[:2] = sounds[:2, :whole]
        if whole == n:
            return frames
        self._end_at(stop)
        return np.concatenate([frames, super().read(n - whole)], axis=1)

    def _sounds_of_streams(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames of both ears, (3, n). What a stream may play depends on what the others do, so all go on from one
        turn to the next together."""
        end = self._streams[0].position + n
        pieces = [np.zeros((3, 0), dtype=np.float32)]
        while (at := self._streams[0].position) < end:
            piece = min([stream.turn(end) for stream in self._streams]) - at
            first, *others = [stream.read_on(piece) for stream in self._streams]
            for other in others:
                first = first + other
            pieces.append(first)
        return np.concatenate(pieces, axis=1)

    def exposure(self, sweeps: float, seconds: float) -> Dose:
        """Dose of each ear for this many sweeps of the cell that is loudest there, in each of its streams."""
        each = [stream.exposure(sweeps, seconds) for stream in self._streams]
        of_sounds = [left.largest(right) for left, right in zip(each[::2], each[1::2], strict=True)]
        return sum(of_sounds[1:], of_sounds[0])

    def exposure_of(self, cell: int, sweeps: float, seconds: float) -> Dose:
        """Dose of each ear for this many sweeps of a cell."""
        return self._streams[EARS.index(self.cells[cell].ear)].exposure_of(cell, sweeps, seconds)

    def allow(self, dose: Dose) -> None:
        """Allow these frames no more than `dose` from now on. An earlier allowance is never raised."""
        self._streams[0].allow(dose)  # all have one account

    def extend(self, dose: Dose) -> None:
        """Raise the allowance of these frames by `dose`. The limit of an ear is never raised."""
        self._streams[0].extend(dose)

    @property
    def dose(self) -> Dose:
        """Dose of the frames that were read so far."""
        return self._streams[0].dose

    @property
    def dose_exhausted(self) -> bool:
        """Whether an ear has reached its dose limit; from then on the frames are silent and without triggers."""
        return self.ended_at is not None or any(stream.dose_exhausted for stream in self._streams)

    @property
    def limited_samples(self) -> int:
        """Samples that the ceiling of any stream had to change."""
        return sum(stream.limited_samples for stream in self._streams)

    @property
    def below_ceiling_db(self) -> float:
        return min(stream.below_ceiling_db for stream in self._streams)

    def cells_of(self, unit: int) -> tuple[int, ...]:
        """The cells that the left and the right ear hear in a unit that has begun; with two sounds each, then the second ones."""
        return tuple(stream.of_units[unit] for stream in self._streams)

    def _as_played(self, sweep: Sweep) -> Sweep:
        return replace(sweep, cell=self.cells_of(sweep.unit)[sweep.unit % len(self._streams)])

    def _is_wide(self, sweep: Sweep) -> bool:
        assert sweep.cell is not None
        return self._code.wide(sweep.unit, sweep.cell)[sweep.index_in_unit]


def _as_of(cell: CellSound, ear: str, sound: int, sounds: int) -> CellSound:
    """A cell as the stream of a sound plays it, if so many play at once in an ear: with its part of the limits, and with a noise
    of its own, because equal ones would add up to four times the energy of one."""
    noise = cell.masking
    if noise is None or cell.ear != ear:
        return replace(cell, masking=None)
    own = replace(noise, ceiling=replace(noise.ceiling, shared_by=sounds), seed=noise.seed + sound * _OTHER_NOISE)
    return replace(cell, masking=own)
