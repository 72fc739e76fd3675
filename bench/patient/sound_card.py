"""Audio frames from inputs of a sound card, as the virtual earphone receives them from a player's outputs looped back by wire."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.audio_inlet import COLUMNS
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.outputs import load_sounddevice

_RING_S = 10.0  # frames kept while the rig is behind
_BLOCK = 1024
_GONE_S = 2.0  # an input that delivers nothing for so long has ended


class SoundCardInlet:
    """One input stream, open from construction on, in the shape of `AudioInlet`. Stamps count samples from its beginning.

    `channels`: inputs of left, right, trigger, from 1. Frames that the rig was too slow for are lost, and their stamps with them.
    Raises DeviceError for an input that is not there or cannot do it.
    """

    def __init__(self, which: str, channels: Sequence[int], rate_hz: float, log: Callable[[str], None]) -> None:
        if len(channels) != COLUMNS or len(set(channels)) != COLUMNS or min(channels) < 1:
            raise DeviceError(f"channels {list(channels)}: give three different inputs from 1: left, right, trigger")
        self._log, self._rate_hz = log, rate_hz
        self._columns = [channel - 1 for channel in channels]
        self._clock = load_pylsl().local_clock
        self._ring = np.zeros((round(_RING_S * rate_hz), COLUMNS), dtype=np.float32)
        self._written = self._read = 0  # frames, ever rising; written by PortAudio's thread, read by the rig's
        self._t0_s = math.nan
        self._heard_s = time.monotonic()
        self._overflows, self._complained = 0, False
        self._arrived = threading.Event()
        self._stream: Any = self._open(which, max(channels))

    def pull(self, timeout_s: float) -> tuple[NDArray[np.float32], NDArray[np.float64]] | None:
        """Frames (3, n) and their stamps (n,), or None when nothing came in time."""
        self._arrived.wait(timeout_s)
        self._arrived.clear()
        written, size = self._written, len(self._ring)
        if written - self._read > size - 2 * _BLOCK:  # what is being overwritten now is not read
            lost = written - self._read - size // 2
            self._log(f"{lost} frames of the sound card came faster than they could be worked on and are lost")
            self._read += lost
        n = written - self._read
        if n == 0:
            return None
        if self._overflows and not self._complained:
            self._log("the sound card says that it lost input before it could be read; said once, nobody knows how much it was")
            self._complained = True
        frames = self._ring[np.arange(self._read, written) % size].T
        stamps_s = self._t0_s + np.arange(self._read, written) / self._rate_hz
        self._read = written
        return np.nan_to_num(frames, nan=0.0, posinf=0.0, neginf=0.0), stamps_s

    def drop_if_gone(self) -> bool:
        """To be called when nothing has come for a while: lets go of an input that has ended, and returns whether it has."""
        gone = self._stream is not None and time.monotonic() - self._heard_s > _GONE_S
        if gone:
            self._log("the sound card has gone: start the rig again when it is back")
            self.close()
        return gone

    def close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:  # a card that is gone may keep its own closing waiting for minutes
            closing = threading.Thread(target=stream.close, name="closing the sound card", daemon=True)
            closing.start()
            closing.join(_GONE_S)

    def _open(self, which: str, needed: int) -> Any:
        sounddevice = load_sounddevice()
        number = _find_input(sounddevice, which, needed)
        try:
            stream = sounddevice.InputStream(
                samplerate=self._rate_hz, blocksize=_BLOCK, device=number, channels=needed, dtype="float32", latency="high",
                callback=self._take,
            )  # fmt: skip
            stream.start()
        except Exception as error:
            asked = f"{needed} channels at {self._rate_hz:g} Hz"
            raise DeviceError(f"input {which!r} cannot be opened with {asked}: {error}") from error
        return stream

    def _take(self, data: NDArray[np.float32], n: int, when: Any, status: Any) -> None:
        """PortAudio's thread: copies only."""
        now_s, start = self._clock(), self._written % len(self._ring)
        head = min(n, len(self._ring) - start)
        for column, channel in enumerate(self._columns):
            self._ring[start : start + head, column] = data[:head, channel]
            self._ring[: n - head, column] = data[head:, channel]
        if self._written == 0:
            self._t0_s = now_s - n / self._rate_hz
        if status and status.input_overflow:
            self._overflows += 1
        self._written += n  # after the copy: the reader reads up to here
        self._heard_s = time.monotonic()
        self._arrived.set()


def _find_input(sounddevice: Any, which: str, needed: int) -> int:
    """The number of the one input of this name, exact or in part, or of this number."""
    interfaces = [found["name"] for found in sounddevice.query_hostapis()]
    inputs = {
        number: found["name"]
        for number, found in enumerate(sounddevice.query_devices())
        if found["max_input_channels"] >= needed
    }
    listed = "; ".join(
        f"{number}: {name} ({interfaces[sounddevice.query_devices(number)['hostapi']]})" for number, name in inputs.items()
    )
    if which.isdigit():
        named = [number for number in inputs if number == int(which)]
    else:
        exact = [number for number, name in inputs.items() if name.lower() == which.lower()]
        named = exact or [number for number, name in inputs.items() if which.lower() in name.lower()]
    if len(named) != 1:
        how_many = "several inputs" if named else "no input"
        raise DeviceError(
            f"{how_many} with {needed} channels or more called {which!r}: give one by its number. There are {listed or 'none'}"
        )
    return named[0]
