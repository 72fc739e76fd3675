"""However the stream is cut into chunks, everything that the engine says and averages is the same, bit for bit."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.engine import Engine, EngineSettings
from quietfloor.monitor.core.events import AverageNow, Event
from quietfloor.monitor.core.triggers import TriggerSettings
from tests.synthetic import Stream, layout, play, stream

sizes = st.one_of(st.integers(1, 3), st.integers(4, 300), st.integers(300, 20_000))
cuttings = st.lists(st.one_of(sizes.map(lambda n: [n]), st.integers(1, 3).map(lambda n: [n] * 700)), max_size=60).map(
    lambda parts: [size for part in parts for size in part]
)


def lost(made: Stream, at_s: float, samples: int) -> None:
    """Remove samples from ``at_s`` on, as a network does: the stamps jump."""
    at = int(at_s * made.rate_hz)
    keep = np.r_[0:at, at + samples : len(made.stamps_s)]
    made.samples, made.stamps_s = made.samples[:, keep], made.stamps_s[keep]


@cache
def troubled(ending: str) -> tuple[Stream, EngineSettings]:
    """15 s at 4 kHz, 89 sweeps/s, with everything that goes wrong, ended by silence, by evidence, or by the noise floor."""
    rng = np.random.default_rng(5)
    nv = 900.0 if ending == "response" else 0.0
    made = stream(rng, 4000.0, n_sweeps=1100, per_s=89.0, nv=nv, channels=2, trigger="bipolar", pause_ms=5.0, lead_s=2.2)
    rate = made.rate_hz
    for at_s in (3.0, 3.4, 6.01):  # artefact bursts
        a = int(at_s * rate)
        made.samples[0, a : a + 600] += 40 * rng.standard_normal(600)
    made.samples[1, int(4.2 * rate) : int(4.4 * rate)] = 0.0  # a dead second channel
    made.samples[0, int(4.7 * rate) : int(4.72 * rate)] = 5000.0  # at the rail
    for at_s in (4.0, 7.5):  # an extra trigger in the middle between two
        k = int(at_s * rate)
        made.samples[-1, k : k + 4], made.samples[-1, k + 4 : k + 8] = 1.0, -1.0
    made.samples[0, int(5.0 * rate) : int(5.1 * rate)] = np.nan
    made.samples[-1, int(5.2 * rate)] = np.inf
    made.samples[0, int(5.2 * rate) + 1 : int(5.2 * rate) + 3] = np.nan
    lost(made, 5.6, 333)
    lost(made, 5.7, 2)
    made.stamps_s[int(8.0 * rate) :] -= 0.02  # the sender's clock goes back
    made.stamps_s[int(8.5 * rate) :] += 0.5
    made.samples[0, int(8.5 * rate) :][:40] = np.nan  # not finite from the very sample of a jump on
    if ending == "silence":
        made.samples[-1, int(9.0 * rate) :] = 0.0
        extra = int(12 * rate)
        tail = np.vstack([rng.standard_normal((2, extra)), np.zeros((1, extra))])
        tail[:, -int(rate / 2) :] += made.samples[:, int(6 * rate) :][:, : int(rate / 2)]  # triggers again, too late
        made.samples = np.hstack([made.samples, tail])
        made.stamps_s = np.r_[made.stamps_s, made.stamps_s[-1] + np.arange(1, extra + 1) / rate]
    floor = {"silence": 1.0, "response": 1.0, "floor": 95.0}[ending]
    made.stamps_s *= 1.0 + 3e-4  # 300 ppm off
    return made, EngineSettings(
        layout(made), floor_nv=floor, window_ms=(5.0, 14.0), trigger=TriggerSettings(), rail_uv=4000.0, epoch_ms=(-1.0, 15.0)
    )


def run(ending: str, cutting: list[int]) -> tuple[list[Event], AverageNow, Engine]:
    made, how = troubled(ending)
    engine = Engine(how)
    events = play(engine, made, cutting)
    return events, engine.average_now(), engine


@cache
def whole(ending: str) -> tuple[list[Event], AverageNow, Engine]:
    return run(ending, [])


def assert_same(ending: str, cutting: list[int]) -> None:
    events, average, engine = run(ending, cutting)
    expected_events, expected_average, expected_engine = whole(ending)
    assert [event.record() for event in events] == [event.record() for event in expected_events]
    for name in ("times_ms", "average_uv", "a_uv", "b_uv", "plus_minus_uv"):
        np.testing.assert_array_equal(getattr(average, name), getattr(expected_average, name))
    np.testing.assert_equal(engine.rate.ppm(), expected_engine.rate.ppm())
    assert engine.lost_samples == expected_engine.lost_samples
    assert engine.counts == expected_engine.counts
    assert engine.intervals == expected_engine.intervals


@pytest.mark.parametrize("ending", ["silence", *(pytest.param(one, marks=pytest.mark.long) for one in ("response", "floor"))])
@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(cutting=cuttings)
def test_any_cutting_gives_the_same_run(ending: str, cutting: list[int]) -> None:
    assert_same(ending, cutting)


@pytest.mark.parametrize("ending", ["silence", "response", "floor"])
@pytest.mark.parametrize("size", [17, 40, 4096])
def test_regular_cuttings_give_the_same_run(ending: str, size: int) -> None:
    assert_same(ending, [size] * 20_000)


def test_sample_by_sample_gives_the_same_beginning() -> None:
    made, how = troubled("response")
    n = int(5.8 * made.rate_hz)
    short = replace(made, samples=made.samples[:, :n], stamps_s=made.stamps_s[:n])
    one, all_at_once = Engine(how), Engine(how)
    assert [e.record() for e in play(one, short, [1] * n)] == [e.record() for e in play(all_at_once, short)]
    np.testing.assert_array_equal(one.average_now().average_uv, all_at_once.average_now().average_uv)


@pytest.mark.parametrize(
    ("ending", "verdict", "stopped_by"),
    [
        ("silence", "inconclusive", "fault"),
        ("response", "response_present", "response"),
        ("floor", "inconclusive", "noise_floor"),
    ],
)
def test_the_troubled_streams_hold_what_they_claim(ending: str, verdict: str, stopped_by: str) -> None:
    events, _, engine = whole(ending)
    kinds = {event.kind for event in events}
    if ending == "silence":
        assert kinds == {
            "trigger_learned", "trigger_silent", "trigger_doubled", "gap", "rate_mismatch", "noise_changed", "unit", "look",
            "verdict",
        }
        assert {event.reason for event in events if event.kind == "gap"} == {"lost", "clock", "not_finite"}
        assert set(engine.counts.rejected) >= {"gap", "not_finite", "edge", "saturation", "trigger_doubled", "peak"}
    assert engine.verdict is not None
    assert (engine.verdict.stopped_by, events[-1]) == (stopped_by, engine.verdict)


@pytest.mark.parametrize("ending", ["silence", "response", "floor"])
def test_events_come_in_the_order_of_their_samples(ending: str) -> None:
    events, _, _ = whole(ending)
    samples = [event.sample for event in events]
    assert samples == sorted(samples)
    assert sum(event.kind == "verdict" for event in events) == 1
