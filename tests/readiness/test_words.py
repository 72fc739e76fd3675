"""Findings in general, the cautions in their version, reminders, and the timing certificate."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path

import pytest

from quietfloor.monitor.plan.run_plan import Plan, TriggerPlan
from quietfloor.monitor.readiness import cautions
from quietfloor.monitor.readiness.findings import TERMS, Finding, Group, Severity, ready, summary, worst
from quietfloor.monitor.readiness.timing import timing_group
from quietfloor.monitor.run.sound_output import output_identity
from quietfloor.monitor.run.timing_certificate import Certificate, Measured, OutputOf, StreamOf, save_certificate
from quietfloor.monitor.sources.channels import Channels
from tests.readiness.streams import described, made, plan_of

TODAY = datetime.date(2026, 3, 10)
CHANNELS = Channels((0,), 1)


def group(*severities: Severity) -> Group:
    return Group("stream", "Stream", tuple(Finding("rate", severity, "8 Hz") for severity in severities))


@pytest.mark.parametrize(
    ("severities", "says", "may"),
    [
        (("ok", "ok"), "Ready", True),
        (("ok", "look"), "Ready, with 1 point to look at", True),
        (("look", "look"), "Ready, with 2 points to look at", True),
        (("look", "wait"), "Not known yet: 1 point to wait for", False),
        (("stop", "wait"), "Not ready: 1 point to mend first", False),
        (("stop", "stop", "look"), "Not ready: 2 points to mend first, 1 point to look at", False),
    ],
)
def test_the_whole_in_a_sentence(severities: tuple[Severity, ...], says: str, may: bool) -> None:
    assert summary([group(*severities)]) == says
    assert ready([group(*severities)]) is may


def test_the_most_serious_counts() -> None:
    assert worst([]) == "ok"
    assert group("ok", "look", "wait").severity == "look"
    assert group("look", "stop", "ok").severity == "stop"


def test_every_term_is_explained_in_one_sentence() -> None:
    for title, meaning in TERMS.values():
        assert title == title.strip()
        assert meaning[0].isupper()
        assert meaning.endswith(".")
        assert ". " not in meaning


def test_the_cautions_change_only_with_their_version() -> None:
    """Whoever changes a word of them raises VERSION, and puts the new pair here: run.json says which text was acknowledged."""
    digest = hashlib.sha256("\n".join(cautions.CAUTIONS).encode()).hexdigest()[:12]
    assert (cautions.VERSION, digest) == ("1", "3abcc20395ff")


def test_the_cautions_say_what_they_have_to() -> None:
    text = " ".join(cautions.CAUTIONS).lower()
    duties = ("isolate", "battery", "infants", "local codes", "licensed practice")
    for words in ("not a medical device", "sound can harm hearing", *duties):
        assert words in text


def test_reminders_follow_the_route() -> None:
    bone = " ".join(cautions.placement("bone"))
    for words in ("bony spot", "clear of the electrode and of the outer ear", "steady, light pressure", "before each run"):
        assert words in bone
    assert "bone vibrator" not in " ".join(cautions.placement("air"))
    assert "bone vibrator" in " ".join(cautions.placement(None))


def test_an_acknowledgement_as_it_is_kept() -> None:
    noon = datetime.datetime(2026, 3, 10, 12, 0, tzinfo=datetime.UTC)
    assert cautions.acknowledge("set-up panel", noon, ("trigger: none",)).record() == {
        "version": cautions.VERSION, "at": "2026-03-10T12:00:00+00:00", "how": "set-up panel", "despite": ["trigger: none"],
    }  # fmt: skip


def certified(folder: Path, plan: Plan, sd_ms: float = 0.006, rate_hz: float = 8000.0) -> Path:
    """A certificate of the plan's output on the stream of these tests, issued on 1 March for 30 days."""
    assert plan.sound is not None
    device, interface = output_identity(plan.sound)
    counts = dict.fromkeys(
        ("missing_triggers", "double_triggers", "missing_sounds", "double_sounds", "wrong_polarity", "breaks"), 0
    )
    entry = Measured(
        rate_hz=rate_hz, issued=datetime.date(2026, 3, 1), valid_days=30, sounds=500, offset_ms=1.25, sd_ms=sd_ms, min_ms=1.2,
        max_ms=1.3, drift_ppm=3.0, drift_se_ppm=0.1, trigger_edges="analogue", sound_channel="loop", version="0", **counts,
    )  # fmt: skip
    path = folder / "timing.toml"
    output = OutputOf(device=device, host_interface=interface, rate_hz=plan.sound.sample_rate_hz)
    save_certificate(path, Certificate(output=output, stream=StreamOf.of(described(made()), 1, TriggerPlan()), measured=(entry,)))
    return path


SOUND = {"level_db_fs": -40}


def timed(plan: Plan, today: datetime.date = TODAY) -> tuple[Finding, Plan]:
    group, used = timing_group(plan, described(made()), CHANNELS, today)
    return group.findings[0], used


def test_without_a_certificate_timing_is_not_verified() -> None:
    for plan in (Plan(), plan_of(sound=SOUND)):
        finding, used = timed(plan)
        assert finding.severity == "look"
        assert finding.said.startswith("not verified")
        assert used == plan


def test_a_certificate_that_holds(tmp_path: Path) -> None:
    path = certified(tmp_path, plan_of(sound=SOUND))
    plan = plan_of(sound=SOUND, timing={"certificate": str(path)}, analysis={"amplifier_delay_ms": "certificate"})
    finding, used = timed(plan)
    assert finding.severity == "ok"
    assert "offset 1.250 ms, 6.0 us SD" in finding.said
    assert "21 days left" in finding.said
    assert used.analysis.amplifier_delay_ms == 1.25
    assert timed(plan, datetime.date(2026, 3, 26))[0].remedy == "repeat `quietfloor timing` soon"


def test_a_certificate_whose_offset_is_not_used_is_told(tmp_path: Path) -> None:
    path = certified(tmp_path, plan_of(sound=SOUND))
    finding, _ = timed(plan_of(sound=SOUND, timing={"certificate": str(path)}))
    assert finding.severity == "look"
    assert "the timing check found 1.250 ms" in finding.remedy


def test_a_certificate_that_does_not_hold(tmp_path: Path) -> None:
    path = certified(tmp_path, plan_of(sound=SOUND), rate_hz=16000.0)
    plan = plan_of(sound=SOUND, timing={"certificate": str(path)})
    finding, _ = timed(plan)
    assert finding.severity == "look"
    assert "timing was checked at 16000 Hz" in finding.said
    wanted = plan_of(sound=SOUND, timing={"certificate": str(path)}, analysis={"amplifier_delay_ms": "certificate"})
    finding, used = timed(wanted)
    assert finding.severity == "stop", "such a run is refused"
    assert used.analysis.amplifier_delay_ms == 0.0, "the rest can be looked at all the same"
    path.write_text(path.read_text().replace("1.25", "1.75"))
    assert timed(plan)[0].severity == "stop"
    assert "was changed after it was written" in timed(plan)[0].said + timed(plan)[0].remedy
