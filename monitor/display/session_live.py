"""The run that is on, in the session view and in the large letters of the far view. Plain values, no Qt."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from quietfloor.monitor.display.board import evidence_words, interval_words, to_go
from quietfloor.monitor.display.scales import clock
from quietfloor.monitor.display.session_sight import KIND_WORDS, NOTHING, Coming, SessionSight, SightRow, effort_words, time_left
from quietfloor.monitor.display.views import Headline
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import STOPPABLE, Status
from quietfloor.monitor.search.condition import Answer
from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.session.conditions import Condition
from quietfloor.stimuli.calibration import ear_words

# Height of a letter that is read with comfort: 20 to 22 minutes of arc, 16 at least (ISO 9241-303: from memory). The screen of a
# small portable computer (13.3 inch, 16:9) is 166 mm high, so letters of a twelfth of it are 24 minutes of arc high from 2 m.
LETTERS_PER_HEIGHT = 12
LOOKED_AT_FROM_MM = 2000.0


def minutes_of_arc(height_mm: float, distance_mm: float = LOOKED_AT_FROM_MM) -> float:
    """How high something looks from this distance."""
    return 60.0 * math.degrees(2.0 * math.atan(height_mm / 2.0 / distance_mm))


# -- the session view -------------------------------------------------------------------------------------------------


def with_live(sight: SessionSight, plan: Plan, status: Status) -> SessionSight:
    """The sight with what the run that is on has found so far."""
    gone = f"{sight.time[0]}, {clock(status.seconds)} in this one"
    left, left_words = (sight.left, sight.time[2]) if math.isinf(sight.left_s) else time_left(sight.left_s - status.seconds)
    sight = replace(sight, on=True, left=left, time=(*sight.time[:2], left_words))
    if status.search is not None:
        now = status.search
        ahead = to_go(now) or ("this search is over" if now.over else "time to go not known yet")
        rows = tuple(_searched(row, plan, now) for row in sight.rows)
        return replace(sight, rows=rows, time=(gone, ahead, sight.time[2]))
    if plan.sound is None or plan.search is not None:
        return replace(sight, time=(gone, *sight.time[1:]))
    sound, look = plan.sound, status.look
    here = Condition(sound.ear, sound.route, sound.stimulus, sound.frequency_hz)
    level = "" if sound.level_db_nhl is None else f" at {sound.level_db_nhl:g}"
    known = look is not None and not math.isnan(look.evidence)
    evidence = f"{round(look.evidence, 1) + 0.0:.1f}{level}".replace("-", "−") if known and look is not None else NOTHING
    accepted, passed_s = (0, 0.0) if look is None else (look.sweeps_accepted, status.seconds)
    rows = tuple(
        replace(
            row, state="undecided", said=f"runs{level} dB", evidence=evidence, next=True,
            effort=effort_words(row.sweeps + accepted, row.seconds + passed_s),
        )
        if row.condition.same_as(here)
        else replace(row, next=False)
        for row in sight.rows
    )  # fmt: skip
    return replace(sight, rows=rows, time=(gone, time_to_go(plan, status) or sight.time[1], sight.time[2]))


def _searched(row: SightRow, plan: Plan, now: SearchNow) -> SightRow:
    route = "air" if plan.sound is None else plan.sound.route
    found = next(
        (one for one in now.conditions if row.condition.same_as(Condition(one.ear, route, one.stimulus, one.frequency_hz))), None
    )
    if found is None:
        return replace(row, next=False)
    answer = found.answer
    plays = next((found.levels_db[place.level] for place, _ in now.playing if now.conditions[place.condition] is found), None)
    states = {
        "running": ("undecided", "open"), "waiting": ("idle", "waits for its turn"), "left": ("stopped", "set aside"),
        "answered": ("absent" if math.isnan(answer.found_db) else "present", "answered"),
    }  # fmt: skip
    state, said = states[found.state]
    if plays is not None:
        said = "paused" if now.paused else f"plays {plays:g} dB"
    looks = [
        (look.evidence_log10, level, look)
        for look, level in zip(found.looks, found.levels_db, strict=True)
        if look is not None and not math.isnan(look.evidence_log10)
    ]
    best = max(looks, key=lambda one: one[:2], default=None)
    sweeps = sum(look.accepted for look in found.looks if look is not None)
    return replace(
        row, threshold=_threshold(answer, found.levels_db), interval=interval_words(answer) or NOTHING, state=state,
        said=said, evidence=NOTHING if best is None else f"{evidence_words(best[2])} at {best[1]:g}",
        effort=f"{sweeps:,}" if sweeps else NOTHING, next=plays is not None,
        done=found.state == "answered",
    )  # fmt: skip


def _threshold(answer: Answer, levels_db: tuple[float, ...]) -> str:
    """As it stands, in dB nHL."""
    if math.isnan(answer.threshold_db):
        return NOTHING
    if math.isinf(answer.threshold_db):
        return f"> {levels_db[-1]:g}"
    return f"< {levels_db[0]:g}" if answer.threshold_db < levels_db[0] else f"{answer.threshold_db:.0f}"


def coming_words(sight: SessionSight, one: Coming) -> tuple[str, str, str]:
    """The next run, or the one that is on; why it is next; and its masking. The last two may be ""."""
    where = f"{one.ear} ear" if one.ear else "both ears" if one.more else f"{one.condition.ear} ear"
    more = f" and {one.more} more" if one.more else ""
    begins = "a search from " if one.kind == "search" else ""
    kind = "" if one.kind in ("search", "threshold") else f", {KIND_WORDS[one.kind]}"
    hz = "" if one.condition.frequency_hz is None else f"{one.condition.frequency_hz:g} Hz, "
    own = " (your choice)" if one.own else ""
    what = f"{where}, {hz}by {one.condition.route}{more}: {begins}{one.level_db:g} dB nHL{kind}{own}"
    if sight.on:  # its noise cannot be changed any more; and whose its responses are is judged at its end
        masking = f"Masking: {one.noise} is given." if one.given and one.noise else ""
        return f"Now: {what}", "The audiogram shows what it finds when it is over.", masking
    given = f"{one.noise} is {'given (K takes it away)' if one.given else 'advised (K gives it)'}"
    known = given if one.noise else "no level of noise is known to be enough"
    return f"Next: {what}", one.sentence, f"Masking: {known}. {one.masking}" if one.masking else ""


def time_to_go(plan: Plan, status: Status) -> str:
    """Of a run at one level, by its forecast; "" where there is none."""
    look, rate_per_s = status.look, plan.sound.rate_per_s if plan.sound is not None else math.nan
    if look is None or status.verdict is not None or not math.isfinite(look.forecast_median_sweeps / rate_per_s):
        return ""
    seconds = look.forecast_median_sweeps / rate_per_s
    return f"about {seconds:.0f} s to go" if seconds < 90 else f"about {seconds / 60:.0f} min to go"


# -- the far view -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Far:
    """What is read from two metres: state with its word, ear, level, time to go, and what a key does. ``ear``: "" for both or
    none; ``step``: what Enter or b does now."""

    state: str
    word: str
    ear: str
    ear_words: str
    level: str
    time: str
    step: str

    @property
    def lines(self) -> tuple[str, ...]:
        return self.word, self.ear_words, self.level, self.time, self.step


WORDS = {
    "waiting": "Wait", "undecided": "Undecided", "present": "Response", "absent": "No response", "stopped": "Stopped",
    "discarded": "Discarded", "fault": "Fault", "earlier": "Earlier look", "idle": "Ready",
}  # fmt: skip


TROUBLE = "Trouble: 8 tells it"  # 8 shows the window, where the whole sentence stands


def far_between(sight: SessionSight, step: str) -> Far:
    """Between two runs. ``step``: the step that Enter does."""
    one = sight.coming
    if one is None:
        state, word = ("fault", TROUBLE) if sight.trouble else (sight.headline.state, sight.headline.word)
        return Far(state, word, "", "", status_text.count(sight.made, "run") + " made", sight.left, step)
    route = "" if one.condition.route == "air" else f", {one.condition.route}"
    words_of_ear = f"{one.ear.capitalize()} ear{route}" if one.ear else f"Both ears{route}"
    moved = re.fullmatch(r"(.+) ((?:to|on) the \w+ ear)", one.move)  # such as "Move the earphone", "to the left ear"
    state, word = "idle", "Ready" if moved is None else moved[1]
    words_of_ear = words_of_ear if moved is None else f"{moved[2]}{route}"
    if sight.trouble:
        state, word, words_of_ear = "fault", TROUBLE, one.move or words_of_ear
    noise = " + noise" if one.given else ", noise due" if one.masking else ""
    level = f"{'from ' if one.kind == 'search' else ''}{one.level_db:g} dB nHL{noise}"
    return Far(state, word, one.ear, words_of_ear, level, short_time(sight.time[1]) or sight.left, step)


def far_live(headline: Headline, plan: Plan, status: Status, step: str) -> Far:
    """While a run is on, or was on last. ``headline`` is that of the run."""
    now, sound = status.search, plan.sound
    route = "" if sound is None or sound.route == "air" else f", {sound.route}"
    state, word = headline.mark, WORDS[headline.state] + (f": {headline.doubt}" if headline.doubt else "")
    if status.verdict is None and (status.silent or status.no_trigger):
        state, word = "fault", "No signal" if status.silent else "No trigger"
    if status.verdict is None and status.state not in STOPPABLE:
        word = "Ends"
    if now is not None and status.verdict is None and headline.state == "undecided":
        word = "Paused" if now.paused else "Searching"
    if now is None:
        ear = "" if sound is None else sound.ear
        level = "" if sound is None or sound.level_db_fs is not None else "{:g} {}".format(*sound.level)
        masked = " + noise" if sound is not None and sound.masking != "none" and level else ""
        ahead = time_to_go(plan, status) or f"{clock(status.seconds)} gone"
        return Far(state, word, ear, f"{ear_words(ear).capitalize()}{route}" if ear else "", level + masked, ahead, step)
    playing = [(now.conditions[place.condition], place.level) for place, _ in now.playing]
    ears = {one.ear for one, _ in playing}
    only = "" if len(ears) != 1 else next(iter(ears))
    levels = [f"{'' if len(playing) == 1 else _cell(one)}{one.levels_db[level]:g}" for one, level in playing]
    level = " · ".join(levels) + (" dB nHL" if len(levels) == 1 else " dB" if levels else "")
    words_of_ear = f"{only.capitalize()} ear{route}" if only else f"Both ears{route}" if ears else ""
    level += " + noise" if now.noise and level else ""
    if now.paused and status.verdict is None:
        level = "no sound"
    return Far(state, word, only, words_of_ear, level, short_time(to_go(now)) or f"{clock(status.seconds)} gone", step)


def _cell(one: ConditionNow) -> str:
    """Ear and frequency of one of several sounds, "L 0.5k "."""
    return f"{one.ear[:1].upper()} " + ("" if one.frequency_hz is None else f"{one.frequency_hz / 1e3:g}k ")


def short_time(words: str) -> str:
    """"about 6 minutes to go (3 to 11)" as "6 min to go"; "" where the time is not known."""
    if "not known" in words or not words:
        return ""
    short = words.partition(" (")[0].replace("next run about", "takes")
    short = short.removeprefix("about ") if "to go" in short else short
    return short.replace("minutes", "min").replace("less than a minute", "< 1 min").replace("minute", "min")
