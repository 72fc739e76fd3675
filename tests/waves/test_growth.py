"""Growth with level, in words: as expected, not, or not to be told."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from quietfloor.monitor.waves.growth import growth, ladder_growth
from quietfloor.monitor.waves.marks import Estimate, Mark, Marks
from quietfloor.monitor.waves.norms_file import load_norms

NORMS = load_norms()


def wave_v(ms: float, nv: float, half_ms: float = 0.1, half_nv: float = 40.0) -> Marks:
    latency, amplitude = Estimate(ms, ms - half_ms, ms + half_ms), Estimate(nv, nv - half_nv, nv + half_nv)
    return Marks((Mark("V", latency, amplitude, "suggested", 100.0, 9.0, 1.0),))


def found(lower: Marks, higher: Marks, low: float = 35.0, high: float = 40.0, stimulus: str = "octave-chirp") -> tuple[str, str]:
    growing = growth(lower, low, higher, high, NORMS, stimulus, "adult")
    assert growing is not None
    return growing.finding, growing.words


def test_the_sentence() -> None:
    finding, words = found(wave_v(7.9, 250), wave_v(7.6, 300))
    assert finding == "as expected"
    assert words == "at +5 dB wave V is 0.3 ms earlier and 20 % larger: as expected"


def test_published_growth_is_expected() -> None:
    """Click from 20 to 40 dB nHL: 1.01 ms earlier, 256 to 368 nV (Elberling, Callo & Don 2010, secondary)."""
    growing = growth(wave_v(7.60, 256), 20, wave_v(6.59, 368), 40, NORMS, "click", "adult")
    assert growing is not None
    assert growing.finding == "as expected"
    assert (growing.usual_ms, growing.usual_ratio) == pytest.approx((-1.01, 368 / 256))
    assert (growing.latency_ms.value, growing.ratio.value) == pytest.approx((-1.01, 368 / 256))
    assert growing.latency_ms.half == pytest.approx(math.hypot(0.1, 0.1))


@pytest.mark.parametrize(
    ("higher", "words"),
    [
        (wave_v(8.4, 300), "at +5 dB wave V is 0.5 ms later and 20 % larger: not as expected"),
        (wave_v(7.6, 120, half_nv=20), "at +5 dB wave V is 0.3 ms earlier and 50 % smaller: not as expected"),
        (wave_v(6.2, 300), "at +5 dB wave V is 1.7 ms earlier and 20 % larger: not as expected"),
    ],
)
def test_what_a_response_does_not_do(higher: Marks, words: str) -> None:
    """Later, much smaller, or far earlier: such as a mark on another peak."""
    finding, said = found(wave_v(7.9, 250), higher)
    assert finding == "not as expected"
    assert said.startswith(words)
    assert "look at both marks again" in said


def test_noise_is_not_growth() -> None:
    """Where the intervals are wide nothing is claimed, whatever the values are."""
    for ms, nv in ((7.6, 300), (8.2, 240)):
        finding, words = found(wave_v(7.9, 250, half_ms=0.8), wave_v(ms, nv, half_ms=0.8))
        assert finding == "not certain"
        assert "too noisy" in words
    finding, _ = found(wave_v(7.9, 250, half_nv=260), wave_v(7.6, 300))  # the lower one may be nothing at all
    assert finding == "not certain"
    by_hand = Marks((Mark("V", Estimate(7.6), Estimate(math.nan), "operator", 10.0),))
    assert found(wave_v(7.9, 250), by_hand)[0] == "not certain"


def test_nothing_is_told_from_a_suggestion_that_noise_alone_explains() -> None:
    """Kept as they were by an earlier version, such as one that stands out by 2.4 SDs; a person's mark of that size counts."""
    (v,) = wave_v(7.6, 300).marks
    weak = Marks((replace(v, stands_out=2.4),))
    by_hand = Marks((replace(v, stands_out=2.4, by="operator"),))
    assert growth(wave_v(7.9, 250), 35, weak, 40, NORMS, "click", "adult") is None
    assert growth(wave_v(7.9, 250), 35, by_hand, 40, NORMS, "click", "adult") is not None
    series = [(30.0, wave_v(8.2, 200)), (35.0, weak), (40.0, wave_v(7.6, 300))]
    assert [(one.from_db_nhl, one.to_db_nhl) for one in ladder_growth(series, NORMS, "click", "adult")] == [(30.0, 40.0)]


def test_the_same_again() -> None:
    assert found(wave_v(7.9, 250), wave_v(7.88, 252))[1] == "at +5 dB wave V is at the same time and as large: as expected"


def test_nothing_to_compare() -> None:
    assert growth(Marks(), 35, wave_v(7, 300), 40, NORMS, "click", None) is None
    with pytest.raises(ValueError, match="lower level first"):
        growth(wave_v(7, 300), 40, wave_v(7, 300), 40, NORMS, "click", None)


def test_a_ladder_from_the_lowest_up() -> None:
    series = [(60.0, wave_v(5.88, 407)), (20.0, wave_v(7.6, 256)), (30.0, Marks()), (40.0, wave_v(6.59, 368))]
    steps = ladder_growth(series, NORMS, "click", "adult")
    assert [(step.from_db_nhl, step.to_db_nhl, step.finding) for step in steps] == [
        (20.0, 40.0, "as expected"), (40.0, 60.0, "as expected"),
    ]  # fmt: skip
    assert steps[1].words == "at +20 dB wave V is 0.7 ms earlier and 10 % larger: as expected"
