"""What is to be acknowledged of one plan alone: the routing of its trigger, and the dose policy that it names."""

from __future__ import annotations

import datetime
import math

from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.stimuli.dose_table import time_words


def own_cautions(plan: Plan, today: datetime.date | None = None) -> tuple[str, ...]:
    """Cautions that this plan alone needs; () for most."""
    if plan.sound is None:
        return ()
    said = [plan.sound.caution] if plan.sound.caution else []
    if plan.sound.dose_policy is not None:
        said.append(policy_words(plan, today or datetime.date.today()))
    return tuple(said)


def policy_words(plan: Plan, today: datetime.date) -> str:
    """The policy of a plan, with what this person may hear under it; where it cannot be used, why."""
    sound = plan.sound
    assert sound is not None
    try:
        stimulus = make_stimulus(sound, today)
    except PlanError as error:
        return str(error)
    policy = stimulus.policy
    assert policy is not None
    each = max(stimulus.needed(0)[1].both)
    seconds = stimulus.day_limit_pa2s / each if each > 0.0 else math.inf
    level_db, unit = sound.level
    return (
        f"{policy.words}. This person may hear {time_words(seconds)} of this sound at {level_db:g} {unit} in a day instead of "
        f"{time_words(seconds / policy.day_limit_times)}."
    )
