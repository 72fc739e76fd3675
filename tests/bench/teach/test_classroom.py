"""The classroom: exactly as many sweeps as asked for, the same numbers again, the truth inside the noise, effects by formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.bench.teach.adjustable import Conditions
from quietfloor.bench.teach.choices import RULES, STOPS, Lesson
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.truth import left_of

QUIET = Conditions(noise_uv=0.001)


def test_a_step_of_n_presents_exactly_n_sweeps() -> None:
    room = Classroom()
    total = 0
    for n in (1, 1, 2, 4, 8, 16, 3, 0, 32):
        assert room.step(n) == n
        total += n
        assert room.sweeps == total
        assert len(room.singles_nv) == total
        curves = room.curves()
        assert curves is not None
        assert curves.look == total
    assert room.look is not None
    assert room.look.sweeps_presented == 64  # whole units of 16
    with pytest.raises(ValueError, match="0 or more"):
        room.step(-1)


def test_a_step_of_sixteen_is_sixteen_steps_of_one() -> None:
    """Bit for bit, whatever is asked for at a time; another seed is another run."""
    one, other, third = Classroom(seed=3), Classroom(seed=3), Classroom(seed=4)
    one.step(48)
    for n in (1,) * 16 + (15, 17):
        other.step(n)
    third.step(48)
    assert np.array_equal(one.singles_nv, other.singles_nv)
    assert [repr(look) for look in one.looks] == [repr(look) for look in other.looks]  # nan is not itself
    assert not np.array_equal(one.singles_nv, third.singles_nv)


def test_the_engine_and_the_plain_average_see_the_same_sweeps() -> None:
    """Trigger places are known exactly here; the engine finds them in the trigger channel. Weights make the little difference."""
    room = Classroom(Lesson(conditions=Conditions(noise_uv=2.0)))
    room.step(256)
    average, *_ = room.parts_nv()
    epoch = room.settings.epoch
    inside = slice(epoch.margin, epoch.n_times - epoch.margin)
    engine = np.interp(room.times_ms[inside], room.engine.average_now().times_ms, 1e3 * room.engine.average_now().average_uv[0])
    assert np.abs(engine - average[inside]).max() < 0.25 * room.noise_nv
    assert room.look is not None
    assert room.look.residual_noise_nv == pytest.approx(room.noise_nv, rel=0.05)


def test_the_average_goes_to_the_truth() -> None:
    """Without noise to within 1 % of its size, because the first sounds after a pause answer more, and 3 % where the filter lets
    the neighbouring responses reach in; with noise the error is the noise that the spread of the sweeps promises."""
    for rate_per_s, error in ((21.1, 0.01), (47.1, 0.03)):
        room = Classroom(Lesson(rate_per_s=rate_per_s, conditions=QUIET))
        room.step(64)
        truth = room.truth_nv()
        inside = (room.times_ms > 0) & (room.times_ms < 17)
        assert np.ptp(truth[inside]) > 200
        assert np.abs(room.parts_nv()[0] - truth)[inside].max() < error * np.ptp(truth[inside])
    noisy = Classroom(Lesson(conditions=Conditions(noise_uv=1.0)))
    noisy.step(512)
    assert 0.6 < noisy.real_noise_nv / noisy.noise_nv < 1.5


def test_noise_falls_with_the_root_of_the_number() -> None:
    room = Classroom()
    room.step(1024)
    track = room.track()
    assert track is not None
    assert track.sweeps[:5].tolist() == [1, 2, 4, 8, 16]
    assert math.isnan(track.estimated_nv[0])
    many = track.sweeps >= 64
    product = track.estimated_nv[many] * np.sqrt(track.sweeps[many])
    assert product.max() / product.min() < 1.12
    assert product[-1] == pytest.approx(2000.0, rel=0.08)  # 2 uV in 100-1500 Hz


@pytest.mark.parametrize("jitter_ms", [0.1, 0.3, 0.5])
def test_jitter_takes_from_each_frequency_what_the_formula_says(jitter_ms: float) -> None:
    """exp(-(2 pi f s)^2 / 2), against the average of 512 sweeps without noise: what is left to chance is 1 / sqrt(512)."""
    room = Classroom(Lesson(rate_per_s=21.1, conditions=Conditions(noise_uv=0.001, jitter_ms=jitter_ms)))
    room.step(512)
    n = 256
    spectrum, truth = (np.fft.rfft(curve, n) for curve in (room.parts_nv()[0], room.truth_nv()))
    hz = np.fft.rfftfreq(n, 1 / room.settings.epoch.band.analysis_rate_hz)
    for frequency in (200.0, 400.0, 600.0):
        k = int(np.argmin(np.abs(hz - frequency)))
        assert abs(spectrum[k] / truth[k]) == pytest.approx(float(left_of(hz[k], jitter_ms)), abs=0.07), frequency
    smeared = room.truth_nv(jitter_ms)
    inside = (room.times_ms > 0) & (room.times_ms < 17)
    assert np.abs(room.parts_nv()[0] - smeared)[inside].max() < 0.08 * np.ptp(room.truth_nv()[inside])


def test_jitter_does_not_show_in_the_spread_but_in_what_is_left() -> None:
    """In even less noise than in the lesson, because one average of 512 sweeps must show it. That jitter narrows the bandwidth:
    Paulter & Larson 2005 (J Res Natl Inst Stand Technol 110:511, introduction)."""
    noises = {}
    for jitter_ms in (0.0, 0.5):
        room = Classroom(Lesson(conditions=Conditions(noise_uv=0.25, jitter_ms=jitter_ms)))
        room.step(512)
        noises[jitter_ms] = room.noise_nv, room.real_noise_nv
    assert noises[0.5][0] == pytest.approx(noises[0.0][0], rel=0.05)
    assert noises[0.5][1] > 1.2 * noises[0.0][1]


def hum_nv(room: Classroom, sweeps: int) -> float:
    room.step(sweeps)
    inside = (room.times_ms > 0) & (room.times_ms < 17)
    return float(np.sqrt(np.mean((room.parts_nv()[0] - room.truth_nv())[inside] ** 2)))


def test_hum_in_step_stays_and_hum_out_of_step_goes() -> None:
    """At 50 stimuli a second without pauses it is the same in every sweep; a random pause or another rate take it away."""
    hum = Conditions(noise_uv=0.001, mains_uv=10.0)
    locked = hum_nv(Classroom(Lesson(rate_per_s=50.0, random_pause=False, conditions=hum)), 256)
    single = hum_nv(Classroom(Lesson(rate_per_s=50.0, random_pause=False, conditions=hum)), 1)
    paused = hum_nv(Classroom(Lesson(rate_per_s=50.0, conditions=hum)), 256)
    other = hum_nv(Classroom(Lesson(rate_per_s=47.1, random_pause=False, conditions=hum)), 256)
    assert locked == pytest.approx(single, rel=0.01)
    assert locked > 500.0
    assert paused < locked / 2
    assert other < locked / 10
    room = Classroom(Lesson(ear="deaf", rate_per_s=50.0, random_pause=False, conditions=Conditions(noise_uv=1.0, mains_uv=10.0)))
    room.step(256)
    assert room.correlation > 0.95  # halves agree, and it is all hum
    assert room.in_step is not None
    assert Classroom().in_step is None


def test_movements_are_left_out() -> None:
    room = Classroom(Lesson(conditions=Conditions(artefacts_per_min=30.0)))
    room.step(512)
    assert 10 < room.sweeps - room.accepted < 300
    assert set(room.left_out) <= {"peak", "slope"}
    assert len(room.singles_nv) == room.accepted
    assert Classroom().left_out == {}


def test_what_changes_the_response_begins_a_new_average_and_what_surrounds_it_is_marked() -> None:
    room = Classroom()
    assert "noise 3 µV" in room.change(noise_uv=3.0)
    assert room.marks == []  # nothing was averaged yet
    room.step(32)
    said = room.change(mains_uv=5.0, noise_uv=1.0)
    assert said == "hum 5 µV, noise 1 µV from sweep 33 on; the average goes on"
    assert (room.marks[0].sweep, room.sweeps) == (32, 32)
    room.step(64)
    assert np.std(room.singles_nv[64:, 40]) < np.std(room.singles_nv[:32, 40])
    assert room.change(noise_uv=1.0) == ""
    said = room.change(level_db_nhl=30.0)
    assert "level 30 dB nHL: new average (the 96 sweeps before it were of another sound or ear)" in said
    assert (room.sweeps, room.marks, room.averages) == (0, [], 2)
    for wrong in ({"level_db_nhl": 130.0}, {"noise_uv": -1.0}, {"ear": "third"}, {"rate_per_s": 200.0}):
        before = room.lesson
        with pytest.raises(ValueError, match=r"outside|allowed"):
            room.change(**wrong)
        assert room.lesson == before
    with pytest.raises(TypeError):
        room.change(colour="red")


def test_usual_conditions_come_back_with_a_new_average_of_the_same_ear() -> None:
    room = Classroom(Lesson(ear="deaf"))
    room.change(noise_uv=8.0, rate_per_s=50.0, random_pause=False, level_db_nhl=80.0)
    before = room.averages
    room.usual()
    assert room.lesson == Lesson(ear="deaf")
    assert (room.sweeps, room.averages) == (0, before + 1)


def test_there_is_a_response_only_where_the_ear_hears_the_level() -> None:
    assert Classroom().responds
    assert not Classroom(Lesson(ear="deaf")).responds
    assert not Classroom(Lesson(level_db_nhl=-10.0)).responds


def test_every_stop_of_every_slider_is_allowed() -> None:
    room = Classroom()
    for name, stops in STOPS.items():
        for value in stops:
            room.change(**{name: value})
            room.step(1)


def test_a_secret_ear_is_one_of_two_and_looks_the_same_from_outside() -> None:
    room = Classroom(Lesson(ear="secret"))
    drawn = set()
    for _ in range(8):
        room.another_secret()
        drawn.add(room.hears)
        kept = room.hears
        room.change(level_db_nhl=50.0 if room.lesson.level_db_nhl == 60.0 else 60.0)
        assert room.hears == kept  # another level, the same person
    assert drawn == {True, False}
    for seed in (1, 2, 3):  # a class meets both kinds, whatever the seed
        other, ears = Classroom(seed=seed), []
        for _ in range(8):
            other.another_secret()
            ears.append(other.hears)
        assert sum(ears[:4]) == sum(ears[4:]) == 2
    deaf = Classroom(Lesson(ear="deaf"))
    assert np.all(deaf.truth_nv() == 0)
    assert deaf.patient.background == Classroom().patient.background


def test_the_valid_rule_ends_the_run_and_the_lesson_goes_on() -> None:
    room = Classroom(Lesson(conditions=Conditions(noise_uv=1.0)))
    assert [opinion.at_sweeps for opinion in room.opinions()] == [0] * len(RULES)
    room.step(512)
    valid, *naive = room.opinions()
    assert valid.found
    assert room.verdict is not None
    assert 256 <= valid.at_sweeps <= 512
    assert valid.now == "response present"
    assert [opinion.name for opinion in naive] == [title for _, title, _ in RULES[1:]]
    assert naive[0].found  # p < 1 % too
    assert naive[0].at_sweeps % 256 == 0
    room.step(32)
    assert room.sweeps == 544


def test_hum_in_step_deceives_every_rule_and_the_pause_mends_the_valid_one() -> None:
    """As the lesson says."""
    hum = Conditions(noise_uv=2.0, mains_uv=10.0)
    locked = Classroom(Lesson(ear="deaf", rate_per_s=50.0, random_pause=False, conditions=hum))
    locked.step(512)
    assert all(opinion.found for opinion in locked.opinions())
    assert locked.noise_nv < 150.0 < 2000.0 < locked.real_noise_nv
    paused = Classroom(Lesson(ear="deaf", rate_per_s=50.0, conditions=hum))
    paused.step(512)
    assert not paused.opinions()[0].found


def test_changes_before_the_same_sweep_are_one_mark_with_what_differs_there() -> None:
    """Only the last of them was named, so its name stood at the rise that another one had made."""
    room = Classroom(seed=1)
    room.step(2)
    for uv in (3.0, 5.0):
        room.change(noise_uv=uv)
    room.change(jitter_ms=0.1)
    assert [(mark.sweep, mark.text) for mark in room.marks] == [(2, "noise 5 µV, jitter 0.1 ms")]
    room.change(noise_uv=2.0)
    assert [mark.text for mark in room.marks] == ["jitter 0.1 ms"]
    room.change(jitter_ms=0.0)
    assert room.marks == []  # as before
    room.change(mains_uv=1.0)
    room.step(1)
    room.change(mains_uv=2.0)
    assert [(mark.sweep, mark.text) for mark in room.marks] == [(2, "hum 1 µV"), (3, "hum 2 µV")]


def test_the_track_ends_at_the_last_sweep() -> None:
    """It ended at the last unit, and said another noise than the sentence."""
    room = Classroom(seed=1)
    for step, kept in ((3, [1, 2]), (17, [1, 2, 4, 8, 16]), (12, [1, 2, 4, 8, 16, 32])):
        room.step(step)
        track = room.track()
        assert track is not None
        assert track.sweeps.tolist() == [*kept, *([room.sweeps] if room.sweeps != kept[-1] else [])]
        assert track.estimated_nv[-1] == room.noise_nv
        assert track.real_nv[-1] == room.real_noise_nv
