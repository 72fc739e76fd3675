"""Command line of the rig, and the patient that follows from it."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from quietfloor.bench.patient.earphone import TUBE_DELAY_S, VIRTUAL_EARPHONE
from quietfloor.bench.patient.eeg_outlet import UV_PER_UNIT
from quietfloor.bench.patient.outlet_faults import DEFAULT_S, KINDS
from quietfloor.bench.patient.profiles import SIDES, Patient, load_patient, shipped_patients
from quietfloor.bench.patient.session_course import drawn

TABLES = ("virtual-earphone.toml", "virtual-vibrator.toml", "virtual-references.toml")


class _WriteTables(argparse.Action):
    """Writes the tables that plans for the rig refer to, and ends; a file that is there and differs is left as it is."""

    def __call__(self, parser: argparse.ArgumentParser, space: Any, values: Any, option: str | None = None) -> None:
        folder = Path(values)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name in TABLES:
                ours, file = VIRTUAL_EARPHONE.with_name(name).read_bytes(), folder / name
                if file.exists() and file.read_bytes() != ours:
                    parser.exit(2, f"rig: {file} is there and differs: move it away, or name another folder\n")
                file.write_bytes(ours)
                sys.stdout.write(f"{file}\n")
        except OSError as error:
            parser.exit(2, f"rig: {error.filename or folder} cannot be written ({error.strerror or error})\n")
        parser.exit(0)


EPILOG = """examples:
  quietfloor rig --audio-source-id bench-audio --eeg-source-id bench-eeg --eeg-name Bench
  quietfloor rig --patient quiet-deaf --eeg-rate 4000 --drift-ppm 20 --audio-source-id bench-audio --eeg-source-id bench-eeg
  quietfloor rig --sound-card "USB Audio" --eeg-source-id bench-eeg

The rig receives audio frames over Lab Streaming Layer, or through the inputs of a sound card. It sends the EEG of a virtual
patient and a trigger channel as one stream. It prints a line when it is ready. Ctrl-C or closing the terminal ends it.
exit status: 0 ended as it was told, 2 bad arguments, or an input that is not there"""


def parser() -> argparse.ArgumentParser:
    parse = argparse.ArgumentParser(
        prog="quietfloor rig", description="Run a virtual patient with an amplifier.", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    add = parse.add_argument
    add("--patient", default="hearing-adult", metavar="NAME", help=f"a TOML file, or one of {', '.join(shipped_patients())}")
    audio = parse.add_mutually_exclusive_group(required=True)
    audio.add_argument("--audio-source-id", metavar="ID", help="LSL source id of the audio frames [left, right, trigger]")
    audio.add_argument("--sound-card", metavar="NAME", help="sound card whose inputs are wired to the outputs, by name or number")
    add("--sound-card-channels", default="1,2,3", metavar="L,R,T", help="inputs of that card for left, right, trigger (1,2,3)")
    add("--eeg-source-id", required=True, metavar="ID", help="LSL source id of the EEG stream made here")
    add("--eeg-name", default="Virtual EEG", metavar="NAME", help="name of the EEG stream (Virtual EEG)")
    add("--eeg-rate", type=float, default=16_000.0, metavar="HZ", help="sampling rate of the EEG, 4000 to 48000 (16000)")
    add("--channels", type=int, default=2, metavar="N", help="EEG channels, 1 to 32 (2); the trigger channel comes after them")
    add("--audio-rate", type=float, default=48_000.0, metavar="HZ", help="sampling rate of the audio frames (48000)")
    add("--drift-ppm", type=float, default=0.0, metavar="PPM", help="difference between EEG clock and audio clock (0)")
    add("--units", choices=sorted(UV_PER_UNIT), default="microvolts", help="unit of all channels of the EEG stream (microvolts)")
    add("--seed", type=int, default=1, metavar="N", help="seed of the background EEG (1)")
    add("--noise-uv", type=float, metavar="UV", help="background RMS in 100-1500 Hz instead of the patient's")
    add("--mains-uv", type=float, metavar="UV", help="mains hum (peak) instead of the patient's")
    add("--mains-hz", type=float, metavar="HZ", help="mains frequency instead of the patient's")
    add("--bursts", action="store_true", help="bursts of movement, 10 per minute, also for a patient who lies still")
    add("--tube-delay-ms", type=float, default=TUBE_DELAY_S * 1e3, metavar="MS", help="delay of the sound tube (0.9)")
    add("--eeg-delay-ms", type=float, default=0.0, metavar="MS", help="delay of the EEG channels after the trigger channel (0)")
    add("--bone", choices=SIDES, help="a vibrator on this mastoid, driven by the output of that side, not an earphone")
    add("--session-min", type=float, default=0.0, metavar="MIN", help="begin so far into the session (patients who change)")
    add("--loop-channel", type=int, metavar="N", help="EEG channel, from 1, wired to the sound, for a timing check")
    add("--loop-jitter-us", type=float, default=0.0, metavar="US", help="jitter of that sound against the trigger, as an SD (0)")
    when = f"S seconds of sound ({DEFAULT_S:g}; lag@S: S seconds late)"
    add("--fault", metavar="KIND[@S]", help=f"simulate a fault after {when}: {', '.join(KINDS)}")
    add("--write-tables", metavar="DIR", action=_WriteTables, help="write the tables that plans need into DIR, and end")
    add("--ignore-stdin", action="store_true", help="do not end when standard input closes")
    return parse


def configured_patient(options: argparse.Namespace) -> Patient:
    """The patient file with what the command line replaces in it."""
    patient = load_patient(options.patient)
    changes: dict[str, Any] = {
        field: value
        for field, value in (
            ("in_band_rms_uv", options.noise_uv), ("mains_uv", options.mains_uv), ("mains_hz", options.mains_hz),
        )
        if value is not None
    }  # fmt: skip
    if options.bursts and patient.background.bursts_per_min == 0:
        changes["bursts_per_min"] = 10.0
    course = drawn(patient.course, options.seed)
    return replace(patient, background=replace(patient.background, **changes), course=course)
