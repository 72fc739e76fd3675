"""What the keys do to the view and to the run: pause, look back, play a recording, stop, note. Plain Python, no Qt."""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Callable

from quietfloor.monitor.display.run_view import OVER, RunView, WindowLink
from quietfloor.monitor.display.scales import clock, seconds_of
from quietfloor.monitor.display.search_keys import SearchKeys
from quietfloor.monitor.display.session_keys import SessionKeys
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.review.playback import FASTEST, SLOWEST
from quietfloor.monitor.run.status import STOPPABLE

TWICE_S = 3.0  # within which a second press means it
SAID_S = 8.0  # how long a message about a key is shown
# Actions, and the step of the session that says whether they are possible.
STEPS = {
    "next": "start", "discard": "discard_now", "condition_before": "condition_next", "level_up": "louder", "level_down": "softer",
}  # fmt: skip
ALL_ALONG = ("panel_7", "far", "keys", "export")
JUST_BEFORE_S = 1e-3
JUST_AFTER_S = 2e-3  # a look is told with the sample after the one that made it certain


def actions_of(step: str) -> tuple[str, ...]:
    """The actions that do a step of the session."""
    return (step, *(action for action, name in STEPS.items() if name == step))


class ViewController:
    """What the keys do, one for a window; ``adopt`` each new run. ``do`` is called with names of the table in ``actions``."""

    def __init__(self, link: WindowLink, now: Callable[[], float] = time.monotonic) -> None:
        self.link = link
        self.playing = True  # a recorded run; at its newest moment, or through what has been played before
        self._now = now
        self._view: RunView | None = None
        self._said = ("", -SAID_S)
        self._stop_pressed_s = -TWICE_S
        self._ticked_s = now()
        self.search = SearchKeys(link.order, self.say, now)
        self.session = SessionKeys(
            link.talk, self.search, self.say, link.stop, lambda: self.possible("stop"), link.go_on, now
        )  # fmt: skip
        self._deeds: dict[str, Callable[[], None]] = {
            "stop": self._stop, "next": self._next, "enter": self._next, "pause": self._pause, "play": self._play,
            "slower": lambda: self._times(0.5), "faster": lambda: self._times(2.0),
            "back": lambda: self._by(-1), "forward": lambda: self._by(1),
            "back_ten": lambda: self._by(-10), "forward_ten": lambda: self._by(10),
            "first": lambda: self._to(0), "newest": self._newest,
            **self.search.deeds, "cell_play": self._enter, **self.session.deeds,
        }  # fmt: skip

    def adopt(self, view: RunView) -> None:
        self._view = view
        self.say("")  # what was said was about another run
        self.playing = view.playback is None or not view.playback.paused
        self._ticked_s = self._now()

    def do(self, name: str) -> bool:
        """Do what an action says; whether it is one of those known here."""
        deed = self._deeds.get(name)
        if deed is None:
            return False
        self.link.touch()
        if self._view is not None or self.link.talk.waiting:
            deed()
        return True

    def possible(self, name: str) -> bool:
        """Whether an action would do anything now: what buttons are enabled by."""
        view, waiting = self._view, self.link.talk.waiting
        step = next((one for one in self.session.steps if one.name == STEPS.get(name, name)), None)
        if step is not None:
            return not step.why
        if name in ALL_ALONG:
            return True
        if name == "discard" or (name in ("kind", "mark") and waiting):
            return waiting
        if view is None:
            return False
        if name in ("stop", "mark"):
            return view.live is not None and view.run.status.state in STOPPABLE
        if name == "next":
            return self.link.offered is not None
        if name in ("pause_sound", "leave", "only_louder"):
            return self.search.on and view.live is not None
        if name in ("pause", "newest", "back", "first", "back_ten"):
            return view.model.looks > 0
        return True

    # -- what is said -------------------------------------------------------------------------------------------------

    def say(self, text: str) -> None:
        self._said = (text, self._now())

    @property
    def message(self) -> str:
        """About the last key, for a few seconds."""
        text, at_s = self._said
        return text if self._now() - at_s < SAID_S else ""

    @property
    def badge(self) -> str:
        """What the view does, in a word or two, and in a session what the next of the four keys does."""
        words = self.session.words if self.link.talk.sight is not None else ""
        return " · ".join(part for part in (self._standing, words) if part)

    @property
    def _standing(self) -> str:
        view = self._view
        if view is None:
            return ""
        if view.playback is not None:
            if view.playback.status.state in OVER and view.model.live:
                return "REPLAY, AT ITS END"
            if not self.playing:
                return "REPLAY, PAUSED"
            return f"REPLAY, {view.playback.speed:g} ×"
        if not view.model.live:
            return "VIEW PAUSED" + (", recording goes on" if view.on else "")
        return "LIVE" if view.on else "RUN OVER"

    # -- the run ------------------------------------------------------------------------------------------------------

    def _stop(self) -> None:
        assert self._view is not None
        if not self.possible("stop"):
            self.say("There is no run to stop")
        elif self._now() - self._stop_pressed_s < TWICE_S:
            self.link.stop()
            self.say("Stopping: what was recorded is kept")
        else:
            self._stop_pressed_s = self._now()
            self.say("Stop the run? Once more within 3 seconds stops it")

    def _next(self) -> None:
        if self.link.talk.waiting:
            self.session.start()
        elif not self.link.go_on():
            self.say("Nothing comes next before this run is over" if self.possible("stop") else "Nothing comes next")

    def _enter(self) -> None:
        """On the board: play the chosen rung; when the search is over, what comes next."""
        if self.search.on:
            self.search.deeds["cell_play"]()
        else:
            self._next()

    def note(self, text: str, pressed_s: float, moment_s: float) -> None:
        """Keep a note on the moment (of the stream) at which the key was pressed."""
        run = None if self._view is None else self._view.live
        if run is not None and run.note(text.strip() or "mark", self._now() - pressed_s):
            self.say(f"Note kept at {clock(moment_s)}")
        else:
            self.say("The run is over: nothing can be added to its events any more")

    def remark(self, wish: Wish) -> None:
        """About the run of a session that is over."""
        if not self.link.talk.wish(wish):
            self.say("The next run is on: `quietfloor session` keeps remarks on earlier ones")

    # -- the view -----------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Time goes on: a recorded run that is played through its past moves, and what the command has to tell is told."""
        while self.link.told:
            self.say(self.link.told.popleft())
        now_s = self._now()
        passed_s, self._ticked_s = now_s - self._ticked_s, now_s
        view = self._view
        self.search.show(None if view is None else view.model.search)
        self.session.tick()
        if view is not None and view.playback is not None and self.playing and not view.model.live:
            view.model.show_moment(view.model.moment_s + passed_s * view.playback.speed)
            if view.model.live:
                view.playback.paused = False

    def _pause(self) -> None:
        assert self._view is not None
        model = self._view.model
        if model.live:
            model.hold()
            self.link.hold()
            self.say("The view is paused; recording goes on" if self._view.on else "The view is paused")
        else:
            model.show(None)

    def _play(self) -> None:
        assert self._view is not None
        playback, model = self._view.playback, self._view.model
        if playback is None:
            return
        self.playing = not self.playing
        if not self.playing:
            playback.paused = True
            model.hold()
        elif model.moment_s >= model.status.seconds - JUST_BEFORE_S:
            if playback.status.state in OVER:
                model.show_moment(0.0)  # once more from the start
            else:
                model.show(None)
                playback.paused = False

    def _times(self, factor: float) -> None:
        playback = None if self._view is None else self._view.playback
        if playback is not None:
            playback.speed = min(max(playback.speed * factor, SLOWEST), FASTEST)
            self.say(f"Speed {playback.speed:g} ×")

    def _stand(self) -> None:
        """Looking back stops what is playing."""
        assert self._view is not None
        if self._view.playback is not None:
            self.playing, self._view.playback.paused = False, True

    def _to(self, look: int) -> None:
        assert self._view is not None
        self._stand()
        self._view.model.show(look)

    def _by(self, looks: int) -> None:
        assert self._view is not None
        model, playback = self._view.model, self._view.playback
        target = model.shown + looks
        if playback is not None and target >= model.looks and playback.status.state not in OVER:
            self._stand()
            moments = self._view.moments_s
            here = bisect_right(moments, model.status.seconds)
            if here < len(moments):
                playback.go_to(moments[min(here + looks - 1, len(moments) - 1)] + JUST_AFTER_S)
                model.show(None)
        elif looks > 0 and model.live:
            self.say("This is the newest look")
        else:
            self._to(min(max(target, 0), model.looks - 1))

    def _newest(self) -> None:
        assert self._view is not None
        self._view.model.show(None)
        if self._view.playback is not None and self.playing:
            self._view.playback.paused = False

    def move_to(self, seconds: float) -> None:
        """To a moment of the run: one that has passed is shown; a recorded run is played on to a later one."""
        view = self._view
        if view is None:
            return
        self.link.touch()
        if seconds < view.model.status.seconds - JUST_BEFORE_S:
            view.model.show_moment(seconds)
            if view.playback is not None:
                view.playback.paused = True
        elif view.playback is not None and view.playback.status.state not in OVER:
            view.model.show(None)
            view.playback.go_to(seconds)
            view.playback.paused = not self.playing
        else:
            view.model.show(None)

    def go_to(self, text: str) -> None:
        """To a moment that was typed."""
        try:
            self.move_to(seconds_of(text))
        except ValueError as error:
            self.say(str(error))

    @property
    def total_s(self) -> float:
        """Length of the run as far as it is known."""
        if self._view is None:
            return 0.0
        last = self._view.moments_s[-1] if self._view.moments_s else 0.0
        return max(last, self._view.model.status.seconds)
