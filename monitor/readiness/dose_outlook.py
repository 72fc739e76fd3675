"""Whether the sound dose of a day is enough for what a session may still need, in minutes per sound and level."""

from __future__ import annotations

import datetime
import math
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.run.sound_output import dose_policy_of, make_stimulus, spent_by
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.recorded_session import RecordedSession
from quietfloor.monitor.session.staircase_rules import LEAST_SWEEPS
from quietfloor.monitor.storage.dose_ledger import ExposureError
from quietfloor.stimuli.calibration import EARS
from quietfloor.stimuli.dose import Dose, limit_pa2s
from quietfloor.stimuli.dose_policy import DosePolicy
from quietfloor.stimuli.dose_table import time_words

STEP_DB = 10.0  # own choice: between the levels that are told


@dataclass(frozen=True)
class DoseRow:
    """How long an ear may still hear a sound today, and how long a run there lasts that finds no response, in s."""

    condition: Condition
    level_db_nhl: float
    allowed_s: float
    needed_s: float

    @property
    def words(self) -> str:
        return f"{self.level_db_nhl:g} dB nHL {time_words(self.allowed_s)}"


@dataclass(frozen=True)
class DoseOutlook:
    """``rows``: the levels of the open conditions, loudest first. ``short``: for each ear whose dose is not enough if nothing is
    heard at the loudest levels, how much of what is left would be needed. ``trouble``: why nothing is known."""

    policy: DosePolicy | None = None
    rows: tuple[DoseRow, ...] = ()
    short: tuple[tuple[str, float], ...] = ()
    trouble: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """What is to be said; () where the dose is enough."""
        if self.trouble:
            return (f"sound dose: {self.trouble}",)
        if not self.short:
            return ()
        ears = " and ".join(f"{share:.1f} times what the {ear} ear may still get" for ear, share in self.short)
        under = "" if self.policy is None else f", under the dose policy {self.policy.short}"
        said = [f"sound dose{under}: if nothing is heard, this session cannot be finished today: its loudest levels need {ears}."]
        for condition in dict.fromkeys(row.condition for row in self.rows):
            if condition.ear in dict(self.short):
                rows = [row for row in self.rows if row.condition == condition]
                levels = ", ".join(row.words for row in rows)
                said.append(f"  {condition}: {levels} (without a response about {time_words(rows[0].needed_s)} are needed)")
        said.append(
            "  Levels that are used up are left out, and the session goes on with the others. Begin with what matters most, "
            "lower highest_db_nhl, state age_months of an infant or child, or go on another day."
            + ("" if self.policy is not None else " A dose policy of your lab raises the limit (dose_policy under [run.sound]).")
        )
        return tuple(said)

    def record(self) -> dict[str, Any]:
        """For --json; times in s."""
        return {
            "policy": None if self.policy is None else self.policy.record(),
            "can_be_finished": None if self.trouble else not self.short, "trouble": self.trouble or None,
            "levels": [asdict(row) for row in self.rows], "words": list(self.words),
        }  # fmt: skip


def day_of(session: RecordedSession, today: datetime.date) -> tuple[DosePolicy | None, Dose]:
    """The dose policy of a session, by its first condition, and what counts as spent. Raises PlanError, ExposureError."""
    sound = session.plan.run_plan(0, session.plan.rules(0).start_db).sound
    assert sound is not None
    spent = spent_by(session.folder, sound, today)
    return dose_policy_of(sound, today), spent


def outlook_of(session: RecordedSession, today: datetime.date | None = None) -> DoseOutlook:
    """The outlook of a session as it is now, over its conditions without an answer. Where an output or a file cannot be found,
    nothing is known of a sound; the run itself says why."""
    today = today or datetime.date.today()
    plan, runs = session.plan, session.all_runs()
    try:
        policy, spent = day_of(session, today)
    except (PlanError, ExposureError) as error:
        return DoseOutlook(trouble=str(error))
    limit = limit_pa2s(plan.subject.age_group, 1.0 if policy is None else policy.day_limit_times)
    left = [max(0.0, limit - before) for before in spent.both]
    rows: list[DoseRow] = []
    needs = [0.0, 0.0]
    for index, threshold in enumerate(session.thresholds()):
        if threshold.settled:
            continue
        rules, sweeps = plan.rules(index), session.sweeps(index, runs)
        needed_s = sweeps.sweep_s * min(sweeps.limit, sweeps.needed if math.isfinite(sweeps.needed) else LEAST_SWEEPS)
        level, loudest = rules.highest_db, True
        while level >= max(rules.lowest_db, rules.highest_db - 3 * STEP_DB):
            with suppress(PlanError):  # above the ceiling, or an output that is not here
                sound = plan.run_plan(index, level).sound
                assert sound is not None
                each = make_stimulus(sound, today).needed(0)[1].both
                allowed_s = min((most / one for most, one in zip(left, each, strict=True) if one > 0.0), default=math.inf)
                rows.append(DoseRow(threshold.condition, level, allowed_s, needed_s))
                if loudest:
                    loudest, needs = False, [need + one * needed_s for need, one in zip(needs, each, strict=True)]
            level -= STEP_DB
    shares = [(ear, need / max(most, 1e-12)) for ear, need, most in zip(EARS, needs, left, strict=True)]
    return DoseOutlook(policy, tuple(rows), tuple((ear, share) for ear, share in shares if share > 1.0))
