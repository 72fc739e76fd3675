"""A virtual patient whose conditions can be changed while it receives sound: noise, hum, movement, jitter of the trigger.

Response and trigger are those of `quietfloor.bench.patient.patient`. The noise is that of `quietfloor.bench.patient.background`,
made at size 1 and multiplied here; this is the same as a patient with noise of that size, because all parts are added. A seed
gives the same EEG for any block size, and a change of one condition does not change the random numbers of the others. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.background import Background, BackgroundSource
from quietfloor.bench.patient.earphone import Earphone
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.stimuli.frames import TRIGGER_S, UNIT_TRIGGER_S, FrameSource, trigger_pulse
from quietfloor.stimuli.schedule import Sweep

PIECE_S = 0.01  # sound that is made at a time, and how far ahead of the sound the triggers are known
BURST_S = 0.5  # of one movement; own choice
BURST_UV = 60.0  # its largest in-band RMS: a tense jaw, many times a relaxed EEG; own choice
MOST_SD = 4.0  # a trigger is never further off than this many standard deviations
MOST_JITTER_MS = 1.0


@dataclass(frozen=True)
class Conditions:
    """`noise_uv`: background, RMS in 100-1500 Hz. `mains_uv`: peak of the fundamental of 50 Hz hum (its 3rd and 5th harmonic
    come with it). `jitter_ms`: SD of the trigger about the sound. `artefacts_per_min`: movements."""

    noise_uv: float = 2.0
    mains_uv: float = 0.0
    jitter_ms: float = 0.0
    artefacts_per_min: float = 0.0

    def __post_init__(self) -> None:
        for name, low, high in (
            ("noise_uv", 0.001, 100.0),
            ("mains_uv", 0.0, 1000.0),
            ("jitter_ms", 0.0, MOST_JITTER_MS),
            ("artefacts_per_min", 0.0, 120.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} = {value} is outside {low:g} to {high:g}")


@dataclass(frozen=True)
class Presented:
    """A sweep and where its trigger begins, in EEG samples with a fraction."""

    sweep: Sweep
    position: float


class AdjustablePatient:
    """`advance()` plays the next 10 ms of `frames` to the patient and returns the samples of the amplifier.

    `conditions` may be set at any time, and apply from the next piece on. `presented` collects every trigger.
    """

    def __init__(
        self, patient: Patient, earphone: Earphone, frames: FrameSource, rate_hz: float, seed: np.random.SeedSequence
    ) -> None:
        self.conditions = Conditions()
        self.presented: list[Presented] = []
        quiet = replace(patient, background=Background(in_band_rms_uv=0.0))
        amplifier = Amplifier.with_channels(1, rate_hz, audio_rate_hz=frames.rate_hz)
        head, noise, hum, movement, chance, jitter = seed.spawn(6)
        self._head = VirtualPatient(quiet, earphone, amplifier, head)
        depth = patient.background.gain_depth
        self._noise = BackgroundSource(Background(1.0, gain_depth=depth), 1, rate_hz, noise)
        self._hum = BackgroundSource(Background(0.0, mains_uv=1.0), 1, rate_hz, hum)
        self._movement = BackgroundSource(Background(1.0), 1, rate_hz, movement)
        self._chance = np.random.Generator(np.random.PCG64(chance))
        self._jitter = np.random.Generator(np.random.PCG64(jitter))
        self._frames, self._rate_hz = frames, rate_hz
        self._piece = round(PIECE_S * frames.rate_hz)
        self._block = amplifier.block
        self._bursts: list[int] = []  # samples at which movements began
        self._made = 0
        self._pulses = tuple(
            trigger_pulse(length_s, frames.rate_hz, frames.trigger_db_fs) for length_s in (TRIGGER_S, UNIT_TRIGGER_S)
        )
        self._waiting: list[tuple[int, NDArray[np.float64]]] = []  # trigger pulses by their first frame
        self._played = 0
        self._seen = 0
        self._next = frames.read(self._piece)

    def advance(self) -> NDArray[np.float64]:
        """(2, n) in uV: one EEG channel and the trigger; n changes from piece to piece and may be 0."""
        sound, self._next = self._next, self._frames.read(self._piece)
        self._place_triggers()
        sound = sound.copy()
        sound[2] = self._triggers(self._played, self._played + self._piece)
        self._played += self._piece
        eeg = self._head.feed(sound)
        for start in range(0, eeg.shape[1], self._block):
            self._surround(eeg[0, start : start + self._block])
        return eeg

    def _place_triggers(self) -> None:
        """Place the triggers of the new sweeps about the sound, with the present jitter."""
        rate_hz = self._frames.rate_hz
        for sweep in self._frames.sweeps[self._seen :]:
            off = float(np.clip(self._jitter.standard_normal(), -MOST_SD, MOST_SD))
            start = sweep.onset_sample + round(off * 1e-3 * self.conditions.jitter_ms * rate_hz)
            self._waiting.append((start, self._pulses[sweep.index_in_unit == 0]))
            self.presented.append(Presented(sweep, start / rate_hz * self._rate_hz))
        self._seen = len(self._frames.sweeps)

    def _triggers(self, first: int, stop: int) -> NDArray[np.float64]:
        row = np.zeros(stop - first)
        for start, pulse in self._waiting:
            low, high = max(start, first), min(start + pulse.size, stop)
            if low < high:
                row[low - first : high - first] += pulse[low - start : high - start]
        self._waiting = [(start, pulse) for start, pulse in self._waiting if start + pulse.size > stop]
        return row

    def _surround(self, eeg_uv: NDArray[np.float64]) -> None:
        """Add to one block (n,) what is not a response."""
        now, n = self.conditions, eeg_uv.size
        if self._chance.random() < now.artefacts_per_min / 60.0 * n / self._rate_hz:
            self._bursts.append(self._made)
        length = BURST_S * self._rate_hz
        self._bursts = [start for start in self._bursts if start + length > self._made]
        size = np.zeros(n)
        for start in self._bursts:
            inside = (self._made + np.arange(n) - start) / length
            size = np.maximum(size, np.where(inside < 1.0, np.sin(math.pi * inside) ** 2, 0.0))
        eeg_uv += now.noise_uv * self._noise.read(n)[0] + now.mains_uv * self._hum.read(n)[0]
        eeg_uv += BURST_UV * size * self._movement.read(n)[0]
        self._made += n
