"""Steps of the sound dose: from what a coupler reads to the scale of the limit, each a named row with its source. Pure.

    coupler -> occluded-ear simulator (the ear of an average adult) -> eardrum of this age -> the same sound in the open -> dB(A)

The limit of a working day is stated for sound in the open, A-weighted. Each step is in dB to add; what is taken off is negative.
Where sources differ, the value that counts more is taken. The output ceiling uses none of this.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.waveforms import Waveform

AGES_MONTHS: Mapping[str, tuple[float, float]] = MappingProxyType(  # own choice: overlapping
    {"infant": (0.0, 36.0), "child": (12.0, 216.0), "adult": (180.0, 1500.0)}
)
BAND_HZ = (250.0, 8000.0)  # all energy of a sound counts as if it were here; beyond the rows the nearest row holds
WIDE_MARGIN_DB = 3.0  # own choice: nobody knows how an earphone shapes a wide band; never more than the worst frequency
OPEN_EAR_KEPT_DB = 3.0  # own choice: of what the open ear adds so much is not taken off, as ears differ
FLAT_INFANT_DB = 20.0  # insert earphones in a newborn's ear, 10 to 20 dB more: British Society of Audiology, see below

_Rows = tuple[tuple[float, float], ...]  # (Hz, dB)


@dataclass(frozen=True)
class Step:
    """One step: rows of (Hz, dB) or one value for all frequencies, its source and how far that may be trusted."""

    name: str
    rows: _Rows
    source: str
    status: str

    def at(self, hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """dB at these frequencies (n,), interpolated over the logarithm of frequency."""
        table = np.array(self.rows)
        return np.asarray(np.interp(np.log(hz), np.log(table[:, 0]), table[:, 1]), dtype=np.float64)


_BSA = "British Society of Audiology, ABR stimulus calibration reference values, October 2025"
# How much less a 2 cc coupler reads than an occluded-ear simulator: 2-1-2 bursts, note 5 (verified). Any other sound: 9.5 dB.
_SIMULATOR_MORE: _Rows = ((500.0, 4.0), (1000.0, 5.5), (2000.0, 8.5), (4000.0, 9.5))
# Level at the eardrum re a 2 cc coupler (real-ear-to-coupler difference), foam tip, means, by the age in months from which a row
# holds: averages of Bagatto et al. 2005, as a hearing-instrument analyser's manual prints them (secondary). Between two rows the
# younger one is taken. The means were fitted to 141 ears; single ears lie within +-4.4 dB of them in 95 % (Bagatto et al. 2002, J
# Am Acad Audiol 13:407, abstract, verified), which is added for infants. The adults' row is the mean, as their limit is one for
# all adults, and the limit of children is lower by more than this spread.
_RECD_HZ = (250.0, 500.0, 750.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 6000.0)
_RECD_DB: Mapping[float, tuple[float, ...]] = MappingProxyType({
    1.0: (3, 8, 9, 12, 15, 15, 16, 20, 23),
    12.0: (3, 6, 8, 10, 10, 11, 11, 15, 17),
    24.0: (3, 5, 7, 9, 9, 10, 10, 14, 15),
    36.0: (3, 5, 7, 9, 8, 9, 9, 13, 14),
    60.0: (3, 5, 7, 9, 7, 8, 8, 13, 13),
    96.0: (3, 4, 6, 8, 7, 7, 8, 13, 13),
})  # fmt: skip
_ADULT = 96.0
RECD_SPREAD_DB = 4.4
_RECD_SOURCE = "real-ear-to-coupler difference, foam tip: Bagatto et al. 2005, as an analyser's manual prints it"
# Level at the eardrum re the same diffuse field without the listener: ANSI S3.4-2007, as the code of a loudness model quotes it
# (secondary). ISO 11904-1 has such a table too (not read).
OPEN_EAR = Step(
    "eardrum to the open",
    tuple((hz, min(0.0, OPEN_EAR_KEPT_DB - db)) for hz, db in (
        (250.0, 0.5), (315.0, 1.0), (400.0, 1.6), (500.0, 1.7), (630.0, 2.2), (750.0, 2.7), (800.0, 2.9), (1000.0, 3.8),
        (1250.0, 5.3), (1500.0, 6.8), (1600.0, 7.2), (2000.0, 10.2), (2500.0, 14.9), (3000.0, 14.5), (3150.0, 14.4),
        (4000.0, 12.7), (5000.0, 10.8), (6000.0, 8.9), (6300.0, 8.7), (8000.0, 8.5),
    )),
    f"diffuse field to eardrum, ANSI S3.4-2007, of which {OPEN_EAR_KEPT_DB:g} dB are kept",
    "secondary",
)  # fmt: skip


def a_weighting_db(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """A-weighting by its formula in IEC 61672-1 (from memory)."""
    f2 = np.square(hz)
    gain = 12194.0**2 * f2**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2))
    return np.asarray(20.0 * np.log10(gain) + 2.0, dtype=np.float64)


_OCTAVES = tuple(250.0 * 2.0 ** (third / 3.0) for third in range(16))
A_WEIGHTING = Step(
    "A-weighting", tuple(zip(_OCTAVES, a_weighting_db(np.array(_OCTAVES)).tolist(), strict=True)), "IEC 61672-1, formula",
    "from memory",
)  # fmt: skip


def row_of(age_group: str, age_months: float | None) -> float | None:
    """The row of the table of ears for an age; None for an infant whose age is not stated or less than a month.

    An age that is not stated counts as the youngest of its group.
    """
    if age_group == "adult":
        return _ADULT
    age = AGES_MONTHS[age_group][0] if age_months is None else age_months
    return max((month for month in _RECD_DB if month <= age), default=None)


def coupler_step(coupler: str, reads_less_db: float, frequency_hz: float | None) -> Step:
    """From the coupler of the calibration to an occluded-ear simulator or artificial ear. Insert earphones on 2 cc: by frequency,
    for a sound that has one."""
    if coupler == "2cc" and frequency_hz is not None:
        return Step("coupler to simulator", _SIMULATOR_MORE, f"{_BSA}, note 5", "verified")
    source = "" if reads_less_db == 0.0 else f"{_BSA}, notes 2 and 5, the largest"
    return Step("coupler to simulator", ((1000.0, reads_less_db),), source, "verified")


def eardrum_step(transducer: str, age_group: str, age_months: float | None) -> Step:
    """From an occluded-ear simulator to the eardrum of this age."""
    name, month = "simulator to this eardrum", row_of(age_group, age_months)
    if age_group == "infant" and (month is None or transducer != "insert"):
        return Step(name, ((1000.0, FLAT_INFANT_DB),), f"10 to 20 dB: {_BSA}, note 4, the largest", "verified")
    if age_group == "adult" and transducer != "insert":
        return Step(name, ((1000.0, 0.0),), "an artificial ear is read at the entrance of the ear; own choice", "from memory")
    assert month is not None
    simulator = Step("", _SIMULATOR_MORE, "", "").at(np.array(_RECD_HZ)).tolist()
    ears = zip(_RECD_HZ, _RECD_DB[month], _RECD_DB[_ADULT], simulator, strict=True)
    spread = RECD_SPREAD_DB if age_group == "infant" else 0.0
    said = "" if age_group == "adult" else f", from {month:g} months on" + (f", and {spread} dB of spread" if spread else "")
    rows = tuple((hz, max(own + spread, adult, of_coupler) - of_coupler) for hz, own, adult, of_coupler in ears)
    return Step(name, rows, _RECD_SOURCE + said, "secondary")


def steps_of(
    transducer: str, coupler: str, reads_less_db: float, age_group: str, age_months: float | None, frequency_hz: float | None
) -> tuple[Step, ...]:
    """All steps of an earphone, in order. What the open ear adds at its eardrum is taken off only where the eardrum is what was
    reached, by insert earphones: an artificial ear or 6 cc coupler is read before that gain."""
    to_here = (coupler_step(coupler, reads_less_db, frequency_hz), eardrum_step(transducer, age_group, age_months))
    return (*to_here, OPEN_EAR, A_WEIGHTING) if transducer == "insert" else (*to_here, A_WEIGHTING)


def counted_db(steps: Iterable[Step], waveform: Waveform | None) -> float:
    """What these steps add to the energy of a sound, in dB. Waveform None: of noise or a sound whose spectrum is not known, as at
    its worst frequency.

    Each frequency of the sound has its own sum of steps; its energy there, by the spectrum of its samples, is its weight.
    """
    steps = tuple(steps)
    fine = np.asarray(np.geomspace(*BAND_HZ, 121), dtype=np.float64)
    worst = float(np.max(_sum_at(steps, fine)))
    if waveform is None:
        return worst
    size = max(8192, waveform.samples.size)
    energy = np.abs(np.fft.rfft(waveform.samples, size)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / waveform.rate_hz)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    total = float(energy[inside].sum())
    if not total > 1e-3 * float(energy.sum()):  # own choice: hardly anything of it is here
        return worst
    at = np.asarray(hz[inside], dtype=np.float64)
    mean = 10.0 * math.log10(float(np.sum(energy[inside] * 10.0 ** (_sum_at(steps, at) / 10.0))) / total)
    return mean if waveform.frequency_hz is not None else min(mean + WIDE_MARGIN_DB, worst)


def _sum_at(steps: tuple[Step, ...], hz: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(sum((step.at(hz) for step in steps), np.zeros(hz.size)), dtype=np.float64)


def table_at(steps: Iterable[Step], hz: float) -> list[dict[str, Any]]:
    """The steps at one frequency, for tables: name, dB, source, status."""
    return [
        {"step": step.name, "db": float(step.at(np.array([hz]))[0]), "source": step.source, "status": step.status}
        for step in steps
    ]
