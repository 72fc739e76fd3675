"""One continuous stream a run: a renderer thread works ahead, the device's callback only copies."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from stimuli.devices import Device
from stimuli.frames import FrameSource
from stimuli.schedule import Sweep

# What may follow what; a window enables its buttons from the same table.
TRANSITIONS: dict[str, tuple[str, ...]] = {
    "idle": ("running", "stopped"),
    "running": ("stopping", "failed"),
    "stopping": ("stopped", "failed"),
    "stopped": (),
    "failed": (),
}
AHEAD_S = 0.5
PAUSE_S = 0.02
SILENCE_S = 0.1  # at a stop, before the device closes
MAX_UNDERRUNS = 100  # own choice: with more, the run ends on a fault


class PlayerError(RuntimeError):
    """The player was used out of order, or its run ended on a fault."""


class Markers(Protocol):
    def push(self, sweep: Sweep, stamp_s: float) -> None: ...


@dataclass(frozen=True)
class Underrun:
    """Silence that the device played because frames were late: from sample (counted from the start of the device), so many."""

    sample: int
    n: int


class Player:
    """Plays `frames` on `device` until they end or `stop` is called, from any thread. A player plays once.

    Threads: the caller's, the device's (runs `_fill`: copies, sets numbers, never waits), the renderer's (renders up to 0.5 s
    ahead, pushes markers, ends the run). Renderer and callback share a ring with one writer and one reader.
    A stop plays silence from the next block on, so the sound in that moment may be cut short.
    """

    def __init__(self, frames: FrameSource, device: Device, markers: Markers | None = None) -> None:
        if frames.rate_hz != device.rate_hz:
            raise PlayerError(f"frames at {frames.rate_hz} Hz, device at {device.rate_hz} Hz; make both for one rate")
        self._frames, self._device, self._markers = frames, device, markers
        capacity = max(4 * device.block, round(AHEAD_S * device.rate_hz))
        self._ring = np.zeros((capacity, 3), dtype=np.float32)
        self._written = self._copied = 0  # frames, ever rising; written by the renderer, copied by the callback
        self._position = 0  # samples given to the device, silence included
        self._silence_after_stop = 0
        self._all_written = False
        self._stop_requested = False
        self._underruns = np.zeros((MAX_UNDERRUNS, 3), dtype=np.int64)  # sample of the device, length, frame that came late
        self._underrun_count = 0
        self._marked = 0
        self._state = "idle"
        self._error: BaseException | None = None
        self._lock = threading.Lock()  # between callers of start and stop; the callback never takes it
        self._work = threading.Event()
        self._ended = threading.Event()
        self._renderer = threading.Thread(target=self._run, name="stimulus renderer", daemon=True)

    @property
    def state(self) -> str:
        return self._state

    @property
    def error(self) -> BaseException | None:
        """What ended the run on a fault."""
        return self._error

    @property
    def position_samples(self) -> int:
        """Samples given to the device so far."""
        return self._position

    @property
    def underruns(self) -> tuple[Underrun, ...]:
        """In order. The frames that were late follow the silence: sound and trigger stay together, later onsets move by it."""
        return tuple(Underrun(int(at), int(n)) for at, n, _ in self._underruns[: self._underrun_count])

    @property
    def sweeps_played(self) -> int:
        """Sweeps whose onset was given to the device."""
        return self._marked

    def start(self) -> None:
        """Returns at once. Raises PlayerError unless the player is idle."""
        with self._lock:
            if self._state != "idle":
                raise PlayerError(f"the player is {self._state}; only an idle one can start: make a new player")
            self._enter("running")
            self._renderer.start()

    def stop(self) -> None:
        """Silence, then close; returns when the device is closed. From any thread, any number of times, also before a start."""
        with self._lock:
            if self._state == "idle":
                self._enter("stopped")
                self._device.stop()
                self._ended.set()
        self._stop_requested = True
        self._work.set()
        if threading.current_thread() is not self._renderer:
            self._ended.wait()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; whether it came. Raises PlayerError when the run ended on a fault."""
        ended = self._ended.wait(timeout_s)
        if self._state == "failed":
            raise PlayerError(f"the stimulus stopped at sample {self._position}: {self._error}") from self._error
        return ended

    def _run(self) -> None:
        try:
            self._play()
            self._enter("stopping")
        except Exception as error:
            self._error = error
            self._stop_requested = True  # what the device still asks for is silence
        try:
            self._device.stop()
        except Exception as error:
            self._error = self._error or error
        self._enter("stopped" if self._error is None else "failed")
        self._ended.set()

    def _play(self) -> None:
        pause_s = max(0.001, PAUSE_S / getattr(self._device, "speed", 1.0))
        self._render_ahead()  # the first block must not find an empty ring
        self._device.start(self._fill)
        while not self._over():
            if not self._render_ahead():
                self._work.wait(pause_s)
                self._work.clear()
            self._mark_played()
            if self._device.error is not None:
                raise self._device.error
            if self._underrun_count >= MAX_UNDERRUNS:
                raise PlayerError(f"the sound broke up {MAX_UNDERRUNS} times: close other programs or use longer blocks")
        self._mark_played()

    def _mark_played(self) -> None:
        copied, sweeps = self._copied, self._frames.sweeps
        while self._marked < len(sweeps) and sweeps[self._marked].onset_sample < copied:
            sweep = sweeps[self._marked]
            if self._markers is not None:
                self._markers.push(sweep, self._device.stamp_s(self._device_sample(sweep.onset_sample)))
            self._marked += 1

    def _device_sample(self, frame: int) -> int:
        listed = self._underruns[: self._underrun_count]
        return frame + int(listed[listed[:, 2] <= frame, 1].sum())

    def _enter(self, state: str) -> None:
        if state not in TRANSITIONS[self._state]:
            raise PlayerError(f"the player cannot go from {self._state} to {state}")
        self._state = state

    def _over(self) -> bool:
        if self._stop_requested:
            never_started = self._position == 0
            return never_started or self._silence_after_stop >= SILENCE_S * self._device.rate_hz
        return self._all_written and self._copied == self._written

    def _render_ahead(self) -> bool:
        """Fill the ring by up to its free space, one block at a time; whether anything was rendered."""
        capacity, rendered = len(self._ring), False
        while not (self._stop_requested or self._all_written) and capacity - (self._written - self._copied) >= self._device.block:
            n = self._device.block
            block = self._frames.read(n).T
            first = self._written % capacity
            head = min(n, capacity - first)
            self._ring[first : first + head] = block[:head]
            self._ring[: n - head] = block[head:]
            self._written += n  # after the copy: the callback reads up to here
            self._all_written = self._frames.finished
            rendered = True
        return rendered

    def _fill(self, out: NDArray[np.float32]) -> bool:
        n = len(out)
        if self._stop_requested:
            out.fill(0.0)
            self._silence_after_stop += n
            self._position += n
            return True
        ready = min(self._written - self._copied, n)
        if ready < n and not self._all_written:
            if self._device.can_wait:
                return False
            self._note_underrun(n - ready, ready)
            out[ready:] = 0.0
        elif ready < n:
            out[ready:] = 0.0
        first = self._copied % len(self._ring)
        head = min(ready, len(self._ring) - first)
        out[:head] = self._ring[first : first + head]
        out[head:ready] = self._ring[: ready - head]
        self._copied += ready
        self._position += n
        return True

    def _note_underrun(self, n: int, ready: int) -> None:
        last, sample = self._underrun_count - 1, self._position + ready
        if last >= 0 and self._underruns[last, 0] + self._underruns[last, 1] == sample:
            self._underruns[last, 1] += n  # the same break goes on
        elif self._underrun_count < MAX_UNDERRUNS:
            self._underruns[last + 1] = sample, n, self._copied + ready
            self._underrun_count += 1
