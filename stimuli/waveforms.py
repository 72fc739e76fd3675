"""Table of stimuli in the standard form, for which reference levels hold. The module `stimulus` makes all other forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from quietfloor.stimuli.base import Waveform
from quietfloor.stimuli.chirps import chirp, octave_chirp
from quietfloor.stimuli.clicks import click
from quietfloor.stimuli.tones import tone_burst

__all__ = ["WAVEFORMS", "Waveform", "chirp", "click", "is_registered", "octave_chirp", "standard_form", "tone_burst"]


def _without_frequency(make: Callable[[float], Waveform]) -> Callable[[float, float | None], Waveform]:
    return lambda rate_hz, frequency_hz: make(rate_hz)


def _with_frequency(make: Callable[[float, float], Waveform]) -> Callable[[float, float | None], Waveform]:
    def made(rate_hz: float, frequency_hz: float | None) -> Waveform:
        if frequency_hz is None:
            raise ValueError("frequency_hz is not given; a burst and an octave chirp need one")
        return make(rate_hz, frequency_hz)

    return made


# Kind -> (rate_hz, frequency_hz) -> its reference form.
WAVEFORMS: Mapping[str, Callable[[float, float | None], Waveform]] = MappingProxyType(
    {
        "click": _without_frequency(click),
        "tone-burst": _with_frequency(tone_burst),
        "chirp": _without_frequency(chirp),
        "octave-chirp": _with_frequency(octave_chirp),
    }
)


def standard_form(kind: str, rate_hz: float, frequency_hz: float | None = None) -> Waveform:
    """Return the form for which reference levels hold: click of 100 us, 2-1-2 cycles, the fixed chirp and its octaves."""
    return WAVEFORMS[kind](rate_hz, frequency_hz)


def is_registered(waveform: Waveform) -> bool:
    """Whether the samples equal those that `WAVEFORMS` makes for this name and frequency; a name alone could be wrong."""
    if waveform.name not in WAVEFORMS:
        return False
    try:
        standard = standard_form(waveform.name, waveform.rate_hz, waveform.frequency_hz)
    except ValueError:
        return False
    return np.array_equal(standard.samples, waveform.samples)
