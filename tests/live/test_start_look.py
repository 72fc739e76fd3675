"""The start page looks at real streams on threads of its own, and a command that it begins leaves its words for it."""

from __future__ import annotations

import argparse
import time
import uuid
from collections.abc import Callable
from pathlib import Path

import pytest

from quietfloor.monitor.begin.draft import new, with_stream
from quietfloor.monitor.begin.lookout import Lookout
from quietfloor.monitor.begin.places import Places, Remembered
from quietfloor.monitor.cli import parser
from quietfloor.monitor.commands import start
from tests.live.harness import foreign
from tests.slow import patience

pytestmark = pytest.mark.lsl


def until(true: Callable[[], object], timeout_s: float = 30.0) -> None:
    end_s = time.monotonic() + patience(timeout_s)
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.02)


def test_streams_come_and_go_with_their_labels_and_nobody_waits(tmp_path: Path) -> None:
    name = f"lab-{uuid.uuid4().hex[:8]}"
    lookout = Lookout(Places(tmp_path / "settings", Remembered(str(tmp_path / "sessions"))))
    try:
        lookout.start()
        until(lambda: lookout.looks > 0)

        def found() -> list[tuple[str, ...]]:
            return [one.labels for one in lookout.seen.streams or () if one.name == name]

        assert found() == []
        with foreign(name, ["--channels", "2"]):
            until(lambda: found() == [("E1", "E2", "TRIG")])
            stream = next(one for one in lookout.seen.streams or () if one.name == name)
            began_s = time.monotonic()
            lookout.ask(with_stream(new("recording", "P01"), stream))
            assert time.monotonic() - began_s < patience(0.2)
            until(lambda: lookout.judged is not None and lookout.judged.proved)
            assert lookout.judged is not None
            assert lookout.judged.stopped_by is None
            seen = lookout.looks
            until(lambda: lookout.looks >= seen + 2)
            assert next(one for one in lookout.seen.streams or () if one.name == name) is stream  # not asked again
        until(lambda: found() == [])
        until(lambda: lookout.judged is not None and lookout.judged.stopped_by is not None)
        assert "not there" in lookout.judged.stopped_by.said  # type: ignore[union-attr]
    finally:
        lookout.close()
    assert not any(thread.is_alive() for thread in lookout._threads)


def test_a_command_of_the_page_ends_with_its_status_and_its_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments, status, words in (
        (("report", str(tmp_path / "nothing")), 2, "nothing"),
        (("run", str(tmp_path / "no.toml"), "--no-window"), 2, "cannot be read"),
        (("no-such-command",), 2, "invalid choice"),
    ):
        with start._kept() as (out, err):
            ended = start.perform(parser(), arguments)
        assert (ended, words in out.text + err.text) == (status, True), out.text + err.text
    assert "cannot be read" in capsys.readouterr().err  # the terminal has it as well


def test_a_fault_of_a_command_leaves_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(args: argparse.Namespace) -> int:
        raise ZeroDivisionError("of a command")

    program = argparse.ArgumentParser()
    program.set_defaults(do=broken)
    with start._kept() as (_, err):
        assert start.perform(program, ()) == 1
    assert "`quietfloor` met an error that it does not know (ZeroDivisionError: of a command)" in err.text
    assert "What was recorded before is kept. Try it once more; `quietfloor doctor` finds" in err.text
    assert "Traceback" not in err.text

    program.add_argument("name")
    with start._kept() as (_, err):
        assert start.perform(program, ("a b",)) == 1
    assert "`quietfloor 'a b'`" in err.text, "as it would be typed"


def test_only_the_last_words_are_kept() -> None:
    class Nowhere:
        def write(self, text: str) -> int:
            return len(text)

    kept = start._Kept(Nowhere())
    for number in range(10_000):
        kept.write(f"line {number}\n")
    assert len(kept.text) == start.MOST_KEPT
    assert kept.text.endswith("line 9999\n")
