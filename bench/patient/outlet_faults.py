"""Faults of a stream as a whole, for the rig; faults within a stream are in `quietfloor.bench.patient.stream_faults`."""

from __future__ import annotations

from dataclasses import dataclass

from quietfloor.bench.patient.stream_faults import STREAM_FAULTS

DEFAULT_S = 10.0


@dataclass(frozen=True)
class OutletFault:
    """One fault. ``late``: everything is sent late, by the number of seconds after the @. ``hold_s``: nothing is sent for this
    time, then everything at once. ``away_s``: the stream is gone for this time, then comes back with the changes in the other
    fields; without ``source_id`` it has none from the start."""

    what: str
    late: bool = False
    hold_s: float = 0.0
    away_s: float = 0.0
    source_id: bool = True
    more_channels: int = 0
    channel_format: str = "float32"
    rate_times: float = 1.0


OUTLET_FAULTS = {
    "lag": OutletFault("late from the start, with its true stamps: equipment that cannot keep up", late=True),
    "stall": OutletFault("held up for 1.5 s, then a flood", hold_s=1.5),
    "away": OutletFault("gone for 2 s, then back", away_s=2.0),
    "away-no-id": OutletFault("gone, and not known again when it is back", away_s=2.0, source_id=False),
    "away-channels": OutletFault("back with a channel more", away_s=2.0, more_channels=1),
    "away-format": OutletFault("back in another format", away_s=2.0, channel_format="double64"),
    "away-rate": OutletFault("back with another nominal rate", away_s=2.0, rate_times=0.5),
}
KINDS = (*(name for name in STREAM_FAULTS if name != "none"), *OUTLET_FAULTS)


def parsed(text: str) -> tuple[str, float]:
    """``KIND`` or ``KIND@SECONDS``. Raises ValueError."""
    kind, _, seconds = text.partition("@")
    if kind not in KINDS:
        raise ValueError(f"--fault {text}: no fault is called {kind!r}; there are {', '.join(KINDS)}")
    try:
        at_s = float(seconds) if seconds else DEFAULT_S
    except ValueError:
        at_s = -1.0
    if not 0.0 <= at_s <= 36_000.0:
        raise ValueError(f"--fault {text}: give seconds of sound from 0 to 36000 behind the @, such as {kind}@10")
    return kind, at_s
