"""A session at a glance, as frozen values: conditions, audiogram, what is next and why, time, electrodes, dose. No Qt.

The command makes a sight after each change, on its own thread; the window only paints it.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

from quietfloor.monitor.display.views import Headline, doubted
from quietfloor.monitor.hearing.estimate import estimate_all
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.readiness.dose_outlook import day_of
from quietfloor.monitor.readiness.findings import Severity
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.session.conditions import STIMULUS_WORDS, UNKNOWN, Condition, Finding, RunSummary
from quietfloor.monitor.session.recorded_session import RecordedSession
from quietfloor.monitor.session.threshold import Threshold, counted, search_of
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.stimuli.calibration import EARS
from quietfloor.stimuli.dose import limit_pa2s

Kind = Literal["search", "threshold", "growth", "control"]
KIND_WORDS: dict[Kind, str] = {
    "search": "a search", "threshold": "one level", "growth": "one level, only for latency and amplitude against level",
    "control": "a muted control: trigger without stimulus",
}  # fmt: skip
NOTHING = "–"
NEARLY = 0.8  # of the dose limit: own choice, from here on it is said as a warning
FOUND: dict[Finding, str] = {"threshold": "present", "at most": "present", "no response": "absent", "not tested": "idle"}


@dataclass(frozen=True)
class SightRow:
    """One condition. ``state`` is one of STATES, ``said`` its word; ``threshold`` and ``interval`` are in dB nHL; everything is
    words, NOTHING where nothing is known. ``short``: the sound where there is no room."""

    condition: Condition
    sound: str
    short: str
    threshold: str
    interval: str
    state: str
    said: str
    evidence: str
    effort: str
    tip: str = ""
    next: bool = False  # it is in the next recording
    sweeps: int = 0  # accepted, of all its runs that count, or of all levels of its search
    seconds: float = 0.0
    done: bool = False  # nothing is open in it


@dataclass(frozen=True)
class Point:
    """A symbol of the audiogram, in dB of the sight. ``low_db``, ``high_db``: 95 %, nan where there is no limit on that side."""

    ear: str
    route: str
    frequency_hz: float | None
    level_db: float
    low_db: float
    high_db: float
    finding: Finding
    masked: bool = False
    ear_known: bool = True


@dataclass(frozen=True)
class Coming:
    """The next run or search. ``level_db`` in dB nHL, where a search begins. ``masking``: the whole advice, "" if no noise is
    due; ``noise``: the noise that is advised in words, "" where none is known; ``given``: whether it will be given. ``softer``,
    ``louder``: whether there is such a level. ``own``: condition, level or kind were chosen by the user."""

    condition: Condition
    level_db: float
    sentence: str
    kind: Kind
    masking: str = ""
    noise: str = ""
    given: bool = False
    softer: bool = True
    louder: bool = True
    own: bool = False
    more: int = 0  # further conditions in the same recording
    move: str = ""  # what to do before it with the one earphone of both ears

    @property
    def ear(self) -> str:
        """"" where both ears have their part in it."""
        return "" if self.more else self.condition.ear


@dataclass(frozen=True)
class SightStep:
    """A step that is possible now, or ``why`` it is not; ``name`` is that of an action, ``title`` stands in large letters."""

    name: str
    title: str
    why: str = ""


@dataclass(frozen=True)
class SessionSight:
    """Everything that the session view shows. ``unit`` is that of the audiogram. ``note``: a sentence about what has just been
    done, or what went wrong (``trouble``)."""

    title: str
    rows: tuple[SightRow, ...]
    points: tuple[Point, ...]
    unit: str
    coming: Coming | None
    nothing: str  # why nothing is next
    time: tuple[str, ...]  # gone, to go, left
    left: str  # the time that is left, in short
    electrodes: tuple[tuple[Severity | Literal[""], str], ...]  # "": a number that nothing was said of
    dose: tuple[tuple[str, float], ...]  # ear and share of the limit; empty where it is not known
    dose_words: str
    last: str = ""  # the run that is over
    discarded: bool = False
    made: int = 0
    note: str = ""
    trouble: bool = False
    steps: tuple[SightStep, ...] = field(default=())
    left_s: float = math.inf  # of the plan's time
    on: bool = False  # a run is on: ``coming`` is what plays now

    @property
    def wide(self) -> str:
        """The sounds without a frequency, which have a column of their own in the audiogram."""
        return ", ".join(dict.fromkeys(row.short for row in self.rows if row.condition.frequency_hz is None))

    @property
    def answered(self) -> str:
        return f"{sum(row.done for row in self.rows)} of {len(self.rows)} answered"

    @property
    def headline(self) -> Headline:
        """For the bar on top, between two runs."""
        one = self.coming
        if one is None:
            word = "Finished" if all(row.done for row in self.rows) else "No next run"
            return Headline("stopped", word, self.nothing, self.title)
        ear = one.ear
        begins = "begins at " if one.kind == "search" else ""
        heard = f"{f'{ear.capitalize()} ear' if ear else 'Both ears'} · {begins}{one.level_db:g} dB nHL"
        sound = "" if one.more else f"{sound_words(one.condition)[0]}, "
        rest = f"{sound}{KIND_WORDS[one.kind]}; Enter or N starts it"
        return Headline(
            "idle", one.move or "Ready for the next run", rest, self.title, heard=heard, ear=ear,
            meaning="No sound plays. The next run begins when you start it.",
        )  # fmt: skip


# -- from a session ---------------------------------------------------------------------------------------------------


def sight_of(
    session: RecordedSession, coming: Coming | None, nothing: str, to_go: str, left_s: float, *, chosen: Iterable[int] = (),
    checked: tuple[Report, datetime.datetime] | None = None, note: str = "", trouble: bool = False,
) -> SessionSight:  # fmt: skip
    """The sight of a session. ``to_go``: the time to go in words; ``left_s``: what is left of the person's time, inf: no limit.
    ``chosen``: the conditions (index) of the next recording. ``checked``: the last check, and when it was in local time. Raises
    what ``thresholds`` raises."""
    runs, thresholds, chosen = session.all_runs(), session.thresholds(), set(chosen)
    rows = tuple(
        _row(one, runs, index in chosen) for index, one in enumerate(thresholds)
    )  # fmt: skip
    points, unit = points_of(session, thresholds)
    last = runs[-1] if runs else None
    left, left_words = time_left(left_s)
    sight = SessionSight(
        title=_title(session),
        rows=rows, points=points, unit=unit, coming=coming, nothing=nothing,
        time=(gone_words(runs), to_go, left_words), left=left, left_s=left_s,
        electrodes=electrodes_of(runs, checked), dose=(), dose_words="",
        last="" if last is None else _last_words(last, runs), discarded=last is not None and last.discarded is not None,
        made=len({run.number for run in runs}), note=note, trouble=trouble,
    )  # fmt: skip
    dose, words = dose_of(session)
    sight = replace(sight, dose=dose, dose_words=words)
    return replace(sight, steps=steps_of(sight))


def time_left(left_s: float) -> tuple[str, str]:
    """The time of the plan in short, "" without a limit, and in words."""
    if math.isinf(left_s):
        return "", "no limit of time in the plan"
    left = f"{max(0.0, left_s) / 60:.0f} min left"
    return left, f"{left} of the plan's time"


def _title(session: RecordedSession) -> str:
    """Whose session it is, and the dose policy that it names."""
    plan = session.plan
    try:
        policy = day_of(session, datetime.date.today())[0]
    except (ExposureError, PlanError):
        policy = None  # the dose says what is wrong
    dose = "" if policy is None else f" · dose policy {policy.short}"
    return f"{plan.subject.pseudonym}, {plan.subject.age_group}{dose} · {plan.title or 'session'} · {session.folder.name}"


def sound_words(one: Condition) -> tuple[str, str]:
    """The sound in words, and where there is no room."""
    kind = STIMULUS_WORDS.get(one.stimulus, one.stimulus)
    return (kind, kind) if one.frequency_hz is None else (f"{one.frequency_hz:g} Hz {kind}", f"{one.frequency_hz / 1000:g} kHz")


def _row(one: Threshold, runs: tuple[RunSummary, ...], coming: bool) -> SightRow:
    own = counted(one.condition, runs)
    search = search_of(one.condition, runs) if one.method == "search" else None
    behind = [search] if search is not None else [run for run in own if run.number in one.rests_on] or own[-1:]
    state, said = FOUND[one.finding], "open"
    if one.finding == "not tested":
        said, state = ("not tested", state) if not (own or search) else ("undecided", "undecided")
        out = [run for run in runs if run.discarded is not None and run.condition.same_as(one.condition)]
        said, state = ("discarded", "discarded") if out and not (own or search) else (said, state)
    elif one.settled:
        said = "answered" if one.method == "search" else "settled"
    if one.whose == UNKNOWN:
        said, state = "which ear?", doubted(state)
    elif not one.settled and one.finding != "not tested":
        state = "undecided"
    rest_on = own if search is None else [search]
    sweeps = sum((run.sweeps or 0) if run.search is None else run.search.sweeps for run in rest_on)
    seconds = math.fsum(run.seconds for run in rest_on if not math.isnan(run.seconds))
    level = threshold_words(one.finding, one.level_db_nhl)
    shown = max((run for run in behind if not math.isnan(run.evidence)), key=lambda run: run.evidence, default=None)
    best = NOTHING if shown is None else f"{shown.evidence:.1f} at {shown.level_db_nhl:g}"
    tip = "<br>".join((str(one.condition), one.words, *one.notes))
    return SightRow(
        one.condition, *sound_words(one.condition), level, interval_words(one.finding, one.low_db_nhl, one.high_db_nhl), state,
        said, best.replace("-0.0", "0.0"), effort_words(sweeps, seconds), tip, coming, sweeps, seconds, one.settled,
    )  # fmt: skip


def effort_words(sweeps: int, seconds: float) -> str:
    """Sweeps and minutes that a condition took."""
    parts = [f"{sweeps:,}"] if sweeps else []
    return " · ".join([*parts, f"{seconds / 60:.1f} min"] if seconds else parts) or NOTHING


def threshold_words(finding: Finding, level_db: float) -> str:
    if finding == "not tested" or math.isnan(level_db):
        return NOTHING
    before = {"threshold": "", "at most": "≤ ", "no response": "> "}[finding]
    return f"{before}{level_db:g}".replace("-", "−")


def interval_words(finding: Finding, low_db: float, high_db: float) -> str:
    """The 95 % interval in dB nHL."""
    low, high = not math.isnan(low_db), not math.isnan(high_db)
    if finding == "not tested" or not (low or high):
        return NOTHING
    words = f"{low_db:.0f} to {high_db:.0f}" if low and high else f"above {low_db:.0f}" if low else f"below {high_db:.0f}"
    return words.replace("-", "−")


def points_of(session: RecordedSession, thresholds: tuple[Threshold, ...]) -> tuple[tuple[Point, ...], str]:
    """Symbols of the audiogram and their unit: estimated hearing levels where the plan names tables, else dB nHL as measured."""
    plan = session.plan
    if plan.hearing.tables:
        chosen = session.about.tables.choose(plan.hearing.tables)
        estimates, rest = estimate_all(session.measured(), chosen, plan.subject.age_group, plan.subject.age_months)
        if not any(one.measured.finding != "not tested" for one in rest):
            return tuple(
                Point(
                    one.measured.ear, one.measured.route, one.measured.frequency_hz, one.level_db, one.low_db, one.high_db,
                    one.finding, one.measured.masked, one.measured.ear_known,
                )
                for one in estimates
                if one.finding != "not tested"
            ), "dB eHL"  # fmt: skip
    masked = {one.number: one.masked for one in session.all_runs()}
    return tuple(
        Point(
            one.condition.ear, one.condition.route, one.condition.frequency_hz, one.level_db_nhl, one.low_db_nhl, one.high_db_nhl,
            one.finding, one.masked or (bool(one.rests_on) and all(masked.get(number, False) for number in one.rests_on)),
            one.whose != UNKNOWN,
        )
        for one in thresholds
        if one.finding != "not tested" and not math.isnan(one.level_db_nhl)
    ), "dB nHL"  # fmt: skip


def gone_words(runs: Iterable[RunSummary]) -> str:
    seconds = math.fsum(run.seconds for run in runs if not math.isnan(run.seconds))
    return f"{seconds / 60:.1f} min of recording gone"


def electrodes_of(
    runs: tuple[RunSummary, ...], checked: tuple[Report, datetime.datetime] | None
) -> tuple[tuple[Severity | Literal[""], str], ...]:  # fmt: skip
    """The last check, with each finding on a contact that is not ok, and what the last run says. The check stands with the time
    of day: these words are not written anew while time goes on."""
    said: list[tuple[Severity | Literal[""], str]] = []
    if checked is not None:
        report, moment = checked
        when = f"in the check at {moment:%H:%M}"
        groups = [group for group in report.groups if group.name == "electrodes"]
        findings = [finding for group in groups for finding in group.findings]
        bad = [one for one in findings if one.severity != "ok"]
        noise = "" if math.isnan(report.noise_uv) else f", {report.noise_uv:.1f} µV of noise"
        if findings and not bad:
            said.append(("ok", f"every contact was fine {when}{noise}"))
        said += [(one.severity, f"{f'{one.subject}: ' if one.subject else ''}{one.title}, {one.said} ({when})") for one in bad]
    recorded = [run for run in runs if not math.isnan(run.sweep_noise_uv)]
    if recorded:
        run = recorded[-1]
        left_out = "" if math.isnan(run.left_out) else f", {100 * run.left_out:.0f} % of sweeps rejected"
        said.append(("", f"run {run.number}: {run.sweep_noise_uv:.1f} µV of noise in a sweep{left_out}"))
    return tuple(said) or (("wait", "not checked yet: the set-up before the first run does"),)


def dose_of(session: RecordedSession) -> tuple[tuple[tuple[str, float], ...], str]:
    """Share of the day's limit for each ear, right first, and the words."""
    try:
        policy, spent = day_of(session, datetime.date.today())
    except (ExposureError, PlanError) as error:
        return (), str(error)
    limit = limit_pa2s(session.plan.subject.age_group, 1.0 if policy is None else policy.day_limit_times)
    shares = dict(zip(EARS, (one / limit for one in spent.both), strict=True))
    ordered = tuple((ear, shares[ear]) for ear in ("right", "left"))
    most = max(shares.values())
    words = "of the sound dose of a day"
    words += "" if policy is None else f" under the dose policy {policy.short}"
    words += "" if most < NEARLY else ": little is left, and no run plays beyond the limit"
    return ordered, words


def share_words(share: float) -> str:
    """A share of the dose limit; what is not zero never reads as zero."""
    if share <= 0.0:
        return "0 %"
    return "< 0.1 %" if share < 0.001 else f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"


def _last_words(last: RunSummary, runs: tuple[RunSummary, ...]) -> str:
    same = [run for run in runs if run.number == last.number]
    words = last.words if len(same) == 1 else f"run {last.number}: search of {len(same)} conditions"
    words += "" if len(same) == 1 or last.discarded is None else f"; discarded: {last.discarded}"
    if len(same) == 1:  # whose it was: the next one may be of the other ear
        where = f"{last.condition.ear} {sound_words(last.condition)[1]}"
        words = words.replace(":", f", {where}{'' if last.condition.route == 'air' else f' by {last.condition.route}'}:", 1)
    return words[:1].upper() + words[1:]


def steps_of(sight: SessionSight) -> tuple[SightStep, ...]:
    """What can be done between two runs, in the order in which a key goes through it."""
    one = sight.coming
    none = "" if sight.last else "no run was made yet"
    steps = [SightStep(name, title, why=sight.nothing) for name, title in (
        ("start", "Start"), ("louder", "Louder"), ("softer", "Softer"), ("mask", "Mask"),
    )] if one is None else [
        SightStep("start", "Start"),
        SightStep("louder", "Louder", "" if one.louder else "no louder level is allowed here"),
        SightStep("softer", "Softer", "" if one.softer else "no softer level is in the plan"),
        SightStep("mask", "No noise" if one.given else "Mask", _why_no_noise(one)),
    ]  # fmt: skip
    return (
        *steps, SightStep("condition_next", "Condition"), SightStep("repeat", "Repeat", none),
        SightStep("discard_now", "Count again" if sight.discarded else "Discard", none), SightStep("report", "Report", none),
        SightStep("files", "Export", none),
    )  # fmt: skip


def _why_no_noise(one: Coming) -> str:
    if one.noise or one.given:
        return ""
    return "no level of noise is known to be enough" if one.masking else "no noise is due"
