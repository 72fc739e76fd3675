"""Schedule of stimuli: onset of each in whole samples, and its polarity. It is seeded, and the same for any block size.

After each unit of sweeps comes a random pause, the sum of one random number for each mains frequency. Hum then has a random phase
in every unit, independent of the units before (see `Schedule`), and cannot add up like a response. With 50 and 60 Hz the mean
pause is 18.3 ms, which makes a run at 47.1/s with units of 16 last 5.4 % longer: (1/50 + 1/60) / 2 over 16 / 47.1 s.

Polarity alternates within a unit. A separate fair coin for each unit decides which polarity comes first. A part of the sound that
remains in the mean of a unit, such as the end of an artefact that no next sweep cancels, then has a random sign and cannot add
up.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, islice

import numpy as np

POLARITIES = ("condensation", "rarefaction", "alternating")
SLOWEST_PER_S, FASTEST_PER_S = 0.5, 250.0
SHORTEST_LEAD_IN_S = 0.1
PAUSES_S = (1 / 50, 1 / 60)  # one period of either mains
_COINS, _MOVES = 1, 3  # name the draws of polarity and of random intervals beside those of pauses, which have the seed alone
_RATES = f"{SLOWEST_PER_S} to {FASTEST_PER_S:g} stimuli per second"


class ScheduleError(ValueError):
    """Raised for a schedule that cannot be played."""


class RateError(ScheduleError):
    """Raised for a stimulus rate that is locked to the mains; `proposals` are safe rates nearby."""

    def __init__(self, message: str, proposals: tuple[float, ...]) -> None:
        super().__init__(message)
        self.proposals = proposals


@dataclass(frozen=True)
class Sweep:
    """One presentation. index: counted from 0 in the run; unit: counted from 0; onset in samples of the schedule's clock.

    cell: the cell that was played, in a run with several cells; None before that is known, and for a run with one sound.
    """

    index: int
    unit: int
    index_in_unit: int
    onset_sample: int
    polarity: str
    cell: int | None = None

    @property
    def sign(self) -> int:
        """1 for condensation, -1 for rarefaction."""
        return 1 if self.polarity == "condensation" else -1


@dataclass(frozen=True)
class Schedule:
    """n_sweeps = None is endless. lead_in_s is silence before the first sound (devices need up to 2 s to wake).

    With ``random_polarity`` a fair coin for each unit says with which polarity it begins, where polarity alternates; without, all
    begin with condensation. Coins have draws of their own: pauses of a seed are the same with and without.

    The pause after a unit is the sum of independent draws, one for each of `pauses_s`, uniform from 0 up to it; with none the
    rate is fixed. Where one of them is a period T of something periodic, its phase at the start of a unit is uniform, and
    independent of its phases at all earlier units. Sketch of a proof: from one unit to the next the phase, in turns, moves by
    (D + R) / T modulo 1, with D the draw over T and R the unit's length and the other draws. D / T is uniform on the circle and
    independent of R and of the past; a uniform turn added to anything independent of it is uniform and independent of it. The
    phase of harmonic h is h times this modulo 1, uniform too. So what each harmonic leaves in a mean over units is 0 by
    expectation, whatever its size, and falls with the root of their number. This holds for each such period taken by itself:
    phases of two periodic things may depend on each other within a unit.

    Draws are whole samples from 0 to P - 1, with P the samples in T. Where P is whole (960 and 800 at 48 kHz, 882 and 735 at
    44.1 kHz) the above is exact up to half the sampling rate. Otherwise, and for mains a little off its nominal frequency,
    phases of successive units stay correlated by about the relative error of the period: 0.2 % for mains 0.2 % off.

    ``rest_s`` is silence after every unit, before its pause.

    With ``random_interval_s`` each sound begins later than in the even train, by a draw D of its own, uniform from 0 up to it;
    the mean rate stays. Intervals then differ from the even one by the difference of two draws. Of something periodic with
    frequency f that is in step with the even train, a mean of sounds keeps sin(x) / x with x = pi f random_interval_s: the
    expected value of exp(2 pi i f D) has this modulus. Of what the sound before evokes it keeps the square of it.
    """

    rate_per_s: float
    sample_rate_hz: float
    polarity: str = "alternating"
    n_sweeps: int | None = None
    unit_sweeps: int = 16
    pauses_s: tuple[float, ...] = PAUSES_S
    seed: int = 0
    lead_in_s: float = 2.0
    random_polarity: bool = True
    rest_s: float = 0.0
    random_interval_s: float = 0.0

    def __post_init__(self) -> None:
        _require(1e3 <= self.sample_rate_hz <= 1e6, "sample_rate_hz", self.sample_rate_hz, "1000 to 1000000 Hz")
        # Own choice: a recording of an ABR needs 10 ms between stimuli; faster is another method (maximum length sequences).
        _require(SLOWEST_PER_S <= self.rate_per_s <= FASTEST_PER_S, "rate_per_s", self.rate_per_s, _RATES)
        _require(self.polarity in POLARITIES, "polarity", self.polarity, ", ".join(POLARITIES))
        _require(self.n_sweeps is None or self.n_sweeps >= 0, "n_sweeps", self.n_sweeps, "0 or more, or None for endless")
        _require(self.unit_sweeps >= 1, "unit_sweeps", self.unit_sweeps, "1 or more")
        allowed = "numbers above 0 and up to 1 s, or none for a fixed rate"
        _require(all(0.0 < pause_s <= 1.0 for pause_s in self.pauses_s), "pauses_s", self.pauses_s, allowed)
        _require(self.seed >= 0, "seed", self.seed, "0 or more")
        _require(SHORTEST_LEAD_IN_S <= self.lead_in_s <= 60.0, "lead_in_s", self.lead_in_s, f"{SHORTEST_LEAD_IN_S} to 60 s")
        _require(0.0 <= self.rest_s <= 1.0, "rest_s", self.rest_s, "0 to 1 s")
        allowed = f"0 up to the interval of {1.0 / self.rate_per_s:.4g} s, without it"
        _require(0.0 <= self.random_interval_s < 1.0 / self.rate_per_s, "random_interval_s", self.random_interval_s, allowed)

    @property
    def interval_samples(self) -> float:
        """Samples between onsets inside a unit; seldom an integer: onsets are rounded one by one, so the mean rate is exact."""
        return self.sample_rate_hz / self.rate_per_s

    @property
    def shortest_samples(self) -> int:
        """The fewest samples from one onset to the next."""
        return math.floor(self.interval_samples) - max(0, self._places - 1)

    @property
    def _places(self) -> int:
        """How many places there are for the onset of a sound; 0: one."""
        return round(self.random_interval_s * self.sample_rate_hz)

    def sweeps(self) -> Iterator[Sweep]:
        """All sweeps in order, from the start; every call begins anew."""
        random, coins = np.random.default_rng(self.seed), np.random.default_rng([self.seed, _COINS])
        moves, places = np.random.default_rng([self.seed, _MOVES]), self._places
        first_sample = round(self.lead_in_s * self.sample_rate_hz)
        rest_samples = round(self.rest_s * self.sample_rate_hz)
        choices = [max(1, round(pause_s * self.sample_rate_hz)) for pause_s in self.pauses_s]
        paused_samples, swapped = 0, 0
        for index in count() if self.n_sweeps is None else range(self.n_sweeps):
            unit, index_in_unit = divmod(index, self.unit_sweeps)
            if unit and index_in_unit == 0:
                paused_samples += rest_samples + sum(math.floor(random.random() * n) for n in choices)
            if index_in_unit == 0 and self.random_polarity:
                swapped = int(coins.integers(2))
            onset = first_sample + paused_samples + math.floor(index * self.interval_samples + 0.5)
            onset += math.floor(moves.random() * places) if places else 0
            yield Sweep(index, unit, index_in_unit, onset, self._polarity_of(index + swapped))

    def onsets(self, n: int) -> np.ndarray:
        """The first `n` onsets (fewer when the schedule ends), samples (n,) int64."""
        return np.array([sweep.onset_sample for sweep in islice(self.sweeps(), n)], dtype=np.int64)

    def _polarity_of(self, place: int) -> str:
        if self.polarity == "alternating":
            return ("condensation", "rarefaction")[place % 2]
        return self.polarity


def _require(fulfilled: bool, name: str, value: object, allowed: str) -> None:
    if not fulfilled:
        raise ScheduleError(f"{name} = {value}; allowed is {allowed}: change it in the plan")


# Own choice. Hum at h * mains is sampled by the stimuli at |h * mains - m * rate| Hz; with fewer than 2 full turns of its phase
# over the 256 sweeps before the first decision more than 1 / (2 pi 2) = 8 % of it can be left in the average. Harmonics beyond
# the sixth are weak in practice, and near some multiple of almost every rate.
_HARMONICS = 6
_FIRST_LOOK_SWEEPS = 256
_LEAST_TURNS = 2.0


def mains_conflict(rate_per_s: float, mains_hz: tuple[float, ...] = (50.0, 60.0)) -> tuple[float, float] | None:
    """The pair (hum frequency, multiple of the rate) in Hz that lie too close together, worst first; None for a safe rate."""
    worst: tuple[float, float] | None = None
    least = _LEAST_TURNS * rate_per_s / _FIRST_LOOK_SWEEPS
    for hum_hz in (h * f for f in mains_hz for h in range(1, _HARMONICS + 1)):
        multiple_hz = max(1, round(hum_hz / rate_per_s)) * rate_per_s
        if abs(hum_hz - multiple_hz) < least - 1e-9:
            least = abs(hum_hz - multiple_hz)
            worst = hum_hz, multiple_hz
    return worst


def safe_rates_near(rate_per_s: float, mains_hz: tuple[float, ...] = (50.0, 60.0), n: int = 3) -> tuple[float, ...]:
    """The `n` safe rates with one decimal that lie nearest, in rising order."""
    tenths = round(rate_per_s * 10)
    candidates = sorted(range(max(5, tenths - 100), tenths + 101), key=lambda tenth: abs(tenth - rate_per_s * 10))
    safe = (tenth / 10 for tenth in candidates if mains_conflict(tenth / 10, mains_hz) is None)
    return tuple(sorted(islice(safe, n)))


def refuse_mains_locked(rate_per_s: float, mains_hz: tuple[float, ...] = (50.0, 60.0)) -> None:
    """Raise RateError, with safe rates nearby, if a multiple of the rate is locked to the mains or its harmonics."""
    if not SLOWEST_PER_S <= rate_per_s <= FASTEST_PER_S:
        raise RateError(f"rate_per_s = {rate_per_s}; allowed is {_RATES}", ())
    conflict = mains_conflict(rate_per_s, mains_hz)
    if conflict is not None:
        proposals = safe_rates_near(rate_per_s, mains_hz)
        raise RateError(
            f"rate_per_s = {rate_per_s:g} stays in step with the mains: {conflict[1]:g} Hz, a multiple of the rate, is "
            f"{abs(conflict[0] - conflict[1]):.2g} Hz from hum at {conflict[0]:g} Hz, which would average like a response: "
            f"use {', '.join(f'{rate:g}' for rate in proposals)}",
            proposals,
        )
