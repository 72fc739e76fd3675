"""Runs with a known truth, and readers of other people."""

from __future__ import annotations

import csv
import json
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.sources.base import StreamDescription, marker_description
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.session.conftest import PLAN
from tests.synthetic import Stream, stream

RATE_HZ = 4000.0


def cells(path: Path) -> list[list[str]]:
    """A table in CSV or TSV."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file, delimiter="\t" if path.suffix == ".tsv" else ","))


def rows_of(path: Path) -> list[dict[str, str]]:
    """The same by the names in its first line."""
    head, *rows = cells(path)
    return [dict(zip(head, row, strict=True)) for row in rows]


class Made:
    """A run folder, and what is in it: samples (n_channels, n) in the file's type, and the true onsets."""

    def __init__(self, path: Path, samples: NDArray[Any], stamps_s: NDArray[np.float64], onsets: NDArray[np.float64]) -> None:
        self.path, self.samples, self.stamps_s, self.onsets = path, samples, stamps_s, onsets


def write_run(
    session: Path, made: Stream, dtype: str = "float32", units: tuple[str, ...] = ("microvolts", "microvolts", ""),
    lost: tuple[int, int] | None = None, markers: list[tuple[float, str]] | None = None, unit: str = "microvolts",
    marker_offset_s: float = 0.0,
) -> Made:  # fmt: skip
    """A run as a crash leaves it, without a result: recording and plan. ``lost``: samples from, to that never came."""
    samples = made.samples.astype(np.float32 if dtype == "float32" else np.int16)
    keep = np.ones(samples.shape[1], dtype=bool)
    if lost is not None:
        keep[slice(*lost)] = False
    labels = tuple(["Cz-M2", "Cz-M1", "trigger"][-len(samples) :])
    seen = StreamDescription(
        "amplifier", "EEG", "sn-3", "here", "uid", 1.0, len(samples), made.rate_hz, dtype, labels, units[-len(samples) :]
    )
    folder = RunFolder.create(session)
    with Journal(folder.raw, [seen, marker_description()]) as journal:
        journal.clock_offset(100.0, marker_offset_s, 1)
        for stamp_s, text in markers or []:
            journal.marker(stamp_s, text)
        part, stamps_s = samples[:, keep], made.stamps_s[keep]
        for at in range(0, len(stamps_s), 1000):
            journal.samples(Chunk(np.ascontiguousarray(part[:, at : at + 1000]), stamps_s[at : at + 1000]))
    plan = {
        "stream": {"eeg": list(labels[:-1]), "trigger": "trigger", "unit": unit},
        "decision": {"max_sweeps": 10_000, "floor_nv": 1},
    }
    folder.write_text(folder.plan.name, make_plan(plan).to_toml())
    return Made(folder.path, samples, made.stamps_s, made.onsets)


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Sixteen units of sweeps of float32 EEG at a large offset; the trigger is a pulse of 1.55."""
    made = stream(np.random.default_rng(1), RATE_HZ, 256, channels=2)
    made.samples[0] += 12_345.678
    made.samples[1] *= 0.01
    made.samples[2] *= 0.31
    return write_run(tmp_path_factory.mktemp("sessions") / "plain", made)


@pytest.fixture(scope="session")
def holed(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The same with 1,237 samples lost, one of them an onset, and values that are no numbers for a while."""
    made = stream(np.random.default_rng(2), RATE_HZ, 256, channels=2)
    made.samples[0, 12_000:12_040] = np.nan
    return write_run(tmp_path_factory.mktemp("sessions") / "holed", made, lost=(9_000, 10_237))


@pytest.fixture(scope="session")
def counted(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Whole numbers of a 16-bit converter, in millivolts as its maker says."""
    made = stream(np.random.default_rng(3), RATE_HZ, 64, channels=2, noise_uv=200.0, trigger="codes")
    made.samples[:2] = np.rint(made.samples[:2])
    return write_run(tmp_path_factory.mktemp("sessions") / "counted", made, "int16")


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole run with sound of our own on the virtual patient, in the folder of a session."""
    session = tmp_path_factory.mktemp("sessions") / "s07"
    record = carry_through(plan_for(60.0, 2, floor_nv=60.0, max_sweeps=320), load_patient("hearing-adult"), session, 1)
    (session / "session-plan.toml").write_text(PLAN)
    return Path(record["folder"])


@pytest.fixture
def mne() -> Any:
    """MNE-Python; what it warns of on import or reading is its own affair."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import mne as found

        yield found


@pytest.fixture
def export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., list[dict[str, Any]]]:
    """The command; what it says of the files that it made."""
    from quietfloor.monitor.cli import main

    def run(to: str, *runs: Path, out: Path = tmp_path / "out") -> list[dict[str, Any]]:
        status = main(["export", *map(str, runs), "--to", to, "--out", str(out), "--json"])
        told = capsys.readouterr()
        assert status == 0, told.err
        found = json.loads(told.out)["files"]
        assert isinstance(found, list)
        return found

    return run
