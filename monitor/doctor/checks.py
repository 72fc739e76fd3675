"""Checks for missing parts of this machine, each with the command that installs it.

Each part is tested separately, so that a failing part does not hide others. Returns plain data; the command prints it.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from quietfloor.stimuli.lsl import PORTS, LslUnavailableError, load_pylsl, network_warning
from quietfloor.stimuli.outputs import ONE_EARPHONE, list_outputs, suitability, usable

State = Literal["ok", "warning", "missing"]

OLDEST_PYTHON = (3, 11)
# A minute of 32 channels x 16 kHz float32 with stamps is 126 MB: an hour is 7.6 GB, and an hour of 3 channels 1.2 GB.
FREE_WARNING_BYTES = 2_000_000_000
FREE_MISSING_BYTES = 200_000_000

# System packages by family of distribution. Debian's names are those that Debian 12 needed; the others are from memory.
_PORTAUDIO = {
    "apt": "sudo apt-get install -y libportaudio2",
    "dnf": "sudo dnf install -y portaudio",
    "pacman": "sudo pacman -S --needed portaudio",
    "zypper": "sudo zypper install -y libportaudio2",
    "brew": "brew install portaudio",
}
_WINDOW = {
    "apt": (
        "sudo apt-get install -y libgl1 libglib2.0-0 libfontconfig1 libdbus-1-3 libxkbcommon-x11-0 libxcb-icccm4 libxcb-image0 "
        "libxcb-keysyms1 libxcb-randr0 libxcb-render-util0 libxcb-shape0 libxcb-xinerama0 libxcb-xkb1 libx11-xcb1"
    ),
    "dnf": (
        "sudo dnf install -y mesa-libGL glib2 fontconfig dbus-libs libxkbcommon-x11 xcb-util-image xcb-util-keysyms xcb-util-wm"
    ),
    "pacman": (
        "sudo pacman -S --needed libglvnd glib2 fontconfig dbus libxkbcommon-x11 xcb-util-image xcb-util-keysyms xcb-util-wm"
    ),
}
_TOOLS = {
    "apt": ("apt-get", ("debian", "ubuntu")),
    "dnf": ("dnf", ("fedora", "rhel", "centos")),
    "pacman": ("pacman", ("arch",)),
    "zypper": ("zypper", ("suse", "opensuse")),
}
_PIP = f'"{sys.executable}" -m pip install --upgrade'


@dataclass(frozen=True)
class Check:
    """One part: its state, what was found, what needs it, and the command that installs or repairs it ("" if nothing is to be
    done)."""

    part: str
    state: State
    found: str
    needed_for: str
    remedy: str = ""
    required: bool = True  # without it not even a run on the virtual patient works


def run_checks(folder: Path | str = ".", loopback: bool = True, window: bool = True) -> list[Check]:
    """Try everything; ``folder`` is where runs will be kept. ``loopback`` sends and reads a stream, ``window`` opens Qt once."""
    checks = [_python()]
    for name, package in {"numpy": "numpy", "scipy": "scipy", "pydantic": "pydantic", "rich": "rich"}.items():
        checks.append(_package(name, package))
    checks.append(_lsl())
    if loopback and checks[-1].state != "missing":
        checks.append(_lsl_loopback())
    checks.append(_sound())
    if window:
        checks.append(_window())
    checks.append(_formats())
    checks.append(_folder(Path(folder)))
    return checks


def healthy(checks: list[Check]) -> bool:
    """Whether every required part is present."""
    return not any(check.required and check.state == "missing" for check in checks)


def package_tool(
    system: str | None = None, os_release: Mapping[str, str] | None = None, which: Callable[[str], Any] = shutil.which
) -> str:
    """Package tool of this system: apt, dnf, pacman, zypper or brew; pip on Windows and unknown systems."""
    system = system or platform.system()
    if system == "Darwin":
        return "brew"
    if system != "Linux":
        return "pip"
    if os_release is None:
        try:
            os_release = platform.freedesktop_os_release()
        except OSError:
            os_release = {}
    family = f"{os_release.get('ID', '')} {os_release.get('ID_LIKE', '')}".split()
    for tool, (_, families) in _TOOLS.items():
        if any(name in families for name in family):
            return tool
    return next((tool for tool, (program, _) in _TOOLS.items() if which(program)), "pip")


def _python() -> Check:
    found = f"Python {platform.python_version()} at {sys.executable}"
    oldest = ".".join(map(str, OLDEST_PYTHON))
    if sys.version_info >= OLDEST_PYTHON:
        return Check("Python", "ok", found, "everything")
    return Check("Python", "missing", found, "everything", f"install Python {oldest} or newer from https://www.python.org/downloads/")


def _package(name: str, package: str) -> Check:
    try:
        module = importlib.import_module(name)
    except Exception as error:  # a broken binary wheel can raise anything
        return Check(name, "missing", _reason(error), "everything", f"{_PIP} {package}")
    return Check(name, "ok", f"{name} {getattr(module, '__version__', '')}".strip(), "everything")


def _formats() -> Check:
    needed = "export to BDF, EDF and BIDS; everything else works without it"
    try:
        importlib.import_module("edfio")
    except Exception as error:
        return Check("BDF (edfio)", "missing", _reason(error), needed, f"{_PIP} edfio", required=False)
    return Check("BDF (edfio)", "ok", f"edfio {importlib.metadata.version('edfio')}", needed)


def _lsl() -> Check:
    needed = "live runs and the virtual patient"
    try:
        pylsl = load_pylsl()
    except LslUnavailableError as error:
        return Check("Lab Streaming Layer", "missing", _reason(error), needed, f"{_PIP} pylsl")
    version = pylsl.library_version()
    config = os.environ.get("LSLAPICFG", "")
    found = f"pylsl {getattr(pylsl, '__version__', '?')}, liblsl {version // 100}.{version % 100}, configured by {config}"
    if not Path(config).is_file():
        return Check("Lab Streaming Layer", "warning", found, needed, "LSLAPICFG names no file: correct it or unset it")
    if warning := network_warning(Path(config)):
        return Check("Lab Streaming Layer", "warning", found, needed, warning)
    return Check("Lab Streaming Layer", "ok", found, needed)


def _lsl_loopback() -> Check:
    from quietfloor.monitor.doctor.loopback import loopback_fault

    part, needed = "LSL on this machine", "live runs and the virtual patient"
    fault = loopback_fault()
    if fault is None:
        return Check(part, "ok", "an own stream was found by name and read back bit for bit", needed)
    remedy = (
        f"let {PORTS} pass on loopback in the firewall; on macOS allow Local Network for the terminal in "
        "System Settings > Privacy; check that the file LSLAPICFG has KnownPeers = {127.0.0.1}"
    )
    return Check(part, "missing", fault, needed, remedy)


def _sound() -> Check:
    part, needed = "sound (PortAudio)", "playing over a sound card; not for the virtual patient"
    try:
        sounddevice = importlib.import_module("sounddevice")
        outputs = list_outputs()
        able = [output for output in outputs if usable(suitability(output))]
    except ImportError as error:
        return Check(part, "missing", _reason(error), needed, f"{_PIP} sounddevice", required=False)
    except Exception as error:  # OSError without PortAudio, PortAudioError without a working host API
        remedy = _PORTAUDIO.get(package_tool(), f"{_PIP} sounddevice")
        return Check(part, "missing", _reason(error), needed, remedy, required=False)
    version = sounddevice.get_portaudio_version()[1]
    if not outputs:
        return Check(part, "warning", f"{version}; no output device", needed, "connect a sound card", required=False)
    found = f"{version}; outputs: {len(outputs)}, of which can play a run: {len(able)}"
    two = [one for one in outputs if one.channels == 2 and usable(suitability(one, channels=ONE_EARPHONE))]
    found += f"; one ear, with the trigger on the other output: {len(two)}" if two else ""
    if not able and not two:
        remedy = "an interface with 3 outputs or more, reached without a mixer: `quietfloor outputs` says what each one lacks"
        return Check(part, "warning", found, needed, remedy, required=False)
    return Check(part, "ok", found, needed, required=False)


_OPEN_WINDOW = """
from PyQt5 import QtCore, QtWidgets
import pyqtgraph
application = QtWidgets.QApplication([])
print(QtCore.PYQT_VERSION_STR, pyqtgraph.__version__)
"""


def _window() -> Check:
    # In a process of its own: Qt ends the whole program when a platform library is missing.
    part, needed = "window (PyQt5, pyqtgraph)", "the window; without it the display is text"
    environment = dict(os.environ)
    screen = platform.system() != "Linux" or bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))
    if not screen:
        environment["QT_QPA_PLATFORM"] = "offscreen"
    try:
        tried = subprocess.run(
            [sys.executable, "-c", _OPEN_WINDOW], env=environment, capture_output=True, text=True, timeout=60, check=False
        )
    except subprocess.TimeoutExpired:
        return Check(part, "missing", "Qt did not start within 60 s", needed, "start with --no-window", required=False)
    if tried.returncode == 0:
        seen = "a screen" if screen else "no screen (drawn off screen)"
        return Check(part, "ok", f"PyQt5 and pyqtgraph {tried.stdout.strip()}, {seen}", needed, required=False)
    last = (tried.stderr.strip().splitlines() or [f"exit status {tried.returncode}"])[-1]
    if "No module named" in tried.stderr:
        return Check(part, "missing", last, needed, f"{_PIP} PyQt5 pyqtgraph", required=False)
    return Check(part, "missing", last, needed, _WINDOW.get(package_tool(), f"{_PIP} PyQt5 pyqtgraph"), required=False)


def _folder(folder: Path) -> Check:
    part, needed = "recording folder", "keeping runs"
    folder = folder.resolve()
    try:
        # A folder yet to be made is judged by the one it will be made in.
        there = next(path for path in (folder, *folder.parents) if path.exists())
        with tempfile.NamedTemporaryFile(dir=there) as file:
            file.write(b"x")
            file.flush()
            os.fsync(file.fileno())
        free = shutil.disk_usage(there).free
    except OSError as error:
        return Check(part, "missing", f"{folder}: {_reason(error)}", needed, "choose a folder that you may write with --out DIR")
    found = f"{folder}: {free / 1e9:.1f} GB free"
    if free < FREE_MISSING_BYTES:
        return Check(part, "missing", found, needed, "free some space, or choose another disk with --out DIR")
    if free < FREE_WARNING_BYTES:
        return Check(part, "warning", found, needed, "an hour of 3 channels at 16 kHz takes 1.2 GB: free some space")
    return Check(part, "ok", found, needed)


def _reason(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
