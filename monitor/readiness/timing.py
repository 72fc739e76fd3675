"""Check whether the timing certificate of the plan holds for this equipment, judged as for a run."""

from __future__ import annotations

import datetime
from pathlib import Path

from quietfloor.monitor.plan.run_plan import Plan, PlanError, override
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Group, parted
from quietfloor.monitor.run.sound_output import output_identity
from quietfloor.monitor.run.timing_certificate import LARGEST_SD_MS, Timing, advice, judge, load_certificate, with_delay
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels

SOON_DAYS = 7  # own choice


def timing_group(plan: Plan, description: StreamDescription, channels: Channels, today: datetime.date) -> tuple[Group, Plan]:
    """The findings, and the plan with the measured delay if it asks for it (0 if that is not known)."""
    try:
        output = None if plan.sound is None else output_identity(plan.sound)
        timing = judge(plan, output, description, channels.trigger, today)
        with_its_delay = with_delay(plan, timing)
    except PlanError as error:
        found = Finding("timing", "stop", *parted(error))
        return Group("timing", "Timing", (found,)), override(plan, {"analysis": {"amplifier_delay_ms": 0.0}})
    return Group("timing", "Timing", (_finding(plan, timing, description, today),)), with_its_delay


def _finding(plan: Plan, timing: Timing, description: StreamDescription, today: datetime.date) -> Finding:
    if not timing.verified:
        listening = plan.sound is None
        said = "not verified: sound against EEG was not measured here; times in ms may be off by a fixed amount"
        if plan.timing.certificate is not None:
            said = f"not verified: {timing.reason}"
        remedy = "measure the delays of this equipment by a loop" if listening else "`quietfloor timing` measures it by a loop"
        return Finding("timing", "look", said, remedy, basis="as in a run")
    assert plan.timing.certificate is not None
    entry = load_certificate(Path(plan.timing.certificate)).at(description.rate_hz)
    days = 0 if entry is None else (entry.expires - today).days
    said = f"verified: offset {timing.offset_ms:.3f} ms, {1e3 * timing.sd_ms:.1f} us SD, {timing.certificate}, {days} days left"
    remedy = advice(plan, timing) or ("repeat `quietfloor timing` soon" if days <= SOON_DAYS else "")
    return Finding("timing", "look" if remedy else "ok", said, remedy, "", timing.sd_ms, "ms", LARGEST_SD_MS, OWN_CHOICE,
                   (("offset_ms", timing.offset_ms), ("days_left", days)))  # fmt: skip
