"""The player on a sound card: a JACK server without hardware, its outputs wired to its inputs. Real PortAudio, real callbacks."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.stimuli.player import Underrun
from quietfloor.stimuli.together_frames import TogetherFrames
from tests import card_player
from tests.slow import patience
from tests.sound_loop import SoundLoop
from tests.stimuli.breaks import TRIGGER, with_breaks

RATE_HZ = 48_000
ROOT = Path(__file__).resolve().parents[2]


class Played:
    """A player process on the card, and what it left."""

    def __init__(self, loop: SoundLoop, record: Path | None, **options: Any) -> None:
        self.options = card_player.DEFAULTS | options | {"record": None if record is None else str(record)}
        self._record = record
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.card_player", json.dumps(self.options)],
            cwd=ROOT, env=os.environ | loop.environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        assert self.process.stdout is not None
        first = self.process.stdout.readline()
        if not first:
            raise RuntimeError(self.process.communicate()[1])
        assert json.loads(first) == {"opened": True}

    def begin(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def end(self, timeout_s: float = 60.0) -> dict[str, Any]:
        try:
            out, err = self.process.communicate(timeout=patience(timeout_s))
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()
            raise
        assert out, err
        found = json.loads(out)
        assert isinstance(found, dict)
        found["underruns"] = tuple(Underrun(*broken) for broken in found["underruns"])
        return found

    @property
    def heard(self) -> np.ndarray:
        assert self._record is not None
        with np.load(self._record) as kept:
            return np.asarray(kept["heard"])


@pytest.fixture
def play(sound_loop: SoundLoop, tmp_path: Path) -> Iterator[Callable[..., tuple[Played, dict[str, Any]]]]:
    """Play to the end through the wires of the loop, all that comes back recorded."""
    started: list[Played] = []

    def run(**options: Any) -> tuple[Played, dict[str, Any]]:
        played = Played(sound_loop, tmp_path / f"heard-{len(started)}.npz", **options)
        started.append(played)
        sound_loop.wire(max(played.options["channels"]))
        played.begin()
        return played, played.end(60.0 + played.options["sweeps"] / 40)

    yield run
    for played in started:
        if played.process.poll() is None:
            played.process.kill()
            played.process.communicate()


def delay_of(heard: np.ndarray, expected: np.ndarray) -> int:
    """By how many samples what was heard lags, from its first trigger."""
    return int(np.flatnonzero(heard[2] > TRIGGER / 2)[0] - np.flatnonzero(expected[2] > TRIGGER / 2)[0])


def test_every_sample_comes_back_bit_for_bit_with_one_delay(play: Callable[..., Any], sound_loop: SoundLoop) -> None:
    played, said = play(sweeps=100, lead_in_s=0.3)
    assert said["error"] == ""
    assert said["sweeps_played"] == 100
    assert said["position"] >= card_player.frames(played.options).total_samples
    expected = with_breaks(card_player.frames(played.options), said["position"], said["underruns"])
    heard = played.heard
    delay = delay_of(heard, expected)
    assert delay >= sound_loop.period
    reach = min(said["position"], heard.shape[1] - delay)
    assert reach > 0.95 * said["position"]
    np.testing.assert_array_equal(heard[:3, delay : delay + reach], expected[:, :reach])
    assert not heard[:3, :delay].any()
    assert not heard[3].any()  # an output that nothing is routed to
    if not said["underruns"]:  # of a machine too busy for JACK
        triggers = np.count_nonzero((heard[2, 1:] > TRIGGER / 2) & (heard[2, :-1] <= TRIGGER / 2))
        assert triggers == 100
    assert abs(said["stamp_off_s"]) < patience(1.0)  # half a second is rendered ahead; a busy machine stamps later


def test_both_ears_at_once_come_back_bit_for_bit_and_every_onset_is_where_the_seed_puts_it(play: Callable[..., Any]) -> None:
    """QUIETFLOOR_LOOP_MINUTES: how long."""
    minutes = float(os.environ.get("QUIETFLOOR_LOOP_MINUTES", "0.1"))
    sweeps = 16 * round(minutes * 60 * 43 / 16)
    played, said = play(sweeps=sweeps, lead_in_s=0.6, both=True, gain=0.002)  # louder, an ear has its dose within minutes
    assert said["error"] == ""
    assert said["sweeps_played"] == sweeps
    frames = card_player.frames(played.options)
    assert isinstance(frames, TogetherFrames)
    expected = with_breaks(frames, said["position"], said["underruns"])
    heard = played.heard
    delay = delay_of(heard, expected)
    reach = min(said["position"], heard.shape[1] - delay)
    assert reach > 0.95 * said["position"]
    np.testing.assert_array_equal(heard[:3, delay : delay + reach], expected[:, :reach])
    print(f"{sweeps} frames, {len(said['underruns'])} breaks, {reach / RATE_HZ:.0f} s bit for bit")
    if said["underruns"]:  # of a machine too busy for JACK: they were compared, but their sounds are torn
        return
    triggers = np.flatnonzero((heard[2, 1:] > TRIGGER / 2) & (heard[2, :-1] <= TRIGGER / 2)) + 1 - delay
    np.testing.assert_array_equal(np.diff(triggers), np.diff(frames.schedule.onsets(sweeps)))
    for column, ear in enumerate(("left", "right")):  # a sound begins with its first sample that is not 0
        onsets = frames.together.ear(ear).onsets(sweeps)[16 * column :]  # the right ear begins with unit 1
        sounds = np.flatnonzero(heard[column] != 0.0) - delay
        begins = sounds[np.diff(sounds, prepend=-(10**6)) > 300]
        lags = begins - onsets[: begins.size]
        assert begins.size == onsets.size
        assert set(lags.tolist()) == {int(lags[0])}


def test_frames_go_where_they_are_routed(play: Callable[..., Any]) -> None:
    played, said = play(sweeps=20, channels=[4, 2, 1], block=512, lead_in_s=0.3)
    expected = with_breaks(card_player.frames(played.options), said["position"], said["underruns"])
    heard = played.heard[[3, 1, 0]]
    delay = delay_of(heard, expected)
    reach = min(said["position"], heard.shape[1] - delay)
    np.testing.assert_array_equal(heard[:, delay : delay + reach], expected[:, :reach])
    assert not played.heard[2].any()


def test_a_renderer_that_is_held_back_leaves_silence_and_exactly_one_mark(play: Callable[..., Any]) -> None:
    played, said = play(sweeps=100, lead_in_s=0.3, hold_at_s=1.5, hold_s=1.0)
    late = [broken for broken in said["underruns"] if not broken.by_device]
    assert len(late) == 1
    assert late[0].sample % 1024 == 0
    assert late[0].n % 1024 == 0
    assert 0.2 < late[0].n / RATE_HZ < 5.0  # half a second was rendered ahead
    expected = with_breaks(card_player.frames(played.options), said["position"], said["underruns"])
    heard = played.heard
    delay = delay_of(heard, expected)
    reach = min(said["position"], heard.shape[1] - delay)
    np.testing.assert_array_equal(heard[:3, delay : delay + reach], expected[:, :reach])
    edges = np.diff(np.concatenate([[0], heard[2] > TRIGGER / 2, [0]]).astype(int))
    lobes = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    assert np.count_nonzero(lobes == 72) == 1  # 1.5 ms
    assert set(lobes) - {24, 48, 72, 96} <= set(range(1, 48))  # a trigger that was torn is shorter
    assert said["sweeps_played"] == 100


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_server_that_ends_ends_the_sound_in_words(own_sound_loop: SoundLoop, number: int) -> None:
    played = Played(own_sound_loop, None, sweeps=5000)
    played.begin()
    time.sleep(1.0)
    own_sound_loop.end(number)
    said = played.end(30.0)
    assert played.process.returncode == 0
    assert ": system (JACK Audio Connection Kit)" in said["error"]
    assert "pulled out, or its sound server ended?" in said["error"]


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"channels": [1, 2, 5]}, r"has 4 outputs, but left, right, trigger by channels = \[1, 2, 5\] need 5.*clock would drift"),
        ({"card": "studio"}, r"no output is called 'studio'. There are .*\d: system \(JACK"),
        ({"block": 511}, "block = 511 frames; allowed at 48000 Hz is 512 to 8192"),
        ({"channels": [1, 2, 2]}, "three different numbers"),
    ],
)
def test_what_the_card_cannot_do_is_refused(sound_loop: SoundLoop, options: dict[str, Any], reason: str) -> None:
    with pytest.raises(RuntimeError, match=reason):
        Played(sound_loop, None, **options)
