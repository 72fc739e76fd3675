"""The set-up before a run as plain values: its steps with their rows, and when Start is allowed. No Qt."""

from __future__ import annotations

import datetime
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from quietfloor.monitor.display.heard import Heard
from quietfloor.monitor.readiness.cautions import CAUTIONS, Acknowledged, acknowledge
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Group, Severity, worst
from quietfloor.monitor.readiness.listener import Report

QUESTIONS = {
    "stream": "Can this stream carry the run?",
    "electrodes": "Does every contact give a clean signal?",
    "trigger": "Does the trigger arrive, and nothing but the trigger?",
    "sound": "Will the right stimulus be played, and not too much of it?",
    "timing": "Is it known how late sound and EEG are?",
    "placement": "At the person, before each run. Common practice; no source is claimed.",
    "cautions": "Read them, then acknowledge them with A. Without that no run begins.",
}
WORDS: dict[Severity, str] = {"ok": "ok", "wait": "wait", "look": "look", "stop": "stop"}
MEANINGS: dict[Severity, str] = {
    "ok": "Nothing to do.",
    "wait": "Not known yet.",
    "look": "The run will work, but you should know this.",
    "stop": "Mend this first: the run would not work, or would measure nothing.",
}
HOW = "set-up panel"
PATIENCE_S = 10.0  # own choice: by then a stream that is there has been found and looked at


@dataclass(frozen=True)
class Row:
    """One line of a step: ``severity`` None for plain text, ``heading`` above a group of lines; ``tip`` explains. ``parts`` is
    what is said, with the severity of each part, where they differ."""

    said: str
    title: str = ""
    severity: Severity | None = None
    remedy: str = ""
    tip: str = ""
    parts: tuple[tuple[str, Severity], ...] = ()
    heading: bool = False


@dataclass(frozen=True)
class Step:
    """``brief`` stands under its title in the list of steps; ``severity`` None: nothing is judged there."""

    name: str
    title: str
    question: str
    brief: str
    severity: Severity | None
    rows: tuple[Row, ...]


def steps(report: Report, acknowledged: bool) -> tuple[Step, ...]:
    """All steps in their order."""
    walked = [_step(group) for group in report.groups]
    if not any(step.name == "electrodes" for step in walked):
        unknown = Row("known once the stream is found", "Electrodes", "wait")
        walked.insert(1, Step("electrodes", "Electrodes", QUESTIONS["electrodes"], "wait: no stream yet", "wait", (unknown,)))
    reminders = tuple(Row(text) for text in report.placement)
    walked.append(Step("placement", "Placement", QUESTIONS["placement"], f"{len(reminders)} reminders", None, reminders))
    read: Severity = "ok" if acknowledged else "wait"
    brief = "ok: acknowledged" if acknowledged else "to acknowledge (A)"
    every = tuple(Row(text) for text in (*CAUTIONS, *report.own_cautions))
    walked.append(Step("cautions", "Cautions", QUESTIONS["cautions"], brief, read, every))
    return tuple(walked)


def _step(group: Group) -> Step:
    rows = _contacts(group.findings) if group.name == "electrodes" else tuple(_row(finding) for finding in group.findings)
    return Step(group.name, group.title, QUESTIONS[group.name], _brief(group.findings), group.severity, rows)


def _brief(findings: tuple[Finding, ...]) -> str:
    """What the list of steps says: how many of the most serious kind, or that all is well."""
    severity = worst(finding.severity for finding in findings)
    number = sum(finding.severity == severity for finding in findings)
    points = f"{number} point" if number == 1 else f"{number} points"
    return {"ok": "ok", "wait": "wait: not known yet", "look": f"look at {points}", "stop": f"stop: {points}"}[severity]


def _row(finding: Finding, said: str = "") -> Row:
    return Row(pretty(said or finding.said), _capital(finding.title), finding.severity, pretty(finding.remedy), _tip(finding))


def pretty(text: str) -> str:
    """Units as they are written by hand."""
    return text.replace(" uV", " µV").replace("kOhm", "kΩ").replace(" us ", " µs ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _tip(finding: Finding) -> str:
    parts = [finding.meaning]
    if finding.limit == finding.limit:  # not nan
        source = "our own choice" if finding.basis == OWN_CHOICE else finding.basis
        parts.append(f"Held against {finding.limit:.4g} {finding.unit}{f' ({source})' if source else ''}.")
    return pretty(" ".join(parts))


SHORT = {"noise": "noise ", "mains": "hum ", "test_tone": "test tone ", "impedance": "impedance "}


def _contacts(findings: tuple[Finding, ...]) -> tuple[Row, ...]:
    """A line for each electrode with all its figures; then what to do, once for all electrodes that need the same."""
    rows: list[Row] = []
    labels = list(dict.fromkeys(finding.subject for finding in findings))
    for label in labels:
        own = [finding for finding in findings if finding.subject == label]
        told = [f for f in own if f.severity != "wait" and not (f.about == "signal" and f.severity == "ok")]
        parts = tuple((pretty(SHORT.get(finding.about, "") + _figures(finding)), finding.severity) for finding in told)
        said = " · ".join(text for text, _ in parts) or "listening"
        tip = " ".join(f"{_capital(finding.title)}: {finding.meaning}" for finding in own)
        rows.append(Row(said, _title(label, labels), worst(finding.severity for finding in own), "", tip, parts))
    remedies: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        if finding.remedy:
            remedies.setdefault((finding.about, finding.remedy), []).append(finding)
    if remedies:
        rows.append(Row("What to do", heading=True))
    for same in sorted(remedies.values(), key=lambda same: same[0].severity != "stop"):
        everywhere = len(same) == len(labels) > 1
        where = f"in every channel: look at what they share, ground and reference ({same[0].said} in {same[0].subject})"
        some = ", ".join(finding.subject for finding in same) + (f": {same[0].said}" if len(same) == 1 else "")
        rows.append(_row(same[0], where if everywhere and same[0].about == "mains" else some))
    return tuple(rows)


def _figures(finding: Finding) -> str:
    """The figures of a finding, without words that each line would repeat, and without those that are said under "What to do"."""
    said = finding.said.replace(" RMS in the band", " RMS").partition(";")[0]
    cut = {"test_tone": ":", "impedance": ","}.get(finding.about)
    return said.partition(cut)[0] if cut else said


def _title(label: str, labels: list[str]) -> str:
    return f"{label}, decides" if label == labels[0] and len(labels) > 1 else label


class Listening(Protocol):
    """What a set-up needs of the listener to the stream."""

    @property
    def report(self) -> Report: ...
    @property
    def failure(self) -> str: ...
    def close(self) -> None: ...


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


class SetupFlow:
    """One set-up: findings and decisions. The window asks and decides; a command waits for ``answered``. ``heading`` names what
    the run will play."""

    def __init__(
        self, listening: Listening, acknowledged: bool = False, now: Callable[[], datetime.datetime] = _now,
        clock: Callable[[], float] = time.monotonic, heading: tuple[Heard, ...] = (),
    ) -> None:  # fmt: skip
        self._listening, self._now, self._clock = listening, now, clock
        self.heading = heading
        self._began_s = clock()
        self.acknowledged = acknowledged
        self.anyway = False  # start although something says stop
        self.answered = threading.Event()
        self.record: Acknowledged | None = None  # set by a start
        self.decided: Report | None = None  # what was known then

    @property
    def report(self) -> Report:
        return self._listening.report

    @property
    def failure(self) -> str:
        """Why nothing is heard any more, where that is a fault of this program."""
        return self._listening.failure

    @property
    def steps(self) -> tuple[Step, ...]:
        return steps(self.report, self.acknowledged)

    @property
    def hindered(self) -> bool:
        """Whether something stands against a start that only the person can overrule."""
        return not self.report.ready

    @property
    def may_overrule(self) -> bool:
        """Whether to offer a start all the same: not for what is only a matter of some seconds."""
        stopped = any(group.severity == "stop" for group in self.report.groups)
        return self.hindered and (stopped or bool(self.failure) or self._clock() - self._began_s > PATIENCE_S)

    @property
    def severity(self) -> Severity:
        """Severity of the whole check, the cautions included."""
        found = [finding.severity for group in self.report.groups for finding in group.findings]
        if "stop" in found:
            return "stop"
        return "wait" if "wait" in found or not self.acknowledged else worst(found)

    @property
    def headline(self) -> tuple[str, str]:
        """A word or two, and the sentence behind them."""
        if self.failure:
            return "Not checked", f"the check itself failed ({self.failure}); a run can begin all the same"
        head, _, rest = self.report.summary.partition(": ")
        if not rest:
            head, _, rest = self.report.summary.partition(", with ")
        if head == "Ready" and not self.acknowledged:
            return "Almost ready", "; ".join(part for part in (rest, "the cautions are to be acknowledged") if part)
        return head, rest or "nothing stands against a run"

    @property
    def obstacle(self) -> str:
        """Why it cannot start yet, in words; "" when it can."""
        if not self.acknowledged:
            return "The cautions come first"
        if self.hindered and not (self.anyway and self.may_overrule):
            return "Mend it, or choose to start anyway" if self.may_overrule else "Not everything is known yet"
        return ""

    def start(self) -> bool:
        """Begin the run if that is allowed; whether it is."""
        if self.obstacle or self.answered.is_set():
            return False
        self.decided = self.report
        despite = self.decided.stops if self.hindered else ()
        self.record = acknowledge(HOW, self._now(), despite, self.decided.own_cautions)
        self.answered.set()
        return True

    def leave(self) -> None:
        """No run."""
        self.answered.set()

    def close(self) -> None:
        """Let go of the stream, and of the triggers that were sent; waits for both."""
        self._listening.close()
