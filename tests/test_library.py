"""docs/library.md runs from top to bottom, and its averages are those of MNE-Python (a general EEG library)."""

from typing import Any

import numpy as np
import pytest

from tests.documents import ROOT, blocks

mne = pytest.importorskip("mne")


@pytest.fixture(scope="module")
def page() -> dict[str, Any]:
    names: dict[str, Any] = {}
    for block in blocks("python", (ROOT / "docs/library.md").read_text(encoding="utf-8")):
        if "open_run" not in block:  # that needs a stream: tests/live/test_opening.py
            exec(compile(block, "docs/library.md", "exec"), names)
    return names


def test_the_page_finds_its_response(page: dict[str, Any]) -> None:
    assert page["result"].verdict == page["of_epochs"].verdict == "response present"
    assert page["analysis"].result.verdict == "response present"
    assert page["analysis"].result.given < page["n_sweeps"]
    assert page["of_epochs"].band_hz == (100.0, 1500.0)
    np.testing.assert_allclose(page["of_epochs"].times_ms, 1e3 * page["epochs"].times, atol=1e-9)


def test_the_average_is_that_of_mne_with_the_weights_of_units(page: dict[str, Any]) -> None:
    """MNE averages the accepted sweeps of each unit; weights are n / variance over the window, written out here."""
    epochs, result = page["epochs"], page["of_epochs"]
    window = slice(*np.searchsorted(result.times_ms, [5.0 - 1e-6, 17.0 + 1e-6]))
    total, weights = np.zeros(len(result.times_ms)), 0.0
    for first in range(0, result.given - result.waiting, 16):
        kept = [number for number in range(first, first + 16) if number not in result.rejected]
        mean_uv = 1e6 * epochs[kept].average().get_data()[0]
        points = 1e6 * epochs[kept].get_data()[:, 0, window][..., ::2] - mean_uv[window][::2]  # at about 4 kHz
        weight = len(kept) / (np.square(points).sum() / ((len(kept) - 1) * points.shape[-1]))
        total, weights = total + weight * mean_uv, weights + weight
    np.testing.assert_allclose(result.average_uv[0], total / weights, atol=1e-9)
    assert result.residual_noise_nv == pytest.approx(1e3 / np.sqrt(weights), rel=0.2)


def test_the_page_separates_responses_that_overlap(page: dict[str, Any]) -> None:
    """Its response is that of the page, filtered; the noise that it names covers the difference."""
    alone = np.zeros(1600)
    alone[800:960] = 0.5 * np.exp(-0.5 * ((page["ms"] - 7.0) / 0.6) ** 2)
    truth = np.convolve(alone, page["taps"], mode="same")[760:960]
    left_nv = 1e3 * np.std(page["separated"].response_uv - truth)
    assert 0 < page["used"].sum() < len(page["used"])
    assert left_nv == pytest.approx(page["left_nv"], rel=0.25)
    mean_uv = page["overlapping_uv"][page["used"]].mean(axis=0)
    assert 1e3 * np.std(mean_uv - truth) > 2.5 * left_nv  # measured 3.0


def test_what_has_no_sweeps_or_no_volts_is_refused(page: dict[str, Any]) -> None:
    import quietfloor

    with pytest.raises(ValueError, match="holds no sweeps"):
        quietfloor.analyse(page["epochs"].average())
    with pytest.raises(ValueError, match="leave rate_hz out"):
        quietfloor.analyse(page["epochs"], rate_hz=16000.0)
    other = page["epochs"].copy().set_channel_types({"Cz-M2": "misc"}, on_unit_change="ignore")
    with pytest.raises(ValueError, match="channels of type misc"):
        quietfloor.analyse(other)
    volts = page["epochs"].get_data()
    with pytest.raises(ValueError, match="multiply by 1e6"):
        quietfloor.analyse(volts, rate_hz=8000.0, start_ms=-2.0)
