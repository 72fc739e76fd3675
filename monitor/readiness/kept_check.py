"""What a check before a run found, as it is kept in ``check.json`` of the run folder, and read again. No clock, no stream."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any, get_args

from quietfloor.monitor.readiness.cautions import CAUTIONS, VERSION, Acknowledged
from quietfloor.monitor.readiness.findings import Severity
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.safe_text import plain

FORMAT = "quietfloor check 1"
MOST_TEXT = 2000  # characters of one text that is read, own choice: the longest finding has some 300
SEVERITIES: tuple[str, ...] = get_args(Severity)


def check_record(
    report: Report, now: datetime.datetime, acknowledged: Acknowledged | None = None, failure: str = ""
) -> dict[str, Any]:
    """Everything that a check found, as JSON values; nan becomes null when it is written.

    ``now``: when the check ended. ``acknowledged``: what the person acknowledged and overruled, None where nobody was asked.
    ``failure``: why the check itself ended early, "" where it did not.
    """
    return {
        "format": FORMAT,
        "at": now.isoformat(timespec="seconds"),
        "ready": report.ready,
        "summary": report.summary,
        "failure": failure or None,
        "stream": report.stream,
        "seconds": report.seconds,
        "stamp_s": report.stamp_s,
        "findings": [{"group": group.name} | finding.record() for group in report.groups for finding in group.findings],
        "placement": list(report.placement),
        "cautions": {"version": VERSION, "text": [*CAUTIONS, *report.own_cautions]},
        "acknowledged": None if acknowledged is None else acknowledged.record(),
    }


@dataclass(frozen=True)
class KeptFinding:
    """One finding of a kept check: ``group``, ``about`` and ``subject`` as it was then, ``said`` with its number."""

    group: str
    about: str
    severity: str
    said: str
    subject: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class KeptCheck:
    """A check as it was kept. ``at`` is an ISO time, "" in files without one; ``despite`` names what was overruled."""

    at: str
    summary: str
    findings: tuple[KeptFinding, ...]
    despite: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The whole check in a sentence."""
        when = f" at {self.at}" if self.at else ""
        despite = f"; begun despite {'; '.join(self.despite)}" if self.despite else ""
        return f"checked before it{when}: {self.summary or 'no summary'}{despite}"


def read_check(folder: RunFolder) -> KeptCheck | None:
    """The check before a run; None if none was kept. Raises OSError, ValueError for a file that cannot be used."""
    if not folder.check.is_file():
        return None
    content = folder.read_json(folder.check.name)
    if not isinstance(content, dict):
        raise ValueError("it is no table")
    if content.get("format", FORMAT) != FORMAT:  # kept by hand, it may have none
        raise ValueError(f"its format is {plain(repr(content['format']), 60)}, this program knows {FORMAT!r}")
    findings = content.get("findings")
    if not isinstance(findings, list) or not all(isinstance(one, dict) for one in findings):
        raise ValueError("findings: should be a list of tables")
    acknowledged = content.get("acknowledged") or {}
    despite = acknowledged.get("despite") or [] if isinstance(acknowledged, dict) else None
    if not isinstance(despite, list):
        raise ValueError("acknowledged: should be a table with a list of what was overruled (despite), or null")
    return KeptCheck(
        _text(content, "at"), _text(content, "summary"), tuple(_finding(one) for one in findings),
        tuple(_text({"despite": one}, "despite") for one in despite),
    )  # fmt: skip


def _finding(content: dict[str, Any]) -> KeptFinding:
    severity = _text(content, "severity")
    if severity not in SEVERITIES:
        raise ValueError(f"severity = {plain(repr(severity), 60)}: should be {', '.join(SEVERITIES)}")
    group, about, said, subject, remedy = (_text(content, key) for key in ("group", "about", "said", "subject", "remedy"))
    return KeptFinding(group, about, severity, said, subject, remedy)


def _text(content: dict[str, Any], key: str) -> str:
    value = content.get(key)
    if value is None:
        return ""
    if not isinstance(value, str):
        raise ValueError(f"{key} = {plain(repr(value), 60)}: should be text")
    return plain(value, MOST_TEXT)
