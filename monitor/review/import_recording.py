"""Import of a recording of another program, in XDF, BDF or EDF, as a run folder, which is then used like any other run.

Every sample of the chosen stream is written to raw.xdf as it was read, with its labels and texts, and the engine of a live run
decides on it. If the file has no trigger channel, one is made from annotations or markers. Such onsets are only as accurate as
the program that wrote them, and are rounded to the nearest sample; the run says so.
"""

from __future__ import annotations

import fnmatch
import math
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.core.samples import Chunk, Floats
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.plan.run_plan import Plan, PlanError, override
from quietfloor.monitor.run.resolved_plan import UNIT_NAMES, layout_of
from quietfloor.monitor.run.unit_check import CHECK_S, UnitFinding, unit_of
from quietfloor.monitor.sources.base import ChannelError, StreamDescription, description_to_xml, marker_description
from quietfloor.monitor.sources.channels import Channels, resolve_channels, suitability
from quietfloor.monitor.sources.recording import RecordingSource, places_of
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.safe_xml import element_from

ONSETS = "onsets"  # label of a trigger channel that was made here
PULSE_MS = 1.0
WIDEST = 10  # texts that are named in an error


@dataclass(frozen=True)
class Wanted:
    """Options of an import. ``onsets``: pattern (as for file names) of texts that mark an onset, instead of a trigger channel.
    ``stream``: name of the stream, if there are several."""

    onsets: str | None = None
    stream: str | None = None


@dataclass(frozen=True)
class Imported:
    """Result of an import: the new folder, its complete plan, and cautions. ``onsets``: number of texts that became triggers."""

    folder: RunFolder
    plan: Plan
    unit: UnitFinding
    cautions: tuple[str, ...]
    onsets: int | None


def import_recording(path: Path, session: Path, plan: Plan, wanted: Wanted) -> Imported:
    """Make a run folder in ``session`` from a recording; no folder is made for a file that cannot be used.

    Raises SourceError, XdfError, PlanError, PreflightError, FolderError, JournalError, OSError.
    """
    source = RecordingSource(path, chunk_samples=2**62, name=wanted.stream)
    description, cautions = source.description, [*source.file.problems]
    if source.file.cut is not None:
        cautions.append(source.file.cut)
    if not description.rate_hz >= 1 or not source.total_samples:
        raise ChannelError(f"{path}: {description.summary()} holds no regularly sampled data")
    chunk = source.pull()
    assert chunk is not None
    samples, count = chunk.samples, None
    if wanted.onsets is not None:
        if plan.sound is not None:
            raise PlanError("[sound] is for what we play ourselves: leave it out for onsets that other equipment marked")
        positions = _onsets(source, chunk.stamps_s, wanted.onsets)
        description, samples = _with_trigger(description, samples, positions)
        plan, count = override(plan, {"stream": {"trigger": str(description.channel_count)}}), len(positions)
    if not plan.stream.trigger:
        raise ChannelError(f"name a trigger channel, or the texts that mark onsets. {_has(source)}")
    channels = resolve_channels(description, plan.stream.eeg, plan.stream.trigger)
    cautions += [finding.sentence for finding in suitability(description) if finding.level == "no"]
    settings = plan.engine_settings(layout_of(description, channels))
    unit = _unit(description, channels, samples, plan, settings)
    plan = _in_full(plan, description, unit)
    folder = RunFolder.create(session)
    with Journal(folder.raw, [description, marker_description("imported texts")]) as journal:
        piece = max(1, round(description.rate_hz))
        for start in range(0, len(chunk.stamps_s), piece):
            part = slice(start, start + piece)
            journal.samples(Chunk(np.ascontiguousarray(samples[:, part]), chunk.stamps_s[part]))
        for stamp_s, text in source.texts:
            journal.marker(stamp_s, text)
        for time_s, offset_s in source.clock_offsets:
            journal.clock_offset(time_s, offset_s)
    folder.write_text(folder.plan.name, plan.to_toml())
    return Imported(folder, plan, unit, tuple(cautions + ([unit.note] if unit.note else [])), count)


def _onsets(source: RecordingSource, stamps_s: Floats, pattern: str) -> NDArray[np.int64]:
    """Samples (n,) nearest to all matching texts. Raises ChannelError that lists the existing texts."""
    fits = [stamp for stamp, text in source.texts if fnmatch.fnmatchcase(text.strip(), pattern)]
    places = places_of(np.array(fits, dtype=np.float64), stamps_s)
    places = places[np.isfinite(places)]
    if not len(places):
        raise ChannelError(f"no annotation or marker within the recording fits {pattern!r}. {_has(source)}")
    return np.unique(np.rint(places).astype(np.int64))


def _has(source: RecordingSource) -> str:
    seen = source.description
    labels = ", ".join(f"{index + 1} {seen.labels[index]}".strip() for index in range(min(seen.channel_count, 100)))
    texts = list(dict.fromkeys(text for _, text in source.markers))
    shown = ", ".join(repr(text[:40]) for text in texts[:WIDEST]) + (" and others" if len(texts) > WIDEST else "")
    return f"Its channels are {labels}; its texts are {shown or 'none'}"


def _with_trigger(
    description: StreamDescription, samples: NDArray[Any], positions: NDArray[np.int64]
) -> tuple[StreamDescription, NDArray[Any]]:
    """The samples with one more channel: 1 for a millisecond from each position on, otherwise 0."""
    line = np.zeros(samples.shape[1], samples.dtype)
    for place in range(max(1, round(PULSE_MS * 1e-3 * description.rate_hz))):
        line[positions[positions + place < len(line)] + place] = 1
    label = ONSETS if ONSETS not in description.labels else f"{ONSETS} made on import"
    labels, units = (*description.labels, label), (*description.units, "")
    wider = replace(description, channel_count=len(labels), labels=labels, units=units)
    return replace(wider, xml=_widened(description.xml, wider)), np.vstack([samples, line[np.newaxis]])


def _widened(xml: str, wider: StreamDescription) -> str:
    """The stream description with one more channel."""
    info = element_from(xml or description_to_xml(wider))
    whole = element_from(description_to_xml(replace(wider, xml="")))
    stated = info.find("channel_count")
    assert stated is not None  # or it could not have been read
    stated.text = str(wider.channel_count)
    desc = info.find("desc")
    if desc is None:
        desc = ElementTree.SubElement(info, "desc")
    channels = desc.find("channels")
    if channels is None:
        channels = ElementTree.SubElement(desc, "channels")
    made = whole.findall("desc/channels/channel")
    for extra in made[len(channels.findall("channel")) :]:
        channels.append(extra)
    return '<?xml version="1.0"?>' + ElementTree.tostring(info, encoding="unicode")


def _unit(
    description: StreamDescription, channels: Channels, samples: NDArray[Any], plan: Plan, settings: EngineSettings
) -> UnitFinding:
    """Unit of the samples as a live run determines it, from the first second."""
    first = samples[list(channels.eeg), : math.ceil(CHECK_S * description.rate_hz)].astype(np.float64)
    return unit_of(plan.stream.unit, description, channels, first, settings.band)


def _in_full(plan: Plan, description: StreamDescription, unit: UnitFinding) -> Plan:
    return override(
        plan,
        {
            "stream": {"name": description.name or None, "unit": UNIT_NAMES[unit.uv_per_unit]},
            "analysis": {"latency_ms": plan.latency_ms()},  # a later version may know better: a replay must not
        },
    )
