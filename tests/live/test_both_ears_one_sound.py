"""One sound in both ears: each ear at the level by its own earphone, counted for each ear, and for no threshold of an ear."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import NAME, carry_through
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.commands.waves import table
from quietfloor.monitor.display.heard import heading_of
from quietfloor.monitor.display.ladder import Ladder, Level, heard_words, read_ladder
from quietfloor.monitor.export.bids import MEANING
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.plan.sound_plan import StatedPlan
from quietfloor.monitor.review.marked_run import read
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.sound_output import Stimulus, make_stimulus
from quietfloor.monitor.session.conditions import published_kind, summary_of
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.monitor.waves.norms_file import load_norms
from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from tests.live.harness import call_here as call

TODAY = datetime.date(2026, 12, 1)
BOTH_AT_60 = {"ear": "both", "level_db_nhl": 60}


@pytest.fixture
def uneven(tmp_path: Path) -> Path:
    """Calibration of a pair of earphones of which the left one is 4 dB more sensitive."""
    known = load_calibration(VIRTUAL_EARPHONE)
    path = tmp_path / "uneven.toml"
    save_calibration(path, replace(known, left_db_ppe=known.left_db_ppe + 4.0))
    return path


def plan_of(calibration: Path = VIRTUAL_EARPHONE, **sound: Any) -> Plan:
    return make_plan(
        {
            "stream": {"name": NAME, "eeg": ["1"], "trigger": "trigger"},
            "sound": {"calibration": str(calibration), "lead_in_s": 0.5} | sound,
            "analysis": {"acoustic_delay_ms": 0.9},
            "decision": {"floor_nv": 60, "max_sweeps": 640},
        }
    )


def stimulus_of(calibration: Path, **sound: Any) -> Stimulus:
    plan = plan_of(calibration, **sound).sound
    assert plan is not None
    return make_stimulus(plan, TODAY)


def test_each_ear_hears_what_a_run_of_it_alone_would_play(uneven: Path) -> None:
    both, left, right = (stimulus_of(uneven, level_db_nhl=60, ear=ear) for ear in ("both", "left", "right"))
    n = 200_000
    frames, of_left, of_right = (one.frames.read(n) for one in (both, left, right))
    assert np.abs(of_left[0]).max() > 0.0
    np.testing.assert_allclose(frames[0], of_left[0], rtol=1e-6, atol=0.0)
    np.testing.assert_allclose(frames[1], of_right[1], rtol=1e-6, atol=0.0)
    np.testing.assert_array_equal(frames[2], of_left[2])
    assert frames[0].max() / frames[1].max() == pytest.approx(10.0 ** (-4.0 / 20.0), rel=1e-6)
    given, alone = both.frames.dose, [one.frames.dose for one in (left, right)]
    for ear in range(2):
        assert given.both[ear] == pytest.approx(sum(one.both[ear] for one in alone), rel=1e-6)
        assert both.frames.exposure(100, 3.0).both[ear] == pytest.approx(
            sum(one.frames.exposure(100, 3.0).both[ear] for one in (left, right)), rel=1e-9
        )
    assert both.frames.below_ceiling_db == pytest.approx(min(one.frames.below_ceiling_db for one in (left, right)))
    assert both.record["level_db_ppe"] == left.record["level_db_ppe"] == right.record["level_db_ppe"]


def test_the_ceiling_holds_for_each_ear(uneven: Path) -> None:
    said = []
    for level_db in np.arange(85.0, 125.0, 1.0).tolist():
        refused = []
        for ear in ("both", "left", "right"):
            try:
                stimulus_of(uneven, level_db_nhl=level_db, ear=ear)
                refused.append(False)
            except ValueError:
                refused.append(True)
        assert refused[0] == (refused[1] or refused[2]), level_db
        said.append(refused[0])
    assert not said[0]
    assert said[-1]


def test_a_deaf_ear_beside_a_hearing_one_gives_a_response_that_counts_for_no_ear(tmp_path: Path) -> None:
    patient = load_patient("hearing-adult")
    background = replace(patient.background, in_band_rms_uv=0.7)
    patient = replace(patient, left=replace(patient.left, threshold_db_nhl=110.0), background=background)
    session = tmp_path / "s"
    record = carry_through(plan_of(**BOTH_AT_60), patient, session, 3)
    assert record["verdict"] == "response_present"
    assert record["stimulus"]["ear"] == "both"
    assert summary_of(1, record) is None
    assert published_kind(record["stimulus"]) is None
    folder = RunFolder.open(Path(record["folder"]))
    assert replay(folder).identical
    sound = plan_of(**BOTH_AT_60).sound
    assert sound is not None
    ladder = read_ladder(session, sound, None, running=False)
    assert isinstance(ladder, Ladder)
    assert [str(rung.level) for rung in ladder.rungs] == [str(Level.of_plan(sound))]
    assert not ladder.doubtful
    assert heard_words(sound)[0] == "both ears, 60 dB nHL"
    assert StatedPlan.of_sound(sound) is None
    done = call("waves", record["folder"])
    assert done.status == 0, done.err
    assert "V   " in done.out
    assert "J Acoust Soc Am" not in done.out, "published values are of one ear"
    norms = load_norms(None)
    run = read(folder.path, norms)
    assert run.where.v_ms == sound.latency_ms(run.window_ms), "the latency search window is that of one ear"
    noise = {"noise": "broadband", "bands_hz": [100, 10_000], "level_db_spl": 50.0, "level_db_fs": None}
    for other, compared in (({"ear": "right"}, True), ({"ear": "right", "ipsilateral_noise": noise}, False)):
        lines = table(replace(run, record=run.record | {"stimulus": run.sound | other}), run.marks, norms)
        assert any("J Acoust Soc Am" in line for line in lines) == compared, other
    done = call("report", str(session), "--marks", "--out", str(tmp_path / "report"))
    assert done.status == 0, done.err
    text = next((tmp_path / "report").glob("*.json")).read_text(encoding="utf-8")
    assert "presented to both ears by air" in text
    assert "both ear," not in text
    told = [one["said"] for one in json.loads(text)["changes_a_conclusion"]]
    assert any("both ears heard the same sound: which of them responded is not known" in one for one in told), told
    wave_v = run.marks.get("V")
    assert wave_v is not None
    assert f'"latency_low_ms": {wave_v.latency_ms.low!r}' in text, "the report looks for waves where `waves` does"
    assert MEANING["ear"]["Levels"].keys() >= {"left", "right", record["stimulus"]["ear"]}


def test_both_ears_answer_more_than_one(tmp_path: Path) -> None:
    """The virtual ears add up; published: the sum of both is somewhat larger than the binaural response (common practice, no
    source), which the virtual patient does not model."""
    patient = load_patient("hearing-adult")
    patient = replace(patient, background=replace(patient.background, in_band_rms_uv=0.2))
    sizes = {}
    for ear in ("left", "right", "both"):
        record = carry_through(plan_of(level_db_nhl=60, ear=ear), patient, tmp_path / ear, 3)
        rows = np.genfromtxt(Path(record["folder"]) / "average.csv", delimiter=",", names=True)
        sizes[ear] = float(np.ptp(rows["average_uv"][(rows["time_ms"] >= 4.5) & (rows["time_ms"] <= 12)]))
    assert sizes["both"] == pytest.approx(sizes["left"] + sizes["right"], rel=0.15)


def test_check_and_set_up_say_what_it_means(tmp_path: Path) -> None:
    from quietfloor.monitor.readiness.sound_check import sound_group

    found = sound_group(plan_of(**BOTH_AT_60), tmp_path, TODAY).findings
    (told,) = (one for one in found if one.about == "both_ears")
    assert "which of them responds is not told" in told.said
    assert "both ears, 60 dB nHL" in next(one for one in found if one.about == "sound").said
    (line,) = heading_of(plan_of(**BOTH_AT_60))
    assert line.words.startswith("Both ears · by air · click · 60 dB nHL")
    assert json.dumps(plan_of(**BOTH_AT_60).model_dump(mode="json"))
