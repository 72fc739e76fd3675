"""Texts over the window of a lesson: the lesson sheet, and all keys and words."""

from __future__ import annotations

from pathlib import Path

from PyQt5.QtCore import Qt
from PyQt5.QtGui import QKeySequence, QTextTable
from PyQt5.QtWidgets import QAction, QDialog, QTextBrowser, QVBoxLayout, QWidget

from quietfloor.bench.teach.keys import ACTIONS, named
from quietfloor.monitor.display.dialogs import SAFETY
from quietfloor.monitor.display.terms import TERMS

LESSON = Path(__file__).with_name("lesson.md")


class Sheet(QDialog):
    """A text in Markdown that the keys ``closing`` close."""

    def __init__(self, over: QWidget, title: str, text: str, letters_px: int, closing: tuple[str, ...]) -> None:
        super().__init__(over)
        self.setWindowTitle(title)
        browser = QTextBrowser()
        font = browser.font()
        font.setPixelSize(letters_px)
        document = browser.document()
        assert document is not None
        document.setDefaultFont(font)
        browser.setMarkdown(text)
        browser.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)  # widths of tables are rounded up by 1 pixel
        root = document.rootFrame()
        for table in root.childFrames() if root is not None else ():
            if isinstance(table, QTextTable):
                shape = table.format().toTableFormat()
                shape.setBorderCollapse(True)
                shape.setCellPadding(0.2 * letters_px)
                shape.setCellSpacing(0)
                table.setFormat(shape)
        column = QVBoxLayout(self)
        column.addWidget(browser)
        for key in closing:
            close = QAction(self)
            close.setShortcut(QKeySequence(key))
            close.triggered.connect(self.reject)
            self.addAction(close)
        self.resize(int(0.9 * over.width()), int(0.92 * over.height()))


def keys_text() -> str:
    """All keys by group, then all words, as Markdown."""
    lines, group = [], ""
    for action in ACTIONS:
        if action.group != group:
            group = action.group
            lines += ["", f"## {group}", "", "| key | does |", "|---|---|"]
        lines.append(f"| **{' or '.join(dict.fromkeys(named(key) for key in action.keys))}** | {action.text} |")
    words = [f"**{term}**: {meaning}\n" for term, _, meaning in TERMS]
    return "\n".join(["# Keys", *lines, "", "# What the words mean", "", *words, "", SAFETY])
