"""Cautions before a run, whose text changes only together with its version, and their acknowledgement."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

VERSION = "1"  # of CAUTIONS; run.json keeps it, so it must rise when any word of them changes (a test holds both together)
CAUTIONS: tuple[str, ...] = (
    "This is not a medical device: it is for research, teaching and bench work, and must not be used to diagnose or to screen.",
    "Sound can harm hearing. The output ceiling and the sound dose of this program are no substitute for measuring what leaves "
    "the earphone.",
    "Isolate before a person is connected: an isolated amplifier on battery, the computer on battery too. Nothing that touches a "
    "person may be connected to a computer, oscilloscope or charger on the mains.",
    "Infants: the same drive is 10 to 20 dB louder in a newborn's ear canal. Do not test an infant on your own.",
    "Follow local codes. Testing people belongs in the hands of licensed practice, with ethical approval where it is research.",
)

# Common practice, in our own words; no source is claimed.
PLACEMENT_ALWAYS: tuple[str, ...] = (
    "Check every contact right before each run, not only once a session.",
    "Lay the electrode leads close together, away from the cable of the transducer and from mains cables.",
)
PLACEMENT: dict[str, tuple[str, ...]] = {
    "air": ("Seat the earphone fully; a tube must not be bent, nor lie under the person.",),
    "bone": (
        "Set the bone vibrator on a bony spot.",
        "Keep it clear of the electrode and of the outer ear.",
        "Hold it with a steady, light pressure that stays the same from run to run.",
    ),
    "": (
        "Seat the earphone fully.",
        "A bone vibrator: on a bony spot, clear of the electrode and of the outer ear, with a steady, light pressure.",
    ),
}


def placement(route: str | None) -> tuple[str, ...]:
    """Reminders for "air", "bone", or None (other equipment makes the sound)."""
    return (*PLACEMENT[route or ""], *PLACEMENT_ALWAYS)


@dataclass(frozen=True)
class Acknowledged:
    """Acknowledgement of the cautions: version, time (ISO), and how; the findings that said stop and were overruled; and cautions
    that this plan alone needs (``also``)."""

    version: str
    at: str
    how: str
    despite: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    def record(self) -> dict[str, Any]:
        """The acknowledgement as it is written to run.json."""
        record = {"version": self.version, "at": self.at, "how": self.how, "despite": list(self.despite)}
        return record | ({"also": list(self.also)} if self.also else {})


def acknowledge(
    how: str, now: datetime.datetime, despite: tuple[str, ...] = (), also: tuple[str, ...] = ()
) -> Acknowledged:
    return Acknowledged(VERSION, now.isoformat(timespec="seconds"), how, despite, also)
