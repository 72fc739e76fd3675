"""The board of a search as plain values: a column a condition, a rung a level. No Qt: the panel only paints these."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from quietfloor.monitor.core.analysis import JUDGED_FROM_MS
from quietfloor.monitor.core.events import Verdict
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.scales import clock, nice_above
from quietfloor.monitor.display.views import Headline
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.cells import CellLook
from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.search.running import Answer, Place
from quietfloor.monitor.search.words import interval
from quietfloor.monitor.session.conditions import Condition

TELLING_SWEEPS = 128  # an average of fewer does not set the scale of the others; own choice
REACH_RUNGS = 0.9  # how far the largest average reaches from its rung
HEIGHTS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
EVEN = 0.02  # density per dB that is drawn to the full width at least: a belief that is spread out looks so
BEYOND_RUNGS = 1.2  # room above the loudest and below the softest rung, for a threshold beyond them
WHY = {
    "start": "to begin with",
    "operator": "as was asked for",
    "threshold": "to narrow it down",
    "proof": "to prove a response",
}
STATES = {  # in words, and where there is no room
    "running": ("open", "open"),
    "waiting": ("waits for its turn", "waits"),
    "answered": ("answered", "answered"),
    "left": ("set aside", "set aside"),
}
ENDS = {"operator": "Search stopped", "time_limit": "Search at its limit of time", "fault": "Search ended by a fault"}
DOUBT = "which ear?"  # of a finding that is not known to be this ear's
SEARCHING = "The search goes on: it plays the level that tells most about the thresholds that are still open."
SEARCHED = "Every frequency that was searched has its threshold, with an interval that holds it in 95 of 100 searches."
UNFINISHED = "The search ended before every threshold was known; what it knows until here is kept."


@dataclass(frozen=True)
class BoardRung:
    """One level. The curves (n_times,) in nV are empty where it was never played; ``evidence`` and ``noise`` are words, or ""."""

    level_db: float
    offered: bool
    playing: bool
    found: bool  # the softest level at which there is a response
    evidence: str
    noise: str
    tip: str
    average_nv: Floats = field(default_factory=lambda: np.empty(0))
    odd_nv: Floats = field(default_factory=lambda: np.empty(0))
    even_nv: Floats = field(default_factory=lambda: np.empty(0))

    @property
    def played(self) -> bool:
        return len(self.average_nv) > 0


@dataclass(frozen=True)
class BoardColumn:
    """One condition, rungs softest first. ``ridge`` (n,) from 0 to 1 is the density of the threshold at ``ridge_db`` (n,).

    ``low_db``, ``threshold_db``, ``high_db``: nan where they are not known, infinite beyond all levels.
    """

    name: str
    short: str
    ear: str
    state: str  # one of STATES
    words: str  # of its state
    words_short: str
    threshold: str  # "35 dB nHL"
    interval: str  # of 95 %, "" where it is not known
    rungs: tuple[BoardRung, ...]
    times_ms: Floats
    ridge_db: Floats
    ridge: Floats
    low_db: float
    threshold_db: float
    high_db: float
    doubtful: bool = False  # whether its response is not known to be that of the tested ear

    @property
    def standing(self) -> str:
        """The threshold with its interval."""
        return f"{self.threshold} (95 %: {self.interval})" if self.interval else self.threshold

    @property
    def running(self) -> bool:
        return any(rung.playing for rung in self.rungs)


@dataclass(frozen=True)
class Board:
    """All columns, and what they share: levels from ``bottom_db`` to ``top_db``, a rung every ``step_db``, the size of curves."""

    columns: tuple[BoardColumn, ...]
    bottom_db: float
    top_db: float
    step_db: float
    nv_per_rung: float
    paused: bool


def board_of(now: SearchNow, doubtful: Iterable[str] = ()) -> Board:
    """Everything that the board shows of a search; ``doubtful``: short names of conditions whose response is not known to be that
    of the tested ear."""
    levels = np.unique([level for one in now.conditions for level in one.levels_db])
    step_db = float(np.diff(levels).min()) if len(levels) > 1 else 5.0
    ends_db = float(levels[0]) - BEYOND_RUNGS * step_db, float(levels[-1]) + BEYOND_RUNGS * step_db
    columns = tuple(
        _column(now, number, ends_db, short_name(one) in doubtful) for number, one in enumerate(now.conditions)
    )
    return Board(
        columns, *ends_db, step_db,
        nice_above(max(_largest_nv(now), 1.0) / REACH_RUNGS, HEIGHTS), now.paused,
    )  # fmt: skip


def _column(now: SearchNow, number: int, ends_db: tuple[float, float], doubtful: bool) -> BoardColumn:
    one = now.conditions[number]
    answer = one.answer
    playing, why_now = next(((place.level, why) for place, why in now.playing if place.condition == number), (None, ""))
    rungs = tuple(_rung(one, level, playing == level) for level in range(len(one.levels_db)))
    begun = one.state == "waiting" and any(look is not None for look in one.looks)
    words, short = (DOUBT, DOUBT) if doubtful else STATES["running" if begun else one.state]
    if not math.isnan(answer.found_db):
        words += f"; response found at {answer.found_db:g} dB nHL"
    elif answer.finished:
        words += "; no response found"
    if playing is not None:
        short, why = ("paused", "") if now.paused else ("plays", _why(one, why_now))
        words = f"{short} {'at ' if now.paused else ''}{one.levels_db[playing]:g} dB nHL{why}".rstrip()
    inside = (one.belief_db >= ends_db[0]) & (one.belief_db <= ends_db[1])
    density = one.belief[inside]
    return BoardColumn(
        name=one.name, short=short_name(one), ear=one.ear, state=one.state, words=words, words_short=short,
        threshold=threshold_words(answer, one.levels_db), interval=interval_words(answer), rungs=rungs,
        times_ms=one.times_ms[_judged(one)], ridge_db=one.belief_db[inside], ridge=density / density.max(initial=EVEN),
        low_db=answer.low_db, threshold_db=answer.threshold_db, high_db=answer.high_db,
        doubtful=doubtful,
    )  # fmt: skip


def _why(one: ConditionNow, why: str) -> str:
    """A level that lies far above the threshold does not narrow it down: it plays because the softer ones are left out."""
    offered = [db for db, yes in zip(one.levels_db, one.offered, strict=True) if yes]
    step_db = float(np.diff(one.levels_db).min()) if len(one.levels_db) > 1 else 0.0
    if why == "threshold" and offered and offered[0] > max(one.levels_db[0], one.answer.high_db + step_db):
        return "; only louder levels are allowed"
    return f" {WHY.get(why, why)}"


def _judged(one: ConditionNow) -> slice:
    """Before it an average may hold the electrical artefact of the stimulus."""
    return slice(int(np.searchsorted(one.times_ms, JUDGED_FROM_MS - 1e-9)), len(one.times_ms))


def _rung(one: ConditionNow, level: int, playing: bool) -> BoardRung:
    db, offered, look = one.levels_db[level], one.offered[level], one.looks[level]
    found = db == one.answer.found_db
    name = f"{db:g} dB nHL"
    if look is None:
        tip = f"{name}: {'no sweep yet' if playing else 'not played yet' if offered else 'not offered'}"
        return BoardRung(db, offered, playing, found, "", "", tip)
    evidence, noise_nv = evidence_words(look), float(look.noise.value_nv)
    noise = f"{noise_nv:.0f} nV" if math.isfinite(noise_nv) else ""
    curves = (1e3 * wave[_judged(one)] for wave in (look.average_uv, look.half_a_uv, look.half_b_uv))
    return BoardRung(db, offered, playing, found, evidence, noise, _tip(name, look, found, offered), *curves)


def _tip(name: str, look: CellLook, found: bool, offered: bool) -> str:
    noise_nv = float(look.noise.value_nv)
    parts = [f"{name}: {look.accepted:,} of {look.presented:,} sweeps accepted", f"evidence {evidence_words(look)}"]
    parts += [f"{noise_nv:.0f} nV of noise"] if math.isfinite(noise_nv) else []
    parts += ["a response was found here"] if found else []
    parts += [f"no response larger than {look.limit_nv:.0f} nV"] if math.isfinite(look.limit_nv) and not found else []
    parts += [] if offered else ["not offered any more"]
    return ", ".join(parts)


def evidence_words(look: CellLook) -> str:
    """The evidence of a level, as the power of ten."""
    return f"{round(look.evidence_log10, 1) + 0.0:.1f}".replace("-", "−")  # no -0.0


def _largest_nv(now: SearchNow) -> float:
    """Of the averages that tell something, of all where none does."""
    telling: list[float] = []
    others: list[float] = []
    for one in now.conditions:
        for look in one.looks:
            if look is None:
                continue
            largest = 1e3 * float(np.nanmax(np.abs(look.average_uv[_judged(one)]), initial=0.0))
            if math.isfinite(largest):
                (telling if look.accepted >= TELLING_SWEEPS else others).append(largest)
    return max(telling or others, default=0.0)


# -- words ------------------------------------------------------------------------------------------------------------


def short_name(one: ConditionNow | Condition) -> str:
    """Ear and frequency where there is no room: "R 2 kHz"."""
    letter = one.ear[:1].upper()
    return f"{letter} {one.stimulus}" if one.frequency_hz is None else f"{letter} {one.frequency_hz / 1e3:g} kHz"


def threshold_words(answer: Answer, levels_db: tuple[float, ...]) -> str:
    """A threshold as it stands."""
    if math.isnan(answer.threshold_db):
        return "not known yet"
    if math.isinf(answer.threshold_db):
        return f"above {levels_db[-1]:g} dB nHL"
    below = answer.threshold_db < levels_db[0]
    return f"below {levels_db[0]:g} dB nHL" if below else f"{answer.threshold_db:.0f} dB nHL"


def interval_words(answer: Answer) -> str:
    """Its 95 % interval, "" where it is not known."""
    known = math.isfinite(answer.low_db) or math.isfinite(answer.high_db)
    return interval(answer).replace("-", "−") if known and not math.isnan(answer.threshold_db) else ""


def to_go(now: SearchNow) -> str:
    """The minutes to go with their range, "" where they are not known."""
    low, median, high = now.minutes_low, now.minutes_median, now.minutes_high
    if now.over or not math.isfinite(median):
        return ""
    whole = "1 minute" if round(median) == 1 else f"{median:.0f} minutes"
    about = "less than a minute to go" if median < 1.0 else f"about {whole} to go"
    if not math.isfinite(low + high):
        return about
    ends = [f"{one:.0f}" if one >= 1.0 else f"{one:.1f}" for one in (low, high)]
    return f"{about} ({ends[0]} to {ends[1]})" if ends[0] != ends[1] else about


def answered(now: SearchNow) -> str:
    done = sum(one.state == "answered" for one in now.conditions)
    return f"{done} of {len(now.conditions)} answered"


def _left_out(now: SearchNow) -> str:
    """That the operator has soft levels left out, which nobody else does."""
    softest = [
        next(db for db, yes in zip(one.levels_db, one.offered, strict=True) if yes)
        for one in now.conditions
        if any(one.offered) and not one.offered[0]
    ]
    return f"only from {min(softest):g} dB nHL on" if softest else ""


def headline(now: SearchNow, status: Status, title: str) -> Headline:
    """The sentence on top while a search runs, and when it is over."""
    state, word, meaning = _standing(now, status.verdict)
    ahead, rest = "" if status.verdict is not None else to_go(now), _sentence(now)
    if status.verdict is None and (status.silent or status.no_trigger):
        (word, _, rest), state, ahead = status_text.headline(status, math.nan).partition(": "), "waiting", ""
    signal = f"{clock(now.heard_s)} of signal"
    lag = f"processing lag {status.behind_ms:.0f} ms" if status.verdict is None and math.isfinite(status.behind_ms) else ""
    particulars = (title, now.noise, answered(now), _left_out(now), signal, lag)
    return Headline(
        state, f"{word}: {ahead}" if ahead else word, rest, " · ".join(part for part in particulars if part),
        meaning=meaning,
    )  # fmt: skip


def _sentence(now: SearchNow) -> str:
    """Of what plays; of all that is known when nothing plays any more."""
    if not now.playing:
        known = [one for one in now.conditions if not math.isnan(one.answer.threshold_db)]
        return "; ".join(_briefly(one) for one in known) or "nothing is known yet"
    playing = [now.conditions[number] for number in sorted(place.condition for place, _ in now.playing)]  # as on the board
    return _so_far(playing[0]) if len(playing) == 1 else "; ".join(_briefly(one) for one in playing)


def _so_far(one: ConditionNow) -> str:
    words, within = threshold_words(one.answer, one.levels_db), interval_words(one.answer)
    found = f"response found at {one.answer.found_db:g}" if math.isfinite(one.answer.found_db) else "no response found yet"
    return f"{one.name}: threshold {words}{f' (95 %: {within}) so far' if within else ''}, {found}"


def _briefly(one: ConditionNow) -> str:
    so_far = "" if one.answer.finished or math.isnan(one.answer.threshold_db) else " so far"
    return f"{short_name(one)}: {threshold_words(one.answer, one.levels_db)}{so_far}"


def _standing(now: SearchNow, verdict: Verdict | None) -> tuple[str, str, str]:
    """State of the screen, word, meaning."""
    if verdict is None and not now.over:
        return "undecided", "Paused" if now.paused else "Searching", SEARCHING
    ended: str = "" if verdict is None else verdict.stopped_by
    if all(one.state == "answered" for one in now.conditions):
        return "stopped", "Search finished", SEARCHED
    return "fault" if ended == "fault" else "stopped", ENDS.get(ended, "Search ended"), UNFINISHED


# -- columns and rungs ------------------------------------------------------------------------------------------------


def recent(before: tuple[int, ...], now: SearchNow) -> tuple[int, ...]:
    """Conditions by when they were played last, the newest first: columns that take turns keep their widths."""
    here = [place.condition for place, _ in now.playing]
    if not here:
        return before
    return (*here, *(one for one in before if one not in here and one < len(now.conditions)))


def widths(
    total_px: float, count: int, first: Iterable[int], legible_px: float, least_px: float
) -> tuple[tuple[float, bool], ...]:
    """Of each of ``count`` columns in a row of ``total_px``: its width in pixels, and whether all of it is shown.

    All alike where each can be legible. Else as many as possible are, those named ``first`` before the others, at least one; the
    rest are ``least_px`` wide, or less where there is no room even for that.
    """
    if count * legible_px <= total_px:
        return ((total_px / count, True),) * count
    narrow = min(least_px, max(total_px - legible_px, 0.0) / max(count - 1, 1))
    large = max(1, int((total_px - count * narrow) / (legible_px - narrow) + 1e-9))
    order = list(dict.fromkeys([*first, *range(count)]))[:large]
    wide = (total_px - (count - large) * narrow) / large
    return tuple((wide, True) if number in order else (narrow, False) for number in range(count))


def legible(places_px: list[float], ranks: list[tuple[bool, ...]], least_px: float) -> set[int]:
    """Of words beside each other at these places, those that keep ``least_px`` between them; the lowest ranks come first."""
    kept: list[int] = []
    for one in sorted(range(len(places_px)), key=ranks.__getitem__):
        if all(abs(places_px[one] - places_px[other]) >= least_px for other in kept):
            kept.append(one)
    return set(kept)


def moved(now: SearchNow, place: Place, across: int = 0, up: int = 0) -> Place:
    """The place beside, or above and below, as far as there is one; in another column the rung nearest in level."""
    condition = min(max(place.condition + across, 0), len(now.conditions) - 1)
    here, there = (now.conditions[number].levels_db for number in (place.condition, condition))
    level = int(np.argmin(np.abs(np.array(there) - here[place.level])))
    return Place(condition, min(max(level + up, 0), len(there) - 1))


def level_at(column: BoardColumn, level_db: float, step_db: float) -> int | None:
    """The rung nearest to a level that was pointed at; None where there is none near."""
    levels = np.array([rung.level_db for rung in column.rungs])
    nearest = int(np.argmin(np.abs(levels - level_db)))
    return nearest if abs(levels[nearest] - level_db) <= step_db / 2 else None
