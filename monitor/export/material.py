"""Data for an export: one run, read from disk once."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.artefacts import RunningLimits
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit, SoundBroken, UnitDone
from quietfloor.monitor.core.onsets import Onset, OnsetFinder
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.train import ALL, Stream, streams_of
from quietfloor.monitor.export.labels import polarities, sweep_label
from quietfloor.monitor.export.timeline import MERGE_S, Timeline, TimelineError, stretches, timeline_of
from quietfloor.monitor.plan.cell_table import read_cells, table_of
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.review.replay import Replayed, ReplayError, replay
from quietfloor.monitor.review.search_record import Search, read_search
from quietfloor.monitor.session.recorded_session import PLAN, RecordedSession
from quietfloor.monitor.session.session_plan import SubjectPlan
from quietfloor.monitor.session.session_store import SessionError
from quietfloor.monitor.sources.base import SourceError, StreamDescription
from quietfloor.monitor.sources.channels import resolve_channels, unit_to_uv
from quietfloor.monitor.sources.recording import RecordingSource, places_of
from quietfloor.monitor.storage.folder_lock import is_held
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.untrusted.safe_paths import file_name
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.untrusted.safe_xml import element_from

LONGEST_TEXT = 100  # letters of a marker or a note
MOST_HAPPENINGS = 1_000_000  # own choice: beyond it a marker stream is no list of events any more
BY_SIGN = {1: "condensation", -1: "rarefaction"}
SILENCE = "silence"
ACCEPTED, REJECTED, NOT_JUDGED = "accepted", "rejected", "not judged"


class ExportError(QuotingError, RuntimeError):
    """Raised if a run cannot be exported as requested; the text says why and what to do. Nothing was written."""


@dataclass(frozen=True)
class Channel:
    """One channel. ``factor``: size of a raw value in ``unit``; microvolts for voltages, else the unit that the stream states, or
    ""."""

    label: str
    kind: str  # EEG, TRIG or MISC
    unit: str
    factor: float


@dataclass(frozen=True)
class Happening:
    """Something at raw sample ``position``. ``kind``: stimulus, sound_broken, gap, clock, not_finite, note or marker.

    ``lost``: samples that are missing before it. ``lasts``: raw samples that it covers. The rest is of stimuli; ``cell``: of a
    recording with several.
    """

    position: float
    kind: str
    text: str = ""
    lost: int = 0
    lasts: int = 0
    status: str | None = None
    reason: str | None = None
    unit: int | None = None
    polarity: str | None = None
    cell: int | None = None


@dataclass(frozen=True)
class CellLabel:
    """A sound of a recording with several. ``tag``: its parts behind slashes, as readers of labels can choose by them.

    ``ear`` and what follows are None of silence, while such a recording pauses.
    """

    tag: str
    stimulus: str
    ear: str | None = None
    frequency_hz: float | None = None
    level: float | None = None
    level_unit: str | None = None


@dataclass(frozen=True)
class Material:
    """One run. ``samples`` (n_channels, n) as recorded; ``happenings`` by position; ``cautions``: what a reader should know.

    ``engine`` has the averages; None where nothing could be decided again. ``cells``: by their numbers; empty for a run of one
    sound. ``search``: their averages, where they are kept.
    """

    name: str
    session: str
    number: int
    folder: RunFolder
    record: dict[str, Any]
    subject: SubjectPlan | None
    started: datetime.datetime | None
    stream: StreamDescription
    samples: NDArray
    stamps_s: Floats
    channels: tuple[Channel, ...]
    timeline: Timeline
    happenings: tuple[Happening, ...]
    cautions: tuple[str, ...]
    engine: Engine | None
    mains_hz: tuple[float, ...] = ()
    cells: tuple[CellLabel, ...] = ()
    search: Search | None = None


def read_material(path: Path) -> Material:
    """Read a run. Raises ExportError, XdfError, OSError."""
    try:
        folder = RunFolder.open(path)
        source = RecordingSource(folder.raw, chunk_samples=2**62)
        chunk = source.pull()
    except (FolderError, SourceError) as error:
        raise ExportError(f"{path}: {error}") from error
    assert chunk is not None
    stream = source.description
    try:
        timeline = timeline_of(chunk.stamps_s, stream.rate_hz)
    except TimelineError as error:
        raise ExportError(f"{folder.raw}: {error}. Its bytes can be had by --to xdf") from error
    cautions = [] if source.file.closed else ["the recording was not closed: it goes as far as it was written"]
    if is_held(folder.raw):
        cautions = ["this run is still being recorded: it goes as far as it was written"]
    cautions += source.file.problems
    done = _decided(folder, cautions)
    record = _record(folder)
    search = read_search(folder, record)
    if search is not None:
        cautions += search.missing
    raw = chunk.samples
    bad = np.zeros(raw.shape[1], dtype=bool) if raw.dtype.kind in "iu" else ~np.isfinite(raw).all(axis=0)
    happenings = _breaks(timeline) + [
        Happening(float(start), "not_finite", "values that are no numbers", lasts=stop - start)
        for start, stop in stretches(bad, max(1, round(MERGE_S * stream.rate_hz)))
    ]
    texts = _markers(source, chunk.stamps_s)
    labels = () if done is None else _cells(folder, done.plan)
    if done is not None:
        happenings += _stimuli(done, raw, chunk.stamps_s, timeline, texts, labels)
    happenings += _notes(folder, stream.rate_hz, raw.shape[1])
    happenings += [
        Happening(position, "marker", text[:LONGEST_TEXT]) for position, _, text in texts if sweep_label(text) is None
    ]
    if len(happenings) > MOST_HAPPENINGS:
        raise ExportError(f"{folder.raw}: {len(happenings):,} events are too many to be listed. Its bytes can be had by --to xdf")
    resolved = folder.path.resolve()
    digits = resolved.name.removeprefix("run-")
    return Material(
        name=f"{file_name(resolved.parent.name)}-{file_name(resolved.name)}",
        session=resolved.parent.name,
        number=int(digits) if digits.isascii() and digits.isdigit() else 1,
        folder=folder,
        record=record,
        subject=_subject(folder),
        started=_started(source.file.header_xml),
        stream=stream,
        samples=raw,
        stamps_s=chunk.stamps_s,
        channels=_channels(stream, done),
        timeline=timeline,
        happenings=tuple(sorted(happenings, key=lambda one: one.position)),
        cautions=tuple(cautions),
        engine=None if done is None else done.engine,
        mains_hz=() if done is None or done.plan.sound is None else tuple(done.plan.sound.mains_hz),
        cells=labels,
        search=search,
    )


def _cells(folder: RunFolder, plan: Plan) -> tuple[CellLabel, ...]:
    table = read_cells(folder, plan.sound) or table_of(plan)
    if table is None:
        return ()
    found = []
    for row, sound in zip(table.cells, table.sounds, strict=True):
        if row.muted:
            found.append(CellLabel(SILENCE, SILENCE))
            continue
        level_db, unit = row.level
        hz = "" if row.frequency_hz is None else f"{row.frequency_hz:g}Hz/"
        kind = sound.spec.name.replace(" ", "-") if row.stimulus == "click" else row.stimulus  # other durations are named
        tag = f"stimulus/{row.ear}/{kind}/{hz}{level_db:g}{unit.replace(' ', '')}"
        found.append(CellLabel(tag, sound.spec.name, row.ear, row.frequency_hz, level_db, unit))
    return tuple(found)


def _decided(folder: RunFolder, cautions: list[str]) -> Replayed | None:
    """The run decided again: only that knows where each sweep was and what was wrong with it."""
    units: list[UnitDone | CellUnit | SoundBroken] = []

    def keep(_: Engine, __: object, events: list[Any]) -> None:
        units.extend(event for event in events if isinstance(event, (UnitDone, CellUnit, SoundBroken)))

    try:
        done = replay(folder, on_events=keep)
    except (ReplayError, PlanError, SourceError, OverflowError) as error:
        cautions.append(f"nothing is said of its stimuli: {error}")
        return None
    if done.live_looks is not None and not done.identical:
        cautions.append("decided again, other looks come out than in the run: what is said of its sweeps is said by this version")
    return replace(done, events=list(units))


def _stimuli(
    done: Replayed, raw: NDArray, stamps_s: Floats, timeline: Timeline, texts: list[tuple[float, float, str]],
    cells: Sequence[CellLabel],
) -> list[Happening]:  # fmt: skip
    """Every onset in the trigger channel, also behind the verdict, with what became of its sweep. Where both ears heard sounds at
    once, these are the sounds of each ear, up to the verdict."""
    settings = done.engine.settings
    onsets = [onset for onset in find_onsets(raw, settings, timeline) if not onset.breaks]
    judged: dict[tuple[float, Stream], tuple[int | None, str | None, int, int | None]] = {}  # by place and stream
    units_left = math.inf if done.search is None else done.search.units
    broken = []
    limits = {
        stream: RunningLimits(settings.analysis.criteria, settings.analysis.rate_hz)
        for stream in (streams_of(0) if done.search is None else done.search.streams)
    }
    for event in done.events:
        if isinstance(event, UnitDone):
            sweeps = zip(event.positions, event.left_out, event.signs, strict=True)
            judged |= {(at, ALL): (event.unit, why, sign, None) for at, why, sign in sweeps}
        elif isinstance(event, CellUnit):
            cell = event.cell if event.cell >= 0 else None
            units_left -= 1
            if units_left < 0 or (cell is not None and cells[cell].tag == SILENCE):
                silent = zip(event.positions, event.signs, strict=True)
                judged |= {(at, event.stream): (None, None, sign, cell) for at, sign in silent}
                continue
            place = None if done.search is None or cell is None else done.search.cells.place(cell)
            channel = 0 if place is None or done.search is None else done.search.sought[place.condition].channel
            reasons = _rejected(event, limits[event.stream], settings.analysis.judged, channel)
            sweeps = zip(event.positions, reasons, event.signs, strict=True)
            judged |= {(at, event.stream): (event.unit + 1, why, sign, cell) for at, why, sign in sweeps}
        elif isinstance(event, SoundBroken):
            broken.append(Happening(event.position, "sound_broken", "the sound broke"))
    if settings.together is not None:
        return broken + [
            Happening(
                at, "stimulus", "", 0, 0, NOT_JUDGED if unit is None else ACCEPTED if why is None else REJECTED, why, unit,
                BY_SIGN.get(sign), cell,
            )
            for (at, _), (unit, why, sign, cell) in sorted(judged.items(), key=lambda item: item[0][0])
        ]  # fmt: skip
    fixed = None if done.plan.sound is None else done.plan.sound.polarity
    if fixed in ("condensation", "rarefaction"):
        known: list[str | None] = [fixed] * len(onsets)
    else:
        labels = [(stamp, label) for _, stamp, text in texts if (label := sweep_label(text)) is not None]
        positions = np.array([onset.position for onset in onsets])
        known = polarities(np.interp(positions, np.arange(len(stamps_s)), np.maximum.accumulate(stamps_s)), labels)
    found = []
    for onset, polarity in zip(onsets, known, strict=True):
        unit, why, sign, cell = judged.get((onset.position, ALL), (None, None, 0, None))
        polarity = BY_SIGN.get(sign, polarity)  # by the plan, where it was followed, before the markers
        status = NOT_JUDGED if unit is None else ACCEPTED if why is None else REJECTED
        found.append(Happening(onset.position, "stimulus", "", 0, 0, status, why, unit, polarity, cell))
    return broken + found


def _rejected(event: CellUnit, limits: RunningLimits, judged: slice, channel: int) -> list[str | None]:
    """Why each sweep that is there was rejected, None: accepted. The cells of a search share their limits, as here."""
    if event.cell < 0:
        return [fault or "cell_unread" for fault in event.faults]
    usable = event.usable[channel]
    reasons = np.full(len(usable), None, dtype=object)
    for name, beyond in reversed(limits.update(event.sweeps_uv[channel][..., judged], usable)):
        reasons[beyond] = name  # the first one that a sweep exceeds
    places = iter(np.flatnonzero(usable).tolist())
    return [fault or reasons[next(places)] for fault in event.faults]


def find_onsets(raw: NDArray, settings: EngineSettings, timeline: Timeline) -> list[Onset]:
    """Onsets in the trigger channel of samples (n_channels, n), in pieces as the engine takes them."""
    layout = settings.layout
    finder = OnsetFinder(layout.rate_hz, settings.trigger)
    rows = raw[[*layout.eeg, layout.trigger]]
    bad = np.zeros(raw.shape[1], dtype=bool) if raw.dtype.kind in "iu" else ~np.isfinite(rows).all(axis=0)
    edges = np.flatnonzero(bad[1:] != bad[:-1]) + 1
    jumps = [jump.index for jump in timeline.jumps]
    found: list[Onset] = []
    for start, stop in pairwise(sorted({0, *jumps, *edges.tolist(), raw.shape[1]})):
        if not bad[start]:
            finder.restart(start)
            found += finder.feed(raw[layout.trigger, start:stop].astype(np.float64))
            found += finder.cut_off()
    return found


def _breaks(timeline: Timeline) -> list[Happening]:
    found = []
    for jump, fill in zip(timeline.jumps, timeline.fills, strict=True):
        if jump.by_s < 0:
            text = f"stamps went back by {-jump.by_s:.6g} s"
        elif fill:
            text = f"{fill} samples lost, the value before goes on in their place"
        else:
            text = f"stamps went on by {jump.by_s:.6g} s, nothing is put in"
        found.append(Happening(float(jump.index), "clock" if jump.by_s < 0 else "gap", text, lost=fill))
    return found


def _markers(source: RecordingSource, stamps_s: Floats) -> list[tuple[float, float, str]]:
    """(raw sample, stamp in the clock of the EEG, text) of every marker within the recording."""
    texts = source.texts
    places = places_of(np.array([stamp for stamp, _ in texts], dtype=np.float64), stamps_s)
    return [(place, stamp, text) for place, (stamp, text) in zip(places.tolist(), texts, strict=True) if math.isfinite(place)]


def _notes(folder: RunFolder, rate_hz: float, samples: int) -> list[Happening]:
    """Remarks of the operator. Their time counts from the start of the run, which is the first sample to within about 0.1 s."""
    try:
        events = list(folder.read_events()) if folder.events.is_file() else []
    except (ValueError, RecursionError, OSError):
        return []
    notes = [event for event in events if isinstance(event, dict) and event.get("what") == "note"]
    return [
        Happening(min(max(0.0, float(note["at_s"]) * rate_hz), samples - 1.0), "note", str(note.get("text", ""))[:LONGEST_TEXT])
        for note in notes
        if isinstance(note.get("at_s"), (int, float)) and math.isfinite(note["at_s"])
    ]


def _channels(stream: StreamDescription, done: Replayed | None) -> tuple[Channel, ...]:
    eeg: tuple[int, ...] = ()
    trigger = -1
    uv = math.nan
    if done is not None:
        eeg, trigger = resolve_channels(stream, done.plan.stream.eeg, done.plan.stream.trigger)
        uv = done.engine.settings.layout.uv_per_unit
    found = []
    for index in range(stream.channel_count):
        factor = uv if index in eeg else unit_to_uv(stream.units[index])
        kind = "EEG" if index in eeg else "TRIG" if index == trigger else "MISC"
        voltage = math.isfinite(factor)
        found.append(Channel(stream.label(index), kind, "uV" if voltage else stream.units[index], factor if voltage else 1.0))
    return tuple(found)


def _record(folder: RunFolder) -> dict[str, Any]:
    try:
        content = folder.read_json(folder.run.name)
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _subject(folder: RunFolder) -> SubjectPlan | None:
    session = folder.path.resolve().parent
    try:
        return RecordedSession.open(session).plan.subject if (session / PLAN).is_file() else None
    except (SessionError, PlanError, ValueError, OSError):
        return None


def _started(header_xml: str) -> datetime.datetime | None:
    try:
        text = element_from(header_xml).findtext("datetime") or ""
        return datetime.datetime.fromisoformat(text).astimezone(datetime.UTC)
    except (ValueError, OverflowError, OSError):
        return None
