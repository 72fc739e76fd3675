"""Recording of a measuring sound: through a channel of an EEG stream, or an input of a sound card."""

from __future__ import annotations

import math
import time
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.sources.channels import resolve_channel
from quietfloor.monitor.sources.lsl import LslSource, find_stream, virtual

STALLED_S = 5.0


class ListeningError(RuntimeError):
    """Raised if nothing can be recorded: there is no such input, or it stopped."""


class Listener(Protocol):
    """An input with one channel. `name` is written into the calibration. `start` begins; `stop` returns the samples since then
    (n,)."""

    @property
    def name(self) -> str: ...
    @property
    def rate_hz(self) -> float: ...
    def start(self) -> None: ...
    def wait(self, seconds: float) -> None:
        """Record for `seconds` more, counted in samples of the input."""

    def reach(self, stamp_s: float) -> None:
        """Record up to this time of the LSL clock if a virtual amplifier makes the input: it may be late, but its stamps tell."""

    def stop(self) -> NDArray[np.float64]: ...
    def close(self) -> None: ...


class StreamListener:
    """One channel of an LSL stream, by label or number. Raises ListeningError."""

    def __init__(self, stream: str, channel: str, wait_s: float = 10.0) -> None:
        try:
            self._source = LslSource(find_stream(stream, wait_s=wait_s))
            description = self._source.description
            self._channel = resolve_channel(description, channel)
        except SourceError as error:
            raise ListeningError(str(error)) from error
        self.name = f"stream {stream}, channel {description.label(self._channel)}"
        self.rate_hz = description.rate_hz
        self._kept: list[NDArray[np.float64]] = []
        self._stamp_s = -math.inf  # of the last sample

    def start(self) -> None:
        while self._source.pull(0.0) is not None:  # what came before does not count
            pass
        self._kept = []

    def wait(self, seconds: float) -> None:
        wanted, last_s = round(seconds * self.rate_hz), time.monotonic()
        while wanted > 0:
            chunk = self._source.pull(0.1)
            if chunk is None:
                if time.monotonic() - last_s > STALLED_S and not self._source.only_late():
                    raise ListeningError(f"no samples from {self.name} for {STALLED_S:g} s: is its program running?")
                continue
            last_s = time.monotonic()
            self._kept.append(chunk.samples[self._channel].astype(np.float64))
            self._stamp_s = float(chunk.stamps_s[-1])
            wanted -= self._kept[-1].size

    def reach(self, stamp_s: float) -> None:
        while virtual(self._source) is not None and self._stamp_s < stamp_s:
            self.wait(0.1)

    def stop(self) -> NDArray[np.float64]:
        return np.concatenate([np.zeros(0), *self._kept])

    def close(self) -> None:
        self._source.close()


class MicrophoneListener:
    """The first channel of a sound input, by name or number (None: the system's own choice). Raises ListeningError."""

    def __init__(self, device: str | int | None, rate_hz: float) -> None:
        try:
            import sounddevice
        except (ImportError, OSError) as error:
            raise ListeningError(f"no sound input: {error}; `quietfloor doctor` prints the line that installs it") from error
        self.rate_hz = rate_hz
        try:
            found = sounddevice.query_devices(device, "input")
            self._stream = sounddevice.InputStream(
                samplerate=rate_hz, device=found["index"], channels=1, dtype="float32", callback=self._take, latency="high"
            )
        except (ValueError, sounddevice.PortAudioError) as error:
            raise ListeningError(f"sound input {device!r} at {rate_hz:g} Hz cannot be opened: {error}") from error
        self.name = f"input {found['name']}"
        self._kept: list[NDArray[np.float64]] = []
        self._count = 0

    def _take(self, samples: NDArray[np.float32], n: int, when: object, status: object) -> None:
        self._kept.append(samples[:, 0].astype(np.float64))
        self._count += n

    def start(self) -> None:
        if not self._stream.active:
            self._stream.start()
        self._kept, self._count = [], 0

    def wait(self, seconds: float) -> None:
        wanted = self._count + round(seconds * self.rate_hz)
        end_s = time.monotonic() + seconds + STALLED_S
        while self._count < wanted:
            if time.monotonic() > end_s:
                raise ListeningError(f"{self.name} delivers no samples: is it in use elsewhere?")
            time.sleep(0.01)

    def reach(self, stamp_s: float) -> None:
        """An input of a card is never late."""

    def stop(self) -> NDArray[np.float64]:
        return np.concatenate([np.zeros(0), *self._kept])

    def close(self) -> None:
        self._stream.close()
