"""A run that was recorded on one processor is the same run on another: the numerics library is told, by its own switches, to take
the code of other core types, in a process of its own (OpenBLAS: OPENBLAS_CORETYPE; numpy: NPY_DISABLE_CPU_FEATURES, by their
manuals)."""

from __future__ import annotations

import json
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.cli import main
from quietfloor.monitor.review.recover import finish
from quietfloor.monitor.review.replay import TOLERANCE, looks_of, replay
from quietfloor.monitor.run.run_record import machine
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.run_folder import RunFolder

TREE = Path(__file__).parents[2]
ANY, AVX, AVX2, AVX512 = set(), {"avx"}, {"avx2", "fma"}, {"avx512f", "avx512dq", "avx512bw", "avx512vl"}
NEEDED = {"Prescott": ANY, "Nehalem": ANY, "Sandybridge": AVX, "Haswell": AVX2, "SkylakeX": AVX512}  # core type: flags of Linux


def flags() -> set[str]:
    """What this processor can do; empty where it is not x86-64 on Linux."""
    if platform.machine() not in ("x86_64", "AMD64") or not sys.platform.startswith("linux"):
        return set()
    lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    return set(next(line for line in lines if line.startswith("flags")).split())


KERNELS = [{"OPENBLAS_CORETYPE": core} for core, needed in NEEDED.items() if flags() and needed <= flags()]
PLAINEST = {"NPY_DISABLE_CPU_FEATURES": str(machine()["simd"])}  # of numpy's own code: what every processor of the kind can do
SWITCHES = [*KERNELS, PLAINEST] if machine()["simd"] else KERNELS


def on(switch: dict[str, str], *arguments: str, status: int = 0) -> dict[str, Any]:
    """What ``quietfloor`` gives as JSON where the numerics libraries are switched so."""
    command = [sys.executable, "-m", "quietfloor.monitor.cli", *arguments, "--json"]
    done = subprocess.run(command, cwd=TREE, env=os.environ | switch, capture_output=True, text=True)
    assert done.returncode == status, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with a response, recorded with the code that this processor gets."""
    record = carry_through(plan_for(60.0, 2), load_patient("hearing-adult"), tmp_path_factory.mktemp("session"), 0)
    assert record["verdict"] == "response_present"
    return Path(record["folder"])


@pytest.fixture(scope="module")
def replayed(recorded: Path) -> list[dict[str, Any]]:
    """That run decided again, with each switch."""
    return [on(switch, "replay", str(recorded), "--no-window") for switch in SWITCHES]


@pytest.fixture
def killed(recorded: Path, tmp_path: Path) -> Path:
    """That run as if it had been killed: without its result, its log cut within its last look."""
    folder = RunFolder(Path(shutil.copytree(recorded, tmp_path / "run-001")))
    folder.run.unlink()
    folder.average.unlink()
    lines = folder.events.read_text(encoding="utf-8").splitlines(keepends=True)
    folder.events.write_text("".join(lines[:-2]) + lines[-2][:200], encoding="utf-8")
    return folder.path


@pytest.mark.parametrize(
    "place",
    [
        pytest.param(place, id=" ".join(switch.values()), marks=pytest.mark.long if 0 < place < len(KERNELS) else ())
        for place, switch in enumerate(SWITCHES)
    ],
)
def test_a_run_replays_and_is_finished_with_the_code_of_any_core_type(
    place: int, recorded: Path, replayed: list[dict[str, Any]], killed: Path
) -> None:
    again = replayed[place]
    assert again["identical"] is True
    assert again["identical_by"] in ("bytes", "decisions")
    before = (killed / "events.jsonl").read_text(encoding="utf-8").splitlines()
    (finished,) = on(SWITCHES[place], "finish", str(killed))["runs"]
    assert finished["made"] == ["events.jsonl", "average.csv", "run.json"]
    record, live = finished["record"], json.loads((recorded / "run.json").read_text(encoding="utf-8"))
    assert (record["identical_by"], record["from_recording"]) == (again["identical_by"], True)
    for key in ("verdict", "stopped_by", "sweeps_presented", "sweeps_accepted", "rejected", "reason"):
        assert record[key] == live[key]
    for key in ("evidence", "residual_noise_nv", "upper_limit_nv", "fsp"):
        assert record[key] == pytest.approx(live[key], rel=1e-9)
    now = RunFolder(killed)
    assert now.events.read_text(encoding="utf-8").splitlines()[: len(before) - 1] == before[:-1], "what was said live stays"
    assert len(looks_of(now.events)) == len(looks_of(recorded / "events.jsonl"))
    assert replay(now).identical
    assert finish(killed).made == ()


@pytest.mark.skipif(len(KERNELS) < 2, reason="x86-64 on Linux, for which OpenBLAS has more than one core type")
def test_core_types_add_in_different_orders_and_the_run_says_which(replayed: list[dict[str, Any]]) -> None:
    """Or the test above would show nothing."""
    found = replayed[: len(KERNELS)]
    assert "decisions" in {one["identical_by"] for one in found}
    assert len({one["evidence"] for one in found}) > 1
    kernels = {one["machine"]["kernels"] for one in found}
    assert len(kernels) == len(KERNELS), kernels
    assert {one["machine"]["processor"] for one in found} == {machine()["processor"]}


@pytest.mark.skipif(len(KERNELS) < 2, reason="x86-64 on Linux")
def test_a_person_is_told_that_the_machine_is_another(recorded: Path, replayed: list[dict[str, Any]]) -> None:
    others = [switch for switch, again in zip(SWITCHES, replayed, strict=True) if again["identical_by"] == "decisions"]
    command = [sys.executable, "-m", "quietfloor.monitor.cli", "replay", str(recorded), "--no-window"]
    done = subprocess.run(command, cwd=TREE, env=os.environ | others[0], capture_output=True, text=True)
    assert done.returncode == 0
    assert f"each the same decision as the live one, figures within {TOLERANCE:g}" in done.stdout
    assert "machines differ: kernels " in done.stdout


@pytest.mark.parametrize("by_uv", [1.0, 0.1])
def test_another_sample_is_another_run(by_uv: float, killed: Path) -> None:
    """One of one channel, 3 s into the recording, amid a sweep."""
    source = RecordingSource(killed / "raw.xdf", chunk_samples=2**62)
    chunk = source.pull()
    assert chunk is not None
    sample = chunk.samples[:, round(3.0 * source.description.rate_hz)]
    other = sample + np.array([by_uv, 0.0, 0.0], dtype=sample.dtype)
    raw = (killed / "raw.xdf").read_bytes()
    assert raw.count(sample.tobytes()) == 1
    (killed / "raw.xdf").write_bytes(raw.replace(sample.tobytes(), other.tobytes()))
    assert replay(RunFolder(killed)).identical_by is None
    (refused,) = on({}, "finish", str(killed), status=1)["runs"]
    assert "comes out otherwise than it was said live, so nothing was written" in refused["error"]
    assert not (killed / "run.json").exists()


@pytest.mark.parametrize(("key", "other"), [("alpha = 0.01", "alpha = 0.02"), ("delay_ms = 0.9", "delay_ms = 1.0")])
def test_another_plan_is_another_run(key: str, other: str, killed: Path) -> None:
    plan = (killed / "plan.toml").read_text(encoding="utf-8")
    assert plan.count(key) == 1
    (killed / "plan.toml").write_text(plan.replace(key, other), encoding="utf-8")
    assert replay(RunFolder(killed)).identical_by is None


def test_another_verdict_is_another_run(recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = RunFolder(Path(shutil.copytree(recorded, tmp_path / "run-001")))
    assert replay(folder).identical_by == "bytes"
    text = folder.events.read_text(encoding="utf-8")
    folder.events.write_text(text.replace('"verdict":"response_present"', '"verdict":"inconclusive"'), encoding="utf-8")
    assert replay(folder).identical_by is None
    assert main(["replay", str(folder.path), "--no-window"]) == 1
    assert "live ones, another verdict" in capsys.readouterr().out


def test_the_program_takes_one_thread_for_its_small_matrices_unless_told_otherwise() -> None:
    code = (
        "import contextlib\nfrom quietfloor.monitor import cli\n"
        "with contextlib.redirect_stdout(None), contextlib.suppress(SystemExit):\n    cli.main(['--version'])\n"
        "import numpy\nfrom threadpoolctl import threadpool_info\n"
        "print(max(one['num_threads'] for one in threadpool_info() if one['user_api'] == 'blas'))"
    )
    plain = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    for given, threads in (({}, 1), ({"OPENBLAS_NUM_THREADS": "2"}, min(2, os.cpu_count() or 1))):
        done = subprocess.run([sys.executable, "-c", code], env=plain | given, capture_output=True, text=True, check=True)
        assert int(done.stdout) == threads, given
