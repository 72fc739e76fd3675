"""One factor on what must stay wall time: bounds that only end a test that hangs. Whatever is judged counts stream time."""

from __future__ import annotations

import os

SLOW = float(os.environ.get("QUIETFLOOR_SLOW", "3"))  # a test alone needs none of it; seen: load 15 on two cores


def patience(seconds: float) -> float:
    """What takes less than `seconds` on an idle machine has certainly hung after so long on this one."""
    return SLOW * seconds
