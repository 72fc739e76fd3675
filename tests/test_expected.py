"""Expected latencies: published rows come out, and the bracket holds published spreads."""

import pytest

from monitor.expected import ANYWHERE_MS, CLICK_ADULT, wave_v_bracket_ms, wave_v_ms

WINDOW = (5.0, 17.0)


@pytest.mark.parametrize(("level", "latency", "sd"), CLICK_ADULT)
def test_published_adult_rows(level: float, latency: float, sd: float) -> None:
    """Elberling, Callo & Don 2010 (J Acoust Soc Am 128:215), click."""
    assert wave_v_ms(level, "adult") == pytest.approx(latency)
    low, high = wave_v_bracket_ms("click", level, "adult", WINDOW)
    assert low <= max(latency - 1.2 * sd, WINDOW[0])
    assert high >= latency + 2 * sd


def test_published_slopes() -> None:
    """50 us/dB from 20 to 40, 36 us/dB from 40 to 60 dB nHL: computed from the same table."""
    assert (wave_v_ms(20, "adult") - wave_v_ms(40, "adult")) / 20 == pytest.approx(0.0505)
    assert (wave_v_ms(40, "adult") - wave_v_ms(60, "adult")) / 20 == pytest.approx(0.0355)


def test_newborn_row() -> None:
    """47 term newborns, 80 dB HL: wave V 6.75 ms, SD 0.38 (Arq Neuropsiquiatr 2003); within two SDs of what is expected."""
    assert wave_v_ms(80, "infant") == pytest.approx(6.75, abs=2 * 0.38)
    low, high = wave_v_bracket_ms("click", 80, "infant", WINDOW)
    assert low < 6.75 - 0.38 < 6.75 + 2 * 0.38 < high


def test_latency_falls_with_level_and_the_unknown_is_wide() -> None:
    latencies = [wave_v_ms(level, "adult") for level in range(0, 100, 5)]
    assert latencies == sorted(latencies, reverse=True)
    assert wave_v_bracket_ms(None, None, None, WINDOW) == ANYWHERE_MS
    assert wave_v_bracket_ms("click", 100, "adult", WINDOW)[0] == WINDOW[0]
