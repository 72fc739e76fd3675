"""Colours and letters of a whole window: what the window of a run and that of a lesson share."""

from __future__ import annotations

from PyQt5.QtGui import QColor, QPalette
from PyQt5.QtWidgets import QApplication, QWidget

from quietfloor.monitor.display.theme import Look


def apply_theme(window: QWidget, look: Look, padding: tuple[float, float], highlight: str, more: str = "") -> None:
    """Palette and style sheet; ``padding`` of buttons upright and across, in letters; ``highlight``: colour of what is chosen;
    ``more``: rules of this window alone."""
    colours = _palette(look, highlight)
    window.setPalette(colours)
    app = QApplication.instance()
    if isinstance(app, QApplication):
        app.setPalette(colours)
    window.setStyleSheet(_sheet(look, padding) + more)


def _palette(look: Look, highlight: str) -> QPalette:
    theme, palette = look.theme, QPalette()
    for role, ink in (
        (QPalette.ColorRole.Window, theme.ground), (QPalette.ColorRole.Base, theme.sheet),
        (QPalette.ColorRole.AlternateBase, theme.ground), (QPalette.ColorRole.Button, theme.button),
        (QPalette.ColorRole.WindowText, theme.ink), (QPalette.ColorRole.Text, theme.ink),
        (QPalette.ColorRole.ButtonText, theme.ink), (QPalette.ColorRole.ToolTipBase, theme.sheet),
        (QPalette.ColorRole.ToolTipText, theme.ink), (QPalette.ColorRole.Highlight, highlight),
        (QPalette.ColorRole.HighlightedText, theme.ground), (QPalette.ColorRole.PlaceholderText, theme.quiet),
    ):  # fmt: skip
        palette.setColor(role, QColor(ink))
    palette.setColor(QPalette.ColorGroup.Disabled, QPalette.ColorRole.ButtonText, QColor(theme.axis))
    return palette


def _sheet(look: Look, padding: tuple[float, float]) -> str:
    theme, letters = look.theme, f"font-size: {look.px(1.0)}px;"
    upright, across = (look.px(one) for one in padding)
    return (
        f"QMainWindow, #ground {{ background: {theme.ground}; }}"
        f"#sheet {{ background: {theme.sheet}; border: 1px solid {theme.grid}; border-radius: 5px; }}"
        f"QPushButton {{ background: {theme.button}; color: {theme.ink}; border: 0; border-radius: 4px; {letters}"
        f" padding: {upright}px {across}px; }}"
        f"QPushButton:hover {{ background: {theme.grid}; }}"
        f"QPushButton:pressed {{ background: {theme.axis}; color: {theme.sheet}; }}"
        f"QPushButton:default {{ background: {theme.quiet}; color: {theme.sheet}; font-weight: bold; }}"
        f"QPushButton:disabled {{ background: {theme.button}; color: {theme.axis}; }}"
        f".QLabel, QLineEdit, QComboBox, QRadioButton {{ {letters} }}"
        f"QToolTip {{ background: {theme.sheet}; color: {theme.ink}; border: 1px solid {theme.axis}; {letters} }}"
    )
