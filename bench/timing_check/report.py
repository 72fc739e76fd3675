"""Results of a timing check as text, files and JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.bench.timing_check.measure import Measurement
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.run.timing_certificate import LARGEST_SD_MS, Certificate, Measured

PLOT_FORMATS = (".png", ".svg")
MARKS = "▏▎▍▌▋▊▉█"
BAR, LINES = 40, 11  # characters; lines of the histogram
BLUE, ORANGE, GREY = "#1f5a8a", "#c7501a", "#555555"  # told apart by lightness, too


def time_text(ms: float) -> str:
    """A short time in the unit that suits it."""
    us = 1e3 * ms
    return f"{ms:.3f} ms" if abs(us) >= 100 else f"{us:.1f} us" if abs(us) >= 1 else f"{us:.2f} us"


def text(found: Measurement, sounds: int) -> str:
    """The figures of so many sounds, with their histogram."""
    counts = found.counts
    low, high = found.range_ms
    later = "later" if found.offset_ms >= 0 else "earlier"
    if abs(found.drift_ppm) < 3 * found.drift_se_ppm:
        pace = "not to be told from none"
    else:
        pace = f"the EEG clock is {'faster' if found.drift_ppm > 0 else 'slower'} than that of the sound"
    rows = [
        ("offset", f"{found.offset_ms:.4f} ms: in the EEG the sound comes {later} than its trigger"),
        ("SD", f"{time_text(found.sd_ms)}, of which noise of the sound channel explains {time_text(found.noise_sd_ms)}"),
        ("range", f"{low:.4f} to {high:.4f} ms"),
        ("drift", f"{found.drift_ppm:z.2f} ± {found.drift_se_ppm:.2f} ppm: {pace}"),
        (
            "triggers",
            f"{sounds - counts['missing_triggers']} of {sounds}, {counts['double_triggers']} double; "
            f"{found.trigger_edges} edges; SD {time_text(found.trigger_sd_ms)} about their schedule",
        ),
        (
            "sounds",
            f"{sounds - counts['missing_sounds']} of {sounds}, {counts['double_sounds']} double, {counts['wrong_polarity']} of "
            f"wrong polarity; SD {time_text(found.sound_sd_ms)} about their schedule",
        ),
    ]
    if found.inverted:
        rows.append(("polarity", "turned over between output and EEG"))
    if found.breaks:
        rows.append(("breaks", f"{found.breaks} of the sound, as its trigger column says"))
    lines = [f"  {name:10}{value}" for name, value in rows]
    lines += ["", "  sounds by how far they are from the mean offset", *histogram_text(found.offsets_ms)]
    return "\n".join(lines) + "\n"


def histogram(offsets_ms: Floats, bins: int = LINES) -> tuple[Floats, Floats]:
    """Counts (bins,) and edges (bins + 1,) in us about the mean; the middle one is centred on it."""
    about_us = 1e3 * (offsets_ms[np.isfinite(offsets_ms)] - np.nanmean(offsets_ms))
    reach = max(float(np.abs(about_us).max()), 0.01)
    counts, edges = np.histogram(about_us, bins, (-reach * 1.0001, reach * 1.0001))
    return counts.astype(np.float64), edges


def histogram_text(offsets_ms: Floats) -> list[str]:
    """A line for each class."""
    counts, edges = histogram(offsets_ms)
    digits = max(0, 2 - math.floor(math.log10(edges[-1])))
    lines = []
    for count, low, high in zip(counts, edges[:-1], edges[1:], strict=True):
        eighths = round(8 * BAR * count / counts.max())
        bar = "█" * (eighths // 8) + (MARKS[eighths % 8 - 1] if eighths % 8 else "")
        middle = round((low + high) / 2, digits) + 0.0  # no "-0"
        lines.append(f"  {middle:+10.{digits}f} us {bar or ('▏' if count else '')} {count:.0f}")
    return lines


def rates_text(certificate: Certificate) -> str:
    """Delay of the EEG after its trigger, by EEG rate."""
    head = ("EEG rate", "EEG after its trigger", "SD", "drift", "checked", "holds until", "")
    rows = [head]
    for entry in certificate.measured:
        state = "" if entry.passed else "FAILED: " + "; ".join(entry.problems)
        drift_ppm = round(entry.drift_ppm, 2) + 0.0  # no "-0.00"
        figures = (f"{entry.rate_hz:g} Hz", f"{entry.offset_ms:.4f} ms", time_text(entry.sd_ms), f"{drift_ppm:.2f} ppm")
        rows.append((*figures, str(entry.issued), str(entry.expires), state))
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    lines = ("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def as_json(found: Measurement, entry: Measured, certificate: Certificate, path: Path) -> dict[str, Any]:
    """Every figure; times in ms."""
    counts, edges = histogram(found.offsets_ms)
    return {
        "passed": entry.passed,
        "problems": list(entry.problems),
        **entry.model_dump(mode="json"),
        "inverted": found.inverted,
        "trigger_sd_ms": found.trigger_sd_ms,
        "sound_sd_ms": found.sound_sd_ms,
        "noise_sd_ms": found.noise_sd_ms,
        "histogram": {"edges_us": edges.tolist(), "counts": [int(count) for count in counts]},
        **certificate.model_dump(mode="json", include={"output", "stream"}),
        "certificate": str(path),
        "id": certificate.id_of(entry),
    }


def write_csv(path: Path, found: Measurement, onset_samples: Sequence[int]) -> None:
    """One line a sound: sample of the schedule, trigger and sound in EEG samples, offset in ms; empty where missing."""
    columns = (found.trigger_positions, found.sound_positions, found.offsets_ms)
    rows = (
        ",".join([str(number), str(onset), *("" if math.isnan(value) else f"{value:.9g}" for value in values)])
        for number, onset, *values in zip(range(1, len(onset_samples) + 1), onset_samples, *columns, strict=True)
    )
    head = "sound,schedule_sample,trigger_eeg_sample,sound_eeg_sample,offset_ms"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


def draw(path: Path, found: Measurement, title: str) -> None:
    """Offsets in the order of the sounds, and their histogram, into a PNG or SVG file."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    about_us = 1e3 * (found.offsets_ms - found.offset_ms)
    figure: Any = Figure(figsize=(11, 4.2), layout="constrained")
    figure.suptitle(title)
    left, right = figure.subplots(1, 2, width_ratios=(1.6, 1), sharey=True)
    seconds = found.trigger_positions / found.rate_hz
    left.plot(seconds, about_us, ".", color=BLUE, markersize=3)
    left.set(xlabel="s of EEG", ylabel=f"us about the mean offset of {found.offset_ms:.4f} ms")
    right.hist(about_us[np.isfinite(about_us)], bins=31, orientation="horizontal", color=BLUE)
    right.set(xlabel="sounds")
    sd_us = 1e3 * found.sd_ms
    for axes in (left, right):
        axes.axhline(0.0, color=GREY, linewidth=1.0)
        for place in (-sd_us, sd_us):
            axes.axhline(place, color=ORANGE, linewidth=1.2, linestyle="--")
        axes.grid(alpha=0.25)
    left.plot([], [], color=ORANGE, linewidth=1.2, linestyle="--", label=f"SD {time_text(found.sd_ms)}")
    if np.nanmax(np.abs(about_us)) > 0.5e3 * LARGEST_SD_MS:  # else it would flatten everything else
        for place in (-1e3 * LARGEST_SD_MS, 1e3 * LARGEST_SD_MS):
            left.axhline(place, color=GREY, linewidth=1.2, linestyle=":")
        left.plot([], [], color=GREY, linewidth=1.2, linestyle=":", label=f"largest SD allowed, {1e3 * LARGEST_SD_MS:g} us")
    left.legend(loc="upper right", framealpha=1.0, fontsize="small")
    path.parent.mkdir(parents=True, exist_ok=True)
    svg = path.suffix.lower() == ".svg"
    with rc_context({"svg.hashsalt": "quietfloor"}):  # the same figures give the same file
        figure.savefig(path, dpi=130, metadata={"Date": None} if svg else None)
