"""Output devices for frames: a protocol, and audio over LSL to the virtual patient or any other program."""

from __future__ import annotations

import math
import threading
import time
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.frames import COLUMNS
from quietfloor.stimuli.lsl import load_pylsl

_RETRY_S = 0.001
_POLL_S = 0.1
_DEAF_S = 2.0  # a receiver may reconnect within this time
_FLUSH_S = 0.5  # closing an outlet drops what was not sent yet; LSL cannot say when that is (0.1 s was too short under load)

class FillBlock(Protocol):
    """Callback with a block (n, 3) float32 to fill, called by the thread of the device. It copies and returns at once.

    It returns False if the frames are not ready; nothing was written then. Only a device that `can_wait` may be given False.
    `broken`: the device itself ran out of frames before this block.
    """

    def __call__(self, out: NDArray[np.float32], broken: bool = False) -> bool: ...


AHEAD_S = 10.0  # of sound that a virtual patient may be behind: more than is under way, less than LSL keeps


class DeviceError(RuntimeError):
    """Raised when the output cannot be opened, or has no receiver."""


class Device(Protocol):
    """An output of frames [left, right, trigger] at `rate_hz`, in blocks of `block` frames.

    `start` returns at once and calls `fill` from a thread until `stop`. If that thread ends early, `error` is the cause.
    `stamp_s` is the time, on the LSL clock, of a sample counted from the start; nan before the first block.
    """

    @property
    def rate_hz(self) -> float: ...
    @property
    def block(self) -> int: ...
    @property
    def can_wait(self) -> bool: ...
    @property
    def error(self) -> BaseException | None: ...
    def start(self, fill: FillBlock) -> None: ...
    def stop(self) -> None: ...
    def stamp_s(self, sample: int) -> float: ...


class LslAudioDevice:
    """An LSL outlet of type "Audio", 3 float32 channels, regular stamps t0 + n / rate_hz.

    `speed`: how much faster than real time it runs. Stamps still advance by 1 / rate_hz, so the stream keeps its nominal rate,
    and a receiver that counts samples sees no difference.
    `can_wait` (default): a late renderer delays the stream. With False the device behaves as a sound card does: late frames are
    an underrun.
    The outlet exists from construction on, so that a receiver can connect first. The first block waits for a receiver, at most
    `consumer_timeout_s`. A receiver that disappears for 2 s ends the stream with an error. The device sends no more than
    `limit_s` of sound. The receiver of the returning EEG raises that limit as samples come back (`returned`), so that a slow
    virtual patient loses nothing.
    """

    def __init__(
        self,
        source_id: str,
        name: str = "quietfloor sound",
        rate_hz: float = 48_000.0,
        speed: float = 1.0,
        block: int = 480,
        can_wait: bool = True,
        consumer_timeout_s: float = 30.0,  # on a busy machine a receiver needed more than 10 s
    ) -> None:
        for what, value in (("rate_hz", rate_hz), ("speed", speed), ("block", block)):
            if not (math.isfinite(value) and value > 0):
                raise DeviceError(f"{what} = {value}; allowed is a number above 0")
        if not source_id:
            raise DeviceError("source_id is empty; give one that no other stream on this network has")
        self._pylsl = load_pylsl()
        self.source_id, self.name, self.rate_hz, self.block = source_id, name, float(rate_hz), int(block)
        self.speed, self.can_wait, self._consumer_timeout_s = speed, can_wait, consumer_timeout_s
        self.error: BaseException | None = None
        self.limit_s = math.inf
        self._polls = math.ceil(consumer_timeout_s / _POLL_S)  # left; a machine that stands still does not poll
        self._t0_s = math.nan
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._outlet: Any = self._pylsl.StreamOutlet(self._stream_info())

    def returned(self, seconds: float) -> None:
        """Report that so much EEG came back, in s: the sound goes on until `AHEAD_S` beyond."""
        self.limit_s = seconds + AHEAD_S

    def start(self, fill: FillBlock) -> None:
        if self._thread is not None or self._outlet is None:
            raise DeviceError(f"audio stream {self.source_id!r} was used already; make a new device for every run")
        self._thread = threading.Thread(target=self._run, args=(fill,), name=f"audio {self.source_id}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, wait until pushed samples have arrived, close the stream. May be called repeatedly, from any thread."""
        self._stopping.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        if self._outlet is not None:
            if not math.isnan(self._t0_s):
                time.sleep(_FLUSH_S)
            self._outlet = None

    def stamp_s(self, sample: int) -> float:
        return self._t0_s + sample / self.rate_hz

    def _run(self, fill: FillBlock) -> None:
        try:
            while not self._stopping.is_set():
                if self.has_consumer():
                    self._push_blocks(fill)
                elif self.gave_up:
                    raise DeviceError(
                        f"nobody listens to the audio stream {self.name!r} (source id {self.source_id!r}) after "
                        f"{self._consumer_timeout_s:g} s: start the receiver, for instance the rig, with this source id"
                    )
        except Exception as error:
            self.error = error

    def has_consumer(self) -> bool:
        """Wait a moment for a receiver; whether one is connected. The moments count against `consumer_timeout_s`."""
        self._polls -= 1
        return bool(self._outlet.wait_for_consumers(_POLL_S))

    @property
    def gave_up(self) -> bool:
        return self._polls <= 0

    def _push_blocks(self, fill: FillBlock) -> None:
        block = np.zeros((self.block, len(COLUMNS)), dtype=np.float32)
        outlet, block_s = self._outlet, self.block / self.rate_hz
        self._t0_s = self._pylsl.local_clock()
        started_s, pushed = time.monotonic(), 0
        last_heard_s = started_s
        while not self._stopping.is_set():
            # Due times are multiples of the block from one start, so the pace does not drift; a late renderer shifts the start.
            wait_s = started_s + pushed * block_s / self.speed - time.monotonic()
            if wait_s > 0:
                self._stopping.wait(wait_s)
            waited_from_s = time.monotonic()
            while pushed * block_s >= self.limit_s or not fill(block):
                if self._stopping.wait(_RETRY_S):
                    return
            waited_s = time.monotonic() - waited_from_s
            if waited_s > block_s / self.speed:
                started_s += waited_s
            pushed += 1
            outlet.push_chunk(block, self.stamp_s(pushed * self.block - 1))  # of the last sample; liblsl derives the others
            if outlet.have_consumers():
                last_heard_s = time.monotonic()
            elif time.monotonic() - last_heard_s > _DEAF_S:
                raise DeviceError(f"the receiver of the audio stream {self.name!r} (source id {self.source_id!r}) went away")

    def _stream_info(self) -> Any:
        info = self._pylsl.StreamInfo(self.name, "Audio", len(COLUMNS), self.rate_hz, "float32", self.source_id)
        channels = info.desc().append_child("channels")
        for label in COLUMNS:
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", "full scale")
            channel.append_child_value("type", "Stim" if label == "trigger" else "Audio")
        return info
