"""A search in progress over one or several conditions: it takes units, and gives the next cell and the answers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.artefacts import RunningLimits
from quietfloor.monitor.core.averaging import reduce_unit
from quietfloor.monitor.core.cell_order import Place
from quietfloor.monitor.core.samples import Bools, Floats

from .cells import CellLook, SharedNoise
from .choice import SHARE, UNITS, Choice, Wanted, choose, within_rise
from .condition import Answer, Condition, ConditionSearch
from .expected import Expected, passed_on
from .outlook import Outlook, Progress, foretell, in_turn

WORTH = 0.5  # levels without noise are enough for a condition while they save this part of what all levels would; own choice
HOLD = 1.5  # noise is turned on, or changes the ear, only for so much more: each change costs two units; own choice


@dataclass(frozen=True)
class Next:
    """The cell to play next, and why."""

    place: Place
    choice: Choice


@dataclass(frozen=True)
class _Offer:
    """A cell that a stream could play, how much of its condition's remaining time a second of it saves (1/s), and whether that is
    enough beside what all levels of the condition would save."""

    next: Next
    pace: float
    enough: bool = True


class _Stream:
    """Conditions (indices) that are played one at a time, through one channel of the recording: they share noise and artefact
    limits. ``now``: the cell to play, and why; ``since``: units of it since it was chosen."""

    def __init__(self, numbers: tuple[int, ...], conditions: list[Condition]) -> None:
        first = conditions[0].settings[0]
        points = max(len(condition.settings[0].window_times_ms) for condition in conditions)
        shortest = min(len(one.settings[0].times_ms[:: one.settings[0].stride]) for one in conditions)
        self.numbers = numbers
        self.noise = SharedNoise(first.evidence.warm_up_units, points, shortest)
        self.limits = RunningLimits(first.criteria, first.rate_hz)
        self.unit_weight = 0.0
        self.since = 0
        first_ranked = min(zip(numbers, conditions, strict=True), key=lambda pair: pair[1].rank)[0]
        self.now = _begin(first_ranked, conditions[numbers.index(first_ranked)], None)


class RunningSearch:
    """Feed it every unit with its cell, in order; it chooses the next cell.

    ``streams``: the conditions (indices) of each stream of units; by default all are one stream. With both ears at once each ear
    has one stream or several, and a cell is chosen for each. While a cell needs noise in the other ear, the streams of that ear
    are silent.
    """

    def __init__(
        self, conditions: tuple[Condition, ...], wanted: Wanted | None = None, streams: tuple[tuple[int, ...], ...] | None = None
    ) -> None:  # fmt: skip
        if not conditions:
            raise ValueError("give a search at least one condition")
        streams = (tuple(range(len(conditions))),) if streams is None else streams
        if sorted(number for stream in streams for number in stream) != list(range(len(conditions))) or not all(streams):
            raise ValueError(f"streams = {streams}: give each of {len(conditions)} conditions once, at least one in each stream")
        self.wanted = wanted or Wanted()
        self._running = [ConditionSearch(condition, self.wanted) for condition in conditions]
        self._streams = [_Stream(numbers, [conditions[number] for number in numbers]) for numbers in streams]
        self._stream_of = {number: stream for stream in self._streams for number in stream.numbers}
        ears = [conditions[numbers[0]].ear or str(place) for place, numbers in enumerate(streams)]
        self._side = [ears.index(ear) for ear in ears]  # of each stream, the first one of its ear
        if len(streams) > 1 and any(len({conditions[number].ear for number in stream}) > 1 for stream in streams):
            raise ValueError(f"streams = {streams}: the conditions of a stream are of one ear")
        self.rejected: Counter[str] = Counter()  # sweeps without a fault that were larger than usual, by reason
        noisy_ears = {one.ear for one in conditions if any(one.noisy)}
        self._hold = HOLD if len(noisy_ears) > 1 else 1.0  # noise stays in one ear for a while
        self.chose = False  # whether the last `choose` looked at what is known and chose anew
        self._alone: int | None = None  # the side that plays with noise in the other ear, while the other one is silent
        if len(self._streams) > 1:
            self._share(None)

    def playing(self, stream: int) -> Next | None:
        """The cell to play of a stream, and why; None if nothing is open in it, or if it waits because of noise in its ear."""
        one = self._streams[stream]
        if len(self._streams) > 1 and self._alone != self._side[stream] and (self._alone is not None or self._noisy(one)):
            return None
        return one.now if any(self._running[number].open for number in one.numbers) else None

    def waits(self, stream: int) -> bool:
        """Whether a stream that plays nothing has open conditions: it waits while there is noise in its ear."""
        return self.playing(stream) is None and any(self._running[number].open for number in self._streams[stream].numbers)

    def _noisy(self, stream: _Stream) -> bool:
        """Whether the present cell of a stream needs noise in the other ear."""
        place = stream.now.place
        return not self._running[place.condition].condition.quiet[place.level]

    @property
    def finished(self) -> bool:
        """Whether the search is complete: every condition has its answer, or no level is offered any more."""
        return not any(one.open for one in self._running)

    def offer(self, condition: int, levels: Bools) -> None:
        """Restrict a condition to these levels (n_levels,) from now on: by ceiling, dose, masking, or the operator's order.

        Without any level the condition is left as it is; it can be offered again.
        """
        levels = np.asarray(levels, dtype=bool)
        one = self._running[condition]
        if levels.shape != one.offered.shape:
            raise ValueError(f"levels have the shape {levels.shape}: give one yes or no for each of {len(one.offered)} levels")
        one.offered = levels
        stream = self._stream_of[condition]
        if not levels.any() or (condition == stream.now.place.condition and not levels[stream.now.place.level]):
            self._next(stream)

    def go_to(self, place: Place) -> Next:
        """Play this cell next, as the operator orders. Raises ValueError if it is not offered."""
        one = self._running[place.condition]
        if not one.offered[place.level]:
            raise ValueError(f"{one.condition.levels_db[place.level]:g} dB nHL is not offered: choose another level")
        stream = self._stream_of[place.condition]
        stream.since = 0
        if len(self._streams) > 1:
            side = self._side[self._streams.index(stream)]
            self._alone = None if one.condition.quiet[place.level] else side
            for number, other in enumerate(self._streams):
                goes_on = other is stream or (self._alone is not None and self._side[number] == side)
                offer = self._offers(other)[0] if not goes_on and self._noisy(other) else None
                if offer is not None:
                    self._set(other, offer.next)
        return self._set(stream, Next(place, Choice(place.level, "operator", math.nan)))

    def update(self, place: Place, sweeps_uv: Floats, usable: Bools) -> Bools:
        """Take one unit: sweeps (16, n_times) in uV, all finite; ``usable`` (16,): sweeps without faults. Returns which were
        accepted (16,)."""
        running, stream = self._running[place.condition], self._stream_of[place.condition]
        settings = running.condition.settings[place.level]
        accepted = usable.copy()
        for reason, beyond in stream.limits.update(sweeps_uv[..., settings.judged], usable):
            self.rejected[reason] += int((accepted & beyond).sum())
            accepted &= ~beyond
        unit = reduce_unit(sweeps_uv, accepted, settings.window)
        weight = float(unit.weight)
        if weight > 0:
            stream.unit_weight += 0.1 * (weight - stream.unit_weight) if stream.unit_weight > 0 else weight
        running.update(place.level, unit)
        if stream.noise.update(unit, settings.stride) and stream.noise.matrix is not None:
            for number in stream.numbers:
                self._running[number].learn_noise(stream.noise.matrix)
        stream.since += place == stream.now.place
        return accepted

    def choose(self, stream: int = 0) -> Next | None:
        """The cell of the next unit of a stream; None when nothing is open in it. It changes every few units, as more becomes
        known."""
        self.chose = False
        if self.playing(stream) is None:
            return None
        one = self._streams[stream]
        condition = one.now.place.condition
        if one.noise.matrix is None or one.since < max(UNITS, SHARE * self._running[condition].units.sum()):
            return one.now
        one.since, self.chose = 0, True
        self._running[condition].believe(self.expected(condition))
        self._next(one)
        return self.playing(stream)

    def expected(self, condition: int) -> tuple[Expected, ...]:
        """Thresholds expected beforehand for a condition: from its plan, and from thresholds found in the same person."""
        asked = self._running[condition].condition
        known = [Expected(asked.expected_db, asked.expected_sd_db)] if math.isfinite(asked.expected_db) else []
        for other, one in enumerate(self._running):
            if other != condition and one.finished and one.belief is not None and asked.ear and one.condition.ear:
                known += passed_on(one.belief.threshold, asked.octaves_from(one.condition), asked.ear == one.condition.ear)
        return tuple(known)

    def _next(self, stream: _Stream) -> None:
        """Choose the next cell of a stream."""
        if len(self._streams) > 1:
            self._share(stream)
            return
        open_ = [number for number in stream.numbers if self._running[number].open]
        lowest = min((self._running[number].condition.rank for number in open_), default=0)
        best: Next | None = None
        most = -math.inf
        for number in open_:
            one = self._running[number]
            if one.condition.rank != lowest:
                continue
            offered = self._choice(stream, number, one.offered)
            if one.belief is None:
                self._set(stream, offered)
                return
            gain = offered.choice.gain_db2_per_s
            if one.condition.ear != self._running[stream.now.place.condition].condition.ear:
                gain /= self._hold
            if best is None or gain > most:
                best, most = offered, gain
        if best is not None:
            self._set(stream, best)

    def _choice(self, stream: _Stream, number: int, levels: Bools) -> Next:
        """The best cell of a condition among these levels (n_levels,), at least one of them, that may follow what plays."""
        one, place = self._running[number], stream.now.place
        condition = one.condition
        now_db = self._running[place.condition].condition.levels_db[place.level]
        reachable = within_rise(condition.levels, levels, now_db)
        if one.belief is None:
            return _begin(number, condition, reachable)
        choice = choose(
            one.belief, self.wanted, condition.levels, one.log10(), reachable, stream.unit_weight, condition.unit_s, one.seconds
        )  # fmt: skip
        return Next(Place(number, choice.level), choice)

    def _share(self, asking: _Stream | None) -> None:
        """Choose who plays, and what: both ears, at levels without noise, or one ear alone, with noise in the other one.

        An ear gets noise only while it is not busy with levels that are enough for it, because what the other ear does meanwhile
        costs no time. Then it is what brings open conditions to their end soonest. ``asking``: the stream whose next cell is due;
        None: all.
        """
        quiet, noisy = [], []
        for stream in self._streams:
            one, other = self._offers(stream)
            quiet.append(one)
            noisy.append(other)
        # what a stream plays while its ear plays alone: where none of its conditions needs noise, a level without
        alone = [one if one is not None else other for one, other in zip(noisy, quiet, strict=True)]
        worth: dict[int | None, float] = {None: sum(offer.pace for offer in quiet if offer is not None)}
        for side in sorted(set(self._side)):
            mine = [number for number, each in enumerate(self._side) if each == side]
            busy = any(each.enough for number, each in enumerate(quiet) if each is not None and number not in mine)
            if any(noisy[number] is not None for number in mine) and not busy:
                worth[side] = sum(offer.pace for number in mine if (offer := alone[number]) is not None)
        worth[self._alone] = HOLD * worth.get(self._alone, 0.0)
        was, self._alone = self._alone, max(worth, key=lambda who: worth[who])
        for number, stream in enumerate(self._streams):
            offer = quiet[number] if self._alone is None else alone[number] if self._alone == self._side[number] else None
            due = stream is asking or asking is None or was != self._alone
            if offer is not None and due:
                stream.since = 0
                self._set(stream, offer.next)

    def _offers(self, stream: _Stream) -> tuple[_Offer | None, _Offer | None]:
        """What a stream could play without noise, and with noise: of the first condition for which levels without noise are
        enough, and of the first one for which they are not. None: there is no such condition."""
        weight = stream.unit_weight
        quiet: _Offer | None = None
        noisy: _Offer | None = None
        for number in sorted(stream.numbers, key=lambda each: self._running[each].condition.rank):
            one = self._running[number]
            if not one.open:
                continue
            per_s = weight / one.condition.unit_s if weight > 0 else math.nan
            without = one.offered & one.condition.quiet
            pace, most = one.pace(without, per_s, weight), one.pace(one.offered, per_s, weight)
            enough = pace >= WORTH * most
            if without.any() and (quiet is None or (not quiet.enough and (enough or pace > quiet.pace))):
                quiet = _Offer(self._choice(stream, number, without), pace, enough)
            if noisy is None and not enough:
                noisy = _Offer(self._choice(stream, number, one.offered), most)
        return quiet, noisy

    def _set(self, stream: _Stream, chosen: Next) -> Next:
        stream.now = chosen
        one = self._running[chosen.place.condition]
        if one.posterior is not None:
            one.cell(chosen.place.level).expect(*one.posterior.guesses(chosen.place.level))
        return chosen

    def progress(self, condition: int) -> Progress:
        """Progress of a condition; its weight is nan before the first unit."""
        one, weight = self._running[condition], self._stream_of[condition].unit_weight
        return one.progress(weight / one.condition.unit_s if weight > 0 else math.nan)

    def outlook(self, condition: int | None = None) -> Outlook:
        """Remaining seconds of signal for one condition, or for all open ones; nan before the first unit. With several streams
        that of the longest one, and in turn those of the conditions that need noise."""
        if condition is not None:
            return self._outlook_of([condition])
        one_ear = [number for number, one in enumerate(self._running) if len(self._streams) > 1 and one.open and one.needs_noise]
        longest = _longest(
            [self._outlook_of(number for number in stream.numbers if number not in one_ear) for stream in self._streams]
        )
        parts = [longest] if longest.median_s != 0.0 else []
        if len(set(self._side)) == len(self._side):
            return in_turn([*parts, *(self._outlook_of([number]) for number in one_ear)])
        for side in sorted(set(self._side)):
            own = [stream.numbers for stream, each in zip(self._streams, self._side, strict=True) if each == side]
            parts.append(_longest([self._outlook_of(number for number in numbers if number in one_ear) for numbers in own]))
        return in_turn([part for part in parts if part.median_s != 0.0])

    def _outlook_of(self, numbers: Iterable[int]) -> Outlook:
        return in_turn([foretell(self.progress(number)) for number in numbers if self._running[number].open])

    def look(self, place: Place) -> CellLook | None:
        """Present state of a cell; None if it was never played."""
        cell = self._running[place.condition].cells.get(place.level)
        return None if cell is None or cell.units == 0 else cell.look()

    def offered(self, condition: int) -> Bools:
        """Levels of a condition that may be played (n_levels,)."""
        return self._running[condition].offered

    def times_ms(self, condition: int) -> Floats:
        """Times (n_times,) in ms of the averages of a condition."""
        return self._running[condition].condition.settings[0].times_ms

    def density(self, condition: int) -> tuple[Floats, Floats]:
        """Levels (n,) in dB nHL and the probability of the threshold per dB (n,); empty before the noise is known."""
        posterior = self._running[condition].posterior
        return (np.zeros(0), np.zeros(0)) if posterior is None else posterior.density()

    def answer(self, condition: int = 0, limits: bool = True) -> Answer:
        """Answer of a condition so far."""
        return self._running[condition].answer(limits)


def _longest(each: list[Outlook]) -> Outlook:
    return max(each, key=lambda one: math.inf if math.isnan(one.median_s) else one.median_s)


def _begin(number: int, condition: Condition, reachable: Bools | None) -> Next:
    """Begin a condition with the reachable level (None: all are) that is nearest to the wanted one."""
    away_db = abs(condition.levels - condition.start_db)
    level = int(np.argmin(away_db if reachable is None else np.where(reachable, away_db, np.inf)))
    return Next(Place(number, level), Choice(level, "start", math.nan))


__all__ = ["Answer", "CellLook", "Condition", "Next", "Place", "RunningSearch", "Wanted"]
