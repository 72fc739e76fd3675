"""Found thresholds beside true ones: errors, wrong sides, times; plain values and their words.

Truth. The true threshold of an ear is the level at which its response begins: its hidden audiogram at the nominal frequency, by
air, or of its cochlea by bone. It is drawn before anything is played and no rule sees it.

Conversion. At the true threshold a response is nothing yet; no method sees it there. As in practice a fixed number is taken off
the level that the ladder found, by stimulus, frequency and age alone, and the same for every rule:

    estimate = level found - visible - half a last step

`visible`: how far above its threshold the noise-free response of one normal ear (0 dB nHL everywhere), behind the filter, is as
large as the noise floor (RMS over the response window): from the model, without any simulated run. Half a step, because the
lowest level with a response lies 0 to one step above where responses begin to be seen. What is left as error: that other ears'
responses grow otherwise, that neighbouring frequencies hear better or worse, noise, and the ladder.

Beside it the same against what could be seen: the level at which this ear's own noise-free response is as large as the noise
floor. That leaves noise and ladder. A rule that needs more than that is biased by both; with its own mean taken off it is seen
how well a correction made for that rule would do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.simulated_staircases import HIGHEST_DB, Sessions
from quietfloor.bench.simulate.staircase_runner import Ladder, rules_for
from quietfloor.monitor.core.stopping import FindsResponse, rules_of_run
from quietfloor.monitor.session.conditions import ABSENT, PRESENT, UNDECIDED
from quietfloor.monitor.session.staircase_errors import NO_RATE, ladder_errors, percent
from quietfloor.monitor.session.staircase_rules import Rules

NEAR_DB, WIDE_DB, BIAS_DB = 5.0, 10.0, 2.0
WANTED_NEAR, WANTED_WIDE = 0.90, 0.99


@dataclass(frozen=True)
class Row:
    """One ladder. Levels in dB nHL; `hearing_error_db`: against the hidden audiogram, `seen_error_db`: what could be seen."""

    ear: int
    kind: str
    age_group: str
    route: str
    frequency_hz: float
    noise_uv: float
    restless: bool
    rule: str
    true_db: float
    visible_db: float  # own
    finding: str
    found_db: float
    estimate_db: float
    low_db: float
    high_db: float
    hearing_error_db: float
    seen_error_db: float
    why: str
    runs: int
    undecided_runs: int
    false_runs: int  # a response where the tested ear gives none at all
    silent_runs: int  # decided ones in which it gives none
    missed_runs: int  # none, where there is a response of twice the noise floor
    minutes: float
    settled: bool = False

    @property
    def false_settled(self) -> bool:
        """A settled response at or below the hidden threshold."""
        return self.settled and self.finding in ("threshold", "at most") and self.found_db <= self.true_db


def row_of(ladder: Ladder, visible_db: float, conversion_db: float, sessions: Sessions) -> Row:
    ear, course = ladder.ear, ladder.course
    found = course.threshold
    step_db = rules_for(ear, sessions).last_step_db
    level = found.level_db_nhl if found.finding == "threshold" else math.nan
    decided = [answer for answer in ladder.outcomes if answer.measurement.verdict != UNDECIDED]
    silent = [answer for answer in decided if answer.own_nv == 0.0]
    return Row(
        ear=ear.number, kind=ear.kind, age_group=ear.age_group, route=ear.route, frequency_hz=ear.frequency_hz,
        noise_uv=ear.patient.background.in_band_rms_uv, restless=bool(ear.patient.course), rule=ladder.rule,
        true_db=ear.true_db_nhl, visible_db=visible_db, finding=found.finding, found_db=found.level_db_nhl,
        estimate_db=found.estimate_db_nhl, low_db=found.low_db_nhl, high_db=found.high_db_nhl,
        hearing_error_db=level - conversion_db - step_db / 2 - ear.true_db_nhl if math.isfinite(ear.true_db_nhl) else math.nan,
        seen_error_db=level - step_db / 2 - visible_db,
        why=course.last.reason, runs=len(course.runs), undecided_runs=len(ladder.outcomes) - len(decided),
        false_runs=sum(answer.measurement.verdict == PRESENT for answer in silent), silent_runs=len(silent),
        missed_runs=sum(
            answer.measurement.verdict == ABSENT and answer.own_nv >= 2 * sessions.floor_nv for answer in decided
        ),
        minutes=course.seconds / 60.0, settled=found.settled,
    )  # fmt: skip


def in_reach(row: Row) -> bool:
    """Whether the ladder can find this ear: what it has can be seen a step or more below the ladder's highest level."""
    return row.visible_db <= HIGHEST_DB[row.route] - NEAR_DB


@dataclass(frozen=True)
class Errors:
    """Of thresholds found, in dB: how many are near, the mean with the half width of its 95 % interval, and the spread."""

    near: Proportion
    wide: Proportion
    bias_db: float
    bias_half_db: float
    sd_db: float
    near_unbiased: Proportion  # with their own mean taken off
    wide_unbiased: Proportion


def errors(values: Sequence[float]) -> Errors:
    known = np.array([value for value in values if math.isfinite(value)])
    near, wide = (proportion(int((np.abs(known) <= limit).sum()), known.size) for limit in (NEAR_DB, WIDE_DB))
    bias = float(known.mean()) if known.size else math.nan
    sd = float(known.std(ddof=1)) if known.size > 1 else math.nan
    moved = [proportion(int((np.abs(known - bias) <= limit).sum()), known.size) for limit in (NEAR_DB, WIDE_DB)]
    return Errors(near, wide, bias, 1.96 * sd / math.sqrt(max(1, known.size)), sd, *moved)


@dataclass(frozen=True)
class RuleSummary:
    """The result of one rule, or of a part of its ears. `*_all` count ears within reach without a threshold as outside."""

    rule: str
    what: str
    ears: int  # within reach
    found: int
    hearing: Errors
    seen: Errors
    hearing_near_all: Proportion
    seen_near_all: Proportion
    wrong_side: Proportion  # a threshold at or below the hidden one: a response where the ear gives none
    false_settled: Proportion  # the same, settled, or a settled "at most": of all ears
    deaf_any: Proportion  # of ears that hear nothing: some run found a response
    deaf_settled: Proportion  # of these: settled responses
    not_heard: Proportion  # within reach, but "no response" up to the top
    inconclusive: Proportion  # within reach, without a threshold for another reason: undecided, or out of time
    beyond: int  # ears out of reach
    beyond_found: int  # that were given a threshold
    covered: Proportion  # stated intervals that hold what could be seen
    false_runs: Proportion
    missed_runs: int
    undecided_runs: int
    runs: int
    minutes: tuple[float, float, float] = field(default=(math.nan, math.nan, math.nan))  # quartiles, per threshold found


def figures(rows: Sequence[Row], rule: str, what: str = "all") -> RuleSummary:
    own = [row for row in rows if row.rule == rule]
    reach = [row for row in own if in_reach(row)]
    beyond = [row for row in own if not in_reach(row)]
    found = [row for row in reach if row.finding == "threshold"]
    stated = [row for row in found if math.isfinite(row.low_db) and math.isfinite(row.high_db)]
    minutes = [row.minutes for row in found]

    def near(which: Callable[[Row], float]) -> Proportion:
        return proportion(sum(abs(which(row)) <= NEAR_DB for row in found), len(reach))

    silenced = [row for row in reach if row.finding == "no response"]
    deaf = [row for row in own if math.isinf(row.true_db)]
    other = len(reach) - len(found) - len(silenced)
    return RuleSummary(
        rule=rule, what=what, ears=len(reach), found=len(found),
        hearing=errors([row.hearing_error_db for row in found]), seen=errors([row.seen_error_db for row in found]),
        hearing_near_all=near(lambda row: row.hearing_error_db), seen_near_all=near(lambda row: row.seen_error_db),
        wrong_side=proportion(sum(row.found_db <= row.true_db for row in own if row.finding == "threshold"), len(own)),
        false_settled=proportion(sum(row.false_settled for row in own), len(own)),
        deaf_any=proportion(sum(row.false_runs > 0 for row in deaf), len(deaf)),
        deaf_settled=proportion(sum(row.false_settled for row in deaf), len(deaf)),
        not_heard=proportion(len(silenced), len(reach)), inconclusive=proportion(other, len(reach)),
        beyond=len(beyond), beyond_found=sum(row.finding == "threshold" for row in beyond),
        covered=proportion(sum(row.low_db <= row.visible_db <= row.high_db for row in stated), len(stated)),
        false_runs=proportion(sum(row.false_runs for row in own), sum(row.silent_runs for row in own)),
        missed_runs=sum(row.missed_runs for row in own), undecided_runs=sum(row.undecided_runs for row in own),
        runs=sum(row.runs for row in own),
        minutes=tuple(np.quantile(minutes, (0.25, 0.5, 0.75))) if minutes else (math.nan,) * 3,
    )  # fmt: skip


def parts(rows: Sequence[Row], rule: str) -> list[RuleSummary]:
    """By kind of loss, frequency, route, age, and by who held still."""
    out = []
    for name in ("kind", "frequency_hz", "route", "age_group", "restless"):
        for value in sorted({getattr(row, name) for row in rows}):
            chosen = [row for row in rows if getattr(row, name) == value]
            words = f"{value:g} Hz" if name == "frequency_hz" else str(value)
            out.append(figures(chosen, rule, {True: "restless", False: "still"}[value] if name == "restless" else words))
    return out


def targets(one: RuleSummary) -> list[tuple[str, bool]]:
    """What is wanted of thresholds against the hidden audiogram, in words, and whether it was reached."""
    hearing = one.hearing
    return [
        (f"within {NEAR_DB:g} dB in >= {100 * WANTED_NEAR:g} %: {said(hearing.near)}", hearing.near.rate >= WANTED_NEAR),
        (f"within {WIDE_DB:g} dB in >= {100 * WANTED_WIDE:g} %: {said(hearing.wide)}", hearing.wide.rate >= WANTED_WIDE),
        (f"bias below {BIAS_DB:g} dB: {_bias(hearing)}", abs(hearing.bias_db) < BIAS_DB),
    ]


def said(of: Proportion) -> str:
    return "of none" if of.n == 0 else f"{100 * of.rate:.1f} % ({of.count} of {of.n}; {100 * of.low:.1f} to {100 * of.high:.1f})"


def _bias(of: Errors) -> str:
    return f"{of.bias_db:+.1f} +- {of.bias_half_db:.1f} dB, SD {of.sd_db:.1f} dB"


def text(rows: Sequence[Row], sessions: Sessions) -> str:
    lines = []
    for rule in sessions.rules:
        one = figures(rows, rule)
        low, middle, high = one.minutes
        lines += [
            f"{rule}: {one.ears} ears within reach of the ladder, {one.found} thresholds; exact 95 % intervals in brackets",
            *(f"  {'met    ' if met else 'NOT MET'} {words}" for words, met in targets(one)),
            f"  ears without a threshold counted as outside: within {NEAR_DB:g} dB {said(one.hearing_near_all)}",
            f"  with this rule's own bias taken off: within {NEAR_DB:g} dB {said(one.hearing.near_unbiased)}, {WIDE_DB:g} dB "
            f"{said(one.hearing.wide_unbiased)}",
            f"  against what could be seen: within {NEAR_DB:g} dB {said(one.seen.near)}, {WIDE_DB:g} dB {said(one.seen.wide)}; "
            f"bias {_bias(one.seen)}",
            f"  wrong side, a threshold at or below the hidden one: {said(one.wrong_side)}",
            f"  false thresholds, settled responses at or below the hidden one: {said(one.false_settled)}",
            f"  of {one.deaf_any.n} ears that hear nothing: some false response {said(one.deaf_any)}, a false threshold settled "
            f"{said(one.deaf_settled)}; by the rules of the ladder {_promised(rule, sessions)}",
            f"  'no response' although within reach: {said(one.not_heard)}; inconclusive: {said(one.inconclusive)}",
            f"  out of reach: {one.beyond} ears, {one.beyond_found} of them given a threshold",
            f"  stated 95 % intervals hold what could be seen: {said(one.covered)}",
            f"  single runs: {one.runs}; a response where the ear gives none {said(one.false_runs)}; none where there are twice "
            f"{sessions.floor_nv:g} nV: {one.missed_runs}; undecided {one.undecided_runs}",
            f"  minutes of signal per threshold: median {middle:.1f}, quartiles {low:.1f} to {high:.1f}",
            f"  {'part':<12}{'ears':>6}{'found':>7}{'5 dB %':>8}{'10 dB %':>9}{'bias':>7}{'SD':>6}{'min':>6}",
        ]
        for part in parts(rows, rule):
            hearing = part.hearing
            lines.append(
                f"  {part.what:<12}{part.ears:>6}{part.found:>7}{100 * hearing.near.rate:>8.0f}{100 * hearing.wide.rate:>9.0f}"
                f"{hearing.bias_db:>+7.1f}{hearing.sd_db:>6.1f}{part.minutes[1]:>6.1f}"
            )
        lines.append("")
    return "\n".join(lines)


def _promised(rule: str, sessions: Sessions) -> str:
    finds = rules_of_run(rule, alpha=sessions.alpha, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)[0]
    if isinstance(finds, FindsResponse) and finds.promise is None:
        return NO_RATE
    rates = ladder_errors(Rules(floor_nv=sessions.floor_nv, alpha=sessions.alpha))  # by air
    return f"at most {percent(rates.any_false)} and {percent(rates.false_settled)}, every run decided"


def record(rows: Sequence[Row], sessions: Sessions, ears: int) -> dict[str, Any]:
    """For JSON; nan and infinity become null."""
    tables = {rule: [asdict(one) for one in (figures(rows, rule), *parts(rows, rule))] for rule in sessions.rules}
    told = {rule: [{"what": words, "met": met} for words, met in targets(figures(rows, rule))] for rule in sessions.rules}
    return {"ears": ears, "sessions": asdict(sessions), "targets": told, "figures": tables}
