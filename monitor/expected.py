"""Where wave V is expected, from stimulus, level and age: it narrows the search, and says when a window is too short.

A response outside the bracket is still found, by the direction learned from the data, only later.
"""

from __future__ import annotations

import numpy as np

# Click, adults, N = 20, insert earphone, level in dB nHL, mean and SD of the latency in ms: Elberling, Callo & Don 2010
# (J Acoust Soc Am 128:215), as published with a general library of auditory models (secondary).
CLICK_ADULT = ((20.0, 7.60, 0.79), (40.0, 6.59, 0.74), (60.0, 5.88, 0.25))
# 47 term newborns at 80 dB HL: 6.75 ms (Arq Neuropsiquiatr 2003, abstract read); adults at that level about 5.7 (from memory).
NEWBORN_LATER_MS = 1.0
# Own choice: one wave cannot come much before the mean of normal ears, but rates near 50/s add 0.3 ms (Don, Allen & Starr 1977:
# 0.5 ms from 10 to 100/s) and a loss of hearing adds more.
EARLIER_MS, LATER_MS = 1.0, 2.0
ANYWHERE_MS = (5.5, 10.0)


def wave_v_ms(level_db_nhl: float, age_group: str) -> float:
    """Mean latency of wave V for a click, in ms after the sound reaches the ear; straight lines between and beyond the table."""
    levels, latencies, _ = (np.array(column) for column in zip(*CLICK_ADULT, strict=True))
    segment = int(np.clip(np.searchsorted(levels, level_db_nhl) - 1, 0, len(levels) - 2))
    slope = (latencies[segment + 1] - latencies[segment]) / (levels[segment + 1] - levels[segment])
    latency = latencies[segment] + slope * (min(level_db_nhl, 80.0) - levels[segment])
    return float(latency) + (NEWBORN_LATER_MS if age_group == "infant" else 0.0)


def wave_v_bracket_ms(
    stimulus: str | None, level_db_nhl: float | None, age_group: str | None, window_ms: tuple[float, float]
) -> tuple[float, float]:
    """Earliest and latest expected latency, cut to begin inside the window; the wide bracket where the level is not known."""
    if stimulus != "click" or level_db_nhl is None or age_group is None:
        low, high = ANYWHERE_MS
    else:
        mean = wave_v_ms(level_db_nhl, age_group)
        low, high = mean - EARLIER_MS, mean + LATER_MS
    return max(low, window_ms[0]), high
