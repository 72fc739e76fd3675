"""The measure of engine and search with both ears at once: it measures a recording that replays, at the rate it states."""

from __future__ import annotations

import json

import pytest

from quietfloor.bench.devtools.both_ears import main


def test_it_measures_a_recording_of_both_ears_that_replays(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--seconds", "12"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["identical"]
    assert found["stimuli_per_s"] >= 100.0
    assert 8.0 < found["stream_s"] <= 14.0
    assert found["choices"] > 4
    assert found["choice_p99_ms"] >= found["choice_p50_ms"] > 0.0
    assert found["unit_p99_ms"] >= found["unit_p50_ms"] > 0.0
    assert found["times_real_time"] > 0.0


def test_a_time_that_is_too_short_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--seconds", "1"]) == 2
    assert "--seconds 1 is outside 10 to 3600" in capsys.readouterr().err
