"""Puts the window where it was on its screen, or where it fits: never larger than the free part of a screen, never outside it."""

from __future__ import annotations

from dataclasses import replace

from PyQt5.QtCore import QRect, Qt
from PyQt5.QtGui import QGuiApplication
from PyQt5.QtWidgets import QWidget

from quietfloor.monitor.display.screen import IN_MEMORY
from quietfloor.monitor.display.window_settings import LEAST, TITLE, USUAL, Place, WindowSettings, fitted

STATE = {
    "": Qt.WindowState.WindowNoState,
    "maximised": Qt.WindowState.WindowMaximized,
    "full screen": Qt.WindowState.WindowFullScreen,
}


def screens() -> dict[str, QRect]:
    """The free part of each screen by its name, the primary one first; none where Qt draws into memory."""
    primary = QGuiApplication.primaryScreen()
    if QGuiApplication.platformName() in IN_MEMORY or primary is None:
        return {}
    found = [primary, *(screen for screen in QGuiApplication.screens() if screen is not primary)]
    return {screen.name(): screen.availableGeometry() for screen in found}


def put(window: QWidget, settings: WindowSettings, rooms: dict[str, QRect]) -> None:
    """Place a window that is not shown yet. The screen is the one of last time if it is still there."""
    if not rooms:
        window.setMinimumSize(*LEAST)
        window.resize(*USUAL)
        return
    name = settings.screen if settings.screen in rooms else next(iter(rooms))
    room = rooms[name]
    place = fitted(settings.places.get(name), (room.width(), room.height()))
    window.setMinimumSize(min(LEAST[0], room.width()), min(LEAST[1], room.height() - TITLE))
    window.setGeometry(room.x() + place.x, room.y() + place.y, place.width, place.height)
    window.setWindowState(STATE[place.state])


def left_at(window: QWidget, settings: WindowSettings, rooms: dict[str, QRect]) -> WindowSettings:
    """The settings with the place of the window; as they are where it is on none of the screens."""
    whole = bool(window.windowState() & (STATE["maximised"] | STATE["full screen"]))
    inside = window.normalGeometry() if whole and not window.normalGeometry().isEmpty() else window.geometry()
    name = next((name for name, room in rooms.items() if room.contains(inside.center())), None)
    if name is None:
        return settings
    state = next((said for said, bit in STATE.items() if said and window.windowState() & bit), "")
    at = inside.topLeft() - rooms[name].topLeft()
    place = Place(at.x(), at.y(), inside.width(), inside.height(), state)
    return replace(settings, places=settings.places | {name: place}, screen=name)
