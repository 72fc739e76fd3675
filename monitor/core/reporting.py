"""Events and sentences of a run: each look as an event, and the reason of every verdict."""

from __future__ import annotations

import math

import numpy as np

from .analysis import UNIT_SWEEPS, AnalysisSettings, Look
from .events import LookDone, RateMismatch
from .forecast import forecast
from .settings import EngineSettings
from .silence import GIVE_UP_S
from .stopping import FindsResponse, StoppedBy

CAUSES = {0: "within units", 1: "between units", -1: "between units, smaller"}
DECIDING = 0  # channel of the batch that decides
AHEAD = ("forecast_low_sweeps", "forecast_median_sweeps", "forecast_high_sweeps", "forecast_response", "forecast_limit")
NO_SAMPLE = f"no usable sample for {GIVE_UP_S:.0f} s: at least one chosen channel is not a finite number; is it connected?"


def look_event(
    sample: int, look: Look, settings: AnalysisSettings, rejected: dict[str, int], lost_samples: int, per_s: float
) -> LookDone:
    """The look at the deciding channel as an event, certain at raw sample ``sample``, at ``per_s`` sweeps a second. Unknown is
    nan."""
    figures, noise, finds = look.figures, look.noise, settings.finds
    standing = finds.standing(figures)
    evidence, best = float(figures.evidence_log10[DECIDING]), float(look.evidence_log10_max[DECIDING])
    if not np.isfinite(noise.within_units_nv[DECIDING]):
        cause = "unknown"
    else:
        cause = CAUSES[int(noise.between[DECIDING])]
    return LookDone(
        sample=sample,
        sweeps_presented=int(figures.sweeps_presented[DECIDING]),
        sweeps_accepted=int(figures.sweeps_accepted[DECIDING]),
        rejected=dict(sorted(rejected.items())),
        rule=finds.name,
        measure=finds.measure,
        standing=float(standing.value[DECIDING]),
        needed=float(standing.needed[DECIDING]),
        evidence=evidence,
        p_value=10.0**-best if np.isfinite(evidence) else np.nan,
        residual_noise_nv=float(noise.value_nv[DECIDING]),
        noise_cause=cause,
        within_units_nv=float(noise.within_units_nv[DECIDING]),
        between_units_nv=float(noise.between_units_nv[DECIDING]),
        single_point_nv=float(noise.single_point_nv[DECIDING]),
        plus_minus_nv=float(noise.plus_minus_nv[DECIDING]),
        fsp=float(figures.fsp[DECIDING]),
        upper_limit_nv=float(figures.upper_limit_nv[DECIDING]),
        **_ahead(look, settings.evidence.block_units * UNIT_SWEEPS),
        sweeps_per_s=float(per_s),
        lost_samples=lost_samples,
        noise_repeats=bool(noise.repeats[DECIDING]),
        waits_for_nv=settings.quiet_nv if settings.quiet_nv is not None and look.waits[DECIDING] else np.nan,
    )


def _ahead(look: Look, block_sweeps: int) -> dict[str, float]:
    if look.outlook is None:
        return dict.fromkeys(AHEAD, np.nan)
    ahead = forecast(look.outlook.of(DECIDING), block_sweeps)
    found = (
        ahead.sweeps_low, ahead.sweeps_median, ahead.sweeps_high, ahead.response_probability, ahead.limit_probability,
    )  # fmt: skip
    return {name: float(value) for name, value in zip(AHEAD, found, strict=True)}


def reason(stopped_by: StoppedBy, look: LookDone, settings: EngineSettings, found: LookDone | None = None) -> str:
    """Reason why a rule stopped the run, with its numbers; ``found`` is the look at which a response was found, if the run then
    went on."""
    finds = settings.finds
    if stopped_by == "response":
        said = f"{standing_words(found or look, finds, 'reached')} ({finds.promise or 'this rule keeps no error rate'})"
        return said if found is None else f"{said} after {found.sweeps_accepted} sweeps, {_quiet(look, settings)}"
    if stopped_by in ("noise_floor", "upper_limit"):
        return none_larger(look)
    known = "nothing is known yet" if np.isnan(look.standing) else standing_words(look, finds, "of")
    return f"{settings.max_sweeps} sweeps allowed; {known}"


def none_larger(look: LookDone) -> str:
    """Sentence on the largest response that is still possible: true in 95 of 100 runs, at every look and at the stop."""
    noise = f"{look.residual_noise_nv:.1f} nV of noise"
    if not np.isfinite(look.upper_limit_nv):
        return f"{noise}; how large a response can still be is not known"
    return f"no response larger than {math.ceil(look.upper_limit_nv):.0f} nV (true in 95 of 100 runs), at {noise}"


def _quiet(look: LookDone, settings: EngineSettings) -> str:
    assert settings.quiet_nv is not None
    now = f"{look.residual_noise_nv:.1f} nV of noise after {look.sweeps_accepted}"
    return now if look.residual_noise_nv <= settings.quiet_nv else f"{now}, where {settings.quiet_nv:g} were asked for"


def standing_words(look: LookDone, finds: FindsResponse, link: str) -> str:
    """The value of a rule's measure and the value that it needs, joined by ``link``."""
    if look.measure == "p_value":
        return f"{finds.title}: p = {10.0**-look.standing:.2g}, at most {10.0**-look.needed:.2g} allowed at this look"
    return f"{finds.title} {look.standing:.2f} {link} {look.needed:.2f}"


BY_STAMPS, BY_CLOCK = "its time stamps say", "by this machine's clock it gives"


def wrong_rate(found: RateMismatch, by: str = BY_STAMPS) -> str:
    """Reason for ending a run whose stream has another rate than it states."""
    return (
        f"the stream states {found.nominal_hz:g} Hz, but {by} {found.measured_hz:.0f} Hz: filters and "
        "times would not be what they are called. Set the amplifier's program right, then begin a new run"
    )


def foreign_sound() -> str:
    """Reason for ending a run whose triggers do not follow its plan."""
    return (
        "the triggers do not follow the plan of this run's own sound: another run, or other equipment, is heard. Stop what else "
        "plays, wait until the EEG is up to date, then begin a new run (sound.held_to_plan = false does without this check)"
    )


def foreign_code() -> str:
    """Reason for ending a run whose triggers carry the code of another run."""
    return (
        "the triggers carry the code of another run, or of other units than this run plays now: what is heard is not its sound. "
        "Stop what else plays, wait until the EEG is up to date, then begin a new run"
    )


def no_trigger(channel: str, ever: bool) -> str:
    """Reason for ending a run whose trigger channel is silent; ``ever``: whether a trigger was seen before."""
    heard = "after the last one" if ever else "since the start"
    return (
        f"no trigger for {GIVE_UP_S:.0f} s {heard} in channel {channel!r}: check the cable, the sound, and that this "
        "is the trigger channel (numbers count from 1)"
    )
