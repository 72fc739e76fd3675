"""Interface between the command, which works on its own thread, and the window that shows it. Plain Python, no Qt.

The command calls ``show`` for a run, ``follow`` to wait for it, and ``offer`` for the next step. The window reads ``view``,
``ladder``, ``offered`` and calls ``go_on``, ``interrupt`` or ``leave``. Neither waits for the work of the other.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, Protocol

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.ladder import Ladder, Level, Overlay, Replicate, heard_words, load_overlay, read_ladder
from quietfloor.monitor.display.levels import Levels, read_levels
from quietfloor.monitor.display.model import ViewModel
from quietfloor.monitor.display.steps import SetupFlow
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.review.playback import Playback
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.said import Order
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder

POLL_S = 0.1
OVER = ("done", "failed")


class Shown(Protocol):
    """Common interface of a run and a playback, for a display."""

    plan: Plan
    folder: RunFolder
    engine: Engine | None

    @property
    def status(self) -> Status: ...
    def stop(self) -> None: ...
    def wait(self, timeout_s: float | None = None) -> bool: ...


@dataclass(frozen=True)
class RunView:
    """One run on the screen, live or recorded; ``moments_s``: times of the looks of a recorded run."""

    run: Run | Playback
    model: ViewModel
    session: Path
    moments_s: tuple[float, ...] = ()

    @property
    def playback(self) -> Playback | None:
        """The run as a recorded one, None where it is live."""
        return self.run if isinstance(self.run, Playback) else None

    @property
    def live(self) -> Run | None:
        return self.run if isinstance(self.run, Run) else None

    @property
    def on(self) -> bool:
        """Whether a live run would be harmed if the program ended."""
        return isinstance(self.run, Run) and self.run.status.state not in OVER


def view_model(feed: Feed, plan: Plan, title: str) -> ViewModel:
    """The model for a run of this plan."""
    heard = ("", "") if plan.search is not None else heard_words(plan.sound or plan.stated)
    return ViewModel(feed, title, plan.decision.floor_nv, plan.decision.max_sweeps, plan.latency_ms(), heard)


def moments_of(folder: RunFolder) -> tuple[float, ...]:
    """Times of the looks of a recorded run, or of the choices of a search, in s of its stream; empty where they are not known."""
    try:
        rate_hz = float(folder.read_record()["stream"]["rate_hz"])
        return tuple(event["sample"] / rate_hz for event in folder.read_events() if event["type"] in ("look", "choice"))
    except (OSError, ValueError, KeyError, TypeError, ZeroDivisionError):
        return ()


@dataclass(frozen=True)
class Offer:
    """The next step that is offered; ``until`` is on the clock of ``time.monotonic``, None: whenever the user wants."""

    text: str
    until: float | None


@dataclass(frozen=True)
class Choice:
    """Offers of which the user picks one, each in words, the lowest level first; ``suggested`` and ``at`` count from 0."""

    texts: tuple[str, ...]
    suggested: int
    at: int


@dataclass(frozen=True)
class Remark:
    """About the run of a session that is over: "discard" with its reason, "restore" what was discarded, or a "note"."""

    what: Literal["discard", "restore", "note"]
    text: str = ""


@dataclass
class WindowLink:
    """State shared by a command and its window.

    ``unattended``: there is no user who can answer (a script reads the result, or nobody sees the window), so nothing waits for
    one.
    """

    unattended: bool = False
    view: RunView | None = None
    flow: SetupFlow | None = None  # the set-up before a run, while it is on
    ladder: Ladder = field(default_factory=lambda: Ladder(None))
    offered: Offer | None = None
    choice: Choice | None = None  # where there is more than one thing to offer
    gone: bool = False  # no window any more
    interrupted: bool = False
    told: deque[str] = field(default_factory=deque)  # what the command has to say about what was asked of it
    _remark: Remark | None = None
    _wake: threading.Event = field(default_factory=threading.Event)
    _held: bool = False
    _touched_s: float = field(default_factory=time.monotonic)
    _overlays: deque[Overlay | Levels | str] = field(default_factory=deque)

    # -- the command's side -------------------------------------------------------------------------------------------

    def prepare(self, flow: SetupFlow) -> bool:
        """Show the set-up before a run and wait for the answer; returns whether the run begins."""
        self.flow = flow
        try:
            while not (self.gone or self.interrupted):
                if flow.answered.wait(POLL_S):
                    return flow.record is not None
            return False
        finally:
            self.flow = None

    def show(self, view: RunView) -> None:
        """Make this run the one that the window shows."""
        self.read_ladder(view, running=view.live is not None)
        self.view = view

    def read_ladder(self, view: RunView, running: bool) -> None:
        """Look into the session folder, at the beginning of a run and when its record is written; on the command's thread."""
        self.ladder = read_ladder(view.session, view.run.plan.sound or view.run.plan.stated, view.run.folder.path, running)

    def recorded(self) -> None:
        """Report that the record of the shown run was written."""
        if self.view is not None:
            self.read_ladder(self.view, running=False)

    def follow(self, run: Shown) -> bool:
        """Wait while the window shows the run; returns whether the run is over. False: the window is gone."""
        while not self.gone:
            if run.wait(POLL_S):
                return True
        return run.wait(0)

    def offer(self, text: str, patience_s: float | None = None) -> bool:
        """Wait until the user wants the next step, at most ``patience_s`` long; then it begins by itself. False: nothing more."""
        if self.unattended or self.gone or self.interrupted:
            return patience_s is not None and not (self.gone or self.interrupted)
        self._wake.clear()
        self._held = False
        self.offered = Offer(text, None if patience_s is None else time.monotonic() + patience_s)
        try:
            while not (self.gone or self.interrupted):
                if self._wake.wait(POLL_S):
                    return True
                if not self._held and self.offered.until is not None and time.monotonic() >= self.offered.until:
                    return True
            return False
        finally:
            self.offered = None

    def offer_one_of(self, texts: Sequence[str], suggested: int) -> int | Remark | None:
        """Wait until the user picks one of the texts: its index, None for no more, or a remark on the run before.

        A remark ends the wait, as another level may be suggested after it."""
        self.choice, self._remark = Choice(tuple(texts), suggested, suggested), None
        try:
            wanted = self.offer(texts[suggested])
            return self._remark or (self.choice.at if wanted else None)
        finally:
            self.choice = None

    def linger(self, patience_s: float | None = None) -> None:
        """Wait until the window is closed; at most ``patience_s`` long if no user touches it."""
        while not (self.unattended or self.gone or self.interrupted):
            if patience_s is not None and time.monotonic() - self._touched_s >= patience_s:
                return
            time.sleep(POLL_S)

    # -- the window's side --------------------------------------------------------------------------------------------

    def go_on(self) -> bool:
        """Accept the offer; returns whether there was one."""
        if self.offered is not None:
            self._wake.set()
            return True
        return False

    def pick(self, steps: int) -> bool:
        """Choose another offer, ``steps`` places further, if there are so many; returns whether there was a choice."""
        choice, offered = self.choice, self.offered
        if choice is None or offered is None:
            return False
        at = min(max(choice.at + steps, 0), len(choice.texts) - 1)
        self.choice = replace(choice, at=at)
        self.offered = replace(offered, text=choice.texts[at])
        return True

    def remark(self, remark: Remark) -> bool:
        """About the run that is over; whether the command waits for such a thing: in a session, between two runs."""
        if self.choice is None or self.offered is None or self._remark is not None:
            return False
        self._remark = remark
        self._wake.set()
        return True

    def hold(self) -> None:
        """Prevent the offered step from beginning by itself."""
        self._held = True
        if self.offered is not None:
            self.offered = Offer(self.offered.text, None)

    def touch(self) -> None:
        """Report that a user is present."""
        self._touched_s = time.monotonic()

    def stop(self) -> None:
        """End the present run, as the operator."""
        if self.view is not None:
            self.view.run.stop()

    def order(self, order: Order) -> str:
        """Pass on what the operator wants of the search that is on; "", or why that cannot be."""
        if self.view is None or self.view.live is None:
            return "A recorded search plays as it was: nothing can be ordered"
        try:
            self.view.live.order(order)
        except (ValueError, RuntimeError) as error:
            return str(error)
        return ""

    def interrupt(self) -> None:
        """Handle Ctrl-C: the run ends with complete files, and nothing follows."""
        self.interrupted = True
        self.stop()

    def leave(self) -> None:
        """Report that the window is gone. A run in progress goes on; messages go to the terminal."""
        self.gone = True

    def fetch(self, replicate: Replicate, level: Level) -> None:
        """Load the average of an earlier run aside; ``fetched`` gives it."""

        def load() -> None:
            try:
                self._overlays.append(load_overlay(replicate, level))
            except FolderError as error:
                self._overlays.append(f"the average of {replicate.folder.name} cannot be read: {error}")

        threading.Thread(target=load, name="overlay", daemon=True).start()

    def fetch_levels(self, ladder: Ladder) -> None:
        """Load the averages of all levels of a ladder aside; ``fetched`` gives them."""

        def load() -> None:
            try:
                self._overlays.append(read_levels(ladder))
            except (OSError, ValueError) as error:
                self._overlays.append(f"the averages of the levels cannot be read: {error}")

        threading.Thread(target=load, name="levels", daemon=True).start()

    def fetched(self) -> Overlay | Levels | str | None:
        """The next requested average or levels, or a text with the reason why they cannot be read; None: nothing yet."""
        return self._overlays.popleft() if self._overlays else None
