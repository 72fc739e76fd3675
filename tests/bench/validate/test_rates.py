"""What a second of recording is worth, at several rates and with several sounds at once."""

from __future__ import annotations

import json

import numpy as np
import pytest

from quietfloor.bench.patient.adaptation import at_rate
from quietfloor.bench.validate.rates import NOISE_UV, RATE_PER_S, main, onsets_s, sound_of, worths

CHIRP = sound_of("left", 1000.0, 40.0)


def test_one_sound_alone_is_worth_its_rate_times_the_energy_of_its_adapted_response() -> None:
    fine_ms = (np.arange(CHIRP.response_uv.size) / 32.0) - 100.0
    inside = (fine_ms >= CHIRP.window_ms[0]) & (fine_ms <= CHIRP.window_ms[1])
    for rate_per_s in (10.0, 39.1, 100.0):
        (onsets,) = onsets_s([CHIRP], rate_per_s, 12.0)
        (found,) = worths([CHIRP], rate_per_s, 12.0)
        per_s = len(onsets) / (onsets[-1] - onsets[0])
        energy = (CHIRP.response_uv[inside] ** 2).mean() * at_rate(rate_per_s).size ** 2
        assert found == pytest.approx(per_s * energy / NOISE_UV**2, rel=0.12)  # the first sounds after a pause answer more


def test_the_other_ear_costs_its_rest_and_a_frequency_nearby_more_than_one_far_away() -> None:
    (alone,) = worths([CHIRP], RATE_PER_S, 20.0)
    ears = worths([CHIRP, sound_of("right", 1000.0, 40.0)], RATE_PER_S, 20.0)
    assert 1.7 < sum(ears) / alone < 2.0
    beside = {hz: worths([CHIRP, sound_of("left", hz, 40.0)], RATE_PER_S, 20.0)[0] for hz in (1000.0, 2000.0, 4000.0)}
    assert beside[1000.0] < beside[2000.0] < beside[4000.0] < alone


def test_command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietfloor.bench.validate.rates.RATES_PER_S", (RATE_PER_S,))
    assert main(["--rates", "--level", "95"]) == 2
    assert "0 to 90 dB nHL" in capsys.readouterr().err
    assert main(["--rates", "--seconds", "10", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["rates"]
    assert row["one_ear"] == pytest.approx(1.0)
    assert row["windows_that_fit"] == 4
    assert row["both_ears_two_frequencies"] > row["both_ears"] > row["one_ear_two_frequencies"] > 1.3
    assert main(["--rates", "--seconds", "10"]) == 0
    assert "| 39.1 | 1.00 | " in capsys.readouterr().out
