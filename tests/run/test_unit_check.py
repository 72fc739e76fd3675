"""Which unit a stream is in, settled on its first second."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.run.unit_check import PreflightError, band_rms, settle_unit
from tests.synthetic import coloured_uv

BAND = Band(8000.0)


def first_second(rms_uv: float = 3.0) -> np.ndarray:
    return coloured_uv(np.random.default_rng(8), (1, 8000), 8000.0, rms_uv) + 20_000.0


def test_rms_is_that_of_the_band_whatever_the_offset_and_a_burst() -> None:
    eeg = first_second()
    assert band_rms(eeg, BAND) == pytest.approx(3.0, rel=0.1)
    eeg[0, 4000:4400] += 500 * np.sin(np.arange(400))
    assert band_rms(eeg, BAND) == pytest.approx(3.0, rel=0.2)
    assert math.isnan(band_rms(eeg[:, :100], BAND))


@pytest.mark.parametrize(("name", "factor"), [("microvolts", 1.0), ("millivolts", 1e3), ("volts", 1e6), ("nanovolts", 1e-3)])
def test_a_stated_unit_is_taken_when_it_is_plausible(name: str, factor: float) -> None:
    found = settle_unit(first_second() / factor, BAND, stated_uv=factor, given_uv=math.nan, label="Cz")
    assert (found.uv_per_unit, found.origin, found.note) == (factor, "stated by the stream", "")
    assert found.rms_uv == pytest.approx(3.0, rel=0.1)


def test_a_given_unit_wins() -> None:
    found = settle_unit(first_second() / 1e6, BAND, stated_uv=1.0, given_uv=1e6, label="Cz")
    assert (found.uv_per_unit, found.origin) == (1e6, "given")


@pytest.mark.parametrize(
    ("factor", "stated", "better"), [(1e6, 1.0, "volts"), (1.0, 1e6, "microvolts"), (1e3, 1e-3, "millivolts")]
)
def test_an_implausible_unit_is_refused_with_a_better_one(factor: float, stated: float, better: str) -> None:
    with pytest.raises(PreflightError, match=f"channel 'Cz' has .* uV RMS .* read as .*{better} it would be plausible.*--unit"):
        settle_unit(first_second() / factor, BAND, stated_uv=stated, given_uv=math.nan, label="Cz")


@pytest.mark.parametrize(("factor", "taken"), [(1.0, "microvolts"), (1e6, "volts")])
def test_without_a_unit_what_is_plausible_is_taken_and_said(factor: float, taken: str) -> None:
    found = settle_unit(first_second() / factor, BAND, stated_uv=math.nan, given_uv=math.nan, label="Cz")
    assert (found.uv_per_unit, found.origin) == (factor, f"assumed {taken}")
    assert f"taken as {taken}, which makes its noise 2.94 uV RMS" in found.note
    assert "--unit" in found.note


def test_without_a_unit_and_without_a_guess_one_is_asked_for() -> None:
    with pytest.raises(PreflightError, match="plausible neither as microvolts nor as volts: give --unit uV, mV or V"):
        settle_unit(first_second() * 1e4, BAND, stated_uv=math.nan, given_uv=math.nan, label="Cz")


@pytest.mark.parametrize("stated", [1.0, math.nan])
@pytest.mark.parametrize("value", [0.0, 1234.5, math.nan])
def test_a_dead_input_is_said(stated: float, value: float) -> None:
    found = settle_unit(np.full((1, 8000), value), BAND, stated_uv=stated, given_uv=math.nan, label="Cz")
    assert found.uv_per_unit == 1.0
    assert "channel 'Cz' did not change in the first 1 s: is its input connected?" in found.note
    assert "nan" not in found.note
    assert ("--unit" in found.note) == math.isnan(stated)
