"""Sound of a run, from its plan: waveform, level, schedule, ceiling, device, player. Nothing is opened before ``open_sound``.

``make_stimulus`` looks up everything that the plan names (output, calibration, references) once.
"""

from __future__ import annotations

import contextlib
import datetime
import logging
import math
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from quietfloor.monitor.plan.cell_table import CellTable
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.storage.dose_ledger import Age, SessionDose, dose_record
from quietfloor.stimuli.calibration import Calibration, LevelError, ears_of
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.cell_frames import CellFrames, CellSound, Choose
from quietfloor.stimuli.devices import Device, DeviceError, LslAudioDevice
from quietfloor.stimuli.dose import Dose, check, exposure_db, limit_pa2s
from quietfloor.stimuli.dose_policy import DosePolicy, load_dose_policy
from quietfloor.stimuli.equaliser import basis_of, equalised
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.ipsilateral import IpsilateralNoise
from quietfloor.stimuli.levels import LEVEL_KEYS, gain_db_fs, gain_on, level_basis, ppe_basis
from quietfloor.stimuli.markers import MarkerOutlet
from quietfloor.stimuli.masking import Masking, rms_of_em, rms_of_fs
from quietfloor.stimuli.outputs import LEAST_BITS, Output, bits_left, find_output
from quietfloor.stimuli.player import MOST_HEARD, Player
from quietfloor.stimuli.portaudio import PortAudioDevice
from quietfloor.stimuli.references import References, load_references
from quietfloor.stimuli.schedule import RateError, ScheduleError, refuse_mains_locked
from quietfloor.stimuli.together_frames import TogetherFrames

log = logging.getLogger("quietfloor")

OUTSIDE_A_RUN = Path("sessions")  # where sound is accounted for that belongs to no run
LONGER_S = 20.0  # a run may need more sound than its sweeps: the opening, a trigger that is missed; also put down at first
LONGEST_OUTSIDE_S = 120.0
LSL_HOST_INTERFACE = "lsl"
LSL_DEVICE = "virtual-earphone"


class DoseRefused(PlanError):
    """Raised if a sound can be played, but an ear may not get so much of it today."""


@dataclass(frozen=True)
class Stimulus:
    """The sound of a plan with everything that the plan names looked up, ready to be rendered, and its description for
    records."""

    plan: SoundPlan
    card: Output | None  # None: audio over LSL
    frames: FrameSource
    calibration: Calibration | None
    masking: Masking | None
    record: dict[str, Any]
    cells: tuple[dict[str, Any], ...] = ()  # labels of each, of a run with several
    policy: DosePolicy | None = None

    @property
    def output(self) -> tuple[str, str]:
        """Device and host interface."""
        return _identity(self.card)

    @property
    def day_times(self) -> float:
        """How many times the usual limit of a day an ear may get: 1 without a dose policy."""
        return 1.0 if self.policy is None else self.policy.day_limit_times

    @property
    def day_limit_pa2s(self) -> float:
        return limit_pa2s(self.plan.age_group, self.day_times)

    def needed(self, sweeps: int) -> tuple[Dose, Dose]:
        """Sound dose of this many sweeps, and of each second of them."""
        plan = self.plan
        return self.frames.exposure(sweeps, plan.lasts_s(sweeps)), self.frames.exposure(plan.rate_per_s, 1.0)

    def check_dose(self, sweeps: int, spent: Dose) -> None:
        """Raise DoseRefused if this many sweeps, added to the dose ``spent`` before, exceed the dose limit of an ear."""
        try:
            check(*self.needed(sweeps), spent, self.plan.age_group, sweeps, self.plan.rate_per_s, self.day_times)
        except LevelError as error:
            raise DoseRefused(f"sound: {error}") from error

    def most_sweeps(self, most: int, spent: Dose) -> int:
        """As many sweeps up to ``most`` as the dose leaves."""
        least = 0
        while least < most:
            middle = (least + most + 1) // 2
            try:
                self.check_dose(middle, spent)
                least = middle
            except DoseRefused:
                most = middle - 1
        return least


def dose_policy_of(plan: SoundPlan, today: datetime.date) -> DosePolicy | None:
    """The dose policy that a plan names, if it covers this age today; None for none. Raises DosePolicyError."""
    if plan.dose_policy is None:
        return None
    policy = load_dose_policy(Path(plan.dose_policy))
    policy.check(plan.age_group, today)
    return policy


def spent_by(session: Path, plan: SoundPlan, today: datetime.date, but: str | None = None) -> Dose:
    """What counts as spent for a plan in this session, of the day and of the week. Raises PlanError, ExposureError."""
    try:
        policy = dose_policy_of(plan, today)
        return SessionDose(session).counted(age_of(plan), 1.0 if policy is None else policy.day_limit_times, but)
    except LevelError as error:
        raise PlanError(f"sound: {error}") from error


def age_of(plan: SoundPlan) -> Age:
    """The age by which the dose of a plan is counted."""
    return Age(plan.age_group, plan.age_months, plan.age_change or "")


def make_stimulus(
    plan: SoundPlan, today: datetime.date, *, sweeps: int | None = None, spent: Dose | None = None
) -> Stimulus:
    """Build and check everything that needs no device. Raises PlanError.

    `sweeps` is the largest number of sweeps of the run: PlanError is raised if they, added to the dose `spent` in the session,
    exceed the limit of an ear. Without `sweeps` the dose is checked when the sound is reserved.
    """
    try:
        card, spec, schedule = _sound_card(plan), plan.spec, plan.schedule()
        refuse_mains_locked(plan.rate_per_s, plan.mains_hz)
        ideal = spec.waveform(plan.sample_rate_hz)
        calibration = None if plan.calibration is None else _calibration(plan, card, plan.calibration, today)
        sent = None if not plan.equalise or calibration is None else equalised(ideal, calibration, plan.ear)
        waveform = ideal if sent is None else sent.waveform
        references = load_references(None if plan.references is None else Path(plan.references))
        in_db: dict[str, Any] = dict.fromkeys(LEVEL_KEYS)
        level_db, shares = plan.level[0], (1.0, 1.0)
        if plan.level_db_fs is not None:
            factor = gain_db_fs(level_db, waveform)
        elif calibration is not None:
            in_ppe, factors = plan.level_db_ppe_spl is not None, list[float]()
            for ear in ears_of(plan.ear):
                if sent is not None:
                    basis = basis_of(sent, calibration, ear)
                elif in_ppe:
                    basis = ppe_basis(waveform, ear, calibration)
                else:
                    basis = level_basis(waveform, ear, calibration, references)
                factors.append(gain_on(basis, level_db, waveform, ear, calibration))
                in_db = basis.record(level_db, ideal, plan.rate_per_s)
            factor = max(factors)
            if len(factors) == 2 and factor > 0.0:
                shares = (factors[0] / factor, factors[1] / factor)
        else:
            raise LevelError("give a calibration with this level, or level_db_fs")
        ceiling = Ceiling(plan.transducer, plan.age_group, calibration, age_months=plan.age_months)
        masking = _masking(plan, card, calibration, references, today)
        factor_played = 0.0 if plan.muted else factor
        size, jack = plan.trigger_db_fs, plan.trigger_on_earphone_jack
        policy = dose_policy_of(plan, today)
        times = 1.0 if policy is None else policy.day_limit_times
        beside = _ipsilateral(plan, ceiling)
        frames = FrameSource(
            waveform, factor_played, plan.ear, schedule, ceiling, masking, spent, size, jack, times, beside, shares
        )
    except PlanError:
        raise
    except (RateError, LevelError, ScheduleError, ValueError) as error:
        raise PlanError(f"sound: {error}") from error
    record = {
        "stimulus": plan.stimulus_name,
        **spec.record(),
        "time_zero_ms": 1e3 * waveform.time_zero_s,
        "time_zero_is": waveform.time_zero_is,
        "ear": plan.ear,
        "route": plan.route,
        "level_db_nhl": plan.level_db_nhl,
        "level_db_ppe_spl": plan.level_db_ppe_spl,
        "level_db_fs": plan.level_db_fs,
        **in_db,
        "muted": plan.muted,
        "polarity": plan.polarity,
        "random_polarity": plan.random_polarity and plan.polarity == "alternating",
        "rate_per_s": plan.rate_per_s,
        "random_pauses_ms": [1e3 * pause_s for pause_s in plan.pauses_s],
        "random_interval_ms": plan.random_interval_ms,
        "transducer": plan.transducer,
        "age_group": plan.age_group,
        "age_months": plan.age_months,
        "age_change": plan.age_change,
        "dose_policy": None if policy is None else policy.record(),
        "trigger_db_fs": plan.trigger_db_fs,
        "masking": _masking_record(plan, masking),
        "output": _output_record(plan, card, min(shares) * factor * waveform.peak_to_peak),
    }
    if sent is not None:
        record["equalised"] = {"band_hz": list(sent.band_hz), "boost_db": sent.boost_db, "costs_db": sent.costs_db}
    if beside is not None:
        record["ipsilateral_noise"] = _ipsilateral_record(plan, beside, record["level_db_ppe"])
    stimulus = Stimulus(plan, card, frames, calibration, masking, record, policy=policy)
    if sweeps is not None:
        stimulus.check_dose(sweeps, spent or Dose())
    return stimulus


def make_cells(table: CellTable, choose: Choose, today: datetime.date, *, spent: Dose | None = None) -> Stimulus:
    """The sound of a run with several cells; ``choose`` selects the cell of each unit (see `CellFrames`). Raises PlanError.

    Each cell is checked like a run with that sound alone.
    """
    each = [make_stimulus(sound, today) for sound in table.sounds]
    cells = [
        CellSound(one.frames.waveform, one.frames.gain, one.frames.ear, row.level_db, row.condition, one.frames.masking)
        for row, one in zip(table.cells, each, strict=True)
    ]
    begun, plan = each[table.first], table.sound
    schedule, ceiling = begun.frames.schedule, begun.frames.ceiling
    both, code, size = plan.both_ears, table.code, plan.trigger_db_fs
    frames: CellFrames | TogetherFrames
    try:
        if both is None:
            jack = plan.trigger_on_earphone_jack
            frames = CellFrames(
                cells, schedule, ceiling, code, choose, table.first, spent, size, earphone_jack=jack, day_times=begun.day_times
            )
        else:
            frames = TogetherFrames(cells, both, ceiling, code, choose, len(cells) - 1, table.first, spent, size, begun.day_times)
    except (LevelError, ScheduleError) as error:
        raise PlanError(f"sound: {error}") from error
    record = begun.record | {"time_zero_ms": 1e3 * frames.time_zero_s} | ({} if both is None else {"together": True})
    record |= {"sounds_per_ear": plan.at_once} if plan.at_once > 1 else {}
    masking = next((one.masking for one in each if one.masking is not None), None)
    return replace(begun, frames=frames, masking=masking, record=record, cells=tuple(table.labels()))


def _calibration(plan: SoundPlan, card: Output | None, path: str, today: datetime.date) -> Calibration:
    """Read a calibration file, if it belongs to the output in use."""
    calibration = load_calibration(Path(path))
    calibration.check(*_identity(card), plan.sample_rate_hz, today, plan.card_channels)
    return calibration


def _masking(
    plan: SoundPlan, card: Output | None, calibration: Calibration | None, references: References, today: datetime.date
) -> Masking | None:
    """Masking noise of the plan, None without; `calibration` is that of the stimulus. Raises LevelError."""
    if plan.masking == "none":
        return None
    transducer, path = plan.masking_output
    if path != plan.calibration:
        calibration = None if path is None else _calibration(plan, card, path, today)
    if plan.masking_level_db_em is not None and calibration is not None:
        level = plan.masking_level_db_em
        rms = rms_of_em(level, plan.masking_hz, plan.masking_ear, calibration, plan.sample_rate_hz, references)
    elif plan.masking_level_db_fs is not None:
        rms = rms_of_fs(plan.masking_level_db_fs)
    else:
        raise LevelError("masking: give masking_level_db_em with a calibration, or masking_level_db_fs")
    ceiling = Ceiling(transducer, plan.age_group, calibration, age_months=plan.age_months)
    return Masking(plan.masking, rms, plan.masking_ear, plan.sample_rate_hz, ceiling, plan.masking_hz, plan.seed)


def _masking_record(plan: SoundPlan, masking: Masking | None) -> dict[str, Any] | None:
    if masking is None:
        return None
    return {
        "noise": masking.noise,
        "ear": masking.ear,
        "band_hz": list(masking.band_hz),
        "level_db_em": plan.masking_level_db_em,
        "level_db_fs": plan.masking_level_db_fs,
        "rms": masking.rms,
        "transducer": masking.ceiling.transducer,
        "calibration": None if masking.ceiling.calibration is None else masking.ceiling.calibration.id,
    }


def _ipsilateral(plan: SoundPlan, ceiling: Ceiling) -> IpsilateralNoise | None:
    """Noise in the tested ear, None without; `ceiling` is that of the stimulus. Raises LevelError."""
    if plan.ipsilateral_noise == "none":
        return None
    in_spl, in_fs = plan.ipsilateral_noise_level_db_spl, plan.ipsilateral_noise_level_db_fs
    level_db = in_fs if in_spl is None else in_spl
    if level_db is None:
        raise LevelError("ipsilateral_noise: give ipsilateral_noise_level_db_spl or ipsilateral_noise_level_db_fs")
    edges_hz, rate_hz = plan.ipsilateral_edges_hz, plan.sample_rate_hz
    return IpsilateralNoise(plan.ipsilateral_noise, level_db, plan.ear, rate_hz, ceiling, edges_hz, in_spl is None, plan.seed)


def _ipsilateral_record(plan: SoundPlan, noise: IpsilateralNoise, stimulus_db_ppe: float | None) -> dict[str, Any]:
    of_stimulus = plan.level_db_fs if noise.in_fs else stimulus_db_ppe
    return {
        "noise": noise.noise,
        "bands_hz": list(noise.bands_hz),
        "level_db_spl": None if noise.in_fs else noise.level_db,
        "level_db_fs": noise.level_db if noise.in_fs else None,
        "density_db": noise.density_db,
        "re_stimulus_db": None if of_stimulus is None else noise.level_db - of_stimulus,
        "rms": noise.rms,
    }


def output_identity(plan: SoundPlan) -> tuple[str, str]:
    """Device and host interface that a calibration of this output is bound to. Raises PlanError where there is none."""
    return _identity(_sound_card(plan))


def _identity(card: Output | None) -> tuple[str, str]:
    return (LSL_DEVICE, LSL_HOST_INTERFACE) if card is None else (card.name, card.host_interface)


def open_device(plan: SoundPlan) -> Device:
    """The output of the plan. Raises DeviceError if it cannot be opened, or if the trigger would be played by an earphone."""
    try:
        card = _sound_card(plan)
    except PlanError as error:
        raise DeviceError(str(error).removeprefix("sound: ")) from error
    calibrations = []
    for path in () if card is None else filter(None, (plan.calibration, plan.masking_calibration)):
        with contextlib.suppress(LevelError):  # one that cannot be read is refused where a level rests on it
            calibrations.append(load_calibration(Path(path)))
    return _open(plan, card, calibrations)


def _open(plan: SoundPlan, card: Output | None, calibrations: Iterable[Calibration]) -> Device:
    if card is None:
        return LslAudioDevice(plan.device_source_id, rate_hz=plan.sample_rate_hz, speed=plan.speed)
    for known in calibrations:
        same = (known.device, known.host_interface) == (card.name, card.host_interface)
        if same and (said := known.trigger_on_earphone(plan.channels[2])):
            raise DeviceError(said)
    return PortAudioDevice(card, plan.sample_rate_hz, plan.channels, plan.block, plan.allow_shared)


def _sound_card(plan: SoundPlan) -> Output | None:
    """The sound card of the plan, None for audio over LSL. Raises PlanError."""
    if plan.device == "lsl":
        return None
    try:
        return find_output(plan.output, plan.sample_rate_hz, plan.channels, plan.allow_shared)
    except DeviceError as error:
        raise PlanError(f"sound: {error}") from error


def _output_record(plan: SoundPlan, card: Output | None, peak_to_peak: float) -> dict[str, Any]:
    """The output for records; for a sound card also the number of bits that a sound of this size uses."""
    device, host_interface = _identity(card)
    record = {"device": device, "host_interface": host_interface, "rate_hz": plan.sample_rate_hz}
    if card is None:
        return record
    left = bits_left(peak_to_peak, plan.bits)
    if left < LEAST_BITS:
        log.warning(
            "at this level the sound moves %.1f of the %d bits of the converter: put an attenuator behind the output, or turn it "
            "down, and calibrate again",
            left,
            plan.bits,
        )
    of_card = {"channels": list(plan.channels), "block": plan.block, "allow_shared": plan.allow_shared}
    if plan.caution:
        of_card |= {"trigger_on_earphone_jack": True, "caution": plan.caution}
    return record | of_card | {"bits": plan.bits, "bits_left": left}


class Sound:
    """An open output with its player and marker outlet, as a run uses it."""

    def __init__(self, stimulus: Stimulus) -> None:
        plan, self._stimulus = stimulus.plan, stimulus
        labels = {key: stimulus.record[key] for key in ("stimulus", "ear", "level_db_nhl", "muted")}
        labels |= {} if plan.level_db_ppe_spl is None else {"level_db_ppe_spl": plan.level_db_ppe_spl}
        self._plan = plan
        self._account: tuple[SessionDose, str] | None = None
        self.marker_source_id = plan.device_source_id + "-markers"
        self._frames = stimulus.frames
        self._allowed = self._most = Dose()
        self._about = (age_of(plan), None if stimulus.policy is None else stimulus.policy.short)
        masking = None if stimulus.masking is None else stimulus.masking.ceiling.calibration
        self._device = _open(plan, stimulus.card, filter(None, (stimulus.calibration, masking)))
        self._markers = MarkerOutlet(self.marker_source_id, labels=labels, cells=stimulus.cells)
        self._player = Player(stimulus.frames, self._device, self._markers)

    def reserve(self, session: Path, name: str, sweeps: int, *, whole: bool = True, ahead: bool = True) -> None:
        """Allow this many sweeps, and record the dose of the first ones in the session before they are played: of a search those
        of its first cell, of a run of one sound some `LONGER_S`, the others by `reserve_more`. With `ahead` false, for sound
        outside a run, all of it is recorded now, of several cells as if all were the loudest. The sound ends at the recorded dose
        in any case.

        Raises DoseRefused if the dose of all sweeps exceeds today's limit of an ear (with `whole` false the sound ends sooner
        instead), or if another sound for the same person was recorded at this moment; ExposureError if the dose so far is not
        known.
        """
        account = SessionDose(session)
        account.check_age(age_of(self._plan), name)
        spent = self._counted(account, name)
        if ahead and isinstance(self._frames, (CellFrames, TogetherFrames)):
            needed, per_s = (self._of_cell(self._frames.first, each) for each in (sweeps, self._plan.rate_per_s))
            extra = self._of_cell(self._frames.first, LONGER_S * self._plan.rate_per_s)
        else:
            needed, per_s = self._stimulus.needed(sweeps)
            extra = self._frames.exposure(LONGER_S * self._plan.rate_per_s, LONGER_S)
        try:
            times = self._stimulus.day_times
            check(needed if whole else per_s, per_s, spent, self._plan.age_group, sweeps, self._plan.rate_per_s, times)
        except LevelError as error:
            raise DoseRefused(f"sound: {error}") from error
        self._most = self._within(needed + extra, spent)
        one_sound = ahead and not isinstance(self._frames, (CellFrames, TogetherFrames))
        allowed = self._within(extra, spent).smallest(self._most) if one_sound else self._most
        account.reserve(name, allowed + self._frames.exposure_of_breaks(MOST_HEARD), *self._about)
        beside = self._counted(account, name)  # two folders of a person, begun together: both see the other one now
        if self._within(allowed, beside) != self._within(allowed, spent):
            account.settle(name, Dose(), *self._about)
            raise DoseRefused("sound: another sound for this person begins at the same moment: try again when it is over")
        self._frames.allow(allowed)
        self._account, self._allowed = (account, name), allowed

    def _counted(self, account: SessionDose, name: str) -> Dose:
        return account.counted(age_of(self._plan), self._stimulus.day_times, name)

    def _within(self, dose: Dose, spent: Dose) -> Dose:
        """As much of a dose as the limit of each ear leaves."""
        limit = self._stimulus.day_limit_pa2s
        return Dose(*(max(0.0, min(most, limit - before)) for most, before in zip(dose.both, spent.both, strict=True)))

    def reserve_more(self, cell: int | None, sweeps: int) -> None:
        """Record the dose of this many more sweeps of a cell before the cell is chosen; None: of the sound of a run without
        cells, up to what `reserve` allowed. Nothing is recorded while the present reservation covers half as many.

        Raises DoseRefused if the dose of a cell exceeds today's limit of an ear; other sound goes on to that limit.
        """
        if self._account is None:
            return
        account, name = self._account
        now, enough, wanted = self._frames.dose, self._of_cell(cell, sweeps / 2), self._of_cell(cell, sweeps)
        if all(least <= most for least, most in zip((now + enough).both, self._allowed.both, strict=True)):
            return
        if cell is None:
            ahead = (now + wanted).smallest(self._most).largest(self._allowed)
            if ahead != self._allowed:
                ahead = self._within(ahead, self._counted(account, name)).largest(self._allowed)
        else:
            ahead, per_s = (now + wanted).largest(self._allowed), self._of_cell(cell, self._plan.rate_per_s)
            try:
                times = self._stimulus.day_times
                spent = self._counted(account, name) + now  # so that the words count what this run gave already
                coming = Dose(*(max(0.0, most - given) for most, given in zip(ahead.both, now.both, strict=True)))
                check(coming, per_s, spent, self._plan.age_group, sweeps, self._plan.rate_per_s, times)
            except LevelError as error:
                raise DoseRefused(f"sound: {error}") from error
        if ahead == self._allowed:
            return
        account.reserve(name, ahead + self._frames.exposure_of_breaks(MOST_HEARD), *self._about)
        self._frames.extend(Dose(*(most - least for most, least in zip(ahead.both, self._allowed.both, strict=True))))
        self._allowed = ahead

    def _of_cell(self, cell: int | None, sweeps: float) -> Dose:
        if cell is None:
            return self._frames.exposure(sweeps, sweeps * self._plan.sweep_s)
        assert isinstance(self._frames, (CellFrames, TogetherFrames))
        return self._frames.exposure_of(cell, sweeps, sweeps * self._plan.sweep_s)

    def start(self) -> None:
        """Play. Sound that was not reserved by a run is first recorded in the usual session folder."""
        if self._account is None:
            now = datetime.datetime.now(datetime.UTC)
            name = f"{now:%Y%m%dT%H%M%S.%f}-{os.getpid()}"
            self.reserve(OUTSIDE_A_RUN, name, math.ceil(LONGEST_OUTSIDE_S * self._plan.rate_per_s), whole=False, ahead=False)
        self._player.start()

    @property
    def begins_s(self) -> float:
        """Stamp of the first frame of sound over LSL, in s; nan before it was sent, -inf for an output that is not LSL."""
        return self._device.stamp_s(0) if isinstance(self._device, LslAudioDevice) else -math.inf

    def wait_for_receiver(self, stopped: Callable[[], bool]) -> None:
        """Wait before the start until a receiver of audio over LSL is there; the player reports if none comes."""
        device = self._device
        if isinstance(device, LslAudioDevice):
            while not (stopped() or device.has_consumer() or device.gave_up):
                pass

    def returned(self, seconds: float) -> None:
        """Report how much EEG of a virtual patient has arrived, in s; the sound goes on until a little beyond."""
        if isinstance(self._device, LslAudioDevice):
            self._device.returned(seconds)

    def stop(self) -> None:
        """Silence the sound, close the output, and record the dose that was played. May be called repeatedly."""
        self.returned(math.inf)
        self._player.stop()
        if self._account is not None:
            (session, name), self._account = self._account, None
            session.settle(name, self.dose, *self._about)

    @property
    def record(self) -> dict[str, Any]:
        """Description of the sound that was played, for run.json."""
        breaks = [{"sample": b.sample, "samples": b.n, "by_device": b.by_device} for b in self._player.underruns]
        played = {"dose": dose_record(self.dose), "breaks": breaks, "limited_samples": self.limited_samples}
        return self._stimulus.record | played

    @property
    def dose(self) -> Dose:
        """Dose of this sound so far; it is up to half a second ahead of the sound."""
        return self._frames.dose + self._frames.exposure_of_breaks(self._player.underrun_count)

    def close(self) -> None:
        """Close the marker outlet too."""
        self._markers.close()

    @property
    def failure(self) -> str | None:
        """Reason why the sound stopped by itself; None if it did not."""
        error = self._player.error
        if error is not None:
            return str(error)
        if self._frames.dose_exhausted:
            given = max(exposure_db(pa2s) for pa2s in self._frames.dose.both)
            return f"an ear got all the sound that was set aside for this run ({given:.1f} dB sound exposure)"
        return None

    @property
    def underruns(self) -> int:
        return self._player.underrun_count

    @property
    def sweeps_played(self) -> int:
        return self._player.sweeps_played

    @property
    def limited_samples(self) -> int:
        """Samples that the output ceiling had to change; anything but 0 is a fault."""
        return self._frames.limited_samples


def open_sound(stimulus: Stimulus) -> Sound:
    """Open the output. Raises PlanError if that fails."""
    try:
        return Sound(stimulus)
    except DeviceError as error:
        raise PlanError(f"sound: {error}") from error
