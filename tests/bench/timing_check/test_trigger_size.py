"""How small a trigger may be: what is measured holds against the noise that was put in."""

from __future__ import annotations

import pytest

from quietfloor.bench.timing_check.trigger_size import LARGEST_SD_MS, find
from quietfloor.monitor.readiness.trigger import CLEAR_SDS


@pytest.mark.parametrize("rate_hz", [4000.0, 16_000.0])
def test_what_the_check_calls_clear_is_found_and_timed(rate_hz: float) -> None:
    found = find(CLEAR_SDS, rate_hz, sweeps=200)
    assert (found.missed, found.false) == (0, 0)
    assert found.sd_ms < LARGEST_SD_MS / 4
    assert found.enough


def test_the_scatter_falls_as_the_size_grows() -> None:
    """Noise moves a crossing by itself over the slope there, so that four times the size has a quarter of the scatter."""
    small, large = (find(size, 8000.0, sweeps=400).sd_ms for size in (12.0, 48.0))
    assert small / large == pytest.approx(4.0, rel=0.25)


def test_what_is_lost_in_noise_is_not_called_enough() -> None:
    found = find(3.0, 4000.0, sweeps=200)
    assert found.missed + found.false > 20
    assert not found.enough
