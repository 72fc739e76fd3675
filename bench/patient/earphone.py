"""The virtual earphone and vibrator: convert samples to levels at the ear, with the calibration files and references of the
player."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietfloor.bench.patient.profiles import Side
from quietfloor.stimuli.calibration import BONE, Calibration, LevelError
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.references import References, load_references
from quietfloor.stimuli.waveforms import click

Floats = NDArray[np.float64]

_BENCH = Path(__file__).parents[1]
VIRTUAL_EARPHONE = _BENCH / "virtual-earphone.toml"
VIRTUAL_VIBRATOR = _BENCH / "virtual-vibrator.toml"
VIRTUAL_REFERENCES = _BENCH / "virtual-references.toml"  # zeros by bone; none are shipped for real vibrators

# Sound tube of an insert earphone: latencies 0.8 to 1.0 ms longer than with an earphone on the ear (Van Campen et al. 1992;
# status: secondary). A tube of 278 mm takes 0.81 ms at 343 m/s (computed).
TUBE_DELAY_S = 0.9e-3

Rows = tuple[tuple[float, float], ...]  # (Hz, dB), rising


@dataclass(frozen=True)
class Earphone:
    """A flat virtual earphone. `full_scale_db_ppe_spl_*`: level of a sound whose peak-to-peak value is 1.0, at all frequencies.
    Levels at 0 dB nHL: `click_reference_db_ppe_spl` of a click, `burst_references` of tone bursts, dB p-p.e. SPL.
    `masking_references`: level at 0 dB EM of noise a third of an octave wide, dB SPL. `tube_delay_s`: time from the audio frame
    to the ear."""

    full_scale_db_ppe_spl_left: float
    full_scale_db_ppe_spl_right: float
    click_reference_db_ppe_spl: float
    burst_references: Rows
    masking_references: Rows
    tube_delay_s: float = TUBE_DELAY_S

    def __post_init__(self) -> None:
        if not 0.0 <= self.tube_delay_s <= 0.005:
            raise ValueError(f"tube_delay_s = {self.tube_delay_s} is outside 0..0.005 s (5 ms is a tube of 1.7 m)")

    @classmethod
    def from_calibration(cls, calibration: Calibration, tube_delay_s: float = TUBE_DELAY_S) -> Earphone:
        """Raises LevelError where the references have no row for this transducer and coupler."""
        table = load_references()
        transducer, coupler = calibration.transducer, calibration.coupler
        bursts = _burst_rows(table, transducer, coupler)
        masking = {
            zero.frequency_hz: zero.level_db + table.narrow_band_db(zero.frequency_hz)
            for zero in table.pure_tones.get((transducer, coupler), ())
            if table.narrow_bands[0].frequency_hz <= zero.frequency_hz <= table.narrow_bands[-1].frequency_hz
        }
        if not masking:
            raise LevelError(f"no pure-tone zeros on {transducer} / {coupler}: a virtual ear needs them; add rows")
        return cls(
            calibration.left_db_ppe_spl,
            calibration.right_db_ppe_spl,
            table.signal(click(calibration.rate_hz), transducer, coupler).level_db_ppe_spl,
            bursts,
            tuple(sorted(masking.items())),
            tube_delay_s,
        )

    def full_scale_db(self, side: Side) -> float:
        return self.full_scale_db_ppe_spl_left if side == "left" else self.full_scale_db_ppe_spl_right

    def level_db_nhl(self, peak_to_peak: float, side: Side) -> float:
        """Level of a click of this peak-to-peak (full-scale units); -inf for silence."""
        if not peak_to_peak > 0:
            return -math.inf
        return self.full_scale_db(side) + 20.0 * math.log10(peak_to_peak) - self.click_reference_db_ppe_spl

    def burst_zero_db(self, frequency_hz: ArrayLike) -> Floats:
        """dB p-p.e. SPL of a burst of 0 dB nHL: linear over log f between references, constant beyond them."""
        return _drawn(self.burst_references, frequency_hz)

    def masking_db_em(self, mean_squares: Floats, frequency_hz: ArrayLike, side: Side) -> Floats:
        """Effective masking in dB EM by noise whose mean squares (re full scale) in a third of an octave about each frequency are
        given; -inf for none."""
        with np.errstate(divide="ignore"):
            level_db_spl = self.full_scale_db(side) + 10.0 * np.log10(8.0 * mean_squares)  # a sine of peak-to-peak 1 has 1/8
        return level_db_spl - _drawn(self.masking_references, frequency_hz)


@dataclass(frozen=True)
class Vibrator:
    """A bone vibrator on the mastoid of `side`, driven by that column of the audio, without delay.

    `full_scale_db_ppe_force`: dB p-p.e. re 1 uN of a sound of that frequency whose peak-to-peak is 1.0; `burst_references`: 0 dB
    nHL of tone bursts.
    """

    side: Side
    full_scale_db_ppe_force: Rows
    burst_references: Rows

    @classmethod
    def from_calibration(cls, calibration: Calibration, side: Side, references: Path | None = VIRTUAL_REFERENCES) -> Vibrator:
        """Raises LevelError where the references have no bursts for it, or the calibration is of an earphone."""
        if calibration.transducer != BONE:
            raise LevelError(f"calibration {calibration.id!r} is of {calibration.transducer}: a vibrator needs one of {BONE}")
        rows = _burst_rows(load_references(references), calibration.transducer, calibration.coupler)
        places_hz = [row[0] for row in calibration.response] or [rows[0][0]]
        return cls(side, tuple((hz, calibration.full_scale_db_ppe(side, hz)) for hz in places_hz), rows)

    def full_scale_db_nhl(self, frequency_hz: ArrayLike) -> Floats:
        """Level of a tone burst of that frequency whose peak-to-peak is 1.0."""
        return _drawn(self.full_scale_db_ppe_force, frequency_hz) - self.burst_zero_db(frequency_hz)

    def burst_zero_db(self, frequency_hz: ArrayLike) -> Floats:
        """dB p-p.e. re 1 uN of a burst of 0 dB nHL, drawn as for earphones."""
        return _drawn(self.burst_references, frequency_hz)


def virtual_vibrator(side: Side) -> Vibrator:
    """The vibrator of the bench."""
    return Vibrator.from_calibration(load_calibration(VIRTUAL_VIBRATOR), side)


def virtual_earphone(tube_delay_s: float = TUBE_DELAY_S) -> Earphone:
    """The earphone of the bench."""
    return Earphone.from_calibration(load_calibration(VIRTUAL_EARPHONE), tube_delay_s)


def _burst_rows(table: References, transducer: str, coupler: str) -> Rows:
    bursts = {
        row.frequency_hz: row.level_db_ppe
        for row in table.signals.values()
        if (row.stimulus, row.transducer, row.coupler) == ("tone-burst", transducer, coupler) and row.frequency_hz is not None
    }
    if not bursts:
        raise LevelError(f"no reference level of tone bursts on {transducer} / {coupler}: a virtual ear needs it; add rows")
    return tuple(sorted(bursts.items()))


def _drawn(rows: Rows, frequency_hz: ArrayLike) -> Floats:
    hz, db = np.array(rows).T
    return np.asarray(np.interp(np.log(np.asarray(frequency_hz, dtype=np.float64)), np.log(hz), db))
