"""Detection of the sounds in one column of audio frames, in silence or in running noise, for any division into chunks.

In silence a sound is everything from the first non-silent sample to the next silence. If a column is not silent again within
`WINDOW_S` (masking noise), it is treated as running noise; a sound in it is a part that exceeds its recent peaks.

Limits: sounds less than 0.1 ms apart are treated as one. In noise in the same column a sound must exceed the peaks of the noise
by 8 dB, or it is not detected. A click near its masked threshold does so; a tone burst of a low frequency needs up to 10 dB more.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.cochlea import WINDOW_S
from quietfloor.bench.patient.masker import RunningNoise

Floats = NDArray[np.float64]

FLOOR = 1e-7  # of full scale, -140 dB: below what any modelled ear hears through a loud earphone
QUIET_S = 0.1e-3  # so much silence ends a sound; longer than a zero crossing that could be heard
STANDS_OUT = 2.5  # times the peaks of the noise; peaks of noise itself, cut at 4 times its RMS, do not
CALM_S = 3e-3  # so long without anything that stands out ends a sound in noise, so much silence the noise; longer than half a
# period of 250 Hz
RECENT_S = 50e-3  # of peaks
SOFT_S = 3e-3  # of what comes just before is not compared with: a soft beginning must not hide the rest of its sound
DOUBTFUL_S = 10e-3  # before a sound may be its soft beginning, and is not noise
PIECE_S = 5e-3  # looked at at a time


@dataclass(eq=False)
class Sound:
    """A sound that begins at `frame`. `samples` (n,): at most WINDOW_S of it, once it is complete. `noise`: the running noise at
    its beginning (`RunningNoise.mean_squares`), None for silence."""

    frame: int
    noise: Floats | None = None
    samples: Floats = field(default_factory=lambda: np.zeros(0))


class SoundFinder:
    """Feed consecutive samples of one column; `sounds` holds what has begun so far, `noise` the running noise."""

    def __init__(self, rate_hz: float) -> None:
        self._window, self._piece = round(WINDOW_S * rate_hz), round(PIECE_S * rate_hz)
        self._quiet, self._calm, self._recent = (max(1, round(s * rate_hz)) for s in (QUIET_S, CALM_S, RECENT_S))
        self._soft, self._doubtful = round(SOFT_S * rate_hz), round(DOUBTFUL_S * rate_hz)
        self.position = 0
        self.sounds: list[Sound] = []
        self._noise = RunningNoise(rate_hz)
        self._heard: deque[tuple[int, Floats | None]] = deque([(0, None)])  # (frame from which on it was known, running noise)
        self._waiting = np.zeros(0)
        self._at = 0  # frame of the first sample not looked at
        self._steady = False  # running noise, not silence, is what goes on
        self._peaks: deque[tuple[int, float]] = deque()  # of running noise: (frame after, peak); never empty in it
        self._doubt = np.zeros(0)  # what may be noise, or the beginning of a sound
        self._active = 0  # frame after the last sample that is not silence
        # The open sound: what it has so far, what counts as more of it, and the frame after the last sample that did.
        self._open: Sound | None = None
        self._parts: list[Floats] = []
        self._above, self._patience, self._last = FLOOR, self._quiet, 0

    @property
    def settled(self) -> int:
        """All sounds that begin before this frame are known and whole."""
        return self._at if self._open is None else self._open.frame

    @property
    def frames_ahead(self) -> int:
        """Frames by which `settled` is behind `position`, at most."""
        return self._window + self._piece

    @property
    def noise(self) -> Floats | None:
        return self._noise.mean_squares

    def noise_at(self, frame: int) -> Floats | None:
        """Running noise at `frame`, up to `settled` and not before what was forgotten; None for silence."""
        known = self._heard[0][1]
        for since, noise in self._heard:
            if since > frame:
                break
            known = noise
        return known

    def feed(self, samples: NDArray[np.floating]) -> None:
        """`samples` (n,) in full-scale units; what is not finite counts as silence."""
        self.position += samples.size
        self._waiting = np.concatenate([self._waiting, np.nan_to_num(samples.astype(np.float64), posinf=0.0, neginf=0.0)])
        whole = self._waiting.size - self._waiting.size % self._piece
        for start in range(0, whole, self._piece):
            self._look_at(self._waiting[start : start + self._piece])
        self._waiting = self._waiting[whole:]

    def forget_before(self, frame: int) -> None:
        """Drop sounds that began before `frame`."""
        self.sounds = [sound for sound in self.sounds if sound.frame >= frame]
        while len(self._heard) > 1 and self._heard[1][0] <= frame:
            self._heard.popleft()

    def _look_at(self, piece: Floats) -> None:
        if self._open is None and not self._steady and not piece.any():
            self._at += piece.size
            return
        magnitude = np.abs(piece)
        done = 0
        while done < piece.size:
            if self._open is not None:
                done += self._listen(piece[done:], magnitude[done:])
            elif self._steady:
                done += self._wait_in_noise(piece[done:], magnitude[done:])
            else:
                done += self._wait_in_silence(magnitude[done:])

    def _wait_in_silence(self, magnitude: Floats) -> int:
        """Samples passed over; a sound is open then, or none is left."""
        loud = np.flatnonzero(magnitude > FLOOR)
        passed = int(loud[0]) if loud.size else magnitude.size
        self._at += passed
        if loud.size:
            self._begin(FLOOR, self._quiet, None)
        return passed

    def _wait_in_noise(self, piece: Floats, magnitude: Floats) -> int:
        silent = _gap(np.flatnonzero(magnitude > FLOOR) + self._at, self._active, self._at + piece.size, self._calm)
        above = STANDS_OUT * max(self._peak(self._doubt[: -self._soft]), max(peak for _, peak in self._peaks))
        loud = np.flatnonzero(magnitude > above)
        passed = int(loud[0]) if loud.size else piece.size
        if silent is not None and silent - self._at <= passed:
            passed = silent - self._at
            self._at = silent
            self._steady = False
            self._noise.forget()
            self._heard.append((self._at, None))
            self._peaks.clear()
            self._doubt = np.zeros(0)
            return passed
        self._at += passed
        if loud.size:
            self._doubt = np.zeros(0)
            self._begin(above, self._calm, self._noise.mean_squares)
            return passed
        heard = np.flatnonzero(magnitude > FLOOR)
        if heard.size:
            self._active = self._at - piece.size + int(heard[-1]) + 1
        self._doubt = np.concatenate([self._doubt, piece])
        certain, self._doubt = self._doubt[: -self._doubtful], self._doubt[-self._doubtful :]
        if certain.size:
            self._noise.feed(certain)
            if self._noise.mean_squares is not self._heard[-1][1]:
                self._heard.append((self._at, self._noise.mean_squares))
            self._peaks.append((self._at, self._peak(certain)))
        while len(self._peaks) > 1 and self._peaks[0][0] < self._at - self._recent:
            self._peaks.popleft()
        return passed

    @staticmethod
    def _peak(samples: Floats) -> float:
        return float(np.abs(samples).max(initial=0.0))

    def _listen(self, piece: Floats, magnitude: Floats) -> int:
        """Samples that belonged to the open sound, or to the calm that ended it."""
        assert self._open is not None
        left = self._open.frame + self._window - self._at
        piece, magnitude = piece[:left], magnitude[:left]
        end = self._at + piece.size
        more = np.flatnonzero(magnitude > self._above) + self._at
        calm = _gap(more, self._last, end, self._patience)
        if calm is not None:
            end = calm
            more = more[more < calm]
        passed = end - self._at
        self._parts.append(piece[:passed])
        if more.size:
            self._last = int(more[-1]) + 1
        heard = np.flatnonzero(magnitude[:passed] > FLOOR)
        if heard.size:
            self._active = int(heard[-1]) + 1 + self._at
        self._at = end
        if calm is not None or passed == left:
            whole = np.concatenate(self._parts)
            self._open.samples = whole[: self._last - self._open.frame]
            self._open, self._parts = None, []
            if calm is None:  # it does not end: from now on it is what goes on
                self._steady = True
                self._peaks.append((end, self._peak(whole[-self._piece :])))
        return passed

    def _begin(self, above: float, patience: int, noise: Floats | None) -> None:
        self._open = Sound(self._at, noise)
        self.sounds.append(self._open)
        self._above, self._patience, self._last = above, patience, self._at


def _gap(hits: NDArray[np.int_], before: int, end: int, patience: int) -> int | None:
    """First frame up to `end` by which `patience` frames passed without one of `hits` (ascending); `before`: after the last."""
    edges = np.concatenate([[before], hits + 1])
    gaps = np.concatenate([hits, [end]]) - edges
    long = np.flatnonzero(gaps >= patience)
    return int(edges[long[0]]) + patience if long.size else None
