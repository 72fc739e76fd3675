"""Player: plays frames as one continuous stream. A renderer thread works ahead; the callback of the device only copies."""

from __future__ import annotations

import math
import threading
from bisect import bisect_left
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.devices import Device
from quietfloor.stimuli.frames import BREAK_AFTER_S, BREAK_LOBE_S, BREAK_S, DEVICE_BREAK_LOBE_S, FrameSource, break_mark
from quietfloor.stimuli.schedule import Sweep

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
FADE_S = 0.01  # at a stop, from the sound to silence
START_UP_S = 1.0  # what a device says of its first second is about filling its buffers; nothing has sounded yet
# A run ends on a fault when more than a share of its last sweeps met a break: own choices. Each break costs a sweep or two, which
# are rejected and known; a run that keeps nine sweeps in ten is worth going on with.
MOST_SHARE, AMONG_SWEEPS = 0.1, 1_000
MOST_BREAKS = 10_000  # and never more in all than can be listed
MOST_HEARD = 100  # ... and fewer where an ear may hear the marks of breaks: as many as the dose sets aside


class PlayerError(RuntimeError):
    """Raised when the player is used out of order, or its run ended on a fault."""


class Markers(Protocol):
    def push(self, sweep: Sweep, stamp_s: float) -> None: ...


@dataclass(frozen=True)
class Underrun:
    """Silence that the device was given because frames were late, or (`by_device`) because the device had run out of frames just
    before.

    It begins at sample `sample`, counted from the start of the device, and lasts `samples`.
    """

    sample: int
    n: int
    by_device: bool = False


class Player:
    """Plays `frames` on `device` until they end or `stop` is called, from any thread. A player plays once.

    Threads: that of the caller; that of the device (runs `_fill`: copies, updates counters, never waits); the renderer (renders
    up to 0.5 s ahead, pushes markers, ends the run). Renderer and callback share a ring buffer with one writer and one reader.
    A stop fades the sound out within the next block.

    If the sound breaks, whole blocks are silent, and the trigger column has one break mark for each break
    (`quietfloor.stimuli.frames`). Every reader of that column, live or from a recording, therefore rejects the same sweeps. The
    rest of an interrupted sound is not played, nor the rest of its trigger, which could be mistaken for another trigger.
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
        most = MOST_HEARD if frames.earphone_jack else MOST_BREAKS
        self._underruns = np.zeros((most, 4), dtype=np.int64)  # sample of the device, length, next frame, by device
        self._underrun_count = 0
        self._late_mark = _mark_column(BREAK_LOBE_S, device.rate_hz, frames.trigger_db_fs)
        self._device_mark = _mark_column(DEVICE_BREAK_LOBE_S, device.rate_hz, frames.trigger_db_fs)
        self._mark, self._mark_at = self._late_mark, self._late_mark.size  # what is left of a mark follows
        self._in_break = self._device_broke = False
        self._silent_until = 0  # frame up to which there is silence after a break: the rest of a sound that was torn
        fade = 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, round(FADE_S * device.rate_hz)))
        self._fade = fade.astype(np.float32)[:, np.newaxis]
        self._faded = False
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
        """The error that ended the run, or None."""
        return self._error

    @property
    def position_samples(self) -> int:
        """Number of samples given to the device so far."""
        return self._position

    @property
    def underruns(self) -> tuple[Underrun, ...]:
        """All underruns in order. Late frames are played after the silence: sound and trigger stay together, and later onsets are
        delayed."""
        return tuple(Underrun(int(at), int(n), bool(by)) for at, n, _, by in self._underruns[: self._underrun_count])

    @property
    def underrun_count(self) -> int:
        return self._underrun_count

    @property
    def sweeps_played(self) -> int:
        """Number of sweeps whose onset was given to the device."""
        return self._marked

    def start(self) -> None:
        """Start to play; returns at once. Raises PlayerError unless the player is idle."""
        with self._lock:
            if self._state != "idle":
                raise PlayerError(f"the player is {self._state}; only an idle one can start: make a new player")
            self._enter("running")
            self._renderer.start()

    def stop(self) -> None:
        """Silence and close the device; returns when it is closed. May be called from any thread, repeatedly, and before a start.
        """
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
        """Wait for the end; returns whether the player has ended. Raises PlayerError if the run ended on a fault."""
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
            self._bear_breaks()
        self._mark_played()

    def _bear_breaks(self) -> None:
        """Raise PlayerError if the sound broke too often among its last sweeps, or more often than can be listed."""
        count = self._underrun_count
        first = max(0, self._marked - AMONG_SWEEPS)
        since = self._frames.sweeps[first].onset_sample if first else 0
        recent = count - int(np.searchsorted(self._underruns[:count, 2], since))
        if recent > MOST_SHARE * AMONG_SWEEPS:
            among = f"within the last {AMONG_SWEEPS:,} sweeps" if first else f"within the first {self._marked:,} sweeps"
            raise PlayerError(f"the sound broke up {recent} times {among}: close other programs or use longer blocks")
        if count >= len(self._underruns):
            raise PlayerError(f"the sound broke up {count:,} times in all: close other programs or use longer blocks")

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

    def _fill(self, out: NDArray[np.float32], broken: bool = False) -> bool:
        n = len(out)
        if self._stop_requested:
            self._fade_out(out)
            self._silence_after_stop += n
            self._position += n
            return True
        ready = min(self._written - self._copied, n)
        late = ready < n and not self._all_written
        if late and self._device.can_wait:
            return False
        if broken and self._position > START_UP_S * self._device.rate_hz:
            self._device_broke = True
        if late or self._device_broke or self._mark_at < self._mark.size:
            self._break(out)
            return True
        self._in_break = False
        self._copy(out, ready)
        out[ready:] = 0.0
        if self._copied < self._silent_until:
            out[: self._silent_until - self._copied] = 0.0
        self._copied += ready
        self._position += n
        return True

    def _break(self, out: NDArray[np.float32]) -> None:
        """Fill a block with silence, and with the mark of the break, or the rest of that mark, in its trigger column."""
        n = len(out)
        starts = self._mark_at >= self._mark.size and (self._device_broke or not self._in_break)
        if starts:
            self._note_underrun(self._device_broke)
            self._mark, self._mark_at = self._device_mark if self._device_broke else self._late_mark, 0
            self._device_broke, self._in_break = False, True
            self._silent_until = self._end_of_torn_sound()
        out.fill(0.0)
        piece = self._mark[self._mark_at : self._mark_at + n]
        out[: piece.size, 2] = piece
        self._mark_at += piece.size
        self._underruns[self._underrun_count - 1, 1] += n
        self._position += n

    def _end_of_torn_sound(self) -> int:
        """First frame after the end of the sweep that had begun before the next frame."""
        sweeps = self._frames.sweeps
        begun = bisect_left(sweeps, self._copied, key=lambda sweep: sweep.onset_sample)
        return 0 if begun == 0 else sweeps[begun - 1].onset_sample + self._frames.reach_samples

    def _copy(self, out: NDArray[np.float32], n: int) -> None:
        """Copy the next `n` frames, which must be in the ring."""
        first = self._copied % len(self._ring)
        head = min(n, len(self._ring) - first)
        out[:head] = self._ring[first : first + head]
        out[head:n] = self._ring[: n - head]

    def _fade_out(self, out: NDArray[np.float32]) -> None:
        """Fill a block with silence; in the first such block the sound fades out. There are no triggers, because no sweep begins
        any more."""
        ready = 0
        if not (self._faded or self._in_break):
            ready = min(self._written - self._copied, len(out), len(self._fade))
            self._copy(out, ready)
            out[:ready] *= self._fade[:ready]
        self._faded = True
        out[ready:] = 0.0
        out[:, 2] = 0.0

    def _note_underrun(self, by_device: bool) -> None:
        """Record the beginning of a break. If the list is full, which ends the run, the last entry stands for all further breaks.
        """
        place = min(self._underrun_count, len(self._underruns) - 1)
        self._underruns[place] = self._position, 0, self._copied, by_device
        self._underrun_count = place + 1


def _mark_column(lobe_s: float, rate_hz: float, db_fs: float) -> NDArray[np.float32]:
    """The trigger column of a break, (n,), from its first frame on, for as long as the break must last."""
    mark, start = break_mark(lobe_s, rate_hz, db_fs), round(BREAK_AFTER_S * rate_hz)
    column = np.zeros(math.ceil(BREAK_S * rate_hz), dtype=np.float32)
    column[start : start + mark.size] = mark
    return column
