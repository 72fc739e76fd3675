"""Receiver of a live stream: records each chunk before it is passed on, and reports silence, another stream, or a wrong rate."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from typing import Protocol

from quietfloor.monitor.core.clock import RATE_PPM, ArrivalWatch, RateFit, first_mismatch
from quietfloor.monitor.core.events import RateMismatch
from quietfloor.monitor.core.reporting import BY_CLOCK, BY_STAMPS, wrong_rate
from quietfloor.monitor.core.samples import Chunk, Floats
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.publisher import Publisher
from quietfloor.monitor.run.unit_check import CHECK_S
from quietfloor.monitor.run.watchdog import STREAM_CHANGED, Guard
from quietfloor.monitor.sources.base import Source, SourceError, StreamLost
from quietfloor.monitor.sources.lsl import LslSource, by_the_clock, virtual
from quietfloor.monitor.storage.raw_writer import Journal

log = logging.getLogger("quietfloor")

PULL_S = 0.1
SILENT_S = 0.5  # without a sample: say so
GONE_S = 10.0  # without a sample: end the run
SLOW_S = 5.0  # without a sample of a virtual amplifier, which is late on a busy machine: say so, and wait until it has gone
MOST_CHECK_S = 6 * CHECK_S  # of stream, where it comes too unevenly to say how fast it is
LATE_S = 1.0  # of its samples behind the clock: say that it is slower than real time
MOST_LATE_S = 60.0  # a virtual amplifier that seems to be further behind has another clock
REOPEN_S = 2.0  # without a sample, soon after this program stood still: open the stream again, and once more after as long
STOOD_S = 5.0  # between two looks at the stream: this program was stopped, or its machine slept
KEPT = "what was received before is kept, nothing from then on was taken; begin a new run"


class VirtualSound(Protocol):
    """The part of the sound output that the stream of a virtual patient controls."""

    @property
    def begins_s(self) -> float: ...
    @property
    def failure(self) -> str | None: ...
    def wait_for_receiver(self, stopped: Callable[[], bool]) -> None: ...
    def returned(self, seconds: float) -> None: ...


class Receiver:
    """Receives the stream, on the acquisition thread. ``wrong_rate``: reason to end the run; None while the stream has its stated
    rate."""

    def __init__(
        self,
        source: Source,
        journal: Journal,
        guard: Guard,
        publisher: Publisher,
        sound: VirtualSound | None,
        stopped: Callable[[], bool],
        clock: Callable[[], float],
    ) -> None:
        self.wrong_rate: str | None = None
        self._source, self._journal, self._guard, self._publisher = source, journal, guard, publisher
        self._sound, self._stopped, self._clock = sound, stopped, clock
        self._virtual = virtual(source)
        self._timed = by_the_clock(source)
        self._arrivals = ArrivalWatch(source.description.rate_hz)
        self._came = 0  # samples
        self._first: Chunk | None = None  # pulled already
        self._last_s = clock()
        self._looked_s = math.nan
        self._doubt_s = self._reopened_s = -math.inf  # until when a silence may be a dead connection; last time it was replaced

    def begin(self) -> None:
        """Start to count the wait for the first sample. With a virtual patient it counts from the moment the patient receives
        sound; the silence before is no part of the run."""
        if self._virtual is not None and self._sound is not None:
            self._sound.wait_for_receiver(self._stopped)
            self._virtual.skip()
            self._sound.returned(0.0)
        self._last_s = self._clock()

    def skip_to_sound(self) -> None:
        """Drop the silence that a virtual patient still had to make before its sound when that began: on a busy machine it may be
        late by seconds, in which no trigger can come. Samples are counted, because stamps may be wrong on purpose."""
        if self._virtual is None or self._sound is None:
            return
        left, pulls_in_vain = math.nan, 0
        while not self._stopped() and self._sound.failure is None:
            chunk = self._source.pull(PULL_S)
            if chunk is None:
                pulls_in_vain += 1
                if pulls_in_vain * PULL_S > GONE_S and not self._virtual.only_late():
                    break
                continue
            if math.isnan(self._sound.begins_s):
                continue
            if math.isnan(left):
                late_s = self._sound.begins_s - float(chunk.stamps_s[0])
                left = late_s * self._source.description.rate_hz if 0.0 < late_s <= MOST_LATE_S else 0.0
            here = min(math.ceil(left), len(chunk.stamps_s))
            left -= here
            if left <= 0.0 and here < len(chunk.stamps_s):
                self._first = Chunk(chunk.samples[:, here:], chunk.stamps_s[here:])
                break
        self._last_s = self._clock()

    def needed(self, count: int) -> bool:
        """Whether ``count`` samples are too few to settle unit and rate on."""
        rate_hz = self._source.description.rate_hz
        unsettled = self._timed is not None and not self._arrivals.settled
        return count < CHECK_S * rate_hz or (unsettled and count < MOST_CHECK_S * rate_hz)

    def lost_some(self) -> None:
        """Report that samples were lost, so that the loss is not taken for another rate."""
        self._arrivals.paused()

    def next_chunk(self) -> Chunk | None:
        """The next chunk, already in the journal; None when nothing came for a moment. Raises StreamLost after 10 s."""
        self._publisher.publish_notes()
        chunk, self._first = (self._first, None) if self._first is not None else (self._source.pull(PULL_S), None)
        now_s = self._clock()
        stood_s, self._looked_s = now_s - self._looked_s, now_s
        if stood_s > STOOD_S:
            self._last_s += stood_s  # the stream was not silent when nobody listened
            self._arrivals.paused()
            self._publisher.notice(
                "stood_still",
                f"this program stood still for {stood_s:.0f} s (stopped, or the machine slept): what still waits of the "
                "stream is read on, what does not is lost and shows as a gap",
            )
            self._doubt_s = now_s + GONE_S  # what waits is read first
        if chunk is None:
            silent_s = now_s - self._last_s
            if silent_s > (SILENT_S if self._virtual is None else SLOW_S) and not self._publisher.status.silent:
                self._publisher.update(silent=True)
                if self._virtual is None:
                    said = f"no samples for {SILENT_S:g} s: is the amplifier's program running?"
                else:
                    said = f"no samples for {SLOW_S:g} s: the virtual amplifier is slow; the run waits, and nothing is lost"
                self._publisher.notice("stream_silent", said)
            if self._last_s < self._doubt_s and now_s > REOPEN_S + max(self._last_s, self._reopened_s):
                self._reopen()
            if silent_s > GONE_S and not (self._virtual is not None and self._virtual.only_late()):
                changed = self._guard.changed()
                if changed:
                    self._publisher.notice(STREAM_CHANGED, changed)
                raise StreamLost(
                    f"no samples from {self._source.description.name!r} for {GONE_S:g} s: "
                    + (f"{changed}; " if changed else "")
                    + "what was received is kept; start its program again and begin a new run"
                )
            return None
        self._last_s = now_s
        replaced = self._guard.replaced()
        if replaced or self._publisher.status.silent:
            self._arrivals.paused()
            if not self._is_the_same(replaced):
                return None
            self._looked_s = self._clock()
        if self._publisher.status.silent:
            self._publisher.update(silent=False)
            self._publisher.notice("stream_back", "samples arrive again")
        if self._timed is not None:
            self._judge_arrival(self._timed, chunk)
        self._journal.samples(chunk)
        if self._virtual is not None:
            self._keep_together(self._virtual, chunk)
        return chunk

    def _reopen(self) -> None:
        """Open the stream again if this program was suspended and no sample arrives, because the connection may be dead. A
        virtual amplifier is waited for."""
        try:
            if self._timed is not None and self._timed.reopen():
                said = "the stream gave nothing any more and was opened again: what was sent meanwhile is lost"
                self._publisher.notice("stream_reopened", said)
        except RuntimeError as error:  # of liblsl: tried again until the stream counts as gone
            log.warning("the stream could not be opened again: %s", error)
        self._looked_s = self._reopened_s = self._clock()

    def _is_the_same(self, replaced: bool) -> bool:
        """Whether a stream that came back describes itself as before; its samples are held until that is known.

        False if the run was stopped before that. Raises SourceError for a different stream, and for a replaced stream that does
        not describe itself.
        """
        give_up_s = self._clock() + GONE_S
        while (changed := self._guard.changed()) is None:
            if self._stopped():
                return False
            if self._clock() >= give_up_s:
                if not replaced:
                    return True
                raise StreamLost(
                    f"{self._source.description.name!r} returned, but did not describe itself within {GONE_S:g} s: {KEPT}"
                )
        if changed:
            self._publisher.notice(STREAM_CHANGED, changed)
            raise SourceError(f"{changed}: {KEPT}")
        return True

    def _keep_together(self, amplifier: LslSource, chunk: Chunk) -> None:
        """Let the sound of a virtual patient go on; report once if the patient is slower than real time."""
        self._came += len(chunk.stamps_s)
        if self._sound is not None:
            self._sound.returned(self._came / amplifier.description.rate_hz)
        late_s = amplifier.late_s(float(chunk.stamps_s[-1]))
        if late_s > LATE_S and amplifier.backlog_samples == 0 and self._publisher.first_time("slow_bench"):
            self._publisher.notice(
                "slow_bench",
                f"the virtual amplifier is {late_s:.1f} s behind the clock: this machine is too slow for real time; nothing is "
                "lost, it only takes longer",
            )

    def judge_rate(self, stamps_s: Floats) -> None:
        """Judge the rate by the stamps (n,) of the first second, together with the result of the clock."""
        rate_hz = self._source.description.rate_hz
        first = stamps_s[: int(CHECK_S * rate_hz) + 1]
        found = first_mismatch(first, rate_hz, len(first) - 1)
        if found is not None:
            self.wrong_rate = self.wrong_rate or wrong_rate(found)
            return
        fit = RateFit(rate_hz)
        fit.feed(first)
        ppm, error = fit.ppm()
        if RATE_PPM[-1] + 6 * error < abs(ppm) < math.inf:
            self._say_rate(RateMismatch(len(first) - 1, rate_hz, rate_hz * (1 + 1e-6 * ppm), ppm, serious=True), BY_STAMPS)

    def _judge_arrival(self, timed: LslSource, chunk: Chunk) -> None:
        """Judge by the clock whether samples arrive at the stated rate."""
        ahead_s = timed.ahead_s(float(chunk.stamps_s[-1]))
        for found in self._arrivals.feed(len(chunk.stamps_s), timed.backlog_samples, self._last_s, ahead_s):
            if found.refused:
                self.wrong_rate = self.wrong_rate or wrong_rate(found, BY_CLOCK)
            else:
                self._say_rate(found, BY_CLOCK)

    def _say_rate(self, found: RateMismatch, by: str) -> None:
        """Report a rate error once, from stamps or clock; the engine reports its own finding separately."""
        self._publisher.first_time(f"rate {found.serious} {found.refused}")
        self._publisher.notice("rate", status_text.rate_mismatch(found, by))
