"""Custom stimuli from WAV files."""

from __future__ import annotations

import errno
import hashlib
import io
import warnings
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.untrusted.bounded_io import bytes_of
from quietfloor.stimuli.base import Waveform, scaled

LARGEST_BYTES = 8_000_000  # own choice: a stimulus is short, a recording is a mistake
LONGEST_S = 0.5
CUSTOM = "custom"
FINEST_RATIO = 1000  # of two rates, for the resampling filter to stay short


def read_wav(path: Path, rate_hz: float, time_zero_s: float = 0.0) -> Waveform:
    """Read a mono WAV file, scaled to the largest magnitude 1; positive values are condensation.

    A file with another rate is resampled by scipy.signal.resample_poly (linear-phase low-pass, Kaiser window of beta 5, delay
    compensated). Time zero counts from the first sample of the file. The name of the waveform is "custom" and the SHA-256 of the
    file; calibrations and reference rows identify it by that name. Raises ValueError for a file that cannot be a stimulus.
    """
    from scipy.io import wavfile  # both take longer to load than the rest of the program
    from scipy.signal import resample_poly

    content = _bytes(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks that it does not know are no sound
            own_rate, data = wavfile.read(io.BytesIO(content))
    except Exception as error:  # scipy raises whatever a damaged header makes its code trip over
        raise ValueError(f"wav = {str(path)!r} is no WAV file that can be read ({error}): save it as PCM or float WAV") from error
    if data.ndim != 1:
        raise ValueError(f"wav = {str(path)!r} has {data.shape[1]} channels: save the one that is meant as mono")
    samples = _as_float(data)
    if not np.all(np.isfinite(samples)):
        raise ValueError(f"wav = {str(path)!r} holds values that are no numbers: save it again")
    if not np.any(samples):
        raise ValueError(f"wav = {str(path)!r} is silent or empty: give a sound")
    if samples.size > LONGEST_S * own_rate:
        raise ValueError(
            f"wav = {str(path)!r} lasts {samples.size / own_rate:.3g} s; allowed is up to {LONGEST_S:g} s: cut out one stimulus"
        )
    if own_rate != rate_hz:
        ratio = Fraction(rate_hz).limit_denominator(FINEST_RATIO) / own_rate
        if max(ratio.numerator, ratio.denominator) > FINEST_RATIO or abs(float(ratio) * own_rate / rate_hz - 1) > 1e-9:
            raise ValueError(f"wav = {str(path)!r} is at {own_rate} Hz, the output at {rate_hz:g} Hz: save it at {rate_hz:g} Hz")
        samples = resample_poly(samples, ratio.numerator, ratio.denominator)
    samples = scaled(np.asarray(samples, dtype=np.float64))
    if not 0 <= time_zero_s <= samples.size / rate_hz:
        raise ValueError(
            f"wav_zero_ms = {1e3 * time_zero_s:g}; allowed is 0 to {1e3 * samples.size / rate_hz:.2f} ms, the length of the sound"
        )
    said = "the start of the file" if time_zero_s == 0 else f"{1e3 * time_zero_s:g} ms after the start of the file"
    name = f"{CUSTOM} {hashlib.sha256(content).hexdigest()}"
    return Waveform(name, samples, rate_hz, time_zero_s, smooth=True, time_zero_is=said)


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of the file, by which records name the stimulus."""
    return hashlib.sha256(_bytes(path)).hexdigest()


def _bytes(path: Path) -> bytes:
    try:
        return bytes_of(path, LARGEST_BYTES)
    except OSError as error:
        why = f"cannot be read ({error.strerror or error}): give the path of a file"
        if error.errno == errno.EFBIG:
            why = f"is larger than {LARGEST_BYTES // 1_000_000} MB: cut out one stimulus"
        raise ValueError(f"wav = {str(path)!r} {why}") from error


def _as_float(data: NDArray[Any]) -> NDArray[np.float64]:
    """Samples as float64 around zero, at an arbitrary scale."""
    with np.errstate(invalid="ignore"):  # signalling NaN becomes nan, which is refused
        values = data.astype(np.float64)
    return values - 128.0 if data.dtype == np.uint8 else values
