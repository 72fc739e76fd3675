"""Export of runs as a BIDS-EEG data set (Brain Imaging Data Structure): BDF files with tables and descriptions, named by its
rules."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from quietfloor.monitor.export.edf import Written, write_edf
from quietfloor.monitor.export.material import Channel, ExportError, Material
from quietfloor.monitor.export.tables import EVENTS, events_rows, tsv
from quietfloor.monitor.export.writing import new_file, new_folder
from quietfloor.monitor.run.run_record import versions
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.stimuli.calibration import BOTH, EARS, ear_words

VERSION = "1.11.1"
TASK = "abr"
READ_ME = """Auditory brainstem responses, recorded with quietfloor (not a medical device) and exported from its run folders.

EEG is raw: no filter of ours was applied. Times count samples at the nominal rate. Where stamps show that samples were lost, the
value before goes on in their place, so that what follows stands at its time; such stretches, and the padding at the end of files,
are annotated with a text that begins with BAD, and listed in events.tsv. Sweeps are listed with what became of them in the run.
"""
MEANING: dict[str, dict[str, Any]] = {
    "onset": {"Description": "seconds after the first sample, by the number of samples", "Units": "s"},
    "duration": {"Description": "0 where only the moment is known", "Units": "s"},
    "trial_type": {
        "Description": "what happened",
        "Levels": {
            "stimulus": "onset of a stimulus, found in the trigger channel with a fraction of a sample",
            "sound_broken": "the sound broke; sweeps that it touched are rejected",
            "gap": "samples are missing; see text",
            "clock": "stamps went back",
            "not_finite": "values that are no numbers; the value before goes on",
            "note": "a remark of the operator, to about 0.1 s",
            "marker": "a text of a marker stream",
        },
    },
    "sample": {"Description": "nearest sample of the file, from 0"},
    "stimulus": {"Description": "kind of stimulus"},
    "ear": {"Description": "ear that it was played to", "Levels": {ear: ear_words(ear) for ear in (*EARS, BOTH)}},
    "frequency": {"Description": "nominal frequency of the stimulus; n/a for a click and other broadband sounds", "Units": "Hz"},
    "level": {"Description": "level of the stimulus, in the unit of level_unit"},
    "level_unit": {"Description": "dB nHL or dB p-p.e. SPL by the calibration of the run, or dB re full scale without one"},
    "polarity": {
        "Description": "first movement of the diaphragm, by the labels of the player",
        "Levels": {"condensation": "towards the ear", "rarefaction": "away from it"},
    },
    "status": {
        "Description": "what became of the sweep",
        "Levels": {
            "accepted": "it is in the average",
            "rejected": "it is not, see reason",
            "not judged": "it came after the decision, or its unit of sweeps was not complete",
        },
    },
    "reason": {"Description": "why the sweep was rejected"},
    "unit": {"Description": "units of sweeps are weighted together; counted from 1"},
    "cell": {"Description": "of a recording over several levels in turn: its number in the table of sounds, from 0"},
    "text": {"Description": "the rest, in words"},
}


def _meaning(material: Material) -> dict[str, dict[str, Any]]:
    """With the tags of the cells of a recording that has several."""
    tags = {
        one.tag: "a trigger without sound, while the search paused" if one.level is None else (
            f"onset of the {one.stimulus} to the {one.ear} ear at {one.level:g} {one.level_unit}"
        )
        for one in material.cells
    }
    kinds = MEANING["trial_type"]
    return MEANING | {"trial_type": kinds | {"Levels": kinds["Levels"] | tags}}


def write_bids(materials: Sequence[Material], out: Path) -> list[tuple[Material, Path, Written]]:
    """Write a new data set at ``out``; returns each run with its file. Raises ExportError."""
    subjects = _subject_labels(materials)
    names = [_name(material, subject) for material, subject in zip(materials, subjects, strict=True)]
    if len(set(names)) < len(names):
        raise ExportError("two runs have the same subject, session and number: export them into data sets of their own")
    written = []
    with new_folder(out) as root:
        _put(root / "dataset_description.json", {
            "Name": "Auditory brainstem responses", "BIDSVersion": VERSION, "DatasetType": "raw",
            "GeneratedBy": [{"Name": "quietfloor", "Version": versions()["quietfloor"]}],
        })  # fmt: skip
        _put(root / "README", READ_ME.encode())
        _put(root / "participants.tsv", tsv(_participants(materials, subjects)))
        _put(root / "participants.json", PARTICIPANTS)
        scans: dict[tuple[str, str], list[list[str]]] = {}
        for material, (subject, session, run) in zip(materials, names, strict=True):
            folder = root / f"sub-{subject}" / f"ses-{session}" / "eeg"
            stem = f"sub-{subject}_ses-{session}_task-{TASK}_run-{run}"
            bdf = folder / f"{stem}_eeg.bdf"
            with new_file(bdf) as file:
                done = write_edf(material, file, "bdf")
            _put(folder / f"{stem}_eeg.json", _sidecar(material, done))
            _put(folder / f"{stem}_channels.tsv", tsv(_channels(material, done)))
            _put(folder / f"{stem}_events.tsv", tsv([list(EVENTS), *events_rows(material)]))
            _put(folder / f"{stem}_events.json", _meaning(material))
            began = material.started.strftime("%Y-%m-%dT%H:%M:%S") if material.started is not None else "n/a"
            scans.setdefault((subject, session), [["filename", "acq_time"]]).append([f"eeg/{bdf.name}", began])
            written.append((material, out / bdf.relative_to(root), done))
        for (subject, session), rows in scans.items():
            _put(root / f"sub-{subject}" / f"ses-{session}" / f"sub-{subject}_ses-{session}_scans.tsv", tsv(rows))
    return written


PARTICIPANTS = {
    "pseudonym": {"Description": "as the plan of the session says it"},
    "age": {"Description": "age", "Units": "year"},
    "age_group": {"Description": "adult, child or infant"},
}


def _participants(materials: Sequence[Material], subjects: Sequence[str]) -> list[list[str]]:
    rows: dict[str, list[str]] = {}
    for material, label in zip(materials, subjects, strict=True):
        one = material.subject
        months = None if one is None else one.age_months
        rows[label] = [
            f"sub-{label}",
            "n/a" if one is None else one.pseudonym,
            "n/a" if months is None else f"{months / 12:.2f}",
            "n/a" if one is None else one.age_group,
        ]
    return [["participant_id", *PARTICIPANTS], *rows.values()]


def _subject_labels(materials: Sequence[Material]) -> list[str]:
    """Labels made of letters and digits of the pseudonyms; labels that become equal get a number."""
    pseudonyms = [material.subject.pseudonym if material.subject is not None else None for material in materials]
    known: dict[str | None, str] = {}
    taken: set[str] = set()
    for pseudonym in pseudonyms:
        if pseudonym in known:
            continue
        first = label = _letters("unknown" if pseudonym is None else pseudonym) or "x"
        number = len(known) + 1
        while label.lower() in taken:
            label, number = f"{first}x{number}", number + 1
        known[pseudonym] = label
        taken.add(label.lower())
    return [known[pseudonym] for pseudonym in pseudonyms]


def _name(material: Material, subject: str) -> tuple[str, str, str]:
    return subject, _letters(material.session) or "x", f"{material.number:03d}"


def _letters(text: str) -> str:
    return "".join(c for c in text if c.isascii() and c.isalnum())[:40]


def _sidecar(material: Material, done: Written) -> dict[str, Any]:
    kinds = [channel.kind for channel in material.channels]
    mains = material.mains_hz
    timing = material.record.get("timing") or {}
    return {
        "TaskName": TASK,
        "TaskDescription": "listening, or sleeping, while stimuli are played",
        "EEGReference": "each channel against the electrode after the dash in its name, as far as it names one",
        "SamplingFrequency": material.stream.rate_hz,
        "PowerLineFrequency": mains[0] if len(mains) == 1 else "n/a",
        "SoftwareFilters": "n/a",
        "HardwareFilters": "n/a",
        "EEGChannelCount": kinds.count("EEG"),
        "TriggerChannelCount": kinds.count("TRIG"),
        "MISCChannelCount": kinds.count("MISC"),
        "RecordingDuration": material.timeline.length / material.stream.rate_hz,
        "RecordingType": "continuous",
        "EpochLength": 0,
        "QuietfloorRun": {
            "run": material.record, "rate_deviation_ppm": timing.get("rate_ppm"), "file": asdict(done),
            "cautions": material.cautions,
        },
    }  # fmt: skip


def _channels(material: Material, done: Written) -> list[list[str]]:
    head = ["name", "type", "units", "description", "sampling_frequency", "low_cutoff", "high_cutoff"]
    rows = [
        [as_written["written_as"], channel.kind, channel.unit or "n/a", _description(channel, material),
         f"{material.stream.rate_hz:g}", "n/a", "n/a"]
        for channel, as_written in zip(material.channels, done.channels, strict=True)
    ]  # fmt: skip
    return [head, *rows]


def _description(channel: Channel, material: Material) -> str:
    engine = material.engine
    if engine is not None and channel.label == engine.settings.layout.labels[engine.settings.layout.eeg[0]]:
        return f"{channel.label}: the channel that decides"
    return channel.label


def _put(path: Path, content: bytes | dict[str, Any]) -> None:
    if not isinstance(content, bytes):
        content = (json.dumps(jsonable(content), indent=2, ensure_ascii=False) + "\n").encode()
    with new_file(path) as file:
        file.write(content)
