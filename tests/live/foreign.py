"""Somebody else's amplifier: a program that knows nothing of this project and sends EEG and a trigger channel over LSL.

    python foreign.py --name BENCH --rate 8000 --trigger gate --unit volts --nv 1000 --noise 1

It pushes float32 chunks whenever they are due by the clock. Stamps count samples, as of an amplifier whose crystal never waits,
so that a busy machine tears no hole into them; with --unstamped they say when a chunk was pushed, as of many amplifier programs.
Prints "sending" once the outlet exists. It begins with its first consumer, as what is sent before that reaches nobody; times of
--nan, --vanish and --stop-triggers are of its samples. It ends when its standard input closes.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pylsl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from synthetic import stream

SCALE = {"microvolts": 1.0, "millivolts": 1e-3, "volts": 1e-6}


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    parser.add_argument("--name", required=True)
    parser.add_argument("--source-id", default="")
    parser.add_argument("--rate", type=float, default=8000.0)
    parser.add_argument("--states", type=float, default=None, help="the rate in the metadata, by which stamps count, if another")
    parser.add_argument("--true-stamps", action="store_true", help="stamps count by the true rate, whatever is stated")
    parser.add_argument("--channels", type=int, default=1, help="EEG channels; the response is in the first one")
    parser.add_argument("--trigger", default="pulse", help="pulse, bipolar, inverted, gate, codes or none")
    parser.add_argument("--trigger-at", type=int, default=-1, help="index of the trigger channel, -1 for the last")
    parser.add_argument("--unit", default="microvolts", choices=SCALE, help="what the numbers are in")
    parser.add_argument("--stated", default=None, help="what the metadata say they are in; empty for nothing")
    parser.add_argument("--labels", default=None, help="comma list, one a channel; empty for none")
    parser.add_argument("--format", default="float32")
    parser.add_argument("--nv", type=float, default=1000.0)
    parser.add_argument("--latency", type=float, default=7.0)
    parser.add_argument("--noise", type=float, default=1.0)
    parser.add_argument("--per-s", type=float, default=47.1)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nan", type=float, nargs=2, metavar=("FROM", "TO"))
    parser.add_argument("--flat", action="store_true", help="the EEG channels send zeros")
    parser.add_argument("--stuck", type=float, help="the first EEG channel stays at so many uV")
    parser.add_argument("--mains", type=float, default=0.0, help="50 Hz in the first EEG channel (uV peak), 0.4 of it at 150 Hz")
    parser.add_argument("--stall", type=float, nargs=2, metavar=("AT", "FOR"), help="from there on nothing is sent for so long")
    parser.add_argument("--vanish", type=float, help="end without a word after so long")
    parser.add_argument("--markers", help="name of a marker stream to send along, a text every half second")
    parser.add_argument("--on-word", action="store_true", help="the stream exists from a line on standard input on")
    parser.add_argument("--unstamped", action="store_true", help="stamps say when a chunk was pushed")
    parser.add_argument("--stop-triggers", type=float, help="no trigger from here on")
    return parser.parse_args()


def samples(args: argparse.Namespace) -> np.ndarray:
    """(n_channels, n) in the unit asked for, the trigger at its place."""
    rng = np.random.default_rng(args.seed)
    kind = "pulse" if args.trigger == "none" else args.trigger
    made = stream(
        rng, args.rate, int((args.seconds - 2) * args.per_s), args.per_s, args.nv, args.latency, args.noise, args.channels, kind
    ).samples
    eeg, line = made[:-1] * SCALE[args.unit], made[-1]
    turns = 2 * np.pi * 50 * np.arange(eeg.shape[1]) / args.rate
    eeg[0] += args.mains * SCALE[args.unit] * (np.sin(turns) + 0.4 * np.sin(3 * turns + 1.0))
    if args.stuck is not None:
        eeg[0] = args.stuck * SCALE[args.unit]
    if args.flat:
        eeg = np.zeros_like(eeg)
    if args.trigger == "none":
        line = np.zeros_like(line)
    place = args.channels if args.trigger_at < 0 else args.trigger_at
    return np.insert(eeg, place, line, axis=0).astype(np.float32)


def outlet(args: argparse.Namespace) -> pylsl.StreamOutlet:
    count = args.channels + 1
    info = pylsl.StreamInfo(args.name, "EEG", count, args.states or args.rate, args.format, args.source_id)
    place = args.channels if args.trigger_at < 0 else args.trigger_at
    usual = [f"E{number + 1}" for number in range(args.channels)]
    usual.insert(place, "TRIG")
    labels = usual if args.labels is None else [label for label in args.labels.split(",") if label]
    stated = args.unit if args.stated is None else args.stated
    if labels or stated:
        channels = info.desc().append_child("channels")
        for index in range(count):
            channel = channels.append_child("channel")
            if labels:
                channel.append_child_value("label", labels[index])
            if stated and index != place:
                channel.append_child_value("unit", stated)
    return pylsl.StreamOutlet(info)


def main() -> None:
    args = arguments()
    data = samples(args)
    if args.on_word:
        print("sending", flush=True)
        sys.stdin.readline()
    out = outlet(args)
    marks = pylsl.StreamOutlet(pylsl.StreamInfo(args.markers, "Markers", 1, 0, "string", "")) if args.markers else None
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    if not args.on_word:
        print("sending", flush=True)
    while not (over.is_set() or out.have_consumers()):
        time.sleep(0.005)
    end = data.shape[1] if args.vanish is None else min(data.shape[1], round(args.vanish * args.rate))
    line = args.channels if args.trigger_at < 0 else args.trigger_at
    if args.nan:
        data[:, round(args.nan[0] * args.rate) : round(args.nan[1] * args.rate)] = np.nan
    if args.stop_triggers is not None:
        data[line, round(args.stop_triggers * args.rate) :] = 0.0
    stamped_hz = args.rate if args.true_stamps or args.states is None else args.states
    at, began_s, stamp_s = 0, time.monotonic(), pylsl.local_clock()
    stall_at, stall_s = (end, 0.0) if args.stall is None else (round(args.stall[0] * args.rate), args.stall[1])
    while not over.is_set() and at < end:
        if at >= stall_at:  # what was due meanwhile is sent afterwards
            stall_at = end
            time.sleep(stall_s)
        due = min(int((time.monotonic() - began_s) * args.rate), stall_at)
        if due > at:
            out.push_chunk(data[:, at:due].T, 0.0 if args.unstamped else stamp_s + (due - 1) / stamped_hz)
            if marks is not None and due // int(args.rate / 2) > at // int(args.rate / 2):
                marks.push_sample([f"mark {due // int(args.rate / 2)}"])
            at = due
        time.sleep(0.008)
    over.wait(0.0 if args.vanish is not None else 30.0)


main()
