"""Parts of a report on results: thresholds, waveforms, waves, replicates, masking, estimated hearing levels."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from quietfloor.monitor.hearing.air_bone import FOR_A_PROFESSIONAL
from quietfloor.monitor.report.form import Block, Drawing, Heading, Points, Table, Text
from quietfloor.monitor.report.level_pictures import has_levels, level_picture, marked_of, model_of
from quietfloor.monitor.report.material import RunMaterial
from quietfloor.monitor.report.parts import BAND, Ladder, Level, Report, level_words
from quietfloor.monitor.report.pictures import ladder_picture, waveform_picture
from quietfloor.monitor.review.search_record import SearchedCondition
from quietfloor.monitor.run.status_text import too_large
from quietfloor.monitor.session.conditions import PRESENT
from quietfloor.monitor.session.staircase_errors import NO_RATE
from quietfloor.monitor.session.threshold import COVERAGE
from quietfloor.monitor.waves.marks import Estimate, Mark

WAVE_COLUMNS = ("level", "wave", "latency, ms", "published, ms", "amplitude, nV", "published, nV", "by")


def averages(report: Report) -> Iterable[Block]:
    yield Heading("Averages", 2)
    marks = (
        "Crosses mark waves I, III, V and the trough after V: thick ones were placed by a person, thin ones are suggested. "
    ) if any(level.marks.marks for ladder in report.ladders for level in ladder.levels) else ""  # fmt: skip
    yield Text(
        "All averages of a condition are on one scale, the highest level on top. Dark lines are averages, of all runs at a level "
        "together where there are several; thin lines single runs, and of a search the odd and the even half of the sweeps. The "
        f"grey band is the average plus and minus {BAND:g} times its residual noise. {marks}The dashed green line stands below "
        "the levels from the threshold on. Positive is up, 0 ms is time zero of the stimulus.",
        "small",
    )
    for ladder in report.ladders:
        yield Heading(ladder.title, 3)
        drawn = [level for level in ladder.levels if len(level.times_ms)]
        if drawn:
            labels = ", ".join(level.label for level in drawn)
            line = "" if ladder.line is None else f"; {ladder.line[1]}"
            yield Drawing(f"Averages at {labels}, one above the other{line}", waveform_picture(ladder))
        if has_levels(ladder):
            yield from _against_level(ladder)
        points = [f"{level.label}: {text}." for level in ladder.levels for text in level.untold]
        points += ladder.growth
        if points:
            yield Points(tuple(points))
        if not ladder.levels:
            yield Text("No run counts here.")


def _against_level(ladder: Ladder) -> Iterable[Block]:
    """Latency and amplitude of wave V against level, with what the picture shows in words."""
    marked = marked_of(ladder)
    said = "; ".join(
        f"{level.label} {estimate_words(mark.latency_ms, 2)} ms, {estimate_words(mark.amplitude_nv, 0)} nV"
        for level, mark in marked
    )
    alt = f"Latency and amplitude of wave V against level{f': {said}' if said else ''}"
    yield Drawing(alt, level_picture(ladder))
    origins = dict.fromkeys(norm.origin for _, *norms in ladder.published for norm in norms if norm is not None)
    texts = ["Points are marks with intervals of 95 %, filled where a person placed them."] if marked else []
    if origins:
        texts.append(f"Published: {'; '.join(origins)}.")
    else:
        texts.append("No published latency or amplitude is known here for this sound and age.")
    if any(model_of(run, one) is not None for run, one in ladder.searches):
        texts.append(
            "The green band is where the model of the search, fitted once more to the averages that are kept, believes wave V to "
            "be (95 %), its line the middle; of latencies at levels from the threshold on. Amplitudes of the model are those of "
            "waves of the usual forms."
        )
        if marked:
            texts.append(
                "A search goes on at a level until a response is found, so marked amplitudes there tend to be too large; by how "
                "much nobody measured."
            )
    yield Text(" ".join(texts), "small")


def thresholds(report: Report) -> Iterable[Block]:
    rows = []
    notes = []
    for ladder in report.ladders:
        one = ladder.threshold
        if one is None:
            continue
        rows.append((ladder.title, one.words))
        notes += [f"{ladder.title}: {note}." for note in one.notes]
    yield Heading("How the thresholds were found", 2)
    if not rows:
        yield Text(
            "No ladder of runs was made; what searches found follows." if any(ladder.searches for ladder in report.ladders)
            else "No run belongs to a ladder of levels in dB nHL."
        )  # fmt: skip
        return
    yield Table(("condition", "found"), tuple(rows))
    methods = {one.threshold.method for one in report.ladders if one.threshold is not None and one.threshold.rests_on}
    if methods != {"search"}:
        yield Text(
            f"A threshold is the lowest level at which runs find a response. The interval beside it ({100 * COVERAGE:g} %) is "
            "where runs like these would find a response as often as not; it counts every run that was not discarded. Settled: "
            "the rules of the session have nothing left to ask, and both levels were found as often as they ask.",
            "small",
        )
    if "search" in methods:
        yield Text("The threshold of a search is where the response begins. Settled: the search was finished.", "small")
    if notes:
        yield Points(tuple(notes))
    yield from _rules(report)
    for ladder in report.ladders:
        single = [run for run in ladder.runs if run.search is None]
        if ladder.threshold is not None and any(run.summary is not None and not run.summary.muted for run in single):
            yield Heading(ladder.title, 3)
            yield Drawing(f"Levels of the runs in order, with what each found: {ladder.threshold.words}", ladder_picture(ladder))


def _rules(report: Report) -> Iterable[Block]:
    """Of ladders, with their error rate, and what is next."""
    if report.material.rules is not None:
        steps, again, limits = (report.material.rules[name] for name in ("steps", "replicates", "limits"))
        yield Text(
            f"Ladders went in steps of {steps['first_db']:g} dB, then {steps['last_db']:g} dB; the lowest response was to be "
            f"found {again['present']} times, the absence below it {again['absent']} times; levels up to "
            f"{limits['highest_db_nhl']:g} dB nHL."
        )
        said = (NO_RATE if one.errors is None else one.errors.words for one in report.ladders if one.threshold is not None)
        yield Points(tuple(f"Error rate of a ladder by these rules: {words}." for words in dict.fromkeys(said)))
    if report.material.next:
        yield Text("What the session suggested when this report was made:", "small")
        yield Points(report.material.next, "small")


def waves(report: Report) -> Iterable[Block]:
    yield Heading("Waves", 2)
    sources: dict[str, None] = {}
    for ladder in report.ladders:
        rows = [row for level in ladder.levels for row in _wave_rows(level)]
        if rows:
            yield Heading(ladder.title, 3)
            yield Table(WAVE_COLUMNS, tuple(rows))
        sources |= {norm.origin: None for level in ladder.levels for _, norm in level.published}
    if not any(level.marks.marks for ladder in report.ladders for level in ladder.levels):
        how = "none stood out of the noise" if report.suggested else "none were placed by hand, and --marks was not asked for"
        yield Text(f"No waves are marked: {how}.")
        return
    yield Text(
        "In brackets the interval that holds the truth in 95 of 100 cases, as far as noise goes. Published: mean and range of "
        "persons (mean plus and minus 2 SD) or of study means. Amplitudes are peak to trough.",
        "small",
    )
    large: dict[str, list[str]] = {}
    for run in (run for ladder in report.ladders for level in ladder.levels if level.marks.marks for run in level.runs):
        if words := too_large(run.record, run.plan):
            large.setdefault(words, []).append(f"{run.number}")
    yield Points(tuple(f"Amplitudes, run {', '.join(runs)}: {words}." for words, runs in large.items()), "small")
    yield Points(tuple(f"Published: {source}." for source in sources), "small")


def _wave_rows(level: Level) -> Iterable[tuple[str, ...]]:
    published = dict(level.published)
    for mark in level.marks.marks:
        size = published.get("V amplitude") if mark.wave == "V" else None
        yield (
            level.label, mark.wave, estimate_words(mark.latency_ms, 2), _range(published.get(mark.wave), 2),
            estimate_words(mark.amplitude_nv, 0), _range(size, 0), _by(mark, level),
        )  # fmt: skip
    for name, interval in level.marks.intervals().items():
        yield level.label, name, estimate_words(interval, 2), _range(published.get(name), 2), "", "", ""


def estimate_words(one: Estimate, digits: int) -> str:
    """A value with its interval, such as "7.02 (6.95 to 7.10)"; only the value if the interval is not known."""
    if not math.isfinite(one.value):
        return ""
    limits = f" ({one.low:.{digits}f} to {one.high:.{digits}f})" if math.isfinite(one.low) and math.isfinite(one.high) else ""
    return f"{one.value:.{digits}f}{limits}"


def _range(norm: Any, digits: int) -> str:
    if norm is None:
        return ""
    limits = f" ({norm.low:.{digits}f} to {norm.high:.{digits}f})" if math.isfinite(norm.low) and math.isfinite(norm.high) else ""
    return f"{norm.mean:.{digits}f}{limits}"


def _by(mark: Mark, level: Level) -> str:
    if mark.by != "suggested":
        return "a person"
    return "suggested" if level.found_any else "suggested; no response found"


def replicates(report: Report) -> Iterable[Block]:
    points = [
        f"{ladder.title}, {level.label}: {level.comparison.words}.{_together(level)}"
        for ladder in report.ladders for level in ladder.levels if level.comparison is not None
    ]  # fmt: skip
    if points:
        yield Heading("Replicates", 2)
        yield Points(tuple(points))
        yield Text("The verdict by guidance compares two runs by amplitude and gap and promises no error rate.", "small")


def _together(level: Level) -> str:
    """A sentence if several runs together have evidence for a response that none of them found alone."""
    both = level.comparison
    if both is None or PRESENT in both.verdicts or not both.evidence >= -math.log10(both.alpha):
        return ""
    return (
        " No run alone found a response, but together they hold the evidence for one, which keeps the error rate only if every "
        "run that was made at this level is among them. The threshold counts single runs: look at this level again."
    )


def noise_of_search(run: RunMaterial, one: SearchedCondition) -> str:
    """Noise in the other ear during a search of a condition, in a sentence."""
    noises = [(cell.level_db_nhl, cell.masking_db_em) for cell in one.cells if cell.masking_db_em is not None and cell.presented]
    if not noises:
        return f"Run {run.number}, {one.title}: no noise in the other ear at any level that was played."
    levels, ems = zip(*noises, strict=True)
    span = f"{min(ems):g} dB EM" if min(ems) == max(ems) else f"{min(ems):g} to {max(ems):g} dB EM"
    return f"Run {run.number}, {one.title}: noise of {span} in the other ear from {min(levels):g} dB nHL on."


def masking(report: Report) -> Iterable[Block]:
    yield Heading("Masking", 2)
    searched = tuple(noise_of_search(run, one) for ladder in report.ladders for run, one in ladder.searches)
    yield Points(searched)
    if searched and not report.masking:
        return
    if not report.masking:
        yield Text("Nothing can be said about masking: no table knows these stimuli, or their levels are not in dB nHL.")
        return
    runs = {run.number: run for run in report.material.runs}
    rows = tuple((f"{one.run}", level_words(runs[one.run]), "FLAGGED" if one.due else "", one.words) for one in report.masking)
    yield Table(("run", "level", "flag", "judged by what is known now"), rows, right=(0,))
    advice = dict.fromkeys(one.advice.sentence for one in report.masking if one.due)
    if advice:
        yield Points(tuple(advice))
    notes = dict.fromkeys(note for one in report.masking for note in one.advice.notes)
    yield Points(tuple(notes), "small")


def hearing(report: Report) -> Iterable[Block]:
    yield Heading("Estimated hearing levels", 2)
    if not report.material.chosen:
        yield Text("Not estimated: no table was chosen. Name one by --table, or under [hearing] in the plan of the session.")
        return
    yield Text(FOR_A_PROFESSIONAL, "caution")
    yield Points(tuple(one.sentence for one in report.estimates))
    notes = dict.fromkeys(note for one in report.estimates for note in one.notes)
    sources = dict.fromkeys(f"{row.table}: {row.source} ({row.status})" for one in report.estimates for row in one.rows)
    yield Points((*(one.reason for one in report.not_estimated), *notes), "plain")
    yield Points(tuple(sources), "small")
    if report.air_bone:
        yield Heading("Air and bone", 3)
        yield Points(tuple(text for one in report.air_bone for text in (one.sentence, *one.notes)))
