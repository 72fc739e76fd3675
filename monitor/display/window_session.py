"""The session in the window: when its view is shown, what it shows, and its keys that need the window."""

from __future__ import annotations

from typing import Protocol

from quietfloor.monitor.display.actions import Stage
from quietfloor.monitor.display.run_view import RunView, WindowLink
from quietfloor.monitor.display.session_live import Far, far_between, far_live, with_live
from quietfloor.monitor.display.session_sight import SessionSight
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.display.view_controller import ViewController
from quietfloor.monitor.display.window_layout import Layout


class Host(Protocol):
    """The window, as far as a session needs it."""

    link: WindowLink
    controller: ViewController
    layout_: Layout
    view: RunView | None

    def do(self, name: str) -> None: ...
    def fit(self) -> None: ...
    def show_far(self, far: bool) -> None: ...


class WindowSession:
    """Beside the window: it is told of every frame before the window paints."""

    def __init__(self, window: Host) -> None:
        self._window, self._talk = window, window.link.talk
        self._waiting = False  # as the window knows it
        self._far_by_hand = False
        self._painted: tuple[object, ...] = ()
        window.layout_.sight.view.chosen.connect(self.choose)
        window.layout_.large.view.pressed.connect(window.do)

    @property
    def sight(self) -> SessionSight | None:
        """The session with what the run that is on has found."""
        sight, view = self._talk.sight, self._window.view
        if sight is None or self._talk.waiting or view is None or not view.on:
            return sight
        return with_live(sight, view.run.plan, view.model.status)

    @property
    def on(self) -> bool:
        return self._talk.sight is not None

    def stage(self, of_view: Stage) -> Stage:
        """The session view has keys of its own between two runs, and the run that is over those of a run."""
        return "session" if self._talk.waiting and self._window.layout_.session else of_view

    def take(self) -> bool:
        """Follow the command: between two runs the session is shown by itself; whether anything has changed."""
        if self._talk.waiting == self._waiting:
            return False
        self._waiting = self._talk.waiting
        self._window.layout_.session = self._waiting
        if not self._far_by_hand:
            self._by_bone()
        return True

    def _by_bone(self) -> None:
        """By bone one hand holds the vibrator: the large letters come by themselves."""
        sight = self._talk.sight
        coming = None if sight is None else sight.coming
        bone = coming is not None and coming.condition.route == "bone"
        if bone != self._window.layout_.far:
            self._window.show_far(bone)

    def show(self) -> None:
        """Bring the session view, or the large letters, up to date."""
        window, layout = self._window, self._window.layout_
        if not self.on or not (layout.session or layout.far):
            return
        keys, view = window.controller.session, window.view
        version = None if view is None else (view.model.version, view.model.judged)
        wanted = (self._talk.sight, self._talk.waiting, version, keys.step, keys.words, layout.session, layout.far)
        if wanted == self._painted:
            return
        self._painted = wanted
        sight = self.sight
        if sight is None:
            return
        if layout.far:
            layout.large.view.show_far(self._far(sight))
        else:
            layout.sight.show_sight(sight, keys.step)

    def _far(self, sight: SessionSight) -> Far:
        view, keys = self._window.view, self._window.controller.session
        if self._talk.waiting or view is None:
            return far_between(sight, keys.words)
        return far_live(view.model.headline(), view.run.plan, view.model.status, keys.words)

    # -- keys -----------------------------------------------------------------------------------------------------------

    def toggle(self) -> None:
        """The session view, or the panels of the run."""
        window = self._window
        if not self.on:
            window.controller.say("There is no session: `quietfloor session` makes one")
            return
        if window.view is None:
            window.controller.say("No run was made yet: the session is all there is")
            return
        window.layout_.session = not window.layout_.session
        window.fit()

    def toggle_far(self) -> None:
        if not self.on:
            self._window.controller.say("Large letters are of a session: `quietfloor session` makes one")
            return
        self._far_by_hand = True
        self._window.show_far(not self._window.layout_.far)

    def choose(self, index: int) -> None:
        """A condition, by the mouse."""
        self._window.link.touch()
        if not self._talk.wish(Wish("condition", index=index)):
            self._window.controller.say("A condition is chosen between two runs; on the board of a search, its column")
