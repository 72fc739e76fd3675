"""All tests, as `make test` runs them: those in need of real time by themselves first, then the rest; one summary at the end.

    python -m tests.all
    python -m tests.all tests/core -x

What is not an option of its own goes to pytest.
"""

from __future__ import annotations

import collections
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.repeat import results

CORES = os.cpu_count() or 1
# A sound card wants a machine that is not busy; whoever waits for real time needs little of it; the rest is work.
PASSES = (
    ("sound_card", 2),
    ("real_time and not sound_card", 2 * CORES),
    ("not real_time", CORES),
)
NOTHING_SELECTED = 5
SLOWEST = 20


def main(arguments: Sequence[str] | None = None) -> int:
    words, began_s = list(sys.argv[1:] if arguments is None else arguments), time.monotonic()
    found, statuses = {}, []
    with tempfile.TemporaryDirectory() as folder:
        for number, (marked, workers) in enumerate(PASSES):
            report = Path(folder) / f"{number}.xml"
            how = ["-n", str(workers), "--dist", "loadfile", "-m", marked, f"--junitxml={report}"]
            statuses.append(subprocess.run([sys.executable, "-m", "pytest", *how, *words], check=False).returncode)
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
    print(f"make test: {'passed' if good else 'FAILED'}: {said} in {time.monotonic() - began_s:.0f} s", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
