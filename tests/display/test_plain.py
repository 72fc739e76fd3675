"""The small plain parts: keys, words, colours, what is remembered, whether there is a screen."""

from __future__ import annotations

import itertools
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.display import screen
from quietfloor.monitor.display.actions import ACTIONS, ALWAYS, ONE_HAND, Stage, offered, spoken
from quietfloor.monitor.display.frames import FrameTimes
from quietfloor.monitor.display.terms import TERMS, explained, tooltip
from quietfloor.monitor.display.theme import DARK, LIGHT, THEMES, Look, Theme
from quietfloor.monitor.display.views import STATES
from quietfloor.monitor.display.window_settings import (
    LEAST,
    TITLE,
    Place,
    WindowSettings,
    fitted,
    recall,
    remember,
    settings_file,
)

# -- keys -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("in_session", [False, True], ids=["run", "session"])
@pytest.mark.parametrize("stage", ALWAYS)
def test_no_key_means_two_things(stage: Stage, in_session: bool) -> None:
    keys = [key for action in offered(stage) for key in action.keys_in(stage, in_session)]
    assert len(keys) == len(set(keys))
    names = [action.name for action in offered(stage)]
    assert len(names) == len(set(names))
    assert all(action.keys and action.text and action.group for action in ACTIONS)


def test_everything_that_a_run_needs_has_a_key() -> None:
    assert {action.name for action in offered("run")} >= {"stop", "mark", "next", "pause", "back", "export", "keys", "quit"}
    assert {action.name for action in offered("replay")} >= {"play", "slower", "faster", "go_to", "back", "forward"}
    search = {"stop", "mark", "next", "pause_sound", "leave", "only_louder", "all_levels", "cell_play", "cell_up", "panel_6"}
    assert {action.name for action in offered("search")} >= search
    assert {action.name for action in offered("searched")} >= {"play", "cell_up", "cell_right", "panel_6"}
    assert [spoken(key) for key in ("S", "Left", ",")] == ["S", "←", "comma"]


@pytest.mark.parametrize("stage", ["run", "search", "session"])
def test_in_a_session_the_keys_of_a_presenter_do_the_same_at_every_stage(stage: Stage) -> None:
    """Page up, Page down, Enter, b: what cheap presenters and foot switches send (common practice, no source)."""
    meant = {key: action.name for action in offered(stage) for key in action.keys_in(stage, in_session=True)}
    presenter = {key: meant[key] for key in sorted(ONE_HAND)}
    assert presenter == {
        "PgUp": "step_back", "PgDown": "step_on", "Return": "step_do", "Enter": "step_do", "F5": "step_do", "B": "one_stop",
        ".": "one_stop",
    }  # fmt: skip


def test_every_step_of_a_session_has_a_key_and_a_button_of_its_own() -> None:
    steps = {"next", "louder", "softer", "mask", "repeat", "discard", "condition_next", "kind", "mark", "report", "files"}
    there = {action.name: action for action in offered("session")}
    assert steps <= set(there)
    assert all(there[name].has_button("session") and len(there[name].keys[0]) <= 2 for name in steps)
    assert {action.name for action in offered("run")} >= {"stop", "one_stop"}


# -- words ------------------------------------------------------------------------------------------------------------


def test_each_term_is_found_in_a_text_and_explained_in_one_sentence() -> None:
    text = "Undecided: evidence 1.2 of 2.0, noise 31 nV of 15 nV, decision expected in 25 to 60 s · 46 rejected: too large"
    assert [term for term, _ in explained(text)] == ["evidence", "residual noise", "nV, µV", "rejected", "decision expected"]
    lag = "odd and even half: r 0.13 · processing lag 4 ms"
    assert [term for term, _ in explained(lag)] == ["processing lag", "odd and even half", "r, correlation of the halves"]
    assert not list(explained("half a second behind, A and B"))
    for term, pattern, meaning in TERMS:
        assert meaning.endswith("."), term
        assert meaning.count(". ") == 0, f"{term}: one sentence"
        assert pattern
    assert tooltip("") == ""
    assert tooltip("nothing to explain", "It is this.") == "<qt><p>It is this.</p></qt>"


# -- colours ----------------------------------------------------------------------------------------------------------

# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291, whole loss of one kind of cone; on linear RGB (from memory).
LOSS = {
    "nobody": np.eye(3),
    "red": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "green": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "blue": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
}
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # sRGB, IEC 61966-2-1


def linear(colour: str) -> np.ndarray:
    part = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear RGB."""
    ratio = XYZ @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(ratio > 0.008856, np.cbrt(ratio), 7.787 * ratio + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """Between text and ground, as WCAG 2 computes it."""
    low, high = sorted(float(XYZ[1] @ linear(colour)) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


VERDICTS, QUIET = ("undecided", "present", "absent", "fault"), ("waiting", "stopped")  # "earlier" looks like "waiting"


@pytest.mark.parametrize("theme", THEMES.values(), ids=lambda theme: theme.name)
@pytest.mark.parametrize("eye", LOSS)
def test_ears_and_states_differ_for_every_eye(theme: Theme, eye: str) -> None:
    """An ear stands beside a state in the sentence, the session view, the board and the large letters; states stand beside each
    other on rungs and in tables. Distance in CIE 1976 L*a*b*, in which 2.3 can just be seen (Mahy, Van Eycken & Oosterlinck
    1994, Color Res Appl 19:105, from memory). Own choice: 17; 9 from the colours of what is neither found nor missed; 25 from the
    right ear, which is olive without red or green, to "undecided", which is so too and stands beside it most of the time."""
    assert theme.states["earlier"] == theme.states["waiting"]
    inks = {state: theme.states[state] for state in (*VERDICTS, *QUIET)} | theme.ears
    seen = {name: lab(LOSS[eye] @ linear(ink)) for name, ink in inks.items()}
    apart = {pair: float(np.linalg.norm(seen[pair[0]] - seen[pair[1]])) for pair in itertools.combinations(seen, 2)}

    def least(pair: tuple[str, str]) -> float:
        if set(pair) & set(QUIET):
            return 9.0
        if set(pair) == {"right", "undecided"}:
            return 25.0
        return 13.0 if eye == "blue" and set(pair) & set(theme.ears) else 17.0  # few persons lack blue (1 of 10,000, from memory)

    assert {pair: round(far) for pair, far in apart.items() if far < least(pair)} == {}


@pytest.mark.parametrize("theme", THEMES.values(), ids=lambda theme: theme.name)
def test_the_right_ear_is_red_and_the_left_one_blue(theme: Theme) -> None:
    """As in an audiogram (ASHA 1990, guidelines for audiometric symbols, from memory): hue of L*a*b* in degrees, and a chroma
    that is enough for a name (own choice)."""
    for ear, first, last in (("right", 10, 40), ("left", 260, 300)):
        _, a, b = lab(linear(theme.ears[ear]))
        assert first < np.degrees(np.arctan2(b, a)) % 360 < last
        assert np.hypot(a, b) > 40
    inks = [*theme.states.values(), *theme.overlays, theme.expected, theme.average]
    assert not set(theme.ears.values()) & set(inks)


@pytest.mark.parametrize("theme", THEMES.values(), ids=lambda theme: theme.name)
def test_every_text_stands_out_from_its_ground(theme: Theme) -> None:
    assert set(theme.states) == set(STATES)
    pairs = [(ink, ground) for ink in (theme.ink, theme.quiet) for ground in (theme.ground, theme.sheet)]
    pairs += [(theme.ink, theme.button), (theme.left_out_ink, theme.left_out)]
    pairs += [(theme.sheet, theme.quiet)]  # the default button of a question
    pairs += [(theme.quiet, theme.unjudged), (theme.average, theme.sheet), (theme.odd_half, theme.sheet)]
    pairs += [(ink, theme.sheet) for ink in (*theme.overlays, *theme.ears.values())]
    pairs += [(ink, ground) for ink in theme.states.values() for ground in (theme.ground, theme.sheet)]
    pairs += [(theme.states["present"], theme.present_region), (theme.states["absent"], theme.absent_region)]
    weak = {pair: round(contrast(*pair), 2) for pair in pairs if contrast(*pair) < 4.5}
    assert weak == {}
    assert contrast(theme.even_half, theme.sheet) >= 3  # a curve, and its name beside a sample of it


def test_a_projector_gets_larger_letters_and_thicker_lines() -> None:
    usual, large = Look(), Look(projector=True)
    assert large.px() > 1.3 * usual.px()
    assert (large.line, large.thin) > (usual.line, usual.thin)
    assert THEMES == {"light": LIGHT, "dark": DARK}


# -- what is remembered -----------------------------------------------------------------------------------------------


def test_what_the_window_remembers_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "window.json"
    assert recall(path) == (WindowSettings(), "")
    places = {"laptop": Place(10, 40, 1000, 640), "projector": Place(0, 40, 1280, 720, "full screen")}
    kept = WindowSettings(places, "laptop", "dark", True, False, True, "electrodes", "average", 200.0)
    remember(path, kept)
    assert recall(path) == (kept, "")
    assert [found.name for found in path.parent.iterdir()] == ["window.json"]


@pytest.mark.parametrize("content", [b"", b"{", b"[1, 2]", b"\xff\xfe", b"[" * 100_000, b"null"])
def test_a_damaged_file_is_ignored_with_a_notice(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "window.json"
    path.write_bytes(content)
    found, notice = recall(path)
    assert found == WindowSettings()
    assert "cannot be read" in notice


def test_single_values_that_make_no_sense_are_left_at_their_defaults(tmp_path: Path) -> None:
    path = tmp_path / "window.json"
    good, many = {"x": 1, "y": 2, "width": 3, "height": 4}, {f"screen {number}": 5 for number in range(50)}
    worse = ({"x": 1.5}, {"width": True}, {"y": 1e99}, {"height": 10**6}, {"state": "gone"})
    bad = (5, {}, *(good | one for one in worse))
    places = many | {str(number): place for number, place in enumerate(bad)} | {"laptop": good | {"more": 1}}
    content = {"theme": "purple", "projector": "yes", "halves": False, "geometry": "AAAA", "places": places, "screen": 7}
    path.write_text(json.dumps(content))
    assert recall(path) == (WindowSettings({"laptop": Place(1, 2, 3, 4)}, halves=False), "")
    path.write_text(json.dumps({"places": [1]}))
    assert recall(path) == (WindowSettings(), "")
    for scale_nv in ("200", None, True, -200.0, 1e-3, 1e9, float("inf"), float("nan")):
        path.write_text(json.dumps({"scale_nv": scale_nv, "projector": True}))
        assert recall(path)[0].scale_nv == 0.0, "the scale fits the curves"


ROOMS = [(1280, 680), (1366, 728), (1920, 1040), (2560, 1400), (900, 600), (800, 560), (640, 400)]


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize(
    "place",
    [
        None, Place(0, 40, 900, 560), Place(3000, 200, 1280, 720), Place(-4000, -90, 1000, 600), Place(40, 60, 5000, 5000),
        Place(9, 9, 1, 1),
    ],
)
def test_a_window_lies_in_the_free_part_of_its_screen(place: Place | None, room: tuple[int, int]) -> None:
    found = fitted(place, room)
    assert 0 <= found.x <= found.x + found.width <= room[0]
    assert TITLE <= found.y <= found.y + found.height <= room[1]
    assert found.width >= min(LEAST[0], room[0])
    assert found.height >= min(LEAST[1], room[1] - TITLE)


def test_a_place_that_fits_is_kept_and_the_first_one_is_in_the_middle() -> None:
    kept = Place(100, 80, 1000, 640, "maximised")
    assert fitted(kept, (1920, 1040)) == kept
    assert fitted(None, (1920, 1040)) == Place(320, 180, 1280, 720)
    assert fitted(None, (1280, 680)) == Place(0, 40, 1280, 640)


def test_a_place_that_cannot_be_written_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    remember(tmp_path / "file" / "window.json", WindowSettings())
    assert recall(tmp_path / "file" / "window.json")[0] == WindowSettings()


def test_settings_are_where_this_system_keeps_them(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    assert settings_file() == tmp_path / "quietfloor" / "window.json"
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("APPDATA", str(tmp_path / "roaming"))
    assert settings_file() == tmp_path / "roaming" / "quietfloor" / "window.json"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert settings_file().parts[-4:] == ("Library", "Application Support", "quietfloor", "window.json")


# -- is there a screen? -----------------------------------------------------------------------------------------------


@pytest.fixture
def headless(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    return monkeypatch


def test_without_a_screen_the_reason_is_said(headless: pytest.MonkeyPatch) -> None:
    assert "neither DISPLAY nor WAYLAND_DISPLAY" in screen.obstacle()
    headless.setenv("WAYLAND_DISPLAY", "wayland-0")
    assert screen.no_screen() == ""
    headless.delenv("WAYLAND_DISPLAY")
    headless.setattr(sys, "platform", "darwin")
    assert screen.no_screen() == ""


def test_missing_libraries_are_named(headless: pytest.MonkeyPatch) -> None:
    headless.setenv("DISPLAY", ":0")
    headless.setattr(screen, "NEEDED", ("PyQt5", "no_such_library"))
    assert screen.obstacle().startswith("no_such_library cannot be found")


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="other systems always have a screen")
def test_a_screen_that_cannot_be_reached_does_not_end_the_program(headless: pytest.MonkeyPatch) -> None:
    headless.setenv("DISPLAY", ":4711")
    assert "Qt cannot open one" in screen.obstacle()


def test_a_qt_that_paints_into_memory_is_a_screen_that_nobody_sees(headless: pytest.MonkeyPatch) -> None:
    assert not screen.unseen()
    headless.setenv("QT_QPA_PLATFORM", "offscreen")
    assert screen.unseen()
    assert screen.obstacle() == ""


def test_a_probe_that_hangs_is_given_up(headless: pytest.MonkeyPatch) -> None:
    headless.setenv("DISPLAY", ":0")
    headless.setattr(screen, "PATIENCE_S", 0.2)
    headless.setattr(screen, "PROBE", "import time; time.sleep(60)")
    assert "did not end well" in screen.obstacle()


# -- frames -----------------------------------------------------------------------------------------------------------


def test_a_frame_is_its_work_and_the_painting_after_it() -> None:
    frames = FrameTimes()
    assert frames.words == "no frames yet"
    frames.painted(1.0, 1.0)
    frames.worked(0.002, 0.001, 0.0)
    frames.painted(0.003, 0.002)
    frames.painted(0.001, 0.001)
    frames.worked(0.004, 0.003, 0.033)
    np.testing.assert_allclose(frames.frames_ms, [6.0, 4.0])
    np.testing.assert_allclose(frames.busy_ms, [4.0, 3.0])
    np.testing.assert_allclose(frames.intervals_ms, [33.0])
    assert "5.0 ms usually" in frames.words
    frames.clear()
    assert len(frames.frames_ms) == 0


def test_the_command_line_brings_in_no_window_before_it_is_asked_for() -> None:
    environment = {name: value for name, value in os.environ.items() if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
    script = (
        "import sys, quietfloor.monitor.cli; quietfloor.monitor.cli.parser().parse_args(['demo']); print('PyQt5' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, env=environment)
    assert done.stdout.strip() == "False"


# -- the page of the window -------------------------------------------------------------------------------------------

ROOT = Path(__file__).parents[2]


def test_its_pictures_are_there_and_small() -> None:
    named = re.findall(r"!\[[^\]]+\]\((images/[\w-]+\.png)\)", (ROOT / "docs/window.md").read_text(encoding="utf-8"))
    assert len(named) >= 3
    pictures = {path.relative_to(ROOT / "docs").as_posix(): path.stat().st_size for path in (ROOT / "docs/images").glob("*.png")}
    assert set(named) <= set(pictures)
    assert max(pictures.values()) < 150_000


def test_its_keys_are_those_of_the_window() -> None:
    section = (ROOT / "docs/window.md").read_text(encoding="utf-8").split("## Keys")[1].split("\n## ")[0]
    keys = re.findall(r"^\| ([^|]+?)(?:, twice)? \|", section, flags=re.MULTILINE)[1:]
    written = {key for cell in keys for key in re.split(r", | to | ", cell)} - {"-" * 3}
    assert {"S", "M", "Space", "←", "→", "E"} <= written
    assert written <= {spoken(key) for action in ACTIONS for key in action.keys}
