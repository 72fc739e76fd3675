"""Plot of a stimulus."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.stimuli.base import Waveform
from quietfloor.stimuli.spectra import BANDS_DB, WaveformMeasures, envelope, spectrum

FORMATS = (".png", ".svg")
SOUND, ENVELOPE, MARK = "#1f5a8a", "#c7501a", "#555555"  # told apart by lightness, too
BANDS = ("#9fc3de", "#d7e6f1")
LOWEST_HZ, LOWEST_DB = 50.0, -60.0


def draw_stimulus(path: Path, title: str, waveform: Waveform, measured: WaveformMeasures) -> None:
    """Draw the curve with its envelope, and the spectrum with its bands, to a PNG or SVG file. Raises ValueError (file ending)
    and OSError."""
    if path.suffix.lower() not in FORMATS:
        raise ValueError(f"plot = {str(path)!r}: the name must end in {' or '.join(FORMATS)}")
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    figure: Any = Figure(figsize=(11, 4.2), layout="constrained")
    figure.suptitle(title)
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    _draw_curve(left, waveform, measured)
    _draw_spectrum(right, waveform, measured)
    svg = path.suffix.lower() == ".svg"
    with rc_context({"svg.hashsalt": "quietfloor"}):  # the same stimulus gives the same file
        figure.savefig(path, dpi=130, metadata={"Date": None} if svg else None)


def _draw_curve(axes: Any, waveform: Waveform, measured: WaveformMeasures) -> None:
    times_s, values, around = envelope(waveform, margin_s=0.15 * measured.duration_s + 0.1e-3)
    times_ms = 1e3 * times_s
    if waveform.smooth:
        axes.plot(times_ms, values, color=SOUND, linewidth=1.0, label="sound")
        axes.plot(times_ms, around, color=ENVELOPE, linewidth=1.2, linestyle="--", label="envelope")
        axes.plot(times_ms, -around, color=ENVELOPE, linewidth=1.2, linestyle="--")
    else:  # what the samples say, each held until the next
        axes.plot(times_ms, values, color=SOUND, linewidth=1.4, drawstyle="steps-post", label="sound")
    axes.axvline(0.0, color=MARK, linewidth=1.0, linestyle=":", label=f"time zero: {waveform.time_zero_is}")
    axes.set(xlabel="ms after time zero", ylabel="re largest magnitude", ylim=(-1.1, 1.45))
    axes.set_xlim(float(times_ms[0]), float(times_ms[-1]))
    axes.legend(loc="upper left", framealpha=1.0, fontsize="small")
    axes.grid(alpha=0.25)


def _draw_spectrum(axes: Any, waveform: Waveform, measured: WaveformMeasures) -> None:
    frequency_hz, level_db = spectrum(waveform)
    for (down_db, (low, high)), colour in reversed(list(zip(measured.band_db_hz, BANDS, strict=True))):
        shown = max(low, LOWEST_HZ), high
        axes.axvspan(*shown, color=colour, linewidth=0, label=f"-{down_db:g} dB: {low:.0f} to {high:.0f} Hz")
    inside = frequency_hz >= LOWEST_HZ
    axes.semilogx(frequency_hz[inside], level_db[inside], color=SOUND, linewidth=1.2)
    for down_db in BANDS_DB:
        axes.axhline(-down_db, color=MARK, linewidth=0.8, linestyle=":")
    ticks = [hz for hz in (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000, 32000, 64000) if hz <= frequency_hz[-1]]
    axes.set_xticks(ticks, [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz}" for hz in ticks])
    axes.set_xticks([], minor=True)
    axes.set(xlabel="Hz", ylabel="dB re strongest frequency", ylim=(LOWEST_DB, 16.0))
    axes.set_xlim(LOWEST_HZ, float(np.minimum(frequency_hz[-1], 24_000.0)))
    axes.set_yticks(np.arange(LOWEST_DB, 1.0, 10.0))
    axes.legend(loc="upper left", framealpha=1.0, fontsize="small")
    axes.grid(alpha=0.25)
