"""Analysis of sweeps that another program cut, from an array or an epochs object, in portions of any size.

Units, weights, evidence and rules are those of a run, in the same order, so the looks are the same. The size of the portions
changes nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, Self

import numpy as np

from .analysis import UNIT_SWEEPS, AnalysisSettings, RunningAnalysis
from .artefacts import Faults, raw_faults
from .events import LookDone
from .evidence import EvidenceSettings
from .filtering import Band
from .reporting import DECIDING, look_event, none_larger, standing_words
from .rules import EvidenceReached, NoiseFloorReached, Rule, UpperLimitReached
from .samples import PLAUSIBLE_UV, Bools, Floats
from .units import left_out

Answer = Literal["response present", "response absent", "undecided"]
ANSWERS: dict[str, Answer] = {"response_present": "response present", "response_absent": "response absent"}
LEAST_RATE_HZ = 2000.0  # own choice: the upper limit looks at points 0.5 ms apart
NOT_FINITE = "not_finite"


@dataclass(frozen=True, repr=False, eq=False)
class Result:
    """Result of the sweeps so far. Undefined values are nan. The first channel decides. ``repr`` gives a sentence."""

    verdict: Answer
    reason: str
    alpha: float  # false-alarm rate over all looks together
    evidence: float  # log10, at the latest look; "response present" where it ever reached log10(1 / alpha)
    p_value: float  # bound that holds at every look: 1 / the largest evidence so far
    average_uv: Floats  # (n_times,) or (n_channels, n_times), weighted, of all accepted sweeps; nan before anything has weight
    times_ms: Floats  # (n_times,) after the sound reaches the ear
    residual_noise_nv: float  # RMS over the response window
    upper_limit_nv: float  # largest possible response, peak to trough, true in 95 of 100 recordings
    given: int  # sweeps
    accepted: int
    rejected: Mapping[int, str]  # number of the sweep, from 0 on: why it was rejected
    waiting: int  # sweeps at the end that do not fill a unit of 16 yet, and are not used
    decided_after: int | None  # sweeps after which a run would have ended
    band_hz: tuple[float, float] | None  # of the filter that the sweeps went through; None: not known
    looks: tuple[LookDone, ...]  # as in events.jsonl, with ``sample`` counted in sweeps

    @property
    def reasons(self) -> dict[str, int]:
        """Number of rejected sweeps, by reason."""
        return dict(sorted(Counter(self.rejected.values()).items()))

    def __repr__(self) -> str:
        why = ", ".join(f"{name} {count}" for name, count in self.reasons.items())
        parts = [
            f"{self.verdict.capitalize()}: {self.reason}",
            f"{self.given} sweeps, {self.accepted} accepted, {len(self.rejected)} rejected{f' ({why})' if why else ''}",
        ]
        if self.waiting:
            parts[-1] += f", {self.waiting} not used (a unit is {UNIT_SWEEPS})"
        if self.verdict == "response present":
            parts.append(f"{self.residual_noise_nv:.1f} nV of noise is left in the average")
        return f"{'. '.join(parts)}."


class _Axes(NamedTuple):
    """Properties that all sweeps share: shape of one sweep, rate, time of its first point, band."""

    shape: tuple[int, ...]
    rate_hz: float
    start_ms: float
    band_hz: tuple[float, float] | None

    @property
    def words(self) -> str:
        band = "unknown" if self.band_hz is None else f"{self.band_hz[0]:g} to {self.band_hz[1]:g} Hz"
        return f"shape {self.shape}, {self.rate_hz:g} Hz, first point at {self.start_ms:g} ms, band {band}"


class _Unit(NamedTuple):
    """Sweeps (n_channels, UNIT_SWEEPS, n_times), 0 where not finite, and the faults of each sweep by channel."""

    sweeps_uv: Floats
    faults: list[Faults]

    @classmethod
    def of(cls, sweeps_uv: Floats, rate_hz: float) -> _Unit:
        finite = np.asarray(np.isfinite(sweeps_uv).all(axis=-1))
        sweeps_uv[~finite] = 0.0
        faults: list[Faults] = [
            tuple(fault if good else NOT_FINITE for fault, good in zip(raw_faults(sweep, rate_hz), known, strict=True))
            for sweep, known in zip(sweeps_uv.swapaxes(0, 1), finite.T, strict=True)
        ]
        return cls(sweeps_uv, faults)


def _is_plausible(unit: _Unit) -> bool:
    """Whether the sweeps of the first channel have a plausible size for EEG; False where no sweep can be used. Raises
    ValueError."""
    usable = unit.sweeps_uv[DECIDING, [faults[DECIDING] is None for faults in unit.faults]]
    if not len(usable):
        return False
    rms_uv, (least, most) = float(np.median(usable.std(axis=-1))), PLAUSIBLE_UV
    if rms_uv < least:
        remedy = "If they are in volts, multiply by 1e6; in millivolts, by 1e3 (an epochs object of MNE is converted here)"
    elif rms_uv > most:
        remedy = "If they are in nanovolts, divide by 1e3; if they were not filtered, filter the recording before it is cut"
    else:
        return True
    raise ValueError(f"the first sweeps have {rms_uv:.3g} uV RMS; EEG has {least:g} to {most:g} uV. {remedy}")


@dataclass(kw_only=True)
class EpochAnalysis:
    """Analysis of sweeps. ``add`` takes any number of sweeps at a time, ``result`` gives the result so far.

    ``rate_hz``: sampling rate of the sweeps. ``start_ms``: time of their first point after the sound reaches the ear. An epochs
    object carries both; for an array they must be given.
    ``band_hz``: the band (-6 dB points) to which the sweeps were filtered before they were cut; nothing is filtered here.
    ``window_ms``: the response window. ``latency_ms``: the latency search window of wave V.
    ``alpha``: false-alarm rate of all looks together. ``floor_nv``: residual noise at which a missing response is believed.
    ``absent_below_nv``: smallest response that matters (see UpperLimitReached).
    ``random_pauses``: a random pause followed each 16 sweeps. Then a look comes after each 16 sweeps, otherwise after each 32.
    Sweeps must be added in the order in which they were recorded.
    """

    rate_hz: float | None = None
    start_ms: float | None = None
    band_hz: tuple[float, float] | None = None
    window_ms: tuple[float, float] = (5.0, 17.0)
    latency_ms: tuple[float, float] = (5.5, 10.0)
    alpha: float = 0.01
    floor_nv: float = 15.0
    absent_below_nv: float | None = None
    random_pauses: bool = False

    def __post_init__(self) -> None:
        absent: list[Rule] = [NoiseFloorReached(self.floor_nv)]
        if self.absent_below_nv is not None:
            absent.append(UpperLimitReached(self.absent_below_nv))
        self._rules: tuple[Rule, ...] = (EvidenceReached(self.alpha), *absent)
        self._evidence = EvidenceSettings(block_units=1 if self.random_pauses else 2, latency_ms=self.latency_ms)
        self._analysis: RunningAnalysis | None = None
        self._waiting: list[Floats] = []  # each (n_channels, n_times)
        self._axes = _Axes((), math.nan, math.nan, None)
        self._plausible = False  # whether the size of a unit was found to be that of EEG
        self._given = 0
        self._rejected: dict[int, str] = {}
        self._looks: list[LookDone] = []
        self._met: list[int] = []  # index of the rule that was met at each look, -1 for none

    def add(self, epochs: Any) -> Self:
        """Add the next sweeps: (n_sweeps, n_times) or (n_sweeps, n_channels, n_times) in uV, or an epochs object of MNE.

        A sweep that contains a nan is rejected as "not_finite", a constant sweep as "flat". Raises ValueError, and adds nothing,
        for sweeps with another shape or time axis than those before, and if the first unit has a size that no EEG has.
        """
        sweeps_uv, axes = self._read(epochs)
        analysis = self._begin(axes)
        together = sweeps_uv[:, np.newaxis] if sweeps_uv.ndim == 2 else sweeps_uv
        pending = [*self._waiting, *together]
        whole = len(pending) - len(pending) % UNIT_SWEEPS
        units = [
            _Unit.of(np.stack(pending[at : at + UNIT_SWEEPS], axis=1), axes.rate_hz) for at in range(0, whole, UNIT_SWEEPS)
        ]
        if not self._plausible:
            self._plausible = any(_is_plausible(unit) for unit in units)
        self._analysis, self._axes = analysis, axes
        for unit in units:
            self._judge(analysis, unit)
        self._waiting = [sweep.copy() for sweep in pending[whole:]]  # the caller may write into its array again
        self._given += len(together)
        return self

    def _read(self, epochs: Any) -> tuple[Floats, _Axes]:
        """Sweeps in uV, and the properties that they share."""
        if hasattr(epochs, "get_data"):
            return self._read_object(epochs)
        sweeps_uv = np.asarray(epochs, dtype=np.float64)
        if sweeps_uv.ndim not in (2, 3) or 0 in sweeps_uv.shape[1:]:
            shape = "(n_sweeps, n_times) or (n_sweeps, n_channels, n_times)"
            raise ValueError(f"an array of shape {sweeps_uv.shape}: give sweeps as {shape}, time as the last axis")
        if self.rate_hz is None or self.start_ms is None:
            raise ValueError(
                "an array does not say its times: give rate_hz, and start_ms, the time of the first point of a sweep in ms after "
                "the sound reaches the ear"
            )
        return sweeps_uv, _Axes(sweeps_uv.shape[1:], self.rate_hz, self.start_ms, self.band_hz)

    def _read_object(self, epochs: Any) -> tuple[Floats, _Axes]:
        """The same from an epochs object of MNE, whose EEG is in volts."""
        if strange := sorted(set(epochs.get_channel_types()) - {"eeg"}):
            raise ValueError(f"channels of type {', '.join(strange)}: only EEG is in volts; use epochs.copy().pick('eeg')")
        volts = np.asarray(epochs.get_data(), dtype=np.float64)
        if volts.ndim != 3:
            raise ValueError(f"{type(epochs).__name__} holds no sweeps that could be judged one by one: give the epochs")
        rate_hz = float(epochs.info["sfreq"])
        if self.rate_hz is not None and not math.isclose(self.rate_hz, rate_hz, rel_tol=1e-6):
            raise ValueError(f"rate_hz = {self.rate_hz:g}, but the epochs say {rate_hz:g} Hz: leave rate_hz out")
        start_ms = 1e3 * float(epochs.times[0]) if self.start_ms is None else self.start_ms
        low, high = float(epochs.info["highpass"]), float(epochs.info["lowpass"])
        filtered = 5.0 <= low < high <= 0.45 * rate_hz  # edges that a Band can have
        return 1e6 * volts, _Axes(volts.shape[1:], rate_hz, start_ms, self.band_hz or ((low, high) if filtered else None))

    def _begin(self, axes: _Axes) -> RunningAnalysis:
        """Make the analysis from the first sweeps; all later sweeps must have the same properties."""
        if self._analysis is not None:
            if axes != self._axes:
                raise ValueError(
                    f"these sweeps have {axes.words}, but those before have {self._axes.words}: give sweeps recorded and "
                    "cut in the same way, or begin a new analysis"
                )
            return self._analysis
        if not (math.isfinite(axes.rate_hz) and axes.rate_hz >= LEAST_RATE_HZ):
            raise ValueError(f"rate_hz = {axes.rate_hz:g}: give at least {LEAST_RATE_HZ:g} Hz; record at a higher rate")
        settings = AnalysisSettings(
            axes.rate_hz,
            axes.start_ms,
            axes.shape[-1],
            self.window_ms,
            evidence=self._evidence,
            rules=self._rules,
            gain=None if axes.band_hz is None else Band(axes.rate_hz, *axes.band_hz).response,
        )
        channels = axes.shape[0] if len(axes.shape) == 2 else 1
        return RunningAnalysis(settings, (channels,), frozenset({"evidence", "fsp", "upper_limit"}))

    def _judge(self, analysis: RunningAnalysis, unit: _Unit) -> None:
        first = UNIT_SWEEPS * analysis.average.units
        usable: Bools = np.array([[fault is None for fault in faults] for faults in unit.faults], dtype=bool).T
        result = analysis.update(unit.sweeps_uv, usable)
        reasons = left_out([faults[DECIDING] for faults in unit.faults], result)
        self._rejected |= {first + place: why for place, why in enumerate(reasons) if why is not None}
        if result.look is not None:
            rejected = Counter(self._rejected.values())
            self._looks.append(look_event(first + UNIT_SWEEPS, result.look, analysis.settings, rejected, 0, math.nan))
            self._met.append(int(result.look.rule[DECIDING]))

    @property
    def result(self) -> Result:
        """The result so far. A response that was found at any look stays found; "response absent" refers to the latest look.

        Raises ValueError before the first ``add``.
        """
        if self._analysis is None:
            raise ValueError("no sweeps were added yet: call add(epochs) first")
        outcomes = [self._rules[met].outcome if met >= 0 else None for met in self._met]
        found = outcomes.index("response_present") if "response_present" in outcomes else None
        decided = next((at for at, outcome in enumerate(outcomes) if outcome is not None), None)
        verdict: Answer = "undecided"
        if found is not None:
            verdict = ANSWERS["response_present"]
        elif outcomes and outcomes[-1] is not None:
            verdict = ANSWERS[outcomes[-1]]
        latest = self._looks[-1] if self._looks else None
        average_uv = self._analysis.average.average_uv()
        return Result(
            verdict=verdict,
            reason=self._reason(latest, None if found is None else self._looks[found]),
            alpha=self.alpha,
            evidence=math.nan if latest is None else latest.evidence,
            p_value=math.nan if latest is None else latest.p_value,
            average_uv=average_uv[DECIDING] if len(self._axes.shape) == 1 else average_uv,
            times_ms=self._analysis.settings.times_ms,
            residual_noise_nv=math.nan if latest is None else latest.residual_noise_nv,
            upper_limit_nv=math.nan if latest is None else latest.upper_limit_nv,
            given=self._given,
            accepted=int(self._analysis.average.accepted[DECIDING]),
            rejected=dict(self._rejected),
            waiting=len(self._waiting),
            decided_after=None if decided is None else self._looks[decided].sweeps_presented,
            band_hz=self._axes.band_hz,
            looks=tuple(self._looks),
        )

    def _reason(self, latest: LookDone | None, found: LookDone | None) -> str:
        finds = self._rules[0]
        assert isinstance(finds, EvidenceReached)
        if found is not None:
            return f"{standing_words(found, finds, 'reached')} after {found.sweeps_presented} sweeps ({finds.promise})"
        if latest is None or not math.isfinite(latest.evidence):
            least = UNIT_SWEEPS * self._evidence.warm_up_units
            return f"nothing is decided before {least} sweeps"
        return f"{standing_words(latest, finds, 'of')}; {none_larger(latest)}"


def analyse(
    epochs: Any,
    *,
    rate_hz: float | None = None,
    start_ms: float | None = None,
    band_hz: tuple[float, float] | None = None,
    window_ms: tuple[float, float] = (5.0, 17.0),
    latency_ms: tuple[float, float] = (5.5, 10.0),
    alpha: float = 0.01,
    floor_nv: float = 15.0,
    absent_below_nv: float | None = None,
    random_pauses: bool = False,
) -> Result:
    """Decide whether sweeps contain a response. The arguments are those of EpochAnalysis, applied to all sweeps at once. Raises
    ValueError."""
    return EpochAnalysis(
        rate_hz=rate_hz,
        start_ms=start_ms,
        band_hz=band_hz,
        window_ms=window_ms,
        latency_ms=latency_ms,
        alpha=alpha,
        floor_nv=floor_nv,
        absent_below_nv=absent_below_nv,
        random_pauses=random_pauses,
    ).add(epochs).result  # fmt: skip
