"""Sound dose of a session: energy (level, rate, duration) per ear, summed over runs, and its limits. Pure, without files.

The sum is sound pressure squared over time, in Pa2 s, of every sample that was rendered, whether a plan, a command line or a
fault put it there. By a calibrated earphone it is that of the sound in the open that gives this level at this eardrum, A-weighted
(`ear_steps`). In dB it is a sound exposure level, re (20 uPa)2 1 s. Stimulus and masking noise count alike; what a bone vibrator
plays counts for both ears, as the skull carries it to both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.calibration import BONE, EARS, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.ear_steps import FLAT_INFANT_DB, Step, counted_db, steps_of
from quietfloor.stimuli.levels import REFERENCE_PRESSURE_PA, peak_to_peak_pa
from quietfloor.stimuli.waveforms import Waveform

# 85 dB(A) for 8 hours, 3 dB for half the time: the limit of a working day, NIOSH (verified, CDC), in the open. Children 5 dB
# less: as in the weekly allowances for listening, WHO-ITU H.870 (secondary: 80 and 75 dB(A) for 40 hours). Infants: the adult
# sum, at their own eardrum (own choice).
DAY_DB = 85.0 + 10.0 * math.log10(8 * 3600.0)  # 129.59
LIMIT_DB: Mapping[str, float] = MappingProxyType({"adult": DAY_DB, "child": DAY_DB - 5.0, "infant": DAY_DB})
# Without a calibration, and by bone, no step of `ear_steps` is taken but this. More in an infant's ear canal from the same drive:
# by insert earphones 10 to 20 dB (British Society of Audiology, October 2025, note 4, verified), by bone up to 21 dB (Cone-Wesson
# et al. 1997, abstract, verified). The most is taken, and for every earphone.
_INFANT_MORE_DB: Mapping[str, float] = MappingProxyType({"air": FLAT_INFANT_DB, "bone": 21.0})
# A force in dB re 1 uN sounds at most like a pressure 17 dB lower, dB SPL: 0 dB HL at 3 kHz is 30.0 by ISO 389-3 (from memory)
# and 13.0 by ISO 389-2 (secondary); at other frequencies the difference is larger.
_FORCE_LESS_DB = 17.0
WINDOW_S = 24 * 3600.0  # a day's sum: what is older no longer counts
# The hard limit, for every age: the energy of a working week of five such days, in a day under a dose policy, and in any seven
# days. Rules for work average a week where exposure differs from day to day: Directive 2003/10/EC, article 3, and the 40 hours of
# NIOSH (from memory). That is 7.0 dB; no file, plan or argument moves it.
HARD_TIMES = 5.0
WEEK_S = 7 * WINDOW_S


class DoseError(LevelError):
    """Raised when the sound would exceed the dose limit of an ear, or a dose is not a valid number."""


@dataclass(frozen=True)
class Dose:
    """Dose of each ear, Pa2 s. Raises DoseError for values that are negative or not finite."""

    left_pa2s: float = 0.0
    right_pa2s: float = 0.0

    def __post_init__(self) -> None:
        for ear, value in zip(EARS, self.both, strict=True):
            if not (isinstance(value, (int, float)) and math.isfinite(value) and value >= 0.0):
                raise DoseError(f"sound dose of the {ear} ear = {value!r}; allowed is a number from 0 on")

    @property
    def both(self) -> tuple[float, float]:
        return self.left_pa2s, self.right_pa2s

    def __add__(self, other: Dose) -> Dose:
        return Dose(self.left_pa2s + other.left_pa2s, self.right_pa2s + other.right_pa2s)

    def largest(self, other: Dose) -> Dose:
        """Return, for each ear, the larger of two accounts of the same sound."""
        return Dose(max(self.left_pa2s, other.left_pa2s), max(self.right_pa2s, other.right_pa2s))

    def times(self, factor: float) -> Dose:
        return Dose(self.left_pa2s * factor, self.right_pa2s * factor)

    def smallest(self, other: Dose) -> Dose:
        """Return, for each ear, the smaller of two."""
        return Dose(min(self.left_pa2s, other.left_pa2s), min(self.right_pa2s, other.right_pa2s))


def exposure_db(pa2s: float) -> float:
    """Sound exposure level, dB re (20 uPa)2 1 s; -inf for none."""
    return -math.inf if pa2s <= 0.0 else 10.0 * math.log10(pa2s / REFERENCE_PRESSURE_PA**2)


def limit_pa2s(age_group: str, times: float = 1.0) -> float:
    """What an ear may get in a day, Pa2 s; ``times``: of a dose policy. Raises DoseError beyond the hard limit."""
    if not 1.0 <= times <= HARD_TIMES:  # nan ends here too
        raise DoseError(f"{times:g} times the limit of a day; allowed is 1 to {HARD_TIMES:g}, which nothing moves")
    return float(times * REFERENCE_PRESSURE_PA**2 * 10.0 ** (LIMIT_DB[age_group] / 10.0))


def weights(ceiling: Ceiling, ear: str, waveform: Waveform | None, rate_hz: float) -> tuple[float, float]:
    """Dose in Pa2 s that the (left, right) ear gets per sample of value 1 in the column of `ear`; waveform None: masking noise.

    An output without a usable calibration counts as the loudest plausible output.
    """
    full_scale_db = ceiling.energy_full_scale_db(ear, waveform)
    if ceiling.transducer == BONE or ceiling.coupler is None:
        full_scale_db -= _FORCE_LESS_DB if ceiling.transducer == BONE else 0.0
        full_scale_db += _INFANT_MORE_DB[ceiling.route] if ceiling.age_group == "infant" else 0.0
    else:
        full_scale_db += counted_steps_db(ceiling, waveform)
    weight = peak_to_peak_pa(full_scale_db) ** 2 / rate_hz
    if ceiling.transducer == BONE:
        return weight, weight
    return (weight, 0.0) if ear == "left" else (0.0, weight)


def counted_steps_db(ceiling: Ceiling, waveform: Waveform | None) -> float:
    """What the steps add to the energy of a sound, in dB; 0 by bone and without a usable calibration."""
    steps = steps_for(ceiling, waveform)
    return counted_db(steps, waveform) if steps else 0.0


def steps_for(ceiling: Ceiling, waveform: Waveform | None) -> tuple[Step, ...]:
    """The steps from the coupler to the scale of the limit for this sound; () by bone and without a usable calibration."""
    if ceiling.transducer == BONE or ceiling.coupler is None:
        return ()
    frequency_hz = None if waveform is None else waveform.frequency_hz
    return steps_of(
        ceiling.transducer, ceiling.coupler, ceiling.reads_less_db, ceiling.age_group, ceiling.age_months, frequency_hz
    )


@dataclass
class _Account:
    """Dose of both ears in Pa2 s: the most that they may get, what they are allowed, and what they got."""

    most: list[float]
    left: list[float]
    running: list[float] = field(default_factory=lambda: [0.0, 0.0])
    exhausted: bool = False

    def __post_init__(self) -> None:
        self.exhausted = any(not left > 0.0 for left in self.left)


class DoseGuard:
    """Count the dose of the sound columns, and silence them permanently at the limit of either ear.

    weights: for each column (left, right, and the trigger where it counts) the Pa2 s of the (left, right) ear, as returned by
    `weights`. The sample at which the sound ends does not depend on how the columns are cut into blocks. `beside`: another guard
    that counts for the same ears; both then have one account. ``times``: the limit of a day, by a dose policy.
    """

    def __init__(
        self, weights: tuple[tuple[float, float], ...], spent: Dose, age_group: str,
        beside: DoseGuard | None = None, times: float = 1.0,
    ) -> None:  # fmt: skip
        most = [limit_pa2s(age_group, times) - spent for spent in spent.both]
        self._account: _Account = _Account(most, list(most)) if beside is None else beside._account
        self.weigh(weights)

    def weigh(self, weights: tuple[tuple[float, float], ...]) -> None:
        """Use other weights from the next frame on, because another sound plays."""
        if not all(math.isfinite(weight) and weight >= 0.0 for column in weights for weight in column):
            raise DoseError(f"weights {weights} of the sound dose; allowed are numbers from 0 on")
        self._weights = weights

    def extend(self, dose: Dose) -> None:
        """Raise the allowance by `dose`. The limit of an ear is never raised, and sound that was ended stays ended."""
        one = self._account
        one.left = [min(most, left + more) for most, left, more in zip(one.most, one.left, dose.both, strict=True)]

    def allow(self, dose: Dose) -> None:
        """Allow no more than `dose` from now on. An earlier allowance is never raised."""
        one = self._account
        one.left = [min(left, run + more) for left, run, more in zip(one.left, one.running, dose.both, strict=True)]

    @property
    def exhausted(self) -> bool:
        """Whether an ear has had all that it may get."""
        return self._account.exhausted

    @property
    def given(self) -> Dose:
        """Dose that has passed so far, in this run alone."""
        return Dose(*self._account.running)

    def admit(self, columns: NDArray[np.float64]) -> int:
        """Number of these frames, (n_columns, n) in the order of the weights, that may be played: n, or fewer when the limit is
        reached; after that always 0."""
        n = int(columns.shape[1])
        account = self._account
        if account.exhausted:
            return 0
        if not np.any(columns):
            return n
        squares = columns**2
        sums = []
        admitted = n
        for ear in range(2):
            energy = self._weights[0][ear] * squares[0] + self._weights[1][ear] * squares[1]
            for each, more in zip(self._weights[2:], squares[2:], strict=True):
                energy += each[ear] * more
            sums.append(np.cumsum(np.concatenate([[account.running[ear]], energy])))  # one by one: the same for any block size
            over = np.flatnonzero(~(sums[ear][1:] <= account.left[ear]))
            if over.size:
                admitted = min(admitted, int(over[0]))
        account.running = [float(total[admitted]) for total in sums]
        account.exhausted = admitted < n
        return admitted


def check(
    wanted: Dose, per_s: Dose, spent: Dose, age_group: str, sweeps: int, rate_per_s: float, times: float = 1.0
) -> None:
    """Raise DoseError, with the time that is left, if the dose spent plus the dose wanted exceed the limit of an ear.

    wanted: dose of the whole run; per_s: dose of one second of it.
    """
    limit = limit_pa2s(age_group, times)
    under = "" if times == 1.0 else f" under a dose policy of {times:g} times the usual limit"
    for ear, before, coming, each in zip(EARS, spent.both, wanted.both, per_s.both, strict=True):
        if not before + coming <= limit:
            seconds = max(0.0, limit - before) / each if each > 0.0 else 0.0
            used = f"{100.0 * before / limit:.0f} % of it is used" if before > 0.0 else "nothing of it is used"
            raise DoseError(
                f"the sound would be more than the {ear} ear may get in a day{under} ({exposure_db(limit):.1f} dB sound "
                f"exposure, {age_group}; {used} for this person): at this level {seconds:.0f} s are left, about "
                f"{seconds * rate_per_s:.0f} sweeps, and {sweeps} are asked for: lower the level, the masking or "
                "decision.max_sweeps, or go on another day"
            )
