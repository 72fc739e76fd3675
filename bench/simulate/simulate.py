"""Many simulated runs at once through the analysis of a live run, with any number of rules on identical sweeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.noises import Grid, Source
from quietfloor.bench.simulate.responses import Oracle
from quietfloor.monitor.core.analysis import UNIT_SWEEPS, AnalysisSettings, RunningAnalysis
from quietfloor.monitor.core.artefacts import CRITERIA, Criterion
from quietfloor.monitor.core.classical_rules import Scheduled
from quietfloor.monitor.core.evidence import EvidenceSettings
from quietfloor.monitor.core.forecast import ForecastInput, forecast
from quietfloor.monitor.core.stopping import (
    Looks,
    LookStatistics,
    Outcome,
    Rule,
    RunningStopping,
    decision_identity,
    rules_of_run,
)

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
OUTCOMES: tuple[Outcome, ...] = ("response_present", "response_absent", "inconclusive")
ORACLE = "oracle"


@dataclass(frozen=True)
class Setup:
    """Settings of the runs, as a plan would give them, on a grid of points."""

    grid: Grid = field(default_factory=Grid)
    window_ms: tuple[float, float] = (5.0, 17.0)
    criteria: tuple[Criterion, ...] = CRITERIA
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    alpha: float = 0.01
    floor_nv: float = 15.0
    max_sweeps: int = 6144
    quiet_nv: float | None = None
    absent_below_nv: float | None = None
    look_every: int = 256

    @property
    def block_sweeps(self) -> int:
        return self.evidence.block_units * UNIT_SWEEPS

    @property
    def units(self) -> int:
        """Units until every run has met its sweep limit."""
        return max(1, self.max_sweeps // self.block_sweeps) * self.evidence.block_units

    def analysis(self, rules: tuple[Rule, ...]) -> AnalysisSettings:
        grid = self.grid
        return AnalysisSettings(
            rate_hz=grid.rate_hz,
            start_ms=grid.start_ms,
            n_times=grid.n_times,
            window_ms=self.window_ms,
            criteria=self.criteria,
            evidence=self.evidence,
            rules=rules,
            gain=grid.band.response,
        )


@dataclass(frozen=True)
class Chain:
    """One way to end a run: rules in order, under the name that the user gave."""

    name: str
    rules: tuple[Rule, ...]
    identity: str  # that of a live run with the same settings


def chain(name: str, setup: Setup) -> Chain:
    """A rule of the table with the ends that every run has. ``name`` is RULE or RULE:BUDGET, such as ``fsp:bonferroni``.

    With @NV at its end a response waits for an average as quiet as that, such as ``evidence@20``; otherwise as the setup says.
    Raises ValueError.
    """
    rule, _, quiet = name.partition("@")
    try:
        quiet_nv = float(quiet) if quiet else setup.quiet_nv
    except ValueError:
        raise ValueError(f"rule {name!r}: after @ give the noise in nV for which a response waits, such as {rule}@20") from None
    rules = rules_of_run(
        rule,
        alpha=setup.alpha,
        floor_nv=setup.floor_nv,
        max_sweeps=setup.max_sweeps,
        block_sweeps=setup.block_sweeps,
        look_every=setup.look_every,
        quiet_nv=quiet_nv,
        absent_below_nv=setup.absent_below_nv,
    )
    context = (setup.evidence, setup.window_ms, setup.criteria, setup.grid.band_hz)
    return Chain(name, rules, decision_identity(rules, *context))


@dataclass(frozen=True)
class ForecastProbe(Scheduled):
    """A rule that is never met; it makes the analysis compute a forecast at a few looks."""

    name: ClassVar[str] = "forecast_probe"
    outcome: ClassVar[Outcome] = "inconclusive"
    stopped_by = "sweep_limit"
    needs = frozenset({"forecast"})

    def says(self, figures: LookStatistics, look: Ints) -> Bools:
        return np.zeros(figures.sweeps_presented.shape, dtype=bool)


FORECAST_LOOKS = Looks(every=1024, first=512, max_sweeps=2048)


@dataclass(frozen=True)
class Foretold:
    """A forecast made at ``sweeps`` presented: the range of sweeps still to come, and the probability that they run out first.

    (R,) each, nan for runs that had been decided.
    """

    sweeps: int
    low: Floats
    high: Floats
    limit: Floats


@dataclass(frozen=True)
class Decided:
    """How each run of a batch ended under one chain: index into OUTCOMES, sweeps presented; (R,) each.

    Properties of the average at that moment: the stated residual noise; the true noise (RMS over the window after the response is
    subtracted); its amplitude between true peak and true trough, relative to the true one (nan without a response); the upper
    limit of the response, and the lowest limit at any look of the run (both nan if not requested). All are nan for the oracle.
    """

    outcome: Ints
    sweeps: Ints
    noise_nv: Floats
    left_nv: Floats
    amplitude: Floats
    limit_nv: Floats
    lowest_limit_nv: Floats


@dataclass(frozen=True)
class Batch:
    """Decisions by chain, in order, including the oracle's if there is one, and the noise of the averages at the end.

    ``estimated_nv`` (R,): residual noise that the analysis stated. ``left_nv`` (R,): true noise, RMS over the window after the
    response is subtracted. nan if the runs were ended early because everything was decided.
    """

    decided: dict[str, Decided]
    estimated_nv: Floats
    left_nv: Floats
    foretold: list[Foretold]  # of the first chain, when it begins with the evidence


class _Tally:
    """First decisions of a batch."""

    def __init__(self, runs: int) -> None:
        self.outcome = np.full(runs, -1)
        self.sweeps = np.zeros(runs, dtype=np.int64)
        self.noise_nv, self.left_nv, self.amplitude, self.limit_nv, self.lowest_limit_nv = np.full((5, runs), np.nan)

    def note(self, outcome: Ints, sweeps: Floats, noise_nv: Floats, limit_nv: Floats) -> Bools:
        """Where (R,) these are the first decisions."""
        going = self.outcome < 0
        self.lowest_limit_nv[going] = np.fmin(self.lowest_limit_nv[going], limit_nv[going])
        new = going & (outcome >= 0)
        self.limit_nv[new] = limit_nv[new]
        self.outcome[new] = outcome[new]
        self.sweeps[new] = sweeps[new].astype(np.int64)
        self.noise_nv[new] = noise_nv[new]
        return new

    def look_into(self, new: Bools, average_uv: Floats, wave_uv: Floats) -> None:
        """Averages and responses (R, P) over the window, in runs that have just ended."""
        average, wave = average_uv[new], wave_uv[new]
        self.left_nv[new] = 1e3 * np.sqrt(((average - wave) ** 2).mean(axis=-1))
        if wave.any():
            peak = wave.argmax(axis=-1)[:, np.newaxis]
            trough = np.where(np.arange(wave.shape[-1]) > peak, wave, np.inf).argmin(axis=-1)[:, np.newaxis]
            falls = [
                (np.take_along_axis(curve, peak, axis=-1) - np.take_along_axis(curve, trough, axis=-1))[:, 0]
                for curve in (average, wave)
            ]
            silent = falls[1] <= 0
            self.amplitude[new] = np.where(silent, np.nan, falls[0] / np.where(silent, 1.0, falls[1]))

    @property
    def done(self) -> bool:
        return bool((self.outcome >= 0).all())

    def result(self) -> Decided:
        return Decided(
            self.outcome, self.sweeps, self.noise_nv, self.left_nv, self.amplitude, self.limit_nv, self.lowest_limit_nv
        )  # fmt: skip


def simulate(
    source: Source,
    waves_uv: Floats,
    setup: Setup,
    chains: Sequence[Chain],
    covariance_uv2: Floats | None = None,
    foretell: bool = False,
    early: bool = False,
    limits: bool = False,
    earlier: tuple[Floats, Floats] | None = None,
) -> Batch:
    """Runs of ``source`` with the response ``waves_uv`` (R, n_times) added, each until every chain has decided.

    With the covariance of the noise over the window (P, P), and a response, an oracle runs along. Memory does not grow with the
    number of sweeps. ``foretell``: note what the analysis forecasts at FORECAST_LOOKS; ``limits``: and the upper limit at
    every look. Where there is no
    response the runs go on to the sweep limit, unless ``early`` ends them with the last decision as well.
    """
    runs = len(waves_uv)
    first, *others = chains
    settings = setup.analysis(first.rules)
    also = tuple(rule for other in others for rule in other.rules)
    if foretell and first.rules[0].name == "evidence":
        also = (*also, ForecastProbe(looks=FORECAST_LOOKS))
    always = frozenset({"upper_limit"}) if limits else frozenset[str]()
    analysis = RunningAnalysis(settings, (runs,), always, also)
    if earlier is not None:
        analysis.come_after(*earlier)
    stopping = [RunningStopping(one.rules, (runs,)) for one in chains]
    codes = [np.array([OUTCOMES.index(rule.outcome) for rule in one.rules] + [-1]) for one in chains]
    tallies = {one.name: _Tally(runs) for one in chains}
    silent = not waves_uv.any()
    oracle = None
    if covariance_uv2 is not None and not silent:
        oracle = Oracle(settings.window.of(waves_uv), covariance_uv2)
        tallies[ORACLE] = _Tally(runs)
    added = waves_uv[:, np.newaxis, :].astype(np.float32)
    nothing = np.full(runs, np.nan)
    left, estimated = nothing, nothing
    foretold: list[Foretold] = []
    for unit in range(setup.units):
        sweeps = source.unit()
        if not silent:
            sweeps += added
        look = analysis.update(sweeps, source.usable, source.presented).look  # type: ignore[arg-type]  # single precision is meant: half the memory
        if oracle is not None:
            presented = np.full(runs, (unit + 1.0) * UNIT_SWEEPS)
            oracle.update(settings.window.of(sweeps), source.gain)  # type: ignore[arg-type]
            verdict = np.where(oracle.log_ratio >= -np.log(setup.alpha), 0, 2 if unit + 1 == setup.units else -1)
            tallies[ORACLE].note(verdict, presented, nothing, nothing)
        if look is None:
            continue
        figures = look.figures
        for one, running, code in zip(chains, stopping, codes, strict=True):
            tally = tallies[one.name]
            said = code[running.update(figures)]
            new = tally.note(said, figures.sweeps_presented, figures.residual_noise_nv, figures.upper_limit_nv)
            if new.any():
                tally.look_into(new, settings.window.of(analysis.average.average_uv()), settings.window.of(waves_uv))
        if look.outlook is not None:
            foretold.append(_foretold(look.outlook, setup.block_sweeps, tallies[first.name]))
        if (early or not silent) and all(tally.done for tally in tallies.values()):
            break
    else:
        error = settings.window.of(analysis.average.average_uv() - waves_uv)
        left = 1e3 * np.sqrt((error**2).mean(axis=-1))
        estimated = look.figures.residual_noise_nv if look is not None else nothing
    return Batch({name: tally.result() for name, tally in tallies.items()}, estimated, left, foretold)


def _foretold(outlook: ForecastInput, block_sweeps: int, tally: _Tally) -> Foretold:
    ahead = forecast(outlook, block_sweeps)
    found = (np.where(tally.outcome < 0, x, np.nan) for x in (ahead.sweeps_low, ahead.sweeps_high, ahead.limit_probability))
    return Foretold(int(outlook.presented.flat[0]), *found)
