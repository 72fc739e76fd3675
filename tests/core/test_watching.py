"""What is said of a stream beside the verdict, each against a stream with that one thing in it, and a clean one without."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.sources.channels import limit_of
from tests.synthetic import Stream, layout, play, stream

RATE = 8000.0


def clean(seed: int = 1, nv: float = 0.0, marked: bool = True, n_sweeps: int = 320, pause_ms: float = 20.0) -> Stream:
    """With triggers of double width at the first of each unit."""
    made = stream(np.random.default_rng(seed), RATE, n_sweeps, nv=nv, noise_uv=1.0, pause_ms=pause_ms)
    if marked:
        for onset in made.onsets[::16].astype(int):
            made.samples[-1, onset : onset + 16] = 5.0
    return made


def said(made: Stream, *kinds: str, mark_ms: float = 1.6, **how: Any) -> list[Event]:
    trigger = TriggerSettings(unit_mark_ms=mark_ms)
    settings = EngineSettings(layout(made), trigger=trigger, floor_nv=1.0, max_sweeps=100_000, **how)
    events = play(Engine(settings), made, [640] * 10_000)
    return [event for event in events if event.kind in kinds] if kinds else events


ALL = ("trigger_missing", "trigger_changed", "trigger_grid", "trigger_artefact", "noise_changed", "gap", "trigger_doubled")


def without(made: Stream, *numbers: int) -> Stream:
    for number in numbers:
        at = int(made.onsets[number])
        made.samples[-1, at : at + 20] = 0.0
    return made


@pytest.mark.parametrize("nv", [0.0, 1000.0])
def test_a_clean_stream_is_not_spoken_of(nv: float) -> None:
    assert said(clean(nv=nv), *ALL) == []


@pytest.mark.parametrize(("numbers", "counts"), [((37,), [1]), ((48,), [1]), ((50, 51, 100), [2, 1]), ((63, 64), [2])])
def test_missing_triggers_are_counted_by_the_marks_of_units(numbers: tuple[int, ...], counts: list[int]) -> None:
    events = said(without(clean(), *numbers), *ALL)
    assert [event.kind for event in events] == ["trigger_missing"] * len(counts)
    assert [event.count for event in events] == counts  # type: ignore[attr-defined]


def test_missing_triggers_of_a_regular_train_are_counted_by_its_interval() -> None:
    made = without(clean(marked=False, pause_ms=0.0), 90, 91, 130)
    assert [event.count for event in said(made, *ALL, mark_ms=np.nan)] == [2, 1]  # type: ignore[attr-defined]
    assert said(without(clean(marked=False), 140), *ALL, mark_ms=np.nan) == []  # pauses: not known


def test_a_trigger_line_that_is_turned_over_costs_its_sweeps() -> None:
    made = clean()
    at = int(3.0 * RATE)
    made.samples[-1, at:] = 5.0 - made.samples[-1, at:]
    events = said(made)
    changed = [event for event in events if event.kind == "trigger_changed"]
    assert len(changed) > 100
    left_out = [why for event in events if event.kind == "unit" for why in event.left_out]  # type: ignore[attr-defined]
    assert left_out.count("trigger_changed") >= len(changed) - 16


def test_a_gate_is_no_changed_pulse() -> None:
    made = stream(np.random.default_rng(1), RATE, 200, nv=0.0, trigger="gate")
    assert said(made, *ALL, mark_ms=np.nan) == []


@pytest.mark.parametrize("held", [2, 4, 8])
def test_a_trigger_channel_that_is_read_more_rarely_is_found(held: int) -> None:
    made = clean()
    line = made.samples[-1]
    made.samples[-1] = np.repeat(line[::held], held)[: len(line)]
    assert [event.samples for event in said(made, *ALL)] == [held]  # type: ignore[attr-defined]


def test_a_train_by_the_clock_of_the_eeg_is_not_said_to_be_held() -> None:
    made = clean(marked=False, pause_ms=0.0)
    steps = {int(step) for step in np.diff(made.onsets)}
    assert said(made, "trigger_grid", mark_ms=np.nan) == [] or len(steps) > 1


def test_what_leaks_from_the_trigger_is_found_and_a_response_is_not() -> None:
    leaky = clean()
    leaky.samples[0] += 0.2 * leaky.samples[-1]
    (event,) = said(leaky, *ALL)
    assert event.kind == "trigger_artefact"
    assert -0.5 < event.at_ms < 1.0  # type: ignore[attr-defined]


def test_noise_that_jumps_is_said_once_each_way() -> None:
    made = clean(n_sweeps=640)
    a, b = int(5 * RATE), int(9 * RATE)
    made.samples[0, a:b] = 1000.0 + 4.0 * (made.samples[0, a:b] - 1000.0)
    up, down = said(made, "noise_changed")
    assert up.now_uv > 2.5 * up.before_uv  # type: ignore[attr-defined]
    assert down.now_uv < 0.5 * down.before_uv  # type: ignore[attr-defined]


def test_a_sample_at_the_limit_of_its_format_is_saturation() -> None:
    """One sample of int16, at 0.01 uV a step."""
    made = clean()
    at = int(made.onsets[100]) + 50
    made.samples[0] -= 1000.0
    made.samples[0, at] = 327.67
    lay = replace(layout(made), uv_per_unit=0.01, limit=limit_of("int16"))
    made.samples[0] *= 100.0
    settings = replace(Plan().engine_settings(lay), trigger=TriggerSettings())
    assert settings.rail_uv == pytest.approx(327.67)
    events = play(Engine(settings), made)
    lefts = [why for event in events if event.kind == "unit" for why in event.left_out]  # type: ignore[attr-defined]
    assert lefts.count("saturation") == 3  # it rings through the filter into both neighbours
    assert limit_of("float32") == np.inf


def assert_refused(made: Stream, change: Callable[[Stream], None]) -> None:
    change(made)
    events = said(made)
    assert events[-1].kind == "verdict"
    assert (events[-1].verdict, events[-1].stopped_by) == ("inconclusive", "fault")  # type: ignore[attr-defined]
    assert "Set the amplifier's program right" in events[-1].reason  # type: ignore[attr-defined]


def test_a_rate_that_is_not_what_it_is_called_ends_the_run() -> None:
    def twice(made: Stream) -> None:
        made.stamps_s = 100.0 + (made.stamps_s - 100.0) / 2.0

    assert_refused(clean(n_sweeps=640), twice)


def test_stamps_that_stand_still_cost_the_sweeps_at_their_beginning_only() -> None:
    made = clean()
    at = int(made.onsets[100]) + 40
    made.stamps_s[at : at + 2000] = made.stamps_s[at - 1]
    events = said(made)
    (gap,) = [event for event in events if event.kind == "gap"]
    assert (gap.reason, gap.by_s, gap.lost_samples) == ("repeated", 0.0, 0)  # type: ignore[attr-defined]
    left_out = [why for event in events if event.kind == "unit" for why in event.left_out]  # type: ignore[attr-defined]
    assert 1 <= left_out.count("gap") <= 2
