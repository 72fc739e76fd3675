"""Check of a plan's sound without playing it: level, ceiling, calibration, level check, dose. Also sends its triggers without
sound."""

from __future__ import annotations

import contextlib
import datetime
import math
import os
from pathlib import Path
from typing import Any

from quietfloor.monitor.plan.cell_table import table_of, written_out
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.plan.search_plan import SearchPlan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.readiness.findings import OWN_CHOICE, Finding, Group, parted
from quietfloor.monitor.run.sound_output import OUTSIDE_A_RUN, Stimulus, age_of, make_cells, make_stimulus, open_device, spent_by
from quietfloor.monitor.session.conditions import ipsilateral_words
from quietfloor.monitor.storage.dose_ledger import ExposureError, SessionDose
from quietfloor.monitor.storage.level_checks import last_check
from quietfloor.stimuli.calibration import BOTH, EARS, TOLERANCE_DB, Calibration, ear_words
from quietfloor.stimuli.devices import DeviceError, LslAudioDevice
from quietfloor.stimuli.dose import Dose, exposure_db, limit_pa2s
from quietfloor.stimuli.levels import STATED
from quietfloor.stimuli.outputs import LEAST_BITS
from quietfloor.stimuli.player import MOST_HEARD, Player
from quietfloor.stimuli.stimulus import StimulusSpec

SOON_DAYS = 14  # own choice: time enough to calibrate again before it expires
TRIGGER_LEAD_IN_S = 0.5
LONGEST_S = 1800.0  # of a check, for the dose of a trigger that counts; own choice
SWEEPS_FOR_EVER = 10_000_000
OF_STIMULUS = frozenset(StimulusSpec.__dataclass_fields__)
NOISES = ("masking_", "ipsilateral_noise_")
SILENCED = tuple(name for name in SoundPlan.model_fields if name in OF_STIMULUS or name.startswith(NOISES))


def sound_group(plan: Plan, session: Path, today: datetime.date) -> Group:
    """Everything about the sound that can be known without playing it; ``session`` is the folder that keeps the dose."""
    return Group("sound", "Sound", (*_findings(plan, session, today), *_window(plan)))


def _window(plan: Plan) -> list[Finding]:
    """Finding if a run of this plan can never end with "no response"; a search has windows of its own."""
    if plan.search is not None:
        return []
    what, _, remedy = plan.no_absence().partition(": ")
    return [Finding("window", "look", f"of this run: {what}", remedy)] if what else []


def _findings(plan: Plan, session: Path, today: datetime.date) -> list[Finding]:
    sound = plan.sound
    if sound is None:
        said = "other equipment makes it: its level, ear and dose cannot be seen here"
        if plan.stated is not None:
            said = f"other equipment makes it, as stated: {plan.stated.words}; its dose cannot be seen here"
        return [Finding("sound", "look", said, "check them there before each run")]
    try:
        account = SessionDose(session)
        account.check_age(age_of(sound))
        spent = spent_by(session, sound, today)
    except (ExposureError, PlanError) as error:
        return [Finding("dose", "stop", *parted(str(error).removeprefix("sound: ")))]
    try:
        if (table := table_of(written_out(plan))) is None:
            stimulus = make_stimulus(sound, today, sweeps=plan.decision.max_sweeps, spent=spent)
        else:
            stimulus = make_cells(table, lambda unit: None, today, spent=spent)  # each level of a search, as a run of it alone
    except PlanError as error:
        what, remedy = parted(str(error).removeprefix("sound: "))
        return [Finding("sound", "stop", what, remedy or "mend the plan")]
    level = _level(sound, stimulus) if plan.search is None else _levels(plan.search, sound)
    found = [level, _ceiling(sound, stimulus), _calibration(stimulus.calibration, today)]
    found += _both_ears(sound) + _equalised(stimulus) + _ipsilateral(stimulus)
    found += _jack(sound) + _level_check(sound, stimulus.calibration, session)
    return [*found, *_bits(stimulus), _dose(plan, sound, stimulus, spent)]


def _level(sound: SoundPlan, stimulus: Stimulus) -> Finding:
    record = stimulus.record
    value, unit = sound.level
    said = f"{record['stimulus']}, {ear_words(sound.ear)}, {value:g} {unit}, {sound.rate_words}, by {_name(sound)}, "
    said += sound.age_group
    unit = "dB FS" if sound.level_db_fs is not None else unit
    if sound.muted:
        return Finding("sound", "look", f"{said}, MUTED", "a control run: trigger without stimulus", "", value, unit)
    return Finding("sound", "ok", said, "", "", value, unit)


def _levels(search: SearchPlan, sound: SoundPlan) -> Finding:
    """Of a search: what [sound] says of ear, stimulus and level is not played."""
    each = "; ".join(f"{one.name}, {one.levels_db_nhl[0]:g} to {one.levels_db_nhl[-1]:g} dB nHL" for one in search.condition)
    said = f"a search: {each}; {sound.rate_words}, by {_name(sound)}, {sound.age_group}"
    return Finding("sound", "ok", said, "", "", max(one.levels_db_nhl[-1] for one in search.condition), "dB nHL")


def _ceiling(sound: SoundPlan, stimulus: Stimulus) -> Finding:
    """Distance below the ceiling; a plan above it was refused before."""
    frames = stimulus.frames
    below = frames.below_ceiling_db
    if math.isinf(below):
        return Finding("ceiling", "ok", "nothing is played, so nothing can pass it", value=math.inf, unit="dB", limit=0.0)
    said = f"{below:.1f} dB below the loudest that may leave by {_name(sound)}, {sound.age_group}"
    return Finding("ceiling", "ok", said, "", "", below, "dB", 0.0, "see stimuli/ceiling.py")


def _both_ears(sound: SoundPlan) -> list[Finding]:
    if sound.ear != BOTH:
        return []
    said = (
        "both ears hear the same sound at once, each at this level: which of them responds is not told, and published latencies, "
        "amplitudes and thresholds are of one ear"
    )
    return [Finding("both_ears", "look", said, "test each ear by itself too")]


def _equalised(stimulus: Stimulus) -> list[Finding]:
    """Finding on a sound that undoes the response of its earphone, only where there is one."""
    made = stimulus.record.get("equalised")
    if made is None:
        return []
    (low_hz, high_hz), costs_db = made["band_hz"], made["costs_db"]
    said = (
        f"the response of the earphone is undone from {low_hz:g} to {high_hz:g} Hz, with up to {made['boost_db']:.1f} dB of "
        f"gain; the highest level that can be reached is {abs(costs_db):.1f} dB {'lower' if costs_db >= 0 else 'higher'}"
    )
    return [Finding("equalised", "ok", said, "", "", costs_db, "dB")]


def _ipsilateral(stimulus: Stimulus) -> list[Finding]:
    """Finding on noise in the tested ear, only where there is some."""
    noise = stimulus.record.get("ipsilateral_noise")
    if noise is None:
        return []
    said, apart_db = ipsilateral_words(noise), noise["re_stimulus_db"]
    if apart_db is not None:
        side = "above" if apart_db > 0 else "below"
        said += f"; {abs(apart_db):.1f} dB {side} the peak-to-peak equivalent level of the stimulus"
    said += "; published latencies, amplitudes and thresholds are of responses in quiet"
    spl = noise["level_db_spl"]
    level_db, unit = (noise["level_db_fs"], "dB FS") if spl is None else (spl, "dB SPL")
    return [Finding("ipsilateral_noise", "look", said, "compare it with runs in the same noise only", "", level_db, unit)]


def _calibration(calibration: Calibration | None, today: datetime.date) -> Finding:
    """Finding on the calibration; one that does not fit or is out of date was refused before."""
    if calibration is None:
        said = "uncalibrated: levels are dB re full scale, and say nothing about how loud it is"
        return Finding("calibration", "look", said, "`quietfloor calibrate` makes one for this output and earphone")
    left = calibration.valid_days - (today - calibration.issued).days
    until = calibration.issued + datetime.timedelta(days=calibration.valid_days)
    said = f"{calibration.id}, issued {calibration.issued} by {calibration.issued_by}, valid until {until}"
    soon = left <= SOON_DAYS
    said += f", {left} days left" if soon else ""
    return Finding("calibration", "look" if soon else "ok", said, "calibrate again soon" if soon else "", "", float(left), "days",
                   SOON_DAYS, OWN_CHOICE)  # fmt: skip


def _jack(sound: SoundPlan) -> list[Finding]:
    """Finding on the trigger's jack, only where it usually feeds an ear."""
    if not sound.caution:
        return []
    said = f"the trigger, {sound.trigger_db_fs:g} dB re full scale, leaves by output {sound.channels[2]}, an earphone's jack"
    remedy = "make sure that nothing that somebody can wear is connected there"
    return [Finding("jack", "look", said, remedy, "", sound.trigger_db_fs, "dB FS")]


def _level_check(sound: SoundPlan, calibration: Calibration | None, session: Path) -> list[Finding]:
    """Finding on the level check, only if there is a loop."""
    if calibration is None or calibration.loop is None:
        return []
    record = last_check(session, calibration.id, sound.card_channels)
    if record is None:
        said = "not checked in this session" + ("" if sound.card_channels is None else " on these outputs")
        return [Finding("level_check", "look", said, "`quietfloor calibrate --check` compares the output with its calibration")]
    known = {ear: float(db) for ear in EARS if (db := record.get(f"{ear}_db")) is not None}
    said = f"{', '.join(f'{ear} {db:+.1f} dB' for ear, db in known.items())} against the calibration, checked {record.get('at')}"
    largest = max((abs(db) for db in known.values()), default=math.nan)
    moved = "a volume control was moved, or it is another output: set it back, or calibrate again"
    remedy = "" if record["passed"] else moved
    return [Finding("level_check", "stop" if remedy else "ok", said, remedy, "", largest, "dB", TOLERANCE_DB, OWN_CHOICE)]


def _bits(stimulus: Stimulus) -> list[Finding]:
    """Finding on the bits that the level uses, only for a sound card."""
    output = stimulus.record["output"]
    left = output.get("bits_left")
    if left is None or not math.isfinite(left):
        return []
    few = left < LEAST_BITS
    said = f"the sound moves {left:.1f} of the {output['bits']} bits of the converter"
    remedy = "put an attenuator behind the output, or turn it down, and calibrate again" if few else ""
    return [Finding("bits", "look" if few else "ok", said, remedy, "", left, "bits", LEAST_BITS, OWN_CHOICE)]


def _dose(plan: Plan, sound: SoundPlan, stimulus: Stimulus, spent: Dose) -> Finding:
    """Sound dose of the ear that gets the most; a plan that would pass the limit was refused before. Of a search the dose is that
    of its loudest level all the time: it may pass the limit, because a search leaves out what an ear may not get any more."""
    sweeps = plan.decision.max_sweeps if plan.search is None else math.ceil(60.0 * plan.search.minutes / sound.sweep_s)
    (coming, _), limit = stimulus.needed(sweeps), stimulus.day_limit_pa2s
    shares = [(100 * before / limit, 100 * more / limit) for before, more in zip(spent.both, coming.both, strict=True)]
    ear, (before, more) = max(zip(EARS, shares, strict=True), key=lambda pair: sum(pair[1]))
    policy = "" if stimulus.policy is None else f" under the dose policy {stimulus.policy.short}"
    basis, parts = f"{exposure_db(limit):.1f} dB, see stimuli/dose.py", (("used_percent", before), ("run_percent", more))
    if before + more > 100.0:  # of a search
        said = f"if the loudest level played all the time: {_times(more)} what the {ear} ear may get in a day{policy}; "
        said += f"{_percent(before)} of it got so far"
        remedy = "levels that an ear may not get any more are left out, and the search goes on with the others"
        return Finding("dose", "look", said, remedy, "", before + more, "%", 100.0, basis, parts)
    used = f"{_percent(before)} of it is used" if before > 0 else "nothing of it is used"
    said = f"at most {_percent(more)} of what the {ear} ear may get in a day{policy}; {used} in this session"
    return Finding("dose", "ok", said, "", "", before + more, "%", 100.0, basis, parts)


def _name(sound: SoundPlan) -> str:
    return "bone vibrator" if sound.route == "bone" else f"{sound.transducer} earphone"


def _times(percent: float) -> str:
    """How many times a limit."""
    times = percent / 100
    return f"{times:.0f} times" if times >= 9.5 else f"{times:.1f} times"


def _percent(value: float) -> str:
    if 0 < value < 0.1:
        return "less than 0.1 %"
    return f"{value:.1f} %" if 0 < value < 10 else f"{value:.0f} %"


class SilentTriggers:
    """Sends the triggers of a plan on its own output, without any sound, until closed, to test whether they arrive.

    Raises PlanError or DeviceError if the output cannot be opened. No sound dose is recorded, because there is no sound. A
    trigger that leaves by an earphone's jack counts: its dose is reserved in the session, and recorded when it is closed;
    ExposureError is raised where that is not possible.
    """

    def __init__(self, sound: SoundPlan, session: Path | None = None) -> None:
        # The trigger column is the same whatever the sound; a click needs no file, no level, and no calibration that may be old.
        silent: dict[str, Any] = dict.fromkeys(SILENCED)
        silent |= {"stimulus": "click", "chirp_by_level": False, "masking": "none", "muted": True, "lead_in_s": TRIGGER_LEAD_IN_S}
        silent |= {"ipsilateral_noise": "none"}
        silent |= dict.fromkeys(STATED) | {"level_db_fs": -60.0, "calibration": None, "references": None, "device": "lsl"}
        silent |= {"dose_policy": None}  # they need none
        if sound.trigger_on_earphone_jack:  # held by the ceiling of its own calibration
            silent |= {"calibration": sound.calibration, "device": sound.device}
        frames = make_stimulus(sound.model_copy(update=silent), datetime.date.today()).frames
        counts = sound.trigger_on_earphone_jack
        if frames.gain != 0.0 or (not counts and frames.exposure(SWEEPS_FOR_EVER, 1e6) != Dose()):
            raise DeviceError("triggers without sound would not be silent: this is a fault of the program, nothing is played")
        self._frames, self._account, self._name = frames, None if session is None else SessionDose(session), ""
        self._device = open_device(sound)
        self._player = Player(frames, self._device)
        if counts:
            try:
                self._reserve(sound)
            except BaseException:
                self._player.stop()
                raise
        self._player.start()

    def _reserve(self, sound: SoundPlan) -> None:
        """Set aside in the session what the triggers of a long check may give, or what the ears may still get."""
        account = self._account or SessionDose(OUTSIDE_A_RUN)
        account.check_age(age_of(sound))
        limit, spent = limit_pa2s(sound.age_group), account.counted(age_of(sound))
        needed = self._frames.exposure(LONGEST_S * sound.rate_per_s, LONGEST_S)
        allowed = Dose(*(max(0.0, min(most, limit - before)) for most, before in zip(needed.both, spent.both, strict=True)))
        self._account, self._name = account, f"check-{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%S.%f}-{os.getpid()}"
        account.reserve(self._name, allowed + self._frames.exposure_of_breaks(MOST_HEARD))
        self._frames.allow(allowed)

    @property
    def failure(self) -> str | None:
        """Reason why they stopped by themselves; None if they did not."""
        if self._frames.dose_exhausted:
            return "the triggers ended, as they are as much as an ear may get: make sound.trigger_db_fs smaller"
        return None if self._player.error is None else str(self._player.error)

    @property
    def sending(self) -> bool:
        return self._player.sweeps_played > 0

    @property
    def begins_s(self) -> float:
        """Stamp of the first trigger over LSL, in s; nan before it was sent, -inf for an output that is not LSL."""
        return self._device.stamp_s(0) + TRIGGER_LEAD_IN_S if isinstance(self._device, LslAudioDevice) else -math.inf

    @property
    def sent_s(self) -> float:
        """Length of what was sent so far, in s."""
        return self._player.position_samples / self._device.rate_hz

    def returned(self, seconds: float) -> None:
        """Report how much EEG of a virtual patient has arrived, in s. Triggers that it has not made when the check ends would
        come into what follows."""
        if isinstance(self._device, LslAudioDevice):
            self._device.returned(seconds)

    def close(self) -> None:
        """Silence the output, then close it. May be called repeatedly."""
        self.returned(math.inf)
        self._player.stop()
        if self._name and self._account is not None:
            given = self._frames.dose + self._frames.exposure_of_breaks(self._player.underrun_count)
            name, self._name = self._name, ""
            with contextlib.suppress(ExposureError):  # then the reservation stays, which is never less
                self._account.settle(name, given)
