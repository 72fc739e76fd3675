"""Looks for streams, outputs and calibrations, and judges drafts, on threads of its own; never waits for a window."""

from __future__ import annotations

import datetime
import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from quietfloor.monitor.begin.checked import Judged, Problem, judge, prove, with_problems
from quietfloor.monitor.begin.choices import Seen, find_calibrations, find_references
from quietfloor.monitor.begin.draft import Draft, routing
from quietfloor.monitor.begin.places import Places
from quietfloor.monitor.sources.lsl import list_streams
from quietfloor.stimuli import outputs
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.lsl import LslUnavailableError

log = logging.getLogger("quietfloor")

LISTEN_S = 0.7  # four local streams answered within 0.5 s
PAUSE_S = 0.8  # own choice: with it a new stream is found after 1.5 s at most, and the network is left alone for half of the time


class Lookout:
    """``seen`` is what is there now. ``ask`` for a draft; ``judged`` is the newest answer."""

    def __init__(self, places: Places, today: Callable[[], datetime.date] = datetime.date.today) -> None:
        self.places = places
        self.seen, self.judged = Seen(), None
        self.looks = 0  # at streams
        self._today = today
        self._asked: tuple[Draft, Places] | None = None
        self._routing: dict[str, Any] = {}  # for which outputs are judged
        self._wanted, self._over = threading.Event(), threading.Event()
        self._again, self._outputs_wanted = threading.Event(), threading.Event()
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=name, daemon=True)
            for name, work in (("look for streams", self._look), ("judge drafts", self._judge))
        ]

    judged: Judged | None

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End both threads; streams are let go of before a command looks for its own."""
        self._over.set()
        self._wanted.set()
        self._again.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join()

    def ask(self, draft: Draft, places: Places | None = None) -> None:
        """Judge this draft, as soon as possible; one that was asked before and not begun is forgotten."""
        self.places = places or self.places
        self._asked = (draft, self.places)
        if draft.plays and draft.device == "sound-card" and (self.seen.outputs is None or routing(draft) != self._routing):
            self._routing = routing(draft)
            self._outputs_wanted.set()
            self._again.set()
        self._wanted.set()

    def look_again(self) -> None:
        """Look for everything now."""
        self._outputs_wanted.set()
        self._again.set()

    def _guarded(self, work: Callable[[], None]) -> None:
        while not self._over.is_set():
            try:
                work()
            except Exception:  # a fault here must not leave a window that waits for ever
                log.exception("the start page could not look")
                self._over.wait(PAUSE_S)

    def _look(self) -> None:
        before = self.seen
        if self._outputs_wanted.is_set():
            self._outputs_wanted.clear()
            self.seen = _with_outputs(self.seen, self._routing)
            self._changed(before)
        places = self.places
        folders = places.calibration_folders()
        files = find_calibrations(folders, places.remembered.calibrations)
        levels = find_references(folders)
        try:
            found = tuple(list_streams(LISTEN_S, known=self.seen.streams or ()))
            self.seen = replace(self.seen, streams=found, streams_trouble="", calibrations=files, references=levels)
        except LslUnavailableError as error:
            self.seen = replace(self.seen, streams=(), streams_trouble=str(error), calibrations=files, references=levels)
        self.looks += 1
        self._changed(before)
        self._again.wait(PAUSE_S)
        self._again.clear()

    def _changed(self, before: Seen) -> None:
        if self.seen != before:
            self._wanted.set()

    def _judge(self) -> None:
        self._wanted.wait()
        self._wanted.clear()
        asked = self._asked
        if asked is None or self._over.is_set():
            return
        draft, places = asked
        quick = judge(draft, self.seen, places, self._today())
        self.judged = replace(quick, proved=quick.stopped_by is not None)
        if quick.stopped_by is not None:
            return
        try:
            more = prove(quick, places, self._today())
        except Exception as error:
            log.exception("the plan of the start page could not be checked")
            more = (Problem("plan", "stop", f"the check itself failed ({error})", "`quietfloor check` with the plan says more"),)
        if not self._wanted.is_set():
            self.judged = replace(with_problems(quick, (*quick.problems, *_new(more, quick))), proved=True)


def _new(problems: tuple[Problem, ...], judged: Judged) -> list[Problem]:
    known = {problem.said for problem in judged.problems}
    return [problem for problem in problems if problem.said not in known]


def _with_outputs(seen: Seen, routing: dict[str, Any]) -> Seen:
    try:
        found = tuple((output, tuple(outputs.suitability(output, **routing))) for output in outputs.list_outputs())
    except DeviceError as error:
        return replace(seen, outputs=(), outputs_trouble=str(error))
    return replace(seen, outputs=found, outputs_trouble="")
