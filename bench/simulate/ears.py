"""Virtual ears drawn at random for validation: hidden audiograms by air and bone, noise, and the state of the person over a
session.

Every share, range and spread here is own choice: all kinds of ears occur, not with the frequencies of a clinic. Thresholds are
drawn on a continuous scale, so that a ladder with steps of 5 dB cannot hit them systematically.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import LOWEST_DB_NHL, Ear, crossing_bone_db
from quietfloor.bench.patient.profiles import SIDES, Patient, Route, Side
from quietfloor.bench.patient.session_course import State
from quietfloor.monitor.session.conditions import Condition

FREQUENCIES_HZ = (500.0, 1000.0, 2000.0, 4000.0)
KINDS = {"normal": 0.25, "flat": 0.15, "sloping": 0.2, "conductive": 0.15, "mixed": 0.1, "asymmetric": 0.1, "deaf": 0.05}
INFANTS, BY_BONE, RESTLESS = 0.5, 0.2, 0.15  # shares
HIGHEST_BY_BONE_DB = 25.0  # of a cochlea that is tested by bone: a vibrator gives no more than about 50 dB nHL
HIGHEST_DB = 85.0  # of a cochlea that is not deaf
NOISE_UV = {"adult": 1.5, "infant": 1.1}  # median; 100-1500 Hz, within published ranges of relaxed adults and sleeping infants
NOISE_SPREAD, NOISE_RANGE_UV = 0.25, (0.7, 1.9)  # SD of its logarithm; 15 nV are reached within 2,200 to 16,000 sweeps
SPREAD_DB = 3.0  # SD of single frequencies about the line of an audiogram


@dataclass(frozen=True)
class VirtualEar:
    """One ear at one frequency. `true_db_nhl`: its hidden threshold by this route, where its response begins; inf: none."""

    number: int
    kind: str
    patient: Patient
    condition: Condition
    true_db_nhl: float

    @property
    def side(self) -> Side:
        return "left" if self.condition.ear == "left" else "right"

    @property
    def route(self) -> Route:
        return "bone" if self.condition.route == "bone" else "air"

    @property
    def frequency_hz(self) -> float:
        assert self.condition.frequency_hz is not None
        return self.condition.frequency_hz

    @property
    def age_group(self) -> str:
        return "adult" if self.patient.age_months is None else "infant"


def draw(number: int, seed: int, stimulus: str = "octave-chirp") -> VirtualEar:
    """Ear `number` of a seed; it does not depend on the other ears that are drawn."""
    rng = np.random.default_rng([seed, number, 0x65617273])
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    age_months = float(rng.uniform(0.0, 12.0)) if rng.uniform() < INFANTS else None
    side = SIDES[int(rng.integers(2))]
    frequency_hz = float(rng.choice(FREQUENCIES_HZ))
    cochlear, gap = _audiogram(kind, rng)
    tested = _ear(cochlear, gap, rng)
    spared = kind == "asymmetric" or (kind == "deaf" and rng.uniform() < 0.5)
    beside = _ear(*_audiogram("normal", rng), rng) if spared else _ear([db + rng.normal(0.0, 5.0) for db in cochlear], gap, rng)
    bone = rng.uniform() < BY_BONE and float(tested.cochlear_db(frequency_hz)) <= HIGHEST_BY_BONE_DB
    median_uv = NOISE_UV["adult" if age_months is None else "infant"]
    noise_uv = float(np.clip(median_uv * math.exp(rng.normal(0.0, NOISE_SPREAD)), *NOISE_RANGE_UV))
    patient = Patient(
        name=f"ear {number}",
        left=tested if side == "left" else beside,
        right=tested if side == "right" else beside,
        background=Background(noise_uv),
        age_months=age_months,
        crossing_air_db=float(rng.uniform(55.0, 80.0)),  # insert earphones: published smallest values to about the mean
        crossing_bone_db=max(0.0, crossing_bone_db(age_months) + float(rng.uniform(-5.0, 5.0))),
        course=_course(rng),
    )
    condition = Condition(side, "bone" if bone else "air", stimulus, frequency_hz)
    true_db = float((tested.cochlear_db if bone else tested.air_db)(frequency_hz))
    return VirtualEar(number, kind, patient, condition, math.inf if kind == "deaf" else true_db)


def _audiogram(kind: str, rng: np.random.Generator) -> tuple[list[float], float]:
    """Cochlear thresholds at FREQUENCIES_HZ, and the conductive part, in dB."""
    level, slope, gap = float(rng.uniform(-5.0, 10.0)), 0.0, 0.0
    if kind == "flat":
        level = float(rng.uniform(20.0, 65.0))
    elif kind == "sloping":
        level, slope = float(rng.uniform(0.0, 25.0)), float(rng.uniform(5.0, 15.0))
    elif kind == "conductive":
        gap = float(rng.uniform(15.0, 45.0))
    elif kind == "mixed":
        level, slope, gap = float(rng.uniform(10.0, 35.0)), float(rng.uniform(0.0, 8.0)), float(rng.uniform(10.0, 30.0))
    elif kind == "asymmetric":
        level = float(rng.uniform(45.0, 75.0))
    elif kind == "deaf":
        return [math.inf] * len(FREQUENCIES_HZ), 0.0
    return [level + slope * octave + float(rng.normal(0.0, SPREAD_DB)) for octave in range(len(FREQUENCIES_HZ))], gap


def _ear(cochlear: Sequence[float], gap_db: float, rng: np.random.Generator) -> Ear:
    bone = {
        hz: db if math.isinf(db) else min(max(db, LOWEST_DB_NHL), HIGHEST_DB)
        for hz, db in zip(FREQUENCIES_HZ, cochlear, strict=True)
    }
    if gap_db <= 0.0:
        return Ear(air_db_nhl=bone)
    air = {hz: db + max(0.0, gap_db + float(rng.normal(0.0, SPREAD_DB))) for hz, db in bone.items()}
    return Ear(air_db_nhl=air, bone_db_nhl=bone)


def _course(rng: np.random.Generator) -> tuple[State, ...]:
    """Course of a session; a few people wake up."""
    begins, noise, bursts = rng.uniform(8.0, 25.0), rng.uniform(1.3, 4.0), rng.uniform(2.0, 15.0)
    if rng.uniform() >= RESTLESS:
        return ()
    return (State(float(begins), float(noise), float(bursts), what="stirs"),)


def one_normal_ear(age_months: float | None) -> Patient:
    """A patient whose left ear has thresholds of 0 dB nHL everywhere; conversions use it."""
    return Patient("normal", Ear(0.0), Ear(math.inf), Background(0.0), age_months=age_months)
