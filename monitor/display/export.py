"""Pictures of the window, or of one panel, as PNG (twice as fine as the screen) and as SVG."""

from __future__ import annotations

import os
from pathlib import Path

from PyQt5.QtCore import QBuffer, QByteArray, QIODevice, QPoint, QRect, QSize
from PyQt5.QtGui import QColor, QImage, QPainter
from PyQt5.QtSvg import QSvgGenerator
from PyQt5.QtWidgets import QWidget

from quietfloor.monitor.untrusted.safe_paths import new_draft

FORMATS = ("png", "svg")
FINER = 2.0


class ExportError(RuntimeError):
    """The picture cannot be written; the text says why and what to do."""


def free_path(folder: Path, stem: str, suffix: str) -> Path:
    """A name in ``folder`` that is not taken: nothing is ever overwritten."""
    path, number = folder / f"{stem}.{suffix}", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}.{suffix}"
    return path


def export(widget: QWidget, path: Path, title: str, ground: str) -> Path:
    """Write a picture of ``widget`` as it is; the format follows from the name. Raises ExportError."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in FORMATS:
        raise ExportError(f"{path.name}: give a name that ends in .png or .svg")
    content = _png(widget, ground) if kind == "png" else _svg(widget, title, ground)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = new_draft(path)
        with open(draft, "xb") as file:
            file.write(content)
        os.replace(draft, path)
    except OSError as error:
        raise ExportError(f"{path} cannot be written ({error.strerror or error}): choose another folder") from error
    return path


def _png(widget: QWidget, ground: str) -> bytes:
    image = QImage(widget.size() * FINER, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(FINER)
    image.fill(QColor(ground))
    widget.render(image)
    content = QByteArray()
    buffer = QBuffer(content)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    if not image.save(buffer, "PNG"):
        raise ExportError("the picture could not be made: is it of no size?")
    return bytes(content)


def _svg(widget: QWidget, title: str, ground: str) -> bytes:
    content = QByteArray()
    buffer = QBuffer(content)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    made = QSvgGenerator()
    made.setOutputDevice(buffer)
    made.setSize(QSize(widget.size()))
    made.setViewBox(QRect(QPoint(0, 0), widget.size()))
    made.setResolution(96)  # so that it is as large as the window in a browser
    made.setTitle(title)
    made.setDescription("quietfloor. Not a medical device.")
    painter = QPainter(made)
    painter.fillRect(QRect(QPoint(0, 0), widget.size()), QColor(ground))
    widget.render(painter)
    painter.end()
    return bytes(content)
