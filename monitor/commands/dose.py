"""``quietfloor dose``: how long an ear may hear a sound in a day, and the seal of a dose policy."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, add_json, give_json, refuse, say

EXAMPLES = """examples:
  quietfloor dose                             minutes in a day by sound, level and age, for an insert earphone at 47.1/s
  quietfloor dose --coupler 2cc               the same where the earphone was calibrated on a 2 cc coupler
  quietfloor dose --before                    beside it what the flat additions of earlier versions allowed
  quietfloor dose --steps                     the steps behind it, each with its source and how far that may be trusted
  quietfloor dose --seal policy.toml          seal a dose policy, by whoever approved it
  quietfloor dose --policy policy.toml        the minutes under this policy

A dose policy raises the sound dose of a day for the ages that it names, up to 5 times. It never moves the output ceiling.
exit status: 0 done, 2 bad arguments or policy"""
LEVELS = (90.0, 80.0, 70.0, 60.0)


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "dose", help="how long an ear may hear a sound in a day", description="Sound dose of a day, and policies that raise it.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--seal", type=Path, metavar="FILE", help="accept the dose policy in FILE as it is, and seal it")
    what.add_argument("--policy", type=Path, metavar="FILE", help="the table under this sealed policy")
    what.add_argument("--before", action="store_true", help="also what earlier versions allowed")
    what.add_argument("--steps", action="store_true", help="from the coupler to the limit: dB, source and status of each step")
    parser.add_argument("--coupler", choices=("occluded-ear-simulator", "2cc"), default="occluded-ear-simulator")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    import datetime

    from quietfloor.stimuli.calibration import LevelError
    from quietfloor.stimuli.dose_policy import load_dose_policy, seal_file

    try:
        if args.seal is not None:
            sealed = seal_file(args.seal)
            say(f"{args.seal} is sealed. {sealed.words}.", args)
            give_json(sealed.record(), args)
            return DONE
        if args.steps:
            return _steps(args)
        policy = None if args.policy is None else load_dose_policy(args.policy)
        if policy is not None:
            policy.check(policy.age_groups[0], datetime.date.today())
            say(f"{policy.words}.\n", args)
        return _table(args, policy)
    except LevelError as error:
        return refuse(error, BAD_ARGUMENTS, args)


def _table(args: argparse.Namespace, policy: Any) -> int:
    from dataclasses import asdict

    from quietfloor.stimuli.dose_table import SOUNDS, entries, sound_words, time_words

    found = [*entries(LEVELS, args.coupler)]
    if policy is not None:
        groups = {f"{group}": policy.day_limit_times for group in policy.age_groups}
        raised = [*entries(LEVELS, args.coupler, policy.day_limit_times)]
        found = [more if one.age.split()[0].rstrip(",") in groups else one for one, more in zip(found, raised, strict=True)]
    say("| age | dB nHL | " + " | ".join(map(sound_words, SOUNDS)) + " |", args)
    say("|---" * (2 + len(SOUNDS)) + "|", args)
    for age in dict.fromkeys(one.age for one in found):
        for level in LEVELS:
            row = [one for one in found if (one.age, one.level_db_nhl) == (age, level)]
            before = [f" ({time_words(one.before_s)})" if args.before and one.seconds > 0 else "" for one in row]
            words = [time_words(one.seconds) + said for one, said in zip(row, before, strict=True)]
            say(f"| {age} | {level:g} | " + " | ".join(words) + " |", args)
    said = "above the output ceiling"
    say(f"\n-: {said}.{' In brackets: before there were steps.' if args.before else ''}", args)
    give_json({"levels": [asdict(one) for one in found], "policy": None if policy is None else policy.record()}, args)
    return DONE


def _steps(args: argparse.Namespace) -> int:
    from quietfloor.stimuli.ceiling import READS_LESS_DB
    from quietfloor.stimuli.dose_table import AGES, SOUNDS
    from quietfloor.stimuli.ear_steps import steps_of, table_at

    rows = []
    for age, group, months in AGES:
        for hz in filter(None, SOUNDS):
            steps = steps_of("insert", args.coupler, READS_LESS_DB.get(args.coupler, 0.0), group, months, hz)
            rows += [{"age": age, "frequency_hz": hz, **row} for row in table_at(steps, hz)]
    for age in dict.fromkeys(row["age"] for row in rows):
        say(f"{age}:", args)
        for step in dict.fromkeys(row["step"] for row in rows):
            own = [row for row in rows if (row["age"], row["step"]) == (age, step)]
            levels = ", ".join(f"{row['db']:.1f}" for row in own)
            source = f"; {own[0]['source']} ({own[0]['status']})" if own[0]["source"] else ""
            say(f"  {step}: {levels} dB at 0.5, 1, 2, 4 kHz{source}", args)
    give_json({"steps": rows}, args)
    return DONE
