"""What is said of an answer."""

import math
from dataclasses import replace

import pytest

from quietfloor.monitor.search.running import Answer
from quietfloor.monitor.search.words import hidden, sentence

LEVELS = (20.0, 30.0, 40.0)
ANSWER = Answer(
    threshold_db=32.4, low_db=28.2, high_db=36.6, found_db=40.0, finished=True, seconds=200.0, sweeps=(0, 2048, 1024),
    log10=(0.0, -0.5, 4.0), limits_nv=(math.nan, 61.7, 210.0),
)  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "threshold 32 dB nHL (95 %: 28 to 37); a response was found at 40 dB nHL, by mistake in at most 1 of 100 searches"),
        ({"finished": False, "found_db": math.nan},
         "not finished; so far threshold 32 dB nHL (95 %: 28 to 37); no response was found"),
        ({"threshold_db": math.inf, "low_db": 38.0, "high_db": math.inf, "found_db": math.nan},
         "threshold above 40 dB nHL (95 %: 38 or more); no response was found"),
        ({"threshold_db": 16.0, "low_db": -math.inf, "high_db": 19.6, "found_db": 20.0},
         "threshold below 20 dB nHL (95 %: at most 20); a response was found at 20 dB nHL, by mistake in at most 1 of 100 "
         "searches"),
        ({"low_db": -math.inf, "found_db": math.nan}, "threshold 32 dB nHL (95 %: at most 37); no response was found"),
        ({"high_db": math.inf, "found_db": math.nan}, "threshold 32 dB nHL (95 %: 28 or more); no response was found"),
        ({"low_db": -math.inf, "high_db": math.inf, "found_db": math.nan},
         "threshold 32 dB nHL (95 %: at any level); no response was found"),
        ({"low_db": -0.3, "found_db": math.nan}, "threshold 32 dB nHL (95 %: 0 to 37); no response was found"),
        ({"threshold_db": math.nan}, "nothing is known yet"),
    ],
)  # fmt: skip
def test_an_answer_in_words(changes: dict[str, object], said: str) -> None:
    assert sentence(replace(ANSWER, **changes), LEVELS, 0.01) == said  # type: ignore[arg-type]


def test_what_can_still_hide_is_said_below_what_was_found() -> None:
    assert hidden(ANSWER, LEVELS) == "no response larger than 62 nV at 30 dB nHL (95 % each)"
    assert hidden(replace(ANSWER, found_db=math.nan), LEVELS).endswith("62 nV at 30 dB nHL, 210 nV at 40 dB nHL (95 % each)")
    assert hidden(replace(ANSWER, limits_nv=(math.nan,) * 3), LEVELS) == ""
