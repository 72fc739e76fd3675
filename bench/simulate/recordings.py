"""A recording without stimulus as a null source: simulated onsets at random places.

Runs drawn from one recording share its samples: a recording of T seconds contains no more than T / (length of a run) separate
runs, however many are drawn from it. Reports give both numbers.
"""

from __future__ import annotations

import hashlib
import io
import math
import warnings
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.simulate.noises import Grid, Presentation
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.clock import StampWatch
from quietfloor.monitor.core.filtering import Band, RunningBand
from quietfloor.monitor.plan.run_plan import load_run_plan
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import unit_to_uv
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.untrusted.bounded_io import bytes_of, why
from quietfloor.monitor.untrusted.safe_text import QuotingError

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
MOST_BYTES = 4_000_000_000  # of arrays, also when they are unpacked; own choice
LARGEST_UV = 1e15  # own choice: no EEG, and its square is still a number of 32 bits
FORMATS = "a run folder, an .xdf, .bdf or .edf file, or .npy/.npz with samples (n,) or sweeps (n_sweeps, n_times) in uV"


class RecordingError(QuotingError, ValueError):
    """Raised if a file cannot be used as a null source; the text says why and what to do."""


@dataclass(frozen=True)
class Recording:
    """A recording to read. ``channel``: label, or number from 1; several, separated by commas, are used one after the other.
    ``rate_hz`` and ``unit``: only if the file states none."""

    path: Path
    channel: str | None = None
    rate_hz: float | None = None
    unit: str | None = None


@dataclass(frozen=True)
class Loaded:
    """Filtered pieces (n_i,) without gaps at ``rate_hz``, or sweeps (n, n_times) that were cut before, then unfiltered by us."""

    name: str
    sha256: str
    channel: str
    rate_hz: float
    pieces: tuple[Singles, ...]
    sweeps: Singles | None

    @property
    def duration_s(self) -> float:
        if self.sweeps is not None:
            return self.sweeps.size / self.rate_hz
        return sum(len(piece) for piece in self.pieces) / self.rate_hz

    def grid(self, band_hz: tuple[float, float], epoch_ms: tuple[float, float]) -> Grid:
        if self.sweeps is not None:
            return Grid(self.rate_hz, epoch_ms[0], self.sweeps.shape[1], band_hz)
        n_times = math.floor((epoch_ms[1] - epoch_ms[0]) * 1e-3 * self.rate_hz + 1e-9) + 1
        return Grid(self.rate_hz, epoch_ms[0], n_times, band_hz)


@lru_cache(maxsize=4)
def load(recording: Recording, band_hz: tuple[float, float]) -> Loaded:
    """Read and filter; kept in memory, since a worker draws many batches from the same file. Raises RecordingError, OSError."""
    path, channel, unit = recording.path, recording.channel, recording.unit
    if path.is_dir():
        folder = RunFolder.open(path)
        if folder.plan.is_file():
            stream = load_run_plan(folder.plan).stream
            channel = channel or (stream.eeg[0] if stream.eeg else None)
            unit = unit or stream.unit
        path = folder.raw
    try:
        sha256 = hashlib.sha256(bytes_of(path, MOST_BYTES)).hexdigest()
    except OSError as error:
        raise RecordingError(f"{path} cannot be read ({why(error)}): give {FORMATS}") from error
    if path.suffix in (".npy", ".npz"):
        samples, rate_hz = _arrays(path, recording.rate_hz)
        if samples.ndim == 2:
            if len(samples) < 2 * UNIT_SWEEPS:
                raise RecordingError(f"{path} holds {len(samples)} sweeps: at least {2 * UNIT_SWEEPS} are needed")
            return Loaded(str(recording.path), sha256, "sweeps", rate_hz, (), samples.astype(np.float32))
        label, raw = "samples", [_in_uv(samples)]
    elif path.suffix.lower() in (".xdf", ".bdf", ".edf"):
        label, rate_hz, raw = _recorded(path, channel or "1", unit)
    else:
        raise RecordingError(f"{path} is of no known kind: give {FORMATS}")
    band = Band(rate_hz, *band_hz)
    pieces = [RunningBand(band, 1).feed(piece[np.newaxis])[0].astype(np.float32) for piece in _finite(raw)]
    return Loaded(str(recording.path), sha256, label, band.analysis_rate_hz, tuple(p for p in pieces if len(p)), None)


def _arrays(path: Path, rate_hz: float | None) -> tuple[NDArray[Any], float]:
    try:
        found = _unpacked(path)
    except Exception as error:  # numpy and zipfile raise whatever a damaged header makes their code trip over
        raise RecordingError(f"{path} cannot be read as numbers: {error or type(error).__name__}") from error
    names = [name for name, array in found.items() if array.ndim in (1, 2) and array.size > 1]
    if len(names) != 1:
        raise RecordingError(f"{path} holds {len(names)} arrays that could be samples ({', '.join(names)}): keep one")
    samples = found[names[0]]
    if rate_hz is None and "rate_hz" in found and found["rate_hz"].size == 1:
        rate_hz = float(found["rate_hz"].item())
    if rate_hz is None or not 0 < rate_hz < math.inf:
        raise RecordingError(f"{path} does not state its sampling rate: give --rate in Hz, or store rate_hz in the .npz")
    if samples.ndim == 2 and not _usable(_in_uv(samples)).all():
        raise RecordingError(
            f"{path} holds sweeps with values that are not finite, or beyond {LARGEST_UV:g} uV: leave those sweeps out"
        )
    return samples, rate_hz


def _unpacked(path: Path) -> dict[str, NDArray[Any]]:
    """Every array by its name. Raises any error of the reader."""
    content = io.BytesIO(bytes_of(path, MOST_BYTES))
    if zipfile.is_zipfile(content):
        with zipfile.ZipFile(content) as packed:
            if (size := sum(entry.file_size for entry in packed.infolist())) > MOST_BYTES:
                raise ValueError(f"it unpacks to {size:,} bytes; at most {MOST_BYTES:,} are read")
    content.seek(0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a header of an old kind only takes longer
        found = np.load(content, allow_pickle=False)
        arrays = {"samples": found} if isinstance(found, np.ndarray) else {name: found[name] for name in found.files}
    for name, array in arrays.items():
        if array.dtype.kind not in "iuf":
            raise ValueError(f"{name} holds {array.dtype}, and no real numbers")
    return arrays


def _recorded(path: Path, channel: str, unit: str | None) -> tuple[str, float, list[Floats]]:
    source = RecordingSource(path, chunk_samples=2**62)
    seen = source.description
    chosen = [channel] if channel in seen.labels else [name.strip() for name in channel.split(",")]
    indices = list(dict.fromkeys(_channel(seen, name) for name in chosen))
    factors = [unit_to_uv(unit or seen.units[index]) for index in indices]
    for index, uv in zip(indices, factors, strict=True):
        if math.isnan(uv):
            raise RecordingError(
                f"{path}: channel {seen.label(index)} states no voltage unit ({seen.units[index]!r}): give --unit uV, mV or V"
            )
    chunk = source.pull()
    if chunk is None or not seen.rate_hz > 0:
        raise RecordingError(f"{path}: the stream {seen.name} holds no regularly sampled data")
    jumps = [jump.index for jump in StampWatch(seen.rate_hz).feed(chunk.stamps_s)]
    pieces = [
        piece
        for index, uv in zip(indices, factors, strict=True)
        for piece in np.split(_in_uv(chunk.samples[index], uv), jumps)
    ]
    return ",".join(seen.label(index) for index in indices), seen.rate_hz, pieces


def _channel(seen: StreamDescription, channel: str) -> int:
    if channel in seen.labels:
        return seen.labels.index(channel)
    if channel.isdigit() and 1 <= int(channel) <= seen.channel_count:
        return int(channel) - 1
    raise RecordingError(f"no channel {channel!r}: the stream has {', '.join(seen.label(i) for i in range(seen.channel_count))}")


def _in_uv(samples: NDArray[Any], uv: float = 1.0) -> Floats:
    """Samples in uV; values that are not numbers, or become too large, are not finite."""
    with np.errstate(over="ignore", invalid="ignore"):
        return np.asarray(samples.astype(np.float64) * uv)


def _usable(samples_uv: Floats) -> NDArray[np.bool_]:
    return np.abs(samples_uv) <= LARGEST_UV  # nan is not


def _finite(pieces: Sequence[Floats]) -> list[Floats]:
    """Cut at values that cannot be used."""
    out = []
    for piece in pieces:
        good = _usable(piece)
        edges = np.flatnonzero(np.diff(good.astype(int))) + 1
        out += [part for part in np.split(piece, edges) if len(part) and _usable(part[:1])[0]]
    return out


class RecordingDraws:
    """Units of sweeps at simulated onsets, for one run per seed; see ``Source`` in noises.

    A run begins at a random place and continues from there; at the end of a piece it continues at another random place. Sweeps
    that were cut before come in stretches of 16 successive sweeps, from random places.
    """

    def __init__(
        self, loaded: Loaded, grid: Grid, presentation: Presentation, seeds: Sequence[np.random.SeedSequence]
    ) -> None:
        self._loaded, self._grid, self._presentation = loaded, grid, presentation
        self._rngs = [np.random.Generator(np.random.PCG64(seed)) for seed in seeds]
        starts = np.arange(UNIT_SWEEPS) / presentation.rate_per_s
        self._index = np.rint(starts * grid.rate_hz).astype(np.intp)[:, np.newaxis] + np.arange(grid.n_times)
        self._length = int(self._index.max()) + 1
        self._room = np.array([max(0, len(piece) - self._length + 1) for piece in loaded.pieces], dtype=float)
        if loaded.sweeps is None and not self._room.sum():
            need_s = self._length / grid.rate_hz
            raise RecordingError(
                f"{loaded.name} has {loaded.duration_s:.2f} s of usable samples and none of its unbroken pieces is as long as a "
                f"unit of sweeps, {need_s:.2f} s: record longer (minutes)"
            )
        self._at: list[tuple[int, float] | None] = [None] * len(seeds)
        self.gain: Floats = np.ones((len(seeds), UNIT_SWEEPS))
        self.usable = self.presented = np.ones((len(seeds), UNIT_SWEEPS), dtype=bool)

    def unit(self) -> Singles:
        return np.stack([self._next(run, rng) for run, rng in enumerate(self._rngs)])

    def _next(self, run: int, rng: np.random.Generator) -> Singles:
        sweeps = self._loaded.sweeps
        if sweeps is not None:
            first = int(rng.integers(0, len(sweeps) - UNIT_SWEEPS + 1))
            return sweeps[first : first + UNIT_SWEEPS]
        at = self._at[run]
        if at is None or at[1] >= self._room[at[0]]:
            place = rng.random() * self._room.sum()
            piece = int(np.searchsorted(np.cumsum(self._room), place, side="right"))
            at = piece, float(place - self._room[:piece].sum())
        piece, position = at
        first = min(int(position), int(self._room[piece]) - 1)
        how = self._presentation
        spent_s = UNIT_SWEEPS / how.rate_per_s + float(how.pause_s(rng.random(len(how.pauses_s))))
        self._at[run] = piece, position + spent_s * self._grid.rate_hz
        part: Singles = self._loaded.pieces[piece][first : first + self._length]
        return np.asarray(part[self._index])
