"""All levels of a ladder: curves against `quietfloor.monitor.waves`, marks as kept, published values as in the table."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.display.ladder import Ladder, Level, read_ladder
from quietfloor.monitor.display.levels import Levels, read_levels, with_present
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.display.waves import RunMarks
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.waves.replicates import Replicate, combined
from quietfloor.monitor.waves.trace import Averages
from quietfloor.stimuli.levels import NHL
from tests.display.test_run_view import soon


@pytest.fixture
def session(made_runs: list[Path], tmp_path: Path) -> Path:
    for run in made_runs:
        shutil.copytree(run, tmp_path / run.name)
    return tmp_path


def ladder_of(session: Path) -> Ladder:
    run = session / "run-001"
    return read_ladder(session, load_plan(run / "plan.toml").sound, run, running=False)


def averages(run: Path) -> Averages:
    folder = RunFolder.open(run)
    return Averages.of_run(folder.read_average(), folder.read_record())


def test_every_level_has_its_row_the_loudest_first(session: Path) -> None:
    levels = read_levels(ladder_of(session))
    assert [str(row.level) for row in levels.rows] == ["70 dB nHL", "60 dB nHL", "50 dB nHL"]
    assert [row.runs for row in levels.rows] == [("run-003",), ("run-002", "run-001"), ("run-004",)]
    assert levels.unreadable == ()
    single = averages(session / "run-003")
    assert levels.rows[0].average_nv == pytest.approx(1e3 * single.average_uv)
    assert levels.rows[0].odd_nv == pytest.approx(1e3 * single.a_uv)
    assert levels.rows[0].even_nv == pytest.approx(1e3 * single.b_uv)
    assert levels.rows[0].replicates_nv == ()
    assert levels.rows[0].words.startswith("run-003, ")


def test_replicates_are_put_together_and_each_is_there(session: Path) -> None:
    row = read_levels(ladder_of(session)).rows[1]
    runs = [averages(session / name) for name in row.runs]
    both = combined([Replicate(name, one) for name, one in zip(row.runs, runs, strict=True)])
    assert row.average_nv == pytest.approx(1e3 * both.average_uv)
    assert row.noise_nv == pytest.approx(both.residual_noise_nv)
    assert row.noise_nv < min(one.residual_noise_nv for one in runs)
    assert len(row.replicates_nv) == 2
    assert row.replicates_nv[0] == pytest.approx(1e3 * runs[0].average_uv)
    assert row.words.startswith("2 runs together, ")


def test_marks_are_those_that_were_kept(session: Path) -> None:
    marks = RunMarks(session / "run-003")
    marks.move(3)
    kept = marks.marks.get("V")
    row = read_levels(ladder_of(session)).rows[0]
    assert row.mark("V") == kept
    assert kept is not None
    assert kept.by == "operator"
    assert "trough" not in {mark.wave for mark in row.marks}
    other = read_levels(ladder_of(session)).rows[2].mark("V")
    assert other is not None
    assert other.by == "suggested"
    assert other.latency_ms.value > kept.latency_ms.value  # softer, so later


def test_published_values_are_those_of_the_table_and_nothing_beyond(session: Path) -> None:
    """Elberling, Callo & Don 2010, J Acoust Soc Am 128:215, clicks: V at 20, 40, 60 dB nHL 7.60, 6.59, 5.88 ms, SD 0.79, 0.74,
    0.25; amplitude 256, 368, 407 nV (as quoted in wave-norms.toml, secondary)."""
    levels = read_levels(ladder_of(session))
    persons = [one for one in levels.latencies if not one.of_means]
    assert [one.wave for one in persons] == ["V"]
    (own,) = persons
    assert "Elberling" in own.origin
    assert (own.levels_db_nhl[0], own.levels_db_nhl[-1]) == (20.0, 60.0)
    at = {float(db): place for place, db in enumerate(own.levels_db_nhl)}
    for db, mean, sd in ((20.0, 7.60, 0.79), (40.0, 6.59, 0.74), (60.0, 5.88, 0.25)):
        assert own.mean[at[db]] == pytest.approx(mean)
        assert (own.low[at[db]], own.high[at[db]]) == pytest.approx((mean - 2 * sd, mean + 2 * sd))
    means = {one.wave: one for one in levels.latencies if one.of_means}
    assert set(means) == {"I", "III", "V"}
    assert all(one.levels_db_nhl.min() >= 75.0 and one.levels_db_nhl.max() <= 85.0 for one in means.values())
    (sizes,) = levels.amplitudes
    assert [float(sizes.mean[list(sizes.levels_db_nhl).index(db)]) for db in (20.0, 40.0, 60.0)] == [256.0, 368.0, 407.0]
    assert np.isnan(sizes.low).all()  # the source gives no spread


def test_nothing_is_published_for_a_sound_of_no_study(session: Path) -> None:
    for run in session.iterdir():
        folder = RunFolder.open(run)
        record = folder.read_record()
        record["stimulus"]["kind"] = "octave-chirp"
        folder.write_json("run.json", record)
    levels = read_levels(ladder_of(session))
    assert (levels.latencies, levels.amplitudes) == ((), ())


def test_what_cannot_be_read_is_named_and_left_out(session: Path) -> None:
    ladder = ladder_of(session)
    (session / "run-003" / "average.csv").unlink()
    (session / "run-002" / "average.csv").write_text("time_ms\n", encoding="utf-8")
    levels = read_levels(ladder)
    assert [row.runs for row in levels.rows] == [("run-001",), ("run-004",)]
    assert [one.split(":")[0] for one in levels.unreadable] == ["run-003", "run-002"]


def test_runs_with_another_filter_are_not_put_together(session: Path) -> None:
    folder = RunFolder.open(session / "run-001")
    record = folder.read_record()
    record["filter"]["low_hz"] += 20.0
    folder.write_json("run.json", record)
    assert read_levels(ladder_of(session)).rows[1].runs == ("run-002",)


def test_a_run_at_a_low_rate_has_a_row_without_marks(session: Path) -> None:
    folder = RunFolder.open(session / "run-003")
    columns = list(folder.read_average().values())
    folder.write_average(*(column[::4] for column in columns[:5]))  # 4 kHz: too coarse for marks
    row = read_levels(ladder_of(session)).rows[0]
    assert row.runs == ("run-003",)
    assert row.marks == ()


def test_the_run_that_goes_on_takes_its_row() -> None:
    times = np.array([0.0, 1.0])
    now = Curves(times, times, times, times, times, 1.96 * 30.0, (5.0, 9.0), (1.0, 15.0), (0.0, 1.0), 0.9, 3)
    rows = with_present((), Level(True, NHL, 40.0), now)
    rows = with_present(rows, Level(True, NHL, 60.0), now)
    rows = with_present(rows, Level(True, NHL, 40.0), now)
    assert [str(row.level) for row in rows] == ["60 dB nHL", "40 dB nHL"]
    assert rows[0].words == "running, 30 nV of noise"


def test_levels_are_fetched_aside(session: Path) -> None:
    link, ladder = WindowLink(), ladder_of(session)
    link.fetch_levels(ladder)
    soon(lambda: link._overlays)
    fetched = link.fetched()
    assert isinstance(fetched, Levels)
    assert fetched.ladder is ladder


def test_levels_that_may_be_the_other_ears_say_so(session: Path, application: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """Inserts at 70 and 60 dB nHL without noise in the other ear: a question mark beside the level and after each wave."""
    from quietfloor.monitor.display.charts import Canvas
    from quietfloor.monitor.display.panel_growth import GrowthPanel
    from quietfloor.monitor.display.theme import Look

    levels = read_levels(ladder_of(session))
    assert [row.doubtful for row in levels.rows] == [rung.replicates[0].doubtful for rung in levels.ladder.rungs]  # type: ignore[union-attr]
    assert [row.words.endswith(", which ear?") for row in levels.rows] == [row.doubtful for row in levels.rows]
    assert levels.rows[0].doubtful
    said: list[str] = []
    label = Canvas.label

    def noted(canvas: Canvas, words: str, *rest: Any, **more: Any) -> Any:
        said.append(words)
        return label(canvas, words, *rest, **more)

    monkeypatch.setattr(Canvas, "label", noted)
    panel = GrowthPanel()
    panel.restyle(Look())
    panel.show_levels(levels)
    panel.resize(900, 400)
    panel.grab()
    assert "V?" in said


def test_an_empty_ladder_gives_nothing() -> None:
    levels = read_levels(Ladder(None))
    assert (levels.rows, levels.latencies, levels.unreadable) == ((), (), ())


def in_ppe(session: Path, names: tuple[str, ...] = ("run-001", "run-002", "run-003", "run-004")) -> None:
    """The runs as if their levels had been stated in dB p-p.e. SPL."""
    for name in names:
        folder = RunFolder.open(session / name)
        record = folder.read_record()
        level = record["stimulus"]["level_db_nhl"]
        record["stimulus"] |= {"level_db_nhl": None, "level_db_ppe_spl": level + 35.5, "reference_db": None}
        folder.write_json("run.json", record)


def test_levels_in_ppe_stand_apart_and_have_nothing_published(session: Path) -> None:
    in_ppe(session, ("run-001", "run-004"))
    levels = read_levels(ladder_of(session))
    assert [str(row.level) for row in levels.rows] == ["70 dB nHL", "60 dB nHL", "95.5 dB p-p.e. SPL", "85.5 dB p-p.e. SPL"]
    assert [row.runs for row in levels.rows] == [("run-003",), ("run-002",), ("run-001",), ("run-004",)]


@pytest.mark.parametrize("whole", [True, False])
def test_the_growth_chart_has_one_unit(session: Path, whole: bool, application: object) -> None:
    from quietfloor.monitor.display.panel_growth import GrowthPanel
    from quietfloor.monitor.display.theme import Look

    in_ppe(session, ("run-001", "run-002", "run-003", "run-004") if whole else ("run-001", "run-004"))
    panel = GrowthPanel()
    panel.restyle(Look())
    panel.show_levels(read_levels(ladder_of(session)))
    units = {row.level.unit for row in panel._levels.rows}
    assert units == ({"dB p-p.e. SPL"} if whole else {NHL})
    assert all(bool(one) != whole for one in panel._published[:1])
    assert (panel.origins[0]._whole == "nothing is published here for this stimulus and level") == whole


@pytest.mark.parametrize(("count", "height_px"), [(3, 400), (12, 400), (12, 260), (12, 1400)])
def test_many_levels_in_little_room_reach_over_each_other_and_stay_readable(
    session: Path, count: int, height_px: int, application: Any
) -> None:
    """The largest curve is at least as high as a letter, and reaches over no more than two rows; one scale for all."""
    from quietfloor.monitor.display.panel_levels import MOST_OVER, LevelsPanel
    from quietfloor.monitor.display.theme import Look
    from quietfloor.monitor.display.zoom import Zoom

    levels = read_levels(ladder_of(session))
    many = tuple(replace(levels.rows[k % 3], level=Level(True, NHL, 90.0 - 5 * k)) for k in range(count))
    panel, look = LevelsPanel(Zoom()), Look()
    panel.restyle(look)
    panel.resize(420, height_px)
    panel.show()
    panel.show_levels(replace(levels, rows=many), ladder_of(session), None)
    for _ in range(3):
        application.processEvents()
        picture = panel.grab().toImage()
    assert picture.height() >= height_px
    low, high = panel.chart.y_range
    px_per_nv = panel.chart.inside.height() / (high - low)
    row_px = panel.height_nv * px_per_nv
    largest_nv = max(float(np.nanmax(np.abs(row.average_nv[row.times_ms >= 1.0]))) for row in many)
    assert largest_nv * px_per_nv >= min(look.px(1.0), row_px)
    assert 0.39 <= largest_nv * px_per_nv / row_px <= MOST_OVER
    assert (largest_nv * px_per_nv > row_px) == (row_px < 1.7 * look.px(1.0))
    panel.close()
