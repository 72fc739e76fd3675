"""The sound of a run, from its plan: waveform, level, schedule, ceiling, device, player. Nothing opens before ``open_sound``."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.plan import PlanError, SoundPlan
from stimuli.calibration import Calibration, LevelError, load_calibration
from stimuli.ceiling import Ceiling
from stimuli.devices import DeviceError, LslAudioDevice
from stimuli.frames import FrameSource
from stimuli.levels import gain, gain_db_fs, reference_for
from stimuli.markers import MarkerOutlet
from stimuli.player import Player
from stimuli.schedule import RateError, Schedule, ScheduleError, refuse_mains_locked

LSL_HOST_INTERFACE = "lsl"
LSL_DEVICE = "virtual-earphone"


@dataclass(frozen=True)
class Stimulus:
    """What will be played, ready to be rendered, and how it is described in records."""

    frames: FrameSource
    calibration: Calibration | None
    record: dict[str, Any]


def make_stimulus(plan: SoundPlan, today: datetime.date) -> Stimulus:
    """Build and check everything that needs no device. Raises PlanError."""
    try:
        refuse_mains_locked(plan.rate_per_s, plan.mains_hz)
        waveform = plan.spec.waveform(plan.sample_rate_hz)
        calibration = None
        if plan.calibration is not None:
            calibration = load_calibration(Path(plan.calibration))
            calibration.check(LSL_DEVICE, LSL_HOST_INTERFACE, plan.sample_rate_hz, today)
        reference = None
        if plan.level_db_nhl is not None and calibration is not None:
            factor = gain(plan.level_db_nhl, waveform, plan.ear, calibration)
            reference = reference_for(waveform, calibration)
        elif plan.level_db_fs is not None:
            factor = gain_db_fs(plan.level_db_fs, waveform)
        else:
            raise PlanError("sound: give level_db_nhl with a calibration, or level_db_fs")
        schedule = Schedule(
            rate_per_s=plan.rate_per_s,
            sample_rate_hz=plan.sample_rate_hz,
            polarity=plan.polarity,
            pauses_s=plan.pauses_s,
            seed=plan.seed,
            lead_in_s=plan.lead_in_s,
        )
        ceiling = Ceiling(plan.transducer, plan.age_group, calibration)
        frames = FrameSource(waveform, 0.0 if plan.muted else factor, plan.ear, schedule, ceiling)
    except RateError as error:
        raise PlanError(f"sound: {error}") from error
    except (LevelError, ScheduleError, ValueError) as error:
        raise PlanError(f"sound: {error}") from error
    record = {
        "stimulus": plan.spec.name,
        **plan.spec.record(),
        "time_zero_ms": 1e3 * waveform.time_zero_s,
        "time_zero_is": waveform.time_zero_is,
        "ear": plan.ear,
        "route": "air",
        "level_db_nhl": plan.level_db_nhl,
        "level_db_fs": plan.level_db_fs,
        "muted": plan.muted,
        "polarity": plan.polarity,
        "rate_per_s": plan.rate_per_s,
        "random_pauses_ms": [1e3 * pause_s for pause_s in plan.pauses_s],
        "transducer": plan.transducer,
        "age_group": plan.age_group,
        "reference_db_ppe_spl": None if reference is None else reference.level_db_ppe_spl,
        "reference_source": None if reference is None else f"{reference.source} ({reference.status})",
    }
    return Stimulus(frames, calibration, record)


class Sound:
    """An open output with its player and marker outlet, as a run uses it."""

    def __init__(self, plan: SoundPlan, stimulus: Stimulus) -> None:
        labels = {"stimulus": plan.spec.name, "ear": plan.ear, "level_db_nhl": plan.level_db_nhl, "muted": plan.muted}
        self.record = stimulus.record
        self.calibration = stimulus.calibration
        self.marker_source_id = plan.device_source_id + "-markers"
        self._frames = stimulus.frames
        self._markers = MarkerOutlet(self.marker_source_id, labels=labels)
        self._device = LslAudioDevice(plan.device_source_id, rate_hz=plan.sample_rate_hz, speed=plan.speed)
        self._player = Player(stimulus.frames, self._device, self._markers)

    def start(self) -> None:
        self._player.start()

    def stop(self) -> None:
        """Silence first, then close the output. Safe to call twice."""
        self._player.stop()

    def close(self) -> None:
        """Close the marker outlet too."""
        self._markers.close()

    @property
    def failure(self) -> str | None:
        """Why the sound stopped by itself, if it did."""
        error = self._player.error
        return None if error is None else str(error)

    @property
    def underruns(self) -> int:
        return len(self._player.underruns)

    @property
    def sweeps_played(self) -> int:
        return self._player.sweeps_played

    @property
    def limited_samples(self) -> int:
        """Samples that the output ceiling had to change; anything but 0 is a fault."""
        return self._frames.limited_samples


def open_sound(plan: SoundPlan, stimulus: Stimulus) -> Sound:
    """Open the device of the plan. Raises PlanError when it cannot be had."""
    try:
        return Sound(plan, stimulus)
    except DeviceError as error:
        raise PlanError(f"sound: {error}") from error
