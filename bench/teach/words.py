"""What the window of a lesson says in words: frozen values, no Qt. Before the answer is revealed nothing here says what it is."""

from __future__ import annotations

import math

from quietfloor.bench.teach.choices import EARS, WORDS
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.keys import PACES
from quietfloor.monitor.display.views import Headline

FOUND = {"response_present": True, "response_absent": False}
HIDDEN = "The answer is hidden until R: the class votes first."
TRUTH = {True: ("present", "a response"), False: ("absent", "no response")}
TOLD = "The truth, which is known because the patient is virtual. What the evidence says stands beside it."
FASTEST = PACES[-1]
WELCOME = "1 presents one sweep, Enter as many again, Space runs; Y, X, W count votes, R shows the answer; F1: all keys"


def headline(room: Classroom, reveal: bool, weighted: bool = False) -> Headline:
    """The question; with ``reveal`` the truth, so that nobody takes the verdict of a rule for it. ``weighted``: the weighted
    average is shown too, or alone."""
    state, word, meaning = "waiting", "No sweep yet", ""
    if room.sweeps and not reveal:
        word, meaning = "Is there a response?", HIDDEN
    elif room.sweeps:
        state, truth = TRUTH[room.responds]
        word, meaning = f"Truth: {truth}", TOLD
    if room.sweeps:
        word += f" · {room.sweeps:,} sweep{'s' if room.sweeps != 1 else ''}"
    return Headline(state, word, _figures(room, reveal, weighted), _particulars(room, reveal), meaning=meaning)


def _figures(room: Classroom, reveal: bool, weighted: bool) -> str:
    if not room.sweeps:
        return "the first one comes with 1"
    parts = [f"the evidence says: {_verdict(room)}"] if reveal else []
    if room.sweeps == 1:
        parts.append("one sweep is mostly noise")
    if math.isfinite(room.noise_nv):
        parts.append(f"noise {room.noise_nv:,.0f} nV{' where each sweep counts alike' if weighted else ''}")
    if math.isfinite(room.correlation) and not weighted:  # of the halves of the plain average
        parts.append(f"odd and even half: r {round(room.correlation, 2) + 0.0:.2f}".replace("-", "−"))  # no -0.00
    if room.left_out:
        parts.append(f"{room.sweeps - room.accepted:,} rejected")
    return ", ".join(parts)


def _verdict(room: Classroom) -> str:
    """What the valid rule says, and whether it is right."""
    said = "" if room.verdict is None else room.verdict.verdict
    if said not in FOUND:
        return "undecided"
    return f"{WORDS[said]} ({'right' if FOUND[said] == room.responds else 'wrong'})"


def _particulars(room: Classroom, reveal: bool) -> str:
    lesson, now = room.lesson, room.lesson.conditions
    ear = EARS[lesson.ear]
    if lesson.ear == "secret" and reveal:
        ear = f"a secret ear that {'hears' if room.hears else 'does not hear'}"
    parts = [ear, f"click {lesson.level_db_nhl:g} dB nHL"]
    step = " (IN STEP with hum)" if room.in_step and not lesson.random_pause else ""
    parts += [f"{lesson.rate_per_s:g}/s{step}", f"random pause {'on' if lesson.random_pause else 'OFF'}"]
    parts.append(f"EEG {now.noise_uv:g} µV")
    parts += [f"hum {now.mains_uv:g} µV"] if now.mains_uv else []
    parts += [f"jitter {now.jitter_ms:g} ms"] if now.jitter_ms else []
    parts += [f"{now.artefacts_per_min:g} movements a minute"] if now.artefacts_per_min else []
    return " · ".join([*parts, f"virtual, seed {room.seed}"])


def answer(room: Classroom) -> str:
    """The truth in one sentence."""
    if not room.responds:
        hum = " and hum" if room.lesson.conditions.mains_uv else ""
        return f"The answer: there is no response. Everything that is seen is noise{hum}"
    return f"The answer: there is a response of {room.peak_to_trough_nv(room.truth_nv()):.0f} nV from peak to trough"


def badge(running: bool, pace: float) -> str:
    said = "as fast as it goes" if pace >= FASTEST else f"{pace:g} sweep{'s' if pace != 1 else ''} a second"
    return f"{'RUNNING' if running else 'PAUSED'}, {said}"
