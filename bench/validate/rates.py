"""``quietfloor validate --rates``: what a second of recording is worth at 10 to 100 sounds a second, one or several at once.

Example: quietfloor validate --rates --level 40

A virtual ear with normal hearing hears octave chirps: at one frequency, in one ear or in both, or at two frequencies two octaves
apart in each of these ears. Every sound has a schedule of its own, as in a run. The worth of a second is the number of its sweeps
times the energy of the mean response in the response window, over the variance of a sweep: that of the EEG, and of what all other
sounds evoke in it. It is summed over all sounds that are played, and given relative to one ear at 39.1/s, the rate of sessions.
So the time that a decision takes is about 1 / worth, per threshold.

Places that answered shortly before answer less and later (`quietfloor.bench.patient.adaptation`). A run refuses a rate at which
the response window does not end before the next sound; each * is one of the four frequencies to which that applies.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from quietfloor.bench.patient.adaptation import Adaptation
from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.profiles import SIDES, Patient, Side
from quietfloor.bench.simulate.noises import Floats
from quietfloor.bench.simulate.simulated_staircases import (
    AUDIO_HZ,
    FINE_HZ,
    LONG_S,
    RATE_PER_S,
    SOUNDS,
    Sessions,
    levels_of,
    passed,
    settings_of,
)
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.together import Together

RATES_PER_S = (10.0, 20.0, 30.0, RATE_PER_S, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0)
FAR_APART_HZ = ((500.0, 2000.0), (1000.0, 4000.0))  # two octaves
NOISE_UV = 1.5  # RMS of the EEG in the pass band: the median of the virtual adults
NORMAL = Patient("normal", Ear(0.0), Ear(0.0), Background(0.0))
SIGNAL_HZ = 8000.0


@dataclass(frozen=True)
class Sound:
    """A sound in one ear: ``parts`` of the full response of each place, and the filtered response (n,) at `FINE_HZ` about the
    onset."""

    side: Side
    parts: Floats
    response_uv: Floats
    window_ms: tuple[float, float]


@cache
def sound_of(side: Side, frequency_hz: float, level_db_nhl: float) -> Sound:
    """An octave chirp."""
    settings = settings_of(frequency_hz, "adult", level_db_nhl, Sessions())
    burst = SOUNDS["octave-chirp"](AUDIO_HZ, frequency_hz)
    samples = burst.samples * gain(level_db_nhl, burst, side, *levels_of("air"))
    heard = Listener(NORMAL, virtual_earphone(), AUDIO_HZ).heard(side, samples)
    t_s = np.arange(round(LONG_S * FINE_HZ)) / FINE_HZ - LONG_S / 2
    filtered = np.fft.irfft(np.fft.rfft(heard.response.at(t_s + burst.time_zero_s)) * passed(settings.band), len(t_s))
    parts = heard.parts if side == "left" else heard.parts[::-1]
    return Sound(side, parts, np.asarray(filtered), settings.window_ms)


def onsets_s(sounds: Sequence[Sound], rate_per_s: float, seconds: float) -> list[Floats]:
    """Onsets of each sound, each with a schedule of its own; those of both ears, left and right in turn, as both ears at once
    have them."""
    count, schedules = int(seconds * rate_per_s), [Schedule(rate_per_s, AUDIO_HZ, seed=seed) for seed in range(len(sounds))]
    if len({one.side for one in sounds}) > 1:
        both = Together.of(schedules[0], len(sounds) // 2)
        schedules = [both.ear(one.side, number // 2) for number, one in enumerate(sounds)]
    return [schedule.onsets(count) / AUDIO_HZ for schedule in schedules]


def worths(sounds: Sequence[Sound], rate_per_s: float, seconds: float) -> list[float]:
    """What a second is worth for each of these sounds, played together."""
    onsets = onsets_s(sounds, rate_per_s, seconds)
    order = sorted((at_s, number) for number, each in enumerate(onsets) for at_s in each.tolist())
    adaptation = Adaptation()
    end_s = order[-1][0] + LONG_S
    signal = np.zeros(int(end_s * SIGNAL_HZ))
    fine_s = np.arange(len(sounds[0].response_uv)) / FINE_HZ - LONG_S / 2
    at_s = np.arange(-0.02, 0.05, 1 / SIGNAL_HZ)
    own: list[list[Floats]] = [[] for _ in sounds]
    begins: list[list[int]] = [[] for _ in sounds]
    for onset_s, number in order:
        size, later_s = adaptation.heard(onset_s, sounds[number].parts)
        begin = round((onset_s + at_s[0]) * SIGNAL_HZ)
        apart_s = begin / SIGNAL_HZ + np.arange(len(at_s)) / SIGNAL_HZ - onset_s
        response = size * np.interp(apart_s - later_s, fine_s, sounds[number].response_uv)
        signal[begin : begin + len(at_s)] += response
        own[number].append(response)
        begins[number].append(begin)
    out = []
    for number, sound in enumerate(sounds):
        low, high = (int(np.searchsorted(at_s, 1e-3 * edge_ms)) for edge_ms in sound.window_ms)
        mine = np.array(own[number])[:, low:high]
        sweeps = np.array([signal[begin + low : begin + high] for begin in begins[number]])
        beside = sweeps - mine
        energy = float((mine.mean(axis=0) ** 2).mean())
        spread = float(beside.var(axis=0).mean()) if len(sounds) > 1 else 0.0
        per_s = len(onsets[number]) / (onsets[number][-1] - onsets[number][0])
        out.append(per_s * energy / (NOISE_UV**2 + spread))
    return out


def table(level_db_nhl: float, seconds: float, rates_per_s: Sequence[float]) -> list[dict[str, float]]:
    """A row for each rate: worth of a second of one sound and of several at once, relative to one at `RATE_PER_S`."""
    usual = {
        hz: worths([sound_of("left", hz, level_db_nhl)], RATE_PER_S, seconds)[0] for pair in FAR_APART_HZ for hz in pair
    }  # fmt: skip
    rows = []
    for rate_per_s in rates_per_s:
        row = {"rate_per_s": rate_per_s}
        for name, ears, pairs in (
            ("one_ear", ("left",), tuple((hz,) for pair in FAR_APART_HZ for hz in pair)),
            ("both_ears", SIDES, tuple((hz,) for pair in FAR_APART_HZ for hz in pair)),
            ("one_ear_two_frequencies", ("left",), FAR_APART_HZ),
            ("both_ears_two_frequencies", SIDES, FAR_APART_HZ),
        ):
            sums = []
            for hertz in pairs:
                asked = [(side, hz) for hz in hertz for side in ears]
                found = worths([sound_of(side, hz, level_db_nhl) for side, hz in asked], rate_per_s, seconds)
                sums.append(sum(worth / usual[hz] for worth, (_, hz) in zip(found, asked, strict=True)))
            row[name] = float(np.mean(sums))
        row["windows_that_fit"] = _windows_that_fit(rate_per_s, level_db_nhl)
        rows.append(row)
    return rows


def _windows_that_fit(rate_per_s: float, level_db_nhl: float) -> int:
    """Number of the frequencies whose window ends before the next sound."""
    all_hz = [hz for pair in FAR_APART_HZ for hz in pair]
    return sum(sound_of("left", hz, level_db_nhl).window_ms[1] <= 1e3 / rate_per_s for hz in all_hz)


def main(arguments: Sequence[str] | None = None) -> int:
    out = argparse.ArgumentParser(
        prog="quietfloor validate --rates", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    out.add_argument("--rates", action="store_true", help="this program")
    out.add_argument("--level", type=float, default=40.0, metavar="DB", help="dB nHL of all sounds (%(default)g)")
    out.add_argument("--seconds", type=float, default=60.0, metavar="S", help="of sound at each rate (%(default)g)")
    out.add_argument("--json", action="store_true", help="one JSON object on standard output")
    options = out.parse_args(arguments)
    if not 0.0 <= options.level <= 90.0 or not 10.0 <= options.seconds <= 3600.0:
        sys.stderr.write("--level is 0 to 90 dB nHL, --seconds 10 to 3600\n")
        return 2
    rows = table(options.level, options.seconds, RATES_PER_S)
    if options.json:
        sys.stdout.write(json.dumps({"level_db_nhl": options.level, "rates": rows}) + "\n")
        return 0
    sys.stdout.write(f"worth of a second, octave chirps of {options.level:g} dB nHL; 1: one ear at {RATE_PER_S:g}/s\n\n")
    names = ("one_ear", "both_ears", "one_ear_two_frequencies", "both_ears_two_frequencies")
    heads = "sounds/s of each | one ear | both ears | one ear, two frequencies | both ears, two frequencies"
    sys.stdout.write(f"| {heads} |\n|---|---|---|---|---|\n")
    for row in rows:
        mark = "*" * int(4 - row["windows_that_fit"])
        sys.stdout.write(f"| {row['rate_per_s']:g}{mark} | " + " | ".join(f"{row[name]:.2f}" for name in names) + " |\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
