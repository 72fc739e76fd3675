"""The state of a run in one plain sentence with its numbers. Text only, no drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.core.events import (
    Event,
    ForeignSound,
    Gap,
    LookDone,
    NoiseChanged,
    RateMismatch,
    SoundBroken,
    StimulusArtefact,
    TriggerArtefact,
    TriggerChanged,
    TriggerDoubled,
    TriggerGrid,
    TriggerMissing,
    Verdict,
)
from quietfloor.monitor.core.reporting import BY_STAMPS
from quietfloor.monitor.core.stopping import STOPPING_RULES, FindsResponse
from quietfloor.monitor.run.status import Status

HEADLINES = {
    "response_present": "Response present",
    "response_absent": "No response at this noise floor",
    "inconclusive": "Undecided",
    "searched": "Search over",
}

REASONS = {  # why a sweep is rejected, in words for the bench
    **{criterion.name: criterion.word for criterion in CRITERIA},
    "saturation": "with the amplifier at its limit",
    "flat": "without a signal",
    "paused": "in a pause",
    "silent": "in a pause or an ear that was done",
    "cell_unread": "in units whose level could not be read",
    "not_finite": "without numbers",
    "gap": "with samples lost",
    "edge": "too soon after a start",
    "sound_broken": "with the sound broken",
    "trigger_doubled": "with a double trigger",
    "trigger_changed": "with a trigger of another kind",
}

TOO_LARGE = (  # figures of validate, see docs/statistics.md
    "the run ended when it found the response, which is then measured too large: on average by 3 to 14 % where nine of ten runs "
    "find it, by 21 to 30 % where half to three quarters do, by more near threshold; its noise is stated 1 to 8 % too small"
)
LESS_TOO_LARGE = (
    "the run found the response before it averaged on, so this is measured too large: on average by up to 2 % where nine of ten "
    "runs find it, by 13 to 16 % where half to three quarters do, by more near threshold"
)
MAY_RUN_OUT = 0.1  # probability from which on it is said that the sweeps may run out first

DOUBLED = "triggers come too close together, such sweeps are rejected: does the trigger channel bounce, or carry other events?"


def gap(event: Gap, rate_hz: float) -> str:
    """Describe a break of the stream."""
    ms = 1e3 * abs(event.by_s)
    if event.reason == "lost":
        missing = count(round(event.by_s * rate_hz), "sample")
        return f"time stamps jump ahead by {ms:.0f} ms: {missing} missing, or the sender was held up; sweeps there are rejected"
    if event.reason == "clock":
        return f"time stamps go back by {ms:.0f} ms: the sender caught up, or its clock was set; sweeps there are rejected"
    if event.reason == "no_stamp":
        return "time stamps are no numbers: samples are counted, but whether any is missing cannot be seen; mend the sender"
    if event.reason == "repeated":
        return "time stamps stand still: the sender repeats itself, or its clock stopped; sweeps there are rejected"
    return "some samples are no numbers, sweeps there are rejected: is every chosen channel connected?"


def sound_limited(samples: int) -> str:
    """Report that the output ceiling reduced samples, which never happens with a plan that was accepted."""
    return (
        f"the output ceiling held down {count(samples, 'sample')} of the sound: what left is not what the plan says. This is a "
        "fault of the program: do not trust this run's level, and report it"
    )


def sound_broken(event: SoundBroken) -> str:
    left = "no sweep was touched" if not event.sweeps else f"{count(event.sweeps, 'sweep')} rejected"
    return f"the sound broke up, {left}: close other programs or use longer blocks"


def sound_broke(breaks: int, sweeps: int) -> str:
    """Report how often the sound broke so far."""
    during = f" in {count(sweeps, 'sweep')}" if sweeps else ""
    return f"the sound broke up {count(breaks, 'time')}{during}; sweeps that it touched are rejected: close other programs"


def rate_mismatch(event: RateMismatch, by: str = BY_STAMPS) -> str:
    said = f"the stream states {event.nominal_hz:g} Hz, but {by} {event.measured_hz:.6g} Hz ({event.ppm:+.0f} ppm)"
    if event.refused:
        return said + ": filters and times would not be what they are called, the run ends"
    how = "long" if event.ppm > 0 else "short"
    return said + (f": times in ms are {1e-4 * abs(event.ppm):.1f} % too {how} until that is mended" if event.serious else "")


def trouble(event: Event, rate_hz: float) -> tuple[str, str] | None:
    """Kind of an event that the operator has to see, and its text; None for other events. Each kind is reported once."""
    if isinstance(event, Gap):
        return event.reason, gap(event, rate_hz)
    if isinstance(event, RateMismatch):
        return f"rate {event.serious} {event.refused}", rate_mismatch(event)
    if isinstance(event, SoundBroken):
        return "sound", sound_broken(event)
    if isinstance(event, ForeignSound) and not event.refused:
        return "foreign", f"{count(event.sweeps, 'sweep')} of another run came before this run's own sound began: dropped"
    if isinstance(event, TriggerDoubled):
        return "doubled", DOUBLED
    if isinstance(event, TriggerMissing):
        return "missing", f"{count(event.count, 'trigger')} did not arrive: is the cable loose, or the level near the threshold?"
    if isinstance(event, TriggerChanged):
        return "changed", "triggers are steps where they were pulses, such sweeps are rejected: was the trigger line turned over?"
    if isinstance(event, TriggerGrid):
        ms = 1e3 * event.samples / rate_hz
        return "grid", (
            f"triggers only ever come {event.samples} samples apart or a multiple: the channel is read every {ms:.2g} ms only, "
            "which blurs the average, or the stimulator runs by the clock of the EEG"
        )
    if isinstance(event, TriggerArtefact):
        return "artefact", (
            f"the average is largest at the trigger ({event.uv:+.2g} uV at {event.at_ms:.1f} ms): it leaks into the EEG, and so "
            "may pass for a response. Keep its cable away from the electrodes; a run with muted = true shows what it does"
        )
    if isinstance(event, StimulusArtefact):
        return "stimulus artefact", (
            f"what changes sign with the stimulus reaches into the response window ({event.uv:+.2g} uV at {event.at_ms:.1f} ms): "
            "an artefact of the stimulus, most of which alternating polarity cancels. Keep leads and transducer apart"
        )
    if isinstance(event, NoiseChanged):
        went = f"sweeps went from {event.before_uv:.2g} to {event.now_uv:.2g} uV at once"
        return "noise", f"{went}: did somebody move, or switch something?"
    return None


def count(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def apart(value: float, limit: float, digits: int) -> str:
    """``value`` with enough digits to differ visibly from a limit that it has not reached, or has passed."""
    while digits < 4 and value != limit and f"{value:.{digits}f}" == f"{limit:.{digits}f}":
        digits += 1
    return f"{value:z.{digits}f}"


TITLES = {name: kind.title for name, kind in STOPPING_RULES.items() if issubclass(kind, FindsResponse)}


def standing(look: LookDone, digits: int = 1) -> str:
    """Progress of the rule that may find a response: a part of what is needed, or how far above it."""
    title = TITLES[look.rule]
    if not math.isfinite(look.standing):
        return f"{title} from 256 sweeps on" if look.measure == "evidence" else f"{title} not known yet"
    if look.measure == "p_value":
        value, needed = f"p {10.0**-look.standing:.2g}", f"{10.0**-look.needed:.2g}"
    else:
        value, needed = apart(look.standing, look.needed, digits), f"{look.needed:.{digits}f}"
    return f"{title} {value} ({needed} needed)" if look.standing >= look.needed else f"{title} {value} of {needed}"


def numbers(look: LookDone | None, floor_nv: float | None) -> str:
    """The numbers on which a decision rests; without the noise floor where it no longer matters."""
    if look is None:
        return "no sweeps yet"
    if not look.sweeps_accepted:
        return f"no usable sweep among {look.sweeps_presented:,}"
    evidence = standing(look)
    if not math.isfinite(look.residual_noise_nv):
        return f"{evidence}, noise not known yet"
    if floor_nv is None:
        noise = f"noise {look.residual_noise_nv:.0f} nV"
    else:
        noise = f"noise {apart(look.residual_noise_nv, floor_nv, 0)} nV of {floor_nv:g} nV"
    if look.noise_cause == "between units":
        noise += f" ({between_units(look)})"
    return f"{evidence}, {noise}"


def between_units(look: LookDone) -> str:
    """Explain a difference between the spread between units and within them; a cause is named only if chance is excluded."""
    if not look.noise_repeats:
        return "by the spread between units"
    more = 100 * (look.between_units_nv / look.within_units_nv - 1)
    return f"{more:.0f} % more between units than within: something repeats with the stimulus"


def ahead(look: LookDone | None) -> str:
    """When the decision is expected, as a range that contains the end in 8 of 10 runs; "" if that is not known.

    If the sweeps may run out first (in more than 1 run of 10), the text says that instead.
    """
    if look is None:
        return ""
    low, high = look.forecast_low_sweeps, look.forecast_high_sweeps
    if not (math.isfinite(high) and look.sweeps_per_s > 0):
        return ""
    soon, late = low / look.sweeps_per_s, high / look.sweeps_per_s
    what = "quiet enough" if math.isfinite(look.waits_for_nv) else "decision expected"
    if runs_out(look):
        return f"the sweeps run out first, in {_time(late)}"
    if look.forecast_limit > MAY_RUN_OUT:
        return f"{what.removesuffix(' expected')} in {_time(soon)} or later, the sweeps run out in {_time(late)}"
    if late - soon < 2:
        return f"{what} in about {late:.0f} s"
    if late < 100:
        return f"{what} in {soon:.0f} to {max(late, 1):.0f} s"
    return f"{what} in {_minutes(soon)} to {late / 60:.1f} min"


def runs_out(look: LookDone) -> bool:
    """Whether it is likelier than not that the sweeps run out first."""
    return look.forecast_limit > 0.5


def help_for(look: LookDone) -> str:
    """Advice if the sweeps are likely to run out first; else ""."""
    if not runs_out(look):
        return ""
    return "more sweeps or less noise would help" + ("" if math.isfinite(look.waits_for_nv) else ", or a higher level")


def _time(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.1f} min"


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 60 else f"{seconds / 60:.1f}"


def running(look: LookDone | None, floor_nv: float) -> str:
    if look is not None and math.isfinite(look.waits_for_nv):
        noise = f"noise {apart(look.residual_noise_nv, look.waits_for_nv, 0)} nV of {look.waits_for_nv:g} nV"
        return _and_ahead(f"Response present: averaging on for its waves, {noise}", look)
    return _and_ahead(f"Undecided: {numbers(look, floor_nv)}", look)


def _and_ahead(known: str, look: LookDone | None) -> str:
    parts = ", ".join(part for part in (known, ahead(look)) if part)
    return ": ".join(part for part in (parts, help_for(look) if look is not None and ahead(look) else "") if part)


def ended(verdict: Verdict, look: LookDone | None, floor_nv: float) -> str:
    """One sentence for a finished run."""
    head = HEADLINES[verdict.verdict]
    if verdict.stopped_by == "fault":
        return f"{head}, stopped by a fault: {verdict.reason}"
    if verdict.stopped_by == "operator" and verdict.verdict == "response_present":  # one that waited for a quieter average
        return f"{head}, stopped by the operator: {verdict.reason}"
    if verdict.verdict == "searched":
        return f"{head}: {verdict.reason}"
    if verdict.stopped_by == "time_limit":
        return f"{head} when the time ran out: {verdict.reason}"
    if verdict.stopped_by == "operator":
        return f"{head}, stopped by the operator: {numbers(look, floor_nv)}"
    if look is None:
        return f"{head}: {verdict.reason}"
    if verdict.stopped_by == "noise_floor":
        return f"{head}: {verdict.reason}"
    if verdict.stopped_by == "upper_limit":
        return f"No response of a size that matters: {verdict.reason}"
    if verdict.stopped_by == "sweep_limit":
        return f"{head} when the sweeps ran out: {numbers(look, floor_nv)}"
    if verdict.stopped_by == "response" and look.standing < look.needed:  # it was found at a look before
        return f"{head}: {verdict.reason}"
    return f"{head}: {numbers(look, None)}"


def too_large(record: Mapping[str, Any], plan: Mapping[str, Any]) -> str:
    """Note on the amplitudes of a run, from its ``run.json`` and ``plan.toml``; "" if there is none.

    A run that ends as soon as a response is found ends when noise makes the response look large.
    """
    if record.get("stopped_by") != "response":
        return ""
    noise, quiet = record.get("residual_noise_nv"), (plan.get("decision") or {}).get("quiet_nv")
    return LESS_TOO_LARGE if quiet is not None and noise is not None and noise <= quiet else TOO_LARGE


def headline(status: Status, floor_nv: float) -> str:
    """The whole state in one sentence, for every state."""
    if status.verdict is not None:
        return ended(status.verdict, status.look, floor_nv)
    if status.state in ("ready", "checking"):
        return "Checking the stream"
    if status.silent:
        return "Waiting: no samples arrive. Is the amplifier's program running?"
    if status.no_trigger:
        return "Waiting: no triggers arrive. Is the sound on, is the cable in, is it the right channel?"
    return running(status.look, floor_nv)


def rejected(look: LookDone | None) -> str:
    """Rejected sweeps by reason, in words."""
    if look is None or not look.rejected:
        return "none rejected"
    total = sum(look.rejected.values())
    if len(look.rejected) == 1:
        (reason,) = look.rejected
        return f"{total:,} rejected: {REASONS.get(reason, reason)}"
    reasons = ", ".join(f"{number:,} {REASONS.get(reason, reason)}" for reason, number in look.rejected.items())
    return f"{total:,} rejected ({reasons})"
