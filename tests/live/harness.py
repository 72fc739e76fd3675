"""The real program beside a real foreign amplifier program, each a process of its own, over loopback."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietfloor.monitor.cli import main
from tests import warm
from tests.slow import patience

FOREIGN = Path(__file__).with_name("foreign.py")
ROOT = FOREIGN.parents[2]


@contextlib.contextmanager
def foreign(name: str, options: Sequence[str] = ()) -> Iterator[subprocess.Popen[str]]:
    """Somebody else's amplifier for a while."""
    process = warm.Popen(
        [sys.executable, str(FOREIGN), "--name", name, *options], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "sending\n"
        yield process
    finally:
        with contextlib.suppress(OSError):
            process.stdin.close()
        try:
            process.wait(patience(5))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()


@dataclass
class Outcome:
    """How a command of the program ended."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Standard output, which must be exactly one JSON object on one line."""
        assert self.out.count("\n") == 1, self.out + self.err
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


class Program:
    """The program as a user starts it; what it says is collected while it runs."""

    def __init__(self, *arguments: str, module: str = "quietfloor.monitor.cli") -> None:
        path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])  # for programs among the tests
        environment = os.environ | {"PYTHONUNBUFFERED": "1", "PYTHONPATH": path}
        self.process = warm.Popen(
            [sys.executable, "-m", module, *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        self._said: dict[str, list[str]] = {"out": [], "err": []}
        self._readers = [
            threading.Thread(target=self._read, args=(pipe, self._said[name]), daemon=True)
            for name, pipe in (("out", self.process.stdout), ("err", self.process.stderr))
        ]
        for reader in self._readers:
            reader.start()

    @staticmethod
    def _read(pipe: Any, said: list[str]) -> None:
        with pipe:
            said.extend(pipe)

    @property
    def err(self) -> str:
        return "".join(self._said["err"])

    def until(self, text: str, give_up_s: float = 30.0) -> None:
        """Wait until it has said ``text`` on standard error."""
        end_s = time.monotonic() + patience(give_up_s)
        while text not in self.err:
            if time.monotonic() >= end_s or self.process.poll() is not None:
                self.kill()
                raise AssertionError(f"did not say {text!r}, ended with {self.process.returncode}: {self.err}")
            time.sleep(0.02)

    def kill(self) -> None:
        """What a test that failed leaves running would disturb the next ones."""
        self.process.kill()
        self.process.wait()

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def wait(self, timeout_s: float = 60.0) -> Outcome:
        try:
            status = self.process.wait(patience(timeout_s))
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(f"did not end in {timeout_s:g} s: {self.err}") from None
        for reader in self._readers:
            reader.join()
        return Outcome(status, "".join(self._said["out"]), self.err)


def call(*arguments: str, timeout_s: float = 60.0) -> Outcome:
    return Program(*arguments).wait(timeout_s)


def call_here(*arguments: str) -> Outcome:
    """The same command in this process, without the second that a new one takes; for one thread at a time."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(list(arguments))
    return Outcome(status, out.getvalue(), err.getvalue())


@dataclass
class Scenario:
    """A foreign stream and a run on it. ``act`` does something to either while it runs."""

    stream: list[str] = field(default_factory=list)
    run: list[str] = field(default_factory=list)
    plan: str | None = None
    act: Callable[[subprocess.Popen[str], Program], None] | None = None
    module: str = "quietfloor.monitor.cli"


@dataclass
class Happened:
    """What a scenario left."""

    outcome: Outcome
    session: Path
    name: str

    @property
    def folder(self) -> Path:
        return self.session / "run-001"

    def replayed(self) -> Outcome:
        return call_here("replay", str(self.folder), "--json")


def perform(scenario: Scenario, session: Path) -> Happened:
    """Start the amplifier, carry the run through, end the amplifier."""
    name = f"foreign-{uuid.uuid4().hex[:8]}"
    with foreign(name, scenario.stream) as amplifier:
        if scenario.plan is None:
            what = ["run", "--listen", "--stream", name]
        else:
            plan = session / "plan.toml"
            plan.write_text(scenario.plan.replace("STREAM", name))
            what = ["run", str(plan)]
        program = Program(*what, "--no-window", "--json", "--out", str(session), *scenario.run, module=scenario.module)
        try:
            if scenario.act is not None:
                scenario.act(amplifier, program)
            return Happened(program.wait(), session, name)
        finally:
            program.kill()


class Batch:
    """Several scenarios at once: real time costs time. Each is asked for by its name when its test comes."""

    def __init__(self, scenarios: dict[str, Scenario], new_folder: Callable[[], Path], at_once: int) -> None:
        self._pool = ThreadPoolExecutor(at_once)
        self._futures = {name: self._pool.submit(perform, scenario, new_folder()) for name, scenario in scenarios.items()}

    def __getitem__(self, name: str) -> Happened:
        return self._futures[name].result()

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)
