"""Positions and sizes of waves I, III, V and the trough after V in an average, with intervals for the effect of noise.

Peaks are searched in a slightly smoothed average; the clearer the wave, the weaker the smoothing. Among the peaks in the latency
search window, the one from which the average falls farthest is taken, in SDs of the noise of that fall. The interval of its
latency follows from the slope: the true peak has slope 0, so it lies where the slope of the average differs from 0 by no more
than noise explains. This needs no assumption about the shape of the wave; for a sharp peak it equals the noise of the slope
divided by the curvature. If another peak is not clearly lower, the interval includes it. No wave is suggested that noise alone
could explain, or whose interval is wider than the range that was searched. These are suggestions: a person may move or remove
each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.waves.curve_noise import FROM_MS
from quietfloor.monitor.waves.expected import wave_v_bracket_ms
from quietfloor.monitor.waves.marks import STATED, WAVES, Estimate, Mark, Marks, Wave
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.trace import Curve, Trace

# All own choice, tried on simulated runs (python -m quietfloor.bench.validate.waves). Times for waves as broad as a click's;
# others in proportion.
FIRST_SMOOTH_MS = 0.20  # SD of the Gaussian with which peaks are compared
SMOOTH_MS, LEAST_SMOOTH_MS, MOST_SMOOTH_MS = 0.6, 0.06, 0.35  # for the place of the chosen one: 0.6 sqrt(noise / fall), within
SPAN_SMOOTH = 0.6  # times as much for its interval: smoothing moves the top of a wave that is not symmetric
REACH_MS = 0.35  # from the chosen peak to its place in the less smoothed curve
TROUGH_SMOOTH = 1.25  # times as much for the trough, which is broader
FALL_WITHIN_MS, EARLY_FALL_WITHIN_MS = 4.0, 1.5  # from a peak to its trough: V, and waves I and III
LEAST_OUT = 3.5  # SDs to stand out; with an interval as long as the search or less, at most 3 % of averages of noise get a V
OUTSIDE_MS, OUTSIDE_SD_MS = 0.6, 0.4  # a peak may lie so far outside the window, where it is less likely, by a Gaussian
EARLY_REACH_SD, EARLY_GAP_MS = 3.0, 0.5  # waves I and III: SDs from their usual time before V, and at least this before the next
LATER_MS, LATER_PART = 1.2, 0.8  # of two peaks before one trough so near, in any case, the later is V, unless it is much lower
NOT_CONSIDERED = 0.01  # probability of peaks that are left out of an interval
WIDTHS = ((750.0, 1.8), (1500.0, 1.4), (math.inf, 1.15))  # of waves of bursts and octave chirps below this frequency
WIDER = 1.07  # intervals: for what smoothing moves, and for the colour of the noise, which is known to some 6 %
BY_HAND_MS = 0.3  # a mark by hand belongs to the top nearest to it, if it is this near


@dataclass(frozen=True)
class Sought:
    """Search ranges of the waves: V in its latency search window, the others by ``before_v_ms``: mean and SD of their time before
    V.

    ``width``: relative width of the waves; 1 for a click.
    """

    v_ms: tuple[float, float]
    before_v_ms: tuple[tuple[Wave, float, float], ...] = ()
    width: float = 1.0


def sought(
    stimulus: str | None,
    level_db_nhl: float | None,
    age_group: str | None,
    window_ms: tuple[float, float],
    norms: Norms,
    *,
    frequency_hz: float | None = None,
    span_ms: float | None = None,
) -> Sought:
    """Search ranges for a stimulus, from ``quietfloor.monitor.waves.expected``; unknown is None.

    Waves I and III are not searched after broadband chirps, where they are hardly visible (J Acoust Soc Am 128:235, verified).
    After tone bursts and octave chirps their times before V are those after clicks (own choice: no others were found).
    """
    bracket = wave_v_bracket_ms(stimulus, level_db_nhl, age_group, window_ms, frequency_hz=frequency_hz, span_ms=span_ms)
    early: list[tuple[Wave, float, float]] = []
    for wave in ("III", "I") if stimulus != "chirp" else ():
        found = norms.interval(wave, "V", age_group or "adult")
        if found is not None:
            early.append((wave, found.mean, found.sd))
    width = 1.0
    if stimulus in ("tone-burst", "octave-chirp") and frequency_hz is not None:
        width = next(width for below, width in WIDTHS if frequency_hz < below)
    return Sought(bracket, tuple(early), width)


@dataclass(frozen=True)
class _Search:
    """Prior of one wave. Its peak is equally likely within ``usual_ms``, less likely outside by a Gaussian of ``sd_ms``, and
    impossible outside ``limits_ms``. Its trough may come up to ``within_ms`` after the peak, but not after ``until_ms``."""

    usual_ms: tuple[float, float]
    sd_ms: float
    limits_ms: tuple[float, float]
    within_ms: float
    until_ms: float


@dataclass(frozen=True)
class _Top:
    """A peak that may be the wave: its sample, the sample of the lowest point after it, the fall in nV and in SDs, its log
    weight."""

    k: int
    low: int
    fall_nv: float
    out: float
    log_weight: float


def suggest(trace: Trace, where: Sought) -> Marks:
    """Marks on the waves that stand out of the noise and whose position is known well enough; none without wave V."""
    width, end = where.width, float(trace.times_ms[-1])
    low, high = where.v_ms
    limits = (low - OUTSIDE_MS * width, high + OUTSIDE_MS * width)
    v = _wave(trace, "V", _Search(where.v_ms, OUTSIDE_SD_MS * width, limits, FALL_WITHIN_MS * width, end), width)
    if v is None:
        return Marks()
    marks = Marks((v,))
    trough = _trough(trace, v, v.stands_out * trace.noise.rms_nv, width)
    if trough is not None:
        marks = marks.put(trough)
    following = v.latency_ms.value
    for wave, before_ms, sd_ms in where.before_v_ms:  # III, then I
        middle = v.latency_ms.value - before_ms
        reach = EARLY_REACH_SD * sd_ms
        limits = (max(middle - reach, FROM_MS), min(middle + reach, following - EARLY_GAP_MS * width))
        search = _Search((middle, middle), sd_ms, limits, EARLY_FALL_WITHIN_MS * width, following)
        early = _wave(trace, wave, search, width)
        if early is not None and early.latency_ms.value < following:
            marks, following = marks.put(early), early.latency_ms.value
    return measured(marks, trace, width)


def stands(mark: Mark) -> bool:
    """Whether a mark can be interpreted: a person placed it, or noise alone seldom makes such a peak.

    Suggestions that were kept may be older than this criterion.
    """
    return mark.by == "operator" or mark.stands_out >= LEAST_OUT


def placed(marks: Marks, trace: Trace, wave: Wave, latency_ms: float, width: float = 1.0) -> Marks:
    """The marks with one wave placed by hand; amplitudes are measured again. Raises ValueError outside the average or out of
    order.

    Its interval is that of the nearest peak (for the trough: the nearest minimum), if there is one; otherwise it is not known.
    """
    first, last = float(trace.times_ms[0]), float(trace.times_ms[-1])
    if not first <= latency_ms <= last:
        raise ValueError(f"{latency_ms:g} ms is outside the average, {first:g} to {last:g} ms")
    curve = Curve(trace, 0.5 * FIRST_SMOOTH_MS * width, -1.0 if wave == "trough" else 1.0)
    tops = curve.tops(latency_ms - BY_HAND_MS * width, latency_ms + BY_HAND_MS * width)
    latency = Estimate(latency_ms)
    if tops:
        nearest = min(tops, key=lambda k: abs(curve.top_ms(k) - latency_ms))
        low, high = curve.span_ms(nearest, _sds(1.0))
        latency = Estimate(latency_ms, min(low, latency_ms), max(high, latency_ms))
    mark = Mark(wave, latency, Estimate(math.nan), "operator", trace.at(latency_ms))
    return measured(marks.put(mark), trace, width)


def removed(marks: Marks, trace: Trace, wave: Wave, width: float = 1.0) -> Marks:
    """The marks without one wave; amplitudes are measured again."""
    return measured(marks.without(wave), trace, width)


def measured(marks: Marks, trace: Trace, width: float = 1.0) -> Marks:
    """Marks with amplitudes from the unsmoothed average: V to its trough, I and III to the lowest point before the next mark."""
    smooth = Curve(trace, FIRST_SMOOTH_MS * width)
    done = []
    for place, mark in enumerate(marks.marks):
        at_ms = mark.latency_ms.value
        low_ms = math.nan
        if mark.wave == "V":
            trough = marks.get("trough")
            low_ms = math.nan if trough is None else trough.latency_ms.value
        elif mark.wave != "trough":
            until = at_ms + EARLY_FALL_WITHIN_MS * width
            if place + 1 < len(marks.marks):
                until = min(until, marks.marks[place + 1].latency_ms.value)
            k, stop = trace.place(at_ms), trace.place(until)
            low_ms = float(trace.times_ms[k + int(np.argmin(smooth.values[k : stop + 1]))])
        amplitude = Estimate(math.nan)
        out = mark.stands_out if mark.by == "suggested" else math.nan
        if math.isfinite(low_ms):
            value = trace.at(at_ms) - trace.at(low_ms)
            sd = float(trace.noise.difference_sd(low_ms - at_ms))
            amplitude = Estimate(value, value - _sds(1.0) * sd, value + _sds(1.0) * sd)
            out = out if mark.by == "suggested" or sd == 0 else value / sd
        done.append(replace(mark, amplitude_nv=amplitude, stands_out=out, height_nv=trace.at(at_ms)))
    return Marks(tuple(done))


def _wave(trace: Trace, wave: Wave, search: _Search, width: float) -> Mark | None:
    """The peak that is the wave, with the interval of its latency; None if none stands out, or if its position is too
    uncertain."""
    curve = Curve(trace, FIRST_SMOOTH_MS * width)
    tops = [_top(curve, k, search) for k in curve.tops(*search.limits_ms)]
    if not tops:
        return None
    best = max(tops, key=lambda top: top.log_weight)
    if wave == "V":
        best = _later(curve, tops, best)
    if best.out < LEAST_OUT:
        return None
    tops.sort(key=lambda top: top is not best)  # the chosen one first
    shares = _shares(curve, tops)
    latency = _placed(curve, best.fall_nv, [top.k for top in tops], shares, width)
    if latency.high - latency.low > search.limits_ms[1] - search.limits_ms[0]:
        return None
    rival = curve.top_ms(tops[1 + int(np.argmax(shares[1:]))].k) if len(tops) > 1 else math.nan
    height = trace.at(latency.value)
    return Mark(wave, latency, Estimate(math.nan), "suggested", height, best.out, float(shares[0]), rival)


def _top(curve: Curve, k: int, search: _Search) -> _Top:
    t, y = curve.trace.times_ms, curve.values
    stop = curve.trace.place(min(float(t[k]) + search.within_ms, search.until_ms))
    low = k + int(np.argmin(y[k : max(stop, k) + 1]))
    fall = float(y[k] - y[low])
    sd = float(curve.trace.noise.difference_sd(float(t[low] - t[k]), curve.smooth_ms))
    out = fall / sd if sd > 0 else 0.0
    outside = max(search.usual_ms[0] - float(t[k]), float(t[k]) - search.usual_ms[1], 0.0) / search.sd_ms
    return _Top(k, low, fall, out, 0.5 * out**2 - 0.5 * outside**2)


def _later(curve: Curve, tops: Sequence[_Top], best: _Top) -> _Top:
    """The last of the peaks that fall to the same trough, soon after the best one and nearly as high: this is V if the first is
    IV."""
    t = curve.trace.times_ms
    near = [
        top for top in tops
        if top.low == best.low and 0 < t[top.k] - t[best.k] <= LATER_MS and top.fall_nv >= LATER_PART * best.fall_nv
    ]  # fmt: skip
    return max(near, key=lambda top: top.k, default=best)


def _shares(curve: Curve, tops: Sequence[_Top]) -> Floats:
    """Probability of each peak; the first is the chosen one.

    If two peaks fall to the same trough, their difference and its noise decide; otherwise how far each stands out.
    """
    chosen, odds = tops[0], [1.0]
    for top in tops[1:]:
        if top.low == chosen.low:
            odds.append(_odds(curve, top.k, chosen.k, chosen.fall_nv - top.fall_nv))
        else:
            odds.append(math.exp(min(top.log_weight - chosen.log_weight, 0.0)))
    return np.asarray(odds) / sum(odds)


def _placed(curve: Curve, fall_nv: float, tops: Sequence[int], shares: Floats, width: float, broader: float = 1.0) -> Estimate:
    """Latency of the first peak, and an interval around it and around every other peak that may be the wave."""
    trace, sign = curve.trace, curve.sign
    smooth_ms = float(np.clip(SMOOTH_MS * math.sqrt(trace.noise.rms_nv / fall_nv), LEAST_SMOOTH_MS, MOST_SMOOTH_MS))
    smooth_ms *= broader * width
    place, span = Curve(trace, smooth_ms, sign), Curve(trace, max(SPAN_SMOOTH * smooth_ms, LEAST_SMOOTH_MS), sign)
    at = _highest(place, curve.top_ms(tops[0]), REACH_MS * width)
    kept, total = [], float(shares[0])
    for n in sorted(range(1, len(tops)), key=lambda n: -shares[n]):
        if total >= 1.0 - NOT_CONSIDERED:
            break
        kept.append(tops[n])
        total += float(shares[n])
    sds = _sds(total)
    spans = [(at, at), span.span_ms(trace.place(_highest(span, at, 0.5 * REACH_MS * width)), sds)]
    spans += [curve.span_ms(k, sds) for k in kept]
    return Estimate(at, min(low for low, _ in spans), max(high for _, high in spans))


def _highest(curve: Curve, at_ms: float, reach_ms: float) -> float:
    """Time of the highest peak of a curve near a time; that time if there is none."""
    near = curve.tops(at_ms - reach_ms, at_ms + reach_ms)
    return curve.top_ms(max(near, key=lambda k: float(curve.values[k]))) if near else at_ms


def _trough(trace: Trace, v: Mark, fall_nv: float, width: float) -> Mark | None:
    """The lowest point after wave V."""
    curve, at = Curve(trace, TROUGH_SMOOTH * FIRST_SMOOTH_MS * width, -1.0), v.latency_ms.value
    tops = curve.tops(at + EARLY_GAP_MS * width, at + FALL_WITHIN_MS * width)
    if not tops:
        return None
    tops.sort(key=lambda k: -float(curve.values[k]))
    odds = [1.0, *(_odds(curve, k, tops[0], float(curve.values[tops[0]] - curve.values[k])) for k in tops[1:])]
    shares = np.asarray(odds) / sum(odds)
    latency = _placed(curve, fall_nv, tops, shares, width, TROUGH_SMOOTH)
    latency = replace(latency, low=max(latency.low, min(at, latency.value)))
    rival = curve.top_ms(tops[1]) if len(tops) > 1 else math.nan
    height, sure = trace.at(latency.value), float(shares[0])
    return Mark("trough", latency, Estimate(math.nan), "suggested", height, sure=sure, rival_ms=rival)


def _odds(curve: Curve, k: int, chosen: int, lower_nv: float) -> float:
    """Odds that a peak measured ``lower_nv`` below the chosen one is truly the higher of the two."""
    sd = float(curve.trace.noise.difference_sd(abs(k - chosen) * curve.trace.step_ms, curve.smooth_ms))
    return float(special.ndtr(-lower_nv / sd) / special.ndtr(lower_nv / sd)) if lower_nv > 0 else 1.0


def _sds(total: float) -> float:
    """Number of SDs on either side for a total probability ``STATED``, if the right peak is among those considered with
    probability ``total``."""
    return WIDER * float(special.ndtri(0.5 + 0.5 * min(STATED / total, 0.999)))


__all__ = ["WAVES", "Sought", "Trace", "measured", "placed", "removed", "sought", "stands", "suggest"]
