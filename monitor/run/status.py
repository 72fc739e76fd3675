"""State of a run as one immutable value: a display reads this and never the engine."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import AverageNow, CellUnit, Event, LookDone, TriggerLearned, TriggerSilent, UnitDone, Verdict
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.search.planned import PlannedSearch
from quietfloor.monitor.search.said import LevelChosen

State = Literal["ready", "checking", "running", "closing", "done", "failed"]
TRANSITIONS: dict[State, tuple[State, ...]] = {
    "ready": ("checking", "failed"),
    "checking": ("running", "closing"),
    "running": ("closing",),
    "closing": ("done", "failed"),
    "done": (),
    "failed": (),
}
WRONG_RATE = "wrong_rate"  # the notice of a run that was refused in its first second: no sample of it was looked at
STOPPABLE: tuple[State, ...] = ("ready", "checking", "running")


@dataclass(frozen=True)
class Notice:
    """An occurrence outside the engine, ``at_s`` after the start of the run."""

    what: str
    text: str
    at_s: float

    def record(self) -> dict[str, Any]:
        return {"type": "notice", "what": self.what, "text": self.text, "at_s": round(self.at_s, 3)}


@dataclass(frozen=True)
class Status:
    """The newest state of a run."""

    state: State = "ready"
    look: LookDone | None = None
    verdict: Verdict | None = None
    average: AverageNow | None = None
    seconds: float = 0.0  # of stream
    behind_ms: float = 0.0
    silent: bool = False  # no samples at the moment
    no_trigger: bool = False
    notices: tuple[str, ...] = ()
    search: SearchNow | None = None  # of a run with several levels


def refreshed(
    status: Status, engine: Engine, events: list[Event], behind_s: float, search: PlannedSearch | None = None
) -> Status:  # fmt: skip
    """The status after the engine said ``events``, with ``behind_s`` of stream still waiting for it."""
    seconds = engine.sample / engine.settings.layout.rate_hz
    status = replace(
        status, seconds=seconds, behind_ms=1e3 * behind_s, look=engine.last_look, verdict=engine.verdict
    )  # fmt: skip
    for event in events:
        if isinstance(event, (UnitDone, TriggerLearned, CellUnit)):
            status = replace(status, no_trigger=False)
        elif isinstance(event, LookDone):
            status = replace(status, average=engine.average_now())
        elif isinstance(event, TriggerSilent):
            status = replace(status, no_trigger=True)
    if search is not None and (status.search is None or any(isinstance(event, (LevelChosen, Verdict)) for event in events)):
        status = replace(status, search=search.now())
    return status
