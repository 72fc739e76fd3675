"""Chirps: each frequency starts earlier by its delay along the cochlea, so that all frequencies reach their places together.

The delay along the cochlea is tau(f) = k f^-d, tau in s, f in Hz (Elberling & Don 2010, J Acoust Soc Am 128:2955; secondary). A
chirp is a sum of cosines of equal amplitude. The phase of each is -2 pi times the integral of its delay over frequency. This
gives a flat spectrum with the wanted group delay. The sum is cut to a finite time with soft edges. This form is called
condensation by convention, because a sound with a soft beginning has no first direction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.base import Waveform, scaled

Floats = NDArray[np.float64]

# Fixed chirp, from delays of derived bands: Elberling et al. 2007 (J Acoust Soc Am 122:2772), Elberling & Don 2008 (124:3022);
# from memory. They give 3.143 ms between 710 and 5700 Hz, inside the 2 to 5 ms of single ears in the second paper (verified).
FIXED_K, FIXED_D = 0.0920, 0.4356
SPAN_HZ = (710.0, 5700.0)  # between which the published family states its delay

# Five chirps, ms between 710 and 5700 Hz, and the one with the largest wave V at each level, dB nHL: Elberling, Callo & Don 2010
# (128:215), by way of a public data file (secondary). Their own k and d are not known here: a span is reached by scaling k of the
# fixed chirp at its d, which is a computed substitute for the published chirps.
FAMILY_MS = (1.86, 2.56, 3.32, 4.14, 5.04)
BEST_MS = ((20.0, 5.04), (40.0, 3.32), (60.0, 2.56))

BAND_HZ = (350.0, 11300.0)  # flat in between: Elberling & Don 2008, 2010 (from memory)
ZERO_HZ = 10_000.0  # this frequency leaves at time zero of a broadband chirp
LONGEST_S = 0.04  # own choice

# Own choices, tuned so that what is cut off in time costs little: the band flat within +-0.5 dB (fixed chirp and family), an
# octave below it 12 dB less, at 100 Hz 18 dB less.
LEAD_S, TAIL_S, FADE_IN_S, FADE_OUT_S = 2.5e-3, 0.4e-3, 0.5e-3, 0.4e-3
BENT_LOW, BENT_HIGH = 1.1, 1.15  # beyond these parts of the band the delay no longer grows or falls
LOWEST_SHARE, RISE_OCTAVES = 1.1, 1.0  # the sum is flat a little beyond the band, with slopes outside
HIGHEST_SHARE, FALL_OCTAVES = 1.1, 0.2

# Octave chirps: the broadband one decomposed (Elberling & Don 2010, abstract, verified), edges at fc / sqrt 2 and fc sqrt 2 (from
# memory), 6 dB down there. Neighbours add up to the broadband chirp. Slopes, own choice: -20 dB width 1.9 times that of a 2-1-2
# burst, published 1.8 to 1.9 at 500, 1000 and 2000 Hz (abstract of 10.1044/2025_aja-25-00145, verified).
SLOPE_OCTAVES = 0.6
OCTAVE_MARGIN_CYCLES, OCTAVE_FADE_CYCLES = 1.5, 0.5


@dataclass(frozen=True)
class DelayModel:
    """Delay along the cochlea, tau(f) = k f^-d, in s for f in Hz."""

    k: float = FIXED_K
    d: float = FIXED_D

    def __post_init__(self) -> None:
        if not 0.1 <= self.d <= 0.9:
            raise ValueError(f"chirp_d = {self.d}; allowed is 0.1 to 0.9 (published: {FIXED_D})")
        if not (self.k > 0 and 0.2e-3 <= self.span_s <= 10e-3):
            raise ValueError(
                f"chirp_k = {self.k:g} with chirp_d = {self.d:g}: the delay between {SPAN_HZ[0]:g} and {SPAN_HZ[1]:g} Hz is "
                f"{1e3 * self.span_s:.3g} ms; allowed is 0.2 to 10 ms (published: k = {FIXED_K}, 3.14 ms)"
            )

    @classmethod
    def of_span(cls, span_ms: float, d: float = FIXED_D) -> DelayModel:
        """Return the model whose delay between 710 and 5700 Hz is `span_ms`."""
        if not 0.2 <= span_ms <= 10:
            raise ValueError(f"chirp_span_ms = {span_ms:g}; allowed is 0.2 to 10 (published: {', '.join(map(str, FAMILY_MS))})")
        return cls(span_ms * 1e-3 / (SPAN_HZ[0] ** -d - SPAN_HZ[1] ** -d), d)

    def delay_s(self, frequency_hz: float | Floats) -> Floats:
        return np.asarray(self.k * np.asarray(frequency_hz, dtype=np.float64) ** -self.d)

    def between_s(self, low_hz: float, high_hz: float) -> float:
        """Delay of `low_hz` after `high_hz` in s: the time that a chirp takes from one frequency to the other."""
        return float(self.delay_s(low_hz) - self.delay_s(high_hz))

    def delay_cycles(self, frequency_hz: Floats, bent_hz: tuple[float, float]) -> Floats:
        """Integral of the delay over frequency, k f^(1-d) / (1-d), in cycles. Beyond `bent_hz` it continues as a straight line
        with the delay at that edge."""
        inside = np.clip(frequency_hz, *bent_hz)
        whole = self.k * inside ** (1.0 - self.d) / (1.0 - self.d)
        return np.asarray(whole + self.delay_s(inside) * (frequency_hz - inside))

    @property
    def span_s(self) -> float:
        return self.between_s(*SPAN_HZ)


def span_for_level(level_db_nhl: float) -> float:
    """Span in ms of the chirp that gives the largest wave V at the nearest published level; halfway between two levels, at the
    higher one."""
    return min(BEST_MS, key=lambda row: (abs(row[0] - level_db_nhl), -row[0]))[1]


def chirp(rate_hz: float, model: DelayModel | None = None) -> Waveform:
    """The broadband chirp, flat from 350 to 11300 Hz within 1 dB.

    Time zero is the moment at which 10 kHz starts, 0.09 ms before the end of the sweep. All frequencies of a click start at its
    time zero. Therefore, counted from time zero, chirp and click reach the place of 10 kHz after the same time, and the chirp
    reaches lower places earlier than the click.
    Raises ValueError for a rate that cannot carry the band, and for a delay that makes the chirp longer than 40 ms.
    """
    model = model or DelayModel()
    low, high = BAND_HZ

    def weight(octaves: Floats) -> Floats:
        """Share of the sum at log2 of the frequency."""
        up = (octaves - np.log2(low / LOWEST_SHARE)) / RISE_OCTAVES + 1.0
        down = (np.log2(high * HIGHEST_SHARE) - octaves) / FALL_OCTAVES + 1.0
        return _soft(up) * _soft(down)

    return _sum_of_cosines(
        "chirp",
        rate_hz,
        model,
        zero_hz=ZERO_HZ,
        zero_is="10 kHz leaves, just before its end",
        weight=weight,
        highest_hz=high * HIGHEST_SHARE * 2**FALL_OCTAVES,
        bent_hz=(low / BENT_LOW, high * BENT_HIGH),
        from_s=model.between_s(low, ZERO_HZ) + LEAD_S,
        until_s=model.between_s(ZERO_HZ, high) + TAIL_S,
        fades_s=(FADE_IN_S, FADE_OUT_S),
    )


def octave_chirp(rate_hz: float, frequency_hz: float, model: DelayModel | None = None) -> Waveform:
    """The octave of the broadband chirp around `frequency_hz`.

    Time zero is the moment at which the centre frequency starts. Counted from time zero, the octave chirp and a click reach the
    place of that frequency after the same time. The latency is that of a tone burst of this frequency without its rise time.
    Raises ValueError for a rate that cannot carry the octave, and for a delay that makes the chirp longer than 40 ms.
    """
    model = model or DelayModel()
    low, high = frequency_hz * 2**-0.5, frequency_hz * 2**0.5
    margin_s = OCTAVE_MARGIN_CYCLES / frequency_hz
    return _sum_of_cosines(
        "octave-chirp",
        rate_hz,
        model,
        zero_hz=frequency_hz,
        zero_is=f"its centre, {frequency_hz:g} Hz, leaves",
        weight=lambda octaves: octave_share(octaves - np.log2(frequency_hz)),
        highest_hz=frequency_hz * 2 ** (0.5 + SLOPE_OCTAVES / 2),
        bent_hz=(frequency_hz / 4, frequency_hz * 4),
        from_s=model.between_s(low, frequency_hz) + margin_s,
        until_s=model.between_s(frequency_hz, high) + margin_s,
        fades_s=(OCTAVE_FADE_CYCLES / frequency_hz, OCTAVE_FADE_CYCLES / frequency_hz),
        frequency_hz=frequency_hz,
    )


def octave_share(octaves: Floats) -> Floats:
    """Share of the broadband chirp that belongs to an octave, by the distance in octaves from its centre: one half at either
    edge."""
    return _soft((0.5 + SLOPE_OCTAVES / 2 - np.abs(octaves)) / SLOPE_OCTAVES)


def _soft(x: Floats) -> Floats:
    """0 for x below 0, 1 above 1, half a cosine in between."""
    return np.asarray(np.sin(np.pi / 2 * np.clip(x, 0.0, 1.0)) ** 2)


def _sum_of_cosines(
    name: str,
    rate_hz: float,
    model: DelayModel,
    *,
    zero_hz: float,
    zero_is: str,
    weight: Callable[[Floats], Floats],
    highest_hz: float,
    bent_hz: tuple[float, float],
    from_s: float,
    until_s: float,
    fades_s: tuple[float, float],
    frequency_hz: float | None = None,
) -> Waveform:
    """Cosines of amplitude `weight` (of log2 f), `zero_hz` at time zero, cut to `from_s` before and `until_s` after time zero."""
    if highest_hz >= rate_hz / 2:
        lowest = 2.1 * highest_hz
        raise ValueError(f"{name} reaches up to {highest_hz:.0f} Hz: {rate_hz:g} samples/s are too few, give {lowest:.0f}")
    if not from_s + until_s <= LONGEST_S:
        length_ms = 1e3 * (from_s + until_s)
        raise ValueError(f"{name} would last {length_ms:.1f} ms; allowed is up to {1e3 * LONGEST_S:g} ms: lower its delay")
    long = 1 << int(np.ceil(np.log2(0.25 * rate_hz)))  # leaves no room for tails to come round
    middle = long // 2
    frequency = np.arange(1, long // 2 + 1) * rate_hz / long
    own_s = middle / rate_hz + float(model.delay_s(zero_hz))
    phase = -2 * np.pi * (own_s * frequency - model.delay_cycles(frequency, bent_hz))
    spectrum = np.concatenate(([0.0], weight(np.log2(frequency)) * np.exp(1j * phase)))
    times_s = (np.arange(long) - middle) / rate_hz
    faded = _soft((times_s + from_s) / fades_s[0]) * _soft((until_s - times_s) / fades_s[1])
    kept = np.flatnonzero(faded)
    samples = scaled((np.fft.irfft(spectrum, long) * faded)[kept])
    return Waveform(name, samples, rate_hz, float(-times_s[kept[0]]), frequency_hz, smooth=True, time_zero_is=zero_is)
