"""A session in words, and as JSON."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import say
from quietfloor.monitor.untrusted.safe_text import LONGEST, plain

if TYPE_CHECKING:
    from quietfloor.monitor.session.next_level import Suggestion
    from quietfloor.monitor.session.session import Session


def say_status(
    session: Session, args: argparse.Namespace, minutes: float | None, short: bool = False, coming: bool = True
) -> None:
    """Where the session is, for a person; ``short`` leaves out the runs, ``coming`` says what a search would do next."""
    if not short:
        plan = session.plan
        title = f"{plan.subject.pseudonym}, {plan.subject.age_group} · {plan.title or 'session'} · {session.folder}"
        say(plain(title, LONGEST), args)
        for run in session.all_runs():
            say(f"  {run.condition} · {run.words}" + "".join(f"\n    note: {note}" for note in run.notes), args)
    else:
        session.all_runs()
    for text in session.damaged:
        say(f"  {text}", args)
    for threshold in session.thresholds():
        said = threshold.settled or threshold.finding == "not tested" or threshold.method == "search"
        settled = "" if said else ", not settled"
        say(f"  {threshold.condition}: {threshold.words}{settled}", args)
    if not short:
        from quietfloor.monitor.readiness.dose_outlook import outlook_of

        outlook = outlook_of(session)
        if outlook.policy is not None:
            say(f"  {outlook.policy.words}.", args)
        for text in outlook.words:
            say(f"  {text}", args)
    if session.plan.method == "search":
        _say_ahead(session, args, minutes, short, coming)
        return
    if not short:
        from quietfloor.monitor.session.staircase_errors import NO_RATE

        for index, condition in enumerate(session.plan.conditions):
            if words := session.plan.not_offered(index):
                say(f"  {condition}: {words}", args)
        rates = {
            str(condition): NO_RATE if one is None else one.words
            for condition, one in zip(session.plan.conditions, session.errors(), strict=True)
        }
        if len(set(rates.values())) == 1:
            rates = {"all ladders": next(iter(rates.values()))}
        for which, words in rates.items():
            say(f"  error rate, {which}: {words}", args)
    suggestion = session.next(minutes)
    if suggestion is not None:
        say(suggestion.sentence, args)
        say(f"  Length: {session.sweeps(session.index_of(suggestion.condition), session.all_runs()).words}.", args)
        return
    for one in session.suggestions(minutes):
        say(one.sentence, args)


def _say_ahead(session: Session, args: argparse.Namespace, minutes: float | None, short: bool, coming: bool) -> None:
    """What comes next in a session that searches."""
    if not short:
        from quietfloor.monitor.session.staircase_errors import percent

        alpha = percent(session.first_plan().decision.alpha)
        say(f"  error rate, every search: where nothing is heard, at most {alpha} of searches find a response", args)
    if not coming:
        return
    ahead, confirming = session.search_ahead(minutes), session.confirmation(minutes)
    if ahead is not None:
        say(ahead.sentence, args)
    elif confirming is not None:
        say(confirming.sentence, args)
    elif all(one.settled for one in session.thresholds()):
        say("Every condition has its answer.", args)
    else:
        say("Not every condition has its answer, and no time is left for another search.", args)


def status(session: Session, minutes: float | None = None) -> dict[str, Any]:
    """The state of a session for --json: levels in dB nHL; what is unknown is null."""
    import math
    from dataclasses import asdict

    from quietfloor.monitor.readiness.dose_outlook import outlook_of
    from quietfloor.monitor.session.staircase_rules import waking_words

    runs = session.all_runs()
    searching = session.plan.method == "search"
    suggestion = session.confirmation(minutes) if searching else session.next(minutes)
    ahead = session.search_ahead(minutes) if searching else None
    left_s = session.time_left_s(runs)
    return {
        "session": str(session.folder),
        "subject": session.plan.subject.model_dump(),
        "runs": [asdict(run) | {"counts": run.counts} for run in runs],
        "unfinished": list(session.damaged),
        "thresholds": [asdict(one) | {"words": one.words} for one in session.thresholds()],
        "errors": [None if one is None else asdict(one) for one in session.errors()],
        "not_offered": [session.plan.not_offered(index) or None for index in range(len(session.plan.conditions))],
        "sweeps": [
            asdict(one) | {"words": one.words}
            for one in (session.sweeps(index, runs) for index in range(len(session.plan.conditions)))
        ],
        "waking": waking_words(runs) or None,
        "method": session.plan.method,
        "next": None if suggestion is None or ahead is not None else _suggestion(suggestion),
        "search": None if ahead is None else asdict(ahead) | {"sentence": ahead.sentence},
        "done": [] if searching else [_suggestion(one) for one in session.suggestions(minutes) if one.done],
        "dose": outlook_of(session).record(),
        "seconds_left": None if math.isinf(left_s) else left_s,
    }


def _suggestion(one: Suggestion) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "condition": asdict(one.condition),
        "level_db_nhl": one.level_db_nhl,
        "reason": one.reason,
        "why": one.why,
        "move": one.move or None,
        "repeats": one.repeats,
        "expected_s": one.expected_s,
        "masking_due": one.masking_due,
        "masking": None if one.masking is None else one.masking.sentence,
        "sentence": one.sentence,
    }
