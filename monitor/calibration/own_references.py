"""Reference thresholds of one's own: sounds at levels that a listener's answers choose, and the file that keeps the thresholds.

The sound is that of a run with several cells: each level is a cell, and some more are silent. A unit of 16 sounds is one
presentation, and silent units follow it. Output, ceiling, dose and its account are therefore those of any run. A run limits the
rise from one cell to the next; so there is a silent cell in every 20 dB, and the one just above the level that is due is used.
"""

from __future__ import annotations

import datetime
import math
import statistics
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from quietfloor.monitor.calibration.bracketing import Bracket, Steps
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.plan.cell_table import CellRow, CellTable
from quietfloor.monitor.plan.run_plan import PlanError, make_sound_plan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.run.sound_output import Stimulus, make_cells, make_stimulus
from quietfloor.monitor.untrusted.bounded_io import toml_of, why
from quietfloor.monitor.untrusted.safe_paths import new_draft
from quietfloor.stimuli.calibration import BONE, BOTH, LevelError
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.cell_frames import LARGEST_RISE_DB
from quietfloor.stimuli.levels import full_scale_ppe
from quietfloor.stimuli.references import LAB, Key, Reference, load_references
from quietfloor.stimuli.waveforms import WAVEFORMS, is_registered

RATE_PER_S = 19.9  # 20 per second is that of the references, and in step with 50 Hz, which plans refuse; 0.01 dB (computed)
# Own choice, dB p-p.e. SPL, and by bone re 1 uN: normal ears hear at 15 to 40 and 45 to 75.
RANGES_DB: dict[str, tuple[float, float, float]] = {"air": (0.0, 60.0, 80.0), "bone": (20.0, 80.0, 100.0)}
WINDOW_UNITS = 3  # an answer belongs to the sound that began so many units ago (2.4 s): own choice
SILENT_SHARE = 0.2  # of presentations without sound: an answer to these is a false alarm; own choice
# Own choice, of silent presentations, and of all: with more answers to nothing a threshold tells nothing.
MOST_FALSE, MOST_STRAY = 0.34, 0.2
ENOUGH = 25  # ears with normal hearing, 18 to 25 years old: ISO 389-9 (from memory)
LONGEST_MIN = 15.0  # own choice
MOST_SD_DB = 8.0  # own choice: more than listeners usually differ
_SET_HERE = (
    "level_db_nhl", "level_db_ppe_spl", "level_db_fs", "chirp_by_level", "muted", "together", "sounds_per_ear", "masking",
    "masking_level_db_em", "masking_level_db_fs", "masking_frequency_hz", "masking_transducer", "masking_calibration",
    "references", "age_months", "age_change", "dose_policy", "random_interval_ms", "ipsilateral_noise",
    "ipsilateral_noise_level_db_spl", "ipsilateral_noise_level_db_fs", "ipsilateral_noise_notch_hz",
    "ipsilateral_noise_high_pass_hz",
)  # fmt: skip


@dataclass(frozen=True)
class Trials:
    """The sound of one threshold, the steps of its levels in dB p-p.e. (SPL, by bone re 1 uN), and the key of its row."""

    sound: Stimulus
    steps: Steps
    key: Key

    @property
    def by_bone(self) -> bool:
        return self.key[2] == BONE

    @property
    def unit(self) -> str:
        return "dB p-p.e. re 1 uN" if self.by_bone else "dB p-p.e. SPL"


class Listening:
    """The order of presentations: `choose` for the frames, `press` for the keys, `update` for both. Any thread; no clock.

    Units of the sound are the time: an answer counts for a presentation from its beginning until `WINDOW_UNITS` later.
    """

    def __init__(self, steps: Steps, seed: int) -> None:
        self.bracket = Bracket(steps)
        self.presented = self.silent = self.false_alarms = self.stray = 0
        self._silences = silences(steps)
        self._rng, self._lock = np.random.default_rng(seed), threading.Lock()
        self._next = 1  # unit that may be the next presentation
        self._trial: tuple[int, bool] | None = None  # first unit, whether it sounds
        self._pressed = False

    def choose(self, unit: int) -> int:
        """Cell of a unit: the level that is due, or silence."""
        with self._lock:
            if self._trial is not None or self.bracket.end or unit < self._next:
                return self.silence
            sounds = self.presented == 0 or bool(self._rng.random() >= SILENT_SHARE)
            self._trial, self._pressed = (unit, sounds), False
            return self.bracket.level if sounds else self.silence

    @property
    def silence(self) -> int:
        """The silent cell that goes with the level that is due."""
        place = next(place for place, level in enumerate(self._silences) if level >= self.bracket.level)
        return len(self.bracket.levels_db) + place

    def press(self, sweeps_played: int) -> None:
        """The listener says that something was heard."""
        with self._lock:
            if self._trial is not None and sweeps_played >= UNIT_SWEEPS * self._trial[0]:
                self._pressed = True
            else:
                self.stray += 1

    def update(self, sweeps_played: int) -> bool:
        """Judge the presentation whose time is over. Returns whether there was one."""
        with self._lock:
            if self._trial is None or sweeps_played < UNIT_SWEEPS * (self._trial[0] + WINDOW_UNITS):
                return False
            unit, sounds = self._trial
            self._trial = None
            self._next = unit + WINDOW_UNITS + int(self._rng.integers(0, 4))
            if sounds:
                self.presented += 1
                self.bracket.answer(self._pressed)
            else:
                self.silent += 1
                self.false_alarms += self._pressed
            return True

    @property
    def reliable(self) -> bool:
        """Whether the listener answered silence, or pressed between presentations, seldom enough."""
        often = MOST_STRAY * (self.presented + self.silent)
        return self.false_alarms <= max(1.0, MOST_FALSE * self.silent) and self.stray <= max(2.0, often)


def silences(steps: Steps) -> list[int]:
    """Levels (places in `levels_db`) whose muted copies are the silent cells, in this order behind the levels."""
    step, top = math.floor(LARGEST_RISE_DB / steps.up_db), len(steps.levels_db) - 1
    return sorted({*range(top, -1, -step)})


def trials_of(
    plan: SoundPlan, today: datetime.date, *, step_db: float = 2.0, start_db: float | None = None,
    highest_db: float | None = None,
) -> tuple[Trials, Listening]:  # fmt: skip
    """Sound and order of one threshold for the stimulus, ear and output of a plan with a calibration. Levels end below the
    ceiling of an adult.

    Raises PlanError and LevelError for a plan that cannot be used, ValueError for the levels.
    """
    if plan.calibration is None:
        raise ValueError("a reference threshold needs a calibration: name it as calibration under [sound] of --plan")
    calibration = load_calibration(Path(plan.calibration))
    if plan.chirp_by_level:
        raise ValueError("chirp_by_level is another stimulus at each level: give chirp_span_ms, whose reference this is")
    if plan.equalise:
        raise ValueError("equalise = true: a reference threshold is that of a sound with the earphone's response; leave it out")
    if plan.ear == BOTH:
        raise ValueError('ear = "both": a reference threshold is that of one ear; give left or right')
    if plan.stimulus in WAVEFORMS and not is_registered(plan.spec.waveform(plan.sample_rate_hz)):
        raise ValueError(
            f"{plan.spec.name} ({plan.spec.shape}) has not the form for which a reference of this name holds: leave out "
            "duration_us, cycles, envelope and the keys of chirp"
        )
    kept = {name: value for name, value in plan.model_dump(mode="json", exclude_none=True).items() if name not in _SET_HERE}
    kept |= {"age_group": "adult", "rate_per_s": RATE_PER_S, "mains_hz": [50.0, 60.0], "random_pause": True, "held_to_plan": True}
    waveform = plan.spec.waveform(plan.sample_rate_hz)
    full_scale_db, _ = full_scale_ppe(waveform, plan.ear, calibration)

    def sound_at(level_db: float) -> SoundPlan:
        return make_sound_plan(kept | {"level_db_fs": level_db - full_scale_db}, f"{level_db:g} dB p-p.e.")

    lowest, start, highest = RANGES_DB[plan.route]
    start = start if start_db is None else start_db
    most = highest = highest if highest_db is None else highest_db
    if not start <= most:  # nan ends here too
        raise ValueError(f"--start-db {start:g} is above --highest-db {most:g}: lower the start, or raise the highest level")
    make_stimulus(sound_at(lowest), today)  # what is wrong at every level
    below, above = (max(0, math.floor(db / step_db)) for db in (start - lowest, highest - start))
    steps = Steps(start, start - step_db * below, start + step_db * above, step_db)
    levels = [level for level in steps.levels_db if level <= most and _can_be_given(sound_at, level, today)]
    if not levels or start > levels[-1]:
        loudest = f"{levels[-1]:g} dB" if levels else "nothing"
        raise ValueError(f"the first level of {start:g} dB cannot be given: the loudest that this output gives is {loudest}")
    steps = replace(steps, lowest_db=levels[0], highest_db=levels[-1])
    listening = Listening(steps, plan.seed)
    rows = [_row(plan, level_db - full_scale_db) for level_db in levels]
    muted = [rows[level].model_copy(update={"muted": True}) for level in silences(steps)]
    table = CellTable(sound_at(levels[0]), (*rows, *muted), first=listening.silence)
    key = (waveform.name, waveform.frequency_hz, calibration.transducer, calibration.coupler)
    return Trials(make_cells(table, listening.choose, today), steps, key), listening


def _row(plan: SoundPlan, level_db_fs: float) -> CellRow:
    assert plan.ear != BOTH
    return CellRow(ear=plan.ear, stimulus=plan.stimulus, frequency_hz=plan.frequency_hz, level_db_fs=level_db_fs)


def _can_be_given(sound_at: Any, level_db: float, today: datetime.date) -> bool:
    try:
        make_stimulus(sound_at(level_db), today)
    except PlanError as error:
        if "ceiling" in str(error) or "level_db_fs" in str(error):
            return False
        raise
    return True


def rows_in(path: Path) -> dict[str, Any]:
    """Content of a file to which thresholds are added, which need not exist yet. Raises LevelError for one with other rows."""
    if not path.exists():
        return {"reference": []}
    load_references(path)
    content = dict(toml_of(path))
    rows = content.setdefault("reference", [])
    if set(content) != {"reference"} or any(row.get("status") != LAB for row in rows):
        raise LevelError(f"{path} has rows that were not measured here, which stay as they are: name another file")
    return content


def with_threshold(path: Path, trials: Trials, listener: int, threshold_db: float, today: datetime.date) -> Reference:
    """Write the threshold of a listener into a file of references, and return the row: the median of its listeners.

    A listener who is in the row is measured again: the new threshold replaces the old one. Raises LevelError for a file that
    cannot be used or written; it is then as before.
    """
    content = rows_in(path)
    key, rows = trials.key, content["reference"]
    place = next((at for at, row in enumerate(rows) if _key_of(row) == key), len(rows))
    before = rows[place] if place < len(rows) else {}
    known = dict(zip(before.get("listeners", ()), before.get("thresholds_db", ()), strict=True)) | {listener: threshold_db}
    known = dict(sorted(known.items()))
    levels = list(known.values())
    spread_db = round(statistics.stdev(levels), 2) if len(levels) > 1 else None
    made: dict[str, Any] = {"stimulus": key[0]} | ({} if key[1] is None else {"frequency_hz": key[1]})
    level_key = "level_db_ppe_force" if trials.by_bone else "level_db_ppe_spl"
    made |= {
        "transducer": key[2], "coupler": key[3], level_key: float(statistics.median(levels)),
        "source": f"own measurement: median of {len(levels)} listener{'s' if len(levels) > 1 else ''}, {today}", "status": LAB,
        "n": len(levels), **({} if spread_db is None else {"spread_db": spread_db}), "date": today,
        "listeners": list(known), "thresholds_db": levels,
    }  # fmt: skip
    rows[place : place + 1] = [made]
    draft = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = new_draft(path)
        draft.write_text(_HEAD + tomli_w.dumps(content), encoding="utf-8")
        row = load_references(draft).signals[key]
        draft.replace(path)
    except (OSError, LevelError) as error:
        draft.unlink(missing_ok=True)
        said = why(error) if isinstance(error, OSError) else str(error).replace(str(draft), str(path))
        raise LevelError(f"{path} cannot be written ({said}): the threshold is {threshold_db:g} {trials.unit}") from error
    return row


_HEAD = """# Reference thresholds (0 dB nHL) that were measured here: the median of listeners, who are numbers. A plan uses them
# by `references`. Written by `quietfloor calibrate --references`.
"""


def _key_of(row: dict[str, Any]) -> tuple[Any, ...]:
    return row.get("stimulus"), row.get("frequency_hz"), row.get("transducer"), row.get("coupler")


def cautions(row: Reference) -> list[str]:
    """What limits this row."""
    said = []
    if row.n < ENOUGH:
        said.append(f"{row.n} of the {ENOUGH} ears with normal hearing that ISO 389-9 asks for (from memory): a first estimate")
    if row.n > 1 and row.spread_db > MOST_SD_DB:
        said.append(f"the thresholds differ by an SD of {row.spread_db:.1f} dB; 5 to 6 are usual (from memory): check the fit")
    return said

