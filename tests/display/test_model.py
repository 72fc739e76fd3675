"""What the screen says at every stage of a run of the real engine; no Qt here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.monitor.core.engine import Engine, EngineSettings
from quietfloor.monitor.core.events import Gap
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.ladder import Ladder
from quietfloor.monitor.display.model import BAND_SD, COLUMNS, MOST_LOOKS, SHOWN_S, STATES, ViewModel
from quietfloor.monitor.display.panel_noise import NoisePanel
from quietfloor.monitor.display.session_live import far_live
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import Notice, Status, refreshed
from tests.synthetic import Stream, chunks, layout, stream


class Watched:
    """An engine whose model is brought up to date after every piece of 50 ms, as a window does it."""

    def __init__(self, made: Stream, **how: object) -> None:
        self.feed = Feed()
        self.settings = EngineSettings(layout(made), **how)  # type: ignore[arg-type]
        self.engine = Engine(self.settings, self.feed.on_signal)
        self.status = Status(state="running")
        self.model = ViewModel(self.feed, "right ear · click", self.settings.floor_nv, self.settings.max_sweeps, (5.5, 9.0))
        self.model.begin(self.settings)
        self.every_average = True
        self._pieces = chunks(made, (int(made.rate_hz / 20),) * 100_000)

    def go(self, looks: int | None = None) -> None:
        for piece in self._pieces:
            events = self.engine.feed(piece)
            for event in events:
                self.feed.on_event(event)
            self.status = refreshed(self.status, self.engine, events, 0.004)
            if self.every_average:
                self.feed.on_status(self.status)
            self.model.advance(self.status)
            if self.engine.verdict is not None or (looks is not None and self.model.looks >= looks):
                break


@pytest.fixture
def made() -> Stream:
    return stream(np.random.default_rng(1), 8000.0, n_sweeps=900, nv=500.0, channels=2)


def test_before_anything_came_nothing_is_drawn_and_the_words_say_so() -> None:
    model = ViewModel(Feed(), "right ear", 15.0, 6144, (5.5, 9.0))
    assert model.plane() is model.curves() is model.scroll() is model.noise_track() is None
    assert (model.headline().state, model.headline().word) == ("waiting", "Checking")
    model.show(3)
    assert model.live
    model.advance(Status(state="running", silent=True))
    assert model.headline().rest.startswith("no samples arrive")


def test_a_run_is_a_path_through_the_plane_and_ends_in_a_region(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=12)
    model = watched.model
    head = model.headline()
    assert (head.state, head.word) == ("undecided", "Undecided")
    assert "noise" in head.rest
    assert "processing lag 4 ms" in head.particulars
    plane = model.plane()
    assert plane is not None
    assert plane.path.shape == (12, 2)
    assert np.all(np.isfinite(plane.path))
    assert plane.known_from == 12  # the evidence has nothing to say before 256 sweeps
    newest = plane.path[-4:, 0]  # what came long before is out at the left
    assert plane.noise_range_nv[0] > newest.max() > newest.min() > plane.noise_range_nv[1]
    watched.go()
    assert model.headline().state == "present"
    assert model.headline().word == "Response present"
    assert "lag" not in model.headline().particulars, "nothing is processed any more"
    scroll = model.scroll()
    assert scroll is not None
    assert math.isnan(scroll.behind_ms)
    ended = model.plane()
    assert ended is not None
    assert ended.path[-1, 1] >= ended.needed
    assert ended.known_from == 15
    assert np.all(ended.path[15:, 0] < ended.noise_range_nv[0])
    assert ended.standing_range[0] < ended.path[:, 1].min() <= ended.path[:, 1].max() < ended.standing_range[1]
    assert "1 false alarm in 100" in ended.promise
    assert not len(ended.cone)


def test_the_cone_reaches_from_the_present_point_towards_the_decision(made: Stream) -> None:
    watched = Watched(made)
    while not len(cone := (plane.cone if (plane := watched.model.plane()) else ())):
        watched.go(looks=watched.model.looks + 1)
        assert watched.engine.verdict is None
    plane = watched.model.plane()
    assert plane is not None
    np.testing.assert_allclose(cone[0], plane.path[-1])
    assert np.all(cone[1:, 0] <= cone[0, 0])
    assert np.all(cone[1:, 0] > 0)


def test_a_response_that_waits_for_quiet_is_present_and_the_cone_ends_where_it_is_quiet() -> None:
    target = 60.0
    watched = Watched(stream(np.random.default_rng(1), 8000.0, n_sweeps=1400, nv=500.0, channels=2), quiet_nv=target)
    model = watched.model
    while watched.engine.verdict is None and not (model.look is not None and model.look.waits_for_nv == target):
        watched.go(looks=model.looks + 1)
    plane, head = model.plane(), model.headline()
    assert plane is not None
    assert (head.state, head.word) == ("present", "Response present")
    ahead, _, known = head.rest.partition(", averaging on for its waves, noise ")
    assert ahead == status_text.ahead(watched.model.status.look), "the time first: what does not fit is cut at the end"
    assert known
    assert plane.quiet_nv == target
    track = model.noise_track()
    assert track is not None
    assert (track.quiet_nv, track.waits_nv) == (target, target)
    assert track.floor_at_sweeps == pytest.approx(track.sweeps[-1] * (track.noise_nv[-1] / target) ** 2)
    assert NoisePanel._remark(track).startswith(f"{target:g} nV: ~")
    assert plane.ahead.startswith("quiet enough in")
    np.testing.assert_allclose(plane.cone[0], plane.path[-1])
    np.testing.assert_array_equal(plane.cone[1:, 0], target)
    watched.go()
    assert model.headline().state == "present"
    ended = model.plane()
    assert ended is not None
    assert not len(ended.cone)
    assert ended.path[-1, 0] <= target


def test_the_average_carries_its_band_and_its_halves(made: Stream) -> None:
    watched = Watched(made)
    watched.go()
    curves, look = watched.model.curves(), watched.engine.last_look
    assert curves is not None
    assert look is not None
    now = watched.engine.average_now()
    np.testing.assert_allclose(curves.average_nv, 1e3 * now.average_uv[0], rtol=1e-6)
    assert curves.half_band_nv == BAND_SD * look.residual_noise_nv
    inside = (now.times_ms >= 5) & (now.times_ms <= 17)
    assert curves.correlation == pytest.approx(np.corrcoef(now.a_uv[0][inside], now.b_uv[0][inside])[0, 1], rel=1e-4)
    assert curves.latency_ms == (5.5, 9.0)


def test_the_view_goes_back_look_by_look_while_the_run_goes_on(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=10)
    model = watched.model
    then = model.curves()
    model.show(9)
    watched.go(looks=20)
    assert (model.live, model.shown, model.looks) == (False, 9, 20)
    frozen = model.curves()
    assert frozen is not None
    assert then is not None
    np.testing.assert_array_equal(frozen.average_nv, then.average_nv)
    head = model.headline()
    assert (head.state, head.word) == ("earlier", "Earlier")
    assert head.rest.startswith("look 10 of 20: ")
    assert (head.now, head.now_state) == ("Undecided", "undecided")
    plane, track = model.plane(), model.noise_track()
    assert plane is not None
    assert track is not None
    assert len(plane.path) == len(track.sweeps) == 10
    assert plane.state == "earlier"
    model.show(999)
    assert model.shown == 19
    model.show(None)
    watched.go(looks=21)
    assert (model.live, model.shown) == (True, 20)


def test_the_scroll_shows_the_signal_its_triggers_and_what_was_left_out_with_the_reason(made: Stream) -> None:
    at = int(made.onsets[300])
    made.samples[0, at + 80 : at + 90] += 3000.0
    watched = Watched(made, floor_nv=1.0)
    while watched.engine.sample < at + 1.5 * made.rate_hz:
        watched.go(looks=watched.model.looks + 1)
    scroll = watched.model.scroll()
    assert scroll is not None
    assert scroll.low_uv.shape == (2, COLUMNS)
    assert scroll.labels == ("eeg 1", "eeg 2")
    assert np.nanmax(scroll.high_uv[0]) > 100 * scroll.range_uv / 5
    assert 4 < scroll.range_uv < 30  # 2 uV of noise
    assert 300 < len(scroll.triggers_s) < 8 * 47.1 + 1
    now = watched.engine.sample
    found = [stretch for stretch in scroll.left_out if stretch.why == "too large"]
    assert len(found) == 1
    seconds_ago = (now - at) / made.rate_hz
    assert found[0].from_s > seconds_ago - 0.15 > found[0].to_s - 0.2
    assert np.all((scroll.triggers_s <= 0) & (scroll.triggers_s > -8.1))


def test_noise_falls_along_its_line_and_the_floor_is_there(made: Stream) -> None:
    watched = Watched(made, floor_nv=1.0)
    watched.go()
    track = watched.model.noise_track()
    assert track is not None
    assert np.abs(np.log(track.noise_nv[16:] / track.expected_nv[16:])).max() < np.log(1.25)
    assert track.floor_nv == 1.0
    assert track.expected_nv[-1] == pytest.approx(track.noise_nv[-1]), "the line goes through the last look"
    assert math.isnan(track.floor_at_sweeps), "nothing is to come once the run is over"
    assert NoisePanel._remark(track) == "floor not reached"
    watched.model.show(watched.model.looks - 4)
    track = watched.model.noise_track()
    assert track is not None
    line = track.line_nv[0] * math.sqrt(track.line_sweeps[0])
    assert line**2 == pytest.approx(track.floor_at_sweeps), "the number says where the line meets the floor, here 1 nV"


def test_of_a_run_that_is_over_no_floor_is_expected_any_more(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=5)
    track = watched.model.noise_track()
    assert track is not None
    assert math.isfinite(track.floor_at_sweeps)
    watched.go()
    track = watched.model.noise_track()
    assert track is not None
    assert math.isnan(track.floor_at_sweeps)


def test_another_rule_has_its_own_axis_and_no_cone(made: Stream) -> None:
    watched = Watched(made, rule="naive_fsp")
    watched.go(looks=16)
    plane = watched.model.plane()
    assert plane is not None
    assert (plane.axis, plane.needed, len(plane.cone)) == ("Fsp", 3.1, 0)
    assert plane.promise == "this rule keeps no error rate"


def test_many_looks_are_thinned_and_messages_kept() -> None:
    watched = Watched(stream(np.random.default_rng(2), 4000.0, n_sweeps=64))
    watched.go()
    look = watched.engine.last_look
    assert look is not None
    store = watched.model._history._curves
    for number in range(3 * MOST_LOOKS):
        watched.feed.on_event(replace(look, sample=look.sample + number))
    watched.feed.on_event(Notice("sound", "the sound broke up", 1.0))
    watched.model.advance(watched.status)
    assert MOST_LOOKS / 2 <= watched.model.looks <= MOST_LOOKS
    samples = [kept.sample for kept in watched.model._history.looks]
    assert samples == sorted(set(samples))
    assert samples[-1] == look.sample + 3 * MOST_LOOKS - 1
    assert watched.model._history._curves is store  # as large as it was from the first average on
    accepted = [kept.sweeps_accepted for kept in watched.model._history.looks[:10]]
    np.testing.assert_array_equal(watched.model._history.figures(10)[2], accepted)
    assert list(watched.model.messages) == ["the sound broke up"]


def test_every_end_has_a_state() -> None:
    for stopped_by, word in (("operator", "stopped"), ("fault", "fault"), ("sweep_limit", "stopped")):
        watched = Watched(stream(np.random.default_rng(2), 4000.0, n_sweeps=64))
        watched.go(looks=1)
        for event in watched.engine.finish(stopped_by, "because"):  # type: ignore[arg-type]
            watched.feed.on_event(event)
        watched.model.advance(refreshed(watched.status, watched.engine, [], 0.0))
        assert watched.model.headline().state == word
        assert word in STATES


def test_every_look_keeps_its_own_average_small_and_on_one_grid(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=30)
    kept = watched.model._history
    assert [kept.average_at(place)[0] for place in range(30)] == list(range(30))
    average = kept.average_at(7)[1]
    assert average is not None
    assert average.average_uv.shape == (1, 353)
    assert kept._curves.nbytes < 20e6
    watched.model.show(14)
    early = watched.model.curves()
    watched.model.show(29)
    late = watched.model.curves()
    assert early is not None
    assert late is not None
    assert (early.look, late.look) == (14, 29)
    assert early.half_band_nv > late.half_band_nv


def test_without_an_average_of_its_own_a_look_shows_the_one_before_and_says_so(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=10)
    watched.model._history._known[5:7] = False
    watched.model.show(6)
    curves = watched.model.curves()
    assert curves is not None
    assert curves.look == 4


def test_a_held_view_stands_still_with_its_signal_and_goes_back_with_it(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=12)
    model = watched.model
    model.hold()
    then, at_s = model.scroll(), model.moment_s
    watched.go(looks=24)
    frozen = model.scroll()
    assert then is not None
    assert frozen is not None
    assert not model.live
    assert model.moment_s == at_s
    np.testing.assert_array_equal(frozen.low_uv, then.low_uv)
    assert len(frozen.triggers_s) >= len(then.triggers_s)  # some were judged later
    model.show(3)
    earlier = model.scroll()
    assert earlier is not None
    assert earlier.moment_s < model.moment_s < at_s
    assert earlier.moment_s == pytest.approx(model.moment_s, abs=0.05)
    shift = round((frozen.moment_s - earlier.moment_s) * COLUMNS / SHOWN_S)
    np.testing.assert_array_equal(earlier.high_uv[:, shift:], frozen.high_uv[:, :-shift])
    model.show_moment(at_s)
    assert model.shown == 11
    model.show_moment(1e9)
    assert model.live


def test_all_rows_have_one_scale_that_stays_and_a_loose_contact_is_cut(made: Stream) -> None:
    made.samples[1] *= 20
    watched = Watched(made, floor_nv=1.0)
    watched.go(looks=3)
    scroll = watched.model.scroll()
    assert scroll is not None
    assert scroll.range_uv in (10.0, 20.0)
    assert scroll.usual_uv[0] < scroll.range_uv < scroll.usual_uv[1] / 5
    heights = set()
    for _ in range(20):
        watched.go(looks=watched.model.looks + 1)
        scroll = watched.model.scroll()
        assert scroll is not None
        heights.add(scroll.range_uv)
    assert len(heights) == 1


def test_only_what_changed_asks_to_be_painted_again(made: Stream) -> None:
    watched = Watched(made)
    watched.go(looks=5)
    model = watched.model
    version = model.version
    model.advance(watched.status)
    assert model.version == version
    watched.go(looks=6)
    assert model.version > version


def test_units_between_two_looks_are_painted_on_the_signal_alone() -> None:
    feed = Feed()
    model = ViewModel(feed, "", 15.0, 6144, (5.5, 9.0))
    feed.on_event(Gap(100, "lost", 0.1, 20))
    status = Status()
    model.advance(status)
    version, judged = model.version, model.judged
    feed.on_event(Gap(400, "lost", 0.1, 40))
    model.advance(status)
    assert (model.version, model.judged) == (version, judged + 1)
    model.advance(status)
    assert (model.version, model.judged) == (version, judged + 1)
    model.advance(replace(status, state="running"))
    assert model.version == version + 1


def test_a_note_is_shown_as_one() -> None:
    feed = Feed()
    model = ViewModel(feed, "", 15.0, 6144, (5.5, 9.0))
    feed.on_event(Notice("note", "the patient coughed", 1.0))
    model.advance(Status())
    assert list(model.messages) == ["Note: the patient coughed"]


def test_a_discarded_run_looks_discarded_until_it_counts_again(made: Stream) -> None:
    watched = Watched(made)
    watched.go()
    found = watched.model.headline()
    assert (found.state, found.word) == ("present", "Response present")
    watched.model.discarded = True
    discarded = watched.model.headline()
    assert (discarded.state, discarded.word) == ("discarded", "Discarded")
    assert discarded.rest.startswith("does not count any more; it was: response present, evidence ")
    plane = watched.model.plane()
    assert plane is not None
    assert (plane.state, math.isnan(plane.upper_limit_nv)) == ("discarded", True)
    curves, track = watched.model.curves(), watched.model.noise_track()
    assert curves is not None
    assert track is not None
    assert (curves.discarded, track.discarded) == (True, True)
    watched.model.show(3)
    earlier = watched.model.headline()
    assert (earlier.state, earlier.now, earlier.now_state, earlier.over) == ("earlier", "Discarded", "discarded", True)
    watched.model.show(None)
    watched.model.discarded = False
    assert watched.model.headline() == found


def test_a_response_that_may_be_the_other_ears_is_not_stated_as_this_ears(made: Stream) -> None:
    watched = Watched(made)
    watched.go()
    known = watched.model.headline()
    why = "noise in the other ear was due, and none was given"
    watched.model.remark(Ladder(None, doubts={"present": why}))
    doubted = watched.model.headline()
    assert (doubted.state, doubted.mark, doubted.word) == ("present", "present?", "Response present (which ear?)")
    assert doubted.rest == f"{why}; {known.rest}"
    assert doubted.meaning == f"Not known to be this ear's: {why}."
    assert far_live(doubted, Plan(), watched.model.status, "").word == "Response: which ear?"
    watched.model.remark(Ladder(None, doubts={"absent": why}))
    assert watched.model.headline() == known
    watched.model.remark(Ladder(None, discarded=True, doubts={"present": why}))
    assert watched.model.headline().word == "Discarded"


def test_ear_and_level_stand_in_the_headline_by_themselves() -> None:
    model = ViewModel(Feed(), "title", 15.0, 6144, (5.5, 9.0), ("left ear, 40 dB nHL", "left"))
    assert (model.headline().heard, model.headline().ear) == ("left ear, 40 dB nHL", "left")


def test_no_message_outlives_its_cause() -> None:
    feed = Feed()
    model = ViewModel(feed, "", 15.0, 6144, (5.5, 9.0))

    def after(seconds: float, what: str = "") -> str:
        if what:
            feed.on_event(Notice(what, what, seconds))
        model.advance(Status(state="running", seconds=seconds))
        return model.message

    assert model.message == ""
    assert after(1.0, "window") == "! window"  # holds as long as the plan does
    assert after(10.0, "stream_silent") == "! stream_silent"
    assert after(50.0) == "! stream_silent"
    assert after(51.0, "stream_back") == "! stream_back"
    assert after(70.0) == "! stream_back"
    assert after(72.0) == "! window"
    assert after(80.0, "note") == "Note: note"
    assert after(101.0) == "! window"
    assert list(model.messages) == ["window", "stream_silent", "stream_back", "Note: note"]
