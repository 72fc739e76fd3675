"""Findings of the check before a run: frozen values with a number, a severity, and what to do."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

Severity = Literal["ok", "wait", "look", "stop"]
# "ok": nothing to do. "wait": not known yet. "look": the run will work, but a person should know. "stop": it will not, or would
# measure nothing.
RISING: tuple[Severity, ...] = ("ok", "wait", "look", "stop")

OWN_CHOICE = "own choice"


@dataclass(frozen=True)
class Finding:
    """One finding. ``about`` is a key of TERMS, ``said`` the number with its unit, ``subject`` a channel or "".

    ``value`` (nan: none) is the number that was judged, in ``unit``; ``limit`` is the limit for it, with its ``basis``. ``parts``
    are further numbers by name, in the same unit.
    """

    about: str
    severity: Severity
    said: str
    remedy: str = ""
    subject: str = ""
    value: float = math.nan
    unit: str = ""
    limit: float = math.nan
    basis: str = ""
    parts: tuple[tuple[str, float], ...] = ()

    @property
    def title(self) -> str:
        return TERMS[self.about][0]

    @property
    def meaning(self) -> str:
        """Explanation of the term in one sentence."""
        return TERMS[self.about][1]

    def record(self) -> dict[str, Any]:
        """The finding as JSON values; unknown numbers are nan here and become null when written."""
        return {
            "about": self.about, "subject": self.subject or None, "severity": self.severity, "said": self.said,
            "remedy": self.remedy or None, "value": self.value, "unit": self.unit or None, "limit": self.limit,
            "basis": self.basis or None, "parts": dict(self.parts),
        }  # fmt: skip


@dataclass(frozen=True)
class Group:
    """Findings that belong together, shown as one step. ``name`` is stable, ``title`` is for display."""

    name: str
    title: str
    findings: tuple[Finding, ...]

    @property
    def severity(self) -> Severity:
        return worst(finding.severity for finding in self.findings)


def worst(severities: Iterable[Severity]) -> Severity:
    """The most serious severity; "ok" for none."""
    return max(severities, key=RISING.index, default="ok")


def ready(groups: Iterable[Group]) -> bool:
    """Whether a run may begin: no finding says stop, and none is still unknown."""
    return all(finding.severity in ("ok", "look") for group in groups for finding in group.findings)


def summary(groups: Iterable[Group]) -> str:
    """Summary of all findings in one sentence."""
    counts = dict.fromkeys(RISING, 0)
    for group in groups:
        for finding in group.findings:
            counts[finding.severity] += 1
    looks = f"{_points(counts['look'])} to look at"
    if counts["stop"]:
        also = f", {looks}" if counts["look"] else ""
        return f"Not ready: {_points(counts['stop'])} to mend first{also}"
    if counts["wait"]:
        return f"Not known yet: {_points(counts['wait'])} to wait for"
    return f"Ready, with {looks}" if counts["look"] else "Ready"


def _points(number: int) -> str:
    return f"{number} point" if number == 1 else f"{number} points"


def parted(text: object) -> tuple[str, str]:
    """Split an error text WHAT: REMEDY into the problem and what to do. A colon within a path or a name does not split it."""
    told = str(text)
    unquoted = re.sub(r"(?<!\w)(['\"`])(?:(?!\1).)*\1(?!\w)", lambda found: "-" * len(found[0]), told)
    at = unquoted.rfind(": ")
    return (told, "") if at < 0 else (told[:at], told[at + 2 :])


# Title, and what it is in one sentence.
TERMS: dict[str, tuple[str, str]] = {
    "stream": ("stream", "Lab Streaming Layer carries the samples of the amplifier from its program to this one."),
    "rate": (
        "sampling rate",
        "Samples a second, as the stream states it and as its time stamps say; ppm are parts in a million, ± one standard error.",
    ),
    "bandwidth": ("bandwidth", "The frequencies that reach this program; a response needs those of the plan's band."),
    "unit": ("unit", "What one step of the stream's numbers is worth in microvolts (millionths of a volt)."),
    "samples": ("samples", "Samples that are missing by their time stamps, or are no numbers; sweeps there are rejected."),
    "identity": ("source id", "By its source id a stream is known again when its program restarts."),
    "floor": (
        "noise after the run",
        "Noise that the average will still hold after all sweeps: the noise now, over the square root of their number.",
    ),
    "signal": ("signal", "Whether the input moves at all: one at its limit, or one that stands still, measures nothing."),
    "resolution": ("resolution", "The smallest step of the samples: if it is as large as the noise it is too coarse."),
    "mains": ("mains hum", "The power supply's frequency and its multiples; amplitude is half of the way from trough to peak."),
    "noise": ("noise", "What the channel holds in the plan's band, as RMS; the fewer microvolts, the fewer sweeps are needed."),
    "drift": ("offset and drift", "The steady voltage between the electrodes, and how fast it moves while a contact settles."),
    "test_tone": (
        "test signal",
        "Amplifiers measure impedance by a small tone through the electrodes; some boards use 31.25 Hz, and forget to stop.",
    ),
    "impedance": ("impedance", "How hard an electrode's contact is to pass, as the stream itself says; low and alike is good."),
    "trigger": ("trigger", "The pulse in a channel of the same stream that says when each stimulus starts."),
    "trigger_rate": ("stimulus rate", "Triggers a second; in step with the mains, hum would pass for a response."),
    "doubled": ("double triggers", "Triggers much closer together than the others: bouncing, or other events in that channel."),
    "sound": ("sound", "What will be played, at which ear and level."),
    "jack": (
        "jack of the trigger",
        "With one earphone for both ears the trigger leaves by an output that usually feeds an ear; it counts as a sound there.",
    ),
    "window": (
        "response window",
        "The part of the average in which a response is looked for; a wave that may come after it proves nothing.",
    ),
    "ceiling": ("output ceiling", "The loudest that this program lets out for this transducer and age group."),
    "calibration": ("calibration", "A file that says how loud full scale is on this output; dB nHL need one."),
    "both_ears": ("both ears", "The same sound in both ears at once: a response is of one of them, or of both."),
    "equalised": ("equaliser", "A filter that undoes the response of the earphone, as the calibration measured it with tones."),
    "ipsilateral_noise": (
        "noise in the tested ear",
        "Noise that plays with the stimulus, so that only the places of the cochlea respond whose frequencies it leaves free.",
    ),
    "level_check": ("level check", "A tone over a wire loop against the calibration: it tells a volume control that was moved."),
    "bits": ("bits", "Steps of the sound card's converter that a quiet stimulus still uses, as a power of two; few are coarse."),
    "dose": ("sound dose", "How much sound an ear got in this session and will get, of what it may get in a day."),
    "timing": ("timing", "A measurement by a wire loop of how long after its trigger the stimulus leaves, and how steadily."),
}
