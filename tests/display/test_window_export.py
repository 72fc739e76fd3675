"""Pictures of the window and its panels as files."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from tests.display.conftest import Spin


def test_pictures_of_everything_as_png_and_svg(shown: Any, qt: Spin, tmp_path: Path) -> None:
    from PyQt5.QtGui import QImage

    for part in ("", *(panel.name for panel in shown.panels)):
        widget = next((panel for panel in shown.panels if panel.name == part), shown.board)
        picture = QImage(str(shown.export(part, tmp_path / f"{part or 'whole'}.png")))
        assert (picture.width(), picture.height()) == (2 * widget.width(), 2 * widget.height())
        svg = shown.export(part, tmp_path / f"{part or 'whole'}.svg")
        root = ElementTree.parse(svg).getroot()
        names = {element.tag.rpartition("}")[2] for element in root.iter()}
        assert "image" not in names  # lines and letters, no pixels
        assert {"path", "text"} & names
    text = "".join((tmp_path / "whole.svg").read_text(encoding="utf-8").split())
    assert "responsepresent" in text
    assert "Responsepresent" in text
    assert "Notamedicaldevice" in text


def test_what_cannot_be_exported_is_said(shown: Any, qt: Spin, tmp_path: Path) -> None:
    from quietfloor.monitor.display.export import ExportError, free_path

    with pytest.raises(ExportError, match=r"ends in \.png or \.svg"):
        shown.export("", tmp_path / "picture.gif")
    (tmp_path / "file").write_text("")
    with pytest.raises(ExportError, match="cannot be written"):
        shown.export("", tmp_path / "file" / "picture.png")
    assert free_path(tmp_path, "run-001", "png") == tmp_path / "run-001.png"
    (tmp_path / "run-001.png").write_text("")
    (tmp_path / "run-001-2.png").write_text("")
    assert free_path(tmp_path, "run-001", "png") == tmp_path / "run-001-3.png"


def test_exporting_by_keyboard(shown: Any, qt: Spin, press: Any, tmp_path: Path) -> None:
    press(shown, "e")
    dialog = shown.dialog
    assert dialog.isVisible()
    dialog.part.setCurrentText("average")
    dialog.kinds.button(1).click()
    assert dialog.place.text().endswith("run-001-average.svg")
    dialog.place.setText(str(tmp_path / "mine.svg"))
    press(shown, "Enter")
    assert (tmp_path / "mine.svg").is_file()
    assert "mine.svg" in shown.controller.message
    press(shown, "e")
    shown.dialog.place.setText(str(tmp_path / "mine.bmp"))
    press(shown, "Enter")
    assert "ends in .png or .svg" in shown.controller.message
