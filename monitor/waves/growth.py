"""Change of wave V between two levels (latency/amplitude-intensity function), and whether a response would change like this.

A run made only for this function confirms that a wave at the lower level is a response. It establishes no threshold by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from quietfloor.monitor.waves.marks import Estimate, Mark, Marks
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.peaks import stands

Finding = Literal["as expected", "not as expected", "not certain"]

# Own choice throughout. A wave does not come later, nor get smaller, at a higher level, within what one ear does from run to run.
LATER_MS, SMALLER = 0.1, 0.8
# A steep loss shifts latency by more than normal ears do; near threshold amplitude grows from nothing.
STEEPEST, STEEPEST_MS, LARGEST = 3.0, 0.2, 4.0
USUAL_MS_PER_DB = -0.05  # where no study is at hand: clicks from 20 to 40 dB nHL (computed from the rows in wave-norms.toml)


@dataclass(frozen=True)
class Growth:
    """Change from a lower level to a higher one: of latency in ms (negative: earlier), and of amplitude as a ratio to the lower
    level's.

    ``usual_ms`` and ``usual_ratio`` are the published means of normal ears between these levels; nan if no study has both levels.
    """

    from_db_nhl: float
    to_db_nhl: float
    latency_ms: Estimate
    ratio: Estimate
    usual_ms: float
    usual_ratio: float
    finding: Finding
    words: str


def growth(
    lower: Marks,
    lower_db_nhl: float,
    higher: Marks,
    higher_db_nhl: float,
    norms: Norms,
    stimulus: str | None,
    age_group: str | None,
    *,
    frequency_hz: float | None = None,
    span_ms: float | None = None,
) -> Growth | None:
    """Change of wave V from the lower level to the higher, in one condition; None unless V is marked at both.

    ``frequency_hz`` and ``span_ms`` choose the published rows to compare with. Raises ValueError if the levels are not in order.
    """
    if not lower_db_nhl < higher_db_nhl:
        raise ValueError(f"change with level from {lower_db_nhl:g} to {higher_db_nhl:g} dB nHL: give the lower level first")
    one, other = lower.get("V"), higher.get("V")
    if one is None or other is None or not (stands(one) and stands(other)):
        return None
    change, ratio = other.latency_ms.less(one.latency_ms), _ratio(one, other)
    at = [
        norms.latency("V", stimulus, level, age_group, frequency_hz=frequency_hz, span_ms=span_ms)
        for level in (lower_db_nhl, higher_db_nhl)
    ]
    sizes = [norms.amplitude(stimulus, level, age_group, span_ms=span_ms) for level in (lower_db_nhl, higher_db_nhl)]
    usual_ms = math.nan if at[0] is None or at[1] is None else at[1].mean - at[0].mean
    usual_ratio = math.nan if sizes[0] is None or sizes[1] is None else sizes[1].mean / sizes[0].mean
    meant = usual_ms if math.isfinite(usual_ms) else USUAL_MS_PER_DB * (higher_db_nhl - lower_db_nhl)
    finding = _both(
        _judge(change, min(STEEPEST * meant, 0.0) - STEEPEST_MS, LATER_MS), _judge(ratio, SMALLER, LARGEST), known=ratio
    )
    words = _words(higher_db_nhl - lower_db_nhl, change, ratio, finding)
    return Growth(lower_db_nhl, higher_db_nhl, change, ratio, usual_ms, usual_ratio, finding, words)


def ladder_growth(
    series: Sequence[tuple[float, Marks]],
    norms: Norms,
    stimulus: str | None,
    age_group: str | None,
    *,
    frequency_hz: float | None = None,
    span_ms: float | None = None,
) -> tuple[Growth, ...]:
    """Changes between neighbouring levels of a ladder that have a mark of wave V, from the lowest level up; each level once."""
    marked = sorted(
        ((level, marks) for level, marks in series if (v := marks.get("V")) is not None and stands(v)), key=lambda one: one[0]
    )
    found = (
        growth(one, low_db, other, high_db, norms, stimulus, age_group, frequency_hz=frequency_hz, span_ms=span_ms)
        for (low_db, one), (high_db, other) in pairwise(marked)
    )
    return tuple(each for each in found if each is not None)


def _ratio(one: Mark, other: Mark) -> Estimate:
    """Ratio of amplitudes; its interval from relative errors, unknown where an amplitude may be zero."""
    small, large = one.amplitude_nv, other.amplitude_nv
    if not (small.value > 0 and large.value > 0):
        return Estimate(math.nan)
    value = large.value / small.value
    if not (small.low > 0 and large.low > 0):
        return Estimate(value)
    spread = math.hypot(math.log(small.value / small.low), math.log(large.value / large.low))
    return Estimate(value, value * math.exp(-spread), value * math.exp(spread))


def _judge(change: Estimate, least: float, most: float) -> Finding:
    """Judge a change. Expected: inside the range, with an interval no wider than the range. Not expected: the whole interval is
    outside."""
    if not (math.isfinite(change.low) and math.isfinite(change.high)):
        return "not certain"
    if change.high < least or change.low > most:
        return "not as expected"
    inside = least <= change.value <= most
    return "as expected" if inside and change.high - change.low <= most - least else "not certain"


def _both(latency: Finding, amplitude: Finding, known: Estimate) -> Finding:
    if "not as expected" in (latency, amplitude):
        return "not as expected"
    if not math.isfinite(known.value):
        return latency
    return "as expected" if latency == amplitude == "as expected" else "not certain"


def _words(step_db: float, change: Estimate, ratio: Estimate, finding: Finding) -> str:
    """The change in words, such as "at +5 dB wave V is 0.3 ms earlier and 20 % larger: as expected"."""
    later = round(change.value, 1)
    shift = "at the same time" if later == 0 else f"{abs(later):.1f} ms {'later' if later > 0 else 'earlier'}"
    size = ""
    if math.isfinite(ratio.value):
        percent = 5 * round(20 * (ratio.value - 1))
        size = " and as large" if percent == 0 else f" and {abs(percent)} % {'larger' if percent > 0 else 'smaller'}"
    ends = {
        "as expected": "as expected",
        "not as expected": "not as expected, look at both marks again and whether the stimulus was the same",
        "not certain": "the averages are too noisy to say whether it changes as a response does",
    }
    return f"at +{step_db:g} dB wave V is {shift}{size}: {ends[finding]}"
