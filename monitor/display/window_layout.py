"""Which panels the window shows, and who gets how much of it: all panels of a run, a board, the session view, one alone."""

from __future__ import annotations

from PyQt5.QtWidgets import QGridLayout, QWidget

from quietfloor.monitor.display.actions import BOARD, Stage
from quietfloor.monitor.display.average_views import AverageViews
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.panel_board import BoardPanel
from quietfloor.monitor.display.panel_eeg import STRIP, EegPanel
from quietfloor.monitor.display.panel_far import FarPanel
from quietfloor.monitor.display.panel_ladder import LadderPanel
from quietfloor.monitor.display.panel_noise import NoisePanel
from quietfloor.monitor.display.panel_plane import PlanePanel
from quietfloor.monitor.display.panel_session import SessionPanel
from quietfloor.monitor.display.theme import Look

COLUMNS = 12


class Layout:
    """The panels in their grid. ``alone``: the panel that has it all; ``session``, ``far``: that view is on."""

    def __init__(self, parent: QWidget, ladder: LadderPanel, averages: AverageViews) -> None:
        self.plane, self.average, self.eeg = PlanePanel(), averages.average, EegPanel()
        self.noise, self.ladder, self.board = NoisePanel(), ladder, BoardPanel()
        self.sight, self.large = SessionPanel(), FarPanel()
        self._averages = averages
        of_run: list[Panel] = [self.plane, self.average, self.eeg, self.noise, self.ladder]
        self.panels: list[Panel] = [*of_run, self.board, self.sight, self.large, averages.levels, averages.growth]
        for panel in (self.board, self.sight, self.large, *averages.panels):
            panel.setParent(parent)  # else it would be a window of its own when it is shown first
        self.alone: Panel | None = None
        self.session = self.far = False
        self.grid = QGridLayout()
        self.grid.setSpacing(7)
        self.grid.setContentsMargins(8, 4, 8, 2)
        for column in range(COLUMNS):
            self.grid.setColumnStretch(column, 1)
            self.grid.setColumnMinimumWidth(column, 40)

    def present(self, stage: Stage) -> list[Panel]:
        """Those that say something about what is shown: of a search its board, of any other run all of its panels."""
        if self.far:
            return [self.large]
        if self.session or stage == "session":
            return [self.sight]
        of_run = [self.plane, self._averages.shown, self.eeg, self.noise, self.ladder]
        return [self.board, self.eeg] if stage in BOARD else of_run

    def divide(self, stage: Stage, look: Look) -> None:
        """One panel all of it, or each its part of two rows."""
        present = self.present(stage)
        self.alone = self.alone if self.alone in present else None
        for panel in self.panels:
            self.grid.removeWidget(panel)
            panel.setVisible(panel is self.alone or (self.alone is None and panel in present))
        board = self.board in present
        for row, part in enumerate((84, 16) if board else (58, 42)):
            self.grid.setRowStretch(row, part)
        self.grid.setRowMinimumHeight(1, look.px(STRIP) if board else 0)  # room for the names of two channels
        self.eeg.make_strip(board and self.alone is None)
        whole = self.alone or (present[0] if len(present) == 1 else None)
        if whole is not None:
            self.grid.addWidget(whole, 0, 0, 2, COLUMNS)
            return
        if board:
            self.grid.addWidget(self.board, 0, 0, 1, COLUMNS)
            self.grid.addWidget(self.eeg, 1, 0, 1, COLUMNS)
            return
        lower = (4, 4, 4) if look.projector else (5, 4, 3)  # larger letters need another division
        for row, panels, widths in (
            (0, (self.plane, self._averages.shown), (6, 6)), (1, (self.eeg, self.noise, self.ladder), lower),
        ):  # fmt: skip
            column = 0
            for panel, wide in zip(panels, widths, strict=True):
                self.grid.addWidget(panel, row, column, 1, wide)
                column += wide
