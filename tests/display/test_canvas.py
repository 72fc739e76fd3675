"""Bars on a canvas: many lines drawn quickly look as if each of them had been drawn; a chart is painted once for each change."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest
from PyQt5.QtCore import QBuffer, QByteArray, QIODevice, QLineF, QRectF, QSize, Qt
from PyQt5.QtGui import QColor, QImage, QPainter, QPen
from PyQt5.QtSvg import QSvgGenerator

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.canvas import Canvas
from quietfloor.monitor.display.model import COLUMNS, SECONDS
from quietfloor.monitor.display.panel_eeg import EegPanel, _joined
from quietfloor.monitor.display.panel_noise import NoisePanel
from quietfloor.monitor.display.theme import DARK, LIGHT, Look
from quietfloor.monitor.display.views import NoiseTrack, Scroll, Stretch
from tests.display.conftest import Spin

SIZE = QSize(420, 160)
RATIOS = (1.0, 1.25, 1.5, 2.0)  # pixels of the screen in one of the window


class OneByOne(Canvas):
    """Draws each line of bars for itself."""

    def bars(self, xs: Floats, low: Floats, high: Floats, colour: str) -> None:
        hair = QPen(QColor(colour))
        hair.setCosmetic(True)
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        self.painter.setPen(hair)
        for bottom, top in zip(np.atleast_2d(low), np.atleast_2d(high), strict=True):
            for x, one, other in zip(xs.tolist(), top.tolist(), bottom.tolist(), strict=True):
                if np.isfinite(one + other):
                    self.painter.drawLine(QLineF(x, one, x, other))


def picture(ratio: float, paint: Callable[[QPainter], None], size: QSize = SIZE) -> np.ndarray:
    """Pixels (height, width, 4) of what is painted."""
    image = QImage(size * ratio, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    image.fill(Qt.GlobalColor.white)
    painter = QPainter(image)
    paint(painter)
    painter.end()
    bits = image.constBits()
    assert bits is not None
    return np.frombuffer(bits.asstring(image.sizeInBytes()), np.uint8).reshape(image.height(), image.width(), 4).copy()


def signal(rows: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest (rows, COLUMNS) in uV, with a gap of 20 columns in the first row."""
    fine = np.random.default_rng(seed).standard_normal((rows, COLUMNS, 16)).astype(np.float32)
    low, high = fine.min(axis=2), fine.max(axis=2)
    low[0, 300:320] = high[0, 300:320] = np.nan
    return low, high


@pytest.mark.parametrize("ratio", RATIOS)
@pytest.mark.parametrize("left", [0.0, 37.0, 41.3])
def test_lines_that_share_a_column_of_pixels_look_as_if_each_had_been_drawn(qt: Spin, ratio: float, left: float) -> None:
    low, high = (60.0 - 12.0 * part for part in _joined(*signal(1, seed=3)))
    for width in (150.0, 377.0):  # more lines than pixels on every screen here, and on some only
        xs = left + np.linspace(0.0, width, COLUMNS)

        def bars(kind: type[Canvas], painter: QPainter, xs: Floats = xs) -> None:
            kind(painter, QRectF(0, 0, 420, 160), NoisePanel().chart, Look()).bars(xs, low, high, "#123456")

        fast, slow = (picture(ratio, partial(bars, kind)) for kind in (Canvas, OneByOne))
        assert (fast != 255).any()
        np.testing.assert_array_equal(fast, slow)


def test_an_svg_keeps_every_line(qt: Spin) -> None:
    content = QByteArray()
    buffer = QBuffer(content)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    made = QSvgGenerator()
    made.setOutputDevice(buffer)
    made.setSize(SIZE)
    painter = QPainter(made)
    xs = np.linspace(0.0, 10.0, 300)
    canvas = Canvas(painter, QRectF(0, 0, 420, 160), NoisePanel().chart, Look())
    canvas.bars(xs, np.full(300, 9.0), np.full(300, 2.0), "#123456")
    painter.end()
    assert len(set(re.findall(r'points="([^"]+)"', bytes(content).decode()))) == 300


@pytest.mark.parametrize("channels", [1, 8, 32])
@pytest.mark.parametrize("look", [Look(LIGHT), Look(DARK, projector=True)], ids=["light", "dark, projector"])
def test_rows_of_eeg_look_as_if_drawn_one_after_the_other(qt: Spin, channels: int, look: Look) -> None:
    low, high = signal(channels, seed=channels)
    stretches = (Stretch(3.0, 2.5, "too large"), Stretch(1.0, 0.9, "too steep"))
    shown = Scroll(SECONDS, low, high, -np.arange(640) / 80.3, stretches, 3.0, tuple(f"E{row}" for row in range(channels)),
                   10.0, (8.0,) * channels, (100.0, 1500.0), 12.0)  # fmt: skip
    panel = EegPanel()
    panel.restyle(look)
    panel.show_scroll(shown, live=True)
    rect = QRectF(20, 5, 380, 300)

    def row_by_row(painter: QPainter) -> None:
        canvas, theme = OneByOne(painter, rect, panel.chart, look), look.theme
        for stretch in stretches:
            left, right = canvas.x([-stretch.from_s, -stretch.to_s])
            canvas.fill(float(left), rect.top(), float(right), rect.bottom(), theme.left_out)
        ago_s = -SECONDS
        kept = ~np.any([(ago_s <= stretch.from_s) & (ago_s >= stretch.to_s) for stretch in stretches], axis=0)
        height = (rect.height() * 0.91 - look.px(1.25)) / channels
        for row in range(channels):
            middle = rect.top() + (row + 0.5) * height
            canvas.level(middle, theme.grid)
            ends = [middle - height / 20.0 * part[0] for part in _joined(low[row : row + 1], high[row : row + 1])]
            bottom, top = (np.clip(end, middle - height / 2, middle + height / 2) for end in ends)
            for there, ink in ((kept, theme.signal), (~kept, theme.left_out_signal)):
                canvas.bars(canvas.x(SECONDS)[there], bottom[there], top[there], ink)

    size = QSize(420, 320)
    painted = picture(1.0, lambda painter: panel.draw(Canvas(painter, rect, panel.chart, look)), size)
    expected = picture(1.0, row_by_row, size)
    rows_end = int(rect.bottom() - 0.09 * rect.height() - look.px(1.25)) - 1  # below it stand triggers and reasons
    np.testing.assert_array_equal(painted[:rows_end], expected[:rows_end])
    panel.deleteLater()


@pytest.mark.parametrize("loudest_nv", [50.0, 900.0])
def test_another_scale_is_painted_once_and_seen_at_once(qt: Spin, loudest_nv: float) -> None:
    """pyqtgraph takes on another range while it paints, which would ask for a second painting."""

    def track(noise_nv: float) -> NoiseTrack:
        sweeps = np.arange(1, 20) * 16.0
        ends = np.array([16.0, 6000.0])
        noise, line = noise_nv / np.sqrt(sweeps), noise_nv / np.sqrt(ends)
        return NoiseTrack(sweeps, noise, noise, 15.0, "", ends, line, 6000, 900.0)

    panel = NoisePanel()
    panel.restyle(Look())
    panel.resize(500, 300)
    panel.show()
    panel.show_track(track(200.0))
    qt(0.05)
    painted: list[Any] = []
    draw = panel.chart._draw
    panel.chart._draw = lambda canvas: (painted.append(canvas.y([20.0])[0]), draw(canvas))
    panel.show_track(track(loudest_nv))
    qt(0.05)
    assert len(painted) == 1
    seen = panel.grab().toImage()
    panel.chart.repaint_inside()
    qt(0.05)
    assert panel.grab().toImage() == seen
    panel.hide()
    panel.deleteLater()
