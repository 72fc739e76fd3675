"""Marks as values: order, intervals, and to and from a file."""

from __future__ import annotations

import json
import math

import pytest

from quietfloor.monitor.waves.marks import Estimate, Mark, Marks, Wave


def mark(wave: Wave, ms: float, half_ms: float = 0.1, nv: float = 300.0) -> Mark:
    latency, amplitude = Estimate(ms, ms - half_ms, ms + half_ms), Estimate(nv, nv - 50, nv + 50)
    return Mark(wave, latency, amplitude, "suggested", 100.0, 9.0, 0.99, 7.5)


ALL = Marks((mark("I", 1.7), mark("III", 3.8), mark("V", 5.7, 0.2), mark("trough", 7.4)))


def test_intervals_carry_the_noise_of_both() -> None:
    found = ALL.interval_ms("I", "V")
    assert found is not None
    assert found.value == pytest.approx(4.0)
    assert found.half == pytest.approx(math.hypot(0.1, 0.2))
    assert list(ALL.intervals()) == ["I-III", "III-V", "I-V"]
    assert list(ALL.without("III").intervals()) == ["I-V"]


def test_sides_of_a_difference_come_from_their_own_sides() -> None:
    """One wide above, the other wide below: only the upper side of the difference is wide."""
    late, early = Estimate(6.0, 5.9, 6.4), Estimate(2.0, 1.7, 2.1)
    found = late.less(early)
    assert found.value - found.low == pytest.approx(math.hypot(0.1, 0.1))
    assert found.high - found.value == pytest.approx(math.hypot(0.4, 0.3))


def test_a_later_wave_is_not_before_an_earlier_one_whatever_noise_may_have_done() -> None:
    near = Marks((mark("III", 5.0, 0.8), mark("V", 5.5, 0.8))).interval_ms("III", "V")
    assert near is not None
    assert (near.value, near.low) == (0.5, 0.0)
    assert near.high == pytest.approx(0.5 + 0.8 * math.sqrt(2))
    unknown = Marks((mark("III", 5.0, math.nan), mark("V", 5.5))).interval_ms("III", "V")
    assert unknown is not None
    assert math.isnan(unknown.low)


def test_order_is_kept() -> None:
    with pytest.raises(ValueError, match=r"wave III at 5\.80 ms does not come before wave V at 5\.70 ms"):
        ALL.put(mark("III", 5.8))
    with pytest.raises(ValueError, match="does not come before the trough"):
        ALL.put(mark("V", 7.4))
    with pytest.raises(ValueError, match="in the order"):
        Marks((mark("V", 5.7), mark("I", 1.7)))
    with pytest.raises(ValueError, match="each wave once"):
        Marks((mark("V", 5.7), mark("V", 5.9)))
    assert ALL.put(mark("III", 3.6)).get("III") == mark("III", 3.6)


def test_a_mark_is_what_it_says() -> None:
    with pytest.raises(ValueError, match="wave = 'IV'"):
        mark("IV", 5.0)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="by = 'me'"):
        Mark("V", Estimate(5.0), Estimate(1.0), "me", 0.0)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="needs a latency"):
        mark("V", math.nan)


def test_to_json_and_back() -> None:
    by_hand = Mark("V", Estimate(5.7), Estimate(math.nan), "operator", 120.0)
    marks = ALL.without("trough").put(by_hand)
    text = json.dumps(marks.record(), allow_nan=False)
    back = Marks.of_record(json.loads(text))
    assert json.dumps(back.record()) == text
    assert back.get("V") is not None
    assert repr(back) == repr(marks)  # nan is not equal to itself
    record = marks.record()
    assert record["marks"][2] == {
        "wave": "V", "by": "operator", "latency_ms": 5.7, "latency_low_ms": None, "latency_high_ms": None,
        "amplitude_nv": None, "amplitude_low_nv": None, "amplitude_high_nv": None,
        "height_nv": 120.0, "stands_out": None, "sure": None, "rival_ms": None,
    }  # fmt: skip
    assert record["intervals"]["I-III"]["ms"] == pytest.approx(2.1)


@pytest.mark.parametrize(
    "record", [{}, {"format": "other", "marks": []}, {"format": "quietfloor marks 1", "marks": [{"wave": "V"}]}]
)
def test_what_is_no_record_of_marks(record: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="no marks of this program"):
        Marks.of_record(record)
