"""Decide again from a run folder's raw samples, and compare every look with the one that was made live."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from quietfloor.monitor.core.engine import Engine, OnSignal
from quietfloor.monitor.core.events import Event, Verdict
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import settings_of
from quietfloor.monitor.plan.run_plan import Plan, load_run_plan
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.run.status import WRONG_RATE
from quietfloor.monitor.run.unit_check import UnitFinding
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.said import Order, order_of
from quietfloor.monitor.sources.base import EndOfRecording, StreamDescription
from quietfloor.monitor.sources.channels import limit_of, resolve_channels, unit_to_uv
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.record_schema import is_number
from quietfloor.monitor.storage.run_folder import RunFolder, event_line, jsonable
from quietfloor.monitor.untrusted.bounded_io import lines_of
from quietfloor.monitor.untrusted.safe_text import QuotingError

PIECE_S = 1.0  # nobody waits for a replay at no pace: larger pieces take it less time
ENDS_HERE = "the recording ends here"
# By the format of a run folder from which on it is worked out, or worded, as today: keys of an event, or how they begin.
OTHERWISE_SINCE = {2: {"look": ("upper_limit_nv", "forecast_"), "verdict": ("reason",)}}
# Processors add in different orders: over 242 looks and 5 core types figures differed by 6e-13 of themselves, or by 1e-13 near 0.
TOLERANCE = 1e-9  # of a figure, or absolute near 0
COMPARED = ("look", "cell_unit", "choice")  # events; of a recording with several cells the units take the place of looks
FORETOLD = "forecast_"  # whole blocks and shares of paths: the last digit of a figure may move one by a step, and none decides

Grade = Literal["bytes", "decisions"]


class ReplayError(QuotingError, RuntimeError):
    """Raised if the run folder cannot be replayed; the text says what is missing."""


@dataclass(frozen=True)
class Replayed:
    """Result of a replay: events in order, the engine at its end, and how the looks (of cells: units) compare with live ones."""

    events: list[Event]
    engine: Engine
    search: PlannedSearch | None
    plan: Plan
    stream: StreamDescription
    unit: UnitFinding
    looks: int
    live_looks: int | None  # None: the live run left no events to compare with
    first_difference: int | None  # number of the first look that differs, from 0
    identical_by: Grade | None  # see ``identical``; None: not identical

    @property
    def verdict(self) -> Verdict:
        assert self.engine.verdict is not None
        return self.engine.verdict

    @property
    def identical(self) -> bool:
        """Whether every live look and the verdict came out the same, and no others did (unless the run was killed before).

        "bytes", or "decisions": the same sweeps, counts, texts and verdict, with figures within TOLERANCE, as on a processor that
        adds in another order. Figures that an earlier format did not have, or computed by another method, are not compared,
        because no decision rests on them.
        """
        return self.identical_by is not None


def replay(
    folder: RunFolder,
    plan: Plan | None = None,
    *,
    chunk_samples: int | None = None,
    chunk_s: float | None = None,
    pace: float | None = None,
    on_events: Callable[[Engine, PlannedSearch | None, list[Event]], None] | None = None,
    on_signal: OnSignal | None = None,
    ended: str = ENDS_HERE,
) -> Replayed:
    """Run the engine over ``folder``'s recording with its own plan, or with ``plan`` (other settings, no comparison meant).

    ``chunk_samples``, or ``chunk_s``, and ``pace`` change how the samples come, never what comes out. ``on_signal``: see Engine.
    ``ended``: why a run ended that says nothing of its end. Raises ReplayError, PlanError, SourceError.
    """
    plan = plan_of(folder) if plan is None else plan
    if chunk_samples is None and chunk_s is None and pace is None:
        chunk_s = PIECE_S
    source = RecordingSource(folder.raw, chunk_samples=chunk_samples, chunk_s=chunk_s, pace=pace)
    description = source.description
    channels = resolve_channels(description, plan.stream.eeg, plan.stream.trigger)
    uv = unit_to_uv(plan.stream.unit or "")
    if math.isnan(uv):
        raise ReplayError(
            f"{folder.plan} names no unit: the run ended before it was settled and nothing was decided. To look at the samples "
            'all the same, add unit = "uV", "mV" or "V" under [stream]'
        )
    labels = tuple(description.label(index) for index in range(description.channel_count))
    layout = Layout(description.rate_hz, labels, channels.eeg, channels.trigger, uv, limit_of(description.channel_format))
    live = list(_live(folder))
    settings = settings_of(folder, plan, layout)
    search = make_search(plan, settings, _orders(folder, live))
    engine = Engine(settings, on_signal, None if search is None else search.judge)
    events: list[Event] = []
    looked = not any(event.get("what") == WRONG_RATE for event in live)
    while engine.verdict is None and looked:
        try:
            chunk = source.pull(1.0)
        except EndOfRecording:
            break
        if chunk is None:
            continue
        new = engine.feed(chunk)
        events += new
        if on_events is not None:
            on_events(engine, search, new)
    if engine.verdict is None:
        events += engine.finish(*_ending(live, ended))
    looks = [event for event in events if event.kind in COMPARED]
    # A power cut may take samples of a last look that had been said already.
    there = source.total_samples
    kept = [event for event in live if event["type"] in COMPARED and event["sample"] < there]
    grades = [grade(new, old, plan.format) for new, old in zip(looks, kept, strict=False)]
    different = grades.index(None) if None in grades else None
    last = next((event for event in reversed(live) if event["type"] == "verdict"), None)
    if last is None:  # the program was killed: samples of a last look may be there without it
        complete = len(kept) <= len(looks)
    else:
        complete = len(kept) == len(looks) and (_same_end(engine.verdict, last) or last["sample"] >= there)
    unit = UnitFinding(uv, "plan of the run", math.nan)
    return Replayed(
        events,
        engine,
        search,
        plan,
        description,
        unit,
        looks=len(looks),
        live_looks=len(kept) if live else None,
        first_difference=different,
        identical_by=least(grades) if live and complete else None,
    )


def grade(event: Event, old: dict[str, Any], run_format: int) -> Grade | None:
    """How an event that was decided again agrees with ``old``, written by a run of ``run_format``; None: it does not agree."""
    new = _as_of(run_format, jsonable(event.record()), old)
    if event_line(new) == event_line(old):
        return "bytes"
    same = new.keys() == old.keys() and all(_same(new[key], old[key]) for key in new if not key.startswith(FORETOLD))
    return "decisions" if same else None


def least(grades: Iterable[Grade | None]) -> Grade | None:
    """The least agreement of all; "bytes" if there are none."""
    found = set(grades)
    return None if None in found else "decisions" if "decisions" in found else "bytes"


def _same(new: Any, old: Any) -> bool:
    if isinstance(new, float) and isinstance(old, float):
        return math.isclose(new, old, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    return type(new) is type(old) and bool(new == old)


def _same_end(new: Verdict | None, old: dict[str, Any]) -> bool:
    """Whether a run ends as it ended live, with any wording."""
    return new is not None and (new.verdict, new.stopped_by) == (old["verdict"], old["stopped_by"])


def _as_of(run_format: int, new: dict[str, Any], old: dict[str, Any]) -> dict[str, Any]:
    """A new event in the form of the run's format: newer keys are left out, and values that are computed differently now are
    taken from ``old``."""
    for since, of_events in OTHERWISE_SINCE.items():
        if run_format < since:
            keys = of_events.get(new["type"], ())
            new = {key: old.get(key) if key.startswith(keys) else value for key, value in new.items() if key in old}
    return new


def plan_of(folder: RunFolder) -> Plan:
    """The plan of a run. Raises ReplayError, PlanError."""
    if not folder.plan.is_file():
        raise ReplayError(f"{folder.path} has no {folder.plan.name}: the run ended in its first second, nothing was decided")
    return load_run_plan(folder.plan)


def _live(folder: RunFolder) -> list[dict[str, Any]]:
    try:
        events = list(folder.read_events()) if folder.events.is_file() else []
        for event in events:
            if not _is_event(event):
                raise ValueError(f"{str(event)[:100]} is no event")
    except (OSError, ValueError, TypeError, RecursionError) as error:
        raise ReplayError(f"{folder.events} is damaged ({error}): move it away to replay without comparing") from error
    return events


def _orders(folder: RunFolder, live: list[dict[str, Any]]) -> list[tuple[int, Order]]:
    try:
        return [order_of(event) for event in live if event["type"] == "order"]
    except (ValueError, KeyError, TypeError) as error:
        raise ReplayError(f"{folder.events} is damaged (an order: {error}): move it away to replay without orders") from error


def _is_event(event: Any) -> bool:
    """Whether an event has the required keys."""
    if not isinstance(event, dict) or not isinstance(event.get("type"), str):
        return False
    if event["type"] in COMPARED:
        return isinstance(event.get("sample"), (int, float))
    return event["type"] != "verdict" or ({"verdict", "stopped_by", "reason"} <= event.keys() and is_number(event.get("sample")))


def _ending(live: list[dict[str, Any]], ended: str) -> tuple[Any, str]:
    """How a run ended if none of its rules ended it."""
    for event in reversed(live):
        if event["type"] == "verdict" and event["stopped_by"] in ("operator", "fault"):
            return event["stopped_by"], event["reason"]
    return "fault", ended


def looks_of(path: Path) -> list[str]:
    """The look lines of an events.jsonl, for comparison byte by byte."""
    return [line.removesuffix("\n") for line in lines_of(path) if line.startswith('{"type":"look"')]
