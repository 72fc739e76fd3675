"""A run on the virtual patient without a network, at full speed: sound frames go to the patient, its EEG to the run.

The same plan, patient and seed give the same recording and the same looks. The folder is that of any other run.
"""

from __future__ import annotations

import datetime
import time
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, virtual_earphone
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.cell_table import table_of
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.run.opening import write_results
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import NextCell, Run
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.sound_output import Stimulus, make_cells, make_stimulus
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels
from quietfloor.monitor.storage.run_folder import RunFolder

PIECE_S = 0.05
NAME = "Virtual EEG"
RATE_HZ = 8000.0


def plan_for(
    level_db_nhl: float, channels: int = 1, *, title: str = "", ear: str = "right", muted: bool = False, **decision: Any
) -> Plan:
    """A plan for clicks to one ear through the earphone of the bench."""
    return make_plan(
        {
            "title": title,
            "stream": {"name": NAME, "eeg": [str(number + 1) for number in range(channels)], "trigger": "trigger"},
            "sound": {
                "level_db_nhl": level_db_nhl, "ear": ear, "muted": muted, "calibration": str(VIRTUAL_EARPHONE), "lead_in_s": 0.5,
            },
            "analysis": {"acoustic_delay_ms": 0.9},
            "decision": decision,
        }
    )  # fmt: skip


class PatientSource:
    """The patient and its amplifier as a source of samples. The stream ends at ``until_s``, which may be changed."""

    def __init__(self, stimulus: Stimulus, patient: Patient, channels: int, seed: int, until_s: float = np.inf) -> None:
        amplifier = Amplifier.with_channels(channels, RATE_HZ)
        self._frames, self._patient = stimulus.frames, VirtualPatient(patient, virtual_earphone(), amplifier, seed)
        self._piece = round(PIECE_S * amplifier.audio_rate_hz)
        self._given = 0
        self.until_s = until_s
        labels = (*amplifier.labels, "trigger")
        count, units = len(labels), ("microvolts",) * len(labels)
        self.description = StreamDescription(NAME, "EEG", "offline", "here", "", 0.0, count, RATE_HZ, "float32", labels, units)

    @property
    def seconds(self) -> float:
        """Duration of the stream delivered so far, in s."""
        return self._given / RATE_HZ

    @property
    def backlog_samples(self) -> int:
        return 0

    def pull(self, timeout_s: float) -> Chunk | None:
        if self.seconds >= self.until_s:
            time.sleep(min(timeout_s, 0.005))
            return None
        samples = self._patient.feed(self._frames.read(self._piece)).astype(np.float32)
        stamps_s = (self._given + np.arange(samples.shape[1])) / RATE_HZ
        self._given += samples.shape[1]
        return Chunk(samples, stamps_s) if len(stamps_s) else None

    def close(self) -> None:
        """Nothing to close."""


def prepare(plan: Plan, patient: Patient, session: Path, seed: int, **how: Any) -> tuple[Run, PatientSource, Stimulus]:
    """Make a run that has not begun; ``how`` is passed to Run, for example the callbacks of a display."""
    assert plan.sound is not None
    table, played, today = table_of(plan), NextCell.of(plan), datetime.date.today()
    stimulus = make_stimulus(plan.sound, today) if table is None else make_cells(table, played, today)
    channels = len(plan.stream.eeg)
    source = PatientSource(stimulus, patient, channels, seed)
    resolved = resolve(plan, source.description, stimulus, channels=Channels(tuple(range(channels)), channels))
    folder = RunFolder.create(session)
    if table is not None:
        table.write(folder)
    run = Run(resolved, source, folder, clock=lambda: source.seconds, played=played, **how)
    return run, source, stimulus


def conclude(run: Run, source: PatientSource, stimulus: Stimulus) -> dict[str, Any]:
    """Write the files that a command writes at the end of a run; returns the record."""
    assert run.engine is not None
    calibration = None if stimulus.calibration is None else stimulus.calibration.id
    record = run_record(
        run.plan, run.verdict, run.engine, stream=source.description, unit=run.unit, sound=stimulus.record,
        calibration=calibration, failure=run.failure, search=run.search,
    )  # fmt: skip
    return write_results(run.folder, record, run.engine, search=run.search)


def carry_through(plan: Plan, patient: Patient, session: Path, seed: int) -> dict[str, Any]:
    """Make a complete run; returns its record, with its folder."""
    run, source, stimulus = prepare(plan, patient, session, seed)
    run.start()
    run.wait()
    return conclude(run, source, stimulus) | {"folder": str(run.folder.path)}
