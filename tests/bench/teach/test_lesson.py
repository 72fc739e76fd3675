"""The lesson sheet is true: its numbers are computed again from its seed, and its sentences hold for them."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

import quietfloor.bench.teach.lesson
from quietfloor.bench.teach.alarms import BATCH, AlarmCounter, null_runs
from quietfloor.bench.teach.choices import RULES
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS
from quietfloor.bench.teach.lesson import SECTIONS, SEED, alarms_of, filled
from quietfloor.bench.teach.program import main, walk
from tests import warm
from tests.slow import patience

SHEET = Path(quietfloor.bench.teach.lesson.__file__).with_name("lesson.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "name", [name if name in ("noise", "alarms") else pytest.param(name, marks=pytest.mark.long) for name in SECTIONS]
)
def test_every_table_of_the_sheet_is_what_its_seed_gives(name: str) -> None:
    assert f"seed {SEED}" in SHEET
    assert SECTIONS[name](SEED).markdown in SHEET


def test_the_sheet_has_every_table_once() -> None:
    assert re.findall(r"<!-- table (\w+) -->", SHEET) == list(SECTIONS)
    assert filled("no table\n") == "no table\n"


def test_keys_of_the_sheet_are_keys_of_the_window() -> None:
    keys = {key for action in ACTIONS for key in action.keys}
    assert set(re.findall(r"\*\*(\w+)\*\*", SHEET)) <= keys
    names = [key for action in ACTIONS for key in action.keys]
    assert len(names) == len(set(names))
    assert {title for _, title, _, _ in SLIDERS} >= {"hum", "rate", "jitter", "movements"}


def test_null_runs_do_not_depend_on_how_they_are_asked_for() -> None:
    whole = null_runs(1, range(2 * BATCH))
    counter = AlarmCounter(1)
    counter.more()
    assert counter.more() == whole
    assert whole.runs == 2 * BATCH
    assert null_runs(2, range(2 * BATCH)) != whole


def test_the_valid_rule_keeps_its_promise_and_the_naive_ones_do_not() -> None:
    """Exact intervals: the valid rule's upper bound holds 1 %; asking a right test again and again goes beyond it."""
    alarms = alarms_of(SEED)
    names = [name for name, _, _ in RULES]
    valid, again, fsp, eye = (alarms.of(place) for place in range(len(names)))
    assert names[0] == "evidence"
    assert valid.low <= 0.01
    assert again.low > 0.01
    assert fsp.count == 0
    assert eye.low > 0.5


def test_the_counter_works_beside_and_stops_when_it_is_told() -> None:
    counter = AlarmCounter(3)
    counter.start()
    counter.start()  # once is enough
    counter.stop()
    assert not counter.on
    assert counter.failure == ""
    before = counter.alarms
    assert before == null_runs(3, range(before.runs)) if before.runs else before.counts == (0,) * len(RULES)
    counter.start()
    counter.stop()
    assert counter.alarms.runs >= before.runs


@pytest.mark.long
def test_the_lesson_as_text_has_its_tables(capsys: pytest.CaptureFixture[str]) -> None:
    walk(SEED)
    said = capsys.readouterr().out
    for section in SECTIONS.values():
        assert section(SEED).plain in said
    assert "<!--" not in said


def test_the_command_of_the_demo_starts_it_and_may_be_read_in_part() -> None:
    """Whoever reads only the first table, as `head` does, makes no error of it."""
    command = [sys.executable, "-m", "quietfloor.monitor.cli", "demo", "--teach", "--no-window"]
    with warm.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        lines: list[str] = []
        while "1024 " not in "".join(lines):
            lines.append(process.stdout.readline())
            assert lines[-1], "it ended too soon"
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(patience(120)) == 0
    assert SECTIONS["noise"](SEED).plain.splitlines()[0] in "".join(lines)


def test_a_seed_that_is_none_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["--seed", "-1"])
    assert "give 0 or more" in capsys.readouterr().err
