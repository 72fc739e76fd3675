"""Matching of triggers with the plan of this run's own sound.

The pauses between units are drawn at random from the seed of the run, so they identify the run. Sweeps are held until ``NEEDED``
in a row fit these pauses. Earlier sweeps belong to another run, or to other equipment, and are dropped. From then on each trigger
is matched with a sound of the plan. Missing, doubled or extra triggers do no harm. After a break of the stream or the sound, or
an unreported loss of samples, the place in the plan is searched again.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from .samples import Floats
from .train import Schedule, Train
from .units import Sweep

NEEDED = 80  # triggers, five units, that fit from the first sound on
ALONE = 112  # if the first ones may be missing: six pauses; 80 fit by chance in about 1 of 100 tries
EVERY = 8  # triggers between two tries
FIT, LEAST_SEEN = 0.9, 0.5  # share of the triggers that must fit; share of the sounds that must be present
LONGEST_LAG_S = 30.0  # how long sound of an earlier run that still arrives is waited for; own choice
NEAR_S = 2.0  # largest shift of the sound against its plan after a break
MOST_STRAYS = 176  # triggers in a row, without a break, that do not follow the plan
FEW_STRAYS, SETTLED = 4, 8  # up to 4 strays are forgotten after 8 triggers that fit
TOLERANCE_S, TOLERANCE_SAMPLES = 0.4e-3, 1.0  # plus the spread of intervals within a unit
EVEN_S, SURE = 1e-3, 4.0  # spread of intervals that show a clock difference; SDs from which it counts
DRIFT = 1e-3  # share of the time since the last fitting trigger, as two clocks drift apart
UNKNOWN = 0


class Followed(NamedTuple):
    """Result for one sweep: the sweeps that may be judged now, in order; the number that were dropped; whether the run must
    end."""

    own: list[Sweep]
    dropped: int = 0
    refused: bool = False


class Place(NamedTuple):
    """A fit of the sound clock to the stream clock: ``offset_s`` at ``middle_s``, and the ratio ``stretch`` of their rates."""

    offset_s: float
    middle_s: float
    stretch: float
    tolerance_s: float

    def level_s(self, at_s: Floats) -> Floats:
        """Times of the stream (n,) in s, converted to the rate of the sound's clock."""
        return np.asarray(self.middle_s + (at_s - self.middle_s) / self.stretch)


class Following:
    """Matches triggers with the plan. Feed it every sweep in order, and every break; without a schedule all sweeps pass."""

    def __init__(self, rate_hz: float, schedule: Schedule | None, most_sweeps: int) -> None:
        self._rate_hz = rate_hz
        self._train = None if schedule is None else Train(schedule)
        self._needed, self._alone = min(NEEDED, most_sweeps), min(ALONE, most_sweeps)
        self.held: list[Sweep] = []  # not judged yet
        self.foreign = 0  # dropped so far
        self._held_s: list[float] = []
        self._window_s: list[float] = []  # triggers, doubled ones left out, since the place in the plan is not known
        self._shift_s = self._moved_s = 0.0  # what the stamps say is missing up to here; the sum of their jumps' sizes
        self._broken_s = -math.inf  # the last break
        self._began_s = math.nan  # of the first sweep
        self._offset_s = math.nan  # of the sound against the stream; nan until the run's own sound was found
        self._last, self._last_s = -1, math.nan  # sound that was matched last, and when
        self._tolerance_s = 0.0
        self._lost = self._adrift = False  # the place is not known; a break says why
        self._strays = self._fitting = 0

    def gap(self, sample: int, by_s: float) -> None:
        """Report a break of the stream at raw ``sample``, at which its stamps moved by ``by_s``."""
        if abs(by_s) <= LONGEST_LAG_S:  # stamps may be wrong
            self._shift_s += by_s
            self._moved_s += abs(by_s)
        self.broke(sample)

    def broke(self, position: float) -> None:
        """Report a break of the sound at raw sample ``position``."""
        self._broken_s = position / self._rate_hz + self._shift_s

    def take(self, sweep: Sweep) -> Followed:
        """Take the next sweep."""
        if self._train is None:
            return Followed([sweep])
        at_s = sweep.onset.position / self._rate_hz + self._shift_s
        if math.isnan(self._offset_s):
            return self._begin(self._train, sweep, at_s)
        return self._follow(self._train, sweep, at_s)

    def _begin(self, train: Train, sweep: Sweep, at_s: float) -> Followed:
        """Take a sweep before the run's own sound is found."""
        self._hold(sweep, at_s)
        if math.isnan(self._began_s):
            self._began_s = at_s - self._shift_s
        broken = math.isfinite(self._broken_s)
        needed = self._alone if broken else self._needed
        more = len(self._window_s) - needed
        if sweep.onset.doubled or more < 0 or more % EVERY:
            return Followed([])
        train.until(NEEDED)
        lead_s = float(train.onsets_s[0])
        window_s = np.array(self._window_s[-needed:])
        before = len(window_s) - math.ceil(FIT * len(window_s))
        latest_s = float(window_s[before]) - lead_s + TOLERANCE_S
        place = self._aligned(train, window_s, -0.6 * lead_s - self._moved_s, latest_s)
        if place is None or not (broken or self._whole(train, place)):
            longest_s = LONGEST_LAG_S + 1.5 * float(train.onsets_s[NEEDED - 1] - lead_s)
            return Followed([], refused=at_s - self._shift_s - self._began_s > longest_s)
        # Nothing of another run comes within the silence before a sound; breaks move the sound later than its plan.
        since_s = place.offset_s + lead_s - 0.9 * lead_s - self._moved_s
        dropped = sum(time_s < since_s for time_s in self._held_s)
        self.held, self._held_s = self.held[dropped:], self._held_s[dropped:]
        self.foreign += dropped
        return Followed(self._found(train, place), dropped)

    def _whole(self, train: Train, place: Place) -> bool:
        """Whether the sound was present from its first stimulus on, after silence; a few units alone may fit by chance."""
        lead_s = float(train.onsets_s[0])
        times_s = place.level_s(np.array(self._window_s)) - place.offset_s
        if ((times_s > 0.1 * lead_s) & (times_s < 0.6 * lead_s)).any():
            return False
        own_s = times_s[times_s > lead_s - place.tolerance_s]
        fit = [abs(train.nearest(time_s)[1]) <= place.tolerance_s for time_s in own_s.tolist()]
        return sum(fit) >= FIT * len(own_s) and len(own_s) > LEAST_SEEN * np.searchsorted(train.onsets_s, times_s[-1])

    def _follow(self, train: Train, sweep: Sweep, at_s: float) -> Followed:
        """Take a sweep after the run's own sound was found."""
        sign = self._match(train, at_s)
        if not self._lost and (sign != UNKNOWN or sweep.onset.doubled):
            return Followed([sweep if sign == UNKNOWN else sweep._replace(sign=sign, sound=self._last)])
        if self._broken_s > self._last_s and not self._adrift:
            self._adrift = True
        if not self._lost:
            self._lost, self._strays, self._fitting = True, 0, 0
        if self._adrift and self._window_s and self._window_s[0] < self._broken_s:
            self._window_s = []
        self._hold(sweep, at_s)
        self._strays += sign == UNKNOWN
        self._fitting = 0 if sign == UNKNOWN else self._fitting + 1
        tried, needed = len(self._window_s), self._needed if self._adrift else self._alone
        if self._strays <= FEW_STRAYS and self._fitting >= SETTLED:
            return Followed(self._found(train, Place(self._offset_s, at_s, 1.0, self._tolerance_s)))
        if tried >= needed and not (tried - needed) % EVERY:
            near_s = NEAR_S + self._moved_s + self._window_s[0] - self._last_s
            window_s = np.array(self._window_s[-needed:])
            place = self._aligned(train, window_s, self._offset_s - near_s, self._offset_s + near_s)
            if place is not None:
                return Followed(self._found(train, place))
        own = []
        if self._adrift:  # own sound, but its place in the plan is not known at present
            own, self.held, self._held_s = self.held, [], []
        return Followed(own, refused=tried >= MOST_STRAYS)

    def _hold(self, sweep: Sweep, at_s: float) -> None:
        self.held.append(sweep)
        self._held_s.append(at_s)
        if not sweep.onset.doubled:
            self._window_s.append(at_s)

    def _found(self, train: Train, place: Place) -> list[Sweep]:
        """Return the sweeps that were held, each with the sign of its sound, now that the place in the plan is known."""
        own = []
        self._offset_s, self._tolerance_s = place.offset_s, place.tolerance_s
        since_s = self._broken_s if self._broken_s < self._held_s[-1] else -math.inf  # before a break it was another place
        for sweep, at_s, level_s in zip(self.held, self._held_s, place.level_s(np.array(self._held_s)).tolist(), strict=True):
            index, miss_s = train.nearest(level_s - place.offset_s)
            fits = at_s > since_s and abs(miss_s) <= place.tolerance_s and not sweep.onset.doubled
            own.append(sweep._replace(sign=int(train.signs[index]), sound=index) if fits else sweep)
            if fits:
                self._last, self._last_s, self._offset_s = index, at_s, at_s - float(train.onsets_s[index])
        self.held, self._held_s, self._window_s = [], [], []
        self._lost = self._adrift = False
        return own

    def _match(self, train: Train, at_s: float) -> int:
        """The sign of the sound that belongs to a trigger, UNKNOWN where none fits; follows a drift between the clocks."""
        index, miss_s = train.nearest(at_s - self._offset_s)
        if index <= self._last or abs(miss_s) > self._tolerance_s + DRIFT * (at_s - self._last_s):
            return UNKNOWN
        if not self._lost:
            self._last, self._last_s, self._offset_s = index, at_s, self._offset_s + miss_s
        return int(train.signs[index])

    def _aligned(self, train: Train, times_s: Floats, lowest_s: float, highest_s: float) -> Place | None:
        """The offset within the limits at which enough of the triggers (n,) fit the plan; None where there is none.

        The differences between all triggers and all sounds cluster at the offset at which the plan fits.
        """
        late_s = np.diff(times_s) - train.interval_s
        late_s = late_s[np.abs(late_s) < 0.3 * train.interval_s]
        if not len(late_s):
            return None
        samples_s, off_s = TOLERANCE_SAMPLES / self._rate_hz, np.abs(late_s - np.median(late_s))
        spread_s, even_s = float(np.quantile(off_s, 0.95)), late_s[off_s <= EVEN_S + samples_s]
        slow_s, stretch = float(even_s.mean()), 1.0
        even = spread_s <= EVEN_S + samples_s and not train.random_interval_s  # with it the clock's rate is not seen so early
        if even and abs(slow_s) > SURE * float(even_s.std()) / math.sqrt(len(even_s)):
            stretch += slow_s / train.interval_s
        tolerance_s = min(TOLERANCE_S + samples_s + spread_s, 0.25 * train.interval_s)
        middle_s = float(times_s.mean())
        level_s = middle_s + (times_s - middle_s) / stretch  # by the clock of the sound
        train.until_s(float(level_s[-1]) - lowest_s)
        near = np.searchsorted(train.onsets_s, [float(level_s[0]) - highest_s, float(level_s[-1]) - lowest_s])
        offsets_s = np.sort(np.subtract.outer(level_s, train.onsets_s[near[0] : near[1] + 1]), axis=None)
        offsets_s = offsets_s[(offsets_s >= lowest_s - tolerance_s) & (offsets_s <= highest_s + tolerance_s)]
        if not len(offsets_s):
            return None
        crowd_s = _crowd(offsets_s, tolerance_s)
        if train.random_interval_s:  # the spread was that of the intervals: that of the triggers is seen when they are aligned
            spread_s = float(np.quantile(np.abs(crowd_s - np.median(crowd_s)), 0.95))
            tolerance_s = min(TOLERANCE_S + samples_s + spread_s, tolerance_s)
            crowd_s = _crowd(offsets_s, tolerance_s)
        if len(crowd_s) < FIT * len(times_s):
            return None
        return Place(float(np.median(crowd_s)), middle_s, stretch, tolerance_s)


def _crowd(offsets_s: Floats, tolerance_s: float) -> Floats:
    """Those of the rising offsets (n,) in s that lie in the window of twice the tolerance which holds the most of them."""
    counts = np.searchsorted(offsets_s, offsets_s + 2.0 * tolerance_s, side="right") - np.arange(len(offsets_s))
    best = int(counts.argmax())
    return offsets_s[best : best + counts[best]]
