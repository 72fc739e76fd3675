"""The virtual bench as a process: hears audio frames over LSL, sends the patient's EEG and a trigger channel over LSL.

    python -m quietfloor.bench.patient.rig --patient hearing-adult --audio-source-id my-audio --eeg-source-id bench-eeg --eeg-name
    Bench python -m quietfloor.bench.patient.rig --patient hearing-adult --sound-card "USB Audio" --eeg-source-id bench-eeg
    --eeg-name Bench

The second hears what comes in by three inputs of a sound card: a player's outputs looped back by wire.

Prints one JSON line {"event": "ready", ...} on standard output once the EEG stream exists, logs on standard error, ends on
SIGTERM, SIGINT or when its standard input closes. Without audio the patient sits in silence, in real time.

EEG time follows the count of audio frames, so audio may come at any speed, and late: once the first frame was heard, EEG waits
for the next one until the sender has closed. A connection starts the patient afresh at its first frame with the seed (seed,
number of the connection): the same audio gets the same EEG, sample for sample, whenever it connects, however busy the machine is.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.audio_inlet import COLUMNS, AudioInlet
from quietfloor.bench.patient.earphone import Earphone, Vibrator, virtual_earphone, virtual_vibrator
from quietfloor.bench.patient.eeg_outlet import TRIGGER_LABEL, EegOutlet
from quietfloor.bench.patient.loop import Loop
from quietfloor.bench.patient.outlet_faults import parsed
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.patient.rig_options import configured_patient, parser
from quietfloor.bench.patient.sound_card import SoundCardInlet
from quietfloor.stimuli.devices import DeviceError
from quietfloor.stimuli.lsl import load_pylsl

PATIENCE_S = 0.3  # an open audio stream that sends nothing while it was asked for so long may have closed
BEHIND_S = 1.0  # behind the clock: said, as the machine is too slow for real time
STEP_S = 0.05  # of EEG made at a time: what is late comes evenly, and sound that is under way is heard before more silence
LAG_S = 0.2  # how far silence stays behind the clock, so that audio stamped "now" does not come too late on a busy machine
AHEAD_PACE = 0.5  # of real time: silence after audio that came faster than real time, until the clock has caught up with it
LEAP_S = 0.25  # a greater leap of the stamps is a new connection, a smaller one is frames that were lost
JITTER_S = 1e-3  # a smaller one still is a sender that stamps by its clock
FARTHEST_AHEAD_S = 10.0  # of the clock: audio stamped further ahead is not waited for
MOST_LATE_S = 60.0  # of silence that a slow machine still has to make before the audio
_PULL_S = 0.02


class Audio(Protocol):
    """Where audio frames come from: over LSL, or from inputs of a sound card."""

    def pull(self, timeout_s: float) -> tuple[NDArray[np.float32], NDArray[np.float64]] | None: ...
    def drop_if_gone(self) -> bool: ...
    def close(self) -> None: ...


class Rig:
    """One amplifier on one patient. `step()` waits for audio at most 20 ms and sends what has become due."""

    def __init__(
        self,
        patient: Patient,
        earphone: Earphone,
        amplifier: Amplifier,
        *,
        seed: int,
        audio: Audio,
        eeg_source_id: str,
        eeg_name: str,
        units: str,
        log: Callable[[str], None],
        vibrator: Vibrator | None = None,
        session_s: float = 0.0,
        fault: tuple[str, float] | None = None,
    ) -> None:
        pylsl = load_pylsl()
        self._clock: Callable[[], float] = pylsl.local_clock
        self._patient, self._earphone, self._amplifier, self._seed, self._log = patient, earphone, amplifier, seed, log
        self._audio, self._vibrator, self._session_s = audio, vibrator, session_s
        self._began_s = self._clock()
        on_card = isinstance(audio, SoundCardInlet)
        self._eeg = EegOutlet(pylsl, eeg_name, eeg_source_id, amplifier, units, self._began_s, fault, seed, not on_card)
        self._connections = 0
        self._heard = False  # a frame, of a sender that has not closed: the next one is waited for
        self._behind_s = 0.0  # said
        self._start_patient()
        self._audio_from_s = math.nan  # stamp of the first frame of this connection
        self._next_stamp_s = math.nan
        self._asked_s = math.inf  # for audio, without an answer; a machine that stood still did not ask
        # Clock and frame at which silence took over.
        self._silent_from: tuple[float, int] | None = (self._began_s + LAG_S, 0)

    def step(self) -> None:
        began_s = self._clock()
        heard = self._audio.pull(_PULL_S)
        if heard is not None:
            self._asked_s, self._silent_from, self._heard = 0.0, None, True
            self._hear(*heard)
            self._look_behind()
            return
        self._asked_s += min(self._clock() - began_s, 2 * _PULL_S)
        if self._asked_s > PATIENCE_S:
            self._asked_s = 0.0
            self._heard = self._heard and not self._audio.drop_if_gone()
        if not self._heard:
            self._sit_in_silence()

    def close(self) -> None:
        self._audio.close()
        self._eeg.close()

    def _hear(self, frames: NDArray[np.float32], stamps_s: NDArray[np.float64]) -> None:
        """Frames (3, n) and stamps (n,), cut where the stamps leap."""
        period_s = 1.0 / self._amplifier.audio_rate_hz
        leaps_s = stamps_s - np.concatenate([[self._next_stamp_s], stamps_s[:-1] + period_s])
        cuts = np.flatnonzero(~(np.abs(leaps_s) <= JITTER_S))  # nan, before the first connection, is a leap too
        for start, stop in zip([0, *cuts], [*cuts, stamps_s.size], strict=True):
            if start == stop:
                continue
            if start in cuts:
                if -LEAP_S <= leaps_s[start] <= LEAP_S:
                    self._fill(float(stamps_s[start]))
                else:
                    self._connect(float(stamps_s[start]))
            for at in range(start, stop, round(STEP_S * self._amplifier.audio_rate_hz)):
                self._send(self._head.feed(frames[:, at : min(stop, at + round(STEP_S * self._amplifier.audio_rate_hz))]))
        self._next_stamp_s = float(stamps_s[-1]) + period_s

    def _look_behind(self) -> None:
        """Say when real time cannot be kept: each time that it is twice as late as was said before."""
        behind_s = self._clock() - self._eeg.next_stamp_s
        if behind_s > max(BEHIND_S, 2 * self._behind_s):
            self._behind_s = behind_s
            self._log(f"this machine is too slow for real time: the EEG is {behind_s:.1f} s late; no sample is lost by that")

    def _fill(self, stamp_s: float) -> None:
        """Silence for the frames missing before `stamp_s`; none if the patient is already there or beyond."""
        gap = round((stamp_s - self._audio_from_s) * self._amplifier.audio_rate_hz) - self._head.frames_in
        self._log(f"stamps of audio leap; {max(gap, 0)} missing frames become silence")
        if gap > 0:
            self._send(self._head.feed(_silence(gap)))

    def _connect(self, stamp_s: float) -> None:
        """Bring the EEG to its first sample at or after `stamp_s` and put a fresh patient there."""
        rate_hz = self._amplifier.true_rate_hz
        missing = math.ceil((stamp_s - self._began_s) * rate_hz) - self._eeg.count
        note = ""
        if stamp_s > self._clock() + FARTHEST_AHEAD_S or not 0 <= missing <= (FARTHEST_AHEAD_S + MOST_LATE_S) * rate_hz:
            note = f"; its stamps are {missing / rate_hz:.3f} s ahead of the EEG and do not fit it"
            missing = 0
        while missing > 0:
            samples = self._head.feed(_silence(math.ceil(0.01 * self._amplifier.audio_rate_hz)))[:, :missing]
            self._send(samples)
            missing -= samples.shape[1]
        self._connections += 1
        self._start_patient()
        self._audio_from_s, self._behind_s = stamp_s, 0.0
        self._eeg.sound_begins()
        self._log(f"audio connection {self._connections} begins at EEG sample {self._eeg.count}{note}")

    def _start_patient(self) -> None:
        seed = np.random.SeedSequence([self._seed, self._connections])
        session_s = self._session_s + self._eeg.count / self._amplifier.true_rate_hz
        self._head = VirtualPatient(self._patient, self._earphone, self._amplifier, seed, self._vibrator, session_s)
        self._head_from = self._eeg.count

    def _sit_in_silence(self) -> None:
        """Feed the silence that is due by the clock; at half pace, but without a stop, while the EEG is ahead of the clock."""
        now_s, rate_hz = self._clock(), self._amplifier.audio_rate_hz
        if self._silent_from is None:
            self._silent_from = (now_s, self._head.frames_in)
        since = self._silent_from[1] + (now_s - self._silent_from[0]) * AHEAD_PACE * rate_hz
        by_clock = (now_s - LAG_S - self._began_s - self._head_from / self._amplifier.true_rate_hz) * rate_hz
        due = min(int(max(since, by_clock)) - self._head.frames_in, round(STEP_S * rate_hz))
        if due > 0:
            self._send(self._head.feed(_silence(due)))

    def _send(self, samples_uv: NDArray[np.float64]) -> None:
        for start in range(0, samples_uv.shape[1], self._amplifier.block):
            self._eeg.push(samples_uv[:, start : start + self._amplifier.block])


def _silence(frames: int) -> NDArray[np.float32]:
    return np.zeros((COLUMNS, frames), dtype=np.float32)


def _audio(options: argparse.Namespace, log: Callable[[str], None]) -> Audio:
    """Raises DeviceError when a sound card is asked for that is not there."""
    if options.sound_card is None:
        return AudioInlet(load_pylsl(), options.audio_source_id, options.audio_rate, log)
    try:
        channels = [int(part) for part in options.sound_card_channels.split(",")]
    except ValueError:
        given = options.sound_card_channels
        raise DeviceError(f"--sound-card-channels {given}: give three numbers from 1, such as 1,2,3") from None
    return SoundCardInlet(options.sound_card, channels, options.audio_rate, log)


def main(arguments: Sequence[str] | None = None) -> int:
    options = parser().parse_args(arguments)

    def log(text: str) -> None:
        sys.stderr.write(f"rig: {text}\n")
        sys.stderr.flush()

    try:
        if options.seed < 0:
            raise ValueError(f"--seed {options.seed} is negative: give 0 or more")
        if not 0.0 <= options.session_min <= 600.0:
            raise ValueError(f"--session-min {options.session_min:g} is outside 0..600")
        patient, earphone = configured_patient(options), virtual_earphone(options.tube_delay_ms * 1e-3)
        vibrator = None if options.bone is None else virtual_vibrator(options.bone)
        amplifier = replace(
            Amplifier.with_channels(options.channels, options.eeg_rate, options.drift_ppm, options.audio_rate),
            eeg_delay_s=1e-3 * options.eeg_delay_ms,
            loop=Loop(None if options.loop_channel is None else options.loop_channel - 1, 1e-6 * options.loop_jitter_us),
        )
        fault = None if options.fault is None else parsed(options.fault)
        audio = _audio(options, log)
    except (ValueError, DeviceError) as error:
        log(str(error))
        return 2
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        if signal.getsignal(number) is not signal.SIG_IGN:  # whoever started this may want it so
            signal.signal(number, lambda *_: stop.set())
    rig = Rig(
        patient,
        earphone,
        amplifier,
        seed=options.seed,
        audio=audio,
        eeg_source_id=options.eeg_source_id,
        eeg_name=options.eeg_name,
        units=options.units,
        log=log,
        vibrator=vibrator,
        session_s=60.0 * options.session_min,
        fault=fault,
    )
    ready = {
        "event": "ready",
        "pid": os.getpid(),
        "patient": patient.name,
        "eeg_name": options.eeg_name,
        "eeg_source_id": options.eeg_source_id,
        "audio_source_id": options.audio_source_id,
        "sound_card": options.sound_card,
        "rate_hz": amplifier.rate_hz,
        "labels": [*amplifier.labels, TRIGGER_LABEL],
        "units": options.units,
        "drift_ppm": amplifier.drift_ppm,
        "tube_delay_ms": options.tube_delay_ms,
        "bone": options.bone,
        "seed": options.seed,
        "fault": options.fault,
    }
    sys.stdout.write(json.dumps(ready) + "\n")
    sys.stdout.flush()
    if not options.ignore_stdin:
        threading.Thread(target=_watch_stdin, args=(stop,), daemon=True).start()
    while not stop.is_set():
        rig.step()
    rig.close()
    return 0


def _watch_stdin(stop: threading.Event) -> None:
    """Ends the rig with the program that started it, whatever way that one ends."""
    # The raw file: a buffered one would hold a lock that Python needs on its way out.
    with contextlib.suppress(OSError):  # not open at all
        while os.read(0, 4096):
            pass
    stop.set()


if __name__ == "__main__":
    sys.exit(main())
