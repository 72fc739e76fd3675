"""Finished searches as a session finds them, with answers that are made up or those of a search that ran."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from quietfloor.monitor.search.running import Answer
from quietfloor.monitor.search.words import hidden, sentence
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.storage.run_folder import RunFolder

LEVELS = tuple(float(level) for level in range(0, 85, 5))
ALPHA = 0.01
PLAN = """
title = "Thresholds"

[subject]
pseudonym = "S08"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "octave-chirp"
frequency_hz = 2000

[[condition]]
ear = "right"
stimulus = "octave-chirp"
frequency_hz = 500

[[condition]]
ear = "left"
stimulus = "octave-chirp"
frequency_hz = 2000

[limits]
highest_db_nhl = 80

[run.stream]
source_id = "session-eeg"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "CALIBRATION"
device_source_id = "session-audio"
rate_per_s = 39.1
"""


def answer(
    threshold_db: float, *, found_db: float = math.nan, width_db: float = 8.0, finished: bool = True, top_db: float = 80.0,
    seconds: float = 90.0,
) -> Answer:  # fmt: skip
    """Of a search up to ``top_db``; an infinite threshold: above it."""
    levels = [level for level in LEVELS if level <= top_db]
    low, high = threshold_db - width_db / 2, threshold_db + width_db / 2
    if math.isinf(threshold_db):
        low, high = top_db - 2.0, math.inf
    return Answer(
        threshold_db, low, high, found_db, finished, seconds, tuple(1024 for _ in levels), tuple(0.0 for _ in levels),
        tuple(40.0 for _ in levels),
    )  # fmt: skip


def write_search(
    session: Path, found: Mapping[Condition, Answer], *, seconds: float = 180.0,
    masking_db_em: Mapping[float, float] | None = None, rate_hz: float = 16000.0,
    noise_of: Mapping[Condition, Mapping[float, float]] | None = None,
) -> int:  # fmt: skip
    """One finished search with the parts of its record that a session reads; its number. ``masking_db_em``: of levels, in all
    conditions; ``noise_of``: of levels, in each."""
    conditions: list[dict[str, Any]] = []
    for one, said in found.items():
        noise = dict((noise_of or {}).get(one, masking_db_em or {}))
        levels = tuple(5.0 * place for place in range(len(said.sweeps)))
        above = math.isinf(said.threshold_db)
        conditions.append({
            "ear": one.ear, "stimulus": one.stimulus, "frequency_hz": one.frequency_hz, "levels_db_nhl": list(levels),
            "threshold_db_nhl": said.threshold_db, "low_db_nhl": said.low_db, "high_db_nhl": said.high_db,
            "beyond": "above" if above else "below" if said.threshold_db < levels[0] else None,
            "found_db_nhl": said.found_db, "finished": said.finished, "seconds": said.seconds,
            "words": sentence(said, levels, ALPHA), "hidden": hidden(said, levels),
            "cells": [
                {"level_db_nhl": level, "presented": sweeps, "accepted": sweeps, "evidence": 0.0, "residual_noise_nv": 30.0,
                 "upper_limit_nv": 40.0, "masking_db_em": noise.get(level)}
                for level, sweeps in zip(levels, said.sweeps, strict=True)
            ],
        })  # fmt: skip
    (route,) = {one.route for one in found}
    masking = {"noise": "octave-band", "level_db_em": max(noise.values()), "transducer": "insert"} if noise else None
    finished = all(one.finished for one in found.values())
    folder = RunFolder.create(session)
    folder.append_event({"type": "verdict", "sample": int(seconds * rate_hz)})
    folder.close()
    folder.write_json("run.json", {
        "started": "2026-01-15T10:00:00+00:00", "verdict": "searched" if finished else "inconclusive",
        "stopped_by": "search" if finished else "operator", "stream": {"rate_hz": rate_hz},
        "stimulus": {
            "kind": "octave-chirp", "frequency_hz": 2000.0, "ear": "right", "route": route, "muted": False,
            "level_db_nhl": 80.0, "masking": masking, "transducer": "insert", "age_group": "adult",
        },
        "search": {"alpha": ALPHA, "width_db": 10.0, "conditions": conditions, "orders": []},
    })  # fmt: skip
    return int(folder.path.name.removeprefix("run-"))
