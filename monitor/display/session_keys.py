"""What the keys do to a session: start, repeat, louder, softer, mask, discard; with one hand, by four keys. Plain Python, no Qt.

Of the four keys of a presenter or a foot switch two choose (Page up, Page down), one does what is chosen (Enter), and one stops
(b). Between two runs they choose among the steps of the session, during a search among the rungs of its board.
"""

from __future__ import annotations

from collections.abc import Callable

from quietfloor.monitor.display.search_keys import SearchKeys
from quietfloor.monitor.display.session_sight import SessionSight, SightStep
from quietfloor.monitor.display.session_talk import SessionTalk, Wish

STOPS_S = 2.0  # after b; a second b within it takes the stop back. Own choice: long enough to notice, short for the ear
# So long a run is over before a key begins the next one: a key that was meant for the old run begins none. Own choice.
READ_S = 1.0
UNTYPED = "no reason was typed"  # a reason is wanted of every run that is discarded
UNSAID = f"discarded with one key, {UNTYPED}"
SIMPLE = {one: Wish(one) for one in ("louder", "softer", "mask", "report", "files")}


class SessionKeys:
    """``stop`` ends the run that is on, ``stoppable`` says whether there is one; ``say`` is told what was done; ``go_on`` accepts
    what the command offers, and returns whether there was something."""

    def __init__(
        self, talk: SessionTalk, search: SearchKeys, say: Callable[[str], None], stop: Callable[[], None],
        stoppable: Callable[[], bool], go_on: Callable[[], bool], now_s: Callable[[], float],
    ) -> None:  # fmt: skip
        self._talk, self._search, self._say, self._stop, self._stoppable, self._now_s = talk, search, say, stop, stoppable, now_s
        self._go_on = go_on
        self._at = "start"  # the step that is chosen
        self._stops_at_s: float | None = None
        self._since_s = 0.0
        self.deeds: dict[str, Callable[[], None]] = {
            "step_back": lambda: self._choose(-1), "step_on": lambda: self._choose(1), "step_do": self._do, "one_stop": self._b,
            "louder": lambda: self.do_step("louder"), "level_up": lambda: self.do_step("louder"),
            "softer": lambda: self.do_step("softer"), "level_down": lambda: self.do_step("softer"),
            "repeat": lambda: self._begin("repeat"), "mask": lambda: self.do_step("mask"),
            "condition_next": lambda: self.do_step("condition_next"),
            "condition_before": lambda: self._wish(Wish("condition", steps=-1)),
            "kind": lambda: self._wish(Wish("kind")), "discard_now": lambda: self.do_step("discard_now"),
            "report": lambda: self.do_step("report"), "files": lambda: self.do_step("files"),
        }  # fmt: skip

    # -- what is on the screen ------------------------------------------------------------------------------------------

    @property
    def steps(self) -> tuple[SightStep, ...]:
        return self._talk.sight.steps if self._talk.waiting and self._talk.sight is not None else ()

    @property
    def step(self) -> SightStep | None:
        """The chosen step; between two runs there is always one."""
        return next((one for one in self.steps if one.name == self._at), None)

    @property
    def stops_in_s(self) -> float | None:
        """Time until b stops the run; None: it does not."""
        return None if self._stops_at_s is None else max(0.0, self._stops_at_s - self._now_s())

    @property
    def words(self) -> str:
        """What the next key does: it stands wherever the keys work."""
        if self.stops_in_s is not None:
            return f"Stops in {self.stops_in_s:.0f} s; b: no"
        if self._talk.waiting:
            step = self.step
            if step is None or (step.why and step.name == "start"):
                return ""  # nothing was chosen, and Enter starts nothing
            return f"{step.title}: not now" if step.why else f"Enter: {step.title}"
        if self._search.words:
            return f"Enter: {self._search.words}"
        if self._search.on and self._search.paused:
            return "Space: go on"
        return "b: stop" if self._stoppable() else ""

    def tick(self) -> None:
        """Time goes on: what b began is done."""
        if self._talk.waiting and self._since_s != self._talk.since_s:
            self._since_s, self._at = self._talk.since_s, "start"
        if self._stops_at_s is not None and self._now_s() >= self._stops_at_s:
            self._stops_at_s = None
            if self._stoppable():
                self._stop()
                self._say("Stopping: what was recorded is kept")

    # -- what is done ---------------------------------------------------------------------------------------------------

    def choose(self, name: str) -> None:
        """Choose a step by its name."""
        self._at = name

    def start(self) -> None:
        """Begin what is next."""
        self._begin("start")

    def _choose(self, by: int) -> None:
        names = [one.name for one in self.steps]
        if names:
            at = names.index(self._at) if self._at in names else 0
            self._at = names[(at + by) % len(names)]
        elif self._search.on:
            self._search.deeds["cell_down" if by > 0 else "cell_up"]()
        else:
            self._say_wait()

    def _say_wait(self) -> None:
        self._say("A run is on: b stops it" if self._stoppable() else "Wait: the session is not ready for a key yet")

    def _do(self) -> None:
        if self.steps:
            self.do_step(self._at)
        elif self._search.on:
            self._search.deeds["cell_play"]()
        elif not self._go_on():
            self._say_wait()

    def _b(self) -> None:
        if self._stops_at_s is not None:
            self._stops_at_s = None
            self._say("Not stopped: the run goes on")
        elif self._stoppable():
            self._stops_at_s = self._now_s() + STOPS_S
            self._say("The run is about to stop; b again: it goes on")  # the seconds are counted at the badge
        elif self._talk.waiting:
            self._at = "start"
            self._say("No run is on. Enter starts the next one")

    def do_step(self, name: str) -> None:
        """Do a step of the sight, or say why it cannot be."""
        step = next((one for one in self.steps if one.name == name), None)
        if step is None:
            self._say("That can be done in a session, when a run is over and the next one is suggested")
            return
        if step.why:
            self._say(f"{step.title}: {step.why}")
            return
        sight = self._talk.sight
        assert sight is not None
        if name in ("start", "repeat"):
            self._begin("start" if name == "start" else "repeat")
        else:
            self._wish(wish_of(name, sight))

    def _begin(self, what: str) -> None:
        step = next((one for one in self.steps if one.name == what), None)
        if step is not None and step.why:
            self._say(f"{step.title}: {step.why}")
        elif self._talk.waiting and self._now_s() - self._talk.since_s < READ_S:
            self._say("The run is just over: press again to begin the next one")
        elif self._talk.waiting and not self._talk.idle:
            self._say("Wait: the last key is still being carried out. Read what is next, then press again")
        else:
            self._wish(Wish("start" if what == "start" else "repeat"))

    def _wish(self, wish: Wish) -> None:
        if not self._talk.wish(wish):
            self._say("That can be done in a session, when a run is over and the next one is suggested")


def wish_of(name: str, sight: SessionSight) -> Wish:
    """The wish that goes with a step."""
    if name == "discard_now":
        return Wish("restore") if sight.discarded else Wish("discard", UNSAID)
    return Wish("condition", steps=1) if name == "condition_next" else SIMPLE[name]
