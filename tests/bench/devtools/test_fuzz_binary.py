"""Every binary and foreign input, broken in many ways: read, or refused in clear words; and what once was neither."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from quietfloor.bench.devtools.fuzz_binary import TARGETS
from quietfloor.bench.devtools.fuzz_inputs import each_input
from quietfloor.bench.devtools.fuzz_target import Outcome, Target, try_one
from quietfloor.bench.simulate.recordings import Recording, RecordingError, load


def _npy(head: bytes) -> bytes:
    return (b"\x93NUMPY\x01\x00\x76\x00" + head).ljust(127) + b"\n"


SLOW = {"import": 30, "raw-replay": 20, "raw-finish": 20, "raw-export": 15}


@pytest.mark.parametrize("share", [4, pytest.param(1, marks=pytest.mark.long)], ids=["a quarter", "all"])
@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_no_input_is_a_crash(target: Target, share: int, tmp_path: Path) -> None:
    home, scratch = tmp_path / "seeds", tmp_path / "work"
    home.mkdir()
    scratch.mkdir()
    seeds = target.seeds(home)
    kinds = {try_one(target, data, scratch).kind for data in seeds}
    assert "accepted" in kinds
    outcomes: list[Outcome] = []
    count = SLOW.get(target.name, 150) // share
    each_input(lambda data: outcomes.append(try_one(target, data, scratch)), seeds, target.dictionary, count, target.name)
    assert len(outcomes) == count
    assert [one for one in outcomes if one.kind == "crash" and not one.where.startswith("too slow")] == []


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.npy", b""),
        ("a.npy", b"anything"),
        ("a.npz", b"PK\x03\x04"),
        ("a.npz", b"no archive"),
        ("a.npy", _npy(b"{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }")),
        ("a.npy", _npy(b"{'descr': '<f8', 'fortran_order': False, 'shape': (((")),
        ("a.npy", _npy(b"{'descr': '|O', 'fortran_order': False, 'shape': (3,), }")),
    ],
)
def test_arrays_that_once_ended_in_an_error_of_a_library(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(RecordingError, match="cannot be read as numbers"):
        load(Recording(tmp_path / name, rate_hz=1000.0), (100.0, 400.0))


def test_an_archive_that_unpacks_to_more_than_may_be_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.npy", b"x")
    content = bytearray(packed.getvalue())
    at = content.index(b"PK\x01\x02") + 24  # the size that the directory states
    content[at : at + 4] = np.uint32(4_294_967_294).tobytes()
    (tmp_path / "bomb.npz").write_bytes(bytes(content))
    with pytest.raises(RecordingError, match="unpacks to 4,294,967,294 bytes"):
        load(Recording(tmp_path / "bomb.npz", rate_hz=1000.0), (100.0, 400.0))


def test_values_that_are_no_numbers_or_beyond_all_measure_are_left_out_of_a_null_source(tmp_path: Path) -> None:
    signalling = np.array([0x7FA00000], np.uint32).view(np.float32)
    samples = np.random.default_rng(4).normal(size=9000).astype(np.float32)
    samples[3000], samples[6000] = signalling[0], 3e38
    np.save(tmp_path / "a.npy", samples)
    apart = [load_pieces(tmp_path / "b.npy", part) for part in (samples[:3000], samples[3001:6000], samples[6001:])]
    load.cache_clear()
    together = load(Recording(tmp_path / "a.npy", rate_hz=1000.0), (100.0, 400.0)).pieces
    assert [piece.tobytes() for piece in together] == [piece.tobytes() for pieces in apart for piece in pieces]
    np.save(tmp_path / "c.npy", np.full((40, 50), 1e300))
    with pytest.raises(RecordingError, match="beyond 1e\\+15 uV"):
        load(Recording(tmp_path / "c.npy", rate_hz=1000.0), (100.0, 400.0))


def load_pieces(path: Path, samples: np.ndarray) -> tuple[np.ndarray, ...]:
    np.save(path, samples)
    load.cache_clear()
    return load(Recording(path, rate_hz=1000.0), (100.0, 400.0)).pieces
