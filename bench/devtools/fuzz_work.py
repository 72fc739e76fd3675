"""Targets through many inputs, each target in a process of its own: what ends, hangs or fills that process is counted, and
another one goes on behind the input that did it. hypothesis makes the inputs; or atheris, which mutates what takes new branches.

A process gets the memory that it has at the start and 512 MB, by RLIMIT_AS. Processes are forked (Linux, macOS)."""

from __future__ import annotations

import faulthandler
import json
import multiprocessing
import os
import re
import shutil
import signal
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

from quietfloor.bench.devtools.fuzz_inputs import each_input
from quietfloor.bench.devtools.fuzz_target import Outcome, Target, resource, try_one

MORE_MB = 512  # of address space for a process, beyond what it has with everything loaded
HANGS_S = 60.0  # without an end of one input, by the clock on the wall: a busy machine is no hang
KEPT = 3  # inputs kept for each place of a crash


def all_targets() -> dict[str, Target]:
    """All targets by name. Calling this imports what they try."""
    from quietfloor.bench.devtools.fuzz_binary import TARGETS as BINARY
    from quietfloor.bench.devtools.fuzz_text import TARGETS as TEXT

    return {target.name: target for target in (*TEXT, *BINARY)}


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

    def add(self, outcome: Outcome, data: bytes, keep: Path) -> None:
        """Counts it; what crashes is kept in a folder of the target."""
        self.inputs += 1
        self.accepted += outcome.kind == "accepted"
        self.refused += outcome.kind == "refused"
        self.slowest_ms = max(self.slowest_ms, outcome.cpu_ms)
        self.most_mb = max(self.most_mb, outcome.peak_mb)
        if outcome.kind == "crash":
            self.crashes += 1
            self.places[outcome.where] += 1
            self.words.setdefault(outcome.where, outcome.words)
            if self.places[outcome.where] <= KEPT:
                name = re.sub(r"[^A-Za-z0-9]+", "-", outcome.where).strip("-")[:80]
                path = keep / self.target / f"{name}-{zlib.crc32(data):08x}"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.with_suffix(".input").write_bytes(data)
                path.with_suffix(".txt").write_text(ascii(outcome.words) + "\n", encoding="utf-8")


class _Running:
    """One target in one process after another. The process leaves its tally and the input that it tries in files."""

    def __init__(self, target: Target, inputs: int, seconds: float, seed: int, keep: Path, guided: bool) -> None:
        self.target, self.inputs, self.seed, self.keep, self.guided = target, inputs, seed, keep, guided
        self.until_s = time.monotonic() + seconds
        self.tally, self.done = Tally(target.name), False
        self._begin()

    def _begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="quietfloor-fuzz-"))
        context: Any = multiprocessing.get_context("fork")
        self.process = context.Process(target=self._work, daemon=True)
        self.process.start()

    def look(self) -> None:
        """Where the process has ended: takes what it left, and goes on behind an input that ended it."""
        if self.process.is_alive():
            return
        self.process.join()
        if (self.folder / "tally").exists():
            told = json.loads((self.folder / "tally").read_text(encoding="utf-8"))
            self.tally = Tally(**told | {"places": Counter(told["places"])})
        self.done = self.process.exitcode == 0
        if not self.done:
            self._died(self.process.exitcode)
        shutil.rmtree(self.folder, ignore_errors=True)
        if not self.done:
            self._begin()

    def _died(self, code: int) -> None:
        said = (self.folder / "log").read_bytes()[-2000:].decode("utf-8", "replace")
        named = f"ended the process ({signal.Signals(-code).name if code < 0 else f'status {code}'})"
        named = "hangs" if "Timeout (" in said else named
        trying = self.folder / "input"
        self.tally.add(Outcome("crash", said or named, named), trying.read_bytes() if trying.exists() else b"", self.keep)
        self.done = self._over() or self.tally.places[named] >= 20

    def _over(self) -> bool:
        return self.tally.inputs >= self.inputs or time.monotonic() >= self.until_s

    def _work(self) -> None:
        """In the process."""
        sys.dont_write_bytecode = True
        for number, path in enumerate((os.devnull, os.devnull, str(self.folder / "log"))):
            os.dup2(os.open(path, os.O_RDWR | os.O_CREAT, 0o600), number)
        sys.stderr = os.fdopen(2, "w")
        home, self.scratch, corpus = self.folder / "seeds", self.folder / "work", self.folder / "corpus"
        for folder in (home, self.scratch, corpus):
            folder.mkdir()
        seeds = list(self.target.seeds(home))
        for data in seeds:  # everything that is loaded when it is needed is loaded before memory is counted
            try_one(self.target, data, self.scratch)
        if self.guided:
            self._guide(seeds, corpus)
        _limit_memory()
        each_input(self._try, seeds, self.target.dictionary, sys.maxsize,
                   f"{self.seed} {self.target.name} {self.tally.inputs}")  # fmt: skip

    def _try(self, data: bytes) -> None:
        (self.folder / "input").write_bytes(data)
        faulthandler.dump_traceback_later(HANGS_S, exit=True)
        self.tally.add(try_one(self.target, data, self.scratch), data, self.keep)
        faulthandler.cancel_dump_traceback_later()
        (self.folder / "tally").write_text(json.dumps(vars(self.tally)), encoding="utf-8")
        if self._over():
            os._exit(0)

    def _guide(self, seeds: Sequence[bytes], corpus: Path) -> None:
        """Never returns."""
        import atheris

        for number, data in enumerate(seeds):
            (corpus / f"seed-{number}").write_bytes(data)
        words = self.folder / "words"
        escaped = ("".join(f"\\x{byte:02x}" for byte in word) for word in self.target.dictionary if word)
        words.write_text("".join(f'"{word}"\n' for word in escaped))
        options = (f"-seed={self.seed + self.tally.inputs}", "-max_len=100000", "-timeout=0", f"-rss_limit_mb={3 * MORE_MB}",
                   f"-dict={words}", f"-artifact_prefix={self.folder}/")  # fmt: skip
        atheris.Setup([sys.argv[0], *options, str(corpus)], self._try)
        atheris.Fuzz()


def fuzz(
    targets: Sequence[Target], inputs: int, minutes: float, seed: int, jobs: int, keep: Path, guided: bool = False
) -> list[Tally]:
    """So many inputs for each target, or for its part of the minutes; crashes are kept in ``keep``, a folder a target."""
    seconds = 60 * minutes * min(jobs, len(targets)) / len(targets)
    waiting, running, over = list(targets), list[_Running](), list[_Running]()
    while waiting or running:
        while waiting and len(running) < jobs:
            running.append(_Running(waiting.pop(0), inputs, seconds, seed, keep, guided))
        wait([one.process.sentinel for one in running])
        for one in running:
            one.look()
        over += [one for one in running if one.done]
        running = [one for one in running if not one.done]
    return [one.tally for target in targets for one in over if one.target is target]


def _limit_memory() -> None:
    if resource is None or not sys.platform.startswith("linux"):
        return
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    most = pages * os.sysconf("SC_PAGE_SIZE") + MORE_MB * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
