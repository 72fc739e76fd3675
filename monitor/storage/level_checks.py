"""The level check in a session folder, for the runs of that session."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from quietfloor.monitor.untrusted.bounded_io import json_of

FILE = "level-check.json"


def last_check(session: Path, calibration: str | None, channels: tuple[int, int, int] | None = None) -> dict[str, Any] | None:
    """The check of this calibration on these outputs (of a sound card; None for audio over LSL) in the session folder.

    None if there is none, if it cannot be read, or if it does not say on which outputs it was made.
    """
    try:
        record = json_of(session / FILE)
        fits = record["calibration"] == calibration and (channels is None or record.get("channels") == list(channels[:2]))
        return record if calibration is not None and fits else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
