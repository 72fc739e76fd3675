"""An answer in words."""

from __future__ import annotations

import math

from .running import Answer


def sentence(answer: Answer, levels_db: tuple[float, ...], alpha: float) -> str:
    """Answer of one condition in words, without its name: threshold with interval, lowest level with a response, and error
    rate."""
    if math.isnan(answer.threshold_db):
        return "nothing is known yet"
    begin = "" if answer.finished else "not finished; so far "
    softest, loudest = levels_db[0], levels_db[-1]
    if math.isinf(answer.threshold_db):
        said = f"threshold above {loudest:g} dB nHL (95 %: {answer.low_db:.0f} or more)"
    elif answer.threshold_db < softest:
        said = f"threshold below {softest:g} dB nHL (95 %: at most {answer.high_db:.0f})"
    else:
        said = f"threshold {answer.threshold_db:.0f} dB nHL (95 %: {interval(answer)})"
    if math.isnan(answer.found_db):
        return f"{begin}{said}; no response was found"
    times = f"{1.0 / alpha:.0f}"
    return f"{begin}{said}; a response was found at {answer.found_db:g} dB nHL, by mistake in at most 1 of {times} searches"


def hidden(answer: Answer, levels_db: tuple[float, ...]) -> str:
    """The largest response that is still possible at each level below the one where it was found; empty if that is unknown."""
    parts = [
        f"{limit_nv:.0f} nV at {level:g} dB nHL"
        for level, limit_nv in zip(levels_db, answer.limits_nv, strict=True)
        if math.isfinite(limit_nv) and not level >= answer.found_db
    ]
    return f"no response larger than {', '.join(parts)} (95 % each)" if parts else ""


def interval(answer: Answer) -> str:
    """The 95 % interval of a threshold that is known, in dB nHL."""
    if math.isinf(answer.low_db) and math.isinf(answer.high_db):
        return "at any level"
    if math.isinf(answer.low_db):
        return f"at most {round(answer.high_db)}"
    if math.isinf(answer.high_db):
        return f"{round(answer.low_db)} or more"
    return f"{round(answer.low_db)} to {round(answer.high_db)}"
