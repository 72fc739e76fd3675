"""``quietfloor calibrate --references``: the threshold of one listener for one stimulus, into a file of one's own references."""

from __future__ import annotations

import argparse
import datetime
import math
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.answer_keys import STOP, keys
from quietfloor.monitor.commands.common import DONE, FAILED, complain, give_json, say, stop_on_signals

if TYPE_CHECKING:
    from quietfloor.monitor.calibration.own_references import Listening
    from quietfloor.monitor.run.sound_output import Sound

CAUTION = (
    "The listener hears sounds by an earphone. Listeners are adults with normal hearing, who agreed and can stop at any time "
    "(q). Levels are held by the ceiling and counted in the sound dose. Not a medical device: this is no hearing test."
)
TOLD = "Press the space bar or Enter whenever you hear sounds, however faint. Pauses differ in length. q: stop."
LOOK_S = 0.01


def main(args: argparse.Namespace, plan: Any) -> int:
    """Find the threshold and keep it. Raises PlanError, LevelError, ExposureError, RuntimeError and ValueError."""
    from quietfloor.monitor.calibration.own_references import (
        LONGEST_MIN,
        RATE_PER_S,
        cautions,
        rows_in,
        trials_of,
        with_threshold,
    )
    from quietfloor.monitor.run.sound_output import OUTSIDE_A_RUN, open_sound

    if args.file is None:
        raise ValueError("name the file of references that the threshold is for: quietfloor calibrate mine.toml --references")
    if args.listener is None or args.listener < 1:
        raise ValueError("--references needs --listener: a number from 1, one for each person; no name is kept")
    rows_in(Path(args.file))  # before anybody listens
    today = datetime.date.today()
    trials, listening = trials_of(plan, today, step_db=args.step_db, start_db=args.start_db, highest_db=args.highest_db)
    complain(CAUTION)
    say(f"listener {args.listener}, {plan.ear} ear: {plan.spec.name}, from {trials.steps.start_db:g} {trials.unit} on", args)
    say(TOLD, args)
    sound = open_sound(trials.sound)
    try:
        name = f"threshold-{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%S.%f}"
        sound.reserve(args.out or OUTSIDE_A_RUN, name, math.ceil(60.0 * LONGEST_MIN * RATE_PER_S), whole=False, ahead=False)
        listen(sound, listening)
    finally:
        sound.stop()
        sound.close()
    found = {
        "listener": args.listener, "ear": plan.ear, "stimulus": plan.spec.name, "unit": trials.unit,
        "threshold_db": listening.bracket.threshold_db, "end": listening.bracket.end or "stopped",
        "presented": listening.presented, "silent": listening.silent, "false_alarms": listening.false_alarms,
        "stray": listening.stray, "file": None,
    }  # fmt: skip
    why = unusable(listening, sound)
    if why:
        complain(f"no threshold: {why}")
        give_json(found, args)
        return FAILED
    say(
        f"threshold {listening.bracket.threshold_db:g} {trials.unit} ({listening.presented} sounds; {listening.false_alarms} of "
        f"{listening.silent} silences answered)", args,
    )  # fmt: skip
    row = with_threshold(Path(args.file), trials, args.listener, listening.bracket.threshold_db, today)
    spread = "" if math.isnan(row.spread_db) else f", SD {row.spread_db:.1f} dB"
    say(f"{args.file}: 0 dB nHL is {row.level_db_ppe:g} {trials.unit}, median of {row.n}{spread}", args)
    for caution in cautions(row):
        say(caution, args)
    give_json(found | {"file": str(args.file), "reference_db": row.level_db_ppe, "n": row.n, "spread_db": row.spread_db}, args)
    return DONE


def listen(sound: Sound, listening: Listening) -> None:
    """Play until the threshold ends, the listener stops, or the sound does."""
    stopped: list[bool] = []
    with stop_on_signals(lambda: stopped.append(True)), keys() as answers:
        sound.start()
        while not (listening.bracket.end or stopped or sound.failure is not None):
            for key in answers.pressed():
                if key == STOP:
                    stopped.append(True)
                elif key in " \r\n":
                    listening.press(sound.sweeps_played)
            if answers.ended:
                stopped.append(True)
            listening.update(sound.sweeps_played)
            time.sleep(LOOK_S)


def unusable(listening: Listening, sound: Sound) -> str:
    """Why there is no threshold, and what to do; empty where there is one."""
    said = {
        "not heard": "the loudest level was not heard: check earphone and ear, or raise --highest-db",
        "always heard": "the softest level was always heard: check the calibration",
        "not settled": "the answers do not settle on a level: rest, and begin again",
        "": f"the sound ended ({sound.failure})" if sound.failure else "stopped before the threshold was found; begin again",
    }  # fmt: skip
    if listening.bracket.end != "found":
        return said[listening.bracket.end]
    if not listening.reliable:
        return (
            f"{listening.false_alarms} of {listening.silent} silences were answered, and {listening.stray} times a key was "
            "pressed between sounds: explain the task, and begin again"
        )
    if sound.underruns or sound.limited_samples:
        return "the sound broke, or was too loud for the ceiling: close other programs, and begin again"
    return ""
