"""A sound card as a device: one continuous output stream through PortAudio, sound and trigger in it together."""

from __future__ import annotations

import atexit
import math
import threading
import time
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.devices import DeviceError, FillBlock
from quietfloor.stimuli.frames import COLUMNS
from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.outputs import (
    BLOCK,
    CHANNELS,
    RATE_HZ,
    Output,
    check_block,
    extra_settings,
    load_sounddevice,
    suitability,
    usable,
)

LATENCY_BLOCKS = 4.0  # asked for; own choice: a callback in Python may be late by some tens of ms
STALLED_S = 2.0  # without being asked for a block: the card was pulled out, or its server ended
CLOSE_S, GONE_CLOSE_S = 3.0, 0.5  # a card that is gone may keep its own closing waiting for minutes
_SLOWNESS = 0.01  # of following the clock, per block: stamps are labels, not measurements


class PortAudioDevice:
    """A sound card. It is opened when the object is made, and silent until `start`. Frames go to `channels` (numbers from 1) of
    the output. Left and right may be one output: one earphone that is moved between the ears.

    The device cannot wait: PortAudio's thread requests a block when it is due. When PortAudio reports an underflow, `fill` is
    told with the next block. Raises DeviceError for an output that cannot be used.
    """

    can_wait = False

    def __init__(
        self,
        output: Output,
        rate_hz: float = RATE_HZ,
        channels: Sequence[int] = CHANNELS,
        block: int = BLOCK,
        allow_shared: bool = False,
    ) -> None:
        if len(channels) != len(COLUMNS) or channels[2] in channels[:2] or min(channels) < 1:
            raise DeviceError(
                f"channels = {list(channels)}; give three different numbers from 1: {', '.join(COLUMNS)}; for one earphone that "
                "is moved between the ears the first two are equal"
            )
        check_block(block, rate_hz)
        findings = suitability(output, rate_hz, channels, allow_shared)
        if not usable(findings):
            wrong = "; ".join(finding.sentence for finding in findings if finding.level == "no")
            raise DeviceError(f"output {output} cannot be used: {wrong}")
        self.output, self.rate_hz, self.block, self.channels = output, float(rate_hz), int(block), tuple(channels)
        self._frames = np.zeros((self.block, len(COLUMNS)), dtype=np.float32)
        self._clock = load_pylsl().local_clock
        self._fill: FillBlock | None = None
        self._t0_s = math.nan
        self._count = 0  # frames asked for so far
        self._asked_s = math.nan  # when that was, by the monotonic clock
        self._error: BaseException | None = None
        self._stopping = False
        self._lock = threading.Lock()
        self._stream: Any = self._open()
        self.latency_s = float(self._stream.latency)  # from asking for a block to its sound, as PortAudio states it

    @property
    def error(self) -> BaseException | None:
        silent_s = time.monotonic() - self._asked_s  # nan, never more than anything, before the start
        if self._error is None and not self._stopping and silent_s > STALLED_S:
            self._error = DeviceError(
                f"output {self.output} asked for nothing for {STALLED_S:g} s: was it pulled out, or its sound server ended?"
            )
        return self._error

    def start(self, fill: FillBlock) -> None:
        if self._fill is not None or self._stream is None:
            raise DeviceError(f"output {self.output} was used already; make a new device for every run")
        self._fill = fill
        self._asked_s = time.monotonic()
        try:
            self._stream.start()
        except Exception as error:
            raise DeviceError(f"output {self.output} does not start: {error}") from error

    def stop(self) -> None:
        """Play the frames that were handed over, then close. May be called from any thread, repeatedly."""
        failed = self.error is not None
        self._stopping = True
        with self._lock:
            stream, self._stream = self._stream, None
        if stream is None:
            return
        closing = threading.Thread(target=_close, args=(stream, failed), name="closing the sound card", daemon=True)
        closing.start()
        closing.join(GONE_CLOSE_S if failed else self.latency_s + CLOSE_S)
        if failed or closing.is_alive():  # what is gone cannot be closed: the program would wait for it at its own end, or abort
            handler = getattr(load_sounddevice(), "_exit_handler", None)
            if handler is not None:
                atexit.unregister(handler)

    def stamp_s(self, sample: int) -> float:
        return self._t0_s + sample / self.rate_hz

    def _open(self) -> Any:
        sounddevice = load_sounddevice()
        try:
            stream = sounddevice.OutputStream(
                samplerate=self.rate_hz,
                blocksize=self.block,
                device=self.output.number,
                channels=max(self.channels),
                dtype="float32",
                latency=max(self.output.high_latency_s, LATENCY_BLOCKS * self.block / self.rate_hz),
                extra_settings=extra_settings(self.output),
                dither_off=True,  # the same samples each time
                callback=self._ask,
                finished_callback=self._finished,
            )
        except Exception as error:
            raise DeviceError(f"output {self.output} cannot be opened: {error}") from error
        if not math.isclose(stream.samplerate, self.rate_hz, abs_tol=0.5):
            stream.close()
            raise DeviceError(f"output {self.output} runs at {stream.samplerate:g} Hz, not at {self.rate_hz:g} Hz: set its rate")
        return stream

    def _ask(self, out: NDArray[np.float32], n: int, when: Any, status: Any) -> None:
        """Fill a block in PortAudio's thread. After an error the block is silent; the player ends the run."""
        out.fill(0.0)
        try:
            if n != self.block:
                raise DeviceError(f"output {self.output} asked for {n} frames instead of {self.block}")
            broken = bool(status) and status.output_underflow
            if self._error is None and self._fill is not None and self._fill(self._frames, broken):
                for column, channel in enumerate(self.channels):
                    out[:, channel - 1] += self._frames[:, column]  # of one earphone only one column has sound
            self._keep_time()
        except BaseException as error:
            self._error = self._error or error
            out.fill(0.0)

    def _keep_time(self) -> None:
        """Estimate the time of sample 0 on the LSL clock, smoothed over a hundred blocks, so that a late callback changes no
        stamp."""
        t0_s = self._clock() + self.latency_s - self._count / self.rate_hz
        self._t0_s = t0_s if self._count == 0 else self._t0_s + _SLOWNESS * (t0_s - self._t0_s)
        self._count += self.block
        self._asked_s = time.monotonic()

    def _finished(self) -> None:
        if not self._stopping and self._error is None:
            self._error = DeviceError(f"output {self.output} ended by itself: was it pulled out?")


def _close(stream: Any, at_once: bool) -> None:
    try:
        if at_once:
            stream.abort()
        else:
            stream.stop()
    finally:
        stream.close()
