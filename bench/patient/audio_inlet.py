"""Audio frames over LSL, as the virtual earphone receives them."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.lsl import has_closed, is_here

COLUMNS = 3  # left, right, trigger
_MOST_FRAMES = 48_000  # taken at a time
_FORGET_AFTER_S = 5.0  # a stream of another computer that has not answered for so long is gone
_BUFFER_S = 300  # frames kept by LSL while the rig is behind; a player at many times real time gets far ahead


class AudioInlet:
    """Receives the only audio stream with a given source id: finds it, reads it, and closes it when the sender is gone.

    A stream that does not fit (channels, rate, format), or two streams with the same id, are logged once and not used. The inlet
    recovers from a broken connection by itself. Without this recovery, LSL would drop all frames that it still holds when the
    stream is lost, which are the end of the sound.
    """

    def __init__(self, pylsl: Any, source_id: str, rate_hz: float, log: Callable[[str], None]) -> None:
        self._pylsl, self._source_id, self._rate_hz, self._log = pylsl, source_id, rate_hz, log
        self._resolver = pylsl.ContinuousResolver(prop="source_id", value=source_id, forget_after=_FORGET_AFTER_S)
        self._buffer = np.empty((_MOST_FRAMES, COLUMNS), dtype=np.float32)
        self._inlet: Any = None
        self._info: Any = None
        self._gone: set[str] = set()
        self._complained: set[str] = set()

    def pull(self, timeout_s: float) -> tuple[NDArray[np.float32], NDArray[np.float64]] | None:
        """Frames (3, n) and their stamps (n,), unmodified, or None when nothing came in time."""
        if self._inlet is None and not self._open():
            time.sleep(min(timeout_s, 0.005))
            return None
        first, stamp_s = self._inlet.pull_sample(timeout_s)
        if first is None:
            return None
        self._buffer[0] = first
        later_s: list[float] = []
        there = min(self._inlet.samples_available(), _MOST_FRAMES - 1)
        if there:  # no more than is there: a stream that ends within a pull takes with it what that pull already had
            _, later_s = self._inlet.pull_chunk(0.0, there, dest_obj=self._buffer[1 : 1 + there])
        frames = self._buffer[: 1 + len(later_s)].T.copy()
        return np.nan_to_num(frames, nan=0.0, posinf=0.0, neginf=0.0), np.array([stamp_s, *later_s])

    def drop_if_gone(self) -> bool:
        """Close the stream if its sender is gone; to be called when nothing has arrived for a while. A late sender is not gone.

        Returns whether it is gone. If a new sender exists already, the inlet switches to it by itself.
        """
        if self._inlet is None:
            return False
        if not is_here(self._info):  # it has not answered for 5 s
            if self._info.uid() in {info.uid() for info in self._resolver.results()}:
                return False
        elif has_closed(self._info):
            self._gone.add(self._info.uid())
        else:
            return False
        self._log("audio has gone")
        if others := self._visible():
            self._info = others[0]
        else:
            self.close()
        return True

    def _visible(self) -> list[Any]:
        """Streams with the source id, without those that have closed: the resolver remembers them for a while."""
        found = [info for info in self._resolver.results() if info.uid() not in self._gone]
        if len(found) > 1:
            self._gone |= {info.uid() for info in found if is_here(info) and has_closed(info)}
        return [info for info in found if info.uid() not in self._gone]

    def close(self) -> None:
        if self._inlet is not None:
            self._inlet.close_stream()
            self._inlet = None

    def _open(self) -> bool:
        found = self._visible()
        if not found:
            return False
        if len(found) > 1:
            text = f"{len(found)} audio streams have the source id {self._source_id!r}: none is used, end all but one"
            self._complain("several", text)
            return False
        info = found[0]
        kind = (info.channel_count(), info.nominal_srate(), info.channel_format())
        wanted = (COLUMNS, self._rate_hz, self._pylsl.cf_float32)
        if kind != wanted:
            text = (
                f"audio stream {info.name()!r} has {kind[0]} channels at {kind[1]:g} Hz in format {kind[2]}: the rig takes "
                f"{COLUMNS} [left, right, trigger] at {wanted[1]:g} Hz in format {wanted[2]} (float32); start one of them "
                "differently"
            )
            self._complain(info.uid(), text)
            return False
        # Opened by the first pull, in the background: waiting here would stop the EEG, and giving up after a while would make the
        # sender believe that its receiver came and went.
        self._inlet = self._pylsl.StreamInlet(info, max_buflen=_BUFFER_S, recover=True, processing_flags=0)
        self._info = info
        return True

    def _complain(self, key: str, text: str) -> None:
        if key not in self._complained:
            self._complained.add(key)
            self._log(text)
