"""The set-up before a run without Qt: its steps in words, and when Start is allowed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from quietfloor.monitor.display.steps import PATIENCE_S, Row, Step, steps
from quietfloor.monitor.readiness.cautions import CAUTIONS, VERSION
from quietfloor.monitor.readiness.findings import Finding, Group
from quietfloor.monitor.readiness.listener import Report
from tests.display.setup_flows import Heard, flow_of, good, humming, stopped, troubled, unfound

NAMES = ["stream", "electrodes", "trigger", "sound", "timing", "placement", "cautions"]


def step(report: Report, name: str, acknowledged: bool = False) -> Step:
    return next(step for step in steps(report, acknowledged) if step.name == name)


def texts(rows: tuple[Row, ...]) -> str:
    return "\n".join(" ".join((row.title, row.said, row.remedy)) for row in rows)


@pytest.mark.parametrize("make", [good, troubled, stopped, unfound])
def test_the_steps_are_always_the_same_and_can_be_read(make: object) -> None:
    found = steps(make(), False)  # type: ignore[operator]
    assert [step.name for step in found] == NAMES
    for one in found:
        assert one.question
        assert one.brief
        assert "nan" not in texts(one.rows)
        assert " uV" not in texts(one.rows)
        for row in one.rows:
            if row.severity is not None and one.name not in ("placement", "cautions"):
                assert row.title
            if row.severity in ("look", "stop") and not row.parts:
                assert row.remedy, row
                assert row.tip, row


def test_a_good_set_up() -> None:
    found = {step.name: step.brief for step in steps(good(), True)}
    assert found == {
        "stream": "ok", "electrodes": "ok", "trigger": "ok", "sound": "ok", "timing": "look at 1 point",
        "placement": "3 reminders", "cautions": "ok: acknowledged",
    }  # fmt: skip


def test_each_electrode_has_a_line_and_what_to_do_is_said_once() -> None:
    rows = step(troubled(), "electrodes").rows
    lines = [row for row in rows if row.parts]
    assert [row.title for row in lines] == ["E1, decides", "E2", "E3", "E4"]
    assert [row.severity for row in lines] == ["look", "ok", "look", "look"]
    hum = next(severity for text, severity in lines[0].parts if text.startswith("hum 50 Hz 1"))
    assert hum == "look"
    assert lines[1].said.startswith("noise ")
    assert "test tone 31.2 Hz, 12 µV" in lines[2].said
    heading = next(index for index, row in enumerate(rows) if row.heading)
    assert heading == 4
    assert [row.title for row in rows[heading + 1 :]] == ["Mains hum", "Test signal", "Signal"]
    assert rows[heading + 1].said.startswith("E1: 50 Hz 1")


def test_hum_in_every_channel_points_to_what_they_share() -> None:
    rows = step(humming(8), "electrodes").rows
    assert len([row for row in rows if row.parts]) == 8
    (mains,) = (row for row in rows if row.title == "Mains hum")
    assert "in every channel: look at what they share, ground and reference" in mains.said


def test_cautions_and_reminders_are_all_there() -> None:
    assert tuple(row.said for row in step(good(), "cautions").rows) == CAUTIONS
    assert len(step(good(), "placement").rows) == 3
    assert step(good(), "placement").severity is None


def test_limits_are_told_with_what_they_rest_on() -> None:
    (floor,) = (row for row in step(troubled(), "stream").rows if row.title == "Noise after the run")
    assert floor.tip.startswith("Noise that the average will still hold")
    assert "Held against 15 nV (the plan's floor)." in floor.tip


# -- when Start is allowed --------------------------------------------------------------------------------------------


def test_nothing_starts_before_the_cautions_are_acknowledged() -> None:
    flow = flow_of(good())
    assert flow.headline == ("Almost ready", "1 point to look at; the cautions are to be acknowledged")
    assert flow.severity == "wait"
    assert not flow.start()
    assert "cautions" in flow.obstacle
    flow.acknowledged = True
    assert (flow.obstacle, flow.severity) == ("", "look")
    assert flow.headline == ("Ready", "1 point to look at")
    assert flow.start()
    assert flow.answered.is_set()
    assert flow.record is not None
    assert flow.record.record() == {
        "version": VERSION, "at": "2026-03-01T12:00:00+00:00", "how": "set-up panel", "despite": [],
    }  # fmt: skip
    assert not flow.start(), "once"


def test_what_says_stop_has_to_be_overruled_and_is_kept() -> None:
    flow = flow_of(stopped(), acknowledged=True)
    assert flow.headline[0] == "Not ready"
    assert flow.hindered
    assert not flow.start()
    assert "start anyway" in flow.obstacle
    flow.anyway = True
    assert flow.start()
    assert flow.record is not None
    despite = " | ".join(flow.record.despite)
    assert "signal of E1: all zero" in despite
    assert "trigger of TRIG: no trigger" in despite


def test_overruling_is_not_kept_when_it_was_not_needed() -> None:
    flow = flow_of(good(), acknowledged=True)
    flow.anyway = True
    assert flow.start()
    assert flow.record is not None
    assert flow.record.despite == ()


def test_no_stream_is_a_reason_to_wait() -> None:
    flow = flow_of(unfound(), acknowledged=True)
    assert flow.severity == "wait"
    assert flow.headline[0] == "Not known yet"
    assert not flow.may_overrule, "it may come in a moment"
    flow.anyway = True
    assert not flow.start()
    flow._clock = lambda: flow._began_s + PATIENCE_S + 1
    assert flow.may_overrule
    assert flow.start()


def test_leaving_answers_without_a_run() -> None:
    flow = flow_of(good(), acknowledged=True)
    flow.leave()
    assert flow.answered.is_set()
    assert flow.record is None
    assert not flow.start()


def test_a_check_that_failed_does_not_hold_up_a_run_for_ever() -> None:
    heard = Heard(unfound())
    heard.failure = "ZeroDivisionError: a fault"
    flow = flow_of(unfound(), acknowledged=True)
    flow._listening = heard
    assert flow.headline == ("Not checked", "the check itself failed (ZeroDivisionError: a fault); a run can begin all the same")
    flow.anyway = True
    assert flow.start()


def test_the_newest_report_counts() -> None:
    heard = Heard(stopped())
    flow = flow_of(stopped(), acknowledged=True)
    flow._listening = heard
    assert flow.obstacle
    heard.report = good()
    assert flow.obstacle == ""


def test_a_finding_without_a_limit_names_none() -> None:
    finding = Finding("samples", "look", "some", "do something", value=math.nan)
    report = replace(good(), groups=(Group("stream", "Stream", (finding,)),))
    assert "Held against" not in step(report, "stream").rows[0].tip


def test_a_caution_of_this_plan_alone_is_read_and_kept_with_the_run() -> None:
    own = ("The trigger leaves by output 2",)
    report = replace(good(), own_cautions=own)
    assert tuple(row.said for row in step(report, "cautions").rows) == (*CAUTIONS, *own)
    flow = flow_of(report, acknowledged=True)
    assert flow.start()
    assert flow.record is not None
    assert flow.record.record()["also"] == list(own)
