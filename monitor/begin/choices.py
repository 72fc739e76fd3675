"""What can be chosen now, each with what is wrong with it: streams, outputs, calibrations, and conditions of a session."""

from __future__ import annotations

import contextlib
import datetime
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from quietfloor.monitor.begin.draft import Cell, Draft
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.readiness.findings import Severity, parted
from quietfloor.monitor.run.sound_output import LSL_DEVICE, LSL_HOST_INTERFACE
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import suitability
from quietfloor.monitor.untrusted.bounded_io import text_of
from quietfloor.stimuli.calibration import BONE, Calibration, CalibrationError, LevelError, route_of
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain_on, level_basis
from quietfloor.stimuli.outputs import CHANNELS, RATE_HZ, Output
from quietfloor.stimuli.outputs import Finding as OutputFinding
from quietfloor.stimuli.references import load_references
from quietfloor.stimuli.schedule import Schedule, ScheduleError
from quietfloor.stimuli.stimulus import StimulusSpec

SEVERITY: dict[str, Severity] = {"ok": "ok", "warning": "look", "no": "stop"}
AUDIO_OVER_LSL = "lsl"  # value of the output that is no sound card
KINDS = ("click", "chirp", "tone-burst", "octave-chirp")
SOFT_DB_NHL = -10.0  # own choice: a level that every output can give; what is refused there is refused at all levels
STEP_DB = 5.0  # own choice: levels are given in steps of 5 dB, as thresholds are (common practice, no source)
REFERENCES = re.compile(r"^\s*\[\[(?:reference|pure_tone|narrow_band)\]\]", re.MULTILINE)  # a row of such a file


@dataclass(frozen=True)
class CalibrationFile:
    """A calibration file that was found, and why it cannot be read."""

    path: str
    calibration: Calibration | None
    trouble: str = ""


@dataclass(frozen=True)
class ReferenceFile:
    """A file of reference levels that was found: how many it adds or replaces, or why it cannot be read."""

    path: str
    rows: int
    trouble: str = ""


@dataclass(frozen=True)
class Seen:
    """What is there now. None: not looked for yet. ``streams_trouble``, ``outputs_trouble``: why nothing can be looked for."""

    streams: tuple[StreamDescription, ...] | None = None
    streams_trouble: str = ""
    outputs: tuple[tuple[Output, tuple[OutputFinding, ...]], ...] | None = None
    outputs_trouble: str = ""
    calibrations: tuple[CalibrationFile, ...] = ()
    references: tuple[ReferenceFile, ...] = ()


@dataclass(frozen=True)
class Option:
    """Something to choose. ``severity`` "stop": it cannot be chosen, and ``said`` says why."""

    value: str
    text: str
    said: str = ""
    severity: Severity = "ok"

    @property
    def possible(self) -> bool:
        return self.severity != "stop"


# -- streams -------------------------------------------------------------------------------------------------------------


def stream_of(draft: Draft, streams: Iterable[StreamDescription]) -> StreamDescription | None:
    """The visible stream that the draft means, None where there is none, or more than one."""
    fitting = [
        one
        for one in streams
        if (one.name == draft.stream or not draft.stream) and (one.source_id == draft.source_id or not draft.source_id)
    ]
    return fitting[0] if len(fitting) == 1 and (draft.stream or draft.source_id) else None


def stream_options(streams: tuple[StreamDescription, ...]) -> tuple[Option, ...]:
    """Streams of samples, those that can be used first. Their value is the uid."""
    made = []
    for one in streams:
        findings = [(SEVERITY[finding.level], finding.sentence) for finding in suitability(one)]
        twins = [other for other in streams if (other.name, other.source_id) == (one.name, one.source_id)]
        if len(twins) > 1:
            findings.append(("stop", "Another stream has the same name and source id: end one of them, so that one is left."))
        if not one.name and not one.source_id:
            findings.append(("stop", "It has neither name nor source id, so no plan can name it."))
        severity, said = told(findings)
        made.append(Option(one.uid, f"{one.name or '(no name)'} · {shape_of(one)}", said, severity))
    return tuple(sorted(made, key=lambda option: option.severity == "stop"))


def shape_of(stream: StreamDescription) -> str:
    """Channels, rate and host of a stream in words."""
    rate = f"{stream.rate_hz:g} Hz" if stream.rate_hz > 0 else "no regular rate"
    channels = f"{stream.channel_count} channel" + ("" if stream.channel_count == 1 else "s")
    return f"{channels}, {rate}, {stream.type or 'no type'}" + (f", on {stream.host}" if stream.host else "")


def marker_options(streams: tuple[StreamDescription, ...]) -> tuple[Option, ...]:
    """Streams of text that can be recorded as well."""
    text = [one for one in streams if one.channel_format == "string" and one.name]
    names = [one.name for one in text]
    return tuple(
        Option(
            one.name, one.name, "" if names.count(one.name) == 1 else "another marker stream has the same name",
            "ok" if names.count(one.name) == 1 else "stop",
        )
        for one in text
    )  # fmt: skip


def told(findings: list[tuple[Severity, str]]) -> tuple[Severity, str]:
    """The worst severity, and what is to be read: everything that is not in order, else the first finding."""
    for wanted in ("stop", "look"):
        said = [sentence for severity, sentence in findings if severity == wanted]
        if said:
            return ("stop" if wanted == "stop" else "look"), " ".join(said)
    return "ok", findings[0][1] if findings else ""


# -- outputs and calibrations --------------------------------------------------------------------------------------------


def output_options(seen: Seen) -> tuple[Option, ...]:
    """Outputs of sound cards, those that can be used first, then audio over LSL. The value is the name."""
    made = []
    names = [output.name for output, _ in seen.outputs or ()]
    for output, findings in seen.outputs or ():
        severity, said = told([(SEVERITY[finding.level], finding.sentence) for finding in findings])
        value = output.name if names.count(output.name) == 1 else str(output.number)
        made.append(Option(value, f"{output.name} · {output.host_interface}, {output.channels} outputs", said, severity))
    made.sort(key=lambda option: option.severity == "stop")
    virtual = "It goes to a virtual patient (`quietfloor rig`), which answers over LSL: nobody hears it."
    return (*made, Option(AUDIO_OVER_LSL, "Audio over LSL · for a virtual patient", virtual, "look"))


def find_calibrations(folders: Iterable[Path], files: Iterable[str]) -> tuple[CalibrationFile, ...]:
    """Calibration files in these folders, and those named."""
    found: dict[str, CalibrationFile] = {}
    named = [Path(one) for one in files]
    inside: list[Path] = []
    for folder in folders:
        with contextlib.suppress(OSError):
            inside += sorted(folder.glob("*.toml"))
    for path in (*named, *inside):
        name = str(path.resolve())  # as the plans of templates name it
        if name in found:
            continue
        with contextlib.suppress(OSError, ValueError):
            if path in named or "full_scale_db_ppe" in text_of(path):
                found[name] = read_calibration(name, path.stat().st_mtime_ns)
    return tuple(found.values())


@lru_cache(maxsize=256)
def read_calibration(path: str, changed_ns: int) -> CalibrationFile:
    """The file as it was at this time."""
    try:
        return CalibrationFile(path, load_calibration(Path(path)))
    except LevelError as error:
        return CalibrationFile(path, None, str(error))


def find_references(folders: Iterable[Path]) -> tuple[ReferenceFile, ...]:
    """Files of reference levels in these folders."""
    found: dict[str, ReferenceFile] = {}
    for folder in folders:
        with contextlib.suppress(OSError):
            for path in sorted(folder.glob("*.toml")):
                with contextlib.suppress(OSError, ValueError):
                    if REFERENCES.search(text_of(path)):
                        name = str(path.resolve())
                        found.setdefault(name, read_references(name, path.stat().st_mtime_ns))
    return tuple(found.values())


@lru_cache(maxsize=256)
def read_references(path: str, changed_ns: int) -> ReferenceFile:
    """The file as it was at this time."""
    try:
        load_references(Path(path))
        return ReferenceFile(path, len(REFERENCES.findall(text_of(Path(path)))))
    except (LevelError, OSError, ValueError) as error:
        return ReferenceFile(path, 0, str(error))


def reference_options(draft: Draft, seen: Seen) -> tuple[Option, ...]:
    """Files of reference levels that can be chosen, that of the draft among them, and none."""
    files = {file.path: file for file in seen.references}
    if draft.references and draft.references not in files:  # chosen elsewhere, or named by the template
        files[draft.references] = read_references(draft.references, 0)
    table = "0 dB nHL is as in the table that comes with quietfloor, which has no stimulus by bone"
    shipped = Option("", "none of your own", table)
    made = [
        Option(file.path, Path(file.path).name, file.trouble or f"{file.rows} rows replace or extend the table that comes with "
               "quietfloor", "stop" if file.trouble else "ok")
        for file in files.values()
    ]  # fmt: skip
    return (shipped, *sorted(made, key=lambda option: option.severity == "stop"))


def calibration_options(
    draft: Draft, route: str, seen: Seen, sound: dict[str, Any], today: datetime.date
) -> tuple[Option, ...]:
    """Calibrations for a route, each with why it does not fit the output of the draft."""
    made = []
    for file in seen.calibrations:
        name = Path(file.path).name
        if file.calibration is None:
            made.append(Option(file.path, name, file.trouble, "stop"))
            continue
        if route_of(file.calibration.transducer) != route:
            continue
        why = misfit(draft, file.calibration, seen, sound, today)
        until = file.calibration.issued + datetime.timedelta(days=file.calibration.valid_days)
        said = f"{file.calibration.transducer}, valid until {until}, by {file.calibration.issued_by}"
        made.append(Option(file.path, f"{file.calibration.id} · {name}", why or said, "stop" if why else "ok"))
    return tuple(sorted(made, key=lambda option: option.severity == "stop"))


def misfit(draft: Draft, calibration: Calibration, seen: Seen, sound: dict[str, Any], today: datetime.date) -> str:
    """Why a calibration does not belong to the output of the draft; "" where it does."""
    if draft.device == "lsl":
        device, interface, channels = LSL_DEVICE, LSL_HOST_INTERFACE, None
    else:
        outputs = [one for one, _ in seen.outputs or () if draft.output in (one.name, str(one.number))]
        if not outputs:
            return "no output is chosen yet"
        device, interface = outputs[0].name, outputs[0].host_interface
        left, right, trigger = sound.get("channels", CHANNELS)
        channels = (left, right, trigger)
    try:
        calibration.check(device, interface, float(sound.get("sample_rate_hz", RATE_HZ)), today, channels)
    except CalibrationError as error:
        return str(error)
    return ""


# -- conditions ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reach:
    """Whether a sound can be played: ``why`` not, or the loudest level in dB nHL."""

    why: str
    loudest_db: float = math.nan


def frequencies_of(stimulus: str, references: str = "") -> tuple[float, ...]:
    """Frequencies of a stimulus that have a reference level somewhere; ``references``: a file of one's own."""
    try:
        table = load_references(Path(references) if references else None).signals
    except LevelError:  # what is wrong with it stands beside it
        table = load_references().signals
    return tuple(sorted({hz for name, hz, _, _ in table if name == stimulus and hz is not None}))


def sounds() -> tuple[tuple[str, float | None], ...]:
    """Rows of the grid: stimulus and frequency."""
    rows: list[tuple[str, float | None]] = []
    for stimulus in KINDS:
        rows += [(stimulus, hz) for hz in frequencies_of(stimulus)] or [(stimulus, None)]
    return tuple(rows)


def reach(draft: Draft, cell: Cell, seen: Seen, sound: dict[str, Any]) -> Reach:
    """Whether the output and calibration of the draft can play this sound, and how loud."""
    path = draft.bone_calibration if cell.route == "bone" else draft.calibration
    if not path:
        what = "a bone vibrator" if cell.route == "bone" else "an earphone"
        return Reach(f"no calibration of {what} is chosen: choose one under Output, or make one with `quietfloor calibrate`")
    file = next((one for one in seen.calibrations if one.path == path), None)
    if file is None:
        return Reach(f"calibration {path} is not there")
    if file.calibration is None:
        return Reach(file.trouble)
    transducer = BONE if cell.route == "bone" else draft.transducer
    if file.calibration.transducer != transducer:
        return Reach(f"calibration {file.calibration.id!r} is for {file.calibration.transducer}, not for {transducer}")
    rate_hz, own = float(sound.get("sample_rate_hz", RATE_HZ)), sound.get("references")
    return _reach(file.calibration, cell, draft.age_group, draft.per_s, rate_hz, own)


@lru_cache(maxsize=2000)
def _reach(
    calibration: Calibration, cell: Cell, age_group: str, per_s: float, rate_hz: float, references: str | None
) -> Reach:  # fmt: skip
    sound = {
        "ear": cell.ear, "route": cell.route, "stimulus": cell.stimulus, "level_db_fs": -40.0, "rate_per_s": per_s,
        "transducer": calibration.transducer, "age_group": age_group, "sample_rate_hz": rate_hz,
    }  # fmt: skip
    sound |= {} if cell.frequency_hz is None else {"frequency_hz": cell.frequency_hz}
    try:
        make_plan({"sound": sound})  # its response has to be over before the next sound
        waveform = StimulusSpec(cell.stimulus, frequency_hz=cell.frequency_hz).waveform(rate_hz)
        table = load_references(None if references is None else Path(references))
        key = (waveform.name, waveform.frequency_hz, calibration.transducer, calibration.coupler)
        if key not in table.signals:
            where = f"{calibration.transducer} on {calibration.coupler}".replace("-", " ")
            own = "a file of your own can add it (reference levels, under Output)"
            return Reach(f"no reference level (0 dB nHL) is known by {where}; {own}")
        basis = level_basis(waveform, cell.ear, calibration, table)
        factor = gain_on(basis, SOFT_DB_NHL, waveform, cell.ear, calibration)
        schedule = Schedule(rate_per_s=per_s, sample_rate_hz=rate_hz)
        frames = FrameSource(waveform, factor, cell.ear, schedule, Ceiling(calibration.transducer, age_group, calibration))
    except (LevelError, ScheduleError, ValueError) as error:
        if lower := re.search(r"lower sound\.rate_per_s to ([\d.]+)", str(error)):
            return Reach(f"at {per_s:g} per second the next sound comes before its response ends: lower the rate to {lower[1]}")
        what, remedy = parted(str(error).removeprefix("plan: "))
        return Reach(what + (f" ({remedy})" if remedy else ""))
    return Reach("", SOFT_DB_NHL + min(frames.below_ceiling_db, -20.0 * math.log10(factor)))


def highest_in_steps(loudest_db: float) -> float:
    """The highest level in steps of 5 dB that is no louder."""
    return STEP_DB * math.floor(loudest_db / STEP_DB + 1e-9)
