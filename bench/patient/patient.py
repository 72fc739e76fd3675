"""The virtual patient with the amplifier on its head: audio frames in, EEG and trigger samples out. Pure and seeded.

    frames [L, R, trigger] -> sounds per ear -> evoked response of each ear --+--> EEG channels
                                                    background EEG -----------+
                           -> trigger column -> converter -----------------------> trigger channel
                           -> attenuator -> converter -> an EEG channel, for a timing check (quietfloor.bench.patient.loop)

Sample k is taken at k / (rate * (1 + drift)) s of audio time; frame 0 is at time 0. Everything is computed in fixed blocks of
samples, so the output is bit-identical for any division of the audio. The output lags the audio by up to 25 ms plus a block,
because a sound must be complete first; the times of samples are not affected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietfloor.bench.patient.adaptation import REFERENCE_PER_S, Adaptation, Adapted, at_rate
from quietfloor.bench.patient.background import BackgroundSource
from quietfloor.bench.patient.brainstem import LONGEST_RESPONSE_S, Response
from quietfloor.bench.patient.converter import Line
from quietfloor.bench.patient.earphone import Earphone, Vibrator
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.loop import LOOP_NOISE_UV, LOOP_UV_PER_FULL_SCALE, Loop
from quietfloor.bench.patient.profiles import Patient, Side, other
from quietfloor.bench.patient.sounds import SoundFinder

BLOCK_S = 0.005  # samples computed, and sent, at a time
_PIECE = 4800  # audio frames digested at a time, so that a long feed keeps short lists
# Trigger line: full scale of the audio column through an attenuator. Own choice; an EEG input takes some tens of mV.
TRIGGER_UV_PER_FULL_SCALE = 10_000.0

# Electrode pairs of the 10-10 system against the mastoids, with the part of the response that each sees. The first is 1 so
# that it can be compared with the truth as it stands; the others are plausible falls with distance from the vertex. Own
# choice.
_MASTOIDS = (("M2", 1.0), ("M1", 0.92))
_SITES = (
    ("Cz", 1.0), ("Fz", 0.95), ("FCz", 0.97), ("Fpz", 0.85), ("CPz", 0.9), ("Pz", 0.75), ("C3", 0.88), ("C4", 0.88), ("F3", 0.85),
    ("F4", 0.85), ("P3", 0.7), ("P4", 0.7), ("FC1", 0.92), ("FC2", 0.92), ("CP1", 0.85), ("CP2", 0.85),
)  # fmt: skip
MONTAGE = tuple((f"{site}-{mastoid}", gain * part) for site, gain in _SITES for mastoid, part in _MASTOIDS)


@dataclass(frozen=True)
class Amplifier:
    """The amplifier. `gains`: share of the response in each EEG channel, same length as `labels` (the trigger channel comes after
    them).

    `eeg_delay_s`: delay of the EEG channels after the trigger channel, as in amplifiers whose trigger input has no filter.
    """

    rate_hz: float = 16_000.0
    labels: tuple[str, ...] = field(default=tuple(label for label, _ in MONTAGE[:2]))
    gains: tuple[float, ...] = field(default=tuple(gain for _, gain in MONTAGE[:2]))
    drift_ppm: float = 0.0
    audio_rate_hz: float = 48_000.0
    eeg_delay_s: float = 0.0
    loop: Loop = field(default_factory=Loop)

    def __post_init__(self) -> None:
        if not 4_000 <= self.rate_hz <= 48_000:
            raise ValueError(f"EEG rate {self.rate_hz:g} Hz is outside 4000..48000 Hz: a brainstem response needs 4 kHz or more")
        if not 1 <= len(self.labels) <= len(MONTAGE) or len(self.labels) != len(self.gains):
            raise ValueError(
                f"{len(self.labels)} labels and {len(self.gains)} gains: give the same number of both, 1..{len(MONTAGE)} channels"
            )
        if not abs(self.drift_ppm) <= 10_000:
            raise ValueError(f"drift of {self.drift_ppm:g} ppm is outside -10000..10000 ppm")
        if not 10_000 <= self.audio_rate_hz <= 192_000:
            raise ValueError(f"audio rate {self.audio_rate_hz:g} Hz is outside 10000..192000 Hz")
        if not 0.0 <= self.eeg_delay_s <= 0.1:
            raise ValueError(f"EEG delay of {1e3 * self.eeg_delay_s:g} ms is outside 0..100 ms")
        if self.loop.channel is not None and not 0 <= self.loop.channel < len(self.labels):
            channel = self.loop.channel + 1
            raise ValueError(f"loop channel {channel} is outside 1..{len(self.labels)}: give one of the EEG channels")

    @classmethod
    def with_channels(cls, channels: int, rate_hz: float, drift_ppm: float = 0.0, audio_rate_hz: float = 48_000.0) -> Amplifier:
        """The first `channels` (1..32) of MONTAGE."""
        if not 1 <= channels <= len(MONTAGE):
            raise ValueError(f"channels = {channels} is outside 1..{len(MONTAGE)}")
        labels, gains = zip(*MONTAGE[:channels], strict=True)
        return cls(rate_hz, labels, gains, drift_ppm, audio_rate_hz)

    @property
    def true_rate_hz(self) -> float:
        """Samples per second of audio time."""
        return self.rate_hz * (1.0 + self.drift_ppm * 1e-6)

    @property
    def block(self) -> int:
        return max(1, round(BLOCK_S * self.rate_hz))


def truth_uv(
    patient: Patient,
    earphone: Earphone,
    side: Side,
    samples: ArrayLike,
    t_s: ArrayLike,
    audio_rate_hz: float = 48_000.0,
    vibrator: Vibrator | None = None,
    rate_per_s: float = REFERENCE_PER_S,
) -> NDArray[np.float64]:
    """Noise-free response in uV in a channel of gain 1 to the sound `samples` (n,), at times `t_s` (any shape) after its first
    audio frame, in a long train of it at ``rate_per_s``."""
    listener = Listener(patient, earphone, audio_rate_hz, vibrator)
    heard = listener.answer(side, np.asarray(samples, dtype=np.float64))
    size, later_s = at_rate(rate_per_s)
    return size * heard.at(np.asarray(t_s, dtype=np.float64) - listener.delay_s(side) - later_s)


class VirtualPatient:
    """`feed(frames)` with consecutive audio frames; the same seed and audio give the same EEG.

    `vibrator`: replaces the earphone of its column. `session_s`: time since the session began, at the first frame, for a patient
    whose state changes.
    """

    def __init__(
        self,
        patient: Patient,
        earphone: Earphone,
        amplifier: Amplifier,
        seed: int | np.random.SeedSequence,
        vibrator: Vibrator | None = None,
        session_s: float = 0.0,
    ) -> None:
        self._patient, self._earphone, self._amplifier = patient, earphone, amplifier
        if not isinstance(seed, np.random.SeedSequence):
            seed = np.random.SeedSequence(seed)
        self._background = BackgroundSource(
            patient.background, len(amplifier.labels), amplifier.true_rate_hz, seed, patient.course, session_s
        )
        self._gains = np.array(amplifier.gains)[:, None]
        rate_hz = amplifier.audio_rate_hz
        self._listener = Listener(patient, earphone, rate_hz, vibrator)
        self._finders: dict[Side, SoundFinder] = {"left": SoundFinder(rate_hz), "right": SoundFinder(rate_hz)}
        reach_s, delay_s = amplifier.loop.reach_s, amplifier.eeg_delay_s
        self._trigger = Line(rate_hz, amplifier.true_rate_hz)
        self._looped = Line(rate_hz, amplifier.true_rate_hz, delay_s + reach_s, reach_s)
        # apart from the background's numbers, so that a loop changes no other channel
        self._input_noise = np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, 1_000_000)))
        self._samples_out = 0
        self._adaptation = Adaptation()
        self._heard: dict[tuple[Side, int], tuple[Response, Adapted]] = {}  # to the sounds that are still in memory

    @property
    def frames_in(self) -> int:
        return self._finders["left"].position

    def feed(self, frames: NDArray[np.floating]) -> NDArray[np.float64]:
        """Frames (3, n) [left, right, trigger] -> (channels + 1, m) in uV, trigger last; m is a multiple of the block."""
        if frames.ndim != 2 or frames.shape[0] != 3:
            raise ValueError(f"audio frames of shape {frames.shape}: give (3, n), the rows left, right, trigger")
        blocks = []
        for start in range(0, frames.shape[1], _PIECE):
            piece = frames[:, start : start + _PIECE]
            self._finders["left"].feed(piece[0])
            self._finders["right"].feed(piece[1])
            self._trigger.feed(piece[2])
            if self._amplifier.loop.channel is not None:
                self._looped.feed(np.nan_to_num(piece[0]) + np.nan_to_num(piece[1]))
            while self._block_is_settled():
                blocks.append(self._block())
            self._forget()
        return np.concatenate(blocks, axis=1) if blocks else np.zeros((len(self._gains) + 1, 0))

    def _block_is_settled(self) -> bool:
        """Whether all sounds that begin before the end of the next block are whole, and the kernels of its lines are covered."""
        last_s = (self._samples_out + self._amplifier.block) / self._amplifier.true_rate_hz
        end = math.ceil(last_s * self._amplifier.audio_rate_hz)
        sounds = min(finder.settled for finder in self._finders.values())
        return end <= sounds and end + max(self._trigger.frames_ahead, self._looped.frames_ahead) <= self.frames_in

    def _block(self) -> NDArray[np.float64]:
        amplifier = self._amplifier
        t_s = (self._samples_out + np.arange(amplifier.block)) / amplifier.true_rate_hz
        out = np.empty((len(self._gains) + 1, amplifier.block))
        out[:-1] = self._background.read(amplifier.block)
        late_s = t_s - amplifier.eeg_delay_s
        evoked = self._evoked(late_s)
        if evoked.any():
            out[:-1] += self._gains * evoked
        loop = amplifier.loop
        if loop.channel is not None:
            looped = self._looped.read(late_s - loop.late_s(late_s)) * LOOP_UV_PER_FULL_SCALE
            out[loop.channel] = looped + LOOP_NOISE_UV * self._input_noise.standard_normal(amplifier.block)
        out[-1] = self._trigger.read(t_s) * TRIGGER_UV_PER_FULL_SCALE
        self._samples_out += amplifier.block
        return out

    def _evoked(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.zeros(t_s.shape)
        begun = [
            (sound.frame / self._amplifier.audio_rate_hz + self._listener.delay_s(side), side, sound)
            for side, finder in self._finders.items() for sound in finder.sounds
        ]  # fmt: skip
        for arrives_s, side, sound in sorted(begun, key=lambda one: one[:2]):
            if t_s[-1] < sound.frame / self._amplifier.audio_rate_hz:
                continue
            key = (side, sound.frame)
            if key not in self._heard:
                there = self._finders[other(side)].noise_at(sound.frame)
                response, parts = self._listener.heard(side, sound.samples, sound.noise, there)
                adapted = self._adaptation.heard(arrives_s, parts if side == "left" else parts[::-1])
                self._heard[key] = response, adapted
            response, adapted = self._heard[key]
            out += adapted.size * response.at(t_s - arrives_s - adapted.later_s)
        return out

    def _forget(self) -> None:
        now = self._samples_out / self._amplifier.true_rate_hz * self._amplifier.audio_rate_hz
        memory_s = LONGEST_RESPONSE_S + self._earphone.tube_delay_s + self._amplifier.eeg_delay_s
        memory = memory_s * self._amplifier.audio_rate_hz
        for finder in self._finders.values():
            finder.forget_before(math.floor(now - memory) - 1)
        for key in [key for key in self._heard if key[1] < now - memory - 1]:
            del self._heard[key]
        for line in (self._trigger, self._looped):
            line.forget_before(math.floor(now))
