"""Positions of the sounds in a channel that records them by wire, between samples. Pure.

Every sound is compared with the mean of all sounds, and that mean with the waveform that was played, both below a quarter of the
EEG rate, where aliases of a converter are small. A click that is recorded at 16 kHz is three samples wide; its position is found
within a microsecond.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from quietfloor.monitor.core.samples import Floats

EARLIEST_MS, LATEST_MS = -20.0, 150.0  # after the trigger; some amplifiers hold EEG back by 36 to 112 ms at low rates
LOWEST_HZ, HIGHEST_LOWEST = 500.0, 1 / 16  # below it, or that part of the EEG rate, there is hum and drift
HIGHEST = 0.25  # of the EEG rate
_BEFORE_MS, _AFTER_MS = 4.0, 5.0  # of each sound, around its expected place
_SEARCH_MS = 3.0  # how far a single sound may be from its expected place
_FINE = 16  # values per sample when a maximum is looked for; a parabola does the rest
_ROUNDS = 3
_A_PAUSE_S = 0.008  # between sounds beyond the usual gap
_PRESENT = 0.5  # of the usual height
_APART_MS = 2.0  # what is nearer is one sound
_STANDS_OUT = 8.0  # the mean sound against the noise of the mean
_FAINTEST = 6.0  # noise SDs in half a sound: fewer, and noise is taken for sounds


class NoSound(ValueError):
    """Raised if nothing in the channel is time-locked to the triggers."""


class FaintSound(ValueError):
    """Raised if the sounds are present, but too weak compared with the noise of the channel."""


@dataclass(frozen=True)
class Sounds:
    """`positions` (n,): the beginning of each sound, in samples, nan if it is missing. `extra`: number of sounds that belong to
    no trigger.

    `wrong_polarity`: number of sounds whose sign relative to the schedule differs from that of most others; `inverted`: most have
    the opposite sign. `noise_sd`: scatter of the positions, in samples, that the noise between the sounds would cause by itself.
    """

    positions: Floats
    extra: int
    wrong_polarity: int
    inverted: bool
    noise_sd: float


def find_sounds(
    channel: Floats, rate_hz: float, expected: Floats, signs: Floats, waveform: Floats, audio_rate_hz: float
) -> Sounds:
    """Channel (m,); `expected` (n,) positions of the triggers; `signs` (n,) of the sounds; `waveform` as played, values held.

    Raises NoSound, FaintSound; ValueError when the recording does not hold all of them.
    """
    before, after, search, apart = (math.ceil(1e-3 * ms * rate_hz) for ms in (_BEFORE_MS, _AFTER_MS, _SEARCH_MS, _APART_MS))
    x = _in_band(channel, rate_hz)
    at = expected + _usual_lag(x, rate_hz, expected, signs)
    starts = np.round(at).astype(np.int64) - before
    width = before + after
    outside = (starts < 0) | (starts + width > len(x))
    if outside.any():
        raise ValueError(f"the recording ends before {int(outside.sum())} of {len(expected)} sounds")
    window = np.arange(width)
    pieces = x[starts[:, np.newaxis] + window] * signs[:, np.newaxis]
    shifts = at - before - starts
    heights = np.ones(len(pieces))
    mean = np.zeros(width)
    for _ in range(_ROUNDS):
        usual = heights > _PRESENT
        mean = _shifted(pieces[usual], -shifts[usual]).mean(axis=0)
        shifts, heights = _peaks(_spectrum(pieces) * _spectrum(mean).conj(), width, search)
        heights /= float(mean @ mean)
    there = np.abs(heights) > _PRESENT
    onset, sign = _peaks(_spectrum(mean) * _held_spectrum(waveform, audio_rate_hz, rate_hz, width).conj(), width, width // 2)
    rest = x.copy()
    for start, piece in zip(starts[there], _shifted(mean * (heights * signs)[there, np.newaxis], shifts[there]), strict=True):
        rest[start : start + width] -= piece
    likeness = np.abs(signal.fftconvolve(rest[starts[0] : starts[-1] + width], mean[::-1], "same")) / float(mean @ mean)
    if not _FAINTEST * 1.4826 * float(np.median(likeness)) < _PRESENT:
        raise FaintSound("the sounds are hardly larger than the noise of the channel")
    slope = _slope(mean)
    half = round(0.5 * float(np.median(np.diff(expected))))
    quiet = np.maximum(starts - half, 0)[:, np.newaxis] + window
    return Sounds(
        positions=np.where(there, starts + shifts + onset, np.nan),
        extra=_further(likeness, apart),
        wrong_polarity=int((heights < -_PRESENT).sum()),
        inverted=bool(sign < 0),
        noise_sd=float(np.std(rest[quiet] @ slope / (slope @ slope))),
    )


def _in_band(channel: Floats, rate_hz: float) -> Floats:
    """The channel filtered with zero phase, so that nothing is shifted."""
    edges_hz = [min(LOWEST_HZ, HIGHEST_LOWEST * rate_hz), HIGHEST * rate_hz]
    sos = signal.butter(2, edges_hz, "bandpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfiltfilt(sos, channel - np.median(channel)))


def _usual_lag(x: Floats, rate_hz: float, expected: Floats, signs: Floats) -> int:
    """Delay in samples from the triggers to their sounds.

    A rough delay is the one at which both the sounds before a pause and those after a pause have energy; a delay that is wrong by
    a whole sound fits only one of the two. The final delay is the one at which the channel, multiplied by the signs, has the
    largest common part.
    """
    lags = np.arange(math.floor(1e-3 * EARLIEST_MS * rate_hz), math.ceil(1e-3 * LATEST_MS * rate_hz) + 1)
    places = np.round(expected).astype(np.int64)
    usable = (places + lags[0] >= 0) & (places + lags[-1] < len(x))
    pieces = x[places[usable, np.newaxis] + lags] * signs[usable, np.newaxis]
    gaps = np.diff(expected, prepend=np.nan, append=np.nan)
    pauses = gaps > np.nanmedian(gaps) + _A_PAUSE_S * rate_hz
    energies = [np.mean(pieces[of] ** 2, axis=0) for of in (pauses[:-1][usable], pauses[1:][usable]) if of.any()]
    near = math.ceil(1e-3 * _SEARCH_MS * rate_hz)
    together = [np.convolve(energy, np.ones(2 * near + 1), "same") for energy in energies or [np.mean(pieces**2, axis=0)]]
    centre = int(np.argmax(np.min(together, axis=0)))
    common = np.abs(pieces.sum(axis=0))
    first = max(0, centre - near)
    largest = first + int(np.argmax(common[first : centre + near + 1]))
    if not common[largest] > _STANDS_OUT * 1.4826 * float(np.median(common)):
        raise NoSound("no sound keeps step with the triggers")
    return int(lags[largest])


def _spectrum(pieces: Floats) -> NDArray[np.complex128]:
    return np.asarray(np.fft.rfft(pieces, axis=-1))


def _held_spectrum(waveform: Floats, audio_rate_hz: float, rate_hz: float, width: int) -> NDArray[np.complex128]:
    """Spectrum at the frequencies of a piece of `width` samples of the voltage that holds each value of the waveform."""
    turns = np.fft.rfftfreq(width) * rate_hz / audio_rate_hz
    values = np.exp(-2j * np.pi * turns[:, np.newaxis] * np.arange(len(waveform))) @ waveform
    return np.asarray(values * np.sinc(turns) * np.exp(-1j * np.pi * turns))


def _shifted(pieces: Floats, by: Floats) -> Floats:
    """Pieces (n, width) moved later by so many samples (n,); what leaves at one end, which is nothing, enters at the other."""
    width = pieces.shape[-1]
    turns = np.exp(-2j * np.pi * np.fft.rfftfreq(width) * by[:, np.newaxis])
    return np.asarray(np.fft.irfft(_spectrum(pieces) * turns, width, axis=-1))


def _slope(piece: Floats) -> Floats:
    return np.asarray(np.fft.irfft(_spectrum(piece) * 2j * np.pi * np.fft.rfftfreq(len(piece)), len(piece)))


def _peaks(common: NDArray[np.complex128], width: int, search: int) -> tuple[Floats, Floats]:
    """Cross spectra (..., width // 2 + 1) -> delay (...,) of the largest magnitude, up to `search` samples; and its value."""
    fine = np.fft.irfft(common, width * _FINE, axis=-1) * _FINE
    reach = search * _FINE
    near = np.concatenate([fine[..., -reach - 1 :], fine[..., : reach + 2]], axis=-1)
    at = np.argmax(np.abs(near[..., 1:-1]), axis=-1, keepdims=True) + 1
    a, b, c = (np.take_along_axis(near, at + step, axis=-1)[..., 0] for step in (-1, 0, 1))
    bend = a - 2 * b + c
    move = np.divide(0.5 * (a - c), bend, out=np.zeros_like(b), where=bend != 0)
    return (at[..., 0] - reach - 1 + move) / _FINE, b - 0.25 * (a - c) * move


def _further(likeness: Floats, apart: int) -> int:
    """Sounds that are left when those of the schedule are taken out; `likeness` (m,) of what is left with the usual sound."""
    loud = np.flatnonzero(likeness > _PRESENT)
    return 0 if not len(loud) else 1 + int((np.diff(loud) > apart).sum())
