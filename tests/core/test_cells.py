"""A recording with several cells: each unit leaves the engine with its own cell, or with none."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

import numpy as np
import pytest

from quietfloor.monitor.core import train
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import CellUnit, Event, ForeignSound, LookDone, SoundBroken, UnitDone
from quietfloor.monitor.core.samples import Chunk, Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli import cell_code
from quietfloor.stimuli.cell_code import BREAK_MARK_MS, CellCode
from quietfloor.stimuli.schedule import Schedule
from tests.synthetic import wave_v_uv

CODE = CellCode(key=4, cells=40)
TRIGGER = TriggerSettings(unit_mark_ms=0.75, break_mark_ms=BREAK_MARK_MS, device_break_mark_ms=1.75)
UNITS = 30
CELLS = np.random.default_rng(1).integers(0, 40, UNITS)


def schedule(seed: int = 4) -> Schedule:
    return Schedule(47.1, 48_000, seed=seed, lead_in_s=0.5)


def recording(
    rate_hz: float = 8000.0, code: CellCode = CODE, first_unit: int = 0, without: Sequence[int] = (), seed: int = 4
) -> tuple[np.ndarray, list[float]]:
    """White noise of 1 uV and the trigger line, (2, n); and the true onsets."""
    sounds = list(islice(schedule(seed).sweeps(), 16 * UNITS))
    n = int((sounds[-1].onset_sample / 48_000 + 0.5) * rate_hz)
    samples = np.zeros((2, n))
    samples[0] = np.random.default_rng(2).standard_normal(n)
    onsets = []
    for sound in sounds:
        at = sound.onset_sample / 48_000 * rate_hz
        wide = code.wide(first_unit + sound.unit, int(CELLS[sound.unit]))[sound.index_in_unit]
        first, lobe = int(np.ceil(at)), round((1e-3 if wide else 0.5e-3) * rate_hz)
        onsets.append(float(first))
        if sound.index not in without:
            samples[1, first : first + lobe] = 1.0
            samples[1, first + lobe : first + 2 * lobe] = -1.0
    return samples, onsets


def engine_settings(rate_hz: float = 8000.0, cells: CellCode | None = CODE, seed: int = 4) -> EngineSettings:
    layout = Layout(rate_hz, ("eeg", "trigger"), (0,), 1)
    return EngineSettings(layout, trigger=TRIGGER, schedule=schedule(seed), cells=cells, max_sweeps=16 * UNITS)


def played(engine: Engine, samples: np.ndarray, piece: int = 100_000) -> list[Event]:
    rate_hz = engine.settings.layout.rate_hz
    stamps_s = 10.0 + np.arange(samples.shape[1]) / rate_hz
    cuts = range(0, samples.shape[1], piece)
    return [event for at in cuts for event in engine.feed(Chunk(samples[:, at : at + piece], stamps_s[at : at + piece]))]


def units_of(events: list[Event]) -> list[CellUnit]:
    return [event for event in events if isinstance(event, CellUnit)]


@pytest.mark.parametrize("rate_hz", [4000.0, 8000.0, 48000.0])
def test_every_unit_has_its_cell_and_its_own_sweeps(rate_hz: float) -> None:
    samples, onsets = recording(rate_hz)
    events = played(Engine(engine_settings(rate_hz)), samples)
    units = units_of(events)
    assert [unit.unit for unit in units] == list(range(UNITS))
    assert [unit.cell for unit in units] == CELLS.tolist()
    assert [position for unit in units for position in unit.positions] == onsets
    assert all(unit.sweeps_uv.shape[:2] == (1, 16) and unit.usable.all() and unit.sweeps_uv.all() for unit in units[1:])
    assert {sign for unit in units for sign in unit.signs} == {-1, 1}
    assert not [event for event in events if isinstance(event, (UnitDone, LookDone))]
    assert units[3].record() == {
        "type": "cell_unit", "sample": units[3].sample, "unit": 3, "cell": int(CELLS[3]), "sweeps": 16, "usable": 16, "strays": 0,
    }  # fmt: skip


def test_the_sweeps_of_a_unit_are_what_was_recorded_after_its_own_sounds() -> None:
    """A response as large as the number of its cell, in no noise: its size tells the cell by another way than the code."""
    samples, onsets = recording()
    samples[0] = 0.0
    for number, onset in enumerate(onsets):
        at = np.arange(int(onset), int(onset) + 160)
        samples[0, at] += (1 + CELLS[number // 16]) * wave_v_uv((at - onset) / 8.0)
    units = units_of(played(Engine(engine_settings()), samples))
    sizes = np.array([np.ptp(unit.sweeps_uv[0].mean(0)) for unit in units])
    np.testing.assert_allclose(sizes / (1 + CELLS), np.median(sizes / (1 + CELLS)), rtol=0.02)


@pytest.mark.parametrize("piece", [37, 1000, 7777])
def test_units_do_not_depend_on_how_the_stream_is_cut(piece: int) -> None:
    samples, _ = recording(without=[100, 101, 333])
    whole, cut = (played(Engine(engine_settings()), samples, size) for size in (100_000, piece))
    assert whole == cut
    for a, b in zip(units_of(whole), units_of(cut), strict=True):
        np.testing.assert_array_equal(a.sweeps_uv, b.sweeps_uv)
        np.testing.assert_array_equal(a.usable, b.usable)


def test_units_that_lack_triggers_are_read_or_left_out_and_counted() -> None:
    """Two missing triggers cost two sweeps; three cost the unit, and no other one."""
    samples, _ = recording(without=[16 * 10, 16 * 10 + 7, 16 * 20 + 3, 16 * 20 + 4, 16 * 20 + 15])
    engine = Engine(engine_settings())
    units = units_of(played(engine, samples))
    assert [unit.unit for unit in units] == list(range(UNITS))
    assert [unit.cell for unit in units if unit.unit != 20] == [cell for unit, cell in enumerate(CELLS) if unit != 20]
    assert units[10].usable[0].tolist() == [place not in (0, 7) for place in range(16)]
    assert not units[10].sweeps_uv[0, 7].any()
    assert units[20].cell == train.DAMAGED
    assert units[20].record()["cell"] is None
    assert engine.counts.unread_units == 1
    assert engine.counts.rejected["cell_unread"] == 13
    assert engine.counts.presented == 16 * UNITS - 5


def test_a_trigger_that_is_no_sound_costs_nothing_and_is_counted() -> None:
    samples, onsets = recording()
    at = int(onsets[16 * 12 + 5]) + 80
    samples[1, at : at + 4] = 1.0
    units = units_of(played(Engine(engine_settings()), samples))
    assert [unit.cell for unit in units] == CELLS.tolist()
    assert sum(unit.strays for unit in units) == 1


@pytest.mark.parametrize(("code", "first_unit"), [(CellCode(5, 40), 0), (CODE, 1), (CODE, 7)], ids=["run", "next", "later"])
def test_the_code_of_another_run_or_of_other_units_is_refused_in_words(code: CellCode, first_unit: int) -> None:
    """With the very pauses of this run, so that only the code can tell."""
    engine = Engine(engine_settings())
    events = played(engine, recording(code=code, first_unit=first_unit)[0])
    assert engine.verdict is not None
    assert (engine.verdict.verdict, engine.verdict.stopped_by) == ("inconclusive", "fault")
    assert "code of another run, or of other units" in engine.verdict.reason
    assert [event.refused for event in events if isinstance(event, ForeignSound)] == [True]
    assert all(unit.cell < 0 for unit in units_of(events))


def test_another_runs_pauses_are_refused_before_its_code_is_read() -> None:
    samples = np.tile(recording(seed=5)[0], 5)
    engine = Engine(engine_settings())
    events = played(engine, samples)
    assert engine.verdict is not None
    assert "do not follow the plan" in engine.verdict.reason
    assert not units_of(events)


def test_a_gap_costs_the_units_that_it_touches() -> None:
    samples, onsets = recording()
    at = int(onsets[16 * 15 + 8]) + 20
    lost = round(0.05 * 8000)
    rest = np.delete(samples, slice(at, at + lost), axis=1)
    stamps_s = np.delete(10.0 + np.arange(samples.shape[1]) / 8000.0, slice(at, at + lost))
    engine = Engine(engine_settings())
    units = units_of(engine.feed(Chunk(rest, stamps_s)))
    assert {unit.unit: unit.cell for unit in units if unit.cell >= 0}.items() <= dict(enumerate(CELLS.tolist())).items()
    assert sum(unit.cell >= 0 for unit in units) >= UNITS - 2
    assert not units[15].usable.all()


def test_cells_need_the_plan_of_the_sound() -> None:
    settings = EngineSettings(Layout(8000.0, ("eeg", "trigger"), (0,), 1), cells=CODE)
    with pytest.raises(ValueError, match="give a schedule"):
        Engine(settings)


def test_the_player_and_the_engine_mean_the_same_by_unread_and_foreign() -> None:
    assert (train.DAMAGED, train.FOREIGN) == (cell_code.DAMAGED, cell_code.FOREIGN)


@pytest.mark.parametrize("later_s", [0.0, 0.03, 0.4])
@pytest.mark.parametrize("lobe_s", [0.0015, 0.002], ids=["late frames", "device"])
def test_a_break_of_the_sound_costs_units_and_gives_none_to_another_cell(later_s: float, lobe_s: float) -> None:
    """The sound breaks in the middle of a unit, and goes on later than its plan; the place in the plan is looked for again."""
    samples, onsets = recording()
    at = int(onsets[16 * 8 + 6]) + 100  # behind the trigger, before the next one
    mark, lobe = at + 40, round(lobe_s * 8000)
    silence = np.zeros((2, round((0.02 + later_s) * 8000)))
    silence[0] = np.random.default_rng(3).standard_normal(silence.shape[1])
    broken = np.concatenate([samples[:, :at], silence, samples[:, at:]], axis=1)
    broken[1, mark : mark + 2 * lobe] = np.repeat([1.0, -1.0], lobe)
    engine = Engine(engine_settings())
    events = played(engine, broken)
    read = {unit.unit: unit.cell for unit in units_of(events) if unit.cell >= 0}
    assert any(isinstance(event, SoundBroken) for event in events)
    assert engine.verdict is None
    assert read.items() <= dict(enumerate(CELLS.tolist())).items()
    assert set(range(8)) <= read.keys()
    assert len(read) >= UNITS - 8
    touched = next(unit for unit in units_of(events) if unit.unit == 8)
    assert "sound_broken" in touched.faults
