"""Numbers of the lesson (`bench/teach/lesson.md`): each table is computed from its seed, in the form of the sheet.

A test compares the sheet with the computation, so the sheet stays correct.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from quietfloor.bench.teach.adjustable import Conditions
from quietfloor.bench.teach.alarms import SETUP, Alarms, null_runs
from quietfloor.bench.teach.choices import RULES, Lesson
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.minutes import walk

SEED = 1
AFTER = (1, 4, 16, 64, 256, 1024)
NULL_RUNS = 500
HUM_UV, HUM_SWEEPS = 10.0, 256
JITTERS_MS = (0.0, 0.2, 0.5, 1.0)
JITTER_SWEEPS = 256
SEEN_NOISE_UV, SEEN_SWEEPS = 0.5, 1024  # so little noise that the response is seen, and what jitter makes of it
MOVED_SWEEPS = 512
MOVEMENTS = (0.0, 12.0, 60.0)
NO_NOISE_UV = 0.001


@dataclass(frozen=True)
class Table:
    """Rows of text under a head."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @property
    def markdown(self) -> str:
        lines = [self.head, ("---",) * len(self.head), *self.rows]
        return "\n".join(f"| {' | '.join(line)} |" for line in lines)

    @property
    def plain(self) -> str:
        """In columns, for a terminal."""
        widths = [max(len(row[place]) for row in (self.head, *self.rows)) for place in range(len(self.head))]
        lines = ["  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)) for row in (self.head, *self.rows)]
        return "\n".join(line.rstrip() for line in lines)


def nv(value: float) -> str:
    """A size in nV with two significant digits, such as "2,400", "520" or "63"."""
    if not math.isfinite(value):
        return "not known"
    digits = 1 - math.floor(math.log10(abs(value))) if value else 0
    return f"{round(value, digits):,.0f}"


@cache
def walk_table(seed: int = SEED) -> Table:
    """What the window shows at the end of each part of the half hour, to somebody who presses the keys of the sheet."""
    room, rows = Classroom(seed=seed), []
    for part in walk(room):
        valid, *naive = room.opinions()
        rows.append((
            part.minutes, f"{room.sweeps:,}", nv(room.noise_nv), nv(room.real_noise_nv), halves(room),
            "a response" if room.responds else "none", f"yes at {valid.at_sweeps:,}" if valid.found else valid.now,
            f"{sum(one.found for one in naive)} of {len(naive)}",
        ))  # fmt: skip
    head = (
        "minutes", "sweeps", "noise from the spread, nV", "really left, nV", "r of the halves", "truth", "the evidence says",
        "other rules that say yes",
    )  # fmt: skip
    return Table("The half hour", head, tuple(rows))


def halves(room: Classroom) -> str:
    """Correlation of the halves with one digit."""
    return f"{room.correlation:.1f}".replace("-0.0", "0.0").replace("-", "−") if room.sweeps >= 2 else "not known"


@cache
def noise_table(seed: int = SEED) -> Table:
    """Noise of the plain average, and whether the halves agree, after 1 to 1024 sweeps."""
    room, rows = Classroom(seed=seed), []
    for sweeps in AFTER:
        room.step(sweeps - room.sweeps)
        rows.append((str(sweeps), nv(2000.0 / math.sqrt(sweeps)), nv(room.noise_nv), nv(room.real_noise_nv), halves(room)))
    head = ("sweeps", "2000 / √N, nV", "from the spread, nV", "really left, nV", "r of the halves")
    return Table("Noise against sweeps", head, tuple(rows))


def rest_nv(room: Classroom, sweeps: int) -> float:
    """True noise after this many sweeps, RMS over the response window, in nV."""
    room.step(sweeps - room.sweeps)
    return room.real_noise_nv


@cache
def hum_table(seed: int = SEED) -> Table:
    """10 uV of hum, hardly any other noise: what an average of 256 sweeps keeps of it."""
    conditions = Conditions(noise_uv=NO_NOISE_UV, mains_uv=HUM_UV)
    rows = []
    for rate_per_s, pause in ((50.0, False), (50.0, True), (47.1, False), (47.1, True)):
        room = Classroom(Lesson(rate_per_s=rate_per_s, random_pause=pause, conditions=conditions), seed)
        one, many = (rest_nv(room, sweeps) for sweeps in (1, HUM_SWEEPS))
        rows.append((f"{rate_per_s:g}", "on" if pause else "off", nv(one), nv(many)))
    return Table("Hum", ("rate, /s", "random pause", "1 sweep, nV", f"{HUM_SWEEPS} sweeps, nV"), tuple(rows))


@cache
def jitter_table(seed: int = SEED) -> Table:
    """Peak to trough by the formula, and of averages without noise and with little; the noise as estimated, and what is left."""
    rows = []
    for jitter_ms in JITTERS_MS:
        found = []
        for noise_uv, sweeps in ((NO_NOISE_UV, JITTER_SWEEPS), (SEEN_NOISE_UV, SEEN_SWEEPS)):
            room = Classroom(Lesson(conditions=Conditions(noise_uv=noise_uv, jitter_ms=jitter_ms)), seed)
            room.step(sweeps)
            found.append(nv(room.peak_to_trough_nv(room.parts_nv()[0])))
        expected = nv(room.peak_to_trough_nv(room.truth_nv(jitter_ms)))
        rows.append((f"{jitter_ms:g}", expected, *found, nv(room.noise_nv), nv(room.real_noise_nv)))
    head = (
        "jitter, ms", "peak to trough by the formula, nV", f"of {JITTER_SWEEPS} sweeps without noise, nV",
        f"of {SEEN_SWEEPS:,} sweeps at {SEEN_NOISE_UV:g} µV, nV", "noise there, from the spread, nV", "really left, nV",
    )  # fmt: skip
    return Table("Jitter of the trigger", head, tuple(rows))


@cache
def movement_table(seed: int = SEED) -> Table:
    """Movements: what is rejected, and the noise of the plain and of the weighted average, as estimated and as it is."""
    rows = []
    for per_min in MOVEMENTS:
        room = Classroom(Lesson(conditions=Conditions(artefacts_per_min=per_min)), seed)
        room.step(MOVED_SWEEPS)
        noises_nv = (room.noise_nv, room.real_noise_nv, room.weighted.noise_nv, room.weighted_real_nv)
        rows.append((f"{per_min:g}", str(room.sweeps - room.accepted), *(nv(noise) for noise in noises_nv)))
    head = (
        "movements a minute", f"rejected of {MOVED_SWEEPS}", "each sweep alike, from the spread, nV", "really left, nV",
        "weighted, from the spread, nV", "really left, nV",
    )  # fmt: skip
    return Table("Movements", head, tuple(rows))


@cache
def alarms_of(seed: int = SEED) -> Alarms:
    """False alarms of the lesson."""
    return null_runs(seed, range(NULL_RUNS))


def alarm_table(seed: int = SEED) -> Table:
    """False alarms in runs without any response."""
    alarms = alarms_of(seed)
    rows = []
    for place, (_, title, meaning) in enumerate(RULES):
        found = alarms.of(place)
        interval = f"{100 * found.low:.1f} to {100 * found.high:.1f} %"
        rows.append((title, meaning, f"{found.count} of {found.n:,}", f"{100 * found.rate:.1f} %", interval))
    head = ("rule", "what it is", "false alarms", "rate", "95 % interval")
    return Table(f"False alarms in {alarms.runs:,} runs of {SETUP.max_sweeps:,} sweeps without a response", head, tuple(rows))


SECTIONS: dict[str, Callable[[int], Table]] = {
    "noise": noise_table,
    "hum": hum_table,
    "jitter": jitter_table,
    "movements": movement_table,
    "alarms": alarm_table,
    "walk": walk_table,
}


def filled(sheet: str, seed: int = SEED) -> str:
    """The sheet with every table between ``<!-- table NAME -->`` and ``<!-- end -->`` computed anew."""
    lines, inside = [], False
    for line in sheet.splitlines():
        if line.startswith("<!-- end"):
            inside = False
        if not inside:
            lines.append(line)
        if line.startswith("<!-- table "):
            lines += ["", SECTIONS[line.split()[2]](seed).markdown, ""]
            inside = True
    return "\n".join(lines) + "\n"
