"""Level check: whether the output is as loud as at its calibration. A tone over an electric loop is compared within 0.5 dB.

The loop measures the output, not the earphone. It finds a volume control that was moved, a wrong output, or a broken channel. An
earphone that has changed is found only by a new calibration.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.monitor.calibration.microphone import Listener, ListeningError
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.sound_output import open_device, output_identity
from quietfloor.monitor.storage.dose_ledger import Age, SessionDose
from quietfloor.monitor.storage.level_checks import FILE
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.monitor.untrusted.safe_paths import new_draft
from quietfloor.stimuli.calibration import EARS, TOLERANCE_DB, Calibration, Loop
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.devices import DeviceError, LslAudioDevice
from quietfloor.stimuli.dose import Dose
from quietfloor.stimuli.frames import EARPHONE_JACK_DB_FS, TRIGGER_DB_FS, FrameSource
from quietfloor.stimuli.measure import steady_part, tone_rms
from quietfloor.stimuli.player import Player, PlayerError
from quietfloor.stimuli.probe import ToneFrames

CHECK_HZ, CHECK_DB_FS = 1000.0, -40.0
CHECK_S = 3.0  # rise and fall included
LATE_S = 1.5  # for what is still on its way: blocks, buffers, the device's wake-up


@dataclass(frozen=True)
class LevelCheck:
    """Result of a level check: difference of each ear from the calibration in dB, nan for an ear without a loop.

    `passed`: all are within 0.5 dB. `channels`: outputs of the card for left and right, for which the check is valid.
    """

    calibration: str
    input: str
    left_db: float
    right_db: float
    at: str
    channels: tuple[int, int] | None = None

    @property
    def passed(self) -> bool:
        known = [db for db in (self.left_db, self.right_db) if not math.isnan(db)]
        return bool(known) and all(abs(db) <= TOLERANCE_DB for db in known)

    def record(self) -> dict[str, Any]:
        return {
            "calibration": self.calibration, "input": self.input, "left_db": self.left_db, "right_db": self.right_db,
            "tolerance_db": TOLERANCE_DB, "passed": self.passed, "at": self.at,
            "channels": None if self.channels is None else list(self.channels),
        }  # fmt: skip


def play(
    plan: SoundPlan, frames: FrameSource, listener: Listener | None = None, *, until: Callable[[], bool] | None = None
) -> Any:
    """Play frames on the output of the plan until they end; returns the recording of the listener, (n,), None without a listener.

    `until` is called repeatedly, and may end the sound early. Raises ListeningError if output or listener fails.
    """
    try:
        device = open_device(plan)
        player = Player(frames, device)
    except DeviceError as error:
        raise ListeningError(str(error)) from error
    try:
        if listener is not None:
            listener.start()
        player.start()
        while not player.wait(0.0 if listener is not None else 0.05) and not (until is not None and until()):
            if listener is not None:
                listener.wait(0.1)
        if listener is not None:
            listener.wait(LATE_S)
            if isinstance(device, LslAudioDevice):
                listener.reach(device.stamp_s(frames.position))
    except PlayerError as error:
        raise ListeningError(str(error)) from error
    finally:
        player.stop()
    if frames.dose_exhausted:
        raise ListeningError("the sound was ended because it was as much as an ear may get: lower its level or its duration")
    if frames.limited_samples:
        raise ListeningError(status_text.sound_limited(frames.limited_samples))
    return None if listener is None else listener.stop()


def measure_loop(
    plan: SoundPlan, listener: Listener, ceiling: Ceiling, ears: tuple[str, ...] = EARS,
    frequency_hz: float = CHECK_HZ, level_db_fs: float = CHECK_DB_FS, spent: Dose | None = None,
) -> Loop:  # fmt: skip
    """Reading of the loop for each ear (nan for the others). Raises ListeningError, MeasureError, LevelError."""
    read = dict.fromkeys(EARS, math.nan)
    size = EARPHONE_JACK_DB_FS if plan.trigger_on_earphone_jack else TRIGGER_DB_FS
    for ear in ears[:1] if plan.trigger_on_earphone_jack else ears:
        frames = ToneFrames(frequency_hz, level_db_fs, ear, CHECK_S, ceiling, plan.sample_rate_hz, spent, size)
        heard = play(plan, frames, listener)
        rms = tone_rms(steady_part(heard, listener.rate_hz, frequency_hz), listener.rate_hz, frequency_hz)
        read[ear] = round(20.0 * math.log10(rms), 3)
    if plan.trigger_on_earphone_jack:  # one earphone for both ears
        read = dict.fromkeys(EARS, read[ears[0]])
    return Loop(listener.name, frequency_hz, level_db_fs, read["left"], read["right"])


def check_level(
    plan: SoundPlan, calibration: Calibration, listener: Listener, session: Path | None = None,
    now: Callable[[], datetime.datetime] = lambda: datetime.datetime.now(datetime.UTC),
) -> LevelCheck:  # fmt: skip
    """Play the tone of the calibration's loop and compare. With a session, the result and the sound dose are recorded there.

    Raises CalibrationError for another output, ListeningError without a loop to compare with, MeasureError for an open loop.
    """
    calibration.check(*output_identity(plan), plan.sample_rate_hz, now().date(), plan.card_channels)
    then = calibration.loop
    if then is None:
        raise ListeningError(
            f"calibration {calibration.id!r} was made without a loop, there is nothing to compare with: "
            "`quietfloor calibrate --add-loop` once, right after calibrating"
        )
    if then.input != listener.name:
        raise ListeningError(f"the loop was measured on {then.input!r}, this is {listener.name!r}: name the same input")
    ears = tuple(ear for ear, db in zip(EARS, (then.left_db, then.right_db), strict=True) if not math.isnan(db))
    ceiling = Ceiling(calibration.transducer, plan.age_group, calibration)
    spent = None
    if session is not None:
        account = SessionDose(session, now)
        spent = account.counted(Age(plan.age_group, plan.age_months))
        account.settle(f"level-check-{now():%Y%m%dT%H%M%S.%f}", _dose(plan, ceiling, ears, then))
    measured = measure_loop(plan, listener, ceiling, ears, then.frequency_hz, then.level_db_fs, spent)
    moved = (measured.left_db - then.left_db, measured.right_db - then.right_db)
    check = LevelCheck(calibration.id, listener.name, *moved, now().isoformat(timespec="seconds"), _ears_of(plan.card_channels))
    if session is not None:
        keep(session, check)
    return check


def keep(session: Path, check: LevelCheck) -> None:
    """Write the check into the session folder, for its runs. Raises OSError."""
    path = session / FILE
    draft = new_draft(path)
    with open(draft, "x", encoding="utf-8") as file:
        file.write(json.dumps(jsonable(check.record()), indent=2) + "\n")
    draft.replace(path)


def _ears_of(channels: tuple[int, int, int] | None) -> tuple[int, int] | None:
    return None if channels is None else channels[:2]


def _dose(plan: SoundPlan, ceiling: Ceiling, ears: tuple[str, ...], loop: Loop) -> Dose:
    """Sound dose of the whole check, in case an earphone is on an ear."""
    given = Dose()
    for ear in ears:
        given += ToneFrames(loop.frequency_hz, loop.level_db_fs, ear, CHECK_S, ceiling, plan.sample_rate_hz).whole
    return given
