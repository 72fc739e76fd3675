"""Colours and sizes of the window, light and dark, as plain values. No Qt.

The colours of ears and states differ from each other for people who see only two of the three primary colours, and every text
stands out from its ground by 4.5 to 1 or more (``tests/display/test_plain.py`` computes both). Red and blue are for the ears.
"""

from __future__ import annotations

from dataclasses import dataclass, field

PROJECTOR = 1.35  # times the usual size of letters
BASE_PX = 13.0


@dataclass(frozen=True)
class Theme:
    """Colours as #rrggbb."""

    name: str
    ground: str
    sheet: str  # ground of a chart
    ink: str
    quiet: str  # text of less weight
    axis: str
    grid: str
    button: str
    states: dict[str, str] = field(default_factory=dict)
    present_region: str = ""
    absent_region: str = ""
    cone: str = ""
    band: str = ""
    average: str = ""
    odd_half: str = ""
    even_half: str = ""
    plus_minus: str = ""
    unjudged: str = ""
    expected: str = ""  # where wave V is expected
    signal: str = ""
    left_out: str = ""  # ground of a rejected stretch
    left_out_ink: str = ""
    left_out_signal: str = ""
    ears: dict[str, str] = field(default_factory=dict)
    overlays: tuple[str, ...] = ()


LIGHT = Theme(
    name="light",
    ground="#f4f1ea",
    sheet="#fefdfa",
    ink="#1b2430",
    quiet="#566070",
    axis="#8d8f94",
    grid="#ece8de",
    button="#e7e2d6",
    states={
        "waiting": "#555866", "undecided": "#9a6100", "present": "#23745c", "absent": "#522785", "stopped": "#3e4145",
        "discarded": "#555866", "fault": "#71002f", "earlier": "#555866", "present?": "#9a6100", "absent?": "#9a6100",
    },
    present_region="#d8ece6",
    absent_region="#e5def4",
    cone="#f3dda6",
    band="#d5e0e8",
    average="#14314a",
    odd_half="#a35c08",
    even_half="#5d7f99",
    plus_minus="#8b8f94",
    unjudged="#ebe7df",
    expected="#a35c08",
    signal="#647684",
    left_out="#f6dccb",
    left_out_ink="#863a08",
    left_out_signal="#d99a6c",
    ears={"right": "#a21933", "left": "#145dbc"},
    overlays=("#00798c", "#a2238e", "#6b4e16"),
)  # fmt: skip

DARK = Theme(
    name="dark",
    ground="#12161b",
    sheet="#191f26",
    ink="#eceef0",
    quiet="#a5b0bc",
    axis="#75808c",
    grid="#242c35",
    button="#28303a",
    states={
        "waiting": "#b1abb3", "undecided": "#e6b54e", "present": "#66d2ad", "absent": "#ccb9ff", "stopped": "#dad8dc",
        "discarded": "#b1abb3", "fault": "#e25576", "earlier": "#b1abb3", "present?": "#e6b54e", "absent?": "#e6b54e",
    },
    present_region="#173a34",
    absent_region="#2c2548",
    cone="#57461a",
    band="#25394a",
    average="#f3f6f8",
    odd_half="#dd9f3f",
    even_half="#86abc6",
    plus_minus="#7f8994",
    unjudged="#232a32",
    expected="#dd9f3f",
    signal="#8fa1ae",
    left_out="#4a2c1a",
    left_out_ink="#f0b48c",
    left_out_signal="#a86a3c",
    ears={"right": "#ff7f79", "left": "#62a3fb"},
    overlays=("#4fc3d9", "#e58ad4", "#cdb06a"),
)  # fmt: skip

THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


@dataclass(frozen=True)
class Look:
    """A theme at a size: what every widget is given. ``times``: factor of all sizes, for a screen with more pixels than usual."""

    theme: Theme = LIGHT
    projector: bool = False
    times: float = 1.0

    def px(self, times: float = 1.0) -> int:
        """Height of letters, ``times`` the usual one."""
        return max(9, round(BASE_PX * times * self.times * (PROJECTOR if self.projector else 1.0)))

    @property
    def line(self) -> int:
        """Width of a curve that is solid, opaque and not smoothed: no other kind is fast when it is thicker than 1."""
        return round(self.times * (3 if self.projector else 2))

    @property
    def thin(self) -> int:
        return round(self.times * (2 if self.projector else 1))
