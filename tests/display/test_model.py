"""What the screen says at every stage of a run of the real engine; no Qt here."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.engine import Engine, EngineSettings
from monitor.display.feed import Feed
from monitor.display.model import BAND_SD, COLUMNS, MOST_LOOKS, STATES, ViewModel
from monitor.status import Notice, Status, refreshed
from tests.synthetic import Stream, chunks, layout, stream


class Watched:
    """An engine whose model is brought up to date after every piece of 50 ms, as a window does it."""

    def __init__(self, made: Stream, **how: object) -> None:
        self.feed = Feed()
        self.settings = EngineSettings(layout(made), **how)  # type: ignore[arg-type]
        self.engine = Engine(self.settings, self.feed.tap)
        self.status = Status(state="running")
        self.model = ViewModel(self.feed, "right ear · click", self.settings.floor_nv, self.settings.max_sweeps, (5.5, 9.0))
        self.model.begin(self.settings)
        self._pieces = chunks(made, (int(made.rate_hz / 20),) * 100_000)

    def go(self, looks: int | None = None) -> None:
        for piece in self._pieces:
            events = self.engine.feed(piece)
            for event in events:
                self.feed.event(event)
            self.status = refreshed(self.status, self.engine, events, 0.004)
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
    assert "behind by 4 ms" in head.particulars
    plane = model.plane()
    assert plane is not None
    assert plane.path.shape == (12, 2)
    assert np.all(np.isfinite(plane.path))
    assert plane.noise_range_nv[0] > plane.path[:, 0].max() > plane.path[:, 0].min() > plane.noise_range_nv[1]
    watched.go()
    assert model.headline().state == "present"
    assert model.headline().word == "Response present"
    ended = model.plane()
    assert ended is not None
    assert ended.path[-1, 1] >= ended.needed
    assert "1 false alarms in 100" in ended.promise
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


def test_the_average_carries_its_band_and_its_halves(made: Stream) -> None:
    watched = Watched(made)
    watched.go()
    curves, look = watched.model.curves(), watched.engine.last_look
    assert curves is not None
    assert look is not None
    now = watched.engine.average_now()
    np.testing.assert_array_equal(curves.average_nv, 1e3 * now.average_uv[0])
    assert curves.half_band_nv == BAND_SD * look.residual_noise_nv
    inside = (now.times_ms >= 5) & (now.times_ms <= 17)
    assert curves.correlation == pytest.approx(np.corrcoef(now.a_uv[0][inside], now.b_uv[0][inside])[0, 1])
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
    assert model.headline().word == "Earlier"
    plane, track = model.plane(), model.noise_track()
    assert plane is not None
    assert track is not None
    assert len(plane.path) == len(track.sweeps) == 10
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
    for _ in range(3 * MOST_LOOKS):
        watched.feed.event(look)
    watched.feed.event(Notice("sound", "the sound broke up", 1.0))
    watched.model.advance(watched.status)
    assert MOST_LOOKS / 2 <= watched.model.looks <= MOST_LOOKS
    assert list(watched.model.messages) == ["the sound broke up"]


def test_every_end_has_a_state() -> None:
    for stopped_by, word in (("operator", "stopped"), ("fault", "fault"), ("sweep_limit", "stopped")):
        watched = Watched(stream(np.random.default_rng(2), 4000.0, n_sweeps=64))
        watched.go(looks=1)
        for event in watched.engine.finish(stopped_by, "because"):  # type: ignore[arg-type]
            watched.feed.event(event)
        watched.model.advance(refreshed(watched.status, watched.engine, [], 0.0))
        assert watched.model.headline().state == word
        assert word in STATES
