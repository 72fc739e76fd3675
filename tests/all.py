"""The tests as `make test` and `make long` run them: those in need of real time by themselves first; one summary at the end.

    python -m tests.all
    python -m tests.all tests/core -x
    python -m tests.all --long

Long ones are whole sessions, the pages of the documentation, and proofs by simulation. Other options go to pytest.
"""

from __future__ import annotations

import collections
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.repeat import results

ROOT = Path(__file__).parents[1]
CORES = os.cpu_count() or 1
# A sound card wants a machine that is not busy, and so does equipment that is late; whoever waits for real time needs little of
# it; the rest is work.
PASSES = (
    ("(sound_card or few)", 2),
    ("real_time and not sound_card and not few", 3 * CORES),
    ("not real_time", CORES),
)
# Begun in this order: none of them is what all others wait for in the end, and of those that start many programs at once
# (trouble, stream_faults, check, foreign) one alone is among the first six. One worker runs a file: what takes minutes is
# several files.
LONGEST = (
    "live/test_timing.py", "live/test_trouble.py", "live/test_timing_stopped.py", "live/test_calibrate.py",
    "live/test_slow_bench.py", "live/test_screen.py", "live/test_timing_jitter.py", "live/test_own_references.py",
    "live/test_commands.py", "live/test_search.py", "sources/test_lsl.py", "live/test_stream_faults.py", "live/test_check.py",
    "live/test_foreign.py",
)  # fmt: skip
LONG = "--long"
NOTHING_SELECTED = 5
SLOWEST = 20


def in_need_of_real_time() -> list[str]:
    """Test files that ask for a stream or a sound loop, the longest first: collecting all others costs seconds in each worker."""
    longest = [ROOT / "tests" / name for name in LONGEST]
    files = [*longest, *sorted(set((ROOT / "tests").rglob("test_*.py")) - set(longest))]
    return [str(file) for file in files if re.search(r"mark\.lsl|sound_loop", file.read_text(encoding="utf-8"))]


def main(arguments: Sequence[str] | None = None) -> int:
    words, began_s = list(sys.argv[1:] if arguments is None else arguments), time.monotonic()
    long = LONG in words
    words = [word for word in words if word != LONG]
    # Without compiled files each of a few hundred processes would compile all that it imports, and each worker all tests.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program has it: else as many threads as cores in each worker
    found, statuses = {}, []
    with tempfile.TemporaryDirectory() as folder:
        for number, (marked, workers) in enumerate(PASSES):
            report = Path(folder) / f"{number}.xml"
            selected = f"({marked}) and {'' if long else 'not '}long"
            how = ["-n", str(workers), "--dist", "loadfile", "-m", selected, f"--junitxml={report}"]
            chosen = any(Path(word.split("::")[0]).exists() for word in words)
            files = [] if chosen or marked == "not real_time" else ["--no-loadscope-reorder", *in_need_of_real_time()]
            command = [sys.executable, "-m", "pytest", *how, *files, *words]
            statuses.append(subprocess.run(command, check=False, env=environment).returncode)
            if report.exists():
                found |= results(report)
            if statuses[-1] not in (0, NOTHING_SELECTED) and {"-x", "--exitfirst"} & set(words):
                break
    print(f"\nslowest {SLOWEST}, with what they wait for, in s:")
    for name, (_, seconds) in sorted(found.items(), key=lambda item: -item[1][1])[:SLOWEST]:
        print(f"{seconds:7.1f}  {name}")
    for name, (kind, _) in sorted(found.items()):
        if kind in ("failed", "error"):
            print(f"{kind.upper()} {name}")
    counts = collections.Counter(kind for kind, _ in found.values())
    said = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "no tests"
    good = all(status in (0, NOTHING_SELECTED) for status in statuses) and bool(found)
    name = "make long" if long else "make test"
    print(f"{name}: {'passed' if good else 'FAILED'}: {said} in {time.monotonic() - began_s:.0f} s", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
