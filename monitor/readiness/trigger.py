"""Findings on the trigger channel: seen or not, kind, rate, doubled triggers. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietfloor.monitor.core.triggers import TriggerModel
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Severity
from quietfloor.stimuli.schedule import RateError, refuse_mains_locked

LEARNS_S = 2.5  # of stream: the engine has learned a channel after 2 s, with pulses that come later after a little more
SILENT_S = 2.0  # as in a run
RATE_OFF = 0.01  # own choice: part of the plan's own rate
CLEAR_SDS = 16.0  # own choice: twice what the engine needs
MAINS_HZ = (50.0, 60.0)
AS = "as in a run"


@dataclass(frozen=True)
class TriggerFigures:
    """Figures of ``seconds`` of stream. ``interval_s``: median between onsets. ``noise``: SD about the resting level (stream
    units). ``since_s``: time since the last onset, nan without one."""

    label: str
    seconds: float
    model: TriggerModel | None
    onsets: int
    doubled: int
    interval_s: float
    since_s: float
    noise: float
    moves: bool
    ours: bool  # our own sound makes it
    sent: bool | None  # our own triggers are being sent at the moment; None: that was not tried
    trigger_db_fs: float | None = None  # how large they are; None where other equipment makes them


def judge(seen: TriggerFigures, plan: Plan) -> tuple[Finding, ...]:
    """Findings, the trigger itself first."""
    first = _seen(seen)
    if seen.model is None or not math.isfinite(seen.interval_s):
        return (first,)
    return first, _rate(seen, plan), _doubled(seen)


def _seen(seen: TriggerFigures) -> Finding:
    label = seen.label
    if seen.model is not None and seen.onsets:
        kind = "steps from one sample to the next" if seen.model.kind == "digital" else "sloping, timed between samples"
        way = "upwards" if seen.model.sign > 0 else "downwards"
        stands = 2 * seen.model.threshold / seen.noise if seen.noise > 0 else math.inf
        clear = f", {min(stands, 9999):.0f} times its noise" if math.isfinite(stands) else ""
        said = f"seen {seen.onsets} times, {way}, {kind}{clear}"
        if seen.since_s > SILENT_S:
            said, remedy = f"{said}; none for {seen.since_s:.0f} s", "is the sound still on, is the cable in?"
            return Finding("trigger", "stop", said, remedy, label, seen.since_s, "s", SILENT_S, AS)
        if stands < CLEAR_SDS:
            remedy = f"{_larger(seen, CLEAR_SDS / stands)}, or keep its cable away from other signals"
            return Finding("trigger", "look", said, remedy, label, stands, "SD", CLEAR_SDS, OWN_CHOICE)
        if seen.trigger_db_fs is not None:
            said += f": its level of {seen.trigger_db_fs:g} dB re full scale is enough"
        return Finding("trigger", "ok", said, "", label, float(seen.onsets), "triggers")
    if seen.ours and seen.sent is None:
        said = "quiet, as it should be before our sound begins" if not seen.moves else "moves although no sound is played"
        remedy = "not tried: send triggers without sound to see them" if not seen.moves else "is this the right channel?"
        return Finding("trigger", "look", said, remedy, label, 0.0, "triggers")
    if seen.seconds < LEARNS_S or (seen.ours and not seen.sent):
        return Finding("trigger", "wait", "listening", subject=label)
    if seen.moves:
        said = f"the channel moves, but nothing in it looks like a trigger in {seen.seconds:.0f} s"
        remedy = "is this the right channel? A trigger returns to rest between stimuli and stands out of its noise eightfold"
    else:
        said = f"no trigger in {seen.seconds:.0f} s, the channel does not move"
        remedy = "is the sound on, the cable in, the channel switched on at the amplifier?"
    if seen.ours:
        remedy += f" Triggers are being sent right now, without sound. If all is right, {_larger(seen, 10.0 ** 0.5)}"
    return Finding("trigger", "stop", said, remedy, label, 0.0, "triggers", 1.0, AS)


def _larger(seen: TriggerFigures, times: float) -> str:
    """Advice for making the trigger ``times`` larger, in steps of 1 dB."""
    if seen.trigger_db_fs is None:
        return "make the trigger larger"
    wanted = seen.trigger_db_fs + math.ceil(20.0 * math.log10(times) - 1e-9)
    if wanted > 0.0:
        return f"make the trigger {20.0 * math.log10(times):.0f} dB larger: sound.trigger_db_fs ends at 0, change its divider"
    return f"raise sound.trigger_db_fs from {seen.trigger_db_fs:g} to {wanted:g}"


def _rate(seen: TriggerFigures, plan: Plan) -> Finding:
    rate = 1.0 / seen.interval_s
    said = f"{rate:.2f} triggers a second"
    sound, stop_ms = plan.sound, plan.analysis.window_ms[1]
    mains_hz = MAINS_HZ if sound is None else sound.mains_hz
    wanted = math.nan if sound is None else sound.rate_per_s
    severity: Severity = "ok"
    remedy, limit, basis = "", wanted, "" if sound is None else "the plan's rate"
    # Of the 15 intervals of a unit the random parts of all but the first and last sound cancel.
    random_s = 0.0 if sound is None else 1e-3 * (sound.random_interval_ms or 0.0)
    if abs(rate - wanted) > (RATE_OFF + random_s * wanted / 15) * wanted:
        severity, remedy = "stop", "these are not the triggers of this plan: is it the right channel and stream?"
        said += f", the plan has {wanted:g}"
    elif stop_ms > 1e3 * seen.interval_s:
        severity, limit, basis = "stop", 1e3 / stop_ms, "the plan's window"
        said += f": the next stimulus comes {1e3 * seen.interval_s:.1f} ms after each, before the window is over ({stop_ms:g} ms)"
        remedy = "end the window earlier (--window) or lower the stimulus rate"
    elif sound is None and (locked := _locked(rate, mains_hz)):
        severity, remedy, basis = "look", f"set the stimulus rate to {locked}", "see stimuli/schedule.py"
        said += ": in step with the mains, whose hum could pass for a response"
    return Finding("trigger_rate", severity, said, remedy, seen.label, rate, "/s", limit, basis)


def _locked(rate: float, mains_hz: tuple[float, ...]) -> str:
    """Better stimulus rates; "" if this one is good."""
    try:
        refuse_mains_locked(rate, mains_hz)
    except RateError as error:
        return " or ".join(f"{proposal:g}/s" for proposal in error.proposals) or "another one"
    except ValueError:
        return ""
    return ""


def _doubled(seen: TriggerFigures) -> Finding:
    if not seen.doubled:
        return Finding("doubled", "ok", "none", "", seen.label, 0.0, "triggers")
    said = f"{seen.doubled} of {seen.onsets} come too close after another"
    remedy = "does the trigger bounce, or does the channel carry other events? Such sweeps are rejected"
    return Finding("doubled", "look", said, remedy, seen.label, float(seen.doubled), "triggers", 0.0, AS)
