"""The bench of speed in its smallest form: every part runs, its figures hold together. Nothing is asked of the clock."""

import importlib.util
import json
import math

import numpy as np
import pytest

from quietfloor.bench.devtools import speed
from quietfloor.bench.devtools.delay import PER_S
from quietfloor.bench.devtools.speed import Row, Size, TimeTaken, alternate, ratio, table

TINY = Size(
    engine_s=6.0, pairs=2, live_s=3.0, live_pairs=1, replay_s=8.0, display_s=4.0, memory_h=0.05, starts=1, channels=(1, 2),
    rates_hz=(4000.0, 8000.0), sweeps=(300, 600), scaling_s=4.0,
)  # fmt: skip


def measured(*names):
    rows, record = speed.measure(TINY, names)
    assert not [row for row in rows if row.found.startswith("failed")], rows
    json.dumps(record)  # as it is written
    return rows, record["parts"]


def test_engine_and_floor():
    rows, parts = measured("engine")
    for channels in ("2", "32"):
        found = parts["engine"][channels]
        length_s = found["stream_s"]
        assert found["sweeps"] == pytest.approx(length_s * PER_S, abs=48)  # whole blocks of 32, the first sweep after 12 ms
        cpu_s = float(np.median(found["engine"]["cpu_s"]))
        assert found["times_real_time"] == pytest.approx(length_s / cpu_s, rel=0.02)
        assert found["floor_ratio"] > 1  # nothing that averages is faster than reading
    assert [row.target for row in rows] == [">= 200 x", "", ">= 20 x", ""]


def test_epochs_of_the_floor_begin_with_the_sweeps():
    made = list(speed.chunks(stream := speed.make(2.0, 16000.0, 2)))
    engine = speed.engine_for(stream, 2.0)
    for chunk in made:
        engine.feed(chunk)
    epochs = speed.epochs_of(engine, made)
    samples = np.concatenate([chunk.samples for chunk in made], axis=1)
    onset = np.flatnonzero(np.diff(samples[-1]) > 0)[0] + 1
    before = round(-engine.settings.epoch.start_ms * 16)
    np.testing.assert_array_equal(epochs[0], samples[:-1, onset - before : onset - before + epochs.shape[-1]])


@pytest.mark.skipif(importlib.util.find_spec("mne") is None, reason="MNE-Python is not installed")
@pytest.mark.filterwarnings("ignore")
def test_mne_averages_the_same_sweeps():
    rows, parts = measured("mne")
    assert len(rows) == 3
    assert all(one["ratio"] > 0 for one in parts["mne"].values() if isinstance(one, dict))


def test_a_part_that_cannot_be_measured_says_what_to_install(monkeypatch):
    def missing(name):
        raise ImportError(name)

    monkeypatch.setattr(speed.importlib, "import_module", missing)
    rows, record = speed.measure(TINY, ["mne"])
    assert "quietfloor[bench]" in rows[0].found
    assert rows[0].met is None
    assert "skipped" in record["parts"]["mne"]


@pytest.mark.lsl
@pytest.mark.long
def test_delays_are_those_between_push_and_pull():
    _, parts = measured("delay")
    bare, run = parts["delay"]["bare"], parts["delay"]["run"]
    assert bare["n"] > 0.5 * TINY.live_s / 0.005  # chunks of 5 ms
    assert run["n"] >= 3
    for one in (bare, run):
        assert 0 < one["p50"] <= one["p99"] <= one["max"]
        assert 0 < one["cpu"] < 2


def test_replay_and_start(monkeypatch):
    few = ("quietfloor --help", "replay, without a window")
    monkeypatch.setattr(speed, "IMPORTS", {what: speed.IMPORTS[what] for what in few})
    _, parts = measured("replay", "start")
    assert parts["replay"]["looks"] >= 15  # 80.3 sweeps a second, 32 a look
    assert parts["replay"]["ratio"] > 1
    assert parts["start"]["imports"]["quietfloor --help"]["loads"] == []
    assert not any(one["unwanted"] for one in parts["start"]["imports"].values())


def test_scaling_counts_every_sample():
    rows, parts = measured("scaling")
    assert len(rows) == 7
    for what in ("channels", "rate", "sweeps"):
        found = parts["scaling"][what]
        assert len(found["rows"]) == 2
        assert math.isfinite(found["exponent"])
        assert all(one["us_per_sample"] > 0 for one in found["rows"])


def test_pairs_alternate_and_ratios_are_their_median():
    order = []

    def work(name, cpu_s):
        order.append(name)
        return TimeTaken(9.9, cpu_s)

    times = iter([2.0, 6.0, 40.0])
    slow, fast = alternate(3, lambda: work("slow", next(times)), lambda: work("fast", 2.0))
    assert order == ["slow", "fast"] * 3
    assert ratio(slow, fast) == 3.0


def test_the_table_names_what_was_missed():
    lines = table([Row("a", "1", "< 2", True), Row("longer", "3", "< 2", False), Row("b", "4")]).splitlines()
    assert [line.split()[-1] for line in lines[2:]] == ["met", "MISSED", "4"]
    assert lines[0].index("found") == lines[2].index("1")


def test_an_unknown_part_is_refused(capsys):
    with pytest.raises(SystemExit) as ended:
        speed.main(["--only", "engine,warp"])
    assert ended.value.code == 2
    assert "warp: no such part; there are engine" in capsys.readouterr().err


def test_a_file_with_versions_and_machine(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(speed.PARTS, "start", lambda size: speed.Found([Row("x", "1 s", "< 2 s", True)], {"x": 1}))
    out = tmp_path / "speed.json"
    assert speed.main(["--only", "start", "--out", str(out)]) == 0
    kept = json.loads(out.read_text())
    assert kept["parts"]["start"]["x"] == 1
    assert kept["machine"]["versions"]["numpy"] == np.__version__
    assert "met" in capsys.readouterr().out
