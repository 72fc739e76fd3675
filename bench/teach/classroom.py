"""A run for the classroom: presents any number of sweeps, under conditions that may change, and knows the true response. Pure.

    FrameSource -> AdjustablePatient -> Engine (the same one as in a live run, with the settings of a plan)
                                     -> every single sweep, cut as the engine cuts it -> the plain average
                                                                                      -> the weighted one, in units of 16

The plain average counts every sweep alike, and its halves are the odd and the even sweeps; so it exists from the first sweep on.
The engine looks after every 16 sweeps, weights them by their noise, and its evidence decides. Time stops between two steps:
samples of later sweeps are not in the average yet.

A change of level, rate, pause or ear begins a new average, because an average must not contain two responses. A change of noise,
hum, jitter or movement does not change the response: the average goes on, and `marks` records the sweep of the change.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.signal import resample_poly

from quietfloor.bench.patient.earphone import TUBE_DELAY_S, VIRTUAL_EARPHONE, virtual_earphone
from quietfloor.bench.patient.profiles import Patient, Side, load_patient
from quietfloor.bench.teach.adjustable import AdjustablePatient
from quietfloor.bench.teach.choices import PATIENTS, RULES, WORDS, Lesson, Mark, Opinion, Track, differs
from quietfloor.bench.teach.naive import NaiveRules
from quietfloor.bench.teach.truth import Truth
from quietfloor.bench.teach.weighted import Weighted
from quietfloor.monitor.core.analysis import JUDGED_FROM_MS, UNIT_SWEEPS
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import Event, LookDone, UnitDone
from quietfloor.monitor.core.events import Verdict as EngineVerdict
from quietfloor.monitor.core.filtering import RunningBand
from quietfloor.monitor.core.history import History
from quietfloor.monitor.core.samples import Bools, Chunk, Floats, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.clicks import click
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.schedule import PAUSES_S, Schedule, mains_conflict

AUDIO_HZ, EEG_HZ = 48_000.0, 8_000.0
LEAD_IN_S = 0.4  # of silence: the trigger channel is understood half a second after the start, from 4 triggers
MOST_SWEEPS = 16_384  # a lesson does not need more; 8 MB
MOST_BEYOND_S = 1.5  # of stream without the sweep that is waited for: something is wrong
FINER = 4  # points drawn per point averaged
SIDE: Side = "right"
SECRETS = (True, True, False, False)  # whether secret ears hear, four at a time in an order by chance: a class meets both kinds


class Classroom:
    """`step(n)` presents exactly `n` more sweeps. The same seed and the same calls give the same numbers; one step of 16 equals
    sixteen steps of 1."""

    def __init__(self, lesson: Lesson | None = None, seed: int = 1, alpha: float = 0.01, floor_nv: float = 15.0) -> None:
        if seed < 0:
            raise ValueError(f"seed = {seed}; allowed is 0 or more")
        self.lesson, self.seed = lesson or Lesson(), seed
        self.alpha, self.floor_nv = alpha, floor_nv
        self.earphone = virtual_earphone()
        self.averages = 0  # begun so far
        self._secrets = 0
        self._calibration = load_calibration(VIRTUAL_EARPHONE)
        self._click = click(AUDIO_HZ)
        self._hearing = load_patient(PATIENTS["hears"])
        self.restart()

    # -- what is chosen -----------------------------------------------------------------------------------------------

    @property
    def hears(self) -> bool:
        """Whether the ear of this lesson hears at all; it is shown only when the answer is revealed."""
        if self.lesson.ear != "secret":
            return self.lesson.ear == "hears"
        block, place = divmod(max(self._secrets - 1, 0), len(SECRETS))
        return bool(np.random.default_rng([self.seed, 1 + block]).permutation(SECRETS)[place])

    def another_secret(self) -> str:
        """Draw a secret ear, and begin anew. Of each four in a row two hear."""
        self._secrets += 1
        self.lesson = replace(self.lesson, ear="secret")
        self.restart()
        return "a secret ear: new average. Does it hear?"

    def again(self) -> str:
        """Begin a new average, with new noise."""
        self.restart()
        return "new average, with other noise"

    def restart(self) -> None:
        """The same, for those that say it themselves."""
        self.averages += 1
        lesson = self.lesson
        seeds = np.random.SeedSequence([self.seed, self.averages])
        self.patient: Patient = self._hearing
        if not self.hears:  # nothing but the response may tell them apart
            self.patient = replace(load_patient(PATIENTS["deaf"]), background=self._hearing.background)
        self._gain = gain(lesson.level_db_nhl, self._click, SIDE, self._calibration)
        pauses_s = PAUSES_S if lesson.random_pause else ()
        schedule = Schedule(
            lesson.rate_per_s, AUDIO_HZ, seed=self.seed + self.averages, lead_in_s=LEAD_IN_S, pauses_s=pauses_s
        )
        ceiling = Ceiling("insert", "adult", self._calibration)
        self.frames = FrameSource(self._click, self._gain, SIDE, schedule, ceiling)
        self._source = AdjustablePatient(self.patient, self.earphone, self.frames, EEG_HZ, seeds)
        self._source.conditions = lesson.conditions
        self.settings = self._settings()
        self.engine = Engine(self.settings)
        self.look: LookDone | None = None
        self.verdict: EngineVerdict | None = None
        self.looks: list[LookDone] = []
        self.marks: list[Mark] = []
        self._unmarked = lesson.conditions  # before the changes of the last mark
        self._band = RunningBand(self.settings.band, 1)
        self._filtered = History(1, int(self.settings.band.analysis_rate_hz))
        self._fed = 0
        self._judged = 0
        self._left_out: dict[int, str] = {}
        self._kept = np.empty((256, self.settings.epoch.n_times))
        self._sweeps = 0
        self._track: list[tuple[float, ...]] = []
        self._naive = NaiveRules(self.settings)
        self.weighted = Weighted(self.settings.epoch.n_times, self.settings.analysis.window)
        samples, band = self._gain * self._click.samples, self.settings.band
        self._truth = Truth(self.patient, self.earphone, SIDE, samples, AUDIO_HZ, band, lesson.rate_per_s)

    def _settings(self) -> EngineSettings:
        """Settings of a live run with this sound."""
        lesson = self.lesson
        plan = make_plan(
            {
                "stream": {"source_id": "classroom"},
                "sound": {
                    "ear": SIDE, "level_db_nhl": lesson.level_db_nhl, "calibration": str(VIRTUAL_EARPHONE),
                    "random_pause": lesson.random_pause, "lead_in_s": LEAD_IN_S, "held_to_plan": False,  # nothing else plays
                },
                "analysis": {"acoustic_delay_ms": 1e3 * TUBE_DELAY_S},
                "decision": {"alpha": self.alpha, "floor_nv": self.floor_nv},
            },
            "classroom",
        )  # fmt: skip
        self.latency_ms = plan.latency_ms()
        return plan.engine_settings(Layout(EEG_HZ, ("Cz-M2", "trigger"), (0,), 1, 1.0))

    def change(self, **what: Any) -> str:
        """Change conditions, or `ear`, `level_db_nhl`, `rate_per_s`, `random_pause`; returns a sentence about the change.

        Raises ValueError or TypeError, and changes nothing, if a value or a name is not allowed.
        """
        of_run = {name: what.pop(name) for name in ("ear", "level_db_nhl", "rate_per_s", "random_pause") if name in what}
        conditions = replace(self.lesson.conditions, **what)
        before, self.lesson = self.lesson, replace(self.lesson, conditions=conditions, **of_run)
        if self.lesson == before:
            return ""
        self._source.conditions = conditions
        said = [differs(name, value) for name, value in what.items() if value != getattr(before.conditions, name)]
        renewed = [differs(name, value) for name, value in of_run.items() if value != getattr(before, name)]
        if renewed:
            presented = self._sweeps
            try:
                self.restart()
            except ValueError:
                self.lesson = before
                raise
            begins = "new average"
            if presented:
                begins += f" (the {presented:,} sweeps before it were of another sound or ear)"
            return f"{', '.join(said + renewed)}: {begins}"
        text = ", ".join(said)
        if self._sweeps:
            if self.marks and self.marks[-1].sweep == self._sweeps:
                self.marks.pop()  # one mark tells all that differs from here on
            else:
                self._unmarked = before.conditions
            old = vars(self._unmarked)
            changed = [differs(name, value) for name, value in vars(conditions).items() if value != old[name]]
            if changed:
                self.marks.append(Mark(self._sweeps, ", ".join(changed)))
            return f"{text} from sweep {self._sweeps + 1:,} on; the average goes on"
        return text

    def usual(self) -> str:
        """Sound and conditions as at the beginning, for the same ear; in any case a new average."""
        self.lesson = Lesson(ear=self.lesson.ear)
        self.restart()
        return "all conditions as at the beginning: new average"

    @property
    def in_step(self) -> float | None:
        """The multiple of the mains that this rate stays in step with, in Hz; None for a rate without such trouble."""
        found = mains_conflict(self.lesson.rate_per_s, (50.0,))
        return None if found is None else found[0]

    # -- sweeps -------------------------------------------------------------------------------------------------------

    @property
    def sweeps(self) -> int:
        """Presented, and complete, since the average began."""
        return self._sweeps

    @property
    def seconds(self) -> float:
        """Duration of the EEG so far, in s."""
        return self._fed / EEG_HZ

    @property
    def accepted(self) -> int:
        return self._sweeps - len(self._left_out)

    @property
    def left_out(self) -> dict[str, int]:
        """Sweeps rejected by the engine, by reason."""
        reasons = list(self._left_out.values())
        return {reason: reasons.count(reason) for reason in sorted(set(reasons))}

    def step(self, n: int = 1) -> int:
        """Present exactly `n` more sweeps, fewer if MOST_SWEEPS is reached; returns their number."""
        if n < 0:
            raise ValueError(f"n = {n}; allowed is 0 or more")
        n = min(n, MOST_SWEEPS - self._sweeps)
        for _ in range(n):
            self._present_one()
        return n

    def _present_one(self) -> None:
        index, began = self._sweeps, self._fed
        while not self._take(index):
            if self._fed - began > EEG_HZ * (MOST_BEYOND_S + 1.0 / self.lesson.rate_per_s):
                raise RuntimeError(f"sweep {index + 1} never came: the sound dose of the virtual ear may be used up; begin anew")
            self._feed(self._source.advance())
        self._sweeps += 1
        if self._sweeps % UNIT_SWEEPS == 0:
            first = self._sweeps - UNIT_SWEEPS
            unit = self._kept[first : self._sweeps], self._used()[first:]
            self._naive.unit(*unit)
            self.weighted.unit(*unit)
        if self._sweeps % UNIT_SWEEPS == 0 or self._sweeps in (1, 2, 4, 8):
            self._track.append(self._point())

    def _feed(self, eeg_uv: Floats) -> None:
        count = eeg_uv.shape[1]
        if not count:
            return
        stamps_s = (self._fed + np.arange(count)) / EEG_HZ
        self._filtered.append(self._band.feed(eeg_uv[:1]))
        self._fed += count
        for event in self.engine.feed(Chunk(eeg_uv, stamps_s)):
            self._heard(event)

    def _heard(self, event: Event) -> None:
        if isinstance(event, UnitDone):
            for place, why in enumerate(event.left_out):
                if why is not None:
                    self._left_out[UNIT_SWEEPS * event.unit + place] = why
            self._judged += len(event.left_out)
        elif isinstance(event, LookDone):
            self.look = event
            self.looks.append(event)
        elif isinstance(event, EngineVerdict):
            self.verdict = event

    def _take(self, index: int) -> bool:
        """Cut sweep `index` out of what came so far; False while some of it, or the engine's word about its unit, is missing."""
        if index >= len(self._source.presented):
            return False
        place = self._source.presented[index].position
        cut = self.settings.epoch.plan(place, self.settings.band.first_output)
        if cut.stop > self._filtered.stop:
            return False
        if (index + 1) % UNIT_SWEEPS == 0 and self.engine.verdict is None and self._judged <= index:
            return False
        if index >= len(self._kept):
            self._kept = np.concatenate([self._kept, np.empty_like(self._kept)])
        self._kept[index] = self.settings.epoch.read(self._filtered.get(cut.first, cut.stop), cut.phase)[0]
        return True

    # -- what came of it ----------------------------------------------------------------------------------------------

    def _used(self) -> Bools:
        used = np.ones(self._sweeps, dtype=bool)
        for index in self._left_out:
            if index < self._sweeps:
                used[index] = False
        return used

    @property
    def singles_nv(self) -> Floats:
        """The sweeps that are in the average (n, n_times)."""
        return np.asarray(1e3 * self._kept[: self._sweeps][self._used()])

    def parts_nv(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Plain average, odd sweeps, even sweeps, plus-minus average, (n_times,) each; nan where there are none."""
        kept, used = self._kept[: self._sweeps], self._used()
        nothing = np.full(kept.shape[1], np.nan)
        odd, even = (1e3 * kept[half::2][used[half::2]] for half in (0, 1))
        a, b = (half.mean(axis=0) if len(half) else nothing for half in (odd, even))
        count = len(odd) + len(even)
        average = (odd.sum(axis=0) + even.sum(axis=0)) / count if count else nothing
        return average, a, b, (a - b) / 2.0

    @property
    def times_ms(self) -> Floats:
        return self.settings.analysis.times_ms

    def _inside(self, curve: Floats) -> Floats:
        return np.asarray(self.settings.analysis.window.of(curve))

    @property
    def noise_nv(self) -> float:
        """Noise of the plain average in nV, from the spread of its sweeps over the window; nan below two sweeps."""
        singles = self._inside(self.singles_nv)
        if len(singles) < 2:
            return math.nan
        return float(np.sqrt(singles.var(axis=0, ddof=1).mean() / len(singles)))

    @property
    def real_noise_nv(self) -> float:
        """True noise in nV: RMS over the window of the plain average minus the true response. nan before the first sweep."""
        error = self._inside(self.parts_nv()[0] - self.truth_nv())
        return float(np.sqrt((error**2).mean()))

    @property
    def weighted_real_nv(self) -> float:
        """True noise of the weighted average in nV; nan before the first unit."""
        return self.weighted.real_noise_nv(self.truth_nv())

    @property
    def correlation(self) -> float:
        """Of the halves over the window; nan where there are none."""
        _, a, b, _ = (self._inside(part) for part in self.parts_nv())
        if not np.all(np.isfinite(a + b)):
            return math.nan
        return float(np.corrcoef(a, b)[0, 1])

    def _point(self) -> tuple[float, ...]:
        return self._sweeps, self.noise_nv, self.real_noise_nv, self.weighted.noise_nv, self.weighted_real_nv

    def track(self) -> Track | None:
        """Up to the last sweep; None before the first one."""
        if not self._track:
            return None
        now = [] if self._track[-1][0] == self._sweeps else [self._point()]
        return Track(*np.array(self._track + now, dtype=np.float64).T)

    def curves(self, weighted: bool = False) -> Curves | None:
        """The plain averages, or the weighted ones, as a panel draws them, finer; None before the first sweep."""
        if not self._sweeps:
            return None
        epoch = self.settings.epoch
        times = epoch.first_ms + np.arange(epoch.n_times * FINER, dtype=np.float64) * 1e3 / (epoch.band.analysis_rate_hz * FINER)
        inside = (times >= epoch.start_ms - 1e-9) & (times <= epoch.stop_ms + 1e-9)

        def fine(coarse: Floats) -> Floats:
            return np.asarray(resample_poly(coarse, FINER, 1), dtype=np.float64)

        parts, noise_nv = (self.weighted.parts_nv(), self.weighted.noise_nv) if weighted else (self.parts_nv(), self.noise_nv)
        average, a, b, plus_minus = (fine(part)[inside] for part in parts)
        settings = self.settings
        return Curves(
            np.asarray(times[inside], dtype=np.float64), average, a, b, plus_minus, 1.96 * noise_nv, self.latency_ms,
            settings.window_ms, (-settings.delay_ms, min(JUDGED_FROM_MS, settings.window_ms[0])),
            math.nan if weighted else self.correlation, self._sweeps,
        )  # fmt: skip

    # -- the truth ----------------------------------------------------------------------------------------------------

    def truth_nv(self, jitter_ms: float = 0.0, times_ms: Floats | None = None) -> Floats:
        """The average without any noise, (n,) in nV at `times_ms` (default: the points of a sweep): see `Truth`."""
        return self._truth.at(self.times_ms if times_ms is None else times_ms, jitter_ms)

    def peak_to_trough_nv(self, curve_nv: Floats) -> float:
        """Of an average (n,) at the points of a sweep, inside the response window."""
        start_ms, stop_ms = self.settings.window_ms
        return float(np.ptp(curve_nv[(self.times_ms >= start_ms) & (self.times_ms <= stop_ms)]))

    @property
    def responds(self) -> bool:
        """Whether there is a response at all: the ear hears this level."""
        return bool(np.any(self.truth_nv()))

    # -- who says what ------------------------------------------------------------------------------------------------

    def opinions(self) -> tuple[Opinion, ...]:
        """Result of each rule of RULES. The valid rule comes first; it is the engine itself, which ends there."""
        naive = self._naive.opinions()
        look, verdict = self.look, self.verdict
        if verdict is not None and look is not None:
            found = verdict.verdict == "response_present"
            return (Opinion(RULES[0][1], found, look.sweeps_presented, WORDS[verdict.verdict]), *naive)
        known = look is not None and math.isfinite(look.evidence)
        said = f"{look.evidence:.1f} of {look.needed:.1f}" if look is not None and known else "from 256 sweeps"
        return (Opinion(RULES[0][1], False, 0, said.replace("-", "−")), *naive)
