"""Runs of virtual ears at levels that somebody asks for, many at once, and what there was to be found in them.

A run is not sent through frames and streams: the noise-free response of the ear at that level is computed once
(`quietfloor.bench.patient.listening`), passed through the filter of the plan, and added to simulated sweeps at 4 kHz, which go
through the analysis of a live run with the settings of a plan (`quietfloor.bench.simulate.simulate`). Left out is what comes
before: sound output, trigger, clocks, gaps.

A question is an ear, a level, how often it was asked before, and, for people who change over a session, when. Its noise depends
on nothing else, so two rules that come to the same question are given the same sweeps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from quietfloor.bench.patient.background import BAND_HZ
from quietfloor.bench.patient.cochlea import PLACES_HZ
from quietfloor.bench.patient.earphone import (
    VIRTUAL_EARPHONE,
    VIRTUAL_REFERENCES,
    VIRTUAL_VIBRATOR,
    virtual_earphone,
    virtual_vibrator,
)
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.profiles import Patient, Route, Side, other
from quietfloor.bench.patient.session_course import bursts_per_min_at, noise_at
from quietfloor.bench.simulate.ears import VirtualEar, one_normal_ear
from quietfloor.bench.simulate.noise_parts import Gain
from quietfloor.bench.simulate.noises import Bools, Floats, Grid, Noise, NoiseSource, Presentation, Singles
from quietfloor.bench.simulate.simulate import OUTCOMES, Setup, chain, simulate
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.hearing.masking_advice import Sound, advise
from quietfloor.monitor.hearing.tables import HearingTables, load_hearing_tables
from quietfloor.monitor.plan.run_plan import OPENING_S, make_plan
from quietfloor.monitor.session.next_level import Measurement
from quietfloor.stimuli.calibration import Calibration
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.references import References, load_references
from quietfloor.stimuli.schedule import PAUSES_S
from quietfloor.stimuli.waveforms import Waveform, octave_chirp, tone_burst

RATE_PER_S = 39.1  # the window of an octave chirp of 500 Hz ends before the next one
AUDIO_HZ = 48_000.0
FINE_HZ, LONG_S = 32_000.0, 0.2  # for the filter: far longer than it
_FINE = round(LONG_S * FINE_HZ)
LEAD_S = OPENING_S + 2.0  # of a live run, from its first sample to its first sound
PER_SWEEP_S = 1.0 / RATE_PER_S + sum(PAUSES_S) / 2.0 / UNIT_SWEEPS
MOST_MASKING_DB_EM = 90.0  # what an insert earphone gives without more; own choice
SOUNDS: dict[str, Callable[[float, float], Waveform]] = {"tone-burst": tone_burst, "octave-chirp": octave_chirp}
HIGHEST_DB = {"air": 90.0, "bone": 45.0}  # of ladders; by bone what the virtual vibrator gives at every frequency

# RMS 1 uV in the pass band over a long time; jumps by up to 2 x about every 15 s, and bursts of 5 x the size, 0.8 s long, about
# once a minute. Own choice: what a person who holds still does.
HEAD = Noise("a head that holds still", rms_uv=1.0, gain=Gain(
    step_per_sweep=1 / 600, step_range=2.0, burst_per_sweep=1 / 2500, burst_sweeps=30.0, burst_factor=5.0))  # fmt: skip


@dataclass(frozen=True)
class Sessions:
    """How runs are made. `minutes` that a ladder may take; `masked`: noise in the other ear wherever advice asks for it.

    `band_hz`: by default from 30 Hz, as usual for thresholds (from memory): above 100 Hz little is left of a response to 500 Hz.
    """

    rules: tuple[str, ...] = ("evidence", "fsp:pocock")
    stimulus: str = "octave-chirp"
    band_hz: tuple[float, float] = (30.0, 1500.0)
    alpha: float = 0.01
    floor_nv: float = 15.0
    max_sweeps: int = 16_384
    minutes: float = 45.0
    masked: bool = True
    seed: int = 1

    @property
    def longest_s(self) -> float:
        return LEAD_S + self.max_sweeps * PER_SWEEP_S


@dataclass(frozen=True)
class RunRequest:
    """A run to simulate, at a level in dB nHL. `start_s`: time since the session began; 0 for patients that do not change."""

    ear: VirtualEar
    level_db_nhl: float
    repetition: int
    start_s: float

    @property
    def key(self) -> tuple[int, float, int, float]:
        return self.ear.number, self.level_db_nhl, self.repetition, self.start_s

    @property
    def setting(self) -> tuple[float, str, float]:
        """Runs with the same one can be simulated together."""
        return self.ear.frequency_hz, self.ear.age_group, self.level_db_nhl


@dataclass(frozen=True)
class RunOutcome:
    """A run as a rule ended it. `true_nv`, `own_nv`: RMS of the noise-free response over the window, of both ears and of the
    tested one."""

    measurement: Measurement
    true_nv: float
    own_nv: float


@lru_cache(maxsize=256)
def settings_of(frequency_hz: float, age_group: str, level_db_nhl: float, sessions: Sessions) -> EngineSettings:
    """Of a live run with such a plan on a stream of 4 kHz. Raises PlanError."""
    plan = make_plan(
        {
            "sound": {
                "stimulus": sessions.stimulus, "frequency_hz": frequency_hz, "level_db_nhl": level_db_nhl,
                "rate_per_s": RATE_PER_S, "age_group": age_group, "calibration": str(VIRTUAL_EARPHONE),
            },
            "analysis": {"band_hz": sessions.band_hz},
            "decision": {
                "alpha": sessions.alpha, "floor_nv": sessions.floor_nv, "max_sweeps": sessions.max_sweeps,
            },
        }
    )  # fmt: skip
    return plan.engine_settings(Layout(4000.0, ("Cz-M2", "trigger"), (0,), 1, 1.0))


def can_be_absent(frequency_hz: float, age_group: str, level_db_nhl: float, sessions: Sessions) -> bool:
    """Whether a session would offer this level: its window holds every expected wave."""
    settings = settings_of(frequency_hz, age_group, level_db_nhl, sessions)
    return settings.evidence.covered_by(settings.window_ms)


def setup_of(frequency_hz: float, age_group: str, level_db_nhl: float, sessions: Sessions) -> Setup:
    settings = settings_of(frequency_hz, age_group, level_db_nhl, sessions)
    analysis = settings.analysis
    return Setup(
        grid=Grid(analysis.rate_hz, analysis.start_ms, analysis.n_times, settings.band_hz),
        window_ms=settings.window_ms,
        criteria=settings.criteria,
        evidence=settings.evidence,
        alpha=settings.alpha,
        floor_nv=settings.floor_nv,
        max_sweeps=settings.max_sweeps,
        look_every=settings.look_every,
    )


def response_uv(
    patient: Patient, side: Side, route: Route, sound: tuple[str, float], level_db_nhl: float, grid: Grid,
    masking_db_em: float = math.nan,
) -> Floats:
    """Noise-free response (n_times,) to a stimulus of a frequency, behind the filter; noise in the other ear has the same dB EM
    at all places."""
    kind, frequency_hz = sound
    burst = SOUNDS[kind](AUDIO_HZ, frequency_hz)
    samples = burst.samples * gain(level_db_nhl, burst, side, *levels_of(route))
    listener = Listener(patient, virtual_earphone(), AUDIO_HZ, virtual_vibrator(side) if route == "bone" else None)
    masking = {} if math.isnan(masking_db_em) else {other(side): np.full(PLACES_HZ.size, masking_db_em)}
    heard = listener.masked_answer(side, samples, masking)
    if not heard.uv.size:
        return np.zeros(grid.n_times)
    t_s = np.arange(_FINE) / FINE_HZ - LONG_S / 2
    filtered = np.fft.irfft(np.fft.rfft(heard.at(t_s + burst.time_zero_s)) * passed(grid.band), _FINE)
    return np.asarray(np.interp(grid.times_ms, 1e3 * t_s, filtered))


def parts_of(
    patient: Patient, side: Side, sound: tuple[str, float], level_db_nhl: float, masking_db_em: float = math.nan
) -> Floats:
    """Parts of the full response of each place in both ears (2, p) that a sound by air evokes, as in `response_uv`."""
    kind, frequency_hz = sound
    burst = SOUNDS[kind](AUDIO_HZ, frequency_hz)
    samples = burst.samples * gain(level_db_nhl, burst, side, *levels_of("air"))
    masking = {} if math.isnan(masking_db_em) else {other(side): np.full(PLACES_HZ.size, masking_db_em)}
    return Listener(patient, virtual_earphone(), AUDIO_HZ).masked_parts(side, samples, masking)


@lru_cache(maxsize=4)
def passed(band: Band) -> Floats:
    hz = np.fft.rfftfreq(_FINE, 1 / FINE_HZ).astype(np.float64)
    return np.asarray(np.where(hz <= band.analysis_rate_hz / 2, band.response(hz), 0.0))


@lru_cache(maxsize=2)
def levels_of(route: Route) -> tuple[Calibration, References]:
    calibration = load_calibration(VIRTUAL_VIBRATOR if route == "bone" else VIRTUAL_EARPHONE)
    return calibration, load_references(VIRTUAL_REFERENCES)


def size_nv(wave_uv: Floats, setup: Setup) -> float:
    """RMS over the response window."""
    inside = (setup.grid.times_ms >= setup.window_ms[0]) & (setup.grid.times_ms <= setup.window_ms[1])
    return float(1e3 * np.sqrt(np.mean(wave_uv[inside] ** 2)))


def visible_db_nhl(
    patient: Patient, side: Side, route: Route, frequency_hz: float, age_group: str, sessions: Sessions, from_db: float
) -> float:
    """Lowest level, within 0.2 dB, at which the noise-free response is as large as the noise floor; nan: none up to 100 dB nHL.

    `from_db`: a level without one. The response of the side's own cochlea: the other ear is taken to hear nothing by the caller.
    """
    setup = setup_of(frequency_hz, age_group, 40.0, sessions)  # window and filter are the same at all levels
    low, high = from_db, min(from_db + 50.0, 100.0 if route == "air" else 48.0)

    def visible(level_db: float) -> bool:
        wave_uv = response_uv(patient, side, route, (sessions.stimulus, frequency_hz), level_db, setup.grid)
        return size_nv(wave_uv, setup) >= sessions.floor_nv

    if not low < high or not visible(high):
        return math.nan
    while high - low > 0.2:
        middle = (low + high) / 2
        low, high = (low, middle) if visible(middle) else (middle, high)
    return high


@lru_cache(maxsize=64)
def visible_in_normal_ears_db(frequency_hz: float, age_months: float | None, sessions: Sessions) -> float:
    """How far above its threshold the response of a normal ear is as large as the noise floor."""
    age_group = "adult" if age_months is None else "infant"
    return visible_db_nhl(one_normal_ear(age_months), "left", "air", frequency_hz, age_group, sessions, 0.0)


class Head:
    """Sweeps of several people at once, each with noise of its own size that changes over its session; see `noises.Source`."""

    def __init__(self, requests: Sequence[RunRequest], grid: Grid, seed: int) -> None:
        seeds = [_seed(seed, request) for request in requests]
        self._source = NoiseSource(HEAD, grid, Presentation(RATE_PER_S), seeds)
        self._who = requests
        stated_uv = np.array([request.ear.patient.background.in_band_rms_uv for request in requests])
        self._size_uv = _in_band(grid.band_hz) * stated_uv
        self._bursts = [np.random.default_rng(one.spawn(1)[0]) for one in seeds]
        self._units = 0
        self.gain: Floats = np.ones((len(requests), UNIT_SWEEPS))
        self.usable: Bools = self._source.usable
        self.presented: Bools = self._source.presented

    def unit(self) -> Singles:
        sweeps = self._source.unit()
        size = self._size_uv * np.array([self._now(i) for i in range(len(self._who))])
        self._units += 1
        self.gain = self._source.gain * size[:, np.newaxis]
        sweeps *= size.astype(np.float32)[:, np.newaxis, np.newaxis]
        return sweeps

    def _now(self, i: int) -> float:
        """By how much this person is noisier during this unit than at rest."""
        request = self._who[i]
        course = request.ear.patient.course
        if not course:
            return 1.0
        unit_s = UNIT_SWEEPS * PER_SWEEP_S
        at_s = request.start_s + LEAD_S + self._units * unit_s
        background = request.ear.patient.background
        bursts = float(bursts_per_min_at(course, background.bursts_per_min, at_s))
        burst = self._bursts[i].uniform() < bursts / 60.0 * background.burst_s
        return float(noise_at(course, at_s)) * (background.burst_factor if burst else 1.0)


@lru_cache(maxsize=4)
def _in_band(band_hz: tuple[float, float]) -> float:
    """RMS of the background in this band, where it is 1 in the band that sizes are stated for."""

    def power(low_hz: float, high_hz: float) -> float:
        hz = np.arange(low_hz, high_hz)
        return float((1.0 / (1.0 + (hz / HEAD.corner_hz) ** 2) + 0.01).sum())  # as in `noises`

    return math.sqrt(power(*band_hz) / power(*BAND_HZ))


def _seed(seed: int, request: RunRequest) -> np.random.SeedSequence:
    numbers = (request.ear.number, round(10 * (request.level_db_nhl + 100)), request.repetition, round(10 * request.start_s))
    return np.random.SeedSequence(seed, spawn_key=numbers)


def run(requests: Sequence[RunRequest], sessions: Sessions) -> list[dict[str, RunOutcome]]:
    """Answers by rule, for questions of one setting."""
    setup = setup_of(*requests[0].setting, sessions)
    chains = [chain(name, setup) for name in sessions.rules]
    waves, sizes = [], []
    for request in requests:
        ear = request.ear
        sound = (sessions.stimulus, ear.frequency_hz)
        both = [
            response_uv(patient, ear.side, ear.route, sound, request.level_db_nhl, setup.grid, masking_db_em)
            for patient, masking_db_em in ((ear.patient, advised_masking_db_em(request, sessions)), (own_alone(ear), math.nan))
        ]
        waves.append(both[0])
        sizes.append([size_nv(wave, setup) for wave in both])
    batch = simulate(Head(requests, setup.grid, sessions.seed), np.array(waves), setup, chains, early=True)
    out: list[dict[str, RunOutcome]] = []
    for i, (true_nv, own_nv) in enumerate(sizes):
        outcomes = {}
        for one in chains:
            decided = batch.decided[one.name]
            seconds = LEAD_S + float(decided.sweeps[i]) * PER_SWEEP_S
            found = Measurement(OUTCOMES[int(decided.outcome[i])], "", float(decided.noise_nv[i]), seconds)
            outcomes[one.name] = RunOutcome(found, true_nv, own_nv)
        out.append(outcomes)
    return out


def own_alone(ear: VirtualEar) -> Patient:
    """The same person with nothing to hear by on the other side: what the tested ear answers itself."""
    nothing = Ear(math.inf)
    return replace(ear.patient, right=nothing) if ear.side == "left" else replace(ear.patient, left=nothing)


@lru_cache(maxsize=1)
def _tables() -> HearingTables:
    return load_hearing_tables()


def advised_masking_db_em(request: RunRequest, sessions: Sessions, search: bool = False) -> float:
    """What advice asks for while nothing is known of either ear, dB EM; nan: none. ``search``: as for a recording that searches
    both ears."""
    ear = request.ear
    if not sessions.masked:
        return math.nan
    sound = Sound(
        ear.side, ear.route, "bone-vibrator" if ear.route == "bone" else "insert", request.level_db_nhl, ear.age_group,
        ear.frequency_hz, ear.patient.age_months, "insert",
    )  # fmt: skip
    advice = advise(_tables(), sound)
    wanted_db_em = advice.harmless_db_em if search else advice.lowest_db_em
    return min(wanted_db_em, MOST_MASKING_DB_EM) if advice.needed else math.nan
