"""What readers of other people find in exported files: onsets to the sample, amplitudes within one step, units, gaps."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import pyedflib
import pytest
import pyxdf

from quietfloor.monitor.cli import main
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.export.conftest import RATE_HZ, Made, cells, rows_of, write_run
from tests.synthetic import stream

Export = Callable[..., list[dict[str, Any]]]


def read(reader: str, path: Path, mne: Any) -> tuple[np.ndarray, list[str], list[str], list[tuple[float, str]], float]:
    """Samples (n_channels, n) in uV as the reader gives them, labels, units as far as it tells, annotations, rate in Hz."""
    if reader == "mne":
        open_it = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
        raw = open_it(path, preload=True, verbose="error")
        data = raw.get_data()
        scaled = [1e6 if raw._orig_units[name].endswith("V") else 1.0 for name in raw.ch_names]  # it gives V
        notes = list(zip(raw.annotations.onset.tolist(), map(str, raw.annotations.description), strict=True))
        return data * np.array(scaled)[:, np.newaxis], raw.ch_names, list(raw._orig_units.values()), notes, raw.info["sfreq"]
    if reader == "pyedflib":
        with pyedflib.EdfReader(str(path)) as file:
            data = np.stack([file.readSignal(index) for index in range(file.signals_in_file)])
            onsets, _, texts = file.readAnnotations()
            units = [file.getPhysicalDimension(index) for index in range(len(data))]
            return data, file.getSignalLabels(), units, list(zip(onsets.tolist(), map(str, texts), strict=True)), \
                file.getSampleFrequency(0)  # fmt: skip
    found: Any = (edfio.read_bdf if path.suffix == ".bdf" else edfio.read_edf)(path)
    notes = [(note.onset, note.text) for note in found.annotations]
    data = np.stack([signal.data for signal in found.signals])
    units = [signal.physical_dimension for signal in found.signals]
    return data, list(found.labels), units, notes, found.signals[0].sampling_frequency


READERS = ("mne", "pyedflib", "edfio")


@pytest.mark.parametrize("reader", READERS)
def test_onsets_to_the_sample_and_values_within_a_step(reader: str, plain: Made, export: Export, mne: Any) -> None:
    (told,) = export("bdf", plain.path)
    data, labels, units, notes, rate_hz = read(reader, Path(told["file"]), mne)
    n = plain.samples.shape[1]
    assert rate_hz == RATE_HZ
    assert labels == ["Cz-M2", "Cz-M1", "trigger analogue"]  # "trigger" would be taken for event codes, which it has not
    assert [unit.replace("µ", "u") for unit in units[:2]] == ["uV", "uV"]
    assert data.shape[1] == n + told["padding_samples"]
    steps = [channel["step"] for channel in told["channels"]]
    assert max(steps[:2]) < 2e-6  # uV
    for row, exact, step in zip(data[:2, :n], plain.samples[:2].astype(np.float64), steps, strict=False):
        assert np.abs(row - exact).max() <= step
        assert np.abs(row - exact).max() > 0  # it was rounded, and the bound is no accident
    assert np.array_equal(data[2, :n].astype(np.float32), plain.samples[2])
    onsets = np.array([at for at, text in notes if text.startswith("stimulus")]) * rate_hz
    assert np.abs(onsets - plain.onsets).max() < 0.001
    others = [text for _, text in notes if not text.startswith("stimulus")]
    assert others == [f"BAD end: {told['padding_samples']} samples of padding"]


@pytest.mark.parametrize("reader", READERS)
def test_after_a_gap_everything_stands_at_its_time(reader: str, holed: Made, export: Export, mne: Any) -> None:
    (told,) = export("bdf", holed.path)
    data, _, _, notes, rate_hz = read(reader, Path(told["file"]), mne)
    n, steps = holed.samples.shape[1], [channel["step"] for channel in told["channels"]]
    assert told["filled_samples"] == 1237
    assert data.shape[1] == n + told["padding_samples"]
    known = np.isfinite(holed.samples).all(axis=0)
    known[9_000:10_237] = False
    for row, exact, step in zip(data[:2, :n], holed.samples[:2].astype(np.float64), steps, strict=False):
        assert np.abs(row[known] - exact[known]).max() <= step
        assert np.abs(row[9_000:10_237] - exact[8_999]).max() <= step  # the value before goes on
        assert np.isfinite(row).all()
    there = [at for at, text in notes if text.startswith("stimulus")]
    lost = (holed.onsets >= 9_000) & (holed.onsets < 10_237)
    expected = holed.onsets[~lost & ~((holed.onsets >= 12_000) & (holed.onsets < 12_040))]
    assert np.abs(np.array(there) * rate_hz - expected).max() < 0.001
    open_end = [at for at, text in notes if text == "stimulus, not judged"]
    assert len(open_end) < 16  # of the last unit, which was not complete
    assert all(at >= there[-16] for at in open_end)
    said = {text: at for at, text in notes if text.startswith("BAD")}
    assert said["BAD gap: 1237 samples lost, the value before goes on in their place"] * rate_hz == pytest.approx(9_000)
    assert said["BAD values: values that are no numbers"] * rate_hz == pytest.approx(12_000)


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("form", ["edf", "bdf"])
def test_whole_numbers_come_back_exactly_in_16_bits_too(reader: str, form: str, counted: Made, export: Export, mne: Any) -> None:
    (told,) = export(form, counted.path)
    data, labels, _, notes, _ = read(reader, Path(told["file"]), mne)
    n = counted.samples.shape[1]
    assert [channel["exact"] for channel in told["channels"]] == [True, True, True]
    assert np.array_equal(np.rint(data[:2, :n]), counted.samples[:2])
    assert np.abs(data[:2, :n] - counted.samples[:2]).max() < 1e-6
    assert labels[2] == "trigger"
    assert np.array_equal(data[2, :n], counted.samples[2])  # codes as codes, for MNE too
    assert len([text for _, text in notes if text.startswith("stimulus")]) == len(counted.onsets)


def test_edf_is_refused_where_it_would_lose_something(
    plain: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(plain.path), "--to", "edf", "--out", str(tmp_path / "out")]) == 2
    assert "channel Cz-M2 takes finer steps than 16 bits can hold without loss" in (said := capsys.readouterr().err)
    assert "--to bdf" in said
    assert list((tmp_path / "out").iterdir()) == []


def test_sweeps_carry_what_became_of_them(played: Path, export: Export) -> None:
    """Against the run itself, decided again, and its own trigger channel."""
    (told,) = export("bdf", played)
    units = []
    done = replay(RunFolder.open(played), on_events=lambda _, __, events: units.extend(e for e in events if e.kind == "unit"))
    expected = [(at, why) for unit in units for at, why in zip(unit.positions, unit.left_out, strict=True)]
    notes = [note for note in edfio.read_bdf(told["file"]).annotations if note.text.startswith("stimulus")]
    judged = [note for note in notes if "not judged" not in note.text]
    assert done.identical
    assert len(judged) == len(expected) >= 256
    for note, (at, why) in zip(judged, expected, strict=True):
        assert note.onset * 8000.0 == pytest.approx(at, abs=1e-3)
        assert note.text == ("stimulus" if why is None else f"stimulus, rejected: {why}")
    assert len(notes) > len(judged)  # the sound goes on for a moment after the decision


def test_the_recording_itself_is_copied_byte_for_byte(plain: Made, export: Export) -> None:
    (told,) = export("xdf", plain.path)
    assert Path(told["file"]).read_bytes() == (plain.path / "raw.xdf").read_bytes()
    streams, _ = pyxdf.load_xdf(told["file"], dejitter_timestamps=False)
    eeg = next(one for one in streams if one["info"]["type"] == ["EEG"])
    assert np.array_equal(eeg["time_series"].T, plain.samples)


def test_tables_hold_the_samples_to_the_last_digit(holed: Made, played: Path, export: Export) -> None:
    files = {Path(told["file"]).name.rpartition("-")[2]: Path(told["file"]) for told in export("csv", holed.path)}
    assert set(files) == {"samples.csv", "averages.csv", "events.csv"}
    head, *rows = cells(files["samples.csv"])
    assert head == ["sample", "stamp_s", "Cz-M2 [microvolts]", "Cz-M1 [microvolts]", "trigger"]
    kept = np.r_[0:9_000, 10_237 : holed.samples.shape[1]]
    back = np.array(rows, dtype=object)
    assert np.array_equal(back[:, 2:5].T.astype(np.float32), holed.samples[:, kept], equal_nan=True)
    assert np.array_equal(back[:, 1].astype(np.float64), holed.stamps_s[kept])
    mine = {Path(told["file"]).name.rpartition("-")[2]: Path(told["file"]) for told in export("csv", played)}
    averages = rows_of(mine["averages.csv"])
    deciding = [float(row["average_uv"]) for row in averages if row["channel"] == averages[0]["channel"]]
    assert deciding == RunFolder.open(played).read_average()["average_uv"].tolist()
    assert len({row["channel"] for row in averages}) == 2
    events = rows_of(mine["events.csv"])
    assert {row["level"] for row in events} == {"60"}
    assert {row["level_unit"] for row in events} == {"dB nHL"}


def test_nothing_is_overwritten_and_nothing_is_left_half(
    plain: Made, played: Path, export: Export, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in sorted(plain.path.iterdir())}
    for form in ("bdf", "xdf", "csv"):
        export(form, plain.path)
        names = sorted((tmp_path / "out").iterdir())
        assert main(["export", str(plain.path), "--to", form, "--out", str(tmp_path / "out")]) == 2
        assert "nothing is overwritten" in capsys.readouterr().err
        assert sorted((tmp_path / "out").iterdir()) == names
    assert not [path for path in (tmp_path / "out").iterdir() if path.suffix == ".part"]
    assert main(["export", str(played), "--to", "bids", "--out", str(tmp_path / "out")]) == 2
    assert {path: path.read_bytes() for path in sorted(plain.path.iterdir())} == before


def test_texts_of_others_and_odd_labels_are_kept_within_bounds(tmp_path: Path, export: Export, mne: Any) -> None:
    made = stream(np.random.default_rng(5), RATE_HZ, 32, channels=2)
    markers = [(100.5, "x" * 5000), (101.0, "línea\n\x00\x14 two"), (1e9, "long after"), (float("nan"), "never")]
    run = write_run(tmp_path / "ränge ..", made, markers=markers)
    (told,) = export("bdf", run.path)
    assert Path(told["file"]).parent == tmp_path / "out"
    for reader in READERS:
        notes = read(reader, Path(told["file"]), mne)[3]
        texts = {text: at for at, text in notes if not text.startswith(("stimulus", "BAD"))}
        assert texts == {"x" * 100: pytest.approx(0.5), "línea    two": pytest.approx(1.0)}


def test_a_run_that_ended_in_its_first_second_is_exported_too(plain: Made, tmp_path: Path, export: Export) -> None:
    """Without a plan nothing is known of its onsets; its samples are there all the same."""
    (tmp_path / "s" / "run-001").mkdir(parents=True)
    (tmp_path / "s" / "run-001" / "raw.xdf").write_bytes((plain.path / "raw.xdf").read_bytes()[:-300])
    (told,) = export("bdf", tmp_path / "s" / "run-001")
    assert told["cautions"][0] == "the recording was not closed: it goes as far as it was written"
    assert "nothing is said of its stimuli" in told["cautions"][1]
    found = edfio.read_bdf(told["file"])
    assert [note.text.split(":")[0] for note in found.annotations] == ["BAD end"]
    assert [signal.physical_dimension for signal in found.signals] == ["uV", "uV", ""]
    tables = export("csv", tmp_path / "s" / "run-001")
    assert [Path(one["file"]).name for one in tables] == ["s-run-001-samples.csv", "s-run-001-events.csv"]
    assert any("has no averages" in caution for caution in tables[0]["cautions"])


@pytest.mark.parametrize("stamps", [[1e308, -1e308], [1e300, 1e300], [float("nan")] * 2, [float("inf"), 0.0]])
def test_absurd_stamps_are_an_error_or_a_file(stamps: list[float], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = stream(np.random.default_rng(6), RATE_HZ, 48, channels=2)
    made.stamps_s[5_000::200] = stamps[0]
    made.stamps_s[5_001::200] = stamps[1]
    run = write_run(tmp_path / "s", made, markers=[(101.0, "here")])
    for form in ("bdf", "csv", "bids"):
        assert main(["export", str(run.path), "--to", form, "--out", str(tmp_path / form)]) in (0, 2)
        assert len(capsys.readouterr().err) < 1000
    assert sum(path.stat().st_size for path in tmp_path.rglob("*.bdf")) < 50_000_000


def test_without_edfio_the_line_that_installs_it_is_told(
    plain: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "edfio", None)
    assert main(["export", str(plain.path), "--to", "bdf", "--out", str(tmp_path / "out")]) == 2
    assert "python -m pip install edfio" in capsys.readouterr().err
    assert main(["export", str(plain.path), "--to", "csv", "--out", str(tmp_path / "out")]) == 0


def test_a_run_that_is_none_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for form in ("bdf", "csv", "bids", "xdf"):
        assert main(["export", str(tmp_path), "--to", form, "--out", str(tmp_path / "out"), "--json"]) == 2
        told = capsys.readouterr()
        assert "is no run folder" in json.loads(told.out)["error"]
