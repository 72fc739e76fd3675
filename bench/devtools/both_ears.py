"""How fast engine and search work with both ears at once, at 100 stimuli a second in all.

    python -m quietfloor.bench.devtools.both_ears --seconds 60

A virtual patient hears clicks in both ears; the recording is then decided again in chunks of 30 ms, as an amplifier sends them.
The time of a chunk is that from its arrival to the events that follow from it. Given apart: chunks that complete a unit, whose
evidence is then known, and those after which the next level is chosen. The sound is made half a second ahead, and a choice is due
every two seconds or so.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import NAME, carry_through
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.events import Event
from quietfloor.monitor.plan.cell_table import rate_in_both_ears
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.storage.run_folder import RunFolder

IN_ALL_PER_S = 100.0
CHUNK_S = 0.03
LEVELS = [float(level) for level in range(0, 65, 5)]


def plan_of(seconds: float) -> Plan:
    """Clicks in both ears, as near to 50 a second in each as the mains allow."""

    def with_sound(**sound: Any) -> Plan:
        common = {"level_db_nhl": 60.0, "calibration": str(VIRTUAL_EARPHONE), "lead_in_s": 0.5}
        return make_plan({
            "stream": {"name": NAME, "eeg": ["1", "2"], "trigger": "trigger"}, "sound": common | sound,
            "analysis": {"acoustic_delay_ms": 0.9},
            "search": {
                "condition": [{"ear": ear, "levels_db_nhl": LEVELS, "window_ms": [5.0, 15.0]} for ear in ("left", "right")],
                "minutes": seconds / 60.0,
            },
        })  # fmt: skip

    return with_sound(together=True, rate_per_s=rate_in_both_ears(with_sound(rate_per_s=IN_ALL_PER_S / 2 + 1.3)))


def measure(seconds: float, place: Path) -> dict[str, Any]:
    """Figures of a recording of so many seconds at most."""
    plan = plan_of(seconds)
    assert plan.sound is not None
    record = carry_through(plan, load_patient("hearing-adult"), place, 3)
    took: list[float] = []
    chose: list[float] = []
    judged: list[float] = []
    before = [time.perf_counter()]

    def heard(_engine: object, _search: object, events: list[Event]) -> None:
        now = time.perf_counter()
        took.append(now - before[0])
        if any(event.kind in ("choice", "verdict") for event in events):
            chose.append(took[-1])
        elif any(event.kind == "cell_unit" for event in events):
            judged.append(took[-1])
        before[0] = time.perf_counter()

    done = replay(RunFolder(Path(record["folder"])), chunk_s=CHUNK_S, on_events=heard)
    stream_s = len(took) * CHUNK_S
    return {
        "stimuli_per_s": 2 * plan.sound.rate_per_s, "stream_s": round(stream_s, 1), "identical": done.identical,
        "times_real_time": round(stream_s / sum(took), 1), "choices": len(chose),
        "unit_p50_ms": round(1e3 * float(np.quantile(judged, 0.5)), 2),
        "unit_p99_ms": round(1e3 * float(np.quantile(judged, 0.99)), 2),
        "chunk_p99_ms": round(1e3 * float(np.quantile(took, 0.99)), 2),
        "choice_p50_ms": round(1e3 * float(np.quantile(chose, 0.5)), 2),
        "choice_p99_ms": round(1e3 * float(np.quantile(chose, 0.99)), 2),
    }  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="of the recording at most (%(default)s)")
    seconds = parser.parse_args(arguments).seconds
    if not 10.0 <= seconds <= 3600.0:
        sys.stderr.write(f"--seconds {seconds:g} is outside 10 to 3600\n")
        return 2
    with tempfile.TemporaryDirectory(prefix="quietfloor-both-ears-") as place:
        sys.stdout.write(json.dumps(measure(seconds, Path(place))) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
