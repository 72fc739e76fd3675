"""Walks before a run with known findings, without a stream."""

from __future__ import annotations

import datetime
from pathlib import Path

from quietfloor.monitor.display.heard import heading_of
from quietfloor.monitor.display.steps import SetupFlow
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.cautions import placement
from quietfloor.monitor.readiness.findings import Finding, Group
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.readiness.model import Readiness
from quietfloor.monitor.readiness.sound_check import sound_group
from quietfloor.monitor.readiness.timing import timing_group
from quietfloor.monitor.sources.channels import Channels
from tests.readiness.streams import described, made, plan_of, tone
from tests.synthetic import Stream, chunks

TODAY = datetime.date(2026, 3, 1)
NOON = datetime.datetime(2026, 3, 1, 12, 0, tzinfo=datetime.UTC)
CALIBRATION = Path(__file__).resolve().parents[2] / "bench" / "virtual-earphone.toml"


class Heard:
    """Stands for the thread that listens: its report is what a test puts there."""

    def __init__(self, report: Report) -> None:
        self.report, self.failure, self.closed = report, "", False

    def close(self) -> None:
        self.closed = True


def calibrated() -> Plan:
    return plan_of(sound={"level_db_nhl": 60, "calibration": str(CALIBRATION)})


def report_of(stream: Stream, plan: Plan, source_id: str = "amp-17") -> Report:
    """Everything about a stream, as the listener would report it."""
    count = len(stream.samples)
    seen = Readiness(described(stream, source_id=source_id), Channels(tuple(range(count - 1)), count - 1), plan)
    seen.triggers_sent = True
    for chunk in chunks(stream, [400] * (stream.samples.shape[1] // 400)):
        seen.feed(chunk)
    timing, _ = timing_group(plan, seen.description, seen.channels, TODAY)
    groups = (*seen.groups(), sound_group(plan, Path("nowhere"), TODAY), timing)
    reminders = placement(None if plan.sound is None else plan.sound.route)
    return Report(groups, reminders, seen.description.summary(), "Amp · 8000 Hz", seen.seconds, True)


def good(channels: int = 2) -> Report:
    return report_of(made(channels=channels, noise_uv=1.0), calibrated())


def troubled() -> Report:
    """Hum in the first channel, a test tone in the third, the fourth at its limit."""
    stream = made(channels=4, noise_uv=3.0)
    stream.samples[0] += tone(stream, 50.0, 14.0) + tone(stream, 150.0, 5.6)
    stream.samples[2] += tone(stream, 31.25, 12.0)
    stream.samples[3] = 187_500.0
    return report_of(stream, calibrated())


def stopped() -> Report:
    """The deciding channel sends zeros, and no trigger comes."""
    stream = made(channels=2, noise_uv=1.0)
    stream.samples[0], stream.samples[-1] = 0.0, 0.0
    return report_of(stream, calibrated())


def humming(channels: int) -> Report:
    """The same hum everywhere."""
    stream = made(channels=channels, noise_uv=1.0)
    stream.samples[:-1] += tone(stream, 50.0, 14.0)
    return report_of(stream, calibrated())


def unfound() -> Report:
    """No stream yet."""
    unknown = [
        Group(name, name.capitalize(), (Finding(name, "wait", "known once the stream is found"),))
        for name in ("stream", "trigger", "timing")
    ]
    return Report((*unknown[:2], sound_group(calibrated(), Path("nowhere"), TODAY), unknown[2]), placement("air"))


def flow_of(report: Report, acknowledged: bool = False, plan: Plan | None = None) -> SetupFlow:
    return SetupFlow(Heard(report), acknowledged, lambda: NOON, heading=heading_of(plan or calibrated()))


def searching(conditions: int = 8) -> Plan:
    """A search in both ears, by frequency."""
    levels = tuple(float(level) for level in range(0, 95, 5))
    condition = [
        {"ear": ear, "stimulus": "octave-chirp", "frequency_hz": hz, "levels_db_nhl": levels}
        for hz in (500, 1000, 2000, 4000) for ear in ("right", "left")
    ][:conditions]  # fmt: skip
    sound = {"level_db_nhl": 60, "calibration": str(CALIBRATION), "stimulus": "octave-chirp", "frequency_hz": 2000}
    return plan_of(sound=sound, search={"condition": condition})


def masked() -> Plan:
    """By bone to the left ear, with noise in the right one."""
    return plan_of(sound={
        "level_db_nhl": 45, "ear": "left", "route": "bone", "transducer": "bone-vibrator", "stimulus": "tone-burst",
        "frequency_hz": 500, "masking": "white", "masking_level_db_em": 40, "masking_transducer": "insert",
        "masking_calibration": str(CALIBRATION), "calibration": "bone.toml",
    })  # fmt: skip


