"""Plays the clicks of a timing check and records until the last click has certainly arrived."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from quietfloor.monitor.core.clock import StampWatch
from quietfloor.monitor.core.onsets import OnsetFinder
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.monitor.run.receiver import MOST_LATE_S
from quietfloor.monitor.run.sound_output import Sound
from quietfloor.monitor.sources.base import Source, StreamLost
from quietfloor.monitor.sources.lsl import virtual

PULL_S = 0.1
GONE_S = 10.0  # without a sample
MORE = 8  # sounds after the last one that counts, so that its pulse and what follows are there
SILENT_S = 0.5  # of EEG without a trigger: the sound is over
QUIET_S = 1.0  # of EEG without a trigger: no earlier sound is under way
LEAST_S = 1.0  # after the sound was stopped, on the clock
PATIENCE_S = 60.0  # after that the equipment will not catch up any more


class NotBegun(RuntimeError):
    """Raised if the sound did not begin, or the operator stopped the check."""


class BrokenStream(RuntimeError):
    """Raised if the EEG lost samples or the sound ended, so that the timing cannot be measured."""


@dataclass
class Recording:
    """Trigger and sound channel, unbroken, in the units of the stream."""

    trigger: list[Floats] = field(default_factory=list)
    sound: list[Floats] = field(default_factory=list)
    samples: int = 0

    def whole(self) -> tuple[Floats, Floats]:
        """Trigger and sound, (n,) each."""
        return np.concatenate(self.trigger), np.concatenate(self.sound)


class Listener:
    """Pulls from the source; notices lost samples and where the last trigger was."""

    def __init__(self, source: Source, trigger: int, sound: int, settings: TriggerSettings) -> None:
        self._source, self._channels, self._settings = source, [trigger, sound], settings
        self.virtual = virtual(source)
        self._begin()

    def _begin(self) -> None:
        rate_hz = self._source.description.rate_hz
        self._stamps = StampWatch(rate_hz)
        self._finder = OnsetFinder(rate_hz, self._settings)
        self._heard_s = time.monotonic()
        self._from_s = math.nan  # stamp of the first sample
        self.recording = Recording()
        self.triggers = 0
        self.last_trigger = 0.0  # samples; the beginning while there was none

    def wait_for_silence(self, stopped: Callable[[], bool]) -> None:
        """Drop what comes before the sound: a virtual patient on a busy machine may still have triggers of an earlier command to
        make, and those have the schedule of these clicks. Raises StreamLost and BrokenStream."""
        while not stopped() and self.silent_s < QUIET_S:
            self.pull()
        self._begin()

    def pull(self) -> None:
        """Take the samples that arrive within a moment. Raises StreamLost and BrokenStream."""
        chunk = self._source.pull(PULL_S)
        now_s = time.monotonic()
        if chunk is None:
            if now_s - self._heard_s > GONE_S and not (self.virtual is not None and self.virtual.only_late()):
                name = self._source.description.name
                raise StreamLost(f"no samples from {name!r} for {GONE_S:g} s: start its program again, then repeat the check")
            return
        self._heard_s = now_s
        if not self.recording.samples:
            self._from_s = float(chunk.stamps_s[0])
        two = chunk.samples[self._channels].astype(np.float64)
        jumps = self._stamps.feed(chunk.stamps_s)
        if jumps or not np.isfinite(two).all():
            what = f"its stamps jump by {1e3 * jumps[0].by_s:.1f} ms" if jumps else "samples are not finite"
            raise BrokenStream(
                f"the EEG stream broke up ({what}): end other programs, look at the amplifier's connection, then repeat the check"
            )
        self.recording.trigger.append(two[0])
        self.recording.sound.append(two[1])
        self.recording.samples += two.shape[1]
        for onset in self._finder.feed(two[0]):
            self.triggers += not onset.breaks
            self.last_trigger = onset.position

    @property
    def seconds(self) -> float:
        """Duration of the EEG so far, in s."""
        return self.recording.samples / self._source.description.rate_hz

    @property
    def silent_s(self) -> float:
        """Seconds of EEG since the last trigger."""
        return self.seconds - self.last_trigger / self._source.description.rate_hz

    def before_s(self, begins_s: float) -> float:
        """Seconds of EEG before the sound whose first frame has that stamp: a virtual patient on a busy machine is late."""
        before_s = begins_s - self._from_s
        return before_s if 0.0 < before_s <= MOST_LATE_S else 0.0


def record(
    sound: Sound, listener: Listener, count: int, lead_in_s: float, stopped: Callable[[], bool], tell: Callable[[int], None]
) -> Recording:
    """Play ``count`` sounds and some more, and listen until all of them came. Raises NotBegun, BrokenStream, StreamLost."""
    listener.pull()
    if listener.virtual is not None:
        sound.wait_for_receiver(stopped)
        listener.wait_for_silence(stopped)
    sound.start()
    try:
        while sound.sweeps_played < count + MORE:
            _go_on(sound, stopped)
            listener.pull()
            if listener.virtual is not None:
                sound.returned(listener.seconds)
            tell(min(count, sound.sweeps_played))
    finally:
        sound.stop()
    ended_s, before_s = time.monotonic(), listener.before_s(sound.begins_s)
    while True:
        _go_on(sound, stopped)
        listener.pull()
        after_s = time.monotonic() - ended_s
        enough_s = SILENT_S if 2 * listener.triggers > count else lead_in_s + 2 * SILENT_S + before_s
        if after_s > LEAST_S and (listener.silent_s > enough_s or (after_s > PATIENCE_S and listener.virtual is None)):
            return listener.recording


def _go_on(sound: Sound, stopped: Callable[[], bool]) -> None:
    if stopped():
        raise NotBegun("interrupted: nothing was kept")
    if sound.failure is not None and not sound.sweeps_played:
        raise NotBegun(f"the sound did not begin: {sound.failure}")
    if sound.failure is not None:
        raise BrokenStream(f"the sound stopped: {sound.failure}")
