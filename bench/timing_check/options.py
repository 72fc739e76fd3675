"""Command line of the timing check, and the plan that follows from it."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.bench.timing_check.report import PLOT_FORMATS
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, make_plan
from quietfloor.monitor.plan.sound_plan import OF_SOUND_CARD
from quietfloor.monitor.untrusted.bounded_io import toml_from
from quietfloor.stimuli.calibration import BOTH

COUNT, LEAST, MOST = 500, 64, 2000
LEVEL_DB_FS = -40.0  # below the output ceiling without a calibration, for every age group
CERTIFICATE = Path("timing.toml")
# Keys of [sound] that belong to what is played or to its level, not to the equipment.
NOT_OF_THE_OUTPUT = (
    "stimulus", "duration_us", "frequency_hz", "cycles", "envelope", "chirp_k", "chirp_d", "chirp_span_ms", "chirp_by_level",
    "wav", "wav_zero_ms", "level_db_nhl", "level_db_ppe_spl", "level_db_fs", "calibration", "references", "masking",
    "masking_level_db_em", "masking_level_db_fs", "masking_frequency_hz", "masking_transducer", "masking_calibration", "polarity",
    "rate_per_s", "random_pause", "random_interval_ms", "random_polarity", "held_to_plan", "muted", "together", "sounds_per_ear",
    "age_months", "age_change", "dose_policy", "equalise", "ipsilateral_noise", "ipsilateral_noise_level_db_spl",
    "ipsilateral_noise_level_db_fs", "ipsilateral_noise_notch_hz", "ipsilateral_noise_high_pass_hz",
)  # fmt: skip

EXAMPLES = """examples:
  quietfloor timing plan.toml --sound-channel Cz-M1                stream and sound of the plan, sound looped into Cz-M1
  quietfloor timing plan.toml --sound-channel 2 --plot timing.png --csv timing.csv
  quietfloor timing --stream Bench --trigger trigger --sound-channel 2 --device-source-id bench-audio --out bench.toml
  quietfloor timing plan.toml --device sound-card --output "USB Audio" --sound-channel 2
  quietfloor timing --show timing.toml                             print the delay of the EEG at each measured rate

Connect one output of the sound through a divider (some millivolts) to an EEG channel, and the trigger as in a run. During the
check no earphone may be on a person, and nobody may be connected to the amplifier. The clicks count into the sound dose of the
folder sessions, as if an ear heard them. To try it without hardware:
  quietfloor rig --audio-source-id bench-audio --eeg-source-id bench-eeg --eeg-name Bench --loop-channel 2

The certificate holds for this output, this stream, and the sampling rates of both. A plan names it as certificate under [timing].
Set the amplifier to another rate and repeat: the certificate gets an entry with a delay for each rate.
exit status: 0 passed, 1 failed or could not begin, 2 bad arguments or plan, 3 stopped on a fault"""


@dataclass(frozen=True)
class Order:
    """The check to make: the plan with the stream and this program's sound, and the channel that records it."""

    plan: Plan
    sound_channel: str
    count: int
    valid_days: int
    out: Path
    plot: Path | None
    csv: Path | None


def parser() -> argparse.ArgumentParser:
    parse = argparse.ArgumentParser(
        prog="quietfloor timing", description="Prove the timing of sound against EEG by an electrical loop.", epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parse.add_argument("plan", nargs="?", type=Path, metavar="PLAN.toml", help="plan that names stream, trigger and output")
    stream = parse.add_argument_group("EEG stream (each replaces that of the plan)")
    stream.add_argument("--stream", metavar="NAME", help="name of the EEG stream, as `quietfloor streams` prints it")
    stream.add_argument("--source-id", metavar="ID", help="source id of the stream, where two streams have one name")
    stream.add_argument("--trigger", metavar="CHANNEL", help="trigger channel, by label or number from 1")
    stream.add_argument("--sound-channel", metavar="CHANNEL", help="channel that the sound is connected to, by label or number")
    stream.add_argument("--wait", type=float, metavar="S", help="how long to wait for the stream to appear (10)")
    sound = parse.add_argument_group("sound (keys of [sound]; each replaces that of the plan)")
    sound.add_argument("--device", metavar="KIND", help="lsl or sound-card (lsl)")
    sound.add_argument("--output", metavar="NAME", help="output of the sound card, as `quietfloor outputs` prints it")
    sound.add_argument("--device-source-id", metavar="ID", help="LSL source id of the audio outlet (quietfloor-audio)")
    sound.add_argument("--sample-rate-hz", type=float, metavar="HZ", help="sampling rate of the output (48000)")
    sound.add_argument("--ear", metavar="EAR", help="side that is looped: left or right (right)")
    sound.add_argument("--level-db-fs", type=float, metavar="DB", help=f"level of the clicks, dB re full scale ({LEVEL_DB_FS:g})")
    sound.add_argument("--speed", type=float, metavar="X", help="speed as a multiple of real time, virtual equipment only")
    sound.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="any other key, such as block=2048")
    what = parse.add_argument_group("what to do")
    what.add_argument("--count", type=int, default=COUNT, metavar="N", help=f"number of clicks, {LEAST} to {MOST} ({COUNT})")
    what.add_argument("--out", type=Path, metavar="FILE", help=f"the certificate ({CERTIFICATE})")
    what.add_argument("--valid-days", type=int, metavar="N", help="days for which the certificate holds (30)")
    what.add_argument("--plot", type=Path, metavar="FILE", help="draw offsets and their histogram: .png or .svg")
    what.add_argument("--csv", type=Path, metavar="FILE", help="trigger, sound and offset of every click")
    what.add_argument("--show", type=Path, metavar="FILE", help="print a certificate, measure nothing")
    parse.add_argument("--json", action="store_true", help="one JSON object on standard output at the end")
    return parse


def order(args: argparse.Namespace) -> Order:
    """Make the order. Raises PlanError for impossible options, before anything is opened."""
    from quietfloor.monitor.run.timing_certificate import VALID_DAYS

    valid_days = VALID_DAYS if args.valid_days is None else args.valid_days
    for option, value, low, high in (("--count", args.count, LEAST, MOST), ("--valid-days", valid_days, 1, 3660)):
        if not low <= value <= high:
            raise PlanError(f"{option} {value}: allowed is {low} to {high}")
    if args.plot is not None and args.plot.suffix.lower() not in PLOT_FORMATS:
        raise PlanError(f"--plot {args.plot}: the name must end in {' or '.join(PLOT_FORMATS)}")
    given = load_plan(args.plan) if args.plan is not None else Plan()
    plan = make_plan(
        {
            "stream": _stream(given, args),
            "sound": _sound(given, args),
            "trigger": given.trigger.model_dump(mode="json"),
        },
        "timing",
    )
    stream = plan.stream
    missing = [
        text
        for text, there in (
            ("the stream (--stream NAME, --source-id ID, or a PLAN.toml)", stream.name or stream.source_id),
            ("the trigger channel (--trigger, or a PLAN.toml)", stream.trigger),
            ("the channel that hears the sound (--sound-channel)", args.sound_channel),
        )
        if not there
    ]
    if missing:
        raise PlanError(f"not named: {'; '.join(missing)}. `quietfloor streams` shows what is there")
    return Order(plan, args.sound_channel, args.count, valid_days, args.out or CERTIFICATE, args.plot, args.csv)


def _stream(given: Plan, args: argparse.Namespace) -> dict[str, Any]:
    asked = {"name": args.stream, "source_id": args.source_id, "trigger": args.trigger, "wait_s": args.wait}
    if args.stream is not None or args.source_id is not None:  # another stream altogether
        kept = given.stream.model_dump(mode="json", exclude={"name", "source_id"}, exclude_none=True)
    else:
        kept = given.stream.model_dump(mode="json", exclude_none=True)
    return kept | {key: value for key, value in asked.items() if value is not None}


def _sound(given: Plan, args: argparse.Namespace) -> dict[str, Any]:
    """Clicks of alternating polarity with random pauses, through the output of the plan."""
    kept = {} if given.sound is None else given.sound.model_dump(mode="json", exclude_none=True)
    kept = {key: value for key, value in kept.items() if key not in NOT_OF_THE_OUTPUT and (key, value) != ("ear", BOTH)}
    if args.ear == BOTH:
        raise PlanError("--ear both: the wire of the loop comes from one side; give left or right")
    if args.device not in (None, kept.get("device", "lsl")):  # what belongs to the other kind
        kept = {key: value for key, value in kept.items() if key not in (*OF_SOUND_CARD, "device_source_id", "speed")}
    names = ("device", "output", "device_source_id", "sample_rate_hz", "ear", "level_db_fs", "speed")
    asked = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    return {"level_db_fs": LEVEL_DB_FS} | kept | read_settings(args.set) | asked


def read_settings(texts: list[str]) -> dict[str, Any]:
    """``KEY=VALUE`` as in a plan; text needs no quotes here."""
    import tomllib

    found: dict[str, Any] = {}
    for text in texts:
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not key:
            raise PlanError(f"--set {text!r}: write KEY=VALUE with a key of [sound], such as output=3")
        if key in NOT_OF_THE_OUTPUT and key != "level_db_fs":
            raise PlanError(f"--set {text!r}: {key} belongs to what is played; the timing check plays its own clicks")
        try:
            found |= toml_from(f"{key} = {value}")
        except tomllib.TOMLDecodeError:
            found[key] = value
    return found
