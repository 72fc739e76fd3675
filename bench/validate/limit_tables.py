"""Is the upper limit ever below the response? Runs of two families of waves, ended in every way, and how often it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietfloor.bench.simulate.intervals import Proportion, proportion
from quietfloor.bench.simulate.responses import SHAPES
from quietfloor.bench.simulate.simulate import OUTCOMES
from quietfloor.bench.validate.plan import ValidationPlan
from quietfloor.bench.validate.work import Record

SIZES_NV = (30.0, 60.0, 90.0, 150.0, 300.0)
SOURCES = ("quiet", "gaussian")  # the noise floor, the upper limit and the sweep limit all end runs
RULES = ("evidence", "evidence@20")
ABSENT_BELOW_NV, MAX_SWEEPS = 130.0, 2560
MOST_RUNS = 400


@dataclass(frozen=True)
class LimitRow:
    """Of runs with a response of ``size_nv`` under one rule: the limit fell below it at some look, at the last look; ``ends`` by
    OUTCOMES; ``median_nv`` of the limit at the end of runs that ended absent, nan without one."""

    shape: str
    source: str
    size_nv: float
    rule: str
    ends: tuple[int, ...]
    ever_below: Proportion
    below_at_stop: Proportion
    median_nv: float


def limit_plans(plan: ValidationPlan) -> list[ValidationPlan]:
    """The runs that are needed, one plan a family of waves, with the alpha and seed of ``plan``."""
    setup = replace(plan.setup, max_sweeps=min(MAX_SWEEPS, plan.setup.max_sweeps), absent_below_nv=ABSENT_BELOW_NV)
    return [
        replace(
            plan, rules=RULES, sources=SOURCES, response_sources=SOURCES, sizes_nv=SIZES_NV, setup=setup,
            response_runs=min(MOST_RUNS, plan.response_runs), response=replace(plan.response, shape=shape), limits=True,
        )
        for shape in SHAPES
    ]  # fmt: skip


def limit_rows(shape: str, records: Sequence[Record]) -> list[LimitRow]:
    """From the records of all cells of one of these plans."""
    out = []
    for source, size in dict.fromkeys((record["source"], float(record["size_nv"])) for record in records):
        here = [record["decided"] for record in records if (record["source"], float(record["size_nv"])) == (source, size)]
        for rule in RULES:
            found = [decided[rule] for decided in here]
            outcome = np.array([int(code) for part in found for code in part["outcome"]])
            limit, lowest = (
                np.array([np.inf if nv is None else nv for part in found for nv in part[name]])
                for name in ("limit_nv", "lowest_limit_nv")
            )
            absent = limit[(outcome == OUTCOMES.index("response_absent")) & np.isfinite(limit)]
            ends = np.bincount(outcome, minlength=len(OUTCOMES))
            ever, at_stop = (proportion(int((values < size).sum()), len(values)) for values in (lowest, limit))
            median_nv = float(np.median(absent)) if len(absent) else np.nan
            out.append(LimitRow(shape, source, size, rule, tuple(int(n) for n in ends), ever, at_stop, median_nv))
    return out
