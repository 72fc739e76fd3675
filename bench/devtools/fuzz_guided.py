"""The same targets under atheris, which mutates what takes new branches; each in a process of its own, with its own table row."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from quietfloor.bench.devtools.fuzz_work import Tally

ATHERIS = "python -m pip install 'quietfloor[fuzz]' (on Linux), or leave --atheris out"
SAYS_EACH_S = 0.5


def can_guide() -> bool:
    return importlib.util.find_spec("atheris") is not None


def fuzz_guided(names: Sequence[str], inputs: int, minutes: float, seed: int, jobs: int, keep: Path) -> list[Tally]:
    """One row a target, as by ``quietfloor.bench.devtools.fuzz_work.fuzz``."""
    seconds = max(1, round(60 * minutes * min(jobs, len(names)) / len(names)))
    tallies = dict[str, Tally]()
    waiting, running = list(names), dict[str, tuple[subprocess.Popen[bytes], Path]]()
    with tempfile.TemporaryDirectory(prefix="quietfloor-fuzz-") as folder:
        while waiting or running:
            while waiting and len(running) < jobs:
                name = waiting.pop(0)
                own = Path(folder) / name
                for part in ("seeds", "work", "corpus"):
                    (own / part).mkdir(parents=True)
                task = {"name": name, "folder": str(own), "seconds": seconds, "inputs": inputs, "seed": seed, "keep": str(keep)}
                command = [sys.executable, "-m", "quietfloor.bench.devtools.fuzz_guided", json.dumps(task)]
                with open(own / "log", "wb") as log:
                    running[name] = subprocess.Popen(command, stdout=log, stderr=log), own
            for name, (process, own) in list(running.items()):
                if process.poll() is not None:
                    tallies[name] = _read(own, name, process.returncode, keep)
                    del running[name]
            time.sleep(0.2)
    return [tallies[name] for name in names]


def _read(own: Path, name: str, status: int, keep: Path) -> Tally:
    try:
        told = json.loads((own / "tally.json").read_text(encoding="utf-8"))
        tally = Tally(**told | {"places": Counter(told["places"])})
    except (OSError, ValueError):
        tally = Tally(name)
    if status:
        said = (own / "log").read_bytes()[-2000:].decode("utf-8", "replace")
        tally.crashes += 1
        tally.places[f"status {status}"] += 1
        tally.words[f"status {status}"] = said
        for left in own.glob("crash-*"):
            (keep / name).mkdir(parents=True, exist_ok=True)
            left.rename(keep / name / (left.name + ".input"))
    return tally


def _guided(task: dict[str, Any]) -> None:
    """In the process: never returns, as libFuzzer ends it."""
    import atheris

    with atheris.instrument_imports(
        include=[
            "quietfloor.monitor",
            "quietfloor.stimuli",
            "quietfloor.bench.patient.profiles",
            "quietfloor.bench.patient.session_course",
            "tomllib",
            "json",
        ]
    ):
        from quietfloor.bench.devtools.fuzz_targets import all_targets
    from quietfloor.bench.devtools.fuzz_target import try_one
    from quietfloor.bench.devtools.fuzz_work import keep_input

    sys.dont_write_bytecode = True
    target, own = all_targets()[task["name"]], Path(task["folder"])
    for number, data in enumerate(target.seeds(own / "seeds")):
        try_one(target, data, own / "work")
        (own / "corpus" / f"seed-{number}").write_bytes(data)
    words = own / "words"
    words.write_text("".join('"' + "".join(f"\\x{byte:02x}" for byte in word) + '"\n' for word in target.dictionary if word))
    tally, said_s = Tally(target.name), time.monotonic()

    def say() -> None:
        draft = own / "tally.part"
        draft.write_text(json.dumps(vars(tally)), encoding="utf-8")
        os.replace(draft, own / "tally.json")

    def one(data: bytes) -> None:
        nonlocal said_s
        outcome = try_one(target, data, own / "work")
        tally.add(outcome)
        if outcome.kind == "crash":
            keep_input(Path(task["keep"]) / target.name, outcome, data, tally.places[outcome.where])
        if outcome.kind == "crash" or tally.inputs >= task["inputs"] or time.monotonic() - said_s > SAYS_EACH_S:
            say()
            said_s = time.monotonic()

    options = [f"-max_total_time={task['seconds']}", f"-runs={min(task['inputs'], 2**31 - 1)}", f"-seed={task['seed']}",
               "-max_len=100000", "-timeout=60", "-rss_limit_mb=1500", f"-dict={words}", f"-artifact_prefix={own}/"]  # fmt: skip
    atheris.Setup([sys.argv[0], *options, str(own / "corpus")], one)
    atheris.Fuzz()


if __name__ == "__main__":
    _guided(json.loads(sys.argv[1]))
