"""Count wrong verdicts of sessions on equipment that lags, where a run may receive the sound of the previous run. Prints one
table.

    python -m quietfloor.bench.devtools.lag --sessions 200

In a session each run begins while the EEG of an earlier time still arrives, with a lag of 0 to 20 s drawn for each run. The
stream then begins with sweeps of the previous run. The three runs of a session have a response of 1000 nV in 1 uV of noise, no
response, and the response again. A verdict is wrong if it is that of a run with the opposite truth. The allowed false alarms (1
in 10,000) are negligible here. Everything is done twice: with runs that check their own sound, and without. Onsets are those of
the plan's own schedule, with another seed for each run, processed by the engine of a live run.

Exit status 0: no wrong verdict in runs that check their own sound; 1: otherwise.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.devtools.fault_runs import AUDIO_HZ, BLOCK, LEAD_IN_S, MAX_SWEEPS, RATE_HZ, noise, place_sweep, settings_for
from quietfloor.bench.simulate.intervals import proportion
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.samples import Chunk
from quietfloor.stimuli.schedule import Schedule

Floats = NDArray[np.float64]
RUNS = 3  # of a session: with a response, without, with
LONGEST_LAG_S = 20.0
BETWEEN_S = (1.0, 4.0)  # from the end of a run to the sound of the next
ALPHA, SIZE_NV = 1e-4, 1000.0


@dataclass(frozen=True)
class Played:
    """Sound of a run: onsets (n,) by the clock of the room, s, up to where it was ended."""

    onsets_s: Floats
    response_nv: float


@dataclass
class Found:
    """Sessions, added up. ``wrong``: those with a wrong verdict."""

    sessions: int = 0
    wrong: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    refused: int = 0
    dropped: int = 0


def session(seed: int, held: bool) -> tuple[list[tuple[str, float]], int, int]:
    """(verdict, size of the response) of each run; how many were refused, and sweeps that were dropped."""
    rng = np.random.default_rng([seed, 77])
    now_s, played = 100.0, list[Played]()
    verdicts: list[tuple[str, float]] = []
    refused = dropped = 0
    for number in range(RUNS):
        response_nv = 0.0 if number % 2 else SIZE_NV
        lag_s = float(rng.uniform(0.0, LONGEST_LAG_S))
        own_seed = 1 + number + 10 * seed
        onsets_s = now_s + Schedule(47.1, AUDIO_HZ, seed=own_seed, lead_in_s=LEAD_IN_S).onsets(2 * MAX_SWEEPS) / AUDIO_HZ
        settings = replace(settings_for(seed=own_seed), alpha=ALPHA)
        engine = Engine(settings if held else replace(settings, schedule=None))
        samples = _stream(now_s - lag_s, [*played, Played(onsets_s, response_nv)], [seed, number])
        ended = _through(engine, samples, now_s - lag_s)
        assert engine.verdict is not None
        verdicts.append((engine.verdict.verdict, response_nv))
        refused += ended
        dropped += engine.foreign_sweeps
        now_s += engine.sample / RATE_HZ  # the sound of this run ends with its verdict
        played.append(Played(onsets_s[onsets_s < now_s], response_nv))
        now_s += float(rng.uniform(*BETWEEN_S))
    return verdicts, refused, dropped


def _stream(begins_s: float, played: list[Played], seed: list[int]) -> Floats:
    """Samples (2, n) of all that was played from ``begins_s`` on."""
    seconds = LONGEST_LAG_S + LEAD_IN_S + 1.2 * MAX_SWEEPS / 47.1
    eeg, line = noise(np.random.default_rng(seed), round(seconds * RATE_HZ))
    for sound in played:
        for number, onset_s in enumerate(sound.onsets_s):
            at = int(np.ceil((onset_s - begins_s) * RATE_HZ))
            if at >= 0:
                place_sweep(eeg, line, at, number % 16 == 0, sound.response_nv)
    return np.vstack([eeg, line])


def _through(engine: Engine, samples: Floats, begins_s: float) -> bool:
    """Feed a run to its end; whether it was refused because its triggers did not follow its plan."""
    stamps_s = begins_s + np.arange(samples.shape[1]) / RATE_HZ
    refused = False
    for start in range(0, samples.shape[1], BLOCK):
        piece = slice(start, start + BLOCK)
        events = engine.feed(Chunk(samples[:, piece], stamps_s[piece]))
        refused |= any(event.kind == "foreign_sound" and event.record()["refused"] for event in events)
        if engine.verdict is not None:
            return refused
    engine.finish("fault", "the stream ends here")
    return refused


def is_wrong(verdict: str, response_nv: float) -> bool:
    return verdict == ("response_absent" if response_nv else "response_present")


def sessions(seeds: Sequence[int], held: bool) -> Found:
    found = Found()
    for seed in seeds:
        verdicts, refused, dropped = session(seed, held)
        found.sessions += 1
        found.wrong += any(is_wrong(*one) for one in verdicts)
        found.verdicts.update(verdict for verdict, _ in verdicts)
        found.refused += refused
        found.dropped += dropped
    return found


def line_of(name: str, found: Found) -> str:
    p = proportion(found.wrong, found.sessions)
    counts = ", ".join(f"{number} {verdict}" for verdict, number in sorted(found.verdicts.items()))
    return (
        f"{name:16}{found.wrong} of {found.sessions} sessions wrong (at most {100 * p.upper:.2f} %); {counts}; "
        f"{found.dropped} foreign sweeps dropped; {found.refused} runs refused"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parse = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.lag", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parse.add_argument("--sessions", type=int, default=200, metavar="N", help="number of sessions, of three runs each (200)")
    parse.add_argument("--seed", type=int, default=1, metavar="N", help="the same seed gives the same table (1)")
    options = parse.parse_args(arguments)
    if options.sessions < 1 or options.seed < 0:
        parse.error("give at least one session, and a seed of 0 or more")
    seeds = [options.seed * 100_000 + number for number in range(options.sessions)]
    held = sessions(seeds, held=True)
    sys.stdout.write(line_of("held to plan", held) + "\n")
    sys.stdout.flush()
    sys.stdout.write(line_of("not held", sessions(seeds, held=False)) + "\n")
    return 1 if held.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
