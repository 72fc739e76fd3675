"""Trigger channels of every kind: what is learned, where the onsets are, and what must not be taken for one."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.onsets import Onset, OnsetFinder
from quietfloor.monitor.core.triggers import TriggerSettings, learn
from tests.synthetic import coloured_uv, spread_pulse

RATE = 8000.0
AUTO = TriggerSettings()


def find(x: np.ndarray, rate_hz: float = RATE, settings: TriggerSettings = AUTO, sizes: tuple[int, ...] = ()) -> list[Onset]:
    finder = OnsetFinder(rate_hz, settings)
    cuts = np.cumsum([0, *sizes])
    cuts = [*cuts[cuts < len(x)], len(x)]
    return [onset for a, b in pairwise(cuts) for onset in finder.feed(x[a:b])]


def positions(x: np.ndarray, rate_hz: float = RATE, settings: TriggerSettings = AUTO) -> np.ndarray:
    return np.array([onset.position for onset in find(x, rate_hz, settings)])


def pulses(at: np.ndarray, n: int, width: int, heights: object = 1.0) -> np.ndarray:
    x = np.zeros(n)
    for k, height in zip(at, np.broadcast_to(heights, len(at)), strict=True):  # type: ignore[call-overload]
        x[k : k + width] = height
    return x


def whole_numbers(rng: np.random.Generator, n_sweeps: int = 80, per_s: float = 47.1, lead: float = 0.2) -> np.ndarray:
    return np.round(lead * RATE + np.arange(n_sweeps) * RATE / per_s + rng.uniform(0, 40, n_sweeps)).astype(int)


AT = whole_numbers(np.random.default_rng(1))
N = int(AT[-1] + RATE)


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(pulses(AT, N, 8, 5.0), id="pulse"),
        pytest.param(pulses(AT, N, 1, 5.0), id="one sample"),
        pytest.param(pulses(AT, N, 8, -5.0) + 2.0, id="inverted"),
        pytest.param(pulses(AT, N, 8) - pulses(AT + 8, N, 8), id="bipolar"),
        pytest.param(pulses(AT, N, 8) * 1e-6 + 3.3, id="microvolts on an offset"),
        pytest.param(pulses(AT, N, 80), id="gate"),
        pytest.param(pulses(AT, N, 8, np.resize([1, 255, 17, 2], len(AT))), id="codes"),
        pytest.param(pulses(AT, N, 8, np.r_[np.full(60, 255), np.arange(1, 21)]), id="small codes last"),
        pytest.param(pulses(AT, N, 8, np.resize([1, 255], len(AT))).astype(np.int16).astype(float), id="codes as integers"),
    ],
)
def test_digital_edges_are_found_at_their_first_sample(line: np.ndarray) -> None:
    np.testing.assert_array_equal(positions(line), AT)


def test_a_noisy_digital_channel_is_still_digital() -> None:
    rng = np.random.default_rng(2)
    line = pulses(AT, N, 8, 1.0) + 0.05 * rng.standard_normal(N)
    np.testing.assert_array_equal(positions(line), AT)
    counts = np.round(1000 * pulses(AT, N, 8) + 20 * rng.standard_normal(N))  # a converter's counts, noise and all
    np.testing.assert_array_equal(positions(counts), AT)
    np.testing.assert_array_equal(positions(pulses(AT, N, 8) - pulses(AT + 8, N, 8) + 0.05 * rng.standard_normal(N)), AT)


@pytest.mark.parametrize(
    ("edge", "line", "expected"),
    [
        ("falling", pulses(AT, N, 80), AT + 80),
        ("rising", pulses(AT, N, 80, -1.0), AT + 80),
        ("falling", pulses(AT, N, 8, 5.0), AT + 8),
        ("rising", pulses(AT, N, 8, -5.0), AT + 8),
        ("rising", pulses(AT, N, 8, 5.0), AT),
    ],
)
def test_the_edge_can_be_chosen(edge: str, line: np.ndarray, expected: np.ndarray) -> None:
    np.testing.assert_array_equal(positions(line, settings=TriggerSettings(edge=edge)), expected)  # type: ignore[arg-type]


# Largest deviation in samples, and how much of it changes from onset to onset (the rest is a constant shift that the ringing
# of the pulse's other edges causes; at 4 kHz a 0.5 ms lobe is two samples long).
@pytest.mark.parametrize(
    ("rate_hz", "lobe_ms", "cutoff", "shift", "jitter"),
    [
        (16000.0, 1.0, 0.40, 0.005, 0.002),
        (16000.0, 0.5, 0.40, 0.02, 0.003),
        (16000.0, 1.0, 0.26, 0.01, 0.003),
        (8000.0, 1.0, 0.40, 0.02, 0.003),
        (8000.0, 1.0, 0.45, 0.02, 0.01),
        (8000.0, 0.5, 0.45, 0.04, 0.01),
        (8000.0, 0.5, 0.40, 0.05, 0.003),
        (4000.0, 1.0, 0.45, 0.04, 0.01),
        (4000.0, 0.5, 0.45, 0.15, 0.01),
    ],
)
def test_band_limited_pulses_between_samples(rate_hz: float, lobe_ms: float, cutoff: float, shift: float, jitter: float) -> None:
    rng = np.random.default_rng(3)
    onsets = 0.2 * rate_hz + np.arange(60) * rate_hz / 47.1 + rng.uniform(0, 5, 60)
    line = spread_pulse(int(onsets[-1] + 0.5 * rate_hz), onsets, rate_hz, lobe_ms, cutoff)
    error = positions(line, rate_hz) - onsets
    assert abs(error.mean()) < shift
    assert np.abs(error - error.mean()).max() < jitter


def test_unit_marks_are_told_by_the_width_of_the_first_lobe() -> None:
    for rate_hz in (4000.0, 8000.0, 16000.0):
        onsets = 0.2 * rate_hz + np.arange(64) * rate_hz / 46.9
        marked = np.arange(64) % 16 == 0
        n = int(onsets[-1] + 0.5 * rate_hz)
        line = spread_pulse(n, onsets[marked], rate_hz, 1.0) + spread_pulse(n, onsets[~marked], rate_hz, 0.5)
        found = find(line, rate_hz)
        wide = np.array([onset.width / rate_hz * 1e3 for onset in found])
        np.testing.assert_array_equal(wide >= 0.75, marked)
        digital = pulses(np.round(onsets).astype(int), n, int(5e-4 * rate_hz))
        digital += pulses(np.round(onsets[marked]).astype(int) + int(5e-4 * rate_hz), n, int(5e-4 * rate_hz))
        wide = np.array([onset.width / rate_hz * 1e3 for onset in find(digital, rate_hz)])
        np.testing.assert_allclose(wide, np.where(marked, 1.0, 0.5))


def test_a_step_that_stays_has_no_width() -> None:
    assert {onset.width for onset in find(pulses(AT, N, 80))} == {np.inf}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("kind", ["white", "coloured", "hum", "counts", "constant", "drift"])
def test_channels_without_triggers_teach_nothing(kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(12 * RATE)
    t = np.arange(n) / RATE
    line = {
        "white": lambda: rng.standard_normal(n),
        "coloured": lambda: coloured_uv(rng, (n,), RATE, 2.0),
        "hum": lambda: np.sin(2 * np.pi * 50 * t) + 0.1 * rng.standard_normal(n),
        "counts": lambda: np.round(3 * rng.standard_normal(n)),
        "constant": lambda: np.full(n, 7.0),
        "drift": lambda: 100 * t + rng.standard_normal(n),
    }[kind]()
    finder = OnsetFinder(RATE, AUTO)
    assert finder.feed(line) == []
    assert finder.model is None


def test_one_click_of_a_plug_is_no_trigger_and_the_real_ones_are_learned_after_it() -> None:
    line = pulses(AT, N, 8)
    line = np.r_[np.zeros(int(3 * RATE)), line]
    line[1000:1020] = 50.0
    np.testing.assert_array_equal(positions(line), AT + int(3 * RATE))


def test_a_doubled_trigger_is_marked_and_a_bounce_is_not_a_trigger() -> None:
    line = pulses(AT, N, 8)
    line[AT[20] + 12 : AT[20] + 16] = 1.0  # bounce 1.5 ms later
    line[AT[40] + 60 : AT[40] + 68] = 1.0  # a second pulse 7.5 ms later
    found = find(line)
    assert [onset.position for onset in found if onset.doubled] == [AT[40] + 60]
    assert len(found) == len(AT) + 1


def test_chatter_around_the_threshold_is_one_onset() -> None:
    line = pulses(AT, N, 80)
    line[AT[30] + 40 : AT[30] + 79 : 3] = 0.4  # 5 ms after the edge, never down to a quarter of the height
    np.testing.assert_array_equal(positions(line), AT)


def test_slow_triggers_and_triggers_before_learning_are_all_found() -> None:
    at = np.arange(20) * int(RATE / 5) + 3
    np.testing.assert_array_equal(positions(pulses(at, int(at[-1] + RATE), 8)), at)


def test_a_pulse_that_is_on_at_the_first_sample_is_not_an_onset() -> None:
    at = np.arange(60) * 170 - 4
    line = np.zeros(60 * 170 + 4000)
    for k in at:
        line[max(k, 0) : k + 8] = 1.0
    np.testing.assert_array_equal(positions(line), at[1:])


def test_triggers_that_begin_at_any_time_lose_none() -> None:
    for lead_s in (0.01, 0.3, 0.49, 1.2, 1.95, 2.4, 7.3):
        at = int(lead_s * RATE) + np.arange(40) * 168
        found = find(pulses(at, int(at[-1] + RATE), 8))
        np.testing.assert_array_equal([onset.position for onset in found], at, err_msg=f"lead {lead_s} s")


def test_a_segment_that_ends_in_a_pulse_still_gives_that_onset() -> None:
    line = pulses(AT, N, 8)
    finder = OnsetFinder(RATE, AUTO)
    found = finder.feed(line[: AT[50] + 3])
    assert [onset.position for onset in found] == list(AT[:50])
    assert [onset.position for onset in finder.cut_off()] == [AT[50]]
    finder.restart(AT[50] + 3)
    assert [onset.position for onset in finder.feed(line[AT[50] + 3 :])] == list(AT[51:])


def _mixed() -> np.ndarray:
    rng = np.random.default_rng(9)
    onsets = 900 + np.arange(50) * 171.3 + rng.uniform(0, 9, 50)
    return spread_pulse(int(onsets[-1] + 3000), onsets, RATE) + 0.01 * rng.standard_normal(int(onsets[-1] + 3000))


LINES = {"analogue": _mixed(), "gate": pulses(AT[:50], int(AT[50]), 80), "codes": pulses(AT[:50], int(AT[50]), 8, 3.0)}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from(sorted(LINES)),
    sizes=st.lists(st.one_of(st.integers(0, 3), st.integers(4, 5000)), max_size=80).map(tuple),
)
def test_any_cutting_gives_identical_onsets(kind: str, sizes: tuple[int, ...]) -> None:
    assert find(LINES[kind], sizes=sizes) == find(LINES[kind])


def test_sample_by_sample_gives_identical_onsets() -> None:
    assert find(LINES["analogue"][:6000], sizes=(1,) * 6000) == find(LINES["analogue"][:6000])


@pytest.mark.parametrize("spread", [1.3, 3.0])
def test_heights_that_vary_are_all_found(spread: float) -> None:
    """The threshold follows the smaller pulses."""
    heights = np.random.default_rng(4).uniform(1.0, spread, len(AT))
    model = learn(pulses(AT, N, 8, heights), RATE, AUTO, 4)
    assert model is not None
    assert model.threshold < 1.0
    np.testing.assert_array_equal(positions(pulses(AT, N, 8, heights)), AT)


@pytest.mark.parametrize("noise", [0.0, 1e-3])
def test_what_a_converter_rings_before_the_first_pulse_is_not_taken_for_pulses(noise: float) -> None:
    """The first pulse comes just where learning looks: its ringing alone is in sight, and must not teach anything."""
    for offset in range(-12, 14):
        onsets = 16_000 + offset + np.arange(40) * 170.3
        line = spread_pulse(23_500, onsets, 8000.0) + np.random.default_rng(0).normal(0, noise, 23_500)
        found = OnsetFinder(8000.0, TriggerSettings()).feed(line)
        np.testing.assert_allclose([onset.position for onset in found], onsets, atol=0.5)
