"""Simulated runs, through the analysis of a live run, up to a chosen residual noise: averages as a run would leave them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from quietfloor.bench.simulate.noises import NOISES, Grid, NoiseSource, Presentation, run_seeds
from quietfloor.bench.simulate.wave_shapes import Case, Truth, responses
from quietfloor.monitor.core.analysis import AnalysisSettings, RunningAnalysis
from quietfloor.monitor.core.evidence import EvidenceSettings
from quietfloor.monitor.core.stopping import EvidenceReached, SweepLimit
from quietfloor.monitor.core.units import DISPLAY_RATE_HZ
from quietfloor.monitor.waves.expected import default_window_ms, wave_v_bracket_ms
from quietfloor.monitor.waves.trace import Averages

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
EPOCH_MS = (-2.0, 25.0)
MARGIN_MS = 4.0  # on either side, for the interpolation
RATE_PER_S = 27.1  # a sweep is over before the next one begins
SWEEPS = 2500  # in which the noise is reached, about: the background is made to fit, as only its ratio to the response matters
MOST_SWEEPS = 80_000
PRESENT = EvidenceReached().threshold_log10


@dataclass(frozen=True)
class Runs:
    """Averages of those runs that reached the noise, whether the evidence had found a response by then, and the truth."""

    averages: list[Averages]
    present: Bools
    truth: Truth
    unfinished: int  # runs that did not get so quiet


def window_of(case: Case) -> tuple[float, float]:
    return default_window_ms(case.stimulus, case.frequency_hz, case.age_group)


def simulate_waves(case: Case, noise: str, noise_nv: float, seed: int, runs: range, silent: bool = False) -> Runs:
    """Runs of one kind of response in one kind of noise, each with seeds of its own; ``silent``: without the response."""
    grid = Grid(start_ms=EPOCH_MS[0] - MARGIN_MS, n_times=round(4.0 * (EPOCH_MS[1] - EPOCH_MS[0] + 2 * MARGIN_MS)) + 1)
    kind = NOISES[noise]
    if not kind.added:  # what is added has a size of its own: there the background keeps its usual one, and runs are longer
        kind = replace(kind, rms_uv=1e-3 * noise_nv * np.sqrt(SWEEPS))
    lowest = kind.low_hz or grid.band_hz[0]  # a kind that is about another band is analysed in it
    name = f"{noise} {case.name}"
    source = NoiseSource(kind, grid, Presentation(RATE_PER_S), run_seeds(seed, name, runs))
    band = kind.band(grid)
    waves, truth = responses(case, band, grid.times_ms, run_seeds(seed, "waves of " + name, runs))
    window = window_of(case)
    bracket = wave_v_bracket_ms(
        case.stimulus, case.level_db_nhl, case.age_group, window, frequency_hz=case.frequency_hz, span_ms=case.span_ms
    )
    settings = AnalysisSettings(
        grid.rate_hz, grid.start_ms, grid.n_times, window, evidence=EvidenceSettings(latency_ms=bracket),
        rules=(EvidenceReached(), SweepLimit(MOST_SWEEPS)), gain=band.response,
    )  # fmt: skip
    analysis = RunningAnalysis(settings, (len(runs),), frozenset())
    kept = np.full((4, len(runs), grid.n_times), np.nan)
    stated, present = np.full(len(runs), np.nan), np.zeros(len(runs), dtype=bool)
    added = (0.0 if silent else 1.0) * waves[:, np.newaxis, :].astype(np.float32)
    for unit in range(MOST_SWEEPS // 16):
        sweeps = source.unit()
        sweeps += added
        look = analysis.update(sweeps, source.usable, source.presented).look  # type: ignore[arg-type]  # single precision is meant
        if look is None or unit < settings.evidence.warm_up_units:
            continue
        new = np.isnan(stated) & (look.noise.value_nv <= noise_nv)
        if new.any():
            average = analysis.average
            now = (average.average_uv(), average.half_uv(0), average.half_uv(1), average.plus_minus_uv())
            for place, curves in enumerate(now):
                kept[place, new] = curves[new]
            stated[new], present[new] = look.noise.value_nv[new], look.evidence_log10_max[new] >= PRESENT
        if not np.isnan(stated).any():
            break
    up = int(np.ceil(DISPLAY_RATE_HZ / grid.rate_hz))
    times = grid.start_ms + np.arange(grid.n_times * up) * 1e3 / (grid.rate_hz * up)
    inside = (times >= EPOCH_MS[0] - 1e-9) & (times <= EPOCH_MS[1] + 1e-9)
    done = np.flatnonzero(~np.isnan(stated))
    fine: Floats = np.asarray(resample_poly(kept[:, done], up, 1, axis=-1)[..., inside], dtype=np.float64)
    edges = (lowest, grid.band_hz[1])
    shown = times[inside].astype(np.float64)
    averages = [
        Averages(shown, fine[0, k], fine[1, k], fine[2, k], fine[3, k], float(stated[run]), edges) for k, run in enumerate(done)
    ]
    return Runs(averages, present[done], truth.of(done), len(runs) - len(done))
