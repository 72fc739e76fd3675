"""Frames of a run with several cells (sounds and levels): each unit plays the one that is chosen while the run goes on."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.calibration import EARS, LevelError
from quietfloor.stimuli.ceiling import RMS_WINDOW_S, WINDOW_S, Ceiling
from quietfloor.stimuli.cell_code import CellCode
from quietfloor.stimuli.dose import Dose, DoseGuard, weights
from quietfloor.stimuli.frames import TRIGGER_DB_FS, FrameSource
from quietfloor.stimuli.masking import RAMP_S, Masking, Noise
from quietfloor.stimuli.schedule import Schedule, ScheduleError, Sweep
from quietfloor.stimuli.waveforms import Waveform

ASK_S = RAMP_S + RMS_WINDOW_S  # before a unit begins, as masking noise needs; with what a player renders ahead about a second
LARGEST_RISE_DB = 20.0  # own choice: of the level from one unit to the next

Choose = Callable[[int], int | None]  # number of a unit -> its cell; None: no answer. At once, from the renderer's thread


@dataclass(frozen=True, eq=False)
class CellSound:
    """One cell of a run.

    gain, ear: as for `FrameSource`. level_db: its level, compared with those of the other cells. condition: cells of one
    condition differ in level alone. masking: the noise in the other ear that the cell needs, None for none.
    """

    waveform: Waveform
    gain: float
    ear: str
    level_db: float
    condition: str
    masking: Masking | None = None


class CellFrames(FrameSource):
    """The frames of one run with several cells. The same choices give the same frames, for any block size.

    Onsets, pauses and polarities are those of the schedule and do not depend on the choices. The triggers of a unit carry its
    cell (`cell_code`). Each sound begins so that its time zero is `time_zero_s` after the trigger, on the same sample for all
    cells.

    `choose` is called for the cell of each unit `ASK_S` before the unit begins. If it gives no answer, the previous cell goes on
    (at the beginning: `first`). If the chosen cell is more than `LARGEST_RISE_DB` louder than the previous one, the loudest cell
    of its condition within that rise is played instead, or else the previous cell. The triggers and `Sweep.cell` always give the
    cell that was played.

    Each cell is checked like a run with that sound alone. The ceiling and the weights of the dose are those of the playing cell;
    where 125 ms contain two cells, the higher of their RMS limits holds. Masking noise is as loud as the playing cell and the
    cells chosen next need, and its level changes over `RAMP_S`.

    An ear never hears sounds and masking noise within 125 ms. Where a chosen cell would begin too soon for that, the silent cell
    of the table is played instead (without one, the previous cell). `beside`: all frames that are played together with these, for
    the other ear, or other sounds for the same one; what they play counts too, and all have one dose. With `earphone_jack` all
    cells are of one ear.

    Raises LevelError and ScheduleError as `FrameSource` does, and LevelError if `choose` returns a number that is no cell.
    """

    def __init__(
        self,
        cells: Sequence[CellSound],
        schedule: Schedule,
        ceiling: Ceiling,
        code: CellCode,
        choose: Choose,
        first: int = 0,
        spent: Dose | None = None,
        trigger_db_fs: float = TRIGGER_DB_FS,
        beside: Sequence[CellFrames] = (),
        earphone_jack: bool = False,
        day_times: float = 1.0,
    ) -> None:
        if code.cells != len(cells) or not 0 <= first < len(cells):
            raise LevelError(f"{len(cells)} cells, a code of {code.cells}, first cell {first}; all are of one table, from 0 on")
        begun = cells[first]
        if earphone_jack and {cell.ear for cell in cells} != {begun.ear}:
            raise LevelError("one earphone for both ears: cells of one ear only, as it has to be moved to the other one")
        super().__init__(
            begun.waveform, begun.gain, begun.ear, schedule, ceiling, None, spent, trigger_db_fs, earphone_jack, day_times
        )  # fmt: skip
        endless = replace(schedule, n_sweeps=None)
        self._each = [
            FrameSource(cell.waveform, cell.gain, cell.ear, endless, ceiling, cell.masking, None, trigger_db_fs, earphone_jack)
            for cell in cells
        ]
        if beside:
            self._guard = DoseGuard(self._weights, spent or Dose(), ceiling.age_group, beside[0]._guard, day_times)
        for one in beside:
            one._beside.append(self)
        self._beside: list[CellFrames] = list(beside)
        self.cells, self.first, self._code, self._choose = tuple(cells), first, code, choose
        rate_hz = schedule.sample_rate_hz
        latest = max(round(cell.waveform.time_zero_s * rate_hz) for cell in cells)
        self.time_zero_s = latest / rate_hz
        self._sounds = [
            np.concatenate([np.zeros(latest - round(one.waveform.time_zero_s * rate_hz)), one._sound]) for one in self._each
        ]
        self._reach = max(self._triggers[1].size, *(sound.size for sound in self._sounds))
        if self._reach + WINDOW_S * rate_hz > schedule.shortest_samples:
            raise ScheduleError(
                f"the sounds of all cells, with their time zeros together, last {1e3 * self._reach / rate_hz:.2f} ms; with the "
                f"{1e3 * WINDOW_S:g} ms that the ceiling looks back that is longer than the "
                f"{1e3 * schedule.shortest_samples / rate_hz:.2f} ms between stimuli at {schedule.rate_per_s:g}/s: lower the rate"
            )
        self.total_samples = self._length()
        self._ask, self._window = round(ASK_S * rate_hz), math.ceil(RMS_WINDOW_S * rate_hz)
        loudest: dict[tuple[object, ...], Masking] = {}
        for cell in cells:
            if (noise := cell.masking) is not None and noise.rms > 0.0:
                kept = loudest.get(_kind(noise))
                loudest[_kind(noise)] = noise if kept is None or noise.rms > kept.rms else kept
        self._maskers = [Masker(noise, self.total_samples) for noise in loudest.values()]
        self._silent = next((number for number, cell in enumerate(cells) if cell.gain == 0.0 and cell.masking is None), None)
        self._starts: Iterator[Sweep] = (sweep for sweep in schedule.sweeps() if sweep.index_in_unit == 0)
        self._start: Sweep | None = next(self._starts, None)  # of the next unit that has no cell yet
        self._asked: deque[tuple[int, int]] = deque()  # first sample and cell of units that have one, and did not begin
        self.of_units: list[int] = []  # cell of each unit that has one, from the first on
        self._now: int | None = None  # the cell that plays
        self._chosen = first
        self._reached_db = cells[first].level_db  # by the last chosen cell; silence between sounds and noise does not count
        self._recent: deque[tuple[int, int]] = deque()  # cells before it, and until when they are within 125 ms

    def read(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames, (3, n) float32, as for a run with one sound."""
        end = self.position + n
        pieces = [super().read(0)]
        while self.position < end:
            pieces.append(self.read_on(self.turn(end) - self.position))
        return np.concatenate(pieces, axis=1)

    def turn(self, end: int) -> int:
        """Apply the changes that are due at the next sample; return the sample at which the next ones are due, up to ``end``."""
        self._turn()
        return self._next_turn(end)

    def read_on(self, n: int) -> NDArray[np.float32]:
        """The next `n` frames after a turn, up to the next one at most."""
        return super().read(n)

    def exposure(self, sweeps: float, seconds: float) -> Dose:
        """Sound dose of each ear for this many sweeps of the cell that is loudest there, with its masking noise for so many
        seconds."""
        every = [one.exposure(sweeps, seconds) for one in self._each]
        return Dose(max(dose.left_pa2s for dose in every), max(dose.right_pa2s for dose in every))

    def exposure_of(self, cell: int, sweeps: float, seconds: float) -> Dose:
        """Sound dose of each ear for this many sweeps of a cell, and its masking noise for so many seconds."""
        return self._each[cell].exposure(sweeps, seconds)

    @property
    def below_ceiling_db(self) -> float:
        return min(one.below_ceiling_db for one in self._each)

    def _turn(self) -> None:
        """Apply the changes that are due at the next sample: choose cells, begin units, and set the ceiling for them."""
        while self._start is not None and self.position >= self._start.onset_sample - self._ask:
            wanted = self._choose(self._start.unit)
            if wanted is not None:
                self._chosen = self._kept_apart(self._allowed(wanted))
            self._asked.append((self._start.onset_sample, self._chosen))
            self.of_units.append(self._chosen)
            self._start = next(self._starts, None)
        while self._recent and self._recent[0][0] <= self.position:
            self._recent.popleft()
        if self._asked and self._asked[0][0] <= self.position:
            before, (_, self._now) = self._now, self._asked.popleft()
            if before is not None and before != self._now:
                self._recent.append((self.position + self._window, before))
        if self._now is None and not self._asked:
            return
        playing = self._asked[0][1] if self._now is None else self._now
        coming = (playing, *(cell for _, cell in self._asked))
        for masker in self._maskers:
            needed = [self.cells[cell].masking for cell in coming]
            masker.need(max((noise.rms for noise in needed if noise is not None and _kind(noise) == masker.kind), default=0.0))
        heard = (playing, *(cell for _, cell in self._recent))
        columns = list(self._each[playing]._weights)
        for column in range(2):
            limit = self._each[playing]._limits[column]
            rms_limit = max(self._each[cell]._rms_limits[column] for cell in heard)
            for masker in self._maskers:
                if masker.column == column and masker.sounds:
                    limit, rms_limit = max(limit, masker.limit), max(rms_limit, masker.rms_limit)
                    columns[column] = masker.weights
            self._limiters[column].limit_to(limit)
            self._rms_limiters[column].limit_to(rms_limit)
        self._guard.weigh(tuple(columns))

    def _next_turn(self, end: int) -> int:
        asks = [] if self._start is None else [self._start.onset_sample - self._ask]
        begins = [start for start, _ in self._asked]
        ends = [until for until, _ in self._recent]
        return min((at for at in (*asks, *begins, *ends) if self.position < at < end), default=end)

    def _allowed(self, cell: int) -> int:
        """Return the cell that is played if this cell was chosen: no step up is too large."""
        if not 0 <= cell < len(self.cells):
            raise LevelError(f"cell {cell} was chosen; there are cells 0 to {len(self.cells) - 1}")
        most_db = self._reached_db + LARGEST_RISE_DB
        if self.cells[cell].level_db <= most_db:
            return cell
        softer = [
            (one.level_db, number)
            for number, one in enumerate(self.cells)
            if one.condition == self.cells[cell].condition and one.level_db <= most_db
        ]
        return max(softer)[1] if softer else self._chosen

    def _kept_apart(self, cell: int) -> int:
        """Return this cell, or the silent one where an ear would hear sounds and masking noise within 125 ms."""
        new = self.cells[cell]
        known = [source.cells[number] for source in (self, *self._beside) for number in source._heard()]
        in_noise = any(one.masking is not None and new.gain > 0.0 and new.ear == one.masking.ear for one in known)
        to_mask = None if new.masking is None else new.masking.ear
        if in_noise or any(one.gain > 0.0 and one.ear in (to_mask, "both") for one in known if to_mask is not None):
            return self._chosen if self._silent is None else self._silent
        self._reached_db = new.level_db
        return cell

    def _heard(self) -> set[int]:
        """The cells that play, that will, or that did within 125 ms."""
        return {cell for _, cell in (*self._recent, *self._asked)} | ({self._now} if self._now is not None else set())

    def _as_played(self, sweep: Sweep) -> Sweep:
        return replace(sweep, cell=self._now)

    def _sound_of(self, sweep: Sweep) -> tuple[NDArray[np.float64], tuple[int, ...]]:
        assert sweep.cell is not None
        return self._sounds[sweep.cell], self._each[sweep.cell]._columns

    def _is_wide(self, sweep: Sweep) -> bool:
        assert sweep.cell is not None
        return self._code.wide(sweep.unit, sweep.cell)[sweep.index_in_unit]

    def _add_noise(self, frames: NDArray[np.float64]) -> None:
        for masker in self._maskers:
            frames[masker.column] += masker.read(frames.shape[1])

    def _forget_from(self, stop: int) -> None:
        super()._forget_from(stop)
        self._start = None
        self._asked.clear()


def _kind(noise: Masking) -> tuple[object, ...]:
    """What noises share that differ in level alone."""
    return noise.noise, noise.ear, noise.frequency_hz, noise.seed


class Masker:
    """One kind of masking noise, ``loudest`` at its loudest, whose level follows what is needed over `RAMP_S`; silent at
    ``stop``."""

    def __init__(self, loudest: Masking, stop: int | None) -> None:
        self.kind, self.column = _kind(loudest), EARS.index(loudest.ear)
        self.limit = loudest.ceiling.peak_to_peak(None)[self.column]
        self.rms_limit = loudest.ceiling.rms(None, 0.0)[self.column]
        self.weights = weights(loudest.ceiling, loudest.ear, None, loudest.rate_hz)
        self._noise, self._rms = Noise(loudest, stop), loudest.rms
        self._ramp = max(1, round(RAMP_S * loudest.rate_hz))
        self._loudness = self._wanted = 0  # of `_ramp`: whole numbers, so that blocks make no difference

    def need(self, rms: float) -> None:
        """Let the noise become as loud as this from the next sample on."""
        self._wanted = math.ceil(rms / self._rms * self._ramp)

    @property
    def sounds(self) -> bool:
        return max(self._wanted, self._loudness) > 0

    def read(self, n: int) -> NDArray[np.float64]:
        """The next samples (n,)."""
        noise, steps = self._noise.read(n), np.arange(1, n + 1)
        if self._wanted >= self._loudness:
            loudness = np.minimum(self._loudness + steps, self._wanted)
        else:
            loudness = np.maximum(self._loudness - steps, self._wanted)
        if n:
            self._loudness = int(loudness[-1])
        return noise * (loudness / self._ramp)
