"""Test whether a window can be opened, without importing Qt into this program, because Qt ends the process if it finds no
screen."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys

PATIENCE_S = 30.0
PROBE = "import sys\nfrom PyQt5.QtWidgets import QApplication\nimport PyQt5.QtSvg, pyqtgraph\nQApplication(sys.argv[:1])\n"
NEEDED = ("PyQt5", "pyqtgraph")
IN_MEMORY = ("offscreen", "minimal")  # platforms of Qt without a screen


def unseen() -> bool:
    """Whether Qt draws into memory only, so that no person can see or close a window."""
    return os.environ.get("QT_QPA_PLATFORM", "").partition(":")[0] in IN_MEMORY


def no_screen() -> str:
    """Reason why there is no screen, "" if there seems to be one."""
    if sys.platform in ("win32", "darwin") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    ):
        return ""
    return "there is no screen (neither DISPLAY nor WAYLAND_DISPLAY is set)"


def obstacle() -> str:
    """Reason why no window can be opened, in words; "" if it can be opened."""
    reason = no_screen()
    if reason:
        return reason
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        return f"{' and '.join(missing)} cannot be found (`quietfloor doctor` says how to install it)"
    try:
        tried = subprocess.run(
            [sys.executable, "-c", PROBE], stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8", errors="replace",
            timeout=PATIENCE_S, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        return f"opening one was tried and did not end well ({error})"
    if tried.returncode == 0:
        return ""
    said = next((line.strip() for line in tried.stderr.splitlines() if line.strip()), "no reason given")
    return f"Qt cannot open one ({said[:200]}; `quietfloor doctor` says what is missing)"
