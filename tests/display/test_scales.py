"""Round numbers as people write them."""

import numpy as np
import pytest

from quietfloor.monitor.display.scales import clock, linear_ticks, log_ticks, nice_above, seconds_of, shortened, written


@pytest.mark.parametrize(("value", "nice"), [(1.0, 1.0), (1.01, 2.0), (4.9, 5.0), (5.1, 10.0), (0.03, 0.05), (730.0, 1000.0)])
def test_the_next_round_number(value: float, nice: float) -> None:
    assert nice_above(value) == pytest.approx(nice)


def test_linear_ticks_are_round_inside_and_few() -> None:
    assert linear_ticks(-0.5, 3.0, 6) == [0.0, 1.0, 2.0, 3.0]
    assert linear_ticks(-100, 100, 4) == [-100.0, -50.0, 0.0, 50.0, 100.0]
    assert linear_ticks(3, 3, 4) == [3]
    rng = np.random.default_rng(1)
    for low, span, most in zip(rng.normal(0, 100, 200), rng.lognormal(0, 4, 200), rng.integers(2, 12, 200), strict=True):
        ticks = linear_ticks(low, low + span, int(most))
        assert len(ticks) <= most + 1
        assert all(low - 1e-9 * span <= tick <= low + span * (1 + 1e-9) for tick in ticks)


def test_ticks_of_a_log_axis_are_numbers_that_people_say() -> None:
    assert log_ticks(9, 80, 7) == [10, 15, 20, 30, 50, 70]
    assert log_ticks(9, 80, 4) == [10, 20, 50]
    assert log_ticks(9, 2000, 5) == [10, 30, 100, 300, 1000]
    assert log_ticks(0.85, 1536, 2) == [1, 100]  # where all powers of ten are too many
    assert log_ticks(0.85, 1536, 1) == [1]
    assert log_ticks(41, 43, 5) == [pytest.approx(42, abs=0.1)]
    assert [written(value) for value in log_ticks(12, 6144, 9)] == ["20", "50", "100", "200", "500", "1,000", "2,000", "5,000"]


def test_no_power_of_ten_is_written_as_one() -> None:
    assert [written(value) for value in (0.5, -75, 15, 1000, 1e6, 0.30000000000000004)] == [
        "0.5", "\u221275", "15", "1,000", "1,000,000", "0.3",
    ]  # fmt: skip


def test_times_are_written_and_read_as_on_a_clock() -> None:
    assert [clock(seconds) for seconds in (-1, 7.9, 75, 3723)] == ["0:00", "0:07", "1:15", "1:02:03"]
    assert [seconds_of(text) for text in ("0:07", " 75 ", "1:02:03", "1:30.5")] == [7.0, 75.0, 3723.0, 90.5]
    for wrong in ("", "soon", "1:2:3:4", "-3", "nan"):
        with pytest.raises(ValueError, match="give minutes:seconds"):
            seconds_of(wrong)


SENTENCE = "evidence −1.5 of 2.0, noise 44 nV of 20 nV, decision expected in 68 to 83 s"


@pytest.mark.parametrize(
    ("text", "room", "shown"),
    [
        (SENTENCE, 80, SENTENCE),
        (SENTENCE, 60, "evidence −1.5 of 2.0, noise 44 nV of 20 nV …"),
        (SENTENCE, 30, "evidence −1.5 of 2.0 …"),
        (SENTENCE, 18, "evidence …"),
        (SENTENCE, 5, "…"),
        ("100 to 1500 Hz · processing lag 12 ms", 20, "100 to 1500 Hz …"),
        ("100 to 1500 Hz · processing lag 12 ms", 12, "…"),
        ("no response larger than 71 nV (true in 95 of 100 runs)", 45, "no response larger than 71 nV …"),
        ("no response larger than 71 nV (true in 95 of 100 runs)", 25, "…"),
        ("does not count any more; it was: response present", 40, "does not count any more …"),
        ("4,000 sweeps", 8, "…"),
    ],
)
def test_a_text_is_never_cut_inside_a_number_or_before_what_it_is_about(text: str, room: int, shown: str) -> None:
    assert shortened(text, lambda words: len(words) <= room) == shown


def test_what_is_left_of_a_text_begins_it_and_fits() -> None:
    for room in range(1, 100):
        shown = shortened(SENTENCE, lambda words, room=room: len(words) <= room)  # type: ignore[misc]
        assert len(shown) <= room
        assert shown == SENTENCE or SENTENCE.startswith(shown.removesuffix("…").rstrip())
