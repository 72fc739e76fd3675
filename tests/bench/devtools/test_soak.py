"""A short soak holds what a long one must, and notices what it is there to notice."""

import json

import pytest

from quietfloor.bench.devtools import soak
from quietfloor.monitor.storage.run_folder import RunFolder


@pytest.fixture
def folder(tmp_path):
    made = RunFolder.create(tmp_path)
    yield made
    made.close()


@pytest.mark.long
def test_a_made_stream_is_recorded_whole_at_its_own_rate(folder):
    result = soak.accelerated(0.05, 4000.0, 2, 5, folder)
    assert all(result["met"].values()), json.dumps(result, indent=1)
    assert result["samples"] == 0.05 * 3600 * 4000
    assert result["rate_ppm"][0] == pytest.approx(soak.PPM, abs=0.01)
    # 80 triggers a second: 50 samples apart at 4 kHz
    assert result["sent"]["triggers"] == 0.05 * 3600 * 80


def test_noise_that_grows_is_noticed(folder, monkeypatch):
    class Louder(soak.MadeStream):
        def pull(self, timeout_s=0.5):
            chunk = super().pull(timeout_s)
            chunk.samples[:-1] *= 1.0 + self.sent / self._end
            return chunk

    monkeypatch.setattr(soak, "MadeStream", Louder)
    met = soak.accelerated(0.05, 4000.0, 1, 5, folder)["met"]
    assert not met.pop("noise")
    assert all(met.values())


def test_a_time_that_is_too_short_to_tell_is_refused(folder):
    with pytest.raises(RuntimeError, match="longer"):
        soak.accelerated(0.001, 4000.0, 1, 5, folder)
