"""Keys at once from a terminal, and lines from a pipe."""

from __future__ import annotations

import os
import sys

import pytest

from quietfloor.monitor.commands.answer_keys import keys

pytestmark = pytest.mark.skipif(os.name != "posix", reason="terminals of POSIX")


def test_a_key_of_a_terminal_comes_without_enter_and_the_terminal_is_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    import termios

    master, slave = os.openpty()
    with os.fdopen(slave, "r", closefd=True) as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        before = termios.tcgetattr(slave)
        with keys() as answers:
            assert answers.pressed() == []
            os.write(master, b" ")
            assert answers.pressed() == [" "]
            os.write(master, b"q\n")
            assert answers.pressed() == ["q", "\n"]
            assert not answers.ended
        assert termios.tcgetattr(slave) == before
    os.close(master)


def test_the_end_of_a_pipe_is_nobody_there(monkeypatch: pytest.MonkeyPatch) -> None:
    receiver, sender = os.pipe()
    with os.fdopen(receiver, "r") as pipe:
        monkeypatch.setattr(sys, "stdin", pipe)
        with keys() as answers:
            os.write(sender, b" \n")
            assert answers.pressed() == [" ", "\n"]
            os.close(sender)
            assert answers.pressed() == []
            assert answers.ended
