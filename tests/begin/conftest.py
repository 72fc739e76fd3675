"""A stream, calibrations and places for drafts."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from quietfloor.monitor.begin.choices import Seen, find_calibrations
from quietfloor.monitor.begin.places import Places, Remembered, bench_folder
from quietfloor.monitor.sources.base import StreamDescription

TODAY = datetime.date(2026, 1, 31)
EARPHONE, VIBRATOR = (str((bench_folder() / name).resolve()) for name in ("virtual-earphone.toml", "virtual-vibrator.toml"))


def stream(
    name: str = "Amp", labels: tuple[str, ...] = ("Cz-M2", "Cz-M1", "TRIG"), rate_hz: float = 8000.0, source_id: str = "sn-1",
    units: tuple[str, ...] | None = None, uid: str = "", channel_format: str = "float32", kind: str = "EEG",
) -> StreamDescription:  # fmt: skip
    units = units or tuple("" if label == "TRIG" else "microvolts" for label in labels)
    return StreamDescription(
        name, kind, source_id, "here", uid or f"uid-{name}-{source_id}", 1.0, len(labels), rate_hz, channel_format, labels, units
    )


MARKERS = stream("Marks", ("",), 0.0, "", ("",), channel_format="string", kind="Markers")
OWN_AUDIO = stream("quietfloor audio", ("left", "right", "trigger"), 48_000.0, "quietfloor-audio", ("", "", ""), kind="Audio")


@pytest.fixture
def places(tmp_path: Path) -> Places:
    return Places(tmp_path / "settings", Remembered(str(tmp_path / "sessions")))


@pytest.fixture
def seen() -> Seen:
    return Seen((stream(), MARKERS, OWN_AUDIO), calibrations=find_calibrations([bench_folder()], []))
