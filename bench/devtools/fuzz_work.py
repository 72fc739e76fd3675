"""Targets through many inputs, each target in a process of its own: what ends, hangs or fills that process is counted, and
another one goes on behind the input that did it. Every input follows from the seed, the name of the target and its number.

A process gets the memory that it has at the start and 512 MB, by RLIMIT_AS. Processes are forked (Linux, macOS)."""

from __future__ import annotations

import mmap
import multiprocessing
import os
import re
import shutil
import signal
import struct
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.devtools.fuzz_mutate import MOST_BYTES, mutated
from quietfloor.bench.devtools.fuzz_target import Outcome, Target, resource, try_one

MORE_MB = 512  # of address space for a process, beyond what it has with everything loaded
HANGS_S = 60.0  # without an end of one input, by the clock on the wall: a busy machine is no hang
SAYS_EACH_S, KEPT = 0.5, 3  # how often a process reports; inputs kept for each place of a crash
_HEAD = struct.Struct("<QQQQ")  # number and length of the input that is being tried; accepted and refused by this process


@dataclass
class Tally:
    target: str
    inputs: int = 0
    accepted: int = 0
    refused: int = 0
    crashes: int = 0
    slowest_ms: float = 0.0
    most_mb: float = 0.0
    places: Counter[str] = field(default_factory=Counter)
    words: dict[str, str] = field(default_factory=dict)  # what the first crash at a place said

    def add(self, outcome: Outcome) -> None:
        self.inputs += 1
        self.accepted += outcome.kind == "accepted"
        self.refused += outcome.kind == "refused"
        self.slowest_ms = max(self.slowest_ms, outcome.cpu_ms)
        self.most_mb = max(self.most_mb, outcome.peak_mb)
        if outcome.kind == "crash":
            self.crashes += 1
            self.places[outcome.where] += 1
            self.words.setdefault(outcome.where, outcome.words)

    def join(self, other: Tally) -> None:
        for name in ("inputs", "accepted", "refused", "crashes"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.slowest_ms, self.most_mb = max(self.slowest_ms, other.slowest_ms), max(self.most_mb, other.most_mb)
        self.places += other.places
        self.words = other.words | self.words


def input_of(target: Target, seeds: Sequence[bytes], seed: int, number: int) -> bytes:
    """Always the same for the same seeds."""
    rng = np.random.default_rng([seed, zlib.crc32(target.name.encode()), number])
    return mutated(seeds, rng, target.dictionary)


class _Running:
    """One target in one process after another."""

    def __init__(self, target: Target, inputs: int, seconds: float, seed: int, keep: Path) -> None:
        self.target, self.inputs, self.seed, self.keep = target, inputs, seed, keep / target.name
        self.until_s = time.monotonic() + seconds
        self.tally, self.said, self.done = Tally(target.name), Tally(target.name), False
        self.current = mmap.mmap(-1, _HEAD.size + MOST_BYTES)
        self._begin(0)

    def _begin(self, first: int) -> None:
        context: Any = multiprocessing.get_context("fork")
        self.reports: Connection
        self.reports, theirs = context.Pipe(duplex=False)
        self.folder = Path(tempfile.mkdtemp(prefix="quietfloor-fuzz-"))
        self.process = context.Process(target=self._work, args=(first, theirs), daemon=True)
        self.process.start()
        theirs.close()
        self.moved_s, self.number = time.monotonic(), first

    def look(self) -> None:
        """Takes what the process said; goes on behind an input that ended it, or that does not end."""
        while self.reports.poll():
            try:
                self.said, self.done = self.reports.recv()
            except (EOFError, OSError):
                return self._died("ended the process")
            if self.done:
                return self._over()
        now_s, number = time.monotonic(), _HEAD.unpack_from(self.current)[0]
        if number != self.number:
            self.moved_s, self.number = now_s, number
        elif now_s - self.moved_s > HANGS_S:
            self.process.kill()
            self._died("hangs")
        return None

    def _over(self) -> None:
        self.process.join()
        self.reports.close()
        self.tally.join(self.said)
        self.said = Tally(self.target.name)
        shutil.rmtree(self.folder, ignore_errors=True)

    def _died(self, how: str) -> None:
        number, length, accepted, refused = _HEAD.unpack_from(self.current)
        self.said.accepted, self.said.refused = accepted, refused  # it had no time to say so; crashes it says at once
        self.said.inputs = accepted + refused + self.said.crashes
        self._over()
        code = self.process.exitcode or 0
        named = f"{how} ({signal.Signals(-code).name if code < 0 else f'status {code}'})"
        data = bytes(self.current[_HEAD.size : _HEAD.size + length])
        outcome = Outcome("crash", named, named)
        self.tally.add(outcome)
        keep_input(self.keep, outcome, data, self.tally.places[named])
        self.done = number + 1 >= self.inputs or time.monotonic() >= self.until_s or self.tally.places[named] >= 20
        if not self.done:
            self._begin(number + 1)

    def _work(self, first: int, reports: Connection) -> None:
        """In the process."""
        sys.dont_write_bytecode = True
        null = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(null, number)
        home, scratch = self.folder / "seeds", self.folder / "work"
        home.mkdir()
        scratch.mkdir()
        _HEAD.pack_into(self.current, 0, first, 0, 0, 0)
        seeds = list(self.target.seeds(home))
        for data in seeds:  # everything that is loaded when it is needed is loaded before memory is counted
            try_one(self.target, data, scratch)
        _limit_memory()
        tally, said_s, number = Tally(self.target.name), time.monotonic(), first
        while number < self.inputs and time.monotonic() < self.until_s:
            data = input_of(self.target, seeds, self.seed, number)
            _HEAD.pack_into(self.current, 0, number, len(data), tally.accepted, tally.refused)
            self.current[_HEAD.size : _HEAD.size + len(data)] = data
            outcome = try_one(self.target, data, scratch)
            tally.add(outcome)
            number += 1
            if outcome.kind == "crash":
                keep_input(self.keep, outcome, data, tally.places[outcome.where])
            if outcome.kind == "crash" or time.monotonic() - said_s > SAYS_EACH_S:
                reports.send((tally, False))
                said_s = time.monotonic()
        reports.send((tally, True))


def fuzz(targets: Sequence[Target], inputs: int, minutes: float, seed: int, jobs: int, keep: Path) -> list[Tally]:
    """So many inputs for each target, or for its part of the minutes; crashes are kept in ``keep``, a folder a target."""
    seconds = 60 * minutes * min(jobs, len(targets)) / len(targets)
    waiting, running, over = list(targets), list[_Running](), list[_Running]()
    while waiting or running:
        while waiting and len(running) < jobs:
            running.append(_Running(waiting.pop(0), inputs, seconds, seed, keep))
        wait([one.reports for one in running], timeout=1.0)
        for one in running:
            one.look()
        over += [one for one in running if one.done]
        running = [one for one in running if not one.done]
    return [one.tally for target in targets for one in over if one.target is target]


def keep_input(folder: Path, outcome: Outcome, data: bytes, which: int) -> None:
    if which <= KEPT:
        folder.mkdir(parents=True, exist_ok=True)
        name = re.sub(r"[^A-Za-z0-9]+", "-", outcome.where).strip("-")[:80]
        path = folder / f"{name}-{zlib.crc32(data):08x}"
        path.with_suffix(".input").write_bytes(data)
        path.with_suffix(".txt").write_text(ascii(outcome.words) + "\n", encoding="utf-8")


def _limit_memory() -> None:
    if resource is None or not sys.platform.startswith("linux"):
        return
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    most = pages * os.sysconf("SC_PAGE_SIZE") + MORE_MB * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


__all__ = ["Tally", "fuzz", "input_of", "keep_input"]
