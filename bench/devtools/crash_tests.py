"""A run whose program is killed, or whose disk fails, at many places: what is left of its recording, and can it be finished?

Each try forks a process that makes a whole run, real code to real files, from a stream that a seed gives. It is killed (SIGKILL)

- ``time``: by its parent, at a random moment;
- ``byte``: within a write to ``raw.xdf``, after a random number of bytes of the file;
- ``sync``: before or after one of its calls of fsync or rename, whichever file it is for;
- ``power``: at a random moment of real time, after which ``raw.xdf`` is cut to what had been synced, ``events.jsonl`` anywhere;

or lives on with a disk that fails:

- ``full``: a write to ``raw.xdf`` stores a part and then says that the disk is full, and so do all later ones.

Then the samples that are left are held against those that the run had been given, and the run is finished from them: its looks
must be those of a run that was left in peace, byte for byte, and ``raw.xdf`` must be as it was.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import mmap
import os
import shutil
import signal
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import quietfloor.monitor.run.run
from quietfloor.bench.devtools.soak import MadeStream, soak_plan
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.review.recover import finish
from quietfloor.monitor.review.replay import looks_of, replay
from quietfloor.monitor.run.opening import write_results
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.run_record import begin_record, run_record
from quietfloor.monitor.run.timing_certificate import Timing
from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.folder_lock import sole_writer
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder

SECONDS, RATE_HZ, CHANNELS, SEED = 24.0, 4000.0, 2, 7
REAL_TIME_S = 3.0  # longest wait for a power cut
AT_ONCE = 12  # processes that wait for their power cut
PLACES = ("time", "byte", "sync", "power", "full")
SHARE = {"time": 0.45, "byte": 0.25, "sync": 0.1, "power": 0.1, "full": 0.1}
_SHARED = struct.Struct("<qq")  # samples given to the run, bytes of raw.xdf that were synced


@dataclass(frozen=True)
class CrashTry:
    """One try: what was lost of what the run had been given, and ``wrong``: what should not be, in words ("" for nothing)."""

    place: str
    given: int
    kept: int
    finished: bool
    wrong: str

    @property
    def lost_s(self) -> float:
        return (self.given - self.kept) / RATE_HZ


class _Given(MadeStream):
    """The stream, which writes down in shared memory what it has handed out; ``paced``: in real time."""

    def __init__(self, shared: mmap.mmap, paced: bool) -> None:
        super().__init__(SECONDS, RATE_HZ, CHANNELS, SEED)
        self._shared, self._paced, self._began_s = shared, paced, time.monotonic()

    def pull(self, timeout_s: float = 0.5) -> Chunk:
        if self._paced:
            time.sleep(max(0.0, self._began_s + self.sent / RATE_HZ - time.monotonic()))
        chunk = super().pull(timeout_s)
        struct.pack_into("<q", self._shared, 0, self.sent)
        return chunk


def _whole_run(session: Path, shared: mmap.mmap, paced: bool, sync: Callable[[int], None]) -> None:
    """What `quietfloor run` does, on this stream."""
    vars(quietfloor.monitor.run.run)["Journal"] = partial(Journal, sync=sync)
    stream = _Given(shared, paced)
    plan = soak_plan("soak", CHANNELS, 1.0)
    with sole_writer(session):
        folder = RunFolder.create(session)
        run = Run(resolve(plan, stream.description), stream, folder)
        started = "2026-01-01T00:00:00+00:00"
        folder.write_begun(begin_record(started, sound=None, calibration=None, timing=Timing(), acknowledged=None))
        run.start()
        run.wait()
        record = run_record(
            run.plan, run.verdict, run.engine, stream=stream.description, unit=run.unit, sound=None, calibration=None,
            failure=run.failure, started=started,
        )  # fmt: skip
        write_results(folder, record, run.engine)


class Kills:
    """Tries in a folder of their own. ``close`` deletes it."""

    def __init__(self, seed: int = 1) -> None:
        self._rng = np.random.default_rng(seed)
        self._root = Path(tempfile.mkdtemp(prefix="quietfloor-kills-"))
        made = MadeStream(SECONDS, RATE_HZ, CHANNELS, SEED)
        with contextlib.suppress(SourceError):
            chunks = []
            while True:
                chunks.append(made.pull())
        self._samples = np.concatenate([chunk.samples for chunk in chunks], axis=1)
        self._stamps_s = np.concatenate([chunk.stamps_s for chunk in chunks])
        began_s = time.monotonic()
        session, shared = self._fresh()
        self._wait(self._fork(session, shared, False, lambda: os.fsync))
        self._took_s = time.monotonic() - began_s
        peace = RunFolder.open(session / "run-001")
        self._looks = looks_of(peace.events)
        self.bytes_in_peace = peace.raw.stat().st_size
        self._average = peace.average.read_bytes()
        self._record = peace.read_json(peace.run.name)

    def close(self) -> None:
        shutil.rmtree(self._root, ignore_errors=True)

    def tries(self, count: int) -> Iterator[CrashTry]:
        """About ``count`` tries, the places in their shares."""
        for place in PLACES:
            number = max(1, round(SHARE[place] * count))
            if place == "power":
                for start in range(0, number, AT_ONCE):
                    yield from self._power_cuts(min(AT_ONCE, number - start))
            else:
                for _ in range(number):
                    yield self._try(place)

    def _try(self, place: str) -> CrashTry:
        session, shared = self._fresh()
        if place == "time":
            pid = self._fork(session, shared, False, lambda: os.fsync)
            time.sleep(self._rng.uniform(0.0, 1.05 * self._took_s))
            os.kill(pid, signal.SIGKILL)
        else:
            at = int(self._rng.integers(0, self.bytes_in_peace)) if place in ("byte", "full") else int(self._rng.integers(0, 30))
            arm = {"byte": _kill_in_write, "full": _fail_in_write, "sync": _kill_at_sync}[place]
            pid = self._fork(session, shared, False, partial(arm, at))
        self._wait(pid)
        return self._judge(place, session, shared)

    def _power_cuts(self, count: int) -> Iterator[CrashTry]:
        """Several at once: each takes real time."""
        waiting = []
        for _ in range(count):
            session, shared = self._fresh()
            pid = self._fork(session, shared, True, partial(_note_syncs, shared))
            waiting.append((float(self._rng.uniform(0.3, REAL_TIME_S)), pid, session, shared))
        began_s = time.monotonic()
        for at_s, pid, _, _ in sorted(waiting, key=lambda one: one[0]):
            time.sleep(max(0.0, began_s + at_s - time.monotonic()))
            os.kill(pid, signal.SIGKILL)
            self._wait(pid)
        for _, _, session, shared in waiting:
            folder = session / "run-001"
            raw, events = folder / "raw.xdf", folder / "events.jsonl"
            if raw.is_file():
                os.truncate(raw, _SHARED.unpack_from(shared)[1])
            if events.is_file():
                os.truncate(events, int(self._rng.integers(0, events.stat().st_size + 1)))
            yield self._judge("power", session, shared)

    def _fresh(self) -> tuple[Path, mmap.mmap]:
        session = Path(tempfile.mkdtemp(dir=self._root))
        shared = mmap.mmap(-1, _SHARED.size)
        return session, shared

    @staticmethod
    def _fork(session: Path, shared: mmap.mmap, paced: bool, arm: Callable[[], Callable[[int], None]]) -> int:
        """A process that makes a run; ``arm`` prepares its fate there and gives the sync of its journal."""
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 2)  # what a run says of its failing disk
                _whole_run(session, shared, paced, arm())
                status = 0
            finally:
                os._exit(status)
        return pid

    @staticmethod
    def _wait(pid: int) -> None:
        os.waitpid(pid, 0)

    def _judge(self, place: str, session: Path, shared: mmap.mmap) -> CrashTry:
        given = _SHARED.unpack_from(shared)[0]
        path = session / "run-001"
        kept, wrong = 0, ""
        try:
            source = RecordingSource(path / "raw.xdf", chunk_samples=1 << 30)
            kept = source.total_samples
            if kept:
                chunk = source.pull()
                assert chunk is not None
                same = np.array_equal(chunk.samples, self._samples[:, :kept]) and np.array_equal(
                    chunk.stamps_s, self._stamps_s[:kept]
                )
                wrong = "" if same else "what is left is not what was given"
        except (SourceError, XdfError, OSError):
            kept = 0  # killed before anything was recorded
        finished = False
        if kept and not wrong:
            try:
                wrong = self._finish(path)
                finished = not wrong
            except Exception as error:  # whatever it is, it is what should not be
                wrong = f"{type(error).__name__}: {error}"
        shutil.rmtree(session, ignore_errors=True)
        return CrashTry(place, given, kept, finished, wrong)

    def _finish(self, path: Path) -> str:
        """Finish the run, twice; what is wrong with it then."""
        before = _digest(path / "raw.xdf")
        log = path / "events.jsonl"
        said = log.read_bytes() if log.is_file() else b""
        record = finish(path).record
        if finish(path).made:
            return "a finished run was finished again"
        if _digest(path / "raw.xdf") != before:
            return "raw.xdf was changed"
        whole, _, cut = said.rpartition(b"\n")
        now = log.read_bytes()
        if not (now.startswith(said) or (now.startswith(whole) and json.dumps(cut.decode())[1:-1].encode() in now)):
            return "the event log was changed"
        looks = looks_of(log)
        if looks != self._looks[: len(looks)]:
            return "looks differ from those of a run left in peace"
        folder = RunFolder.open(path)
        if (path / "average.csv").is_file() and not replay(folder).identical:
            return "the replay differs"
        whole = record["verdict"] == self._record["verdict"] and record["stopped_by"] == self._record["stopped_by"]
        if whole and record["sweeps_presented"] == self._record["sweeps_presented"]:
            return "" if folder.average.read_bytes() == self._average else "the average differs"
        return "" if record["stopped_by"] == "fault" else f"it says that it was stopped by {record['stopped_by']}"


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _kill_in_write(at: int) -> Callable[[int], None]:
    """This process ends within the write that passes byte ``at`` of all that it writes unbuffered, which is raw.xdf."""
    write, done = os.write, [0]

    def writing(fd: int, data: Any) -> int:
        if done[0] + len(data) > at:
            write(fd, bytes(data)[: at - done[0]])
            os.kill(os.getpid(), signal.SIGKILL)
        done[0] += len(data)
        return write(fd, data)

    os.write = writing
    return os.fsync


def _fail_in_write(at: int) -> Callable[[int], None]:
    """The disk is full at byte ``at`` of raw.xdf, and stays so for it."""
    write, done, full = os.write, [0], [False]

    def writing(fd: int, data: Any) -> int:
        if full[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if done[0] + len(data) > at:
            full[0] = True
            return write(fd, bytes(data)[: at - done[0]])
        done[0] += len(data)
        return write(fd, data)

    os.write = writing
    return os.fsync


def _kill_at_sync(at: int) -> Callable[[int], None]:
    """This process ends at its ``at`` // 2 th call of fsync or rename: before it (even) or after it."""
    count = [0]

    def fatal(call: Callable[..., Any]) -> Callable[..., Any]:
        def calling(*arguments: Any, **names: Any) -> Any:
            here = count[0] == at // 2
            count[0] += 1
            if here and at % 2 == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            result = call(*arguments, **names)
            if here:
                os.kill(os.getpid(), signal.SIGKILL)
            return result

        return calling

    os.fsync, os.replace = fatal(os.fsync), fatal(os.replace)
    return os.fsync


def _note_syncs(shared: mmap.mmap) -> Callable[[int], None]:
    """Syncs that write down how much of raw.xdf is safe."""

    def sync(fd: int) -> None:
        size = os.fstat(fd).st_size
        os.fsync(fd)
        struct.pack_into("<q", shared, 8, size)

    return sync
