"""What the project promises about its default, and whether these runs bear it out: met, or by how much not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from quietfloor.bench.simulate.intervals import proportion
from quietfloor.bench.simulate.noises import NOISES
from quietfloor.bench.simulate.responses import SHAPES
from quietfloor.bench.simulate.simulate import ORACLE, OUTCOMES
from quietfloor.bench.validate.plan import ValidationPlan
from quietfloor.bench.validate.tables import ENDED, AtStop, Coverage, Tables

DEFAULT_RULE, VALID_FSP = "evidence", "fsp"
TARGET_SIZE_NV, TARGET_SOURCE = 300.0, "gaussian"
UPPER_TIMES_ALPHA = 1.25
ENOUGH_RUNS = 4000
TIMES_FSP, TIMES_ORACLE, AIM_ORACLE = 0.45, 2.2, 1.6
FORECAST_SOURCES, WAITING_RULE = ("gaussian", "quiet"), "evidence@20"
COVERAGE, EXPECTED = (0.75, 0.85), 0.05
ENOUGH_ENDS = 100  # for a rate in a range of 10 percentage points, or a mean at the stop
LARGE_NV, AMPLITUDE_ERROR = 200.0, 0.05  # at the stop, of responses of this size and larger
LIMIT_BELOW, ENOUGH_LIMITS = 0.05, 400
NOISE_ERROR, LOCKED_NOISE_ERROR = 0.03, 0.10

State = Literal["met", "MISSED", "not measured", "too few runs"]


@dataclass(frozen=True)
class Target:
    what: str
    wanted: str
    found: str
    state: State
    note: str = ""


def targets(plan: ValidationPlan, tables: Tables) -> list[Target]:
    found = [_false_alarms(plan, tables, source) for source in plan.sources]
    found += _speed(tables)
    found += [_forecast(tables, ending) for ending in OUTCOMES]
    found.append(_expected(tables))
    found += [_noise_at_stop(tables), _amplitude_at_stop(tables)]
    found += [_noise(tables, source) for source in plan.sources]
    found += [_limit(tables, shape) for shape in SHAPES]
    return found


def _false_alarms(plan: ValidationPlan, tables: Tables, source: str) -> Target:
    """Judged by the upper limit alone: with too few runs it is too wide to be met, which is said."""
    alpha, what = plan.setup.alpha, f"false alarms, {source}"
    wanted = f"<= {100 * alpha:g} %, upper 95 % limit <= {100 * UPPER_TIMES_ALPHA * alpha:g} %"
    row = tables.row(source, 0.0, DEFAULT_RULE)
    if row is None:
        return Target(what, wanted, "", "not measured", f"rule {DEFAULT_RULE} was not among the rules")
    p = row.present
    text = f"{100 * p.rate:.2f} % ({p.count} of {p.n}), upper {100 * p.upper:.2f} %"
    if p.upper <= UPPER_TIMES_ALPHA * alpha and p.rate <= alpha:
        return Target(what, wanted, text, "met", "" if p.n >= ENOUGH_RUNS else f"with fewer than {ENOUGH_RUNS} runs")
    if p.low <= alpha and p.n < ENOUGH_RUNS:
        return Target(what, wanted, text, "too few runs", f"the interval is too wide: {ENOUGH_RUNS} runs or more")
    excess = max(p.rate - alpha, p.upper - UPPER_TIMES_ALPHA * alpha)
    return Target(what, wanted, text, "MISSED", f"by {100 * excess:.2f} percentage points")


def _speed(tables: Tables) -> list[Target]:
    here = f"mean sweeps at {TARGET_SIZE_NV:g} nV, {TARGET_SOURCE} 2 uV"
    own, fsp, oracle = (tables.row(TARGET_SOURCE, TARGET_SIZE_NV, rule) for rule in (DEFAULT_RULE, VALID_FSP, ORACLE))
    out = []
    for other, name, most in ((fsp, "the valid Fsp rule", TIMES_FSP), (oracle, "the oracle", TIMES_ORACLE)):
        wanted = f"<= {most:g} x {name}" + (f" (aim {AIM_ORACLE:g})" if other is oracle else "")
        if own is None or other is None:
            out.append(Target(here, wanted, "", "not measured", f"needs {TARGET_SIZE_NV:g} nV in {TARGET_SOURCE} and both rules"))
            continue
        ratio = own.mean_sweeps / other.mean_sweeps
        text = f"{ratio:.2f} x ({own.mean_sweeps:.0f} against {other.mean_sweeps:.0f})"
        note = "" if ratio <= most else f"by {ratio - most:.2f}"
        if other is oracle and ratio <= most:
            note = "aim met" if ratio <= AIM_ORACLE else f"aim missed by {ratio - AIM_ORACLE:.2f}"
        out.append(Target(here, wanted, text, "met" if ratio <= most else "MISSED", note))
    return out


def _ends(tables: Tables, ending: str) -> list[Coverage]:
    return [c for c in tables.coverages if c.source in FORECAST_SOURCES and c.ending == ending]


def _forecast(tables: Tables, ending: str) -> Target:
    """Of the runs that ended in one way, over all sizes, 0 nV too, each size and look counting by its runs.

    Where the sweeps ran out the end was a known number of sweeps all along: it may be in the range more often than meant.
    """
    what = f"forecast, {' and '.join(FORECAST_SOURCES)}, runs that end {ENDED[ending]}"
    least, most = COVERAGE[0], 1.0 if ending == "inconclusive" else COVERAGE[1]
    wanted = f"80 % range covers {100 * least:g}-{100 * most:g} %"
    here = _ends(tables, ending)
    if not here:
        return Target(what, wanted, "", "not measured", f"needs such ends, and {DEFAULT_RULE} as first rule")
    p = proportion(sum(c.covered.count for c in here), sum(c.covered.n for c in here))
    sides = f"{sum(c.below for c in here)} sooner, {sum(c.above for c in here)} later"
    text = f"{100 * p.rate:.1f} % ({100 * p.low:.1f}-{100 * p.high:.1f}; {p.count} of {p.n}; {sides})"
    over = max(least - p.rate, p.rate - most)
    if p.n < ENOUGH_ENDS and p.low <= most and p.high >= least:
        return Target(what, wanted, text, "too few runs", f"the interval is too wide: {ENOUGH_ENDS} ends or more")
    if over <= 0:
        return Target(what, wanted, text, "met")
    return Target(what, wanted, text, "MISSED", f"by {100 * over:.1f} percentage points")


def _expected(tables: Tables) -> Target:
    what = '"decision expected" said where the sweeps ran out first'
    wanted = f"<= {100 * EXPECTED:g} % of forecasts"
    here = _ends(tables, "inconclusive")
    if not here:
        return Target(what, wanted, "", "not measured", "needs runs that end undecided")
    p = proportion(sum(c.expected.count for c in here), sum(c.expected.n for c in here))
    text = f"{100 * p.rate:.1f} % ({100 * p.low:.1f}-{100 * p.high:.1f}; {p.count} of {p.n})"
    if p.n < ENOUGH_ENDS and p.low <= EXPECTED:
        return Target(what, wanted, text, "too few runs", f"the interval is too wide: {ENOUGH_ENDS} ends or more")
    note = "" if p.rate <= EXPECTED else f"by {100 * (p.rate - EXPECTED):.1f} percentage points"
    return Target(what, wanted, text, "MISSED" if note else "met", note)


def _noise_at_stop(tables: Tables) -> Target:
    what = "stated noise of runs that end without a response, each size"
    here = [r for r in tables.at_stop if r.rule == DEFAULT_RULE and r.ending != "response_present"]
    return _worst(what, here, NOISE_ERROR, lambda row: (row.noise_error, row.noise_error_error))


def _amplitude_at_stop(tables: Tables) -> Target:
    what = f"amplitude at the stop, {WAITING_RULE}, each size from {LARGE_NV:g} nV"
    here = [r for r in tables.at_stop if r.rule == WAITING_RULE and r.ending == "response_present" and r.size_nv >= LARGE_NV]
    return _worst(what, here, AMPLITUDE_ERROR, lambda row: (row.amplitude_error, row.amplitude_error_error))


def _worst(what: str, rows: Sequence[AtStop], most: float, figure: Callable[[AtStop], tuple[float, float]]) -> Target:
    """The row with the largest error among those with enough runs in the sources of the forecast."""
    wanted = f"within {100 * most:g} % of the truth"
    rows = [row for row in rows if row.source in FORECAST_SOURCES and row.runs >= ENOUGH_ENDS]
    if not rows:
        return Target(what, wanted, "", "not measured", f"needs {ENOUGH_ENDS} such ends")
    row = max(rows, key=lambda row: abs(figure(row)[0]))
    error, its_error = figure(row)
    text = f"{100 * error:+.1f} % (+- {100 * its_error:.1f}; {row.source}, {row.size_nv:g} nV, {row.runs} runs: the worst)"
    over = abs(error) - most
    return Target(what, wanted, text, "met" if over <= 0 else "MISSED", "" if over <= 0 else f"by {100 * over:.1f} %")


def _limit(tables: Tables, shape: str) -> Target:
    """The kind of run with the highest rate is judged, by the upper limit of that too."""
    what = f"upper limit below the response at any look, {shape}"
    wanted = f"<= {100 * LIMIT_BELOW:g} % of each kind, upper 95 % limit <= {100 * UPPER_TIMES_ALPHA * LIMIT_BELOW:g} %"
    rows = [row for row in tables.limits if row.shape == shape]
    if not rows:
        return Target(what, wanted, "", "not measured")
    worst = max(rows, key=lambda row: row.ever_below.rate)
    p = worst.ever_below
    text = f"at most {100 * p.rate:.1f} % ({p.count} of {p.n}, upper {100 * p.upper:.1f} %), {worst.size_nv:g} nV, {worst.source}"
    if p.upper <= UPPER_TIMES_ALPHA * LIMIT_BELOW and p.rate <= LIMIT_BELOW:
        return Target(what, wanted, text, "met")
    if p.low <= LIMIT_BELOW and p.n < ENOUGH_LIMITS:
        return Target(what, wanted, text, "too few runs", f"the interval is too wide: {ENOUGH_LIMITS} runs or more")
    excess = max(p.rate - LIMIT_BELOW, p.upper - UPPER_TIMES_ALPHA * LIMIT_BELOW)
    return Target(what, wanted, text, "MISSED", f"by {100 * excess:.1f} percentage points")


def _noise(tables: Tables, source: str) -> Target:
    locked = source in NOISES and source.endswith("locked")
    most = LOCKED_NOISE_ERROR if locked else NOISE_ERROR
    what, wanted = f"residual noise, {source}", f"within {100 * most:g} % of the truth"
    found = next((r for r in tables.residuals if r.source == source), None)
    if found is None or found.error != found.error:
        return Target(what, wanted, "", "not measured")
    text = f"{100 * found.error:+.1f} % (+- {100 * found.error_error:.1f}; {found.estimated_nv:.1f} for {found.left_nv:.1f} nV)"
    over = abs(found.error) - most
    side = "too high: cautious" if found.error > 0 else "too low"
    return Target(what, wanted, text, "met" if over <= 0 else "MISSED", "" if over <= 0 else f"by {100 * over:.1f} %, {side}")
