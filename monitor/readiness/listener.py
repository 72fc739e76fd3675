"""Reads a live stream and reports findings; a worker thread is available for GUI callers.

Displays read ``report``, an immutable value. A stream that does not exist yet is searched until it appears.
"""

from __future__ import annotations

import datetime
import logging
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.readiness import timing
from quietfloor.monitor.readiness.cautions import placement
from quietfloor.monitor.readiness.dose_words import own_cautions
from quietfloor.monitor.readiness.findings import Finding, Group, parted, ready, summary
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.readiness.sound_check import SilentTriggers, sound_group
from quietfloor.monitor.sources.base import Source, SourceError, StreamDescription, StreamLost
from quietfloor.monitor.sources.lsl import LslSource, by_the_clock, find_stream, resolve_channels, virtual
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.lsl import LslUnavailableError

log = logging.getLogger("quietfloor")

PULL_S = 0.1
SILENT_S, GONE_S = 0.5, 5.0  # without a sample: say so; look for the stream anew
STOOD_S = 2.0  # between two looks at the stream: this program was stopped, or its machine slept
TRY_S = 2.0  # for each attempt to find the stream
REPORT_EVERY_S = 0.3
IS_IT_ON = "is the amplifier's program running?"
NO_STREAM = Finding("stream", "wait", "looking for it")

Opens = Callable[[Plan, float], Source]


@dataclass(frozen=True)
class Report:
    """All findings at one moment. ``stream`` is the summary of the stream, ``name`` its short form, "" before it was found;
    ``own_cautions`` are those that only this plan needs. ``stamp_s``: time stamp of the newest sample that was looked at, in s of
    LSL's clock; nan before there was one."""

    groups: tuple[Group, ...]
    placement: tuple[str, ...]
    stream: str = ""
    name: str = ""
    seconds: float = 0.0
    listening: bool = False
    own_cautions: tuple[str, ...] = ()
    stamp_s: float = math.nan

    @property
    def ready(self) -> bool:
        return ready(self.groups)

    @property
    def summary(self) -> str:
        return summary(self.groups)

    @property
    def unknown(self) -> bool:
        """Whether longer listening may help: something is not known, and no finding says stop."""
        severities = {finding.severity for group in self.groups for finding in group.findings}
        return "wait" in severities and "stop" not in severities

    @property
    def noise_uv(self) -> float:
        """RMS noise of the deciding channel in the band, in uV; nan where it is not known."""
        found = (dict(one.parts).get("noise_uv") for group in self.groups for one in group.findings if one.about == "floor")
        return next((value for value in found if value is not None), math.nan)

    def group(self, name: str) -> Group:
        return next(group for group in self.groups if group.name == name)

    @property
    def stops(self) -> tuple[str, ...]:
        """Findings that say stop, or are still unknown, in short; for the record of a run that began in spite of them."""
        found = (f for group in self.groups for f in group.findings if f.severity in ("stop", "wait"))
        return tuple(f"{f.title}{f' of {f.subject}' if f.subject else ''}: {f.said}" for f in found)


def open_lsl(plan: Plan, wait_s: float) -> Source:
    """The stream of the plan. Raises SourceError."""
    return LslSource(find_stream(plan.stream.name, plan.stream.source_id, wait_s))


class Check:
    """The check of one plan: ``open``, then ``step`` repeatedly, ``report`` at any time, ``close``. From one thread."""

    def __init__(
        self, plan: Plan, session: Path, *, triggers: bool = True, opens: Opens = open_lsl,
        today: Callable[[], datetime.date] = datetime.date.today, clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self.plan = plan
        self._triggers, self._opens, self._today, self._clock = triggers and plan.sound is not None, opens, today, clock
        self._session = session
        self._cautions = own_cautions(plan)
        self._sound = sound_group(plan, session, today())
        self._timing = Group("timing", "Timing", (Finding("timing", "wait", "known once the stream is found"),))
        self._source: Source | None = None
        self._readiness: Readiness | None = None
        self._silent: SilentTriggers | None = None
        self._trigger_failure = ""
        self._sent_at_s = 0.0
        self._sent_before_s = 0.0  # of triggers, when this stream was opened
        self._last_s = self._looked_s = math.nan
        self._stamp_s = math.nan
        self._trouble: Finding | None = None

    @property
    def seconds(self) -> float:
        """Duration of the stream that was checked, in s."""
        return 0.0 if self._readiness is None else self._readiness.seconds

    @property
    def listened_s(self) -> float:
        """Duration in s, counted from the moment when this program's triggers began, or were found to be impossible."""
        if self._readiness is None:
            return 0.0
        if self._silent is not None and not self._readiness.triggers_sent and not self._trigger_failure:
            return 0.0
        return self._readiness.seconds - self._sent_at_s

    def open(self, wait_s: float) -> None:
        """Find the stream and begin to listen. Raises SourceError if the stream or its channels cannot be used."""
        source = self._opens(self.plan, wait_s)
        try:
            channels = resolve_channels(source.description, self.plan.stream.eeg, self.plan.stream.trigger)
            self._timing, plan = timing.timing_group(self.plan, source.description, channels, self._today())
            self._readiness = Readiness(source.description, channels, plan)
        except BaseException:
            source.close()
            raise
        self._source, self._trouble, self._last_s, self._looked_s = source, None, self._clock(), math.nan
        self._stamp_s = math.nan
        self._send_triggers()

    def _send_triggers(self) -> None:
        assert self._readiness is not None
        if not self._triggers or self.plan.sound is None:
            return
        if self._silent is None and not self._trigger_failure:
            try:
                self._silent = SilentTriggers(self.plan.sound, self._session)
            except (PlanError, DeviceError, LslUnavailableError, ExposureError) as error:
                self._trigger_failure = str(error)
        self._readiness.triggers_sent = False
        self._sent_before_s = 0.0 if self._silent is None else self._silent.sent_s

    def step(self) -> None:
        """Wait at most 0.1 s for samples and process them. Raises SourceError if the stream is lost."""
        assert self._source is not None
        assert self._readiness is not None
        chunk = self._source.pull(PULL_S)
        now_s = self._clock()
        stood_s, self._looked_s = now_s - self._looked_s, now_s
        if stood_s > STOOD_S:
            self._last_s += stood_s  # the stream was not silent when nobody listened
            if by_the_clock(self._source) is not None:
                self._readiness.paused()
        silent_s = now_s - self._last_s
        late = chunk is None and silent_s > SILENT_S and isinstance(self._source, LslSource) and self._source.only_late()
        if chunk is not None:
            self._last_s, self._trouble = self._clock(), None
            self._stamp_s = float(chunk.stamps_s[-1])
            if (timed := by_the_clock(self._source)) is not None:
                if silent_s > SILENT_S:
                    self._readiness.paused()
                ahead_s = timed.ahead_s(float(chunk.stamps_s[-1]))
                self._readiness.came(len(chunk.stamps_s), timed.backlog_samples, self._last_s, ahead_s)
            self._readiness.feed(chunk)
        elif silent_s > GONE_S and not late:
            raise StreamLost(f"no samples from {self._source.description.name!r} for {GONE_S:g} s: {IS_IT_ON}")
        elif silent_s > (GONE_S if late else SILENT_S):
            self._trouble = Finding("stream", "stop", f"no samples for {silent_s:.0f} s", IS_IT_ON)
        if self._silent is not None:
            sent = self._sent(self._silent, chunk)
            if sent and not self._readiness.triggers_sent:
                self._sent_at_s = self._readiness.seconds
            self._readiness.triggers_sent = sent
            if virtual(self._source) is not None:
                self._silent.returned(self._sent_before_s + self._readiness.seconds)
            self._trigger_failure = self._silent.failure or self._trigger_failure

    def _sent(self, silent: SilentTriggers, chunk: Chunk | None) -> bool:
        """Whether triggers were being sent when these samples were made. A virtual amplifier on a busy machine may still have
        seconds of the silence before them to make."""
        assert self._readiness is not None
        assert self._source is not None
        if not silent.sending or virtual(self._source) is None or self._readiness.triggers_sent:
            return silent.sending
        return chunk is not None and float(chunk.stamps_s[-1]) >= silent.begins_s

    def lose(self, error: SourceError) -> None:
        """Record why the stream cannot be read, and prepare to open it again."""
        self._close_source()
        self._trouble = Finding("stream", "stop", *parted(error))

    def report(self) -> Report:
        """Present findings."""
        reminders = placement(None if self.plan.sound is None else self.plan.sound.route)
        if self._readiness is None or self._source is None:
            stream = Group("stream", "Stream", (self._trouble or NO_STREAM,))
            return Report((stream, self._heard_group(), self._sound, self._timing), reminders, own_cautions=self._cautions)
        description: StreamDescription = self._source.description
        stream, contacts, heard = self._readiness.groups()
        if self._trouble is not None:
            stream = Group(stream.name, stream.title, (self._trouble, *stream.findings))
        if self._trigger_failure:
            heard = self._heard_group()
        groups = (stream, contacts, heard, self._sound, self._timing)
        name = f"{description.name} · {description.channel_count} channels · {description.rate_hz:g} Hz · on {description.host}"
        return Report(
            groups, reminders, description.summary(), name, self.seconds, self._trouble is None, self._cautions, self._stamp_s
        )

    def _heard_group(self) -> Group:
        if self._trigger_failure:
            what, remedy = parted(self._trigger_failure.removeprefix("sound: "))
            return Group("trigger", "Trigger", (Finding("trigger", "stop", f"cannot be sent: {what}", remedy),))
        return Group("trigger", "Trigger", (Finding("trigger", "wait", "known once the stream is found"),))

    def close(self) -> None:
        """Stop the triggers, then close the stream. Safe to call twice."""
        if self._silent is not None:
            self._silent.close()
            self._silent = None
        self._close_source()

    def _close_source(self) -> None:
        if self._source is not None:
            self._source.close()
            self._source = None
            self._readiness = None


class Listener:
    """A check in a thread: it begins at once, searches for the stream until it appears, and runs until ``close``."""

    def __init__(self, check: Check, every_s: float = REPORT_EVERY_S) -> None:
        self.report = check.report()
        self.failure = ""  # of this program, not of the stream
        self._check, self._every_s = check, every_s
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="readiness", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop the triggers and close the stream; returns when both are done."""
        self._closing.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            while not self._closing.is_set():
                try:
                    self._check.open(TRY_S)
                    self._listen()
                except (SourceError, LslUnavailableError) as error:
                    self._check.lose(error if isinstance(error, SourceError) else SourceError(str(error)))
                    self.report = self._check.report()
                    self._closing.wait(0.5)
        except Exception as error:
            log.exception("the check before the run failed; a run can begin all the same")
            self.failure = f"{type(error).__name__}: {error}"
        finally:
            self._check.close()

    def _listen(self) -> None:
        due_s = 0.0
        while not self._closing.is_set():
            self._check.step()
            if time.monotonic() >= due_s:
                self.report = self._check.report()
                due_s = time.monotonic() + self._every_s
