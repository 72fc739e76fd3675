"""Upper limits over whole runs are counted as they fell, and the kind of run with the most is judged."""

from __future__ import annotations

from dataclasses import replace

import pytest

from quietfloor.bench.simulate.intervals import proportion
from quietfloor.bench.simulate.responses import SHAPES
from quietfloor.bench.validate.limit_tables import SIZES_NV, LimitRow, limit_plans, limit_rows
from quietfloor.bench.validate.options import parser, plan_from
from quietfloor.bench.validate.plan import Cell
from quietfloor.bench.validate.tables import Tables
from quietfloor.bench.validate.targets import targets
from quietfloor.bench.validate.work import run_cell


def decided(outcome: str, limit_nv: list[float | None], lowest_nv: list[float | None]) -> dict[str, object]:
    return {"outcome": outcome, "limit_nv": limit_nv, "lowest_limit_nv": lowest_nv}


def test_what_fell_below_is_counted_at_any_look_and_at_the_end() -> None:
    one = decided("0112", [140.0, 130.0, 120.0, None], [59.9, 60.0, 100.0, None])
    other = decided("2222", [59.0, 61.0, None, 80.0], [59.0, 58.0, None, 80.0])
    record = {"source": "quiet", "size_nv": 60.0, "decided": {"evidence": one, "evidence@20": other}}
    first, second = limit_rows("odd", [record])
    assert (first.ends, first.ever_below.count, first.below_at_stop.count, first.median_nv) == ((1, 2, 1), 1, 0, 125.0)
    assert (second.ends, second.ever_below.count, second.below_at_stop.count) == ((0, 0, 4), 2, 1)
    assert second.median_nv != second.median_nv
    twice = limit_rows("odd", [record, record])
    assert (twice[0].ever_below.count, twice[0].ever_below.n) == (2, 8)


def test_the_plans_run_every_shape_and_end_in_every_way() -> None:
    plan = plan_from(parser().parse_args(["--targets", "--runs", "4", "--max-sweeps", "640"]))
    plans = limit_plans(plan)
    assert [one.response.shape for one in plans] == list(SHAPES)
    assert len({one.identity for one in (plan, *plans)}) == 1 + len(SHAPES)
    (row, waiting) = limit_rows("wave_v", [run_cell(plans[0], Cell("quiet", 300.0, 0, 4))])
    assert row.ends[0] == waiting.ends[0] == 4
    assert row.ever_below.n == 4
    assert row.ever_below.count == 0


@pytest.mark.parametrize(
    ("count", "n", "state"), [(10, 400, "met"), (22, 400, "MISSED"), (1, 10, "too few runs"), (80, 400, "MISSED")]
)
def test_the_worst_kind_is_judged(count: int, n: int, state: str) -> None:
    plan = replace(plan_from(parser().parse_args(["--targets", "--runs", "4"])), sources=("quiet",))
    none = proportion(0, n)
    good = [LimitRow("odd", "quiet", size, "evidence", (n, 0, 0), none, none, float("nan")) for size in SIZES_NV]
    rows = (*good, replace(good[0], source="gaussian", ever_below=proportion(count, n)))
    said = {target.what: target for target in targets(plan, Tables((), (), (), limits=rows))}
    assert said["upper limit below the response at any look, odd"].state == state
    assert said["upper limit below the response at any look, wave_v"].state == "not measured"
