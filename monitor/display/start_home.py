"""The first sheet of the start page: what can be done, templates, sessions of before, and how the last command ended."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PyQt5.QtCore import Qt
from PyQt5.QtGui import QTextCursor
from PyQt5.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from quietfloor.monitor.begin.choices import Option
from quietfloor.monitor.begin.places import Places, command_line, found_folders, what_is
from quietfloor.monitor.display.panel import Words, colour
from quietfloor.monitor.display.setup_parts import Scrolled, Text
from quietfloor.monitor.display.start_maker import NOT_NATIVE
from quietfloor.monitor.display.start_parts import Picker
from quietfloor.monitor.display.theme import Look

MOST_LISTED = 12  # own choice: more templates or folders are found faster by their path
ENDED = {
    0: "Done", 1: "It failed, or could not begin", 2: "It was refused", 3: "It stopped on a fault; what was recorded is kept",
}  # fmt: skip
# name, key, title, what it is
DEEDS = (
    ("recording", "R", "New recording", "one run: a stream, its channels, a sound"),
    ("session", "S", "New session", "thresholds of one person: ears, routes, frequencies"),
    ("go_back", "C", "Continue", "with the choices that you left; they are kept until you begin others"),
    ("open", "O", "Open", "a session or a recording that is there already"),
    ("demo", "D", "Demonstration", "three runs on a virtual patient, without hardware"),
    ("lesson", "L", "Lesson", "averaging and deciding, sweep by sweep"),
)


@dataclass(frozen=True)
class Outcome:
    """How a command ended, and what it printed."""

    arguments: tuple[str, ...]
    status: int
    printed: str = ""
    complaints: str = ""

    @property
    def words(self) -> str:
        return ENDED.get(self.status, f"It ended with status {self.status}")


class Deed(QPushButton):
    """A large button: key, title, and what it is."""

    def __init__(self, key: str, title: str, about: str) -> None:
        super().__init__()
        self.setObjectName("deed")
        self.setAccessibleName(f"{title}: {about}. Key {key}")
        self.key, self.title, self.about = Words(key), Words(title), Words(about)
        self.key.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        for part in (self.key, self.title, self.about):
            part.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        lines = QVBoxLayout()
        lines.setSpacing(0)
        lines.addWidget(self.title)
        lines.addWidget(self.about)
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 6, 10, 6)
        row.setSpacing(12)
        row.addWidget(self.key)
        row.addLayout(lines, 1)

    def restyle(self, look: Look) -> None:
        self.key.size_letters(look.px(1.5), bold=True)
        self.key.setFixedWidth(look.px(2.0))
        self.title.size_letters(look.px(1.25), bold=True)
        self.about.size_letters(look.px(0.98))
        colour(self.key, look.theme.quiet)
        colour(self.title, look.theme.ink)
        colour(self.about, look.theme.quiet)
        self.setFixedHeight(look.px(4.3))


class Home(QWidget):
    """``act`` is called with the name of a deed, ``template`` and ``folder`` with a path."""

    def __init__(self, act: Callable[[str], None], template: Callable[[Path], None], folder: Callable[[Path], None]) -> None:
        super().__init__()
        self.look = Look()
        self._template, self._folder = template, folder
        self.word, self.outcome, self.printed = Words("quietfloor"), Text(1.06), QPlainTextEdit()
        self.printed.setReadOnly(True)
        self.printed.setTabChangesFocus(True)
        self.printed.setObjectName("toml")
        self.deeds = {name: Deed(key, title, about) for name, key, title, about in DEEDS}
        left = QVBoxLayout()
        left.setSpacing(6)
        for name, button in self.deeds.items():
            button.clicked.connect(lambda _, name=name: act(name))
            left.addWidget(button)
        left.addStretch(1)
        self.heads = [QLabel("Templates"), QLabel("Earlier sessions and recordings")]
        self.nothing = Text(0.98, quiet=True)
        self._lists = [QVBoxLayout(), QVBoxLayout()]
        inside = QWidget()
        inside.setObjectName("rows")
        right = QVBoxLayout(inside)
        right.setContentsMargins(0, 0, 6, 0)
        right.setSpacing(3)
        for head, box in zip(self.heads, self._lists, strict=True):
            box.setSpacing(2)
            right.addWidget(head)
            right.addLayout(box)
        right.addWidget(self.nothing)
        right.addStretch(1)
        sheet = QFrame()
        sheet.setObjectName("sheet")
        box = QVBoxLayout(sheet)
        box.setContentsMargins(18, 12, 12, 8)
        box.addWidget(Scrolled(inside))
        middle = QHBoxLayout()
        middle.setSpacing(10)
        middle.addLayout(left, 42)
        middle.addWidget(sheet, 58)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(8)
        whole.addWidget(self.word)
        whole.addWidget(self.outcome)
        whole.addWidget(self.printed)
        whole.addLayout(middle, 1)
        self.files: list[QPushButton] = []
        self.show_outcome(None)
        self.show_left("")

    def show_left(self, what: str) -> None:
        """The title of what was being made when the person came back here, "" for nothing."""
        button = self.deeds["go_back"]
        button.title.say(f"Continue: {what}")
        button.setVisible(bool(what))

    def restyle(self, look: Look) -> None:
        self.look = look
        self.word.size_letters(look.px(2.0), bold=True)
        colour(self.word, look.theme.ink)
        for part in (self.outcome, self.nothing, *self.deeds.values()):
            part.restyle(look)
        self.printed.setFixedHeight(look.px(6.5))

    def show_outcome(self, outcome: Outcome | None) -> None:
        """How the last command ended, None before there was one."""
        for part in (self.outcome, self.printed):
            part.setVisible(outcome is not None)
        self.word.say("What do you want to do?" if outcome is None else outcome.words)
        if outcome is None:
            return
        self.outcome.say(command_line(outcome.arguments))
        told = (outcome.printed if outcome.status == 0 else f"{outcome.complaints}{outcome.printed}").strip()
        self.printed.setPlainText(told)
        self.printed.moveCursor(QTextCursor.MoveOperation.End)  # what came of it stands last
        self.printed.setVisible(bool(told))

    def show_places(self, places: Places) -> None:
        """Templates and folders, as they are now."""
        for button in self.files:
            button.hide()
            button.deleteLater()
        self.files = []
        templates, folders = places.known_templates()[:MOST_LISTED], found_folders(places)[:MOST_LISTED]
        for box, paths, deed, names in (
            (self._lists[0], templates, self._template, [path.stem for path in templates]),
            (self._lists[1], folders, self._folder, [what_is(str(path)).said for path in folders]),
        ):  # fmt: skip
            for path, name in zip(paths, names, strict=True):
                button = QPushButton(name.replace("&", "&&"))
                button.setObjectName("file")
                button.setToolTip(str(path))
                button.clicked.connect(lambda _, path=path, deed=deed: deed(path))
                box.addWidget(button)
                button.show()
                self.files.append(button)
        self.heads[0].setVisible(bool(templates))
        self.heads[1].setVisible(bool(folders))
        self.nothing.setVisible(not templates and not folders)
        self.nothing.say(
            f"Nothing is here yet. Sessions are kept in {places.folder.absolute()}; D shows the whole loop without any hardware. "
            "A new recording or session writes the plan that a script would use, and can be kept as a template."
        )


class Opener(QWidget):
    """Opens a folder: what it is, and what can be done with it. ``begin`` gets the arguments of the command."""

    def __init__(self, begin: Callable[[tuple[str, ...]], None], leave: Callable[[], None]) -> None:
        super().__init__()
        self._begin = begin
        self.word, self.said, self.path, self.browse = Words("Open"), Text(1.15), QLineEdit(), QPushButton("&Choose…")
        self.path.setAccessibleName("folder of a session or recording")
        self.path.textChanged.connect(lambda: self.refresh())
        self.browse.clicked.connect(self._choose)
        self.ways = Picker("")
        self.ways.picked.connect(self._pick)
        self.command = QLineEdit()
        self.command.setReadOnly(True)
        self.command.setAccessibleName("command")
        self.arguments: tuple[str, ...] = ()
        sheet = QFrame()
        sheet.setObjectName("sheet")
        label = QLabel("&Folder")
        label.setBuddy(self.path)
        line = QHBoxLayout()
        for part in (label, self.path, self.browse):
            line.addWidget(part)
        box = QVBoxLayout(sheet)
        box.setContentsMargins(18, 12, 12, 8)
        box.setSpacing(10)
        box.addLayout(line)
        for part in (self.said, self.ways, self.command):
            box.addWidget(part)
        box.addStretch(1)
        self.leave, self.start = QPushButton("Start page  Esc"), QPushButton("Begin  Ctrl Enter")
        self.leave.clicked.connect(lambda: leave())
        self.start.clicked.connect(self.begin)
        foot = QHBoxLayout()
        foot.addWidget(self.leave)
        foot.addStretch(1)
        foot.addWidget(self.start)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(8)
        whole.addWidget(self.word)
        whole.addWidget(sheet, 1)
        whole.addLayout(foot)
        self.refresh()

    def restyle(self, look: Look) -> None:
        self.word.size_letters(look.px(2.0), bold=True)
        colour(self.word, look.theme.ink)
        self.said.restyle(look)
        self.ways.restyle(look)

    def open(self, path: str) -> None:
        self.path.setText(path)
        self.refresh()
        (self.path if not self.arguments else self.ways.buttons[" ".join(self.arguments)]).setFocus()

    def refresh(self) -> None:
        found = what_is(self.path.text())
        self.said.say(f"{found.said}.")
        ways = {" ".join(way.arguments): way for way in found.ways}
        if self.arguments not in [way.arguments for way in found.ways]:
            self.arguments = found.ways[0].arguments if found.ways else ()
        self.ways.show_options(tuple(Option(name, way.title) for name, way in ways.items()), " ".join(self.arguments))
        self.command.setText(command_line(self.arguments) if self.arguments else "")
        self.command.setVisible(bool(self.arguments))
        self.start.setEnabled(bool(self.arguments))

    def begin(self) -> None:
        if self.arguments:
            self._begin(self.arguments)

    def _pick(self, name: str) -> None:
        self.arguments = next(way.arguments for way in what_is(self.path.text()).ways if " ".join(way.arguments) == name)
        self.refresh()

    def _choose(self) -> None:
        found = QFileDialog.getExistingDirectory(self, "Session or recording", self.path.text(), options=NOT_NATIVE)
        if found:
            self.path.setText(found)
