"""Both ears at once, read from the stream: the cell of each ear, its sweeps, and what is left out when a unit is damaged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, resample_poly, sosfiltfilt

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.epoching import Epoch
from quietfloor.monitor.core.events import CellUnit
from quietfloor.monitor.core.filtering import Band, RunningBand
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.train import DAMAGED, EARS, streams_of
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli.cell_code import BREAK_MARK_MS, CellCode
from quietfloor.stimuli.together_frames import TogetherFrames
from tests.stimuli.test_together import CHOICES, RATE_HZ, source

UNITS = 12
TRIGGER = TriggerSettings(unit_mark_ms=0.75, break_mark_ms=BREAK_MARK_MS, device_break_mark_ms=1.75)


def made(sounds: int = 1) -> tuple[TogetherFrames, np.ndarray]:
    frames = source(CHOICES, n_sweeps=16 * UNITS, sounds=sounds)
    return frames, frames.read(frames.total_samples)[2].astype(float)


def settings_of(frames: TogetherFrames, rate_hz: float) -> EngineSettings:
    layout = Layout(rate_hz, ("eeg", "trigger"), (0,), 1)
    return EngineSettings(
        layout, trigger=TRIGGER, schedule=frames.schedule, cells=CellCode(4, 7), together=frames.together,
        max_sweeps=16 * UNITS, delay_ms=1.3,
    )  # fmt: skip


def units_of(settings: EngineSettings, samples: np.ndarray, sizes: tuple[int, ...] = ()) -> list[CellUnit]:
    """Units from a stream that is cut into chunks of these sizes."""
    engine = Engine(settings)
    stamps_s = np.arange(samples.shape[1]) / settings.layout.rate_hz
    events, at = [], 0
    for size in (*sizes, samples.shape[1]):
        events += engine.feed(Chunk(samples[:, at : at + size].copy(), stamps_s[at : at + size]))
        at += size
    events += engine.finish("operator", "the end")
    return [event for event in events if isinstance(event, CellUnit)]


@pytest.mark.parametrize(("down", "sounds"), [(1, 1), (3, 1), (6, 1), (6, 2)])
def test_each_ear_has_the_sweeps_that_a_cut_at_its_own_sounds_gives(down: int, sounds: int) -> None:
    frames, column = made(sounds)
    rate_hz = RATE_HZ / down
    column = column if down == 1 else resample_poly(column, 1, down)
    eeg = np.random.default_rng(2).standard_normal((1, column.size))
    settings = settings_of(frames, rate_hz)
    units = units_of(settings, np.concatenate([eeg, column[np.newaxis]]))
    assert [(unit.unit, *unit.stream, unit.cell) for unit in units] == [
        (number, *stream, cell)
        for number in range(UNITS)
        for turn, (stream, cell) in enumerate(zip(streams_of(sounds), frames.cells_of(number), strict=True))
        if turn <= number  # it hears nothing before its first turn
    ]
    assert all((unit.sound is None) == (sounds == 1) for unit in units)
    assert all(unit.usable.all() for unit in units)
    filtered = RunningBand(settings.band, 1).feed(eeg)
    onsets = {(ear, sound): frames.together.ear(ear, sound).onsets(16 * UNITS) / down for ear, sound in streams_of(sounds) if ear}
    for unit in units:
        own = onsets[unit.ear or "", unit.sound or 0][16 * unit.unit : 16 * unit.unit + 16]
        np.testing.assert_allclose(unit.positions, own, atol=0.6)  # of a trigger seen at this rate
        assert len(set(np.round(np.array(unit.positions) - own, 6))) <= 16
        for place, position in enumerate(unit.positions):
            cut = settings.epoch.plan(position, settings.band.first_output)
            expected = settings.epoch.read(filtered[:, cut.first : cut.stop], cut.phase)
            # Both round to 1/256 of an analysis sample, and this one interpolates twice.
            np.testing.assert_allclose(unit.sweeps_uv[:, place], expected, atol=0.02 * filtered.std())


def test_chunks_make_no_difference() -> None:
    frames, column = made()
    samples = np.concatenate([np.random.default_rng(2).standard_normal((1, column.size)), column[np.newaxis]])
    settings = settings_of(frames, RATE_HZ)
    whole = units_of(settings, samples)
    for sizes in ((1, 7, 48_000, 333), tuple([4_801] * 30)):
        parts = units_of(settings, samples, sizes)
        assert parts == whole
        for one, other in zip(parts, whole, strict=True):
            np.testing.assert_array_equal(one.sweeps_uv, other.sweeps_uv)


def test_a_unit_that_cannot_be_read_costs_one_ear_two_units_and_the_other_none() -> None:
    """Unit 6 tells the left ear's cell of units 6 and 7."""
    frames, column = made()
    first = frames.schedule.onsets(16 * UNITS)[16 * 6]
    for at in frames.schedule.onsets(16 * UNITS)[16 * 6 + 2 : 16 * 6 + 6]:
        column[at : at + 100] = 0.0  # four triggers are missing
    samples = np.concatenate([np.random.default_rng(2).standard_normal((1, column.size)), column[np.newaxis]])
    units = units_of(settings_of(frames, RATE_HZ), samples)
    unread = [(unit.unit, unit.ear) for unit in units if unit.cell == DAMAGED]
    assert first > 0
    assert unread == [(6, "left"), (7, "left")]
    six = next(unit for unit in units if (unit.unit, unit.ear) == (6, "right"))
    assert (len(six.positions), int(six.usable.sum())) == (12, 12)


def test_with_two_sounds_a_unit_that_cannot_be_read_costs_one_of_them_four_units() -> None:
    """Unit 6 tells the cell of the left ear's second sound for units 6 to 9."""
    frames, column = made(2)
    for at in frames.schedule.onsets(16 * UNITS)[16 * 6 + 2 : 16 * 6 + 6]:
        column[at : at + 100] = 0.0  # four triggers are missing
    samples = np.concatenate([np.random.default_rng(2).standard_normal((1, column.size)), column[np.newaxis]])
    units = units_of(settings_of(frames, RATE_HZ), samples)
    unread = [(unit.unit, *unit.stream) for unit in units if unit.cell == DAMAGED]
    assert unread == [(number, "left", 1) for number in (6, 7, 8, 9)]


def test_the_answers_of_the_ears_are_told_apart() -> None:
    """A wave that follows the left ear's sounds alone is in the average of the left ear, whole, and not in the other."""
    frames, column = made()
    wave = sosfiltfilt(butter(2, (100, 1500), "bandpass", fs=RATE_HZ, output="sos"), np.eye(1, 2000, 1000)[0])
    wave /= np.ptp(wave)
    train = np.zeros(column.size + 2000)
    train[frames.together.ear("left").onsets(16 * UNITS) + 480 - 1000] = 1.0  # 10 ms after each sound
    eeg = fftconvolve(train, wave)[: column.size] + np.random.default_rng(3).standard_normal(column.size) * 1e-4
    settings = replace(settings_of(frames, RATE_HZ), delay_ms=0.0)
    units = units_of(settings, np.stack([eeg, column]))
    means = {ear: np.mean([unit.sweeps_uv[0] for unit in units if unit.ear == ear], axis=(0, 1)) for ear in EARS}
    times_ms = settings.analysis.times_ms
    assert times_ms[np.argmax(means["left"])] == pytest.approx(10.0, abs=0.1)
    alone = RunningBand(settings.band, 1).feed(np.concatenate([np.zeros(4000), wave, np.zeros(4000)])[np.newaxis])
    assert np.ptp(means["left"]) == pytest.approx(np.ptp(alone), rel=0.05)  # the top falls between points
    assert np.ptp(means["right"]) < 0.1  # 12 units; it falls with their number: tests/stimuli/test_together.py


def test_a_later_sweep_is_the_one_that_is_cut_there() -> None:
    epoch = Epoch(Band(8000.0, 100.0, 1500.0), -2.0, 20.0)
    noise = np.random.default_rng(1).normal(size=(2, 900))
    signal = sosfiltfilt(butter(4, (100, 1500), "bandpass", fs=8000.0, output="sos"), noise)
    for after in (200.0, 200.25, 317.998):
        later = epoch.later(signal, after)
        exact = np.stack([_between(row, after + np.arange(epoch.n_times)) for row in signal])
        np.testing.assert_allclose(later, exact, atol=0.02)


def _between(row: np.ndarray, at: np.ndarray) -> np.ndarray:
    """The band-limited signal between its samples, by a long window of sincs."""
    lags = at[:, np.newaxis] - np.arange(row.size)
    return np.asarray(np.sum(row * np.sinc(lags), axis=1))


def test_settings_that_do_not_fit() -> None:
    frames, _ = made()
    with pytest.raises(ValueError, match="both ears at once: give the code of the cells too"):
        replace(settings_of(frames, RATE_HZ), cells=None).check()
