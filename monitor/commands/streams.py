"""``quietfloor streams``, ``quietfloor outputs`` and ``quietfloor doctor``: list streams and outputs, and missing parts."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.common import DONE, FAILED, add_json, give_json, refuse, say

STREAMS = """example:
  quietfloor streams --wait 3

The command lists every Lab Streaming Layer stream that this machine sees, and says whether a run can use it as EEG.
exit status: 0 a run can use at least one stream, 1 none"""

OUTPUTS = """examples:
  quietfloor outputs
  quietfloor outputs --channels 5,6,8 --rate-hz 96000

The command lists the outputs of all sound cards, and says whether each can play a run: left, right and trigger in one stream,
without a mixer or resampler before the converter. A card with two outputs can play one ear, with the trigger on the other
output: one earphone, which is moved between the ears (docs/lab-setup.md). Put the number or name into the plan: [sound]
device = "sound-card", output = "NAME".
exit status: 0 a run can use at least one output, 1 none, or PortAudio is missing"""

DOCTOR = """example:
  quietfloor doctor

The command tries every part by itself and prints the command that installs a missing part.
exit status: 0 a run on the virtual patient would work, 1 something it needs is missing"""

MOST_LISTED = 64  # channels of a stream, in words; --json has them all
WORDS = {"ok": "ok  ", "warning": "note", "missing": "MISSING", "no": "NO  "}


def add(commands: Any) -> None:
    streams = commands.add_parser(
        "streams", help="list LSL streams, and say which a run can use", description="List LSL streams.", epilog=STREAMS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    streams.add_argument("--wait", type=float, default=2.0, metavar="S", help="how long to listen for answers (2)")
    add_json(streams)
    streams.set_defaults(do=list_them)
    outputs = commands.add_parser(
        "outputs", help="list outputs of sound cards, and say which a run can use", description="List outputs of sound cards.",
        epilog=OUTPUTS, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    outputs.add_argument("--rate-hz", type=float, default=48_000.0, metavar="HZ", help="sampling rate to play at (48000)")
    outputs.add_argument("--channels", type=routing, metavar="L,R,T",
                         help="of left, right, trigger (1,2,3; of a card with two outputs 1,1,2)")  # fmt: skip
    outputs.add_argument("--allow-shared", action="store_true", help="accept a mixer or resampler in front of the card")
    add_json(outputs)
    outputs.set_defaults(do=list_outputs)
    doctor = commands.add_parser(
        "doctor", help="what is missing, and how to install it", description="Check this machine.", epilog=DOCTOR,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    doctor.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="folder in which runs will be kept (this one)")
    add_json(doctor)
    doctor.set_defaults(do=examine)


def routing(text: str) -> tuple[int, ...]:
    """``L,R,T`` as three numbers from 1; left and right may be one output."""
    try:
        found = tuple(int(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != 3 or found[2] in found[:2] or min(found) < 1:
        raise argparse.ArgumentTypeError(
            f"{text!r}: give three different outputs from 1 for left, right, trigger, such as 1,2,3; for one earphone that is "
            "moved between the ears 1,1,2"
        )
    return found


def list_outputs(args: argparse.Namespace) -> int:
    from quietfloor.stimuli import outputs
    from quietfloor.stimuli.devices import DeviceError

    try:
        found = outputs.list_outputs()
    except DeviceError as error:
        return refuse(error, FAILED, args)
    rows = []
    for output in found:
        channels = args.channels or (outputs.ONE_EARPHONE if output.channels == 2 else outputs.CHANNELS)
        findings = outputs.suitability(output, args.rate_hz, channels, args.allow_shared)
        usable = outputs.usable(findings)
        rows.append(
            {
                "number": output.number,
                "name": output.name,
                "host_interface": output.host_interface,
                "channels": output.channels,
                "rate_hz": output.rate_hz,
                "usable": usable,
                "routing": list(channels),
                "findings": [{"level": finding.level, "text": finding.sentence} for finding in findings],
            }
        )
        one_ear = " for one ear, with the trigger on the other output" if outputs.one_earphone(channels) else ""
        say(f"{output}: {f'can be used{one_ear}' if usable else 'cannot play a run'}", args)
        for finding in findings:
            say(f"    {WORDS[finding.level]}  {finding.sentence}", args)
    if not found:
        say("no sound card has an output. A run can play over LSL without one: [sound] device = \"lsl\"", args)
    give_json({"outputs": rows}, args)
    return DONE if any(row["usable"] for row in rows) else FAILED


def list_them(args: argparse.Namespace) -> int:
    from quietfloor.monitor.sources.lsl import list_streams, suitability
    from quietfloor.stimuli.lsl import LslUnavailableError

    try:
        found = list_streams(args.wait)
    except LslUnavailableError as error:
        return refuse(error, FAILED, args)
    rows = []
    for stream in found:
        findings = suitability(stream)
        usable = all(finding.level != "no" for finding in findings)
        channels = [{"number": i + 1, "label": stream.labels[i], "unit": stream.units[i]} for i in range(stream.channel_count)]
        rows.append(
            {
                "name": stream.name,
                "type": stream.type,
                "source_id": stream.source_id,
                "host": stream.host,
                "rate_hz": stream.rate_hz,
                "format": stream.channel_format,
                "channels": channels,
                "usable": usable,
                "findings": [{"level": finding.level, "text": finding.sentence} for finding in findings],
            }
        )
        say(f"{stream.summary()}: {'can be used' if usable else 'cannot be the EEG of a run'}", args)
        listed = [_channel(stream.labels[i], stream.units[i], i) for i in range(min(stream.channel_count, MOST_LISTED))]
        more = f" and {stream.channel_count - MOST_LISTED} more" if stream.channel_count > MOST_LISTED else ""
        say(f"    channels: {', '.join(listed)}{more}", args)
        for finding in findings:
            say(f"    {WORDS[finding.level]}  {finding.sentence}", args)
    if not found:
        say(
            f"no stream answered within {args.wait:g} s. Start the amplifier's program and its LSL output, or try "
            "`quietfloor demo`. Only this machine is searched unless LSLAPICFG names another configuration",
            args,
        )
    give_json({"streams": rows}, args)
    return DONE if any(row["usable"] for row in rows) else FAILED


def _channel(label: str, unit: str, index: int) -> str:
    return f"{index + 1} {label or '(no label)'}" + (f" in {unit}" if unit else "")


def examine(args: argparse.Namespace) -> int:
    from quietfloor.monitor.doctor.checks import healthy, run_checks

    checks = run_checks(args.out)
    for check in checks:
        state = check.state if check.required or check.state != "missing" else "warning"
        say(f"{WORDS[state]:8}{check.part}: {check.found}", args)
        if check.remedy:
            say(f"        for {check.needed_for}: {check.remedy}", args)
    good = healthy(checks)
    say("Ready: `quietfloor demo` will work." if good else "Not ready: mend what is marked MISSING, then run this again.", args)
    give_json({"ready": good, "checks": [vars(check) for check in checks]}, args)
    return DONE if good else FAILED
