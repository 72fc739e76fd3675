"""``quietfloor calibrate``: measure the level of full scale in dB, write it to a file, and check it later."""

from __future__ import annotations

import argparse
import contextlib
import datetime
import math
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    add_json,
    complain,
    give_json,
    refuse,
    say,
    stop_on_signals,
)

if TYPE_CHECKING:
    from quietfloor.monitor.calibration.from_meter import MeasuringSignal

EXAMPLES = """examples:
  quietfloor calibrate --plan plan.toml --ear right --seconds 3   only plays: read the level meter
  quietfloor calibrate earphone.toml --plan plan.toml --transducer insert --coupler 2cc --by "A. Person"
                                                                  plays in each ear, asks what the meter reads
  quietfloor calibrate other.toml --plan plan.toml --coupler 2cc --by "A. Person" --reading-db 84.2,84.6
                                                                  the readings are known already; nothing is played
  quietfloor calibrate earphone.toml --plan plan.toml --add --frequency-hz 500 --reading-db 81.9,82.4
  quietfloor calibrate earphone.toml --plan plan.toml --add --signal click --reading-db 93.1,93.4
  quietfloor calibrate earphone.toml --plan plan.toml --add --signal tone-burst --meter zeq --reading-db 80.9,81.2
  quietfloor calibrate earphone.toml --plan plan.toml --add --signal custom --wav ping.wav --reading-db 93.1,93.4
  quietfloor calibrate earphone.toml --show
  quietfloor calibrate earphone.toml --seal                       after a change by hand
  quietfloor calibrate --microphone "USB" --calibrator-db 94      level of a microphone, by an acoustic calibrator
  quietfloor calibrate new.toml --plan plan.toml --coupler 2cc --by "A. Person" --microphone "USB" --microphone-db 121.4
  quietfloor calibrate earphone.toml --plan plan.toml --add-loop --stream Bench --sound-channel 2
  quietfloor calibrate earphone.toml --plan plan.toml --check --stream Bench --sound-channel 2 --out sessions/first
  quietfloor calibrate mine.toml --references --plan plan.toml --listener 1      the threshold of a person with normal hearing

Put the earphone on its coupler, not on an ear. The meter is set to unweighted (Z): for a tone it shows the level; for a train of
clicks or bursts at 20/s read the peak-to-peak equivalent level (--meter ppe), or L_Zeq (--meter zeq). A calibration holds for one
output: device, host interface, channels of a card, sample rate, and every volume control as it was. [sound] of --plan names the
output; without --plan the virtual earphone is calibrated. --check compares the output with FILE through an electric loop, within
0.5 dB: take the earphones off the ears first. --references finds thresholds of listeners, who answer by the space bar, and keeps
their median as a reference (0 dB nHL) for plans: references = "mine.toml". [sound] of --plan names sound, ear and calibration.
exit status: 0 done, 1 could not be measured or differs by more than 0.5 dB, 2 bad arguments or plan"""

SIGNALS = ("tone", "click", "tone-burst", "chirp", "octave-chirp", "custom")
ASKED_S, HEARD_S = 30.0, 4.0
VALID_DAYS = 365  # own choice: a year, as for audiometers


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "calibrate", help="measure or check the level of full scale", description="Calibrate the sound output, or check it.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE.toml", help="calibration file; without it: only play")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--add", action="store_true", help="add a measurement to FILE: a frequency of the tone, or a stimulus")
    what.add_argument("--add-loop", action="store_true", help="add the present reading of an electric loop to FILE")
    what.add_argument("--check", action="store_true", help="compare the loop with FILE")
    what.add_argument("--references", action="store_true", help="the threshold of a listener, into FILE of references")
    what.add_argument("--show", action="store_true", help="print the content of FILE, a calibration or references")
    what.add_argument("--seal", action="store_true", help="accept FILE as it is, after a change by hand")
    sound = parser.add_argument_group("what is played")
    sound.add_argument("--signal", choices=SIGNALS, help="a tone, or a train at 20/s (tone)")
    sound.add_argument("--wav", metavar="FILE", help="file of --signal custom; the calibration keeps its SHA-256")
    sound.add_argument("--frequency-hz", type=float, metavar="HZ", help="frequency of tone, tone burst or octave chirp (1000)")
    sound.add_argument("--ear", choices=("left", "right", "both"), help="side to play; both: in turn (both)")
    sound.add_argument("--level-db-fs", type=float, metavar="DB", help="level in dB re full scale (-40; trains -30)")
    sound.add_argument("--seconds", type=float, metavar="S", help=f"time to play ({ASKED_S:g}; with --microphone {HEARD_S:g})")
    reading = parser.add_argument_group("what was measured")
    reading.add_argument("--reading-db", type=levels, metavar="L,R", help="reading of the meter, left and right, or --ear alone")
    reading.add_argument("--meter", choices=("ppe", "zeq"), default="ppe", help="reading of a train: dB p-p.e. or L_Zeq (ppe)")
    reading.add_argument("--microphone", metavar="NAME", help="measure by this sound input instead (name or number)")
    reading.add_argument("--microphone-db", type=float, metavar="DB", help="dB SPL of a sine that reaches full scale there")
    reading.add_argument("--calibrator-db", type=float, metavar="DB", help="the microphone is in a calibrator of this level")
    chain = parser.add_argument_group("which output, for a new file")
    chain.add_argument("--plan", type=Path, metavar="PLAN.toml", help="plan whose [sound] names the output")
    chain.add_argument("--device-source-id", metavar="ID", help="LSL source id of the audio outlet, instead of a plan")
    chain.add_argument("--sample-rate-hz", type=float, metavar="HZ", help="sampling rate of the output (48000)")
    chain.add_argument("--transducer", metavar="NAME", help="insert, supra-aural, circumaural or bone-vibrator (insert)")
    chain.add_argument("--coupler", metavar="NAME", help="occluded-ear-simulator, 2cc, artificial-ear, 6cc or artificial-mastoid")
    chain.add_argument("--condensation-sign", type=int, choices=(1, -1), help="sign of samples for condensation, measured (1)")
    chain.add_argument("--id", metavar="NAME", help="name of the calibration (the file's name and the date)")
    chain.add_argument("--by", metavar="NAME", help="who measured")
    chain.add_argument("--valid-days", type=int, default=VALID_DAYS, metavar="N", help=f"days of validity ({VALID_DAYS})")
    loop = parser.add_argument_group("the electric loop, for --add-loop and --check")
    loop.add_argument("--stream", metavar="NAME", help="LSL stream that the output is looped into")
    loop.add_argument("--sound-channel", metavar="CHANNEL", help="channel of that stream, by label or number from 1")
    loop.add_argument("--loop-input", metavar="NAME", help="sound input of the loop, by name or number, instead of a stream")
    heard = parser.add_argument_group("the listener, for --references")
    heard.add_argument("--listener", type=int, metavar="N", help="number of the listener, from 1; no name is kept")
    heard.add_argument("--step-db", type=float, choices=(2.0, 5.0), default=2.0, help="step up between levels (2)")
    heard.add_argument("--start-db", type=float, metavar="DB", help="first level, dB p-p.e. (60; by bone 80 re 1 uN)")
    heard.add_argument("--highest-db", type=float, metavar="DB", help="no level above this (80; by bone 100), nor the ceiling")
    parser.add_argument("--out", type=Path, metavar="DIR", help="session folder of the result of --check, or of the dose")
    add_json(parser)
    parser.set_defaults(do=main)


def levels(text: str) -> list[float]:
    """``L,R`` or ``L`` as numbers."""
    try:
        found = [float(part) for part in text.split(",")]
        if len(found) > 2 or not all(map(math.isfinite, found)):
            raise ValueError
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: give one number, or two with a comma, such as 84.2,84.6") from None
    return found


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.calibration.microphone import ListeningError
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.storage.dose_ledger import ExposureError
    from quietfloor.stimuli.calibration import LevelError
    from quietfloor.stimuli.measure import MeasureError

    try:
        if args.calibrator_db is not None:
            return microphone_level(args)
        if args.seal:
            return seal(args)
        if args.show:
            return show(args)
        if args.check or args.add_loop:
            return loop(args)
        if args.references:
            return references(args)
        return measure(args)
    except MeasureError as error:
        return refuse(error, FAILED, args)
    except (PlanError, LevelError, ValueError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (ListeningError, ExposureError, RuntimeError, OSError) as error:
        return refuse(error, FAILED, args)


def output_plan(args: argparse.Namespace) -> Any:
    """[sound] of the plan that names the output, or the values of the command line."""
    from quietfloor.monitor.plan.run_plan import load_plan, make_sound_plan

    given = {"device_source_id": args.device_source_id, "sample_rate_hz": args.sample_rate_hz}
    data: dict[str, Any] = {"level_db_fs": -40.0}
    if args.plan is not None:
        sound = load_plan(args.plan).sound
        if sound is None:
            raise ValueError(f"{args.plan} has no [sound]: it plays nothing")
        data = sound.model_dump(mode="json", exclude_none=True)
    plan = make_sound_plan(data | {key: value for key, value in given.items() if value is not None}, "command line")
    if plan.device == "lsl" and args.device_source_id is None:
        which = "its [sound] names no sound card" if args.plan is not None else "give --plan PLAN.toml, whose [sound] names yours"
        complain(f"THE OUTPUT IS THE VIRTUAL EARPHONE, NO SOUND CARD: {which}; `quietfloor outputs` shows what is there")
    return plan


def file_of(args: argparse.Namespace) -> Path:
    if args.file is None:
        raise ValueError("name the calibration file")
    return Path(args.file)


# -- measure -----------------------------------------------------------------------------------------------------------


def measure(args: argparse.Namespace) -> int:
    """Make a new calibration, add a measurement to an existing one, or only play the sound."""
    from quietfloor.monitor.calibration.from_meter import MeasuringSignal
    from quietfloor.stimuli.calibration import CalibrationError
    from quietfloor.stimuli.calibration_file import load_calibration, save_calibration

    plan = output_plan(args)
    ears = ("left", "right") if args.ear in (None, "both") else (args.ear,)
    if plan.trigger_on_earphone_jack:  # one earphone for both ears: it is measured once
        ears = ears[:1]
        complain(plan.caution)
    calibration = None
    if args.file is None:
        if args.reading_db is not None or args.add:
            raise ValueError("name the calibration file that the reading is for")
    elif args.add:
        calibration = load_calibration(args.file)
        calibration.check(*_identity(plan), plan.sample_rate_hz, datetime.date.today(), plan.card_channels)
    else:
        if args.file.exists():
            raise CalibrationError(f"{args.file} is there already: add to it with --add, or name another file")
        if args.coupler is None or args.by is None:
            raise ValueError("a new calibration needs --coupler (what the earphone is on) and --by (who measures)")
    transducer = args.transducer or (plan.transducer if calibration is None else calibration.transducer)
    kind = args.signal or "tone"
    signal = MeasuringSignal.of(plan, transducer, kind, args.frequency_hz, args.level_db_fs, args.meter, args.wav)
    if args.reading_db is not None and len(args.reading_db) != len(ears):
        one = "one earphone for both ears" if plan.trigger_on_earphone_jack else f"{len(ears)} ears"
        raise ValueError(f"--reading-db has {len(args.reading_db)} numbers for {one}: give one each, or --ear")
    found = {}
    for place, ear in enumerate(ears):
        reading = args.reading_db[place] if args.reading_db is not None else listen_or_ask(signal, ear, args)
        if reading is not None:
            found[ear] = reading
    if args.file is None or len(found) < len(ears):
        give_json({"played": signal.words, "level_db_fs": signal.level_db_fs, "ears": list(ears), "file": None}, args)
        return DONE
    if calibration is None:
        made = signal.calibration(
            found, args.coupler, datetime.date.today(), args.id or f"{args.file.stem} {datetime.date.today()}", args.by,
            args.valid_days, args.condensation_sign or 1,
        )  # fmt: skip
    else:
        made = signal.added(calibration, found)
    save_calibration(args.file, made)
    tell(made, args, f"written to {args.file}")
    return DONE


def references(args: argparse.Namespace) -> int:
    """Do --references: [sound] of the plan, with the stimulus and ear of the command line."""
    from quietfloor.monitor.commands.own_references import main as find_threshold
    from quietfloor.monitor.commands.stimulus import SHAPE_KEYS
    from quietfloor.monitor.plan.run_plan import make_sound_plan

    if args.signal == "tone" or args.ear == "both":
        raise ValueError("--references is of a short stimulus and one ear: give another --signal, and --ear left or right")
    plan = output_plan(args)
    data = plan.model_dump(mode="json", exclude_none=True)
    if args.signal is not None:
        data = {name: value for name, value in data.items() if name not in SHAPE_KEYS} | {"stimulus": args.signal}
    given = {"frequency_hz": args.frequency_hz, "wav": args.wav, "ear": args.ear}
    data |= {key: value for key, value in given.items() if value is not None}
    return find_threshold(args, make_sound_plan(data, "command line"))


def _identity(plan: Any) -> tuple[str, str]:
    from quietfloor.monitor.run.sound_output import output_identity

    return output_identity(plan)


def listen_or_ask(signal: MeasuringSignal, ear: str, args: argparse.Namespace) -> float | None:
    """Play into one ear; returns the reading of the microphone or of the user, None if only the sound was wanted."""
    from quietfloor.monitor.calibration.level_check import play
    from quietfloor.monitor.calibration.microphone import MicrophoneListener

    scale, unit = signal.meter_words
    seconds = (HEARD_S if args.microphone is not None else ASKED_S) if args.seconds is None else args.seconds
    frames = signal.frames(ear, seconds)
    say(f"{ear} ear: {signal.words}, {signal.level_db_fs:g} dB re full scale, {seconds:g} s", args)
    if args.microphone is not None:
        if args.microphone_db is None:
            raise ValueError("--microphone needs --microphone-db: measure it with --calibrator-db first")
        listener = MicrophoneListener(number_or_name(args.microphone), signal.plan.sample_rate_hz)
        try:
            heard = play(signal.plan, frames, listener)
        finally:
            listener.close()
        reading = signal.level_db(heard, listener.rate_hz) + float(args.microphone_db)
        say(f"{ear} ear: {scale} {reading:.2f} {unit}", args)
        return reading
    if args.file is None:
        stopped: list[bool] = []
        with stop_on_signals(lambda: stopped.append(True)):
            play(signal.plan, frames, until=lambda: bool(stopped))
        return None
    return ask(signal, frames, f"{ear} ear, what does the meter read, {scale}, {unit}? ")


def ask(signal: MeasuringSignal, frames: Any, question: str) -> float:
    """Ask the user while the sound plays. The sound ends with the answer, or by itself."""
    from quietfloor.monitor.calibration.level_check import play

    answered = threading.Event()
    problems: list[Exception] = []

    def playing() -> None:
        try:
            play(signal.plan, frames, until=answered.is_set)
        except Exception as error:
            problems.append(error)

    thread = threading.Thread(target=playing, name="measuring sound", daemon=True)
    thread.start()
    try:
        while True:
            sys.stderr.write(question)
            sys.stderr.flush()
            line = sys.stdin.readline()
            if not line:
                raise ValueError("no reading was given: enter what the meter reads, or give it as --reading-db")
            try:
                (reading,) = levels(line.strip().replace(",", "."))
                break
            except (argparse.ArgumentTypeError, ValueError):
                sys.stderr.write("a number in dB, such as 84.2\n")
    finally:
        answered.set()
        thread.join()
    if problems:
        raise problems[0]
    return reading


def number_or_name(text: str) -> int | str:
    return int(text) if text.isdigit() else text


def microphone_level(args: argparse.Namespace) -> int:
    """Measure the level of full scale of a microphone with an acoustic calibrator."""
    from quietfloor.monitor.calibration.microphone import MicrophoneListener
    from quietfloor.stimuli.measure import tone_rms

    if args.microphone is None:
        raise ValueError("--calibrator-db needs --microphone: which sound input is in the calibrator?")
    rate_hz = args.sample_rate_hz or 48_000.0
    hz = args.frequency_hz or 1000.0
    listener = MicrophoneListener(number_or_name(args.microphone), rate_hz)
    try:
        listener.start()
        listener.wait(args.seconds or HEARD_S)
        rms = tone_rms(listener.stop(), rate_hz, hz)
    finally:
        listener.close()
    full_scale_db = args.calibrator_db - 20.0 * math.log10(rms * math.sqrt(2.0))
    say(f"{listener.name}: full scale is {full_scale_db:.2f} dB SPL: give --microphone-db {full_scale_db:.2f}", args)
    give_json({"microphone": listener.name, "microphone_db": full_scale_db, "frequency_hz": hz}, args)
    return DONE


# -- the loop, the seal ------------------------------------------------------------------------------------------------


def loop(args: argparse.Namespace) -> int:
    """Do --add-loop and --check."""
    from dataclasses import replace

    from quietfloor.monitor.calibration.level_check import check_level, measure_loop
    from quietfloor.monitor.calibration.microphone import Listener, MicrophoneListener, StreamListener
    from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
    from quietfloor.stimuli.ceiling import Ceiling

    path, plan = file_of(args), output_plan(args)
    calibration = load_calibration(path)
    calibration.check(*_identity(plan), plan.sample_rate_hz, datetime.date.today(), plan.card_channels)
    if (args.loop_input is None) == (args.stream is None or args.sound_channel is None):
        raise ValueError("say where the loop ends: --stream with --sound-channel, or --loop-input")
    say("the sound output must be looped into this input by wire; take the earphones off the ears", args)
    listener: Listener
    if args.loop_input is not None:
        listener = MicrophoneListener(number_or_name(args.loop_input), plan.sample_rate_hz)
    else:
        listener = StreamListener(args.stream, args.sound_channel)
    ears = tuple(
        ear for ear, db in (("left", calibration.left_db_ppe), ("right", calibration.right_db_ppe)) if not math.isnan(db)
    )
    try:
        if args.check:
            check = check_level(plan, calibration, listener, args.out)
            known = (("left", check.left_db), ("right", check.right_db))
            for ear, db in (("one earphone for both", check.left_db),) if calibration.one_earphone else known:
                if not math.isnan(db):
                    say(f"{ear} ear: {db:+.2f} dB against the calibration", args)
            say("as calibrated" if check.passed else "DIFFERS by more than 0.5 dB: find out why, or calibrate again", args)
            give_json(check.record(), args)
            return DONE if check.passed else FAILED
        measured = measure_loop(plan, listener, Ceiling(calibration.transducer, "adult", calibration), ears)
    finally:
        listener.close()
    made = replace(calibration, loop=measured)
    save_calibration(path, made)
    tell(made, args, f"written to {path}")
    return DONE


def seal(args: argparse.Namespace) -> int:
    from quietfloor.stimuli.calibration_file import seal as set_seal

    path = file_of(args)
    tell(set_seal(path), args, f"{path} is sealed: these numbers are taken as true")
    return DONE


def show(args: argparse.Namespace) -> int:
    from quietfloor.monitor.untrusted.bounded_io import toml_of
    from quietfloor.stimuli.calibration_file import load_calibration
    from quietfloor.stimuli.references import load_references

    path, tables = file_of(args), {"reference", "pure_tone", "narrow_band"}
    keys: set[str] = set()
    with contextlib.suppress(OSError, ValueError):  # what is wrong with a calibration is said below
        keys = set(toml_of(path))
    if tables & keys:  # a file of references: rows that a plan would use in place of the shipped ones
        rows = [row for key, row in load_references(path).signals.items() if row != load_references().signals.get(key)]
        for row in rows:
            say(f"{row.name}: 0 dB nHL is {row.level_words}; {row.words}", args)
        told = [{"reference": row.name, "level": row.level_words, "source": row.source, "status": row.status} for row in rows]
        give_json({"file": str(path), "references": told}, args)
        return DONE
    tell(load_calibration(path), args)
    return DONE


def tell(calibration: Any, args: argparse.Namespace, last: str | None = None) -> None:
    """Print the calibration, and the levels that can be reached with it."""
    from quietfloor.monitor.calibration.from_meter import highest
    from quietfloor.stimuli.calibration_file import describe

    say(describe(calibration).rstrip(), args)
    reached = highest(calibration)
    for stimulus in dict.fromkeys(row["stimulus"] for row in reached):
        rows = [row for row in reached if row["stimulus"] == stimulus]
        ears = ", ".join(f"{row['highest_db_nhl']:.1f} dB nHL {row['ear']}" for row in rows)
        zero = f"0 dB nHL is {rows[0]['reference_db']:g} dB, {rows[0]['reference']}"
        say(f"# {stimulus}: up to {ears}; {rows[0]['rests_on']}; {zero}", args)
    if not reached:
        say(f"# no reference threshold for {calibration.transducer} on {calibration.coupler}: give your own in a plan", args)
    if last is not None:
        say(last, args)
    give_json(
        {
            "id": calibration.id, "left_db": calibration.left_db_ppe, "right_db": calibration.right_db_ppe,
            "unit": calibration.unit, "measured_with": calibration.measured_with, "file": str(args.file), "reaches": reached,
        },
        args,
    )  # fmt: skip
