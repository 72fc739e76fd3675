"""What an ear and its brainstem answer to one click: published wave V, in continuous time, without noise.

Everything here is a pure function of level and time, so that it serves as the truth an average is compared with. The waveform is
made of raised-cosine lobes with compact support: the peak of wave V and its trough lie exactly at the stated times and their
distance is exactly the stated amplitude, at any sampling rate.

Limits: clicks only (any other sound is answered as a click of the same peak-to-peak level), no effect of rate, age or
polarity, no crossing of sound to the other ear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Loss = Literal["sensory", "conductive"]

# Wave V of 20 adults, click: Elberling, Callo & Don 2010, J. Acoust. Soc. Am. 128:215. Status: secondary (read in a public data
# file that quotes the paper), recorded in 100-3000 Hz. Columns: dB nHL, latency ms (SD 0.79, 0.74, 0.25), amplitude uV, taken as
# peak to the trough that follows. Latencies are taken as counted from the arrival of the sound at the ear (from memory).
PUBLISHED_WAVE_V = ((20.0, 7.60, 0.256), (40.0, 6.59, 0.368), (60.0, 5.88, 0.407))

# 80 dB nHL, adults, clicks: I 1.5-1.7, III 3.6-3.9, V 5.5-5.8 ms (general clinical ranges). Status: from memory, not
# verified; the middle of each range is used. It agrees with the 36 us/dB of the published 40-60 dB step flattening towards
# high levels.
LATENCIES_80_DB_MS = {"I": 1.6, "III": 3.75, "V": 5.65}

# Own choices, not published. Intervals between waves are held constant over level. Amplitude above 60 dB nHL stays at the
# published 60 dB value: growth from 40 to 60 dB is only 2 nV/dB and no published value for 80 dB was at hand.
_LEVELS = np.array([row[0] for row in PUBLISHED_WAVE_V] + [80.0])
_LATENCIES_MS = np.array([row[1] for row in PUBLISHED_WAVE_V] + [LATENCIES_80_DB_MS["V"]])
_AMPLITUDES_UV = np.array([row[2] for row in PUBLISHED_WAVE_V] + [PUBLISHED_WAVE_V[-1][2]])
_LOW_SLOPE_MS_PER_DB = (_LATENCIES_MS[1] - _LATENCIES_MS[0]) / (_LEVELS[1] - _LEVELS[0])  # -50 us/dB
_LOWEST_LEVEL_DB = -10.0  # hearing better than this is not modelled
RAMP_DB = 20.0  # from threshold to full amplitude; a normal ear (0 dB nHL) then reaches the first published row exactly

# Shape, half widths in ms; own choice. Energy of wave V mostly below 1 kHz, its area zero so that a high-pass takes little of it:
# the trough is half as deep and twice as wide as the peak (peak to trough = 1.5 x peak).
V_PEAK_HALF_MS, V_TROUGH_HALF_MS, V_TROUGH_DEPTH = 0.8, 1.6, 0.5
I_HALF_MS, III_HALF_MS = 0.5, 0.6
# Waves I and III relative to wave V's peak-to-trough amplitude at 80 dB nHL, fading to nothing at 30 and 20 dB nHL. Own
# choice within the clinical rule that V/I is above 0.5 and that wave I is the first to disappear. Status: from memory.
I_SHARE_80_DB, I_GONE_DB = 0.6, 30.0
III_SHARE_80_DB, III_GONE_DB = 0.6, 20.0


@dataclass(frozen=True)
class Ear:
    """One ear. `threshold_db_nhl`: no response at or below it; infinity: no response at all.

    `loss`: "sensory" answers by the level of the sound itself, with the amplitude growing to normal within 20 dB above threshold;
    "conductive" is a normal ear behind an attenuator of `threshold_db_nhl`, so latencies are those of what gets through.
    """

    threshold_db_nhl: float
    loss: Loss = "sensory"

    def __post_init__(self) -> None:
        if not self.threshold_db_nhl >= _LOWEST_LEVEL_DB:
            raise ValueError(
                f"threshold_db_nhl = {self.threshold_db_nhl} is not modelled: give {_LOWEST_LEVEL_DB:g} or more (inf: no hearing)"
            )
        if self.loss not in ("sensory", "conductive"):
            raise ValueError(f"loss = {self.loss!r} is unknown: give 'sensory' or 'conductive'")


def wave_v_latency_s(ear: Ear, level_db_nhl: float) -> float:
    """Latency of the peak of wave V in s after the sound reaches the ear; nan without a response.

    Straight lines between the rows (20, 40, 60: published; 80: from memory). Below 20 dB nHL the slope of the 20-40 dB step
    goes on (8.61 ms at 0 dB nHL, the upper end of what is seen in adults); above 80 dB nHL it stays.
    """
    if not level_db_nhl > ear.threshold_db_nhl:
        return float("nan")
    level = max(_level_inside(ear, level_db_nhl), _LOWEST_LEVEL_DB)
    latency_ms = float(np.interp(level, _LEVELS, _LATENCIES_MS))
    if level < _LEVELS[0]:
        latency_ms += float(_LOW_SLOPE_MS_PER_DB * (level - _LEVELS[0]))
    return latency_ms * 1e-3


def wave_v_amplitude_uv(ear: Ear, level_db_nhl: float) -> float:
    """Wave V, peak to the trough that follows, in uV; 0 without a response.

    Straight lines between the published rows; below 20 dB nHL the published 256 nV falls in a straight line to zero at the ear's
    threshold, within the 20 dB above it (own choice: published averages at threshold do not exist, responses there are absent
    in part).
    """
    if not level_db_nhl > ear.threshold_db_nhl:
        return 0.0
    full = float(np.interp(_level_inside(ear, level_db_nhl), _LEVELS, _AMPLITUDES_UV))
    return full * min(1.0, (level_db_nhl - ear.threshold_db_nhl) / RAMP_DB)


def evoked_uv(ear: Ear, level_db_nhl: float, t_s: ArrayLike) -> NDArray[np.float64]:
    """The response in uV at times `t_s` (any shape) after the sound reaches the ear; exactly 0 outside it or without one."""
    t_ms = np.asarray(t_s, dtype=np.float64) * 1e3
    out = np.zeros(t_ms.shape)
    amplitude = wave_v_amplitude_uv(ear, level_db_nhl)
    if amplitude == 0.0:
        return out
    level = _level_inside(ear, level_db_nhl)
    v_ms = wave_v_latency_s(ear, level_db_nhl) * 1e3
    peak = amplitude / (1.0 + V_TROUGH_DEPTH)
    out += peak * _lobe(t_ms - v_ms, V_PEAK_HALF_MS)
    out -= peak * V_TROUGH_DEPTH * _lobe(t_ms - v_ms - V_PEAK_HALF_MS - V_TROUGH_HALF_MS, V_TROUGH_HALF_MS)
    for wave, half_ms, share, gone_db in (
        ("I", I_HALF_MS, I_SHARE_80_DB, I_GONE_DB),
        ("III", III_HALF_MS, III_SHARE_80_DB, III_GONE_DB),
    ):
        share_here = share * min(1.0, max(0.0, (level - gone_db) / (80.0 - gone_db)))
        latency_ms = v_ms - (LATENCIES_80_DB_MS["V"] - LATENCIES_80_DB_MS[wave])
        out += share_here * amplitude * _lobe(t_ms - latency_ms, half_ms)
    return out


# The longest response ends with the trough of wave V at the lowest level.
LONGEST_RESPONSE_S = 1e-3 * float(
    _LATENCIES_MS[0] + _LOW_SLOPE_MS_PER_DB * (_LOWEST_LEVEL_DB - _LEVELS[0]) + V_PEAK_HALF_MS + 2 * V_TROUGH_HALF_MS
)


def _level_inside(ear: Ear, level_db_nhl: float) -> float:
    return level_db_nhl - ear.threshold_db_nhl if ear.loss == "conductive" else level_db_nhl


def _lobe(x_ms: NDArray[np.float64], half_ms: float) -> NDArray[np.float64]:
    """One cosine period lifted to 0..1: 1 at 0, 0 with zero slope at +-half_ms and beyond."""
    lobe: NDArray[np.float64] = np.where(np.abs(x_ms) < half_ms, 0.5 + 0.5 * np.cos(np.pi * x_ms / half_ms), 0.0)
    return lobe
