"""What two EEG channels of a recording are worth together for a decision, against the better one alone.

    python -m quietfloor.bench.devtools.channels session/run-001 --eeg 1,2 --response 1,0.9

A weighted sum of both channels has the most information with weights S^-1 g, where S is the covariance of their noise in the pass
band, and g the size of the response in each (``--response``, any unit): g' S^-1 g (textbook). The better channel alone has g^2 /
variance. Their ratio is the factor by which both channels would shorten a decision. Correlation and variance are medians over
pieces of a second, so that bursts count little. The response itself, thousands of times smaller in power, does not matter here.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from quietfloor.monitor.core.filtering import Band, RunningBand
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.sources.base import EndOfRecording
from quietfloor.monitor.sources.channels import resolve_channels
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.run_folder import RunFolder

LEAST_PIECES = 10


def worth(noise_uv: Floats, correlation: float, response: Sequence[float]) -> float:
    """Information of both channels over that of the better one. ``noise_uv`` (2,): SD of the noise of each."""
    g, sd = np.asarray(response, dtype=np.float64), np.asarray(noise_uv, dtype=np.float64)
    covariance = np.outer(sd, sd) * np.array([[1.0, correlation], [correlation, 1.0]])
    return float(g @ np.linalg.solve(covariance, g) / (g**2 / sd**2).max())


def measured(signal_uv: Floats, rate_hz: float) -> tuple[Floats, float]:
    """SD (2,) and correlation of two filtered channels (2, n). Raises ValueError for less than ten seconds."""
    size = round(rate_hz)
    pieces = signal_uv[:, : signal_uv.shape[1] // size * size].reshape(2, -1, size)
    pieces = pieces[:, np.isfinite(pieces).all(axis=(0, 2))]
    if pieces.shape[1] < LEAST_PIECES:
        raise ValueError(f"{pieces.shape[1]} s without a gap; the noise needs {LEAST_PIECES} s: give a longer recording")
    pieces = pieces - pieces.mean(axis=-1, keepdims=True)
    spread = np.sqrt((pieces**2).mean(axis=-1))
    shared = (pieces[0] * pieces[1]).mean(axis=-1) / spread.prod(axis=0)
    return np.median(spread, axis=1), float(np.median(shared))


def of_recording(path: Path, eeg: Sequence[str], band_hz: tuple[float, float]) -> tuple[Floats, float]:
    """As `measured`, of a run folder's samples, in the unit of the stream."""
    folder = RunFolder.open(path)
    source = RecordingSource(folder.raw, chunk_samples=1 << 16)
    rate_hz = source.description.rate_hz
    trigger = folder.read_plan()["stream"]["trigger"]
    channels = list(resolve_channels(source.description, eeg, str(trigger)).eeg)
    band = Band(rate_hz, *band_hz)
    running, out = RunningBand(band, 2), []
    with contextlib.suppress(EndOfRecording):
        while (chunk := source.pull()) is not None:
            out.append(running.feed(chunk.samples[channels].astype(np.float64)))
    return measured(np.concatenate(out, axis=1), band.analysis_rate_hz)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="a run folder")
    parser.add_argument("--eeg", default="1,2", help="two channels, by label or number (%(default)s)")
    parser.add_argument("--response", default="1,1", help="size of the response in each (%(default)s)")
    parser.add_argument("--band", default="100,1500", help="pass band in Hz (%(default)s)")
    options = parser.parse_args(arguments)
    eeg = options.eeg.split(",")
    try:
        response, band_hz = ([float(part) for part in words.split(",")] for words in (options.response, options.band))
    except ValueError:
        parser.error(f"--response {options.response} --band {options.band}: give two numbers with a comma each, such as 1,0.9")
    if not len(eeg) == len(response) == len(band_hz) == 2:
        parser.error("give two channels, two sizes and two edges of the band")
    try:
        noise, correlation = of_recording(options.folder, eeg, (band_hz[0], band_hz[1]))
    except (ValueError, RuntimeError, OSError) as error:
        sys.stderr.write(f"{options.folder}: {error}\n")
        return 1
    together = worth(noise, correlation, response)
    found = {"noise": noise.round(4).tolist(), "correlation": round(correlation, 3), "worth": round(together, 3)}
    sys.stdout.write(json.dumps(found) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
