"""Counts how often rules find a response in runs without one: many null runs through the analysis of a live run.

Run number k of a seed always has the same noise. The counter works on its own thread.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.noises import NOISES, NoiseSource, Presentation, run_seeds
from quietfloor.bench.simulate.simulate import Chain, Setup, chain, simulate
from quietfloor.bench.teach.choices import NAIVE_EVERY, RULES

NOISE = "gaussian"
SETUP = Setup(max_sweeps=2048, look_every=NAIVE_EVERY)  # naive rules look every 256 sweeps: 8 times
BATCH = 25  # runs at a time: some tenths of a second
MOST_RUNS = 20_000


@dataclass(frozen=True)
class Alarms:
    """Null runs so far, and in how many of them each rule of RULES found a response."""

    runs: int = 0
    counts: tuple[int, ...] = (0,) * len(RULES)

    def of(self, place: int) -> Proportion:
        """Share of false alarms of a rule, with its exact 95 % interval."""
        return proportion(self.counts[place], self.runs)


def null_runs(seed: int, runs: range, setup: Setup = SETUP, chains: Sequence[Chain] | None = None) -> Alarms:
    """Simulate these runs; each rule sees the same sweeps."""
    chains = chains or [chain(name, setup) for name, _, _ in RULES]
    source = NoiseSource(NOISES[NOISE], setup.grid, Presentation(), run_seeds(seed, "classroom", runs))
    decided = simulate(source, np.zeros((len(runs), setup.grid.n_times)), setup, chains).decided
    return Alarms(len(runs), tuple(int(np.count_nonzero(decided[name].outcome == 0)) for name, _, _ in RULES))


class AlarmCounter:
    """Counts on a thread while it is on; `alarms` is the newest result."""

    def __init__(self, seed: int = 1) -> None:
        self.seed = seed
        self.alarms = Alarms()
        self.failure = ""
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def on(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def start(self) -> None:
        """Continue where it stopped."""
        if not self.on:
            self._stop.clear()
            self._thread = threading.Thread(target=self._count, name="null runs", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Stop after the present batch; waits for it."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def more(self) -> Alarms:
        """One batch, in this thread."""
        before = self.alarms
        new = null_runs(self.seed, range(before.runs, before.runs + BATCH))
        counts = tuple(one + other for one, other in zip(before.counts, new.counts, strict=True))
        self.alarms = Alarms(before.runs + new.runs, counts)
        return self.alarms

    def _count(self) -> None:
        try:
            while not self._stop.is_set() and self.alarms.runs < MOST_RUNS:
                self.more()
        except Exception as error:  # a thread that dies in silence would look like one that waits
            self.failure = f"the counter stopped: {error}"
