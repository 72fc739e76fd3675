"""The player over a real LSL loopback, and its ring and underruns on a device that is worked by hand."""

import json
import math
import threading
import time
import uuid
from datetime import date

import numpy as np
import pytest

from quietfloor.stimuli.calibration import Calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.devices import DeviceError, LslAudioDevice
from quietfloor.stimuli.frames import (
    BREAK_AFTER_S,
    BREAK_LOBE_S,
    BREAK_S,
    DEVICE_BREAK_LOBE_S,
    UNIT_TRIGGER_S,
    FrameSource,
    break_mark,
    trigger_pulse,
)
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.markers import MarkerOutlet
from quietfloor.stimuli.player import AMONG_SWEEPS, MOST_HEARD, TRANSITIONS, Player, PlayerError, Underrun
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import click
from tests.slow import patience
from tests.stimuli.breaks import TRIGGER, with_breaks

RATE_HZ = 48_000.0
FADED = 480  # samples in which a stop fades the sound out
CALIBRATION = Calibration(
    "c", "virtual", "lsl", RATE_HZ, "insert", "occluded-ear-simulator", 130.0, 130.0, date(2026, 1, 1), 365, "me"
)


def frames(n_sweeps, ear="right"):
    wave = click(RATE_HZ)
    schedule = Schedule(47.1, RATE_HZ, n_sweeps=n_sweeps, lead_in_s=0.1, seed=9)
    return FrameSource(wave, gain(60.0, wave, "right", CALIBRATION), ear, schedule, Ceiling("insert", "adult", CALIBRATION))


class Receiver:
    """A real inlet in a thread; keeps all samples and stamps as they came."""

    def __init__(self, source_id):
        pylsl = load_pylsl()
        found = pylsl.resolve_byprop("source_id", source_id, 1, 10)
        self.inlet = pylsl.StreamInlet(found[0], max_buflen=120, recover=True)  # else what it still holds is dropped at the end
        self.inlet.open_stream(10)
        self.info = self.inlet.info(10)
        self.samples, self.stamps, self._drain = [], [], True
        self._lost, self._end = pylsl.util.LostError, threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self):
        stamps = []
        while (len(stamps) and self._drain) or not self._end.is_set():
            try:
                # A pull that meets the end of the stream loses what it already had: one sample, then what is there.
                samples, stamps = self.inlet.pull_chunk(timeout=0.3, max_samples=1)
                if len(stamps) and (there := self.inlet.samples_available()):
                    more, later = self.inlet.pull_chunk(timeout=0.0, max_samples=there)
                    samples, stamps = [*samples, *more], [*stamps, *later]
            except self._lost:
                return
            self.samples += list(samples)
            self.stamps += list(stamps)

    def close(self, drain=True):
        self._drain = drain
        self._end.set()
        self._thread.join()
        self.inlet.close_stream()
        return self.samples, np.array(self.stamps)

    def sound(self):
        samples, stamps = self.close()
        return np.array(samples, dtype=np.float32).T, stamps


def unique(name):
    return f"{name}-{uuid.uuid4().hex[:8]}"


@pytest.mark.lsl
@pytest.mark.parametrize(("block", "speed"), [(480, 4.0), (333, 8.0), (480, 1.0)])
def test_every_frame_arrives_bit_identical_in_order_with_its_markers(block, speed):
    device = LslAudioDevice(unique("sound"), rate_hz=RATE_HZ, speed=speed, block=block)
    markers = MarkerOutlet(unique("markers"), labels={"level_db_nhl": 60, "stimulus": "click", "ear": "right"})
    receiver, marked = Receiver(device.source_id), Receiver(markers.source_id)
    source, reference = frames(40), frames(40)
    player = Player(source, device, markers)
    player.start()
    assert player.wait(patience(60))
    assert (player.state, player.error, player.underruns) == ("stopped", None, ())
    sound, stamps = receiver.sound()
    texts, marker_stamps = marked.close()

    n = reference.total_samples
    expected = reference.read(n)
    assert sound.shape[1] == player.position_samples >= n
    np.testing.assert_array_equal(sound[:, :n], expected)
    assert not sound[:, n:].any()
    # liblsl stamps a block once and adds 1/rate for every later sample of it; each sum is rounded, more coarsely the longer the
    # machine has been on, because the clock counts from then.
    rounding_s = block * np.spacing(stamps[-1])
    np.testing.assert_allclose(stamps, stamps[0] + np.arange(stamps.size) / RATE_HZ, rtol=0, atol=rounding_s)
    assert stamps[0] == pytest.approx(device.stamp_s(0), abs=rounding_s)

    assert player.sweeps_played == 40
    assert [json.loads(text[0]) for text in texts] == [
        {"sweep": s.index, "unit": s.unit, "polarity": s.polarity, "level_db_nhl": 60, "stimulus": "click", "ear": "right"}
        for s in reference.sweeps
    ]
    onsets = [s.onset_sample for s in reference.sweeps]
    np.testing.assert_allclose(marker_stamps, stamps[onsets], rtol=0, atol=rounding_s)
    assert (sound[2, onsets] == np.float32(TRIGGER)).all()
    assert (sound[1, onsets] != 0.0).all()


@pytest.mark.lsl
def test_stream_describes_itself():
    device = LslAudioDevice(unique("sound"), name="my sound")
    receiver = Receiver(device.source_id)
    info = receiver.info
    receiver.close()
    device.stop()
    assert (info.name(), info.type(), info.channel_count(), info.nominal_srate()) == ("my sound", "Audio", 3, RATE_HZ)
    channel = info.desc().child("channels").child("channel")
    labels = []
    for _ in range(3):
        labels.append(channel.child_value("label"))
        channel = channel.next_sibling("channel")
    assert labels == ["left", "right", "trigger"]


@pytest.mark.lsl
def test_endless_run_is_stopped_by_another_thread_and_ends_in_silence():
    device = LslAudioDevice(unique("sound"), rate_hz=RATE_HZ, speed=4.0)
    receiver = Receiver(device.source_id)
    player = Player(frames(None), device)
    player.start()
    until(lambda: player.position_samples > 96_000)
    assert player.state == "running"
    stopper = threading.Thread(target=player.stop)
    stopper.start()
    assert player.wait(patience(20))
    stopper.join()
    player.stop()
    assert (player.state, player.error) == ("stopped", None)
    sound, _ = receiver.sound()
    assert sound.shape[1] == player.position_samples
    expected = frames(None).read(sound.shape[1])
    differs = np.flatnonzero((sound != expected).any(axis=0))
    cut = differs[0] if differs.size else sound.shape[1]
    assert cut >= 48_000  # it had been playing
    assert not sound[2, cut:].any()
    assert (np.abs(sound[:, cut : cut + FADED]) <= np.abs(expected[:, cut : cut + FADED])).all()
    assert not sound[:, cut + FADED :].any()
    assert not sound[:, -4800:].any()
    onsets = frames(2000).schedule.onsets(2000)
    assert player.sweeps_played == np.count_nonzero(sound[2, onsets[onsets < sound.shape[1]]] == np.float32(TRIGGER))


@pytest.mark.lsl
def test_nobody_listens():
    player = Player(frames(5), LslAudioDevice(unique("sound"), consumer_timeout_s=0.3))
    player.start()
    with pytest.raises(PlayerError, match="nobody listens to the audio stream"):
        player.wait(patience(20))
    assert player.state == "failed"
    assert isinstance(player.error, DeviceError)
    player.stop()


@pytest.mark.lsl
def test_stop_while_waiting_for_a_listener():
    player = Player(frames(5), LslAudioDevice(unique("sound"), consumer_timeout_s=60))
    player.start()
    player.stop()
    assert player.wait(1)
    assert (player.state, player.position_samples, player.sweeps_played) == ("stopped", 0, 0)


@pytest.mark.lsl
def test_sound_waits_at_its_limit_and_loses_nothing():
    device = LslAudioDevice(unique("sound"), rate_hz=RATE_HZ, speed=200.0)
    device.limit_s = 0.5
    receiver, reference = Receiver(device.source_id), frames(40)
    player = Player(frames(40), device)
    player.start()
    until(lambda: player.position_samples >= 0.5 * RATE_HZ)
    assert not player.wait(0.2)
    assert player.position_samples == 0.5 * RATE_HZ
    device.limit_s = math.inf
    assert player.wait(patience(20))
    np.testing.assert_array_equal(receiver.sound()[0][:, : reference.total_samples], reference.read(reference.total_samples))


@pytest.mark.lsl
def test_a_listener_that_goes_away_ends_the_run():
    device = LslAudioDevice(unique("sound"))
    receiver = Receiver(device.source_id)
    player = Player(frames(None), device)
    player.start()
    assert not player.wait(0.3)
    receiver.close(drain=False)
    del receiver
    with pytest.raises(PlayerError, match="went away"):
        player.wait(patience(20))


class HandDevice:
    """A device whose blocks are asked for by the test, as a sound card would ask: it cannot wait."""

    rate_hz, block, can_wait = RATE_HZ, 480, False

    def __init__(self):
        self.error, self.fill, self.stopped, self.blocks = None, None, False, []
        self.started = threading.Event()

    def start(self, fill):
        self.fill = fill
        self.started.set()

    def stop(self):
        self.stopped = True

    def stamp_s(self, sample):
        return 100.0 + sample / self.rate_hz

    def ask(self, n=480, broken=False):
        block = np.full((n, 3), np.nan, dtype=np.float32)
        assert self.fill(block, broken)
        self.blocks.append(block)

    def heard(self):
        return np.concatenate(self.blocks).T


class GatedFrames:
    """Frames that the test lets through; it stands for a renderer that is kept from working."""

    def __init__(self, inner):
        self._inner, self.gate = inner, threading.Semaphore(0)

    def read(self, n):
        self.gate.acquire()
        return self._inner.read(n)

    def __getattr__(self, name):
        return getattr(self._inner, name)


class MarkerList(list):
    def push(self, sweep, stamp_s):
        self.append((sweep.index, stamp_s))


def until(condition):
    deadline = time.monotonic() + patience(20)
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def play_out(player, device, ask=480):
    """To the end, never sooner than the renderer."""
    while not (player._all_written and player._copied == player._written):
        until(lambda: player._all_written or player._written - player._copied >= ask)
        device.ask(ask)
    assert player.wait(patience(20))


@pytest.mark.parametrize(
    ("late", "silence"), [((480,), 480), ((480, 480, 480), 1440), ((400, 400, 100), 900), ((90,) * 80, 7200), ((100,), 580)]
)
def test_late_frames_are_silence_with_one_mark_and_nothing_is_lost(late, silence):
    """Whatever the device asks for while frames are late: whole blocks of silence, 10 ms of it at least, and one mark."""
    device, markers = HandDevice(), MarkerList()
    gated = GatedFrames(frames(12))
    player = Player(gated, device, markers)
    for _ in range(51):  # the ring of 0.5 s holds 50 blocks
        gated.gate.release()
    player.start()
    assert device.started.wait(patience(20))
    for _ in range(50):
        device.ask()
    until(lambda: player._written == 51 * 480)
    device.ask(400)  # 80 are left
    for n in late:
        device.ask(n)
    for _ in range(200):
        gated.gate.release()
    until(lambda: player._all_written or player._written - player._copied > 20_000)
    play_out(player, device)
    assert device.stopped

    at = 50 * 480 + 400
    assert player.underruns == (Underrun(at, silence),)
    heard = device.heard()
    np.testing.assert_array_equal(heard, with_breaks(frames(12), heard.shape[1], player.underruns))
    assert [index for index, _ in markers] == list(range(12))
    torn = [sweep.index for sweep in frames_read(12).sweeps if sweep.onset_sample < at < sweep.onset_sample + 96]
    for index, stamp_s in markers:
        assert (heard[2, round((stamp_s - 100.0) * RATE_HZ)] == np.float32(TRIGGER)) or index in torn, index


def frames_read(n_sweeps):
    source = frames(n_sweeps)
    source.read(source.total_samples)
    return source


@pytest.mark.parametrize("into", [-1, 0, 1, 2, 4, 47, 48, 95, 96, 97])
def test_a_sweep_torn_by_a_break_is_not_played_to_its_end(into):
    """`into` samples after an onset frames are late: the rest of that sound and of its trigger stays out."""
    reference = frames_read(6)
    device, gated = HandDevice(), GatedFrames(frames(6))
    cut = reference.sweeps[2].onset_sample + into
    player = Player(gated, device)
    for _ in range(51):
        gated.gate.release()
    player.start()
    assert device.started.wait(patience(20))
    until(lambda: player._written == 50 * 480)
    done = 0
    while done < cut:
        device.ask(min(480, cut - done))
        done += min(480, cut - done)
    held = player._written
    player._written = player._copied  # as if the renderer had come no further
    device.ask()
    player._written = held
    for _ in range(200):
        gated.gate.release()
    play_out(player, device)
    heard = device.heard()
    np.testing.assert_array_equal(heard, with_breaks(frames(6), heard.shape[1], player.underruns))
    triggers = np.flatnonzero((heard[2, 1:] > TRIGGER / 2) & (heard[2, :-1] <= TRIGGER / 2)) + 1
    whole = [s.onset_sample for s in reference.sweeps[:2]] + [s.onset_sample + 480 for s in reference.sweeps[3:]]
    of_torn = [reference.sweeps[2].onset_sample + (480 if into <= 0 else 0)]
    assert triggers.tolist() == sorted([*whole, *of_torn, cut + 240])


def test_a_device_that_ran_dry_is_marked_by_wider_lobes_once_it_has_started_up():
    device, gated = HandDevice(), GatedFrames(frames(60))
    player = Player(gated, device)
    for _ in range(1000):
        gated.gate.release()
    player.start()
    assert device.started.wait(patience(20))
    for block in range(140):
        until(lambda: player._all_written or player._written - player._copied >= 480)
        device.ask(480, broken=block in (0, 50, 120, 121))  # the first two belong to its first second
    play_out(player, device)
    assert player.underruns == (Underrun(120 * 480, 480, True), Underrun(121 * 480, 480, True))
    heard = device.heard()
    np.testing.assert_array_equal(heard, with_breaks(frames(60), heard.shape[1], player.underruns))


def test_marks_of_breaks_are_wider_than_any_trigger_and_fit_into_the_shortest_silence():
    for rate_hz in (44_100.0, 48_000.0, 96_000.0):
        for lobe_s in (BREAK_LOBE_S, DEVICE_BREAK_LOBE_S):
            mark = break_mark(lobe_s, rate_hz)
            assert mark.sum() == pytest.approx(0.0, abs=1e-12)
            assert mark.size == 2 * round(lobe_s * rate_hz) > trigger_pulse(UNIT_TRIGGER_S, rate_hz).size
            assert BREAK_AFTER_S * rate_hz + mark.size <= BREAK_S * rate_hz


def test_a_stop_fades_the_sound_and_drops_the_triggers_from_there_on():
    class Loud(GatedFrames):
        def read(self, n):
            self._inner.read(n)
            return np.full((3, n), 0.25, dtype=np.float32)

    device = HandDevice()
    player = Player(Loud(frames(None)), device)
    player.start()
    assert device.started.wait(patience(20))
    device.ask()
    player._stop_requested = True
    device.ask(960)
    device.ask()
    heard = device.heard()
    assert (heard[:, :480] == 0.25).all()
    faded = heard[0, 480 : 480 + FADED]
    assert faded[0] == 0.25
    assert (np.diff(faded) <= 0.0).all()
    assert np.abs(np.diff(faded)).max() < 0.001
    assert not heard[:, 480 + FADED :].any()
    assert not heard[2, 480:].any()
    while player.state == "running":
        device.ask()
        time.sleep(0.001)
    player.stop()


class Starved:
    """A player whose renderer is kept from working now and then."""

    def __init__(self, source):
        self.device, self.gated = HandDevice(), GatedFrames(source)
        self.player = Player(self.gated, self.device)
        for _ in range(50):
            self.gated.gate.release()
        self.player.start()
        assert self.device.started.wait(patience(20))
        until(lambda: self.player._written == 50 * 480)

    def starve(self):
        """The renderer stands still until the ring is empty and the sound breaks."""
        before, asked = self.player.underrun_count, 0
        while self.player.underrun_count == before:
            self.device.ask()
            asked += 1
        for _ in range(asked):
            self.gated.gate.release()
        until(lambda: self.player._written - self.player._copied >= 49 * 480 or self.player.state != "running")

    def break_at_once(self):
        """One block, and silence again."""
        before = self.player.underrun_count
        self.gated.gate.release()
        until(lambda: self.player._written > self.player._copied or self.player.state != "running")
        while self.player.underrun_count == before and self.player.state == "running":
            self.device.ask()

    def end(self):
        for _ in range(1000):
            self.gated.gate.release()
        return self.player.wait(patience(20))


def test_a_sound_that_breaks_at_every_turn_ends():
    starved = Starved(frames(None))
    while starved.player.state == "running" and starved.player.underrun_count < 110:
        starved.break_at_once()
    with pytest.raises(PlayerError, match=r"broke up 1\d\d times within the (first|last) [\d,]+ sweeps: close other programs"):
        starved.end()


def test_what_breaks_seldom_goes_on_and_what_breaks_often_ends_however_long_it_went_well():
    """A break after 50 blocks of 10 ms meets 1 sweep in 24; one after each block meets every second one."""
    starved = Starved(frames(None))
    while starved.player.underrun_count < 120:
        starved.starve()  # after 50 blocks
    assert starved.player.state == "running"
    assert starved.player.sweeps_played > 2 * AMONG_SWEEPS
    assert len(starved.player.underruns) == 120
    until(lambda: starved.player._written - starved.player._copied >= 50 * 480)
    for _ in range(50):
        starved.device.ask()
    often = starved.player.underrun_count
    while starved.player.state == "running" and starved.player.underrun_count < 260:
        starved.break_at_once()
    often = starved.player.underrun_count - often
    with pytest.raises(PlayerError, match=r"broke up 1\d\d times within the last 1,000 sweeps"):
        starved.end()
    assert often > 50


def test_where_an_ear_may_hear_the_marks_there_are_no_more_than_the_dose_sets_aside():
    source = frames(None)
    source.earphone_jack = True
    starved = Starved(source)
    for _ in range(MOST_HEARD):
        starved.starve()
    with pytest.raises(PlayerError, match=f"broke up {MOST_HEARD} times in all"):
        starved.end()


def test_a_fault_in_the_renderer_ends_in_silence():
    class Faulty(GatedFrames):
        def read(self, n):
            if self._inner.position > 30_000:
                raise ZeroDivisionError("rendering")
            return self._inner.read(n)

    device = HandDevice()
    player = Player(Faulty(frames(None)), device)
    player.start()
    assert device.started.wait(patience(20))
    while player.state == "running":
        device.ask()
        time.sleep(0.001)
    with pytest.raises(PlayerError, match="rendering"):
        player.wait(1)
    assert isinstance(player.error, ZeroDivisionError)
    device.ask()  # may be the one that fades
    device.ask()
    assert not device.blocks[-1].any()


@pytest.mark.parametrize("n", [1, 7, 480, 4800])
def test_any_request_of_the_device_gives_the_same_frames(n):
    device = HandDevice()
    player = Player(frames(3), device)
    player.start()
    assert device.started.wait(patience(20))
    total = frames(3).total_samples
    while not (player._all_written and player._copied == player._written):
        until(lambda: player._all_written or player._written - player._copied >= n)
        device.ask(n)
    assert player.wait(patience(20))
    np.testing.assert_array_equal(device.heard()[:, :total], frames(3).read(total))
    assert player.underruns == ()


def test_order_of_use():
    player = Player(frames(1), HandDevice())
    assert player.state == "idle"
    player.stop()
    assert player.state == "stopped"
    assert player.wait(0)
    with pytest.raises(PlayerError, match="the player is stopped"):
        player.start()
    device = HandDevice()
    device.rate_hz = 44_100.0
    with pytest.raises(PlayerError, match="44100"):
        Player(frames(1), device)
    assert all(to in TRANSITIONS for targets in TRANSITIONS.values() for to in targets)


def test_bad_devices_are_refused():
    for arguments in ({"speed": 0.0}, {"rate_hz": float("nan")}, {"block": 0}):
        with pytest.raises(DeviceError, match=next(iter(arguments))):
            LslAudioDevice("x", **arguments)
    with pytest.raises(DeviceError, match="source_id is empty"):
        LslAudioDevice("")


def test_markers_refuse_labels_that_are_not_json():
    with pytest.raises(ValueError, match="JSON"):
        MarkerOutlet("m", labels={"level_db_nhl": float("nan")})
