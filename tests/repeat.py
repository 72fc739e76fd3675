"""The same tests again and again, idle or beside busy loops, with a table of what passed and what failed.

    python -m tests.repeat 20 --busy 2 tests/live/test_timing.py tests/bench/patient/test_rig.py
    python -m tests.repeat 5 -- -n 4 -m "not real_time"

What is not an option of its own goes to pytest. It ends with 0 when every test passed every time.
"""

from __future__ import annotations

import argparse
import collections
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree


def results(report: Path) -> dict[str, tuple[str, float]]:
    """What became of each test of a JUnit report: passed, skipped, failed or error; and how many seconds it took."""
    found = {}
    for case in ElementTree.parse(report).iter("testcase"):
        kinds = {child.tag for child in case}
        kind = next((name for name in ("failure", "error", "skipped") if name in kinds), "passed")
        name = f"{case.get('classname')}::{case.get('name')}"
        found[name] = ("failed" if kind == "failure" else kind, float(case.get("time") or 0.0))
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    how = argparse.RawTextHelpFormatter
    parser = argparse.ArgumentParser(prog="python -m tests.repeat", description=__doc__, formatter_class=how)
    parser.add_argument("times", type=int)
    parser.add_argument("--busy", type=int, default=0, metavar="N", help="busy loops beside (0)")
    options, selection = parser.parse_known_args(arguments)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # the loops end with it
    loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(options.busy)]
    counts: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    broken = 0
    try:
        with tempfile.TemporaryDirectory() as folder:
            for number in range(options.times):
                report, began_s = Path(folder) / f"{number}.xml", time.monotonic()
                words = [word for word in selection if word != "--"]
                command = [sys.executable, "-m", "pytest", f"--junitxml={report}", *words]
                status = subprocess.run(command, check=False, stdin=subprocess.DEVNULL, capture_output=True, text=True)
                found = results(report) if report.exists() else {}
                for test, (kind, _) in found.items():
                    counts[test][kind] += 1
                bad = [test for test, (kind, _) in found.items() if kind in ("failed", "error")]
                broken += bool(bad) or status.returncode != 0
                load = f", load {os.getloadavg()[0]:.0f}" if hasattr(os, "getloadavg") else ""
                took_s = time.monotonic() - began_s
                print(f"{number + 1} of {options.times}: {len(found)} tests, {len(bad)} bad, {took_s:.0f} s{load}", flush=True)
                if bad or status.returncode not in (0, 1):
                    print(status.stdout[-12000:] + status.stderr[-1000:], flush=True)
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()
    always = sum(set(count) <= {"passed", "skipped"} for count in counts.values())
    print(f"\n{'passed':>7} {'skipped':>8} {'failed':>7} {'error':>6}  test")
    for test, count in sorted(counts.items()):
        if not set(count) <= {"passed", "skipped"}:
            print(f"{count['passed']:7} {count['skipped']:8} {count['failed']:7} {count['error']:6}  {test}")
    print(f"{always} of {len(counts)} tests passed each of {options.times} times, beside {options.busy} busy loops")
    return 1 if broken or not counts else 0


if __name__ == "__main__":
    sys.exit(main())
