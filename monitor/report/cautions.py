"""What changes a conclusion of a report: masking, unsettled thresholds, discarded runs, timing, levels, electrodes. Pure.

Each caution says of which conditions or runs it is, what is the case, and what that changes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.methods import runs_words
from quietfloor.monitor.report.parts import Ladder, Report, despite_of, electrodes
from quietfloor.monitor.run.status_text import sound_limited
from quietfloor.monitor.session.conditions import PRESENT, UNKNOWN
from quietfloor.monitor.untrusted.safe_text import plain
from quietfloor.stimuli.calibration import BOTH
from quietfloor.stimuli.levels import NHL, stated_level

MOST_REASON = 90  # characters of a reason on the first page; the whole one is further down
DOUBT = ("may have hidden", UNKNOWN)  # in notes of a threshold that are told here in other words


@dataclass(frozen=True)
class Caution:
    """``of``: titles of conditions, or runs, in words; empty for the whole report."""

    of: tuple[str, ...]
    what: str
    changes: str

    @property
    def sentence(self) -> str:
        of = f"{'; '.join(self.of)}: " if self.of else ""
        text = f"{of}{self.what}: {self.changes}."
        return text[:1].upper() + text[1:]


def cautions_of(report: Report) -> tuple[Caution, ...]:
    """All cautions, those on thresholds first; the same caution of several conditions is one."""
    together: dict[tuple[str, str], list[str]] = {}
    for ladder in report.ladders:
        for what, changes, why in (*_masking(ladder), *_unsettled(ladder, report)):
            together.setdefault((what, changes), []).append(f"{ladder.title} ({why})" if why else ladder.title)
    found = [Caution(tuple(of), *words) for words, of in together.items()]
    return (*found, *_of_runs(report), *_of_tables(report))


def _masking(ladder: Ladder) -> Iterator[tuple[str, str, str]]:
    """What is the case, what it changes, and a reason of this condition alone."""
    one = ladder.threshold
    if one is None:
        if ladder.searches:
            yield (
                "which ear responded was not judged, as the runs belong to no session",
                "where masking was due, a response may be the other ear's", "",
            )  # fmt: skip
        return
    if one.whose == UNKNOWN and one.finding != "no response":
        yield (
            "masking was due and was not given, or is not known to be enough",
            f"the response is {UNKNOWN}, and the threshold of this ear may be higher", "",
        )  # fmt: skip
    if one.hidden or (one.whose == UNKNOWN and one.finding == "no response"):
        yield "noise in the other ear may have hidden a response of this ear", "its threshold may be lower", ""


def _unsettled(ladder: Ladder, report: Report) -> Iterator[tuple[str, str, str]]:
    one, move = ladder.threshold, "further runs may move the threshold"
    if one is None:
        for run, searched in ladder.searches:
            if not searched.finished:
                yield f"the search in run {run.number} was ended before it was finished", move, ""
        return
    notes = "; ".join(note for note in one.notes if not any(words in note for words in DOUBT) and note != one.hidden_below)
    if one.finding == "not tested":
        yield "nothing was decided", "there is no threshold", notes
    elif one.finding == "at most":
        yield "nothing was decided below the lowest response", "the threshold may be lower", notes
    elif not one.settled:
        if one.method == "search":
            yield "the search was not finished", move, notes
        elif report.material.rules is None:
            yield "no plan of a session says how often a level had to be repeated", move, notes
        else:
            yield "not settled by the rules of the session", move, notes
    elif notes and one.method != "search":
        yield "settled by the rules, with a contradiction or too few runs", move, notes


def _of_runs(report: Report) -> Iterator[Caution]:
    runs = report.material.runs
    controls = [run for run in runs if _sound(run).get("muted") and run.record.get("verdict") == PRESENT and not run.discarded]
    if controls:
        yield Caution(_told(controls), "a muted control found a response", "other responses here may be electrical, or chance")
    if report.discarded:
        yield _discarded(report)
    if report.material.left_out:
        told = "; ".join(plain(text, MOST_REASON) for text in report.material.left_out)
        yield Caution((), f"not in this report: {told}", "nothing here rests on these folders")
    runs = tuple(run for run in runs if not run.discarded)  # nothing rests on the others
    faults = [run for run in runs if run.record.get("stopped_by") == "fault"]
    if faults:
        yield Caution(_told(faults), "ended on a fault", "what was found until then may be too little to decide")
    yield from _timing(runs)
    yield from _levels(runs)
    unpromised = [run for run in runs if run.search is None and isinstance(rule := run.record.get("rule"), Mapping)
                  and rule.get("promise") is None]  # fmt: skip
    if unpromised:
        yield Caution(_told(unpromised), "decided by a rule without an error rate",
                      "how often it finds a response by mistake is not known")  # fmt: skip
    yield from _electrodes(runs)


def _discarded(report: Report) -> Caution:
    reasons: dict[str, list[int]] = {}
    for run in report.discarded:
        assert run.summary is not None
        reasons.setdefault(plain(str(run.summary.discarded), MOST_REASON), []).append(run.number)
    count, of = len(report.discarded), len(report.material.runs)
    told = "; ".join(f"{runs_words(numbers)}: {why}" for why, numbers in reasons.items())
    were, them = ("was", "it") if count == 1 else ("were", "them")
    return Caution((), f"{count} of {of} runs {were} discarded ({told})", f"no threshold rests on {them}")


def _timing(runs: Sequence[RunMaterial]) -> Iterator[Caution]:
    reasons: dict[str, list[RunMaterial]] = {}
    for run in runs:
        timing = run.record.get("timing") or {}
        if not timing.get("verified"):
            why = str(timing.get("reason") or "reason not kept").split(": `quietfloor")[0]
            reasons.setdefault(plain(why, MOST_REASON), []).append(run)
    for why, own in reasons.items():
        yield Caution(
            _told(own), f"timing of sound against EEG was not verified ({why})",
            "latencies may be off by a delay that nobody measured, and a response near an end of the window may be missed",
        )  # fmt: skip
    unsure = [run for run in runs if (run.record.get("timing") or {}).get("rate_confirmed") is False]
    if unsure:
        yield Caution(_told(unsure), "the sampling rate of the stream was not confirmed", "all times in ms may be off by more "
                      "than 0.1 %")  # fmt: skip


def _levels(runs: Sequence[RunMaterial]) -> Iterator[Caution]:
    found: dict[tuple[str, str], list[RunMaterial]] = {}
    for run in runs:
        for words in _level(run):
            found.setdefault(words, []).append(run)
    for (what, changes), own in found.items():
        yield Caution(_told(own), what, changes)


def _level(run: RunMaterial) -> Iterator[tuple[str, str]]:
    sound = _sound(run)
    unit = (stated_level(sound) or (0.0, NHL))[1]
    if not sound:
        yield "the sound was made by other equipment, and nobody stated it", "ear, level and kind of sound are not known"
        return
    if sound.get("stated"):
        yield "ear, sound and level are as the operator of other equipment stated them", "this program measured none of it"
    elif sound.get("level_db_ppe_spl") is not None:
        yield (
            "the level is in dB p-p.e. SPL, which says how strong the sound is, not how well it is heard",
            "no threshold in dB nHL, no hearing level and no published latency can be compared with it",
        )
    elif sound.get("level_db_nhl") is None and run.search is None:
        yield "the sound was not calibrated", "its level is in dB re full scale, and no threshold in dB nHL can follow"
    rests = sound.get("level_rests_on")
    if isinstance(rests, str) and "assumed" in rests:
        yield f"the level of the sound rests on an assumption ({plain(rests, MOST_REASON)})", f"levels in {unit} may be off"
    source = sound.get("reference_source")
    if isinstance(source, str) and ("from memory" in source or "of the usual form" in source):
        yield f"0 dB nHL is that of {plain(source, MOST_REASON)}", "all levels in dB nHL may be off alike"
    if sound.get("ear") == BOTH:
        meaning = "which of them responded is not known, and the threshold of neither ear rests on it"
        yield "both ears heard the same sound", meaning
    if sound.get("trigger_on_earphone_jack"):
        yield "one earphone served both ears", "which ear was tested rests on the operator"
    check = sound.get("level_check")
    if isinstance(check, Mapping) and check.get("passed") is False:
        yield "the check of the calibration in this session failed", f"levels in {unit} may be off"
    if limited := sound.get("limited_samples"):
        yield sound_limited(limited), "the sound may have been softer than its level says"


def _electrodes(runs: Sequence[RunMaterial]) -> Iterator[Caution]:
    found: dict[str, list[RunMaterial]] = {}
    for run in runs:
        for text in dict.fromkeys((*despite_of(run), *_faults(run))):
            found.setdefault(plain(text, 2 * MOST_REASON), []).append(run)
    for text, own in found.items():
        yield Caution(_told(own), text, "a response may have been missed, or its size be wrong")
    unknown = [run for run in runs if not run.damaged and not _known(run)]
    if unknown:
        yield Caution(_told(unknown), "no finished check of the electrodes was kept with the run",
                      "the state of the electrodes is not known")  # fmt: skip
    for run in runs:
        for text in run.damaged:
            yield Caution(_told([run]), plain(text, 2 * MOST_REASON), "what it held is not in this report")


def _known(run: RunMaterial) -> bool:
    """Whether the check before the run said something final of each electrode."""
    found = electrodes(run)
    return bool(found) and not (run.check or {}).get("failure") and all(one.get("severity") != "wait" for one in found or ())


def _faults(run: RunMaterial) -> Iterator[str]:
    """What the check before the run found wrong with electrodes."""
    for one in electrodes(run) or ():
        if one.get("severity") in ("look", "stop"):
            yield f"electrode {one.get('subject') or 'of all channels'}, before the run: {one.get('about')}, {one.get('said')}"


def _of_tables(report: Report) -> Iterator[Caution]:
    doubtful: dict[str, list[str]] = {}
    for one in report.estimates:
        if one.rows and one.status != "verified" and not math.isnan(one.level_db):
            doubtful.setdefault(one.status, []).append(one.measured.where)
    for status, of in doubtful.items():
        yield Caution(tuple(of), f"the correction to a hearing level is of status {status}", "the estimated level may be off")


def _told(runs: Iterable[RunMaterial]) -> tuple[str, ...]:
    return (runs_words(run.number for run in runs),)


def _sound(run: RunMaterial) -> Mapping[str, Any]:
    sound = run.record.get("stimulus")
    return sound if isinstance(sound, Mapping) else {}
