"""Expected latency of wave V by stimulus, level and age: it narrows the search, and shows when a window is too short.

Latencies count from the time zero of the stimulus (`stimuli`): the start of a click or tone burst, the moment at which 10 kHz
starts in a chirp, or the centre frequency in an octave chirp. A response outside the latency search window is still found by the
direction that is learned from the data, but later.
"""

from __future__ import annotations

import numpy as np

# Click, adults, N = 20, insert earphone, level in dB nHL, mean and SD of the latency in ms: Elberling, Callo & Don 2010
# (J Acoust Soc Am 128:215), as published with a general library of auditory models (secondary).
CLICK_ADULT = ((20.0, 7.60, 0.79), (40.0, 6.59, 0.74), (60.0, 5.88, 0.25))
# Chirps of the same study (secondary): ms between 710 and 5700 Hz, then the latency at 20, 40, 60 dB nHL. All six sounds share
# one time zero there. Which frequency of a chirp leaves at it is not said; the end of the sweep is 0.1 ms after our 10 kHz.
CHIRP_ADULT = (
    (1.86, 7.23, 6.15, 4.97),
    (2.56, 7.12, 5.96, 4.57),
    (3.32, 6.97, 5.76, 4.12),
    (4.14, 6.86, 5.48, 3.50),
    (5.04, 6.66, 4.98, 2.87),
)
# Tone bursts, adults: tau = 5 + 12.9 * 5^(-L / 100) * (f / kHz)^-0.413 ms, L in dB SPL, from the start of the burst: Neely et al.
# 1988 eq. 1 (secondary: in published code). 0 dB nHL of a burst is 20 to 33 dB p-p.e. SPL (ISO 389-6, from memory).
BURST_DB_SPL_AT_0_NHL = 25.0
# 47 term newborns at 80 dB HL: 6.75 ms (Arq Neuropsiquiatr 2003, abstract read); adults at that level about 5.7 (from memory).
NEWBORN_LATER_MS = 1.0
# Own choice: one wave cannot come much before the mean of normal ears, but rates near 50/s add 0.3 ms (Don, Allen & Starr 1977:
# 0.5 ms from 10 to 100/s) and a loss of hearing adds more.
EARLIER_MS, LATER_MS = 1.0, 2.0
CHIRP_EARLIER_MS = 1.5  # SD of the latency up to 0.6 ms (same study), and the time zero is not certain
# Own choice. The mean stands for all ears and rates; the zero of dB nHL and the shape of the burst move it.
BURST_EARLIER_MS, BURST_LATER_MS = 2.0, 3.0
# Own choice, wide: for octave chirps no latencies re their centre were found. Without the rise of a burst (2 cycles) they come
# earlier: about 1.5 cycles are taken off the earliest.
OCTAVE_CYCLES_EARLIER = 1.5
ANYWHERE_MS = (5.5, 10.0)
ANYWHERE_CHIRP_MS = (2.5, 9.0)  # the rows above and their spreads, infants included
UNKNOWN_LEVELS_DB_NHL = (20.0, 80.0)  # of a burst, where the level is not known: most runs are in between

# Default response windows: the wave and the trough 2 to 3 ms after it, at 20 dB nHL. Own choice.
WINDOW_MS = (5.0, 17.0)
CHIRP_WINDOW_MS = (2.0, 12.4)
BURST_WINDOW_ENDS_MS = ((400.0, 25.0), (750.0, 21.0), (1500.0, 19.0))  # below this frequency: this end


def default_window_ms(
    stimulus: str | None, frequency_hz: float | None = None, age_group: str | None = None
) -> tuple[float, float]:
    """Default response window in ms for levels from 20 dB nHL on; below that, a plan makes it longer if there is room.

    5 to 17 ms; for tone bursts and octave chirps up to 19 ms below 1500 Hz, to 21 ms below 750 Hz, to 25 ms below 400 Hz; for
    chirps 2 to 12.4 ms, for infants to 13.4 ms.
    """
    if stimulus == "chirp":
        later = NEWBORN_LATER_MS if age_group == "infant" else 0.0
        return CHIRP_WINDOW_MS[0], CHIRP_WINDOW_MS[1] + later
    if stimulus in ("tone-burst", "octave-chirp") and frequency_hz is not None:
        return WINDOW_MS[0], next((end for below, end in BURST_WINDOW_ENDS_MS if frequency_hz < below), WINDOW_MS[1])
    return WINDOW_MS


def wave_v_ms(level_db_nhl: float, age_group: str) -> float:
    """Mean latency of wave V for a click, in ms after the stimulus reaches the ear; interpolated linearly between the rows and
    extrapolated beyond them."""
    levels, latencies, _ = (np.array(column) for column in zip(*CLICK_ADULT, strict=True))
    segment = int(np.clip(np.searchsorted(levels, level_db_nhl) - 1, 0, len(levels) - 2))
    slope = (latencies[segment + 1] - latencies[segment]) / (levels[segment + 1] - levels[segment])
    latency = latencies[segment] + slope * (min(level_db_nhl, 80.0) - levels[segment])
    return float(latency) + (NEWBORN_LATER_MS if age_group == "infant" else 0.0)


def chirp_wave_v_ms(level_db_nhl: float, span_ms: float, age_group: str) -> float:
    """Mean latency of wave V for a chirp in ms: that of the click, minus the published difference for a chirp of this span at
    this level.

    The difference is linear between the levels 20, 40, 60 and between the spans (0: the click), and constant beyond them.
    """
    levels = [row[0] for row in CLICK_ADULT]
    spans = [0.0] + [row[0] for row in CHIRP_ADULT]
    by_level = []
    for i, (_, click_ms, _) in enumerate(CLICK_ADULT):
        by_level.append(np.interp(span_ms, spans, [0.0] + [click_ms - row[1 + i] for row in CHIRP_ADULT]))
    return wave_v_ms(level_db_nhl, age_group) - float(np.interp(level_db_nhl, levels, by_level))


def burst_wave_v_ms(level_db_nhl: float, frequency_hz: float, age_group: str) -> float:
    """Mean latency of wave V for a tone burst, in ms."""
    level_db_spl = min(level_db_nhl + BURST_DB_SPL_AT_0_NHL, 100.0)
    latency = 5.0 + 12.9 * 5.0 ** (-level_db_spl / 100.0) * (frequency_hz / 1000.0) ** -0.413
    return float(latency) + (NEWBORN_LATER_MS if age_group == "infant" else 0.0)


def wave_v_bracket_ms(
    stimulus: str | None,
    level_db_nhl: float | None,
    age_group: str | None,
    window_ms: tuple[float, float],
    *,
    frequency_hz: float | None = None,
    span_ms: float | None = None,
) -> tuple[float, float]:
    """The latency search window of wave V in ms, limited so that it begins inside the response window; a wide one if the level is
    not known.

    `frequency_hz`: that of a tone burst or octave chirp. `span_ms` (710 to 5700 Hz): that of a chirp. Any other sound: 5.5 to 10
    ms.
    """
    age = age_group or "adult"
    if stimulus == "click" and level_db_nhl is not None and age_group is not None:
        mean = wave_v_ms(level_db_nhl, age)
        low, high = mean - EARLIER_MS, mean + LATER_MS
    elif stimulus == "chirp" and span_ms is not None:
        if level_db_nhl is None:
            low, high = ANYWHERE_CHIRP_MS
        else:
            mean = chirp_wave_v_ms(level_db_nhl, span_ms, age)
            low, high = mean - CHIRP_EARLIER_MS, mean + LATER_MS
    elif stimulus in ("tone-burst", "octave-chirp") and frequency_hz is not None:
        softest, loudest = UNKNOWN_LEVELS_DB_NHL if level_db_nhl is None else (level_db_nhl, level_db_nhl)
        low = burst_wave_v_ms(loudest, frequency_hz, age) - BURST_EARLIER_MS
        high = burst_wave_v_ms(softest, frequency_hz, age) + BURST_LATER_MS
        if stimulus == "octave-chirp":
            low -= 1e3 * OCTAVE_CYCLES_EARLIER / frequency_hz
    else:
        low, high = ANYWHERE_MS
    return max(low, window_ms[0]), high
