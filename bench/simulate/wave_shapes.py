"""Responses with waves I, III, IV, V whose true peaks are known, of shapes that nothing in the program expects.

Every wave is a lobe that rises faster or slower than it falls, of one of three forms; none is a Gaussian, so none is of the bank
of `quietfloor.monitor.core.evidence`. Latencies and sizes of wave V are drawn from published means and spreads; what no
publication gives is own choice and says so. Truth is read off the noise-free response behind the filter of the engine, as a
recording shows it; the peak before the filter is kept beside it. """

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.waves.expected import CLICK_ADULT, burst_wave_v_ms, chirp_wave_v_ms

Floats = NDArray[np.float64]
FINE_HZ = 32_000.0
BEFORE_MS, LONG_MS = 60.0, 160.0  # of the fine grid: far longer than the filter reaches
NEAR_MS = 0.6  # a peak farther from where its lobe was put belongs to another wave


@dataclass(frozen=True)
class Case:
    """A kind of response. Latency of wave V (mean, SD, ms), peak to trough behind the filter (mean in nV, SD as a part of it).

    ``widths_ms``: range of the lengths of wave V's two sides; ``fourth``: range of the height of wave IV in heights of V;
    ``early``: height of waves I and III in heights of V, 0 where they are not seen; ``between_ms``: I-V and III-V. ``hard``: made
    to be difficult, counted apart.
    """

    name: str
    stimulus: str
    level_db_nhl: float
    latency_ms: tuple[float, float]
    size_nv: tuple[float, float]
    source: str
    frequency_hz: float | None = None
    span_ms: float | None = None
    age_group: str = "adult"
    widths_ms: tuple[float, float] = (0.55, 1.1)
    fourth: tuple[float, float] = (0.0, 0.5)
    early: tuple[float, float] = (0.0, 0.0)
    between_ms: tuple[float, float] = (4.0, 1.9)
    hard: bool = False


ELBERLING = "Elberling, Callo & Don 2010, JASA 128:215 (secondary)"
NEELY = "latency Neely et al. 1988 eq. 1 (secondary), spread and size own choice"
SIZES_NV = {20.0: 256.0, 40.0: 368.0, 60.0: 407.0}  # same table; its spread is about a quarter of the mean
EARLY = {20.0: (0.0, 0.15), 40.0: (0.1, 0.25), 60.0: (0.3, 0.4)}  # own choice: wave I is the first to go


def _click(level: float, mean: float, sd: float, fourth: tuple[float, float] = (0.0, 0.5)) -> Case:
    hard = fourth[1] > 0.7
    name = f"click {level:g}" + (", IV as high as V" if hard else "")
    size = (SIZES_NV[level], 0.25)
    return Case(name, "click", level, (mean, sd), size, ELBERLING, fourth=fourth, early=EARLY[level], hard=hard)


def _burst(hz: float, level: float, stimulus: str = "tone-burst") -> Case:
    wide = 1.0 + 450.0 / hz  # own choice: waves of low bursts are broad
    latency = (burst_wave_v_ms(level, hz, "adult"), 0.6)
    return Case(
        f"{stimulus} {hz:g} Hz, {level:g}", stimulus, level, latency, (200.0, 0.3), NEELY, frequency_hz=hz,
        widths_ms=(0.6 * wide, 1.1 * wide), fourth=(0.0, 0.2), early=(0.0, 0.15) if hz > 1500 else (0.0, 0.0),
    )  # fmt: skip


CASES: tuple[Case, ...] = (
    *(_click(*row) for row in CLICK_ADULT),
    Case("click 80, newborn", "click", 80.0, (6.75, 0.38), (250.0, 0.3),
         "latencies 47 term newborns, Arq Neuropsiquiatr 2003 (verified); size own choice", age_group="infant",
         widths_ms=(0.7, 1.3), early=(0.5, 0.4), between_ms=(4.97, 2.22)),
    Case("chirp 40", "chirp", 40.0, (chirp_wave_v_ms(40.0, 3.32, "adult"), 0.5), (645.0, 0.25), ELBERLING, span_ms=3.32),
    _burst(4000.0, 40.0), _burst(4000.0, 30.0, "octave-chirp"), _burst(2000.0, 40.0), _burst(1000.0, 40.0), _burst(500.0, 40.0),
    _click(*CLICK_ADULT[2], fourth=(0.8, 1.1)),
)  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """True values of R responses, (R,) each, in ms and nV; nan if there is no such peak. ``unfiltered_v_ms``: peak of V before
    the filter."""

    v_ms: Floats
    trough_ms: Floats
    v_nv: Floats  # peak to trough
    i_ms: Floats
    iii_ms: Floats
    unfiltered_v_ms: Floats

    def of(self, runs: NDArray[np.intp]) -> Truth:
        """Of some of the responses."""
        return Truth(**{field.name: getattr(self, field.name)[runs] for field in fields(self)})


def lobe(t_ms: Floats, rise_ms: float, fall_ms: float, form: int) -> Floats:
    """1 at 0, a half at -rise_ms / 2 and fall_ms / 2. Forms: raised cosine, squared hyperbolic secant, flat top."""
    x = np.where(t_ms < 0, -t_ms / rise_ms, t_ms / fall_ms)
    if form == 0:
        return np.asarray(np.where(x < 1, 0.5 + 0.5 * np.cos(np.pi * np.minimum(x, 1.0)), 0.0))
    if form == 1:
        return np.asarray(1.0 / np.cosh(np.minimum(2.0 * math.acosh(math.sqrt(2.0)) * x, 300.0)) ** 2)
    return np.asarray(np.exp(-math.log(2.0) * np.minimum(2.0 * x, 10.0) ** 2.6))


def responses(case: Case, band: Band, times_ms: Floats, seeds: Sequence[np.random.SeedSequence]) -> tuple[Floats, Truth]:
    """Filtered responses (R, n_times) in uV at ``times_ms``, one per seed, and the truth about them."""
    t = np.arange(-BEFORE_MS, LONG_MS - BEFORE_MS, 1e3 / FINE_HZ)
    hz = np.fft.rfftfreq(len(t), 1 / FINE_HZ).astype(np.float64)
    gain = np.where(hz <= band.analysis_rate_hz / 2, band.response(hz), 0.0)
    waves, rows = np.empty((len(seeds), len(times_ms))), []
    for k, seed in enumerate(seeds):
        wave, places = _one(case, t, np.random.Generator(np.random.PCG64(seed)))
        seen = np.fft.irfft(np.fft.rfft(wave) * gain, len(t))
        truth = [peak_near(t, seen, places["V"]), *_trough(t, seen, places)]
        size = truth[2]
        truth += [peak_near(t, seen, places[name]) if name in places else math.nan for name in ("I", "III")]
        truth.append(peak_near(t, wave, places["V"]))
        wanted = places["size"]
        rows.append([*truth[:2], wanted, *truth[3:]])
        waves[k] = np.interp(times_ms, t, seen) * wanted * 1e-3 / size
    return waves, Truth(*np.array(rows).T)


def _one(case: Case, t: Floats, rng: np.random.Generator) -> tuple[Floats, dict[str, float]]:
    mean, sd = case.latency_ms
    v = mean + sd * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    size = case.size_nv[0] * float(np.clip(1.0 + case.size_nv[1] * rng.standard_normal(), 0.4, 2.0))
    form = int(rng.integers(3))
    rise, fall = rng.uniform(*case.widths_ms, size=2)
    scale = 0.5 * (rise + fall) / 0.8
    wave = lobe(t - v, rise, fall, form)
    depth, after, wide = rng.uniform(0.3, 0.8), rng.uniform(1.6, 2.6) * scale, rng.uniform(1.2, 2.2) * scale
    wave -= depth * lobe(t - v - after, 0.8 * wide, 1.3 * wide, form)
    wave += rng.uniform(0.0, 0.25) * lobe(t - v - 2.0 * after, wide, wide, form)  # what comes after the trough
    places = {"V": v, "trough": v + after, "size": size}
    fourth = rng.uniform(*case.fourth)
    wave += fourth * lobe(t - v + rng.uniform(0.7, 1.1) * scale, 0.8 * rise, 0.8 * rise, form)
    for name, share, between in zip(("I", "III"), case.early, case.between_ms, strict=True):
        if share:
            places[name] = v - between + 0.2 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
            height = share * rng.uniform(0.6, 1.4)
            wave += height * lobe(t - places[name], 0.5, 0.6, form) - 0.4 * height * lobe(t - places[name] - 0.9, 0.5, 0.6, form)
    return wave, places


def peak_near(t_ms: Floats, curve: Floats, at_ms: float, near_ms: float = NEAR_MS) -> float:
    """The local maximum of a fine curve that lies nearest to ``at_ms``, between samples; nan when there is none near."""
    inside = np.flatnonzero((curve[1:-1] > curve[:-2]) & (curve[1:-1] >= curve[2:]) & (np.abs(t_ms[1:-1] - at_ms) <= near_ms)) + 1
    if not len(inside):
        return math.nan
    k = int(inside[np.argmin(np.abs(t_ms[inside] - at_ms))])
    before, top, after = curve[k - 1 : k + 2]
    return float(t_ms[k] + (t_ms[1] - t_ms[0]) * 0.5 * (before - after) / (before - 2 * top + after))


def _trough(t: Floats, seen: Floats, places: dict[str, float]) -> tuple[float, float]:
    """Time of the lowest point after wave V, and peak to trough."""
    v = peak_near(t, seen, places["V"])
    top = float(np.interp(places["V"] if math.isnan(v) else v, t, seen))
    inside = (t > places["V"]) & (t < places["trough"] + 1.5 * (places["trough"] - places["V"]))
    low = int(np.argmin(np.where(inside, seen, np.inf)))
    return float(t[low]), top - float(seen[low])
