"""What the project promises about its default, and whether these runs bear it out: met, or by how much not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .intervals import proportion
from .noises import NOISES
from .simulate import ORACLE
from .validation_plan import ValidationPlan
from .validation_tables import Tables

DEFAULT_RULE, VALID_FSP = "evidence", "fsp"
TARGET_SIZE_NV, TARGET_SOURCE = 300.0, "gaussian"
UPPER_TIMES_ALPHA = 1.25
ENOUGH_RUNS = 4000
TIMES_FSP, TIMES_ORACLE, AIM_ORACLE = 0.45, 2.2, 1.6
COVERAGE = (0.75, 0.85)
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
    found.append(_forecast(tables))
    found += [_noise(tables, source) for source in plan.sources]
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


def _forecast(tables: Tables) -> Target:
    """Over all sizes of response in the target's noise, each size and look counting by its runs; 0 nV is not among them."""
    what = f"forecast, {TARGET_SOURCE}, all sizes of response"
    wanted = f"80 % range covers {100 * COVERAGE[0]:g}-{100 * COVERAGE[1]:g} %"
    here = [c for c in tables.coverages if c.source == TARGET_SOURCE and c.size_nv > 0]
    if not here:
        return Target(what, wanted, "", "not measured", f"needs responses in {TARGET_SOURCE}, and {DEFAULT_RULE} as first rule")
    p = proportion(sum(c.covered.count for c in here), sum(c.covered.n for c in here))
    sides = f"{sum(c.below for c in here)} sooner, {sum(c.above for c in here)} later"
    text = f"{100 * p.rate:.1f} % ({p.count} of {p.n}; {sides})"
    over = max(COVERAGE[0] - p.rate, p.rate - COVERAGE[1])
    note = "" if over <= 0 else f"by {100 * over:.1f} percentage points"
    return Target(what, wanted, text, "met" if over <= 0 else "MISSED", note)


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
