"""The start page: a window whose result is the command line of what somebody chose, which then runs as if it had been typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtCore import QTimer
from PyQt5.QtGui import QCloseEvent, QKeySequence
from PyQt5.QtWidgets import (
    QAbstractButton,
    QAction,
    QApplication,
    QMainWindow,
    QMessageBox,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from quietfloor.monitor.begin.draft import Draft, draft_of, new
from quietfloor.monitor.begin.lookout import Lookout
from quietfloor.monitor.begin.places import Places
from quietfloor.monitor.display.actions import spoken
from quietfloor.monitor.display.app import application, guarded, on_signals
from quietfloor.monitor.display.dialogs import SAFETY
from quietfloor.monitor.display.placing import left_at, put, screens
from quietfloor.monitor.display.setup_parts import Text
from quietfloor.monitor.display.start_home import DEEDS, Home, Opener, Outcome
from quietfloor.monitor.display.start_maker import Maker
from quietfloor.monitor.display.styling import apply_theme
from quietfloor.monitor.display.theme import DARK, LIGHT, THEMES, Look
from quietfloor.monitor.display.window_settings import recall, remember, settings_file
from quietfloor.monitor.plan.run_plan import PlanError

EVERY_MS = 60
KEYS = (  # name, keys, what it does
    *((name, (key,), title) for name, key, title, _ in DEEDS),
    ("next", ("PgDown",), "next step"),
    ("back", ("PgUp",), "step before"),
    ("go_on", ("Return", "Enter"), "next step, or presses the button that has the focus"),
    ("begin", ("Ctrl+Return", "Ctrl+Enter"), "writes the plan and begins"),
    ("template", ("Ctrl+K",), "keeps the choices as a template"),
    ("look", ("F5",), "looks again for streams, outputs and calibrations"),
    ("home", ("Esc",), "back to the start page"),
    ("theme", ("Ctrl+D",), "dark or light"),
    ("projector", ("Ctrl+P",), "larger letters"),
    ("full_screen", ("F11",), "full screen, or back"),
    ("keys", ("F1",), "this list"),
    ("quit", ("Ctrl+Q", "Ctrl+W"), "closes the program"),
)
ONLY_HOME = tuple(name for name, *_ in DEEDS)


class StartWindow(QMainWindow):
    """``answer`` holds the arguments of the chosen command; () while nothing is chosen. ``done`` is called with the answer, or
    when the window is closed."""

    def __init__(
        self, lookout: Lookout, outcome: Outcome | None = None, settings: Path | None = None,
        done: Callable[[], object] = lambda: None,
    ) -> None:  # fmt: skip
        super().__init__()
        self.lookout, self.answer = lookout, ()
        self._done, self._settings = done, settings or settings_file()
        self.remembered, _ = recall(self._settings)
        self.home = Home(self.do, self.open_template, self.open_folder)
        self.maker, self.opener = Maker(lookout), Opener(self.begin, self.show_home)
        self.maker.begun.connect(self.begin)
        self.maker.left.connect(self.show_home)
        self.sheets, self.cautions = QStackedWidget(), Text(0.98, quiet=True)
        for sheet in (self.home, self.maker, self.opener):
            self.sheets.addWidget(sheet)
        self.cautions.say(SAFETY)
        ground = QWidget()
        ground.setObjectName("ground")
        whole = QVBoxLayout(ground)
        whole.setContentsMargins(10, 6, 10, 6)
        whole.setSpacing(6)
        whole.addWidget(self.sheets, 1)
        whole.addWidget(self.cautions)
        self.setCentralWidget(ground)
        self.setWindowTitle("quietfloor")
        self.actions_by_name: dict[str, QAction] = {}
        self._make_keys()
        self.restyle(Look(THEMES[self.remembered.theme], self.remembered.projector))
        put(self, self.remembered, screens())
        self.home.show_outcome(outcome)
        self.show_home()
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(EVERY_MS)

    answer: tuple[str, ...]

    def _make_keys(self) -> None:
        for name, keys, text in KEYS:
            action = QAction(text, self)
            action.setShortcuts([QKeySequence(key) for key in keys])
            action.triggered.connect(lambda _, name=name: self.do(name))
            self.addAction(action)
            self.actions_by_name[name] = action

    def restyle(self, look: Look) -> None:
        """Take on colours and sizes."""
        self.look = look
        apply_theme(self, look, (0.45, 0.8), look.theme.average, _rules(look))
        for part in (self.home, self.maker, self.opener, self.cautions):
            part.restyle(look)

    # -- what is done -------------------------------------------------------------------------------------------------

    def do(self, name: str) -> None:
        """Carry out an action by its name."""
        deeds: dict[str, Callable[[], object]] = {
            "recording": lambda: self.make("recording"), "session": lambda: self.make("session"),
            "go_back": lambda: self._show(self.maker),
            "open": lambda: self.show_opener(""), "demo": lambda: self.begin(("demo",)),
            "lesson": lambda: self.begin(("demo", "--teach")), "next": lambda: self.maker.step(1),
            "back": lambda: self.maker.step(-1), "go_on": self._go_on, "begin": self._begin_here,
            "template": self.maker.ask_template, "look": self.lookout.look_again, "home": self.show_home,
            "theme": self._turn_theme, "projector": self._turn_projector, "keys": self.show_keys, "quit": self.close,
            "full_screen": lambda: self.showNormal() if self.isFullScreen() else self.showFullScreen(),
        }  # fmt: skip
        deeds[name]()

    def make(self, kind: str) -> None:
        self._open_maker(new("session" if kind == "session" else "recording", self.lookout.places.next_code()))

    def open_template(self, path: Path) -> None:
        try:
            self._open_maker(draft_of(path, self.lookout.places.next_code()))
        except PlanError as error:
            self.home.show_outcome(Outcome((), 2, complaints=f"The template {path} cannot be used: {error}"))

    def open_folder(self, path: Path) -> None:
        self.show_opener(str(path))

    def show_opener(self, path: str) -> None:
        self._show(self.opener)
        self.opener.open(path)

    def show_home(self) -> None:
        """The first sheet. What was being made is kept until another draft is opened."""
        self.home.show_places(self.lookout.places)
        self.home.show_left(f"{self.maker.title}, {self.maker.draft.code}" if self.maker.opened else "")
        self._show(self.home)
        self.home.deeds["go_back" if self.maker.opened else "recording"].setFocus()

    def _open_maker(self, draft: Draft) -> None:
        self._show(self.maker)
        self.maker.open(draft)

    def _show(self, sheet: QWidget) -> None:
        self.sheets.setCurrentWidget(sheet)
        for name, action in self.actions_by_name.items():
            if name in ONLY_HOME:
                action.setEnabled(sheet is self.home and (name != "go_back" or self.maker.opened))
            elif name in ("next", "back", "template"):
                action.setEnabled(sheet is self.maker)

    def begin(self, arguments: tuple[str, ...]) -> None:
        """The answer of this page."""
        if arguments[0] in ("replay", "session", "report", "finish", "waves") and self.sheets.currentWidget() is self.opener:
            self.lookout.places = self.lookout.places.opened(Path(arguments[1]))
            self.lookout.places.remember()
        self.answer = arguments
        self.close()

    def _begin_here(self) -> None:
        if self.sheets.currentWidget() is self.maker:
            self.maker.begin()
        elif self.sheets.currentWidget() is self.opener:
            self.opener.begin()

    def _go_on(self) -> None:
        """Enter: the button that has the focus; else the next step, and at the last one the beginning."""
        focused = QApplication.focusWidget()
        if isinstance(focused, QAbstractButton) and not focused.isCheckable():
            focused.click()
        elif self.sheets.currentWidget() is self.maker and self.maker.at < len(self.maker.steps) - 1:
            self.maker.step(1)
        else:
            self._begin_here()

    def _turn_theme(self) -> None:
        self.restyle(Look(LIGHT if self.look.theme is DARK else DARK, self.look.projector))

    def _turn_projector(self) -> None:
        self.restyle(Look(self.look.theme, not self.look.projector))

    def show_keys(self) -> None:
        """All keys, in a box that Esc closes."""
        rows = "".join(
            f"<tr><td style='padding-right:14px'><b>{spoken(keys[0])}</b></td><td>{text}</td></tr>" for _, keys, text in KEYS
        )
        box = QMessageBox(self)
        box.setWindowTitle("Keys")
        box.setText(
            f"<table>{rows}<tr><td><b>Tab, ↑ ↓, Space</b></td><td>walk through the controls, choose, and tick</td></tr>"
            "<tr><td><b>Alt and a letter</b></td><td>the control whose label has that letter underlined</td></tr></table>"
        )
        box.setStandardButtons(QMessageBox.StandardButton.Close)
        box.setModal(True)
        self.box = box
        box.open()

    def tick(self) -> None:
        """The newest of what is seen."""
        if self.sheets.currentWidget() is self.maker:
            self.maker.refresh()

    def closeEvent(self, event: QCloseEvent | None) -> None:
        self._timer.stop()
        now = replace(self.remembered, theme=self.look.theme.name, projector=self.look.projector)
        remember(self._settings, left_at(self, now, screens()))
        self._done()
        super().closeEvent(event)


def _rules(look: Look) -> str:
    """Style rules of this window alone."""
    theme, focus = look.theme, f"border: 2px solid {look.theme.ink};"
    letters, side = f"font-size: {look.px(1.04)}px; color: {theme.ink};", 2 * round(look.px(0.9) / 2)
    dot = (
        f"qradialgradient(cx: 0.5, cy: 0.5, radius: 0.5, fx: 0.5, fy: 0.5, stop: 0 {theme.ink}, stop: 0.55 {theme.ink},"
        f" stop: 0.65 {theme.sheet}, stop: 1 {theme.sheet})"
    )
    return (
        f"#rows, QScrollArea {{ background: {theme.sheet}; }}"
        f".QLabel, QLineEdit, QComboBox, QRadioButton, QCheckBox, QDoubleSpinBox, QPlainTextEdit {{ {letters} }}"
        f"QRadioButton:disabled, QCheckBox:disabled {{ color: {theme.axis}; }}"
        f"QRadioButton::indicator, QCheckBox::indicator {{ width: {side}px; height: {side}px; background: {theme.sheet};"
        f" border: 2px solid {theme.axis}; }}"
        f"QRadioButton::indicator {{ border-radius: {side // 2 + 2}px; }}"
        f"QRadioButton::indicator:checked {{ background: {dot}; }}"
        f"QCheckBox::indicator:checked {{ background: {theme.ink}; }}"
        f"QRadioButton::indicator:focus, QCheckBox::indicator:focus {{ border: 2px solid {theme.ink}; }}"
        f"QRadioButton::indicator:disabled {{ border: 2px solid {theme.grid}; }}"
        "QCheckBox::indicator:disabled:!checked { width: 0px; height: 0px; border: none; background: transparent; }"
        f"QLineEdit, QPlainTextEdit {{ background: {theme.ground}; border: 1px solid {theme.axis}; padding: 4px; }}"
        f"QLineEdit:focus, QPlainTextEdit:focus {{ {focus} }}"
        f"QComboBox, QDoubleSpinBox {{ min-width: {look.px(13)}px; min-height: {look.px(1.9)}px; }}"
        "QPlainTextEdit#toml { font-family: monospace; }"
        f"QPushButton:focus {{ {focus} }}"
        f"QPushButton[due=true] {{ background: {theme.states['present']}; color: {theme.sheet}; font-weight: bold; }}"
        "QPushButton#step { background: transparent; text-align: left; border: 0; border-left: 4px solid transparent; }"
        f"QPushButton#step:checked {{ background: {theme.sheet}; border-left: 4px solid {theme.ink}; }}"
        f"QPushButton#deed {{ background: {theme.sheet}; border: 1px solid {theme.grid}; border-radius: 5px; }}"
        f"QPushButton#deed:hover, QPushButton#file:hover {{ background: {theme.button}; }}"
        f"QPushButton#deed:focus, QPushButton#file:focus {{ {focus} }}"
        "QPushButton#file { background: transparent; text-align: left; padding: 4px; border: 2px solid transparent; }"
        f"QPushButton#file:focus {{ {focus} }}"
    )


def choose(outcome: Outcome | None = None, settings: Path | None = None) -> tuple[str, ...]:
    """Open the start page and wait for its answer: the arguments of a command, () where the window was closed."""
    path = settings or settings_file()
    lookout = Lookout(Places.recall(path.parent))
    with guarded():
        app = application()
        window = StartWindow(lookout, outcome, path, done=app.quit)
        with on_signals(lambda: window.do("quit")):
            lookout.start()
            window.show()
            app.exec_()
        answer = window.answer
        window.deleteLater()
        lookout.close()
    return answer


