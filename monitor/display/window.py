"""The window: one timer reads the newest of everything and paints what has changed. It decides nothing and waits for nothing."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtCore import QEvent, Qt, QTimer
from PyQt5.QtGui import QCloseEvent, QKeySequence
from PyQt5.QtWidgets import QAction, QMainWindow, QVBoxLayout, QWidget

from quietfloor.monitor.display.actions import ACTIONS, Stage
from quietfloor.monitor.display.average_views import AverageViews
from quietfloor.monitor.display.bar import Bar
from quietfloor.monitor.display.dialogs import CloseQuestion, ExportDialog, KeysSheet
from quietfloor.monitor.display.export import ExportError, export
from quietfloor.monitor.display.frames import FrameTimes
from quietfloor.monitor.display.ladder import Ladder
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.panel_ladder import LadderPanel
from quietfloor.monitor.display.placing import left_at, put, screens
from quietfloor.monitor.display.run_view import RunView, WindowLink
from quietfloor.monitor.display.scales import clock
from quietfloor.monitor.display.sentence_bar import SentenceBar
from quietfloor.monitor.display.session_keys import UNTYPED
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.display.setup import SetupPanel
from quietfloor.monitor.display.steps import SetupFlow
from quietfloor.monitor.display.styling import apply_theme
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import DARK, LIGHT, THEMES, Look, Theme
from quietfloor.monitor.display.turns import Turns
from quietfloor.monitor.display.view_controller import ViewController, actions_of
from quietfloor.monitor.display.window_layout import Layout
from quietfloor.monitor.display.window_session import WindowSession
from quietfloor.monitor.display.window_settings import WindowSettings, recall, remember
from quietfloor.monitor.search.running import Place

log = logging.getLogger("quietfloor")

FRAME_MS = 33
WORDS_EVERY_S = 0.2  # figures that change faster cannot be read
WITH_SETUP = ("theme", "projector", "full_screen", "quit")  # keys of the window that work in the set-up too
GIVE_UP = 3  # ticks in a row that fail


class Window(QMainWindow):
    """Shows the run of its link. ``on_close`` is called once when it has closed."""

    def __init__(self, link: WindowLink, settings: Path | None = None, on_close: Callable[[], None] = lambda: None) -> None:
        super().__init__()
        self.link, self.controller = link, ViewController(link)
        self.frames = FrameTimes()
        self._settings, self._on_close = settings, on_close
        remembered, notice = (WindowSettings(), "") if settings is None else recall(settings)
        self._remembered, self._step = remembered, remembered.step
        self.look = Look(THEMES[remembered.theme], remembered.projector)
        self.view: RunView | None = None
        self.stage: Stage = "run"
        self._ladder: Ladder | None = None
        self._painted_version, self._judged = -1, 0
        self._chosen_cell: Place | None = None
        self._worded_s = 0.0
        self._failing = 0
        self._theme: Theme | None = None  # to come back to from the large letters, which are dark
        self._closing = False
        self._show_frames = False
        self.setup: SetupPanel | None = None
        self.question: CloseQuestion | None = None
        self.sheet: KeysSheet | None = None
        self.dialog: ExportDialog | None = None
        self._build(remembered)
        self._make_actions()
        self.restyle(self.look)
        self.setWindowTitle("quietfloor")
        put(self, remembered, screens())
        if notice:
            self.controller.say(notice)
            log.warning(notice)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self._timer.start(FRAME_MS)

    # -- how it is made -----------------------------------------------------------------------------------------------

    def _build(self, remembered: WindowSettings) -> None:
        self.sentence, self.bar = SentenceBar(), Bar()
        self.board = QWidget()  # what a picture of the whole holds
        self.board.setObjectName("ground")
        self.ladder = LadderPanel()
        self.averages = AverageViews(self.link, self.controller.say, self.ladder.rungs, self._change_average)
        self.layout_ = layout = Layout(self.board, self.ladder, self.averages)
        self.plane, self.average, self.eeg, self.noise = layout.plane, layout.average, layout.eeg, layout.noise
        self.search_board, self.panels = layout.board, layout.panels
        self._turns = Turns(
            (self.plane, lambda model: self.plane.show_plane(model.plane())),
            (self.average, lambda model: self.averages.show_curves(model.curves())),
            (self.noise, lambda model: self.noise.show_track(model.noise_track())),
        )
        layout.alone = next((panel for panel in self.panels if panel.name == remembered.alone), None)
        self.average.plus_minus = remembered.plus_minus
        self.averages.zoom.scale_nv = remembered.scale_nv or None
        self._show_halves(remembered.halves)
        self.search_board.view.chosen_at.connect(self._choose_cell)
        self.search_board.view.wanted.connect(self._want_cell)
        self.bar.pressed.connect(self.do)
        self.bar.timeline.moved.connect(self.controller.move_to)
        self.bar.fit(self.stage)
        self.session = WindowSession(self)
        column_layout = QVBoxLayout(self.board)
        column_layout.setContentsMargins(0, 0, 0, 0)
        column_layout.setSpacing(0)
        column_layout.addWidget(self.sentence)
        column_layout.addLayout(layout.grid, 1)
        whole = QWidget()
        whole.setObjectName("ground")
        self._outer = outer = QVBoxLayout(whole)
        outer.setContentsMargins(4, 4, 4, 4)
        outer.setSpacing(3)
        outer.addWidget(self.board, 1)
        outer.addWidget(self.bar)
        self.setCentralWidget(whole)

    def _make_actions(self) -> None:
        self._actions: dict[str, QAction] = {}
        for action in ACTIONS:
            made = QAction(action.text, self)
            made.triggered.connect(lambda _, name=action.name: self.do(name))
            self.addAction(made)
            self._actions[action.name] = made
        self._give_keys()

    def _give_keys(self) -> None:
        """The same key may do one thing for a live run and another for a recorded one, or for a search."""
        for action in ACTIONS:
            keys = action.keys_in(self.stage, self.session.on)
            self._actions[action.name].setShortcuts([QKeySequence(key) for key in keys])

    def restyle(self, look: Look) -> None:
        """Take on colours and sizes."""
        self.look = look
        apply_theme(self, look, (0.35, 0.7), look.theme.states["present"])
        self.sentence.restyle(look)
        self.bar.restyle(look)
        for panel in self.panels:
            panel.restyle(look)
        if self.setup is not None:
            self.setup.restyle(look)
        self._divide()
        self._painted_version = -1

    def _divide(self) -> None:
        self.layout_.divide(self.stage, self.look)
        self.sentence.setVisible(not self.layout_.far)

    @property
    def present_panels(self) -> list[Panel]:
        """Those that say something about what is shown."""
        return self.layout_.present(self.stage)

    def fit(self) -> None:
        """The panels, buttons and keys of what is shown now."""
        of_view: Stage = "run"
        if self.view is not None:
            searching, live = self.view.run.plan.search is not None, self.view.playback is None
            of_view = ("search" if searching else "run") if live else ("searched" if searching else "replay")
        self.stage = self.session.stage(of_view)
        self.bar.fit(self.stage, self.session.on)
        self._give_keys()
        self._divide()
        self._worded_s, self._painted_version = 0.0, -1

    def show_far(self, far: bool) -> None:
        """The large letters, which are dark whatever the theme, or the window again."""
        self.layout_.far = far
        if far and self._theme is None:
            self._theme = self.look.theme
        theme, self._theme = (DARK, self._theme) if far else (self._theme or self.look.theme, None)
        self.fit()
        self.restyle(replace(self.look, theme=theme))

    # -- what is shown ------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """One frame. What goes wrong here is logged, and after some times the window gives up; the run never notices."""
        began_s, busy_s = time.perf_counter(), time.thread_time()
        try:
            self._take_stage()
            self.controller.tick()
            if self.view is not None:
                self._show_view(self.view)
            elif self.session.on:
                self._show_words(time.monotonic())
            self.session.show()
            self._show_bar()
            self._failing = 0
        except Exception:
            self._failing += 1
            log.exception("the window could not be brought up to date; recording goes on")
            if self._failing >= GIVE_UP:
                self.give_up()
        self.frames.worked(time.perf_counter() - began_s, time.thread_time() - busy_s, began_s)

    def give_up(self) -> None:
        """Leave the screen to the terminal."""
        log.error("the window fails again and again and is closed; recording goes on")
        self._timer.stop()
        self.finish()

    def _take_stage(self) -> None:
        """Take over the run or set-up that the command shows now."""
        view = self.link.view
        if view is not None and view is not self.view:
            self.view = view
            for panel in self.panels:
                panel.failed = False  # what failed on the last run may do on this one
            self.averages.mark_editor.leave()
            self._end_setup()
            self.controller.adopt(view)
            self.session.take()
            self.fit()
            self.setWindowTitle(f"{view.run.folder.path.name} · quietfloor")
        if self.session.take():
            self.averages.mark_editor.leave()
            self._end_setup()
            self.fit()
        if self.link.flow is not None and (self.setup is None or self.setup.flow is not self.link.flow):
            self._show_setup(self.link.flow)
        if self.link.ladder is not self._ladder:
            self._ladder = self.link.ladder
            self.ladder.show_ladder(self._ladder)
            self.averages.show_ladder(self._ladder)
            self._painted_version = -1  # a run that was discarded looks so
        if self.view is not None and self._ladder is not None:
            self.view.model.remark(self._ladder)
        while (fetched := self.link.fetched()) is not None:
            self.averages.take(fetched)

    def _show_setup(self, flow: SetupFlow) -> None:
        """Show the set-up instead of everything else, until a run is shown; only keys that apply there stay active."""
        self._end_setup()
        self.setup = SetupPanel(flow, self.look, self._step)
        self.board.hide()
        self.bar.hide()
        self._outer.insertWidget(0, self.setup, 1)
        for name, action in self._actions.items():
            action.setEnabled(name in WITH_SETUP)
        self.show()

    def _end_setup(self) -> None:
        if self.setup is not None:
            self._step = self.setup.place
            self.setup.hide()
            self.setup.deleteLater()
            self.setup = None
            self.board.show()
            self.bar.show()
            for action in self._actions.values():
                action.setEnabled(True)

    def _show_view(self, view: RunView) -> None:
        model = view.model
        if model.settings is None and view.run.engine is not None:
            model.begin(view.run.engine.settings)
        model.advance(view.run.status)
        search = model.search
        changed = model.version != self._painted_version or self.controller.search.chosen != self._chosen_cell
        at_once = changed and (self._painted_version < 0 or not model.live)  # what a person asked for is not spread
        now_s = time.monotonic()
        if changed:
            self._painted_version = model.version
            self._chosen_cell = self.controller.search.chosen
            self._turns.ask()
            if search is not None:
                board, cell, out = self.search_board, self._chosen_cell, model.discarded
                board.show_safely(lambda: board.show_search(search, cell, out, model.doubtful if search.over else ()))
        self._turns.take(model, at_once)
        if changed or model.live or model.judged != self._judged:
            self._judged = model.judged
            self.eeg.show_safely(lambda: self.eeg.show_scroll(model.scroll(), model.live))
        if changed or now_s - self._worded_s >= WORDS_EVERY_S:
            self._show_words(now_s)

    def _show_words(self, now_s: float) -> None:
        """The sentence on top."""
        self._worded_s = now_s
        sight = self.session.sight
        if self.stage == "session" and sight is not None:
            self.sentence.show_headline(sight.headline)
            self.sentence.clock.say(sight.left)
        elif self.view is not None:
            self.sentence.show_headline(headline := self.view.model.headline())
            self.ladder.rungs.show_now(headline.mark if self.view.model.live else headline.now_state)
            self.sentence.clock.say(clock(self.view.model.moment_s))

    def _show_bar(self) -> None:
        controller, bar, view = self.controller, self.bar, self.view
        self.sentence.badge.say(controller.badge)
        bar.message.say(self._message())
        bar.enable(controller.possible)
        bar.rename("panel_7", "Run" if self.layout_.session else "Session")
        for step in controller.session.steps if self.stage == "session" else ():
            for name in actions_of(step.name):
                bar.rename(name, step.title)
        if view is None:
            return
        bar.timeline.show_times(controller.total_s, view.model.status.seconds, view.model.moment_s)
        bar.times.say(bar.timeline.words)
        bar.rename("pause", "Pause view" if view.model.live else "Follow")
        bar.rename("play", "Pause" if controller.playing else "Play")
        bar.rename("pause_sound", "Go on" if controller.search.rests else "Pause")

    def _message(self) -> str:
        if self._show_frames:
            return self.frames.words
        if self.controller.message:
            return self.controller.message
        offered, talk = self.link.offered, self.link.talk
        if talk.waiting and talk.sight is not None and self.stage != "session":
            return f"Session view: 7. {'' if talk.sight.coming is None else f'N: {talk.sight.coming.sentence}'}"
        if offered is not None:
            left = "" if offered.until is None else f" in {max(0.0, offered.until - time.monotonic()):.0f} s, or"
            return f"Next: {offered.text}{left} with N"
        if self.view is None or not self.view.model.messages:
            return ""
        self.bar.message.setToolTip(tooltip("", "<br>".join(list(self.view.model.messages)[-10:])))
        return self.view.model.message

    # -- what is done -------------------------------------------------------------------------------------------------

    def do(self, name: str) -> None:
        """Carry out an action of the table."""
        self.link.touch()
        if self.controller.do(name) or self.averages.do(name):
            return
        if name == "panel_7":
            self.session.toggle()
            return
        if name.startswith("panel_"):
            panel = self.panels[int(name[-1]) - 1]
            self._show_alone(self.averages.shown if panel is self.average else panel)
            return
        getattr(self, f"_do_{name}")()

    def _do_mark(self) -> None:
        if self.link.talk.waiting:
            self._ask("Note on the run that is over:", "Keep", self._note)
            return
        if not self.controller.possible("mark") or self.view is None:
            self.controller.say("There is no run to mark")
            return
        pressed_s, moment_s = time.monotonic(), self.view.model.status.seconds
        self._ask(f"Note on {clock(moment_s)}:", "Keep", lambda text: self.controller.note(text, pressed_s, moment_s))

    def _note(self, text: str) -> None:
        if text.strip():
            self.controller.remark(Wish("note", text))

    def _do_discard(self) -> None:
        if self.controller.possible("discard"):
            sight = self.link.talk.sight
            if sight is not None and sight.discarded:
                self.controller.remark(Wish("restore"))
                return
            name = "the run" if sight is None else re.split("[:,]", sight.last)[0]
            self._ask(f"Why is {name} discarded? (Later, X makes it count again.)", "Discard", self._discard)
        else:
            self.controller.say("A run can be discarded in a session, when it is over and the next one is suggested")

    def _discard(self, why: str) -> None:
        self.controller.remark(Wish("discard", why if why.strip() else UNTYPED))

    def _do_go_to(self) -> None:
        self._ask("Go to (minutes:seconds):", "Go", self.controller.go_to)

    def _ask(self, question: str, deed: str, give: Callable[[str], None]) -> None:
        """While a line is typed no key means anything else."""
        for action in self._actions.values():
            action.setEnabled(False)

        def over() -> None:
            for action in self._actions.values():
                action.setEnabled(True)

        self.bar.ask(question, deed, give, over)

    def _show_alone(self, panel: Panel) -> None:
        self.layout_.alone = None if self.layout_.alone is panel else panel
        self._divide()

    def _choose_cell(self, place: Place) -> None:
        self.link.touch()
        self.controller.search.choose(place)

    def _want_cell(self, place: Place) -> None:
        self._choose_cell(place)
        if self.stage == "search" and self.controller.search.on:  # of a search that is over nothing is begun
            self.do("cell_play")

    def _do_all_panels(self) -> None:
        self.controller.search.choose(None)
        if self.layout_.alone is not None:
            self._show_alone(self.layout_.alone)

    def _do_halves(self) -> None:
        self._show_halves(not self.average.halves)

    def _show_halves(self, yes: bool) -> None:
        self.averages.show_halves(yes)
        self.search_board.view.halves = yes
        self.search_board.view.update()

    def _change_average(self) -> None:
        """Another panel stands in the place of the average; alone, where that stood alone."""
        layout = self.layout_
        layout.alone = self.averages.shown if layout.alone in self.averages.panels else layout.alone
        self._divide()

    def _do_taller(self) -> None:
        self.eeg.make_taller(2.0)

    def _do_flatter(self) -> None:
        self.eeg.make_taller(0.5)

    def _do_theme(self) -> None:
        if self.layout_.far:
            self.controller.say("Large letters are dark in every theme: 8 shows the window")
            return
        others = [theme for theme in THEMES.values() if theme.name != self.look.theme.name]
        self.restyle(replace(self.look, theme=others[0] if others else LIGHT))

    def _do_far(self) -> None:
        self.session.toggle_far()

    def _do_projector(self) -> None:
        self.restyle(replace(self.look, projector=not self.look.projector))

    def _do_full_screen(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    def _do_frames(self) -> None:
        self._show_frames = not self._show_frames

    def _do_keys(self) -> None:
        if self.sheet is not None and self.sheet.isVisible():
            self.sheet.close()
            return
        self.sheet = KeysSheet(self, self.stage, self.look, self.session.on)
        for key in ("F1", "?"):
            close = QAction(self.sheet)
            close.setShortcut(QKeySequence(key))
            close.triggered.connect(self.sheet.reject)
            self.sheet.addAction(close)
        self.sheet.show()

    def _do_export(self) -> None:
        folder = Path.cwd() if self.view is None else self.view.session
        stem = "quietfloor" if self.view is None else self.view.run.folder.path.name
        self.dialog = ExportDialog(self, [panel.name for panel in self.present_panels], folder, stem, self._export)
        self.dialog.open()

    def _export(self, part: str, path: Path) -> None:
        try:
            self.controller.say(f"Picture kept in {self.export(part, path)}")
        except ExportError as error:
            self.controller.say(str(error))

    def export(self, part: str, path: Path) -> Path:
        """Write a picture of a panel by its name, of the whole for ""; the format follows from the path. Raises ExportError."""
        widget: QWidget = next((panel for panel in self.panels if panel.name == part), self.board)
        title = "quietfloor" if self.view is None else f"{self.view.run.folder.path.name}: {self.view.model.title}"
        if self.view is not None:
            self._turns.take(self.view.model, at_once=True)
        title += " (discarded)" if self.view is not None and self.view.model.discarded else ""
        return export(widget, path, title, self.look.theme.ground)

    # -- the end ------------------------------------------------------------------------------------------------------

    def _do_quit(self) -> None:
        self.close()

    def finish(self) -> None:
        """Close without asking."""
        self._closing = True
        self.close()

    def _stop_and_close(self) -> None:
        self.link.stop()
        self.finish()

    def closeEvent(self, event: QCloseEvent | None) -> None:
        assert event is not None
        if not self._closing and self.view is not None and self.view.on:
            event.ignore()
            if self.question is None or not self.question.isVisible():
                self.question = CloseQuestion(self, self._stop_and_close, self.finish)
                self.question.open()
            return
        self._closing = True
        self._timer.stop()
        self._remember()
        event.accept()
        self.link.leave()
        on_close, self._on_close = self._on_close, lambda: None
        on_close()

    def _remember(self) -> None:
        if self._settings is not None:
            what = replace(
                self._remembered, theme=(self._theme or self.look.theme).name, projector=self.look.projector,
                halves=self.average.halves, plus_minus=self.average.plus_minus, scale_nv=self.averages.zoom.scale_nv or 0.0,
                step=self._step if self.setup is None else self.setup.place,
                alone="" if self.layout_.alone is None else self.layout_.alone.name,
            )  # fmt: skip
            remember(self._settings, left_at(self, what, screens()))

    def event(self, event: QEvent | None) -> bool:
        """Also measures how long painting takes."""
        if event is None or event.type() != QEvent.Type.UpdateRequest:
            return super().event(event)
        began_s, busy_s = time.perf_counter(), time.thread_time()
        done = super().event(event)
        self.frames.painted(time.perf_counter() - began_s, time.thread_time() - busy_s)
        return done
