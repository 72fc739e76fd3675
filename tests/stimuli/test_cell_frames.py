"""Frames with several cells, against a slow renderer; what is chosen, what may be played, and what ceiling and dose do then."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.cell_code import BREAK_MARK_MS, CellCode
from quietfloor.stimuli.cell_frames import ASK_S, LARGEST_RISE_DB, CellFrames, CellSound
from quietfloor.stimuli.dose import Dose
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.masking import Masking
from quietfloor.stimuli.schedule import Schedule, ScheduleError
from quietfloor.stimuli.waveforms import Waveform

RATE_HZ = 48_000.0
SINE = np.sin(2 * np.pi * 1000 * np.arange(240) / RATE_HZ)
LOW = Waveform("tone-burst", SINE, RATE_HZ, time_zero_s=0.002, frequency_hz=1000.0)
HIGH = Waveform("tone-burst", SINE[:120], RATE_HZ, time_zero_s=0.0005, frequency_hz=4000.0)
LEVELS = (0.0, 20.0, 40.0, 60.0)
# The full scale of 4 kHz is 10 dB higher: its limit, in samples, 10 dB lower.
CALIBRATION = Calibration(
    "c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", 125.0, 125.0, date(2026, 1, 1), 365, "me", 1,
    response=((1000.0, 0.0, 0.0), (4000.0, 10.0, 10.0)),
)  # fmt: skip
CEILING = Ceiling("insert", "adult", CALIBRATION)
NOISE = Masking("white", 0.01, "left", RATE_HZ, CEILING, seed=3)


def cells(noise: bool = False) -> list[CellSound]:
    """Two conditions at four levels each, softest first; louder ones need more noise."""
    return [
        CellSound(
            waveform, 0.1 * 10 ** (level / 20 - 3), "right", level, waveform_name,
            replace(NOISE, rms=0.01 * level / 60) if noise and level else None,
        )
        for waveform_name, waveform in (("low", LOW), ("high", HIGH))
        for level in LEVELS
    ]  # fmt: skip


def source(choices, n_sweeps=None, noise=False, seed=4, allowed=None, made=None, **schedule):
    made = made or cells(noise)
    plan = Schedule(**{"rate_per_s": 47.1, "sample_rate_hz": RATE_HZ, "lead_in_s": 0.7, **schedule}, seed=seed, n_sweeps=n_sweeps)
    asked = []

    def choose(unit):
        asked.append((unit, frames.position))
        return choices[unit] if unit < len(choices) else None

    frames = CellFrames(made, plan, CEILING, CellCode(seed, len(made)), choose)
    if allowed is not None:
        frames.allow(Dose(allowed, allowed))
    frames.asked = asked
    return frames


def played(frames, units):
    frames.read(int(frames.schedule.onsets(16 * units)[-1]) + 1)
    return [sweep.cell for sweep in frames.sweeps[: 16 * units : 16]]


def slow_frames(frames, chosen, n):
    """Sample by sample, from the schedule and the table alone; time zeros on one sample: 2 ms after the trigger."""
    out = np.zeros((3, n), dtype=np.float32)
    for sweep in frames.schedule.sweeps():
        cell = frames.cells[chosen[sweep.unit]]
        later = 96 - round(cell.waveform.time_zero_s * RATE_HZ)
        for i, value in enumerate(cell.waveform.samples):
            if sweep.onset_sample + later + i < n:
                out[1, sweep.onset_sample + later + i] = np.float32(sweep.sign * (cell.gain * value))
        wide = CellCode(frames.schedule.seed, len(frames.cells)).wide(sweep.unit, chosen[sweep.unit])[sweep.index_in_unit]
        half, peak = (48 if wide else 24), 0.5 * 10 ** (-30 / 20)
        for i in range(2 * half):
            if sweep.onset_sample + i < n:
                out[2, sweep.onset_sample + i] = peak if i < half else -peak
    return out


def test_frames_are_what_was_chosen():
    chosen = [0, 1, 5, 2, 7, 3, 4]
    frames = source(chosen, n_sweeps=16 * 7)
    n = frames.total_samples
    np.testing.assert_array_equal(frames.read(n), slow_frames(frames, chosen, n))
    assert frames.finished
    assert frames.limited_samples == 0
    assert [replace(sweep, cell=None) for sweep in frames.sweeps] == list(frames.schedule.sweeps())
    assert [sweep.cell for sweep in frames.sweeps[::16]] == chosen
    assert frames.time_zero_s == 0.002


@settings(max_examples=40, deadline=None)
@given(
    blocks=st.lists(st.integers(0, 20_000), min_size=1, max_size=12),
    choices=st.lists(st.one_of(st.none(), st.integers(0, 7)), max_size=12),
    noise=st.booleans(),
    seed=st.integers(0, 50),
    allowed=st.sampled_from([None, 1e-6, 1e-3]),
)
def test_the_same_choices_give_the_same_frames_however_they_are_read(blocks, choices, noise, seed, allowed):
    pieces, whole = (source(choices, noise=noise, seed=seed, allowed=allowed) for _ in range(2))
    got = np.concatenate([pieces.read(n) for n in blocks], axis=1)
    np.testing.assert_array_equal(got, whole.read(sum(blocks)))
    assert pieces.sweeps == whole.sweeps
    assert (pieces.dose, pieces.dose_exhausted) == (whole.dose, whole.dose_exhausted)
    assert pieces.asked == whole.asked


def test_each_unit_is_asked_for_once_and_in_time():
    frames = source([0] * 20)
    for _ in range(800):
        frames.read(480)
    starts = frames.schedule.onsets(16 * 20)[::16]
    asked = dict(frames.asked)
    assert list(asked) == list(range(len(frames.asked)))
    assert len(asked) > 18
    for unit, at in asked.items():
        if unit < 20:
            assert starts[unit] - at == round(ASK_S * RATE_HZ)


def test_without_an_answer_the_last_cell_goes_on_and_before_it_the_first():
    assert played(source([None, None, 1, None, None, 0, None]), 7) == [0, 0, 1, 1, 1, 0, 0]


def test_a_rise_is_limited_to_the_loudest_cell_of_that_condition_within_it():
    assert played(source([3, 3, 3, 0, 7, 7, 7]), 7) == [1, 2, 3, 0, 5, 6, 7]
    levels = [cells()[cell].level_db for cell in played(source([7, 3, 6, 0, 3, 7, 4, 7, 2, 0]), 10)]
    assert np.diff(levels).max() <= LARGEST_RISE_DB


def test_where_no_cell_of_the_condition_is_soft_enough_the_last_one_goes_on():
    made = [cell for cell in cells() if cell.condition == "low" or cell.level_db == 60.0]
    assert played(source([1, 4, 2, 4], made=made), 4) == [1, 1, 2, 4]


@pytest.mark.parametrize("cell", [-1, 8])
def test_a_cell_that_is_not_there_is_refused(cell):
    with pytest.raises(LevelError, match=f"cell {cell} was chosen; there are cells 0 to 7"):
        source([cell]).read(10_000)


def test_each_cell_is_held_to_its_own_ceiling():
    """A fault that makes every sound ten times full scale: what leaves is at most what a run of that sound alone might give."""
    frames = source([0, 1, 5, 1, 5, 5, 1])
    for sound in frames._sounds:
        sound *= 10.0 / np.abs(sound).max()
    x = frames.read(int(frames.schedule.onsets(16 * 7)[-1]))
    assert frames.limited_samples > 0
    limits = {}
    for sweep in frames.sweeps[:-1]:
        sound = x[1, sweep.onset_sample : sweep.onset_sample + 1000].astype(float)
        name = frames.cells[sweep.cell].condition
        limit = CEILING.peak_to_peak(frames.cells[sweep.cell].waveform, 47.1)[1]
        assert np.ptp(np.r_[0.0, sound]) <= limit
        limits[name] = limit
    assert limits["low"] / limits["high"] == pytest.approx(10 ** (10 / 20), rel=1e-3)  # their curves differ a little


def test_a_cell_above_the_ceiling_is_refused_at_once():
    loud = [*cells(), CellSound(HIGH, 1.0, "right", 80.0, "high")]
    with pytest.raises(LevelError, match="above the output ceiling"):
        source([], made=loud)


def test_sounds_that_are_too_long_with_their_time_zeros_together_are_refused():
    with pytest.raises(ScheduleError, match="lower the rate"):
        source([], rate_per_s=120.3, made=[cells()[0], cells()[4]])


def test_the_dose_is_that_of_the_cells_that_were_played():
    """Each unit counts as one run of its own sound does."""
    chosen = [1, 2, 6, 7, 3, 4]
    frames = source(chosen, n_sweeps=16 * 6)
    frames.read(frames.total_samples)
    alone = sum((frames.exposure_of(cell, 16, 0.0) for cell in chosen), Dose())
    assert frames.dose.right_pa2s == pytest.approx(alone.right_pa2s, rel=1e-6)
    assert frames.dose.left_pa2s == 0.0
    one = FrameSource(HIGH, cells()[6].gain, "right", Schedule(47.1, RATE_HZ, n_sweeps=16), CEILING)
    one.read(one.total_samples)
    assert frames.exposure_of(6, 16, 0.0).right_pa2s == pytest.approx(one.dose.right_pa2s, rel=1e-6)
    assert frames.exposure(16, 0.0).right_pa2s == max(frames.exposure_of(cell, 16, 0.0).right_pa2s for cell in range(8))


def test_what_is_reserved_step_by_step_lets_the_sound_go_on_and_without_it_the_sound_ends():
    frames = source([1] * 20)
    starts = frames.schedule.onsets(16 * 20)[::16]
    step = frames.exposure_of(1, 16.00001, 0.0)  # the sum of the samples is rounded
    frames.allow(step + step)
    frames.read(int(starts[1]))
    frames.extend(step)
    frames.read(int(starts[3]) - frames.position)
    assert not frames.dose_exhausted
    frames.read(4800)
    assert frames.dose_exhausted
    assert frames.dose.right_pa2s <= 3 * step.right_pa2s
    frames.extend(step)
    assert not frames.read(200_000).any()


def test_steps_never_give_an_ear_more_than_it_may_get_in_a_day():
    frames = source([1] * 20)
    frames._guard._account.most = [1e-9, 1e-9]
    frames.allow(Dose(1e-9, 1e-9))
    frames.extend(Dose(1.0, 1.0))
    frames.read(100_000)
    assert frames.dose_exhausted
    assert frames.dose.right_pa2s <= 1e-9


def test_masking_is_up_before_a_louder_cell_and_comes_down_slowly():
    frames = source([0, 1, 2, 3, 3, 3, 3, 0, 0, 0, 0, 0, 0, 0], noise=True, lead_in_s=2.0)
    starts = frames.schedule.onsets(16 * 14)[::16]
    x = frames.read(int(starts[-1]))[0].astype(float)
    full = full_noise(x.size)
    quiet = np.abs(full) < 1e-4
    share = np.where(quiet, np.nan, x / np.where(quiet, 1.0, full))
    for unit, level in ((1, 20), (2, 40), (3, 60), (4, 60), (6, 60)):
        assert np.nanmin(share[starts[unit] : starts[unit + 1] - 1]) >= level / 60 - 1e-3
    assert np.nanmax(np.abs(share[starts[9] + 4000 :])) < 1e-3
    known = share[~np.isnan(share)]
    gaps = np.diff(np.flatnonzero(~np.isnan(share)))
    assert (np.abs(np.diff(known)) <= gaps / (0.5 * RATE_HZ) + 1e-3).all()  # no step: full to nothing takes half a second


def full_noise(n):
    """The noise of the whole plan at its full size."""
    one = FrameSource(LOW, 0.0, "right", Schedule(47.1, RATE_HZ), CEILING, NOISE)
    return one.read(n)[0].astype(float)


def test_noise_in_the_ear_of_its_own_sound_is_refused():
    with pytest.raises(LevelError, match="mask the other ear"):
        source([], made=[*cells(), replace(cells()[0], masking=replace(NOISE, ear="right"))])


def in_both_ears() -> list[CellSound]:
    """Cells 0 to 3 of the left ear, 4 to 7 of the right one; the two loudest of each need noise in the other ear. 8 is silent."""
    white, band = NOISE, replace(NOISE, noise="octave-band", frequency_hz=1000.0)
    out = []
    for ear, other, kind in (("left", "right", white), ("right", "left", band)):
        for level in LEVELS:
            noise = replace(kind, ear=other, rms=0.0002 * level) if level >= 40 else None
            out.append(CellSound(LOW, 0.1 * 10 ** (level / 20 - 3), ear, level, ear, noise))
    return [*out, replace(out[0], gain=0.0)]


def noise_beside_sounds(frames, out, sounds):
    """Where there is noise (2, n): what is not of ``sounds`` [(column, first sample, samples)], which must not be near it."""
    rest = out[:2].copy()
    near = np.zeros(rest.shape, dtype=bool)
    for column, first, sound in sounds:
        rest[column, first : first + sound.size] -= sound[: max(rest.shape[1] - first, 0)]
        near[column, max(first - 6000, 0) : first + sound.size + 6000] = True  # 125 ms
    noise = rest != 0.0
    assert not (noise & near).any()
    return noise


CHOICES = st.lists(st.one_of(st.none(), st.sampled_from([0, 1, 2, 3, 3, 4, 5, 6, 7, 7, 8])), max_size=24)


@settings(max_examples=25, deadline=None)
@given(choices=CHOICES, blocks=st.lists(st.integers(1, 90_000), max_size=8), seed=st.integers(0, 9))
def test_no_ear_hears_sounds_and_noise_within_125_ms(choices, blocks, seed):
    made = in_both_ears()
    frames, whole = (source(choices, made=made, seed=seed) for _ in range(2))
    out = np.concatenate([frames.read(n) for n in [*blocks, 1000]], axis=1)
    np.testing.assert_array_equal(out, whole.read(out.shape[1]))
    sounds = []
    for sweep in frames.sweeps:
        cell = made[sweep.cell]
        sound = np.float32(sweep.sign * (cell.gain * cell.waveform.samples))
        sounds.append((("left", "right").index(cell.ear), sweep.onset_sample, sound))
    noise_beside_sounds(frames, out, [one for one in sounds if one[2].any()])
    assert frames.limited_samples == 0


def test_noise_changes_the_ear_after_units_of_silence():
    wanted = [3, 3, 3, 3, 3, 7, 7, 7, 7, 7, 7, 0, 0, 0, 0, 0, 4, 4, 4]
    frames = source(wanted, made=in_both_ears(), lead_in_s=2.0)
    # 20 dB a step at most; silence before noise or sounds change the ear, and none between sounds without noise
    assert played(frames, 19) == [1, 2, 3, 3, 3, 8, 8, 8, 7, 7, 7, 8, 8, 8, 0, 0, 4, 4, 4]
    starts = frames.schedule.onsets(16 * 20)[::16]
    x = source(wanted, made=in_both_ears(), lead_in_s=2.0).read(int(starts[19])).astype(float)
    for unit, column in {3: 1, 4: 1, 8: 0, 10: 0}.items():
        assert x[column, starts[unit] : starts[unit + 1] - 1500].std() == pytest.approx(0.012, rel=0.15)


def test_one_account_counts_sounds_and_noise_of_both_ears():
    frames = source([3] * 6 + [7] * 8, made=in_both_ears())
    frames.read(int(frames.schedule.onsets(16 * 12)[-1]))
    assert min(frames.dose.both) > 0.0
    alone = frames.exposure_of(3, 0, 1.0)
    assert (alone.left_pa2s, alone.right_pa2s > 0.0) == (0.0, True)


def test_the_engine_reads_from_the_trigger_column_what_was_played():
    choices = [0, 1, None, 2, 7, None, 6, 5, 3, 3]
    frames = source(choices, n_sweeps=16 * 12)
    column = frames.read(frames.total_samples)[2].astype(float)
    rng = np.random.default_rng(1)
    trigger = TriggerSettings(unit_mark_ms=0.75, break_mark_ms=BREAK_MARK_MS, device_break_mark_ms=1.75)
    layout = Layout(RATE_HZ, ("eeg", "trigger"), (0,), 1)
    engine = Engine(EngineSettings(layout, trigger=trigger, schedule=frames.schedule, cells=CellCode(4, 8), max_sweeps=16 * 12))
    samples = np.stack([rng.standard_normal(column.size), column])
    events = engine.feed(Chunk(samples, np.arange(column.size) / RATE_HZ))
    read = [(event.unit, event.cell) for event in events if isinstance(event, CellUnit)]
    assert read == [(sweep.unit, sweep.cell) for sweep in frames.sweeps[::16]]
