"""Live samples from Lab Streaming Layer: finds one stream unambiguously, and reads it unmodified.

Nothing here imports pylsl before a stream is opened or listed, so the program starts without liblsl. Inlets run without
post-processing: samples and stamps are those of the sender. This module relies on the following behaviour of liblsl (seen with
1.18): if a sender with a source id dies, the inlet is silent and goes on when the sender restarts; for a sender without source
id, LostError is raised at once.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf_format import DTYPES, MOST_CHANNELS
from quietfloor.monitor.sources.base import (
    LONGEST_NAME,
    AmbiguousStream,
    NoStream,
    Source,
    StreamDescription,
    StreamLost,
    description_from_xml,
    printable,
)
from quietfloor.monitor.sources.channels import Channels, Finding, resolve_channels, suitability, unit_to_uv, uv_per_unit
from quietfloor.monitor.sources.edf import FASTEST_HZ
from quietfloor.stimuli.lsl import PORTS, has_closed, is_here, load_pylsl

__all__ = [
    "Channels",
    "Finding",
    "FoundStream",
    "LslMarkers",
    "LslSource",
    "by_the_clock",
    "find_stream",
    "list_streams",
    "resolve_channels",
    "suitability",
    "unit_to_uv",
    "uv_per_unit",
    "virtual",
]

SETTLE_S = 0.8  # four local streams answered within 0.5 s: after the first match, wait this long for a second one
POLL_S = 0.05
STILL_RUNNING = "is its program still running?"
_FORMATS = ("undefined", "float32", "double64", "string", "int32", "int16", "int8", "int64")  # liblsl's codes 0 to 7
LONGEST_MARKER = 100_000  # bytes of one, own choice: it is kept in the recording and in memory
BUFFER_S = 120  # liblsl drops the oldest samples beyond this backlog; the stamps then show the gap


@dataclass(frozen=True)
class FoundStream:
    """A stream that answered. ``description`` has no labels or units yet, because they need an inlet. ``info`` is pylsl's
    handle."""

    description: StreamDescription
    info: Any


def list_streams(
    wait_s: float = 1.0, details_timeout_s: float = 2.0, known: Iterable[StreamDescription] = ()
) -> list[StreamDescription]:
    """Every visible stream with labels and units, sorted by name, host and source id.

    A stream that answers but sends no details within ``details_timeout_s`` is listed without labels and units. Streams that are
    ``known`` from an earlier list are not asked again.
    """
    pylsl = load_pylsl()
    described, before = [], {one.uid: one for one in known}
    for found in _distinct(pylsl.resolve_streams(wait_s)):
        if found.description.uid in before:
            described.append(before[found.description.uid])
            continue
        try:
            described.append(_full_description(pylsl.StreamInlet(found.info, recover=False), details_timeout_s))
        except StreamLost:
            described.append(found.description)
    return sorted(described, key=_order)


def _described_again(before: StreamDescription, wait_s: float, details_timeout_s: float = 2.0) -> list[StreamDescription]:
    """Streams that are present now with this name and source id, with labels and units; those that send no description are left
    out. Other streams are not contacted."""
    described = []
    for found in _found_again(before, wait_s):
        with contextlib.suppress(StreamLost):
            described.append(_full_description(load_pylsl().StreamInlet(found.info, recover=False), details_timeout_s))
    return described


def _found_again(before: StreamDescription, wait_s: float) -> list[FoundStream]:
    """Streams that are present now with this name and source id."""
    found = _distinct(load_pylsl().resolve_streams(wait_s))
    return [one for one in found if (one.description.name, one.description.source_id) == (before.name, before.source_id)]


def find_stream(name: str | None = None, source_id: str | None = None, wait_s: float = 5.0) -> FoundStream:
    """The only stream with this name and/or source id; upper and lower case are ignored if none has the exact name.

    Waits up to ``wait_s`` for a first match, and then a little longer for a second, because answers arrive one by one. Raises
    NoStream (lists what is visible) or AmbiguousStream (lists the candidates).
    """
    if not name and not source_id:
        raise ValueError("find_stream needs a name, a source id or both")
    pylsl = load_pylsl()
    resolver = pylsl.ContinuousResolver(forget_after=5.0)
    give_up_s = time.monotonic() + wait_s
    while True:
        matches = _fitting(_distinct(resolver.results()), name, source_id)
        if matches or time.monotonic() >= give_up_s:
            break
        time.sleep(POLL_S)
    if matches:
        time.sleep(SETTLE_S)
    visible = sorted(_distinct(resolver.results()), key=lambda found: _order(found.description))
    # A stream that ended during the wait counts as gone.
    matches = _fitting(visible, name, source_id)
    if not matches:
        raise NoStream(_nothing_fits(name, source_id, wait_s, [found.description for found in visible]))
    if len(matches) > 1:
        raise _ambiguous(name, source_id, [found.description for found in matches])
    return matches[0]


class LslSource:
    """One numeric stream, with order and stamps as sent. To be used from one thread.

    Raises StreamLost if the sender does not send its description or data within ``open_timeout_s``; a sender that still exists on
    this machine gets that time twice.
    """

    def __init__(self, found: FoundStream, open_timeout_s: float = 10.0) -> None:
        if found.description.channel_format not in DTYPES:
            raise NoStream(f"{found.description.summary()} carries text, not samples: name an EEG stream")
        pylsl = load_pylsl()
        self._pylsl, self._info = pylsl, found.info
        if found.description.rate_hz > FASTEST_HZ:  # buffers are made for it
            raise NoStream(f"{found.description.summary()} states more than {FASTEST_HZ:g} samples a second: no EEG has")
        self._inlet, self._description = self._opened(found, open_timeout_s)
        rate_hz = self._description.rate_hz
        self._room = max(1024, math.ceil(rate_hz))
        dtype = DTYPES[self._description.channel_format].newbyteorder("=")
        self._buffer = np.empty((self._room, self._description.channel_count), dtype)
        self._lost = False

    @property
    def description(self) -> StreamDescription:
        return self._description

    @property
    def backlog_samples(self) -> int:
        return 0 if self._lost else int(self._inlet.samples_available())

    def pull(self, timeout_s: float = 0.5) -> Chunk | None:
        """All samples that have arrived, up to one second of them, after waiting at most ``timeout_s`` for the first.

        Returns None if none came: the sender pauses, or is gone and may return. Raises StreamLost if it cannot return.
        """
        if self._lost:
            raise StreamLost(_lost_text(self._description))
        # Waiting for one sample and then draining wakes up sooner than waiting for a full buffer or polling.
        stamps = self._pull_into(self._buffer[:1], timeout_s)
        if stamps and not self._lost:
            # No more than is there: a stream that ends within a pull takes with it what that pull already had.
            stamps += self._pull_into(self._buffer[1 : 1 + self.backlog_samples], 0.0)
        if not stamps:
            if self._lost:
                raise StreamLost(_lost_text(self._description))
            return None
        return Chunk(self._buffer[: len(stamps)].T.copy(), np.array(stamps, dtype=np.float64))

    def clock_offset(self, timeout_s: float = 2.0) -> tuple[float, float]:
        """(time in the sender's clock, seconds to add to its stamps at that time to get this machine's LSL clock).

        The first call takes some milliseconds; later calls use liblsl's background estimate. Raises StreamLost.
        """
        offset_s = float(_guard(self._inlet.time_correction, self._description, timeout_s))
        return float(self._pylsl.local_clock()) - offset_s, offset_s

    def skip(self) -> None:
        """Drop the samples that have arrived but were not pulled."""
        if not self._lost:
            self._inlet.flush()

    def only_late(self) -> bool:
        """Whether a silent sender is a virtual amplifier that still exists: it is late, but nothing is lost."""
        return self._description.own_clock and is_here(self._info) and not has_closed(self._info)

    def late_s(self, stamp_s: float) -> float:
        """Delay in s of a stamp of a sender on this machine behind the clock."""
        return float(self._pylsl.local_clock()) - stamp_s

    def ahead_s(self, stamp_s: float) -> float:
        """How far in s a stamp is ahead of the clock, for senders on any machine; nan if that is not known."""
        with contextlib.suppress(StreamLost):
            return stamp_s + self.clock_offset()[1] - float(self._pylsl.local_clock())
        return math.nan

    def returned(self) -> bool:
        """Whether another sender has replaced the previous one since the last call, even if only for a moment."""
        return not self._lost and bool(self._inlet.was_clock_reset())

    def reopen(self, wait_s: float = 1.5, open_timeout_s: float = 3.0) -> bool:
        """Read the stream over a new connection, if a sender exists but nothing arrives; returns whether that was done.

        liblsl keeps a connection that died silently for as long as it sees the same sender. Samples that the sender still held
        for the old connection are lost. It is not done if no stream or several fit, or if the old connection delivers after all.
        """
        before = self._description
        there = _found_again(before, wait_s)
        same = [one for one in there if one.description.uid == before.uid]  # needs no source id to be known again
        there = same or [one for one in there if can_return(one)]
        if self._lost or len(there) != 1:
            return False
        now = there[0].description
        if (now.channel_count, now.channel_format) != (before.channel_count, before.channel_format):
            return False  # does not fit into the buffer
        inlet = self._new_inlet(there[0])
        try:
            _guard(inlet.open_stream, before, open_timeout_s)
        except StreamLost:
            return False
        if self.backlog_samples:
            return False
        dead, self._inlet, self._info = self._inlet, inlet, there[0].info
        dead.close_stream()
        return True

    def changed(self, wait_s: float = 1.5) -> str | None:
        """Differences between the stream that now has this name and the one that was opened, in words; "" for none, None if there
        is no stream. The inlet itself would go on reading a sender with the same number of different channels."""
        before = self._description
        now = _described_again(before, wait_s)
        if not now:
            return None
        differences = [_differences(before, one) for one in now]
        return "" if [] in differences else f"the stream {before.name!r} returned with {', '.join(differences[0])}"

    def close(self) -> None:
        self._lost = True
        self._inlet.close_stream()

    def _opened(self, found: FoundStream, timeout_s: float) -> tuple[Any, StreamDescription]:
        """An inlet to which data come, and the full description; over a second connection if the first gives nothing in time."""
        for tries in (1, 2):
            inlet = self._new_inlet(found)
            try:
                description = _full_description(inlet, timeout_s, tries)
                _guard(inlet.open_stream, description, timeout_s, tries)
                return inlet, description
            except StreamLost:
                inlet.close_stream()
                if tries == 2 or not is_here(found.info) or has_closed(found.info):
                    raise
        raise AssertionError

    def _new_inlet(self, found: FoundStream) -> Any:
        pylsl = self._pylsl
        return pylsl.StreamInlet(found.info, max_buflen=BUFFER_S, recover=can_return(found), processing_flags=pylsl.proc_none)

    def _pull_into(self, room: NDArray[Any], timeout_s: float) -> list[float]:
        if not len(room):
            return []
        try:
            _, stamps = self._inlet.pull_chunk(timeout=timeout_s, max_samples=len(room), dest_obj=room)
        except self._pylsl.util.LostError:
            self._lost = True  # what a pull just before brought must still be handed out
            return []
        return list(stamps)


def virtual(source: Source) -> LslSource | None:
    """The source if it is a live stream of a virtual amplifier, whose time is the count of its samples; a busy machine makes it
    late, but loses nothing. Else None."""
    return source if isinstance(source, LslSource) and source.description.own_clock else None


def by_the_clock(source: Source) -> LslSource | None:
    """The source if its samples arrive in real time; else None."""
    return source if isinstance(source, LslSource) and not source.description.own_clock else None


class LslMarkers:
    """A text stream. It receives only markers that are sent after this object was made: open it before the sound starts."""

    def __init__(self, found: FoundStream, open_timeout_s: float = 10.0) -> None:
        if found.description.channel_format != "string":
            raise NoStream(f"{found.description.summary()} carries samples, not text: name a marker stream")
        pylsl = load_pylsl()
        self._pylsl = pylsl
        # Bytes as sent: text that is not UTF-8 must not end the run.
        self._inlet = pylsl.StreamInlet(
            found.info, recover=can_return(found), processing_flags=pylsl.proc_none, as_numpy=True
        )
        self.description = _full_description(self._inlet, open_timeout_s)
        _guard(self._inlet.open_stream, self.description, open_timeout_s)

    def pull(self, timeout_s: float = 0.0) -> list[tuple[float, str]]:
        """(stamp in s, text of the first channel) of every marker that is there. Raises StreamLost."""
        markers = []
        try:
            sample, stamp_s = self._inlet.pull_sample(timeout=timeout_s)
            while sample is not None:
                markers.append((float(stamp_s), bytes(sample[0])[:LONGEST_MARKER].decode("utf-8", "replace")))
                sample, stamp_s = self._inlet.pull_sample(timeout=0.0)
        except self._pylsl.util.LostError as error:
            if not markers:
                raise StreamLost(_lost_text(self.description)) from error
        return markers

    def clock_offset(self, timeout_s: float = 2.0) -> tuple[float, float]:
        """The sender's time and its clock offset, in s; see LslSource.clock_offset."""
        offset_s = float(_guard(self._inlet.time_correction, self.description, timeout_s))
        return float(self._pylsl.local_clock()) - offset_s, offset_s

    def close(self) -> None:
        self._inlet.close_stream()


def can_return(found: FoundStream) -> bool:
    """Whether an inlet can resume with a sender that comes back. If not, liblsl must not be asked to: it would print the name of
    the stream to the terminal unchanged, with escape sequences."""
    return bool(found.description.source_id)


def _distinct(infos: list[Any]) -> list[FoundStream]:
    """One entry per outlet: the same outlet can answer several times, on several interfaces."""
    by_uid = {info.uid(): info for info in infos}
    return [FoundStream(_describe(info), info) for info in by_uid.values()]


def _describe(info: Any) -> StreamDescription:
    try:
        return description_from_xml(info.as_xml())
    except ValueError:  # a name with control characters makes XML that no parser takes; the stream is visible all the same
        nothing = ("",) * min(info.channel_count(), MOST_CHANNELS)
        return StreamDescription(
            name=info.name()[:LONGEST_NAME],
            type=info.type()[:LONGEST_NAME],
            source_id=info.source_id()[:LONGEST_NAME],
            host=info.hostname()[:LONGEST_NAME],
            uid=info.uid(),
            created_at_s=float(info.created_at()),
            channel_count=len(nothing),
            rate_hz=float(info.nominal_srate()),
            channel_format=_FORMATS[info.channel_format()],
            labels=nothing,
            units=nothing,
        )


def _full_description(inlet: Any, timeout_s: float, tries: int = 1) -> StreamDescription:
    pylsl = load_pylsl()
    try:
        return _describe(inlet.info(timeout=timeout_s))
    except (pylsl.util.TimeoutError, pylsl.util.LostError) as error:
        waited = f"{tries * timeout_s:g} s"
        raise StreamLost(f"the stream was seen but did not describe itself within {waited}: {STILL_RUNNING}") from error


def _guard(call: Any, description: StreamDescription, timeout_s: float, tries: int = 1) -> Any:
    """Call with this timeout, at the last of so many tries. Raises StreamLost."""
    pylsl = load_pylsl()
    try:
        return call(timeout=timeout_s)
    except pylsl.util.TimeoutError as error:
        raise StreamLost(f"{description.summary()} did not answer within {tries * timeout_s:g} s: {STILL_RUNNING}") from error
    except pylsl.util.LostError as error:
        raise StreamLost(_lost_text(description)) from error


def _fitting(streams: list[FoundStream], name: str | None, source_id: str | None) -> list[FoundStream]:
    """Streams with this name or source id: an exact name, else one that differs only in upper and lower case.

    Characters that a stream description cannot contain are removed from the requested name too.
    """
    name, source_id = (asked and printable(asked) for asked in (name, source_id))
    of_id = [found for found in streams if not source_id or found.description.source_id == source_id]
    exact = [found for found in of_id if not name or found.description.name == name]
    return exact or [found for found in of_id if name and found.description.name.casefold() == name.casefold()]


def _order(description: StreamDescription) -> tuple[str, str, str, str]:
    return description.name, description.host, description.source_id, description.uid


def _asked(name: str | None, source_id: str | None) -> str:
    parts = [f"named {name!r}" if name else "", f"with source id {source_id!r}" if source_id else ""]
    return "stream " + " ".join(part for part in parts if part)


def _nothing_fits(name: str | None, source_id: str | None, wait_s: float, visible: list[StreamDescription]) -> str:
    asked = _asked(name, source_id)
    if not visible:
        return (
            f"no {asked} within {wait_s:g} s, nor any other stream: start the amplifier's program and its LSL output. Only "
            "streams on this machine are seen unless LSLAPICFG names another configuration; a firewall must let "
            f"{PORTS} pass on loopback"
        )
    listed = "\n  ".join(description.summary() for description in visible)
    return f"no {asked} within {wait_s:g} s. Visible:\n  {listed}\nGive one of these names"


def _ambiguous(name: str | None, source_id: str | None, candidates: list[StreamDescription]) -> AmbiguousStream:
    listed = "\n  ".join(description.summary() for description in candidates)
    ids = [description.source_id for description in candidates]
    if len(set(ids)) == len(ids) and all(ids):
        remedy = "Add --source-id with the id of the one you mean"
    elif len(set(ids)) > 1:
        remedy = "Add --source-id with the id of the one you mean, or stop the others"
    else:
        remedy = "Their source ids do not tell them apart either: stop all but one, or rename one where it is sent"
    return AmbiguousStream(f"{len(candidates)} streams fit {_asked(name, source_id)}:\n  {listed}\n{remedy}", candidates)


def _differences(before: StreamDescription, now: StreamDescription) -> list[str]:
    """Differences between two descriptions that would change the sweeps, in words."""
    found = []
    if now.channel_count != before.channel_count:
        found.append(f"{now.channel_count} channels instead of {before.channel_count}")
    elif now.labels != before.labels and any(now.labels):
        found.append(f"channels {', '.join(now.labels)} instead of {', '.join(before.labels)}")
    elif now.units != before.units and any(now.units):
        found.append("other units")
    if now.channel_format != before.channel_format:
        found.append(f"samples as {now.channel_format} instead of {before.channel_format}")
    if now.rate_hz != before.rate_hz:
        found.append(f"{now.rate_hz:g} Hz instead of {before.rate_hz:g} Hz")
    return found


def _lost_text(description: StreamDescription) -> str:
    why = "it has no source id, so it cannot be recognised when it returns" if not description.source_id else "it was closed"
    return f"stream {description.name!r} is lost ({why}): what was received is kept; start its program again and begin a new run"
