"""Work through the cells of a plan: in this process, on the cores of this machine, or on a Dask cluster; resumable."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.simulate.muted_null import MutedDraws
from quietfloor.bench.simulate.noises import NOISES, NoiseSource, Source, run_seeds
from quietfloor.bench.simulate.recordings import RecordingDraws
from quietfloor.bench.simulate.simulate import simulate
from quietfloor.bench.validate.plan import MUTED, RECORDING, Cell, ValidationPlan
from quietfloor.monitor.untrusted.bounded_io import json_from, text_of
from quietfloor.monitor.untrusted.safe_text import QuotingError

MOST_BYTES = 500_000_000  # of results, own choice

CELLS = "cells.jsonl"
Record = dict[str, Any]


class ResumeError(QuotingError, RuntimeError):
    """The output folder holds results of something else."""


def run_cell(plan: ValidationPlan, cell: Cell) -> Record:
    """Every run of a cell, in plain numbers and text. A pure function of its arguments and of what was recorded."""
    runs = range(cell.first, cell.first + cell.count)
    setup = plan.setup
    seeds = run_seeds(plan.seed, cell.source, runs)
    covariance = None
    source: Source
    if cell.source == RECORDING:
        source = RecordingDraws(plan.loaded, setup.grid, plan.presentation, seeds)
    elif cell.source == MUTED:
        source = MutedDraws(plan.loop, seeds)
    else:
        noise = NOISES[cell.source]
        source = NoiseSource(noise, setup.grid, plan.presentation, seeds)
        if noise.gaussian and setup.analysis(plan.chains[0].rules).stride == 1:
            points = len(setup.analysis(plan.chains[0].rules).window_times_ms)
            covariance = noise.covariance_uv2(setup.grid, points)
    response = type(plan.response)(cell.size_nv, plan.response.latency_ms, plan.response.shape)
    waves = response.waves_uv(setup.grid, run_seeds(plan.seed, "response", runs))
    foretell = cell.source in plan.response_sources
    batch = simulate(source, waves, setup, plan.chains, covariance, foretell, limits=plan.limits)
    return {
        "source": cell.source,
        "size_nv": cell.size_nv,
        "first": cell.first,
        "count": cell.count,
        "decided": {
            name: {
                "outcome": "".join(str(int(code)) for code in decided.outcome),
                "sweeps": [int(n) for n in decided.sweeps],
                "noise_nv": _rounded(decided.noise_nv),
                "left_nv": _rounded(decided.left_nv),
                "amplitude": _rounded(decided.amplitude),
            }
            | (
                {"limit_nv": _rounded(decided.limit_nv), "lowest_limit_nv": _rounded(decided.lowest_limit_nv)}
                if plan.limits
                else {}
            )
            for name, decided in batch.decided.items()
        },
        "estimated_nv": _rounded(batch.estimated_nv),
        "left_nv": _rounded(batch.left_nv),
        "foretold": [
            {"at": f.sweeps, "low": _rounded(f.low), "high": _rounded(f.high), "limit": _rounded(f.limit)} for f in batch.foretold
        ],
    }


def _rounded(values: Any) -> list[float | None]:
    return [round(float(value), 3) if np.isfinite(value) else None for value in values]


Progress = Callable[[int, int, int], None]  # cells done, cells in all, runs of the cell just done


def work(
    plan: ValidationPlan, out: Path, jobs: int = -1, cluster: str | None = None, progress: Progress = lambda *_: None
) -> list[Record]:
    """Records of all cells, in the plan's order. Finished cells are kept in ``out`` at once and are not done again.

    ``jobs`` processes (-1: all cores), or the Dask scheduler at address ``cluster``. Raises ResumeError, OSError, and whatever a
    cell raises.
    """
    out.mkdir(parents=True, exist_ok=True)
    path = out / CELLS
    known = _read(path, plan)
    cells = list(plan.cells())
    todo = [cell for cell in cells if cell not in known]
    done = len(cells) - len(todo)
    progress(done, len(cells), 0)
    if todo:
        with path.open("a", encoding="utf-8") as file:
            for record in _on_cluster(plan, todo, cluster) if cluster else _here(plan, todo, jobs):
                file.write(json.dumps(record, separators=(",", ":")) + "\n")
                file.flush()
                os.fsync(file.fileno())
                known[_cell(record)] = record
                done += 1
                progress(done, len(cells), record["count"])
    return [known[cell] for cell in cells]


def _cell(record: Record) -> Cell:
    return Cell(record["source"], float(record["size_nv"]), record["first"], record["count"])


def _read(path: Path, plan: ValidationPlan) -> dict[Cell, Record]:
    """Finished cells; a last line that was cut off by an interruption is removed."""
    try:
        text = text_of(path, MOST_BYTES) if path.exists() else ""
    except ValueError as error:
        raise ResumeError(f"{path} holds no results ({error}): give another --out, or remove that folder") from error
    if not text.strip():
        path.write_text(json.dumps({"plan": plan.identity}) + "\n", encoding="utf-8")
        return {}
    whole, _, cut = text.rpartition("\n")
    if cut:
        path.write_text(whole + "\n" if whole else "", encoding="utf-8")
    records = []
    for line in whole.splitlines():
        with suppress(json.JSONDecodeError):
            records.append(json_from(line))
    found = records[0].get("plan") if records and isinstance(records[0], dict) else None
    if found != plan.identity:
        raise ResumeError(
            f"{path} holds results of another plan ({found}; this one is {plan.identity}): other settings, another seed or "
            "another version of the program. Give another --out, or remove that folder"
        )
    try:
        return {_cell(record): record for record in records[1:]}
    except (KeyError, TypeError, ValueError) as error:
        raise ResumeError(f"{path} is damaged ({error!r}): give another --out, or remove that folder") from error


def _here(plan: ValidationPlan, cells: Sequence[Cell], jobs: int) -> Iterator[Record]:
    if jobs == 1 or len(cells) == 1:
        yield from (run_cell(plan, cell) for cell in cells)
        return
    from joblib import Parallel, delayed, parallel_config

    with parallel_config(backend="loky", inner_max_num_threads=1):
        found: Iterable[Record] = Parallel(n_jobs=jobs, return_as="generator_unordered", pre_dispatch="2*n_jobs")(
            delayed(run_cell)(plan, cell) for cell in cells
        )
    yield from found


def _on_cluster(plan: ValidationPlan, cells: Sequence[Cell], address: str) -> Iterator[Record]:
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise RuntimeError(f"--cluster needs Dask, which is missing ({error}): pip install 'quietfloor[cluster]'") from error
    client_at: Any = Client  # neither has types
    completed: Any = as_completed
    with client_at(address) as client:
        futures = [client.submit(run_cell, plan, cell, pure=False) for cell in cells]
        for future in completed(futures):
            yield future.result()
            future.release()
