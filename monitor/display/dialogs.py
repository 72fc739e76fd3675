"""Dialogs: the list of keys and words, the question before closing, and the choice of an image."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt5.QtCore import Qt
from PyQt5.QtGui import QKeySequence
from PyQt5.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QRadioButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from quietfloor.monitor.display.actions import Stage, offered, spoken
from quietfloor.monitor.display.export import FORMATS, free_path
from quietfloor.monitor.display.terms import TERMS
from quietfloor.monitor.display.theme import Look

SAFETY = (
    "Not a medical device. Sound can harm hearing; isolate before a person is connected; follow local codes and licensed "
    "practice."
)


def keys_html(stage: Stage, look: Look, in_session: bool = False) -> str:
    """All keys by group, then all words."""
    theme = look.theme
    rows, group = [], ""
    for action in offered(stage):
        own = action.keys_in(stage, in_session)
        if not own:
            continue
        if action.group != group:
            group = action.group
            rows.append(f"<tr><td colspan=2 style='padding-top:8px'><b>{group}</b></td></tr>")
        keys = " or ".join(f"<b>{key}</b>" for key in dict.fromkeys(map(spoken, own)))
        rows.append(f"<tr><td style='padding-right:14px; color:{theme.states['present']}'>{keys}</td><td>{action.text}</td></tr>")
    words = "".join(f"<p style='margin:3px 0'><b>{term}</b>: {meaning}</p>" for term, meaning in ((t, m) for t, _, m in TERMS))
    return (
        f"<table><tr><td width='46%' valign='top'><table>{''.join(rows)}</table></td>"
        f"<td style='padding-left:24px' valign='top'><b>What the words mean</b>{words}</td></tr></table><p>{SAFETY}</p>"
    )


class KeysSheet(QDialog):
    """The visible list of all keys, with what the words on the screen mean. Any of Esc, F1 and ? closes it."""

    def __init__(self, parent: QWidget, stage: Stage, look: Look, in_session: bool = False) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys and words")
        self.words = QLabel(keys_html(stage, look, in_session))
        self.words.setTextFormat(Qt.TextFormat.RichText)
        self.words.setWordWrap(True)
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.words.setMargin(10)
        area = QScrollArea()
        area.setWidget(self.words)
        area.setWidgetResizable(True)
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 6, 6, 6)
        column.addWidget(area)
        self.resize(int(0.92 * parent.width()), int(0.94 * parent.height()))
        area.setFocus()


class CloseQuestion(QDialog):
    """Asked when the window is closed during a run. Exactly one of three functions is called; the default is to go back."""

    def __init__(self, parent: QWidget, stop: Callable[[], None], go_on: Callable[[], None]) -> None:
        super().__init__(parent)
        self.setWindowTitle("A run is on")
        self.setModal(True)
        column = QVBoxLayout(self)
        column.setSpacing(10)
        words = QLabel("<b>A run is on.</b><br>Nothing that was recorded can get lost here, whatever you choose.")
        column.addWidget(words)
        choices: tuple[tuple[str, str, Callable[[], None]], ...] = (
            ("B", "Back to the run", lambda: None),
            ("C", "Close the window; the run goes on in the terminal", go_on),
            ("S", "Stop the run, then close", stop),
        )
        self.buttons = []
        for key, text, deed in choices:
            button = QPushButton(f"{text} [{key}]")
            button.setShortcut(QKeySequence(key))
            button.clicked.connect(lambda _, deed=deed: self._choose(deed))
            self.buttons.append(button)
            column.addWidget(button)
        self.buttons[0].setDefault(True)
        self.buttons[0].setFocus()

    def _choose(self, deed: Callable[[], None]) -> None:
        self.accept()
        deed()


class ExportDialog(QDialog):
    """Choice of part, format and file of an image. ``give`` is called with the name of the part ("" for the whole window) and the
    path."""

    def __init__(self, parent: QWidget, parts: list[str], folder: Path, stem: str, give: Callable[[str, Path], None]) -> None:
        super().__init__(parent)
        self.setWindowTitle("Export a picture")
        self.setModal(True)
        self._folder, self._stem, self._give = folder, stem, give
        self.part = QComboBox()
        self.part.addItems(["the whole", *parts])
        self.kinds = QButtonGroup(self)
        row = QHBoxLayout()
        for number, kind in enumerate(FORMATS):
            button = QRadioButton(f"&{kind.upper()}")
            button.setChecked(number == 0)
            self.kinds.addButton(button, number)
            row.addWidget(button)
        row.addStretch(1)
        self.place = QLineEdit()
        self.place.setMinimumWidth(480)
        form = QFormLayout(self)
        form.addRow("&Picture of", self.part)
        form.addRow("Format", row)
        form.addRow("&File", self.place)
        buttons = QDialogButtonBox()
        save = buttons.addButton("&Export", QDialogButtonBox.ButtonRole.AcceptRole)
        buttons.addButton("Cancel", QDialogButtonBox.ButtonRole.RejectRole)
        assert save is not None
        save.setDefault(True)
        buttons.accepted.connect(self._export)
        buttons.rejected.connect(self.reject)
        form.addRow(buttons)
        self.part.currentIndexChanged.connect(self._name)
        self.kinds.buttonClicked.connect(self._name)
        self._name()

    @property
    def chosen(self) -> str:
        return "" if self.part.currentIndex() == 0 else self.part.currentText()

    def _name(self) -> None:
        part = self.chosen.replace(" ", "-")
        stem = f"{self._stem}-{part}" if part else self._stem
        self.place.setText(str(free_path(self._folder, stem, FORMATS[self.kinds.checkedId()])))

    def _export(self) -> None:
        self.accept()
        self._give(self.chosen, Path(self.place.text()))
