"""Calibration of one output chain: the level of full scale in dB. `calibration_file` reads and writes the file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from types import MappingProxyType
from typing import Final

import numpy as np

from quietfloor.monitor.untrusted.safe_text import QuotingError

EARS = ("left", "right")
BOTH: Final = "both"  # one sound in both ears at the same sample


def ears_of(ear: str) -> tuple[str, ...]:
    """The ears that hear a sound: ("left",), ("right",), or both."""
    return EARS if ear == BOTH else (ear,)


def ear_words(ear: str) -> str:
    """Such as "right ear", or "both ears"."""
    return "both ears" if ear == BOTH else f"{ear} ear"


# IEC 60318-4, -5, -1, -3, -6. What is not listed for a transducer cannot hold it.
COUPLERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "insert": ("occluded-ear-simulator", "2cc"),
        "supra-aural": ("artificial-ear", "6cc"),
        "circumaural": ("artificial-ear",),
        "bone-vibrator": ("artificial-mastoid",),
    }
)
TRANSDUCERS = tuple(COUPLERS)
BONE = "bone-vibrator"
SCALES = ("ppe", "zeq")

# Own choice, dB p-p.e. SPL (re 20 uPa), and for vibrators dB p-p.e. re 1 uN. Quieter full scales cannot drive an ABR; louder ones
# do not come out of an earphone. Two ears of one set differ by a few dB: more means that one of the two numbers is wrong.
PLAUSIBLE_FULL_SCALE_DB = (90.0, 150.0)
PLAUSIBLE_FORCE_DB = (80.0, 140.0)
PLAUSIBLE_EAR_DIFFERENCE_DB = 12.0
# Own choice: what a stimulus of its own measurement, or a frequency, may differ from the calibration's main number.
PLAUSIBLE_SPREAD_DB = 40.0
PLAUSIBLE_HZ = (100.0, 20_000.0)
TOLERANCE_DB = 0.5  # of the check at the start of a session; own choice, about what a good sound level meter may be wrong by


class LevelError(QuotingError, ValueError):
    """Raised for a level, reference or calibration that cannot be used; nothing is played."""


class CalibrationError(LevelError):
    """Raised for a calibration that is incomplete, implausible, out of date, or of another device."""


def route_of(transducer: str) -> str:
    """Route of a transducer: "bone" for a vibrator, else "air"."""
    return "bone" if transducer == BONE else "air"


def plausible_range_db(transducer: str) -> tuple[float, float]:
    return PLAUSIBLE_FORCE_DB if transducer == BONE else PLAUSIBLE_FULL_SCALE_DB


def plausible(left_db: float, right_db: float, transducer: str = "insert") -> bool:
    """Whether a pair of full-scale levels (dB) is physically plausible. nan is an ear that was not measured; one must be
    measured."""
    low, high = plausible_range_db(transducer)
    known = [db for db in (left_db, right_db) if not math.isnan(db)]
    if not known or not all(low <= db <= high for db in known):
        return False
    return len(known) == 1 or abs(left_db - right_db) <= PLAUSIBLE_EAR_DIFFERENCE_DB


@dataclass(frozen=True)
class Measured:
    """The full scale of one stimulus that was measured by itself: its level when its peak-to-peak value is 1.0; nan: not
    measured.

    scale "ppe": dB p-p.e. of one sound. scale "zeq": dB RMS, unweighted, of its train at 20 per second (L_Zeq of a level meter).
    """

    stimulus: str
    frequency_hz: float | None
    scale: str
    left_db: float
    right_db: float


@dataclass(frozen=True)
class Loop:
    """Reading of an electric loop from the sound output to an input, taken when the calibration was made.

    The reading is in dB re one unit of the input, RMS, of a tone of `frequency_hz` at `level_db_fs`. The check at the start of a
    session compares a new reading with it.
    """

    input: str
    frequency_hz: float
    level_db_fs: float
    left_db: float
    right_db: float


@dataclass(frozen=True)
class Calibration:
    """Full scale of an output: the level per ear, in dB p-p.e., of a waveform whose peak-to-peak value is 1.0, on `coupler`.

    The level is SPL re 20 uPa, for a bone vibrator force re 1 uN; nan for an ear that was not measured. It holds for one device,
    host interface and sample rate. On a sound card it holds for the outputs `channels` (left, right; from 1); None: not stated,
    or audio over LSL. Both may be one output: one earphone that is moved between the ears, with the same values for both.
    condensation_sign: the sign of a sample that moves the diaphragm outward, measured acoustically.
    measured_with: the sound with which full scale was measured.
    measured: stimuli that were measured by themselves; their own values are used for them.
    response: rows (Hz, left dB, right dB), the response of the earphone re full scale, for stimuli that have a frequency and were
    not measured by themselves.
    Raises CalibrationError that names the field.
    """

    id: str
    device: str
    host_interface: str
    rate_hz: float
    transducer: str
    coupler: str
    left_db_ppe: float
    right_db_ppe: float
    issued: date
    valid_days: int
    issued_by: str
    condensation_sign: int = 1
    measured_with: str = "click"
    measured: tuple[Measured, ...] = ()
    response: tuple[tuple[float, float, float], ...] = ()
    loop: Loop | None = None
    channels: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        require = self._require
        for field in ("id", "device", "host_interface", "issued_by", "measured_with"):
            require(bool(getattr(self, field).strip()), field, getattr(self, field), "text that is not empty")
        require(math.isfinite(self.rate_hz) and self.rate_hz > 0, "rate_hz", self.rate_hz, "a rate above 0")
        require(self.transducer in TRANSDUCERS, "transducer", self.transducer, ", ".join(TRANSDUCERS))
        fitting = COUPLERS[self.transducer]
        require(self.coupler in fitting, "coupler", self.coupler, f"for {self.transducer} " + ", ".join(fitting))
        low, high = plausible_range_db(self.transducer)
        require(
            plausible(self.left_db_ppe, self.right_db_ppe, self.transducer),
            self.full_scale_key,
            {"left": self.left_db_ppe, "right": self.right_db_ppe},
            f"{low:g} to {high:g} dB for each ear, the two within {PLAUSIBLE_EAR_DIFFERENCE_DB:g} dB",
        )
        require(self.valid_days > 0, "valid_days", self.valid_days, "a number of days above 0")
        outputs = (1, 2) if self.channels is None else self.channels
        numbered = len(outputs) == 2 and all(type(output) is int and output >= 1 for output in outputs)
        require(numbered, "channels", self.channels, "two outputs, left and right, from 1, such as [1, 2]")
        if self.one_earphone:
            self._check_one_earphone()
        require(self.condensation_sign in (-1, 1), "condensation_sign", self.condensation_sign, "1 or -1")
        for row in self.measured:
            self._check_measured(row)
        keys = [(row.stimulus, row.frequency_hz) for row in self.measured]
        require(len(set(keys)) == len(keys), "measured", keys, "one row for each stimulus")
        self._check_response()
        if self.loop is not None:
            numbers = (self.loop.frequency_hz, self.loop.level_db_fs)
            levels = [db for db in (self.loop.left_db, self.loop.right_db) if not math.isnan(db)]
            require(all(map(math.isfinite, [*numbers, *levels])) and bool(levels), "loop", self.loop, "finite numbers")

    def _check_one_earphone(self) -> None:
        """One earphone has one level, whichever ear it is on."""
        pairs: dict[str, tuple[float, float]] = {self.full_scale_key: (self.left_db_ppe, self.right_db_ppe)}
        pairs |= {f"measured ({row.stimulus})": (row.left_db, row.right_db) for row in self.measured}
        pairs |= {f"response_db at {hz:g} Hz": (left, right) for hz, left, right in self.response}
        pairs |= {} if self.loop is None else {"loop": (self.loop.left_db, self.loop.right_db)}
        for field, (left, right) in pairs.items():
            allowed = f"one value for both ears, with channels = {list(self.channels or ())}"
            self._require(left == right, field, (left, right), allowed)

    def _check_measured(self, row: Measured) -> None:
        what = f"measured ({row.stimulus}{'' if row.frequency_hz is None else f' {row.frequency_hz:g} Hz'})"
        self._require(bool(row.stimulus.strip()), what, row.stimulus, "the name of a stimulus")
        self._require(row.scale in SCALES, what, row.scale, ", ".join(SCALES))
        low, high = plausible_range_db(self.transducer)
        low -= PLAUSIBLE_SPREAD_DB  # a train at 20 per second has a lower RMS than its peak-to-peak value says
        pairs = [(row.left_db, self.left_db_ppe), (row.right_db, self.right_db_ppe)]
        known = [(db, main) for db, main in pairs if not math.isnan(db)]
        fulfilled = bool(known) and all(low <= db <= high and not abs(db - main) > PLAUSIBLE_SPREAD_DB for db, main in known)
        allowed = f"{low:g} to {high:g} dB, within {PLAUSIBLE_SPREAD_DB:g} dB of the main number"
        self._require(fulfilled, what, (row.left_db, row.right_db), allowed)

    def _check_response(self) -> None:
        frequencies = [row[0] for row in self.response]
        rising = all(a < b for a, b in pairwise(frequencies))
        inside = all(PLAUSIBLE_HZ[0] <= hz <= PLAUSIBLE_HZ[1] for hz in frequencies)
        sane = all(abs(db) <= PLAUSIBLE_SPREAD_DB for row in self.response for db in row[1:])
        allowed = "rows of rising frequency from {:g} to {:g} Hz, each within {:g} dB".format(*PLAUSIBLE_HZ, PLAUSIBLE_SPREAD_DB)
        self._require(rising and inside and sane, "response_db", self.response, allowed)

    def _require(self, fulfilled: bool, field: str, value: object, allowed: str) -> None:
        if not fulfilled:
            raise CalibrationError(
                f"calibration {self.id!r}: {field} = {value!r}; allowed is {allowed}: correct it or calibrate again"
            )

    @property
    def route(self) -> str:
        return route_of(self.transducer)

    @property
    def full_scale_key(self) -> str:
        """Key of the full-scale values in the calibration file; it names the unit."""
        return "full_scale_db_ppe_force" if self.transducer == BONE else "full_scale_db_ppe_spl"

    @property
    def unit(self) -> str:
        return "dB p-p.e. re 1 uN" if self.transducer == BONE else "dB p-p.e. SPL"

    def full_scale_db_ppe(self, ear: str, frequency_hz: float | None = None) -> float:
        """Full scale of one ear in dB p-p.e., corrected by the earphone response if a frequency is given. Raises LevelError."""
        if ear not in EARS:
            raise LevelError(f"ear = {ear!r}; allowed are {', '.join(EARS)}")
        main = self.left_db_ppe if ear == "left" else self.right_db_ppe
        if math.isnan(main):
            raise CalibrationError(f"calibration {self.id!r}: the {ear} ear was not measured: calibrate it, or use the other ear")
        return main + (0.0 if frequency_hz is None else self.response_db(ear, frequency_hz))

    def response_db(self, ear: str, frequency_hz: float) -> float:
        """Response of the earphone at a frequency, dB re full scale of the calibration; 0 without rows.

        The response is interpolated linearly over the logarithm of frequency. Beyond the rows the nearest row holds.
        """
        if not self.response:
            return 0.0
        table = np.array(self.response)
        return float(np.interp(math.log(frequency_hz), np.log(table[:, 0]), table[:, 1 + EARS.index(ear)]))

    def measured_db(self, stimulus: str, frequency_hz: float | None, ear: str) -> tuple[float, str] | None:
        """Full scale in dB and its scale ("ppe" or "zeq") of a stimulus that was measured by itself; None if it was not."""
        for row in self.measured:
            if (row.stimulus, row.frequency_hz) == (stimulus, frequency_hz):
                db = row.left_db if ear == "left" else row.right_db
                return None if math.isnan(db) else (db, row.scale)
        return None

    def refuse_older_row(self, stimulus: str) -> None:
        """Raise CalibrationError if the only row for a WAV file ("custom" and a SHA-256) is an older one that does not say which
        file."""
        kind = stimulus.partition(" ")[0]
        if kind == "custom" and kind != stimulus and any(row.stimulus == kind for row in self.measured):
            raise CalibrationError(
                f"calibration {self.id!r}: its measured row {kind!r} does not say which file it is of: measure this one "
                f"(`quietfloor calibrate --add --signal custom --wav FILE`), or name the row {stimulus!r} and `quietfloor "
                "calibrate --seal FILE`"
            )

    @property
    def left_db_ppe_spl(self) -> float:
        """Full scale of the left ear, dB p-p.e. SPL. Raises LevelError for a vibrator, which has no sound pressure."""
        return self._spl(self.left_db_ppe)

    @property
    def right_db_ppe_spl(self) -> float:
        return self._spl(self.right_db_ppe)

    def full_scale_db_ppe_spl(self, ear: str) -> float:
        return self._spl(self.full_scale_db_ppe(ear))

    def _spl(self, db: float) -> float:
        if self.transducer == BONE:
            raise CalibrationError(f"calibration {self.id!r} is of a bone vibrator: its levels are forces, not sound pressures")
        return db

    @property
    def one_earphone(self) -> bool:
        """Whether one earphone is moved between the ears: left and right are one output."""
        return self.channels is not None and self.channels[0] == self.channels[1]

    @property
    def earphones(self) -> dict[int, str]:
        """Map each output of the card (from 1) to the ear whose earphone was measured there; empty if the file does not state
        outputs."""
        levels = (self.left_db_ppe, self.right_db_ppe)
        known = zip(self.channels or (), EARS, levels, strict=False)
        return {output: ear for output, ear, db in known if not math.isnan(db)}

    def check(
        self, device: str, host_interface: str, rate_hz: float, today: date, channels: tuple[int, int, int] | None = None
    ) -> None:
        """Raise CalibrationError, naming every difference, unless this calibration fits the output in use today.

        channels: outputs of the card for left, right, trigger; None for audio over LSL.
        """
        wrong = []
        for field, mine, yours in (
            ("device", self.device, device),
            ("host_interface", self.host_interface, host_interface),
            ("rate_hz", self.rate_hz, rate_hz),
        ):
            if mine != yours:
                wrong.append(f"{field} is {mine!r}, in use is {yours!r}")
        if channels is not None:
            if said := self.trigger_on_earphone(channels[2]):
                raise CalibrationError(said)
            if self.channels is None:
                wrong.append(
                    "it does not say which outputs of the card it was measured on, as older ones did not (if those were "
                    f"{channels[0]} and {channels[1]}: add the line `channels = {list(channels[:2])}`, then "
                    "`quietfloor calibrate --seal FILE`)"
                )
            if self.channels is not None and self.one_earphone != (channels[0] == channels[1]):
                words = {True: "one earphone that is moved between the ears", False: "an earphone for each ear"}
                wrong.append(f"it is of {words[self.one_earphone]}, in use is {words[not self.one_earphone]}")
            for output, ear in self.earphones.items():
                if channels[EARS.index(ear)] != output:
                    wrong.append(f"its {ear} earphone is on output {output}, in use is {channels[EARS.index(ear)]}")
        age_days = (today - self.issued).days
        if not 0 <= age_days <= self.valid_days:
            wrong.append(f"issued on {self.issued}, valid for {self.valid_days} days, today is {today}")
        if wrong:
            raise CalibrationError(
                f"calibration {self.id!r} does not fit: {'; '.join(wrong)}. "
                "Calibrate this output, or play uncalibrated in dB re full scale"
            )

    def trigger_on_earphone(self, output: int) -> str:
        """Explain why a trigger cannot use this output of the card; "" where this calibration has no earphone there."""
        if output not in self.earphones:
            return ""
        return (
            f"the trigger would leave by output {output}, where calibration {self.id!r} has the {self.earphones[output]} "
            "earphone, and no ceiling holds a trigger: correct sound.channels, which are left, right, trigger"
        )
