"""A real recording as noise: one second of 72 channels of somebody's EEG (tests/data/bdf), onsets at random."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from quietfloor.bench.simulate.recordings import Recording, load
from quietfloor.bench.validate.error_rate import main
from quietfloor.monitor.sources.recording import RecordingSource

REAL = Path(__file__).parents[2] / "data" / "bdf" / "third-party.bdf"


def test_no_alarm_of_the_default_rule_beyond_its_rate_on_real_eeg(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """200 runs at 1 %: more than 8 alarms would come by chance in one of 4,000 such tests."""
    channels = ",".join(RecordingSource(REAL).description.labels[:72])
    arguments = ["--rules", "evidence", "--response", "0,2000", "--runs", "200", "--max-sweeps", "512", "--jobs", "1"]
    noise = ["--recording", str(REAL), "--channel", channels, "--band", "100,900"]
    assert main([*noise, *arguments, "--out", str(tmp_path / "out"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    present = {row["size_nv"]: row["present"] / row["runs"] for row in found["rows"]}
    assert present[0.0] * 200 <= 8
    assert present[2000.0] > 0.85  # in the same noise, a large response is found
    assert found["recording"]["duration_s"] == pytest.approx(69.3, abs=1.0)
    assert found["recording"]["channel"] == channels


def test_channels_are_found_and_pieces_stay_apart() -> None:
    one, two = (load(Recording(REAL, channel), (100.0, 900.0)) for channel in ("Cz", "Cz,48,Fz"))
    assert (one.channel, two.channel) == ("Cz", "Cz,Fz")  # 48 is Cz
    assert len(two.pieces) == 2
    assert (one.pieces[0] == two.pieces[0]).all()
    with pytest.raises(ValueError, match="no channel 'Ohm': the stream has Fp1"):
        load(Recording(REAL, "Cz,Ohm"), (100.0, 900.0))
    with pytest.raises(ValueError, match="Status states no voltage unit"):
        load(Recording(REAL, "Status"), (100.0, 900.0))
