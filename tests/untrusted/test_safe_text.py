"""What is quoted of others is short and harmless, whatever it is."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietfloor.monitor.untrusted.safe_text import LONGEST, MOST_LINES, OBEYED, harmless, plain, told


@given(st.text(max_size=60), st.integers(1, 200))
def test_a_message_is_short_and_obeyed_by_no_terminal(text: str, times: int) -> None:
    said = told(text * times)
    assert not any(unicodedata.category(one) in OBEYED for one in said if one != "\n")
    assert said.count("\n") <= MOST_LINES
    assert len(said) <= 2 * LONGEST * (1 if len(text * times) > LONGEST else MOST_LINES)


@pytest.mark.parametrize("text", ["\n" * 2000, " " * 2000, " \n" * 2000])
def test_nothing_but_blanks_is_a_message_too(text: str) -> None:
    assert not told(text).strip()


def test_characters_that_are_spelled_out_leave_no_more_room_for_others() -> None:
    assert len(plain("\x01" * 120, 120)) <= 125
    assert harmless("a\x1b[2J\tb\n") == "a\\x1b[2J\tb\n"
    assert plain("usual", 120) == "usual"
