"""What the board of a search shows, and what its keys order, without Qt."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.monitor.core.events import Verdict
from quietfloor.monitor.core.noise import ResidualNoise
from quietfloor.monitor.display.board import (
    board_of,
    headline,
    legible,
    level_at,
    moved,
    recent,
    short_name,
    threshold_words,
    to_go,
    widths,
)
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.ladder import Ladder
from quietfloor.monitor.display.model import ViewModel
from quietfloor.monitor.display.search_keys import CHOSEN_S, SearchKeys
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.cells import CellLook
from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.search.running import Answer, Place
from quietfloor.monitor.search.said import Order
from tests.display.made_search import MadeSearch

TIMES_MS = np.arange(-2.0, 20.0, 0.5)


def look(evidence: float, noise_nv: float, peak_uv: float, accepted: int = 512, limit_nv: float = math.nan) -> CellLook:
    """A cell whose average is a single point of this size at 8 ms, beside a huge one before the stimulus."""
    wave = np.where(TIMES_MS == 8.0, peak_uv, 0.0) + np.where(TIMES_MS < 0, 50.0, 0.0)
    nv, no = np.asarray(noise_nv), np.asarray(False)
    noise = ResidualNoise(nv, nv, nv, nv, nv, no, np.asarray(0.0))
    return CellLook(accepted + 16, accepted, evidence, evidence, noise, wave, 0.9 * wave, 1.1 * wave, limit_nv)


def answer(low: float, middle: float, high: float, found: float = math.nan, finished: bool = False) -> Answer:
    return Answer(middle, low, high, found, finished, 60.0, (0, 0, 0, 0), (0.0,) * 4)


def condition(number: int = 0, **other: object) -> ConditionNow:
    belief_db = np.array([10.0, 20.0, 30.0, 40.0])
    made = ConditionNow(
        f"{500 * 2**number} Hz chirp, {('right', 'left')[number % 2]} ear", ("right", "left")[number % 2], "chirp",
        500.0 * 2**number, (10.0, 20.0, 30.0, 40.0), answer(14.0, 22.0, 31.0), (None,) * 4, TIMES_MS, (True,) * 4,
        belief_db, np.array([0.01, 0.05, 0.03, 0.01]), True, "waiting",
    )  # fmt: skip
    return replace(made, **other)  # type: ignore[arg-type]


def search(*conditions: ConditionNow, **other: object) -> SearchNow:
    every = conditions or (condition(),)
    made = SearchNow(every, ((Place(0, 2), "threshold"),), "so far", 65.0, False, False, 2.2, 4.4, 9.6, heard_s=120.0)
    return replace(made, **other)  # type: ignore[arg-type]


# -- rungs and columns ------------------------------------------------------------------------------------------------


def test_a_rung_says_what_is_known_of_its_level() -> None:
    looks = (None, look(-0.04, 61.4, 0.1, limit_nv=240.4), look(3.26, 24.6, 0.25), None)
    one = condition(looks=looks, answer=answer(14, 22, 31, found=30.0), offered=(True, True, True, False), state="running")
    column = board_of(search(one)).columns[0]
    silent, soft, loud, barred = column.rungs
    assert [rung.playing for rung in column.rungs] == [False, False, True, False]
    assert [rung.found for rung in column.rungs] == [False, False, True, False]
    assert (soft.evidence, soft.noise, loud.evidence, loud.noise) == ("0.0", "61 nV", "3.3", "25 nV")
    assert soft.tip == (
        "20 dB nHL: 512 of 528 sweeps accepted, evidence 0.0, 61 nV of noise, no response larger than 240 nV"
    )
    assert loud.tip.endswith("25 nV of noise, a response was found here")
    assert (silent.tip, barred.tip, barred.offered) == ("10 dB nHL: not played yet", "40 dB nHL: not offered", False)
    assert not silent.played
    assert column.times_ms[0] == 1.0  # before that an average may hold what is not a response
    assert (loud.average_nv.max(), loud.odd_nv.max(), loud.even_nv.max()) == pytest.approx((250.0, 225.0, 275.0))
    np.testing.assert_allclose(column.ridge, [0.2, 1.0, 0.6, 0.2])
    np.testing.assert_allclose(column.ridge_db, [10.0, 20.0, 30.0, 40.0])
    assert column.running


def test_levels_and_the_size_of_curves_are_shared_by_all_columns() -> None:
    noisy = look(0.0, 200.0, 2.0, accepted=64)
    many = condition(1, levels_db=(0.0, 5.0, 10.0, 15.0), looks=(None, look(1.0, 30.0, 0.38), None, noisy))
    board = board_of(search(condition(), many))
    assert board.step_db == 5.0
    assert board.bottom_db == pytest.approx(0.0 - 1.2 * 5.0)
    assert board.top_db == pytest.approx(40.0 + 1.2 * 5.0)
    assert board.nv_per_rung == 500.0  # 380 nV reach 0.9 rungs at most; an average of few sweeps does not count
    assert board_of(search(replace(many, looks=(None, None, None, noisy)))).nv_per_rung == 3000.0  # nothing else is there
    assert board_of(search()).nv_per_rung > 0


def test_a_belief_that_is_spread_out_looks_so_and_what_lies_beyond_all_levels_does_not_hide_it() -> None:
    beyond = condition(belief_db=np.array([-10.0, 10.0, 20.0, 60.0]), belief=np.array([0.5, 0.005, 0.01, 0.3]))
    column = board_of(search(beyond)).columns[0]
    np.testing.assert_allclose(column.ridge_db, [10.0, 20.0])
    np.testing.assert_allclose(column.ridge, [0.25, 0.5])  # of 0.02 a dB


@pytest.mark.parametrize(
    ("known", "words", "interval"),
    [
        (answer(math.nan, math.nan, math.nan), "not known yet", ""),
        (answer(14.4, 22.4, 31.4), "22 dB nHL", "14 to 31"),
        (answer(-0.3, 12.0, 20.0), "12 dB nHL", "0 to 20"),
        (answer(-6.2, 12.0, 20.0), "12 dB nHL", "−6 to 20"),
        (answer(-math.inf, 5.0, 14.0), "below 10 dB nHL", "at most 14"),
        (answer(36.0, math.inf, math.inf), "above 40 dB nHL", "36 or more"),
        (answer(30.0, 38.0, math.inf), "38 dB nHL", "30 or more"),
    ],
    ids=["unknown", "usual", "no minus zero", "minus", "below", "above", "open"],
)
def test_a_threshold_in_words(known: Answer, words: str, interval: str) -> None:
    column = board_of(search(condition(answer=known))).columns[0]
    assert threshold_words(known, (10.0, 20.0, 30.0, 40.0)) == words
    assert (column.threshold, column.interval) == (words, interval)
    assert column.standing == (f"{words} (95 %: {interval})" if interval else words)


def test_the_state_of_a_column_is_said_in_words() -> None:
    played = (None, look(1.0, 30.0, 0.2), None, None)
    done = answer(14, 22, 31, found=30.0, finished=True)
    none = answer(36, math.inf, math.inf, finished=True)
    conditions = (
        condition(0, state="running"), condition(1), condition(2, looks=played), condition(3, state="answered", answer=done),
        condition(4, state="answered", answer=none), condition(5, state="left"),
    )  # fmt: skip
    words = [(column.words, column.words_short) for column in board_of(search(*conditions)).columns]
    assert words == [
        ("plays 30 dB nHL to narrow it down", "plays"), ("waits for its turn", "waits"), ("open", "open"),
        ("answered; response found at 30 dB nHL", "answered"), ("answered; no response found", "answered"),
        ("left for now", "left"),
    ]  # fmt: skip
    paused = board_of(search(*conditions, paused=True)).columns[0]
    assert (paused.words, paused.words_short) == ("paused at 30 dB nHL", "paused")
    assert not board_of(search(*conditions, over=True, playing=())).columns[0].running
    assert [short_name(one) for one in conditions[:2]] == ["R 0.5 kHz", "L 1 kHz"]
    assert short_name(condition(frequency_hz=None, stimulus="click")) == "R click"


def test_columns_shrink_but_the_first_ones_stay_legible() -> None:
    assert widths(1200, 4, (), 270, 90) == ((300.0, True),) * 4
    shares = widths(1200, 8, (5, 2), 270, 90)
    assert [number for number, (_, whole) in enumerate(shares) if whole] == [2, 5]
    assert sum(wide for wide, _ in shares) == pytest.approx(1200)
    assert shares[0] == (90, False)
    assert shares[2][0] >= 270
    tight = widths(600, 8, (3,), 270, 90)
    assert [number for number, (_, whole) in enumerate(tight) if whole] == [3]
    assert tight[3][0] == pytest.approx(270)
    assert sum(wide for wide, _ in tight) == pytest.approx(600)
    assert widths(200, 1, (), 270, 90) == ((200.0, True),)


def test_columns_that_take_turns_keep_their_widths() -> None:
    order: tuple[int, ...] = ()
    wide = set()
    for played in (0, 1, 0, 1, 1, 0):
        order = recent(order, search(*(condition(number) for number in range(8)), playing=((Place(played, 0), "threshold"),)))
        wide.add(tuple(whole for _, whole in widths(1200, 8, order, 270, 90)))
    assert order == (0, 1)
    assert wide == {(True, True, *(False,) * 6)}
    assert recent((1, 0), search(playing=())) == (1, 0)


def test_the_places_around_a_rung() -> None:
    now = search(condition(0), condition(1, levels_db=(15.0, 25.0, 50.0)))
    assert moved(now, Place(0, 1), up=1) == Place(0, 2)
    assert moved(now, Place(0, 3), up=1) == Place(0, 3)
    assert moved(now, Place(0, 0), up=-1) == Place(0, 0)
    assert moved(now, Place(0, 3), across=1) == Place(1, 2)  # 50 is nearest to 40
    assert moved(now, Place(1, 2), across=1) == Place(1, 2)
    assert moved(now, Place(1, 0), across=-1) == Place(0, 0)
    column = board_of(now).columns[0]
    assert [level_at(column, db, 10.0) for db in (3.0, 6.0, 24.9, 44.0, 60.0)] == [None, 0, 1, 3, None]


# -- the sentence on top ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        ((2.2, 4.4, 9.6), "about 4 minutes to go (2 to 10)"), ((0.4, 1.3, 3.0), "about 1 minute to go (0.4 to 3)"),
        ((0.2, 0.6, 1.4), "less than a minute to go (0.2 to 1)"), ((math.nan, 4.4, math.nan), "about 4 minutes to go"),
        ((math.nan,) * 3, ""), ((3.9, 4.0, 4.1), "about 4 minutes to go"),
    ],
)  # fmt: skip
def test_minutes_to_go(minutes: tuple[float, float, float], words: str) -> None:
    low, median, high = minutes
    assert to_go(search(minutes_low=low, minutes_median=median, minutes_high=high)) == words


def test_the_sentence_on_top_says_how_the_search_stands() -> None:
    now, status = search(condition(), condition(1, state="answered")), Status("running", behind_ms=12.0)
    made = headline(now, status, "a title")
    assert (made.state, made.word) == ("undecided", "Searching: about 4 minutes to go (2 to 10)")
    assert made.rest == "500 Hz chirp, right ear: threshold 22 dB nHL (95 %: 14 to 31) so far, no response found yet"
    found = search(condition(answer=answer(14, 22, 31, found=30.0)), condition(1, answer=answer(*[math.nan] * 3)))
    assert headline(found, status, "").rest.endswith("so far, response found at 30")
    nothing = headline(replace(found, playing=((Place(1, 0), "threshold"),)), status, "").rest
    assert nothing == "1000 Hz chirp, left ear: threshold not known yet, no response found yet"
    assert made.particulars == "a title · 1 of 2 answered · 2:00 of signal · processing lag 12 ms"
    assert headline(replace(now, paused=True), status, "").word.startswith("Paused: about 4")
    loud = search(condition(offered=(False, False, True, False)), condition(1, offered=(False,) * 4))
    assert "0 of 2 answered · only from 30 dB nHL on · " in headline(loud, status, "").particulars
    waiting = headline(now, replace(status, no_trigger=True), "")
    assert (waiting.state, waiting.word) == ("waiting", "Waiting")
    assert waiting.rest.startswith("no triggers arrive")
    over, words = replace(now, over=True, playing=()), "R 0.5 kHz: 22 dB nHL so far; L 1 kHz: 22 dB nHL so far"
    assert (headline(over, status, "").word, headline(over, status, "").rest) == ("Search ended", words)
    answered = search(condition(state="answered"), over=True, playing=())
    assert (headline(answered, status, "").state, headline(answered, status, "").word) == ("present", "Search finished")
    for stopped_by, state, word in (("operator", "stopped", "Search stopped"), ("fault", "fault", "Search ended by a fault")):
        ended = replace(status, verdict=Verdict(0, "inconclusive", stopped_by, ""))  # type: ignore[arg-type]
        assert (headline(now, ended, "").state, headline(now, ended, "").word) == (state, word)


# -- keys -------------------------------------------------------------------------------------------------------------


class Keys:
    """A person at the keys of a board, whose orders and messages are kept."""

    def __init__(self, now: SearchNow) -> None:
        self.orders: list[Order] = []
        self.said: list[str] = []
        self.now_s = 0.0
        self.keys = SearchKeys(self.give, self.said.append, lambda: self.now_s)
        self.keys.show(now)

    def give(self, order: Order) -> str:
        self.orders.append(order)
        return ""

    def press(self, *names: str) -> list[Order]:
        """The orders that came of it."""
        self.orders.clear()
        for name in names:
            self.keys.deeds[name]()
        return [replace(order, why="") for order in self.orders]


def test_a_rung_is_chosen_with_the_arrows_and_played() -> None:
    person = Keys(search(condition(), condition(1)))
    assert person.press("cell_play") == []
    assert person.said[-1].startswith("Choose a rung first")
    assert person.press("cell_up", "cell_right", "cell_play") == [Order("go_to", 1, 40.0)]  # from the one that plays
    assert person.keys.chosen is None
    person.press("cell_down")
    assert person.keys.chosen == Place(0, 1)
    person.now_s = CHOSEN_S + 1  # left alone, keys are about what plays again
    assert person.keys.chosen is None


def test_a_level_that_is_not_offered_is_not_asked_for() -> None:
    person = Keys(search(condition(offered=(True, True, True, False))))
    assert person.press("cell_up", "cell_play") == []
    assert person.said[-1] == "40 dB nHL is not offered here: choose another level"


def test_leaving_twice_takes_the_same_column_up_again() -> None:
    conditions = (condition(), condition(1))
    person = Keys(search(*conditions))
    assert person.press("leave") == [Order("leave", 0)]
    person.keys.show(search(replace(conditions[0], state="left"), conditions[1], playing=((Place(1, 0), "threshold"),)))
    assert person.press("leave") == [Order("back", 0)]
    person.keys.show(search(condition(state="answered"), conditions[1], playing=((Place(1, 0), "threshold"),)))
    assert person.press("leave") == []
    assert "its answer already" in person.said[-1]


def test_only_louder_ones_all_again_pause_and_on() -> None:
    person = Keys(search())
    assert person.press("only_louder") == [Order("only_above", None, 30.0)]
    assert person.press("cell_down", "only_louder", "all_levels") == [Order("only_above", None, 20.0), Order("all_levels")]
    assert person.press("pause_sound") == [Order("pause")]
    person.keys.show(search(paused=True))
    assert person.press("pause_sound") == [Order("go_on")]
    person.keys.show(search(over=True, playing=()))
    assert person.press("pause_sound", "only_louder", "leave", "all_levels") == []
    person.keys.show(None)
    assert person.press(*person.keys.deeds) == []


def test_a_search_as_it_runs_has_all_its_parts_on_the_board() -> None:
    """Of units that are judged as those of a live search are."""
    made = MadeSearch(1)
    before = board_of(made.now()).columns[0]
    assert (before.threshold, before.interval, len(before.ridge)) == ("not known yet", "", 0)
    made.go_on()
    now = made.now()
    column = board_of(now).columns[0]
    got = now.conditions[0].answer
    assert column.state == "answered"
    assert [rung.level_db for rung in column.rungs if rung.found] == [got.found_db]
    assert [rung.played for rung in column.rungs] == [sweeps > 0 for sweeps in got.sweeps]
    assert column.ridge.max() == 1.0
    assert got.low_db <= column.ridge_db[column.ridge.argmax()] <= got.high_db
    assert not column.running


def test_a_discarded_search_looks_discarded_and_keeps_what_it_found_in_words() -> None:
    model = ViewModel(Feed(), "", 15.0, 6144, (5.5, 9.0))
    model.advance(Status(search=search()))
    found = model.headline()
    model.discarded = True
    discarded = model.headline()
    assert (discarded.state, discarded.word) == ("discarded", "Discarded")
    assert discarded.rest == f"does not count any more; it was: {found.word.lower()}, {found.rest}"
    assert discarded.meaning != found.meaning


def test_of_a_search_that_is_over_conditions_are_named_whose_response_may_be_the_other_ears() -> None:
    model = ViewModel(Feed(), "", 15.0, 6144, (5.5, 9.0))
    model.remark(Ladder(None, doubtful=("R 2 kHz",)))
    model.advance(Status(search=search()))
    assert "not known" not in model.headline().rest
    model.advance(Status(search=replace(search(), over=True)))
    over = model.headline()
    assert over.rest.startswith("not known to be this ear's: R 2 kHz; ")
    assert over.doubt == "which ear?"
    first = short_name(search().conditions[0])
    doubted = board_of(replace(search(), playing=()), (first,)).columns[0]
    assert doubted.doubtful
    assert (doubted.words.partition(";")[0], doubted.words_short) == ("which ear?", "which ear?")
    assert not any(one.doubtful for one in board_of(search()).columns)


def test_where_rungs_stand_close_the_words_of_the_most_important_are_kept() -> None:
    ranks = [(True, False), (False, True), (True, False), (True, False)]
    assert legible([0.0, 20.0, 40.0, 60.0], ranks, 10.0) == {0, 1, 2, 3}
    assert legible([0.0, 5.0, 10.0, 15.0], ranks, 10.0) == {1, 3}
    assert legible([], [], 10.0) == set()
