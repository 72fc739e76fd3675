"""Hearing of one ear: thresholds along frequency, by air and of the cochlea, and masking noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Loss = Literal["sensory", "conductive"]

LOWEST_DB_NHL = -10.0  # hearing better than this is not modelled
FREQUENCIES_HZ = (100.0, 20_000.0)  # that a threshold may be given for
NO_HEARING_DB = 200.0  # stands for infinity where straight lines are drawn


@dataclass(frozen=True)
class Ear:
    """One ear, by one number for all frequencies or by a table {Hz: dB}.

    `threshold_db_nhl`, or `air_db_nhl` per frequency: threshold for sounds by air; nothing is heard at or below it; infinity:
    deaf. It is interpolated linearly over log f and constant beyond the table. The values are dB nHL of tone bursts (and of
    clicks, for a loss that is the same everywhere) at which the response begins, without any correction towards hearing levels.

    The conductive part is an attenuation before the cochlea: the air threshold minus `bone_db_nhl`, the threshold of the cochlea.
    Without that table `loss` gives it: "sensory", no conductive part; "conductive", all of the threshold above 0 dB.
    """

    threshold_db_nhl: float | None = None
    loss: Loss = "sensory"
    air_db_nhl: Mapping[float, float] | None = None
    bone_db_nhl: Mapping[float, float] | None = None

    def __post_init__(self) -> None:
        if (self.threshold_db_nhl is None) == (self.air_db_nhl is None):
            raise ValueError("an ear has one threshold: give threshold_db_nhl (all frequencies) or air_db_nhl ({ Hz = dB })")
        if self.loss not in ("sensory", "conductive"):
            raise ValueError(f"loss = {self.loss!r} is unknown: give 'sensory' or 'conductive'")
        if self.bone_db_nhl is not None and self.loss != "sensory":
            raise ValueError(f"loss = {self.loss!r} beside bone_db_nhl: the table says what is conductive, leave loss out")
        if self.threshold_db_nhl is not None:
            _require_level("threshold_db_nhl", self.threshold_db_nhl)
        for name, table in (("air_db_nhl", self.air_db_nhl), ("bone_db_nhl", self.bone_db_nhl)):
            if table is not None:
                _require_table(name, table)
        if self.bone_db_nhl is not None:
            places = np.array(sorted({*(self.air_db_nhl or {}), *self.bone_db_nhl}))
            gaps = self.air_db(places) - _drawn(self.bone_db_nhl, places)
            if gaps.min() < 0:
                worst = int(np.argmin(gaps))
                raise ValueError(
                    f"bone_db_nhl at {places[worst]:g} Hz is {-gaps[worst]:g} dB above the air threshold: give at most that"
                )

    def air_db(self, frequency_hz: ArrayLike) -> Floats:
        """Threshold by air, dB nHL, at any frequencies."""
        where = np.asarray(frequency_hz, dtype=np.float64)
        if self.air_db_nhl is not None:
            return _drawn(self.air_db_nhl, where)
        return np.full(where.shape, min(float(self.threshold_db_nhl or 0.0), NO_HEARING_DB))

    def cochlear_db(self, frequency_hz: ArrayLike) -> Floats:
        """Threshold of the cochlea in dB nHL, for sound after the middle ear, or by bone."""
        if self.bone_db_nhl is not None:
            return _drawn(self.bone_db_nhl, np.asarray(frequency_hz, dtype=np.float64))
        air = self.air_db(frequency_hz)
        return np.minimum(air, 0.0) if self.loss == "conductive" else air

    def conductive_db(self, frequency_hz: ArrayLike) -> Floats:
        """Attenuation of a sound by air in the middle ear, in dB."""
        return self.air_db(frequency_hz) - self.cochlear_db(frequency_hz)


def masked_db(threshold_db: Floats, masking_db_em: Floats) -> Floats:
    """Thresholds in noise with the given dB effective masking (-inf: none). Powers add, so the threshold rises by 3 dB where the
    two are equal.

    dB EM is the hearing level that a tone must have to be heard in the noise (ISO 389-4, from memory). Two assumptions are own
    choice: that powers add, and that a response needs the same level as a heard tone.
    """
    return np.asarray(10.0 * np.log10(10.0 ** (threshold_db / 10.0) + 10.0 ** (masking_db_em / 10.0)))


# Interaural attenuation, own choice. Air, insert earphones: published smallest values 50 to 72 dB, mean about 80 (secondary).
# Bone: adults 0 to 10 dB, at one year 15 to 25, newborns 25 to 35 (Yang, Rupert & Moushegian 1987, from memory): the middles,
# with straight lines between and 5 dB from three years on. The sources are in monitor/hearing/hearing-tables.toml.
CROSSING_AIR_DB = 70.0
_CROSSING_BONE_DB = ((0.0, 30.0), (12.0, 20.0), (36.0, 5.0))  # age in months, dB
CROSSING_DB = (0.0, 120.0)  # that a patient may be given


def crossing_bone_db(age_months: float | None) -> float:
    """Attenuation in dB of sound by bone on its way to the other cochlea, by age; None: adult."""
    rows = np.array(_CROSSING_BONE_DB)
    return float(np.interp(np.inf if age_months is None else age_months, rows[:, 0], rows[:, 1]))


def _require_level(name: str, level_db: float) -> None:
    if not level_db >= LOWEST_DB_NHL:
        raise ValueError(f"{name} = {level_db} is not modelled: give {LOWEST_DB_NHL:g} or more (inf: no hearing)")


def _require_table(name: str, table: Mapping[float, float]) -> None:
    if not table:
        raise ValueError(f"{name} is empty: give at least one frequency, such as {{ 1000 = 20 }}")
    for frequency_hz, level_db in table.items():
        if not FREQUENCIES_HZ[0] <= frequency_hz <= FREQUENCIES_HZ[1]:
            raise ValueError(f"{name}: {frequency_hz:g} Hz is outside {FREQUENCIES_HZ[0]:g}..{FREQUENCIES_HZ[1]:g} Hz")
        _require_level(f"{name} at {frequency_hz:g} Hz", level_db)


def _drawn(table: Mapping[float, float], frequency_hz: Floats) -> Floats:
    rows = sorted(table.items())
    levels = [min(level_db, NO_HEARING_DB) for _, level_db in rows]
    return np.asarray(np.interp(np.log(frequency_hz), [math.log(hz) for hz, _ in rows], levels))
