"""Schedule of both ears at once: one trigger a frame, and in each frame one sound of each ear, or two, each at a time of its own.

The triggers of a recording are those of ``Together.frames``, a schedule of units of 16 triggers. The sounds of the ears follow
their trigger by offsets that anybody can compute from the seed and the number of the unit:

    left ear    phase + (15 - place) x slide        phase: uniform over one interval, drawn anew
    right ear   phase + place x slide               for each sound and each unit

``place`` is the place of the frame in its unit, 0 to 15, and ``slide`` is 1/32 of the interval, for a second sound of the same
ear 3/32. The left ear hears its sounds faster than the frames, the right one as much slower, all regularly.

Why like this: what one sound evokes is in the sweeps of the others. In the 16 sweeps of a unit it comes at 16 times that are
spread evenly over one interval (at 8, each twice, between a sound of one ear and the other sound of the other ear), so that it is
nearly gone from the mean of the unit; its phase in the next unit is independent of all that was before, so that what is left has
no preferred sign or shape and cannot add up. Nothing keeps the sounds apart: they may begin together. A schedule that did so
would leave a part of what one sound evokes in the average of another one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.calibration import EARS
from quietfloor.stimuli.schedule import RateError, Schedule, ScheduleError, Sweep, mains_conflict

UNIT_SWEEPS = 16
SLIDES = 32  # of an interval: the ears pass each other once in the 16 frames of a unit
SLOPES = (1, 3)  # slides from frame to frame, of an ear's first and second sound
REST = (1.5, 2.5)  # intervals after a unit, by the number of sounds of an ear: the next unit begins an interval later for each
SLOWEST_PER_S = 10.0  # own choice: an epoch that holds the sounds of both ears is then shorter than 0.2 s
_PHASES = 2  # names the draws of phases beside those of pauses and polarities


@dataclass(frozen=True)
class Together:
    """Both ears at once, with one sound or two in each (``sounds``). ``frames``: the schedule of the triggers, with `REST`
    intervals of rest after each unit.

    Raises ScheduleError.
    """

    frames: Schedule
    sounds: int = 1

    def __post_init__(self) -> None:
        frames = self.frames
        if frames.unit_sweeps != UNIT_SWEEPS or frames.rate_per_s < SLOWEST_PER_S:
            raise ScheduleError(
                f"both ears at once: units of {frames.unit_sweeps} sweeps at {frames.rate_per_s:g}/s; allowed are units of "
                f"{UNIT_SWEEPS}, from {SLOWEST_PER_S:g}/s on"
            )
        if frames.random_interval_s:
            raise ScheduleError(
                f"both ears at once: random_interval_s = {frames.random_interval_s:g}; their sounds come at random to each other "
                "already: leave it out"
            )
        if self.sounds not in (1, 2):
            raise ScheduleError(f"both ears at once: {self.sounds} sounds in each ear; allowed are 1 and 2")
        rest = REST[self.sounds - 1]
        if frames.rest_s < rest / frames.rate_per_s:
            raise ScheduleError(f"both ears at once: rest_s = {frames.rest_s:g}; it needs {rest:g} intervals: use Together.of")

    @classmethod
    def of(cls, schedule: Schedule, sounds: int = 1) -> Together:
        """Both ears with the rate, pauses, polarities and seed of a schedule for one. Raises ScheduleError."""
        known = {one.name: getattr(schedule, one.name) for one in fields(Schedule)}
        rest = REST[min(max(sounds, 1), 2) - 1]
        return cls(Schedule(**known | {"rest_s": rest / schedule.rate_per_s}), sounds)

    @property
    def longest_s(self) -> float:
        """No sound of a frame begins later than this after its trigger, in s."""
        return (1.0 + SLOPES[self.sounds - 1] * (UNIT_SWEEPS - 1) / SLIDES) / self.frames.rate_per_s

    def offsets(self, unit: int) -> NDArray[np.int64]:
        """Offsets (2, 16) of the left and right ear's sounds after the triggers of a unit, in samples of sound; of the first
        sounds of both, then of the second ones (4, 16)."""
        return _offsets(self.frames.interval_samples, self.frames.seed, unit, self.sounds)

    def offsets_s(self, unit: int) -> NDArray[np.float64]:
        """Offsets as in `offsets`, in s."""
        return self.offsets(unit) / self.frames.sample_rate_hz

    def ear(self, ear: str, sound: int = 0) -> EarSchedule:
        """The schedule of one ear's sounds, "left" or "right"; ``sound`` 1: of its second ones."""
        if ear not in EARS:
            raise ScheduleError(f"ear = {ear!r}; allowed are left, right: each has a schedule of its own")
        if not 0 <= sound < self.sounds:
            raise ScheduleError(f"sound = {sound} of the {ear} ear; allowed are 0 to {self.sounds - 1}: it hears {self.sounds}")
        frames, stream = self.frames, 2 * sound + EARS.index(ear)
        rate_per_s = rates_per_s(frames.rate_per_s, self.sounds)[stream]
        known = {one.name: getattr(frames, one.name) for one in fields(Schedule)}
        return EarSchedule(**known | {"rate_per_s": rate_per_s}, together=self, stream=stream)


@dataclass(frozen=True)
class EarSchedule(Schedule):
    """The sounds of one ear of two, regular within a unit. ``rate_per_s`` is their rate there, ``stream`` their row in
    `Together.offsets`."""

    together: Together | None = None
    stream: int = 0

    def sweeps(self) -> Iterator[Sweep]:
        """All sweeps in order, from the start; every call begins anew. They have the numbers and polarities of their frames."""
        assert self.together is not None
        offsets = np.zeros(UNIT_SWEEPS, dtype=np.int64)
        for frame in self.together.frames.sweeps():
            if frame.index_in_unit == 0:
                offsets = self.together.offsets(frame.unit)[self.stream]
            if self.n_sweeps is not None and frame.index >= self.n_sweeps:
                return
            onset = frame.onset_sample + int(offsets[frame.index_in_unit])
            yield Sweep(frame.index, frame.unit, frame.index_in_unit, onset, frame.polarity)


@lru_cache(maxsize=4096)
def _offsets(interval: float, seed: int, unit: int, sounds: int) -> NDArray[np.int64]:
    phases = np.random.default_rng([seed, _PHASES, unit]).random(2 * sounds) * interval
    slides = np.arange(UNIT_SWEEPS) * interval / SLIDES
    moves = [slope * way for slope in SLOPES[:sounds] for way in (slides[::-1], slides)]
    offsets = np.floor(phases[:, np.newaxis] + moves + 0.5).astype(np.int64)
    offsets.setflags(write=False)
    return offsets


def rates_per_s(rate_per_s: float, sounds: int = 1) -> tuple[float, ...]:
    """The rates of the left and the right ear's sounds within a unit, at this rate of frames; of the first ones, then of the
    second ones."""
    return tuple(rate_per_s / (1.0 + way * slope / SLIDES) for slope in SLOPES[:sounds] for way in (-1, 1))


def locked(rate_per_s: float, mains_hz: tuple[float, ...], sounds: int = 1) -> bool:
    """Whether frames at this rate, or the sounds of an ear, are in step with the mains."""
    return any(mains_conflict(one, mains_hz) is not None for one in (rate_per_s, *rates_per_s(rate_per_s, sounds)))


def refuse_locked(rate_per_s: float, mains_hz: tuple[float, ...], sounds: int = 1) -> None:
    """Raise RateError, with rates nearby that are safe, if an ear would hear its sounds in step with the mains."""
    if not locked(rate_per_s, mains_hz, sounds):
        return
    near = [round(rate_per_s + step / 10, 1) for step in sorted(range(-30, 31), key=abs)]
    safe = [rate for rate in near if rate >= SLOWEST_PER_S and not locked(rate, mains_hz, sounds)][:3]
    *others, last = [f"{one:.2f}" for one in rates_per_s(rate_per_s, sounds)]
    use = f": use {', '.join(f'{rate:g}' for rate in sorted(safe))}" if safe else ""
    raise RateError(
        f"both ears at once at {rate_per_s:g}/s: the ears hear {', '.join(others)} and {last} sounds a second; one of these "
        f"rates is in step with the mains, whose hum would average like a response{use}", tuple(safe),
    )  # fmt: skip


def shortest_interval_s(rate_per_s: float, sounds: int = 1) -> float:
    """The shortest time from one sound of an ear to its next one of the same kind at this rate of frames, in s: a response window
    must end within it."""
    return (1.0 - SLOPES[sounds - 1] / SLIDES) / rate_per_s
