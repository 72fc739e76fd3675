"""A program of its own that plays on a sound card by our player, and may record what comes back.

    python -m tests.card_player JSON

Says {"opened": true} on standard output, waits for a line, plays, and says in one JSON object what happened.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from dataclasses import replace
from typing import Any

import numpy as np

from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.cell_code import CellCode
from quietfloor.stimuli.cell_frames import CellSound
from quietfloor.stimuli.frames import EARPHONE_JACK_DB_FS, FrameSource
from quietfloor.stimuli.outputs import find_output
from quietfloor.stimuli.player import Player
from quietfloor.stimuli.portaudio import PortAudioDevice
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.together import Together
from quietfloor.stimuli.together_frames import TogetherFrames
from quietfloor.stimuli.waveforms import click, tone_burst

RATE_HZ = 48_000.0
DEFAULTS: dict[str, Any] = {
    "card": "system", "channels": [1, 2, 3], "block": 1024, "sweeps": 100, "lead_in_s": 2.0, "gain": 0.02, "seed": 9,
    "record": None, "inputs": 4,  # where to keep what came back, and from how many inputs
    "hold_at_s": None, "hold_s": 1.0,  # the renderer is held back there for so long
    "both": False,  # both ears at once, in cells drawn by chance
    "one_earphone": False,  # with the small trigger of a jack that usually feeds an ear
}  # fmt: skip


def frames(options: dict[str, Any]) -> FrameSource:
    """What it plays: clicks in the right ear; or bursts of 1 kHz in the left and clicks in the right ear, five levels each."""
    schedule = Schedule(47.1, RATE_HZ, n_sweeps=options["sweeps"], lead_in_s=options["lead_in_s"], seed=options["seed"])
    ceiling = Ceiling("insert", "adult", None)
    if options["one_earphone"]:
        size = EARPHONE_JACK_DB_FS
        return FrameSource(click(RATE_HZ), options["gain"], "right", schedule, ceiling, None, None, size, earphone_jack=True)
    if not options["both"]:
        return FrameSource(click(RATE_HZ), options["gain"], "right", schedule, ceiling)
    cells = [
        CellSound(waveform, options["gain"] * 10 ** (-5 * step / 20), ear, -5.0 * step, ear)
        for ear, waveform in (("left", tone_burst(RATE_HZ, 1000.0)), ("right", click(RATE_HZ))) for step in range(5)
    ]  # fmt: skip
    cells.append(replace(cells[0], gain=0.0))
    rng = np.random.default_rng(options["seed"])
    chosen = [int(rng.integers(5)) + 5 * (unit % 2) for unit in range(options["sweeps"] // 16 + 2)]
    code = CellCode(options["seed"], len(cells))
    return TogetherFrames(cells, Together.of(schedule), ceiling, code, lambda unit: chosen[unit], len(cells) - 1, 0)


class HeldBack:
    """Frames whose renderer stops for a while, as a busy machine would stop it."""

    def __init__(self, inner: FrameSource, at: int, hold_s: float) -> None:
        self._inner, self._at, self._hold_s = inner, at, hold_s

    def read(self, n: int) -> np.ndarray:
        if self._inner.position >= self._at and self._hold_s:
            hold_s, self._hold_s = self._hold_s, 0.0
            time.sleep(hold_s)
        return self._inner.read(n)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class Recorder:
    """All that comes in, from now on."""

    def __init__(self, card: str, inputs: int, seconds: float) -> None:
        import sounddevice

        self.heard = np.zeros((inputs, round(seconds * RATE_HZ)), dtype=np.float32)
        self.count, self.overflows = 0, 0
        number = next(i for i, found in enumerate(sounddevice.query_devices()) if found["name"] == card)
        self._stream = sounddevice.InputStream(
            samplerate=RATE_HZ, blocksize=1024, device=number, channels=inputs, dtype="float32", latency="high",
            callback=self._take,
        )  # fmt: skip
        self._stream.start()

    def _take(self, data: np.ndarray, n: int, when: Any, status: Any) -> None:
        stop = min(self.count + n, self.heard.shape[1])
        self.heard[:, self.count : stop] = data[: stop - self.count].T
        self.count = stop
        self.overflows += bool(status)

    def close(self) -> np.ndarray:
        self._stream.stop()
        self._stream.close()
        return self.heard[:, : self.count]


def say(content: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(content) + "\n")
    sys.stdout.flush()


def main(options: dict[str, Any]) -> None:
    source: Any = frames(options)
    total_s = source.total_samples / RATE_HZ
    recorder = Recorder(options["card"], options["inputs"], total_s + 10.0) if options["record"] else None
    output = find_output(options["card"], RATE_HZ, options["channels"])
    device = PortAudioDevice(output, RATE_HZ, options["channels"], options["block"])
    if options["hold_at_s"] is not None:
        source = HeldBack(source, round(options["hold_at_s"] * RATE_HZ), options["hold_s"])
    player = Player(source, device)
    say({"opened": True})
    sys.stdin.readline()  # whoever started this has connected the wires
    began_s, used_s = time.monotonic(), time.process_time()
    threading.Thread(target=player.start).start()
    error = ""
    try:
        player.wait()
    except RuntimeError as problem:
        error = str(problem)
    busy = (time.process_time() - used_s) / (time.monotonic() - began_s)
    if recorder is not None:
        time.sleep(0.3)
        np.savez(options["record"], heard=recorder.close())
    say(
        {
            "error": error,
            "position": player.position_samples,
            "sweeps_played": player.sweeps_played,
            "underruns": [[broken.sample, broken.n, broken.by_device] for broken in player.underruns],
            "overflows": None if recorder is None else recorder.overflows,
            "latency_s": device.latency_s,
            "stamp_off_s": device.stamp_s(player.position_samples) - device._clock() - device.latency_s,
            "busy": busy,
        }
    )


if __name__ == "__main__":
    main(DEFAULTS | json.loads(sys.argv[1]))
