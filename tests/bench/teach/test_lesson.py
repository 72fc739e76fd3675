"""The lesson sheet is true: its numbers are computed again from its seed, and its sentences hold for them."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path

import pytest

import quietfloor.bench.teach.lesson
from quietfloor.bench.teach.alarms import BATCH, AlarmCounter, null_runs
from quietfloor.bench.teach.choices import RULES
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS, named
from quietfloor.bench.teach.lesson import SECTIONS, SEED, alarms_of, filled
from quietfloor.bench.teach.minutes import HALF_HOUR, Minutes
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
    keys = {named(key) for action in ACTIONS for key in action.keys}
    assert set(re.findall(r"\*\*(\w+)\*\*", SHEET)) <= keys
    names = [key for action in ACTIONS for key in action.keys]
    assert len(names) == len(set(names))
    for _, title, key, *_ in SLIDERS:
        assert f"**{key}** {title}" in " ".join(SHEET.split()), title


def test_the_half_hour_of_the_sheet_is_the_one_that_is_walked_through() -> None:
    """Minutes, keys, their order and how often each is pressed."""
    rows = [line.split("|")[1:3] for line in SHEET.partition("## 1.")[0].splitlines() if re.match(r"\| \d+ to", line)]
    assert [minutes.strip() for minutes, _ in rows] == [*(part.minutes for part in HALF_HOUR), "27 to 30"]
    times = {"": 1, "twice": 2, "four times": 4, "ten times": 10, "three times": 3}
    for (_, told), part in zip(rows, HALF_HOUR, strict=False):
        pressed: list[tuple[str, int]] = []
        for key, often in re.findall(r"\*\*(.+?)\*\*(?: (twice|\w+ times(?! more)))?", told):
            repeated = 3 if key == "5" and "three times more" in told else 0
            pressed.append((key, times[often] + repeated))
        merged: dict[str, int] = {}
        for key, often in pressed:
            merged[key] = merged.get(key, 0) + often
        assert merged == dict(zip(part.keys, (often for _, often in part.steps), strict=True)), part.minutes
        assert list(merged) == list(part.keys)


@pytest.mark.parametrize("part", HALF_HOUR, ids=lambda part: part.minutes)
def test_every_step_of_the_half_hour_is_an_action_of_the_window(part: Minutes) -> None:
    assert set(part.actions) <= {action.name for action in ACTIONS}


def test_what_the_sheet_says_of_the_half_hour_holds() -> None:
    """Its sentences, in the numbers of the table that another test computes again."""
    rows = {line.split("|")[1].strip(): [cell.strip() for cell in line.split("|")[2:-1]] for line in section("walk")[2:]}

    def noises(minutes: str) -> tuple[float, float]:
        return tuple(float(cell.replace(",", "")) for cell in rows[minutes][1:3])  # type: ignore[return-value]

    assert rows["0 to 3"][1] == "not known"
    spread, left = noises("10 to 12")
    assert left > 20 * spread  # hum in step: the spread says all is well
    assert rows["10 to 12"][3:] == ["1.0", "none", rows["10 to 12"][5], "3 of 3"]
    assert rows["10 to 12"][5].startswith("yes")
    assert noises("12 to 14")[1] < left / 4  # the pause takes much of it away
    assert not rows["12 to 14"][5].startswith("yes")
    assert rows["12 to 14"][6] == "2 of 3"
    quiet, jittered = noises("14 to 15"), noises("15 to 17")
    assert quiet[0] == jittered[0]  # nothing looks wrong
    assert jittered[1] > 1.2 * jittered[0]  # but what is left no longer falls along the line
    # Movements: many sweeps are left in, and the spread tells it. Without them the noise of the usual EEG falls as 1/sqrt(N).
    usual, moving = noises("3 to 8"), noises("17 to 20")
    still_nv = usual[0] * math.sqrt(float(rows["3 to 8"][0].replace(",", "")) / float(rows["17 to 20"][0]))
    assert moving[0] > 5 * still_nv
    assert 0.8 < moving[1] / moving[0] < 1.25
    assert float(rows["17 to 20"][3]) < 0.2  # the halves no longer agree
    assert rows["17 to 20"][4] == "a response"
    assert int(re.fullmatch(r"yes at (\d+)", rows["17 to 20"][5])[1]) <= 512  # type: ignore[index]
    assert rows["17 to 20"][6] == "2 of 3"
    (row,) = [line for line in section("movements") if line.startswith("| 12 |")]
    rejected, plain, plain_left, weighted, weighted_left = (float(cell.replace(",", "")) for cell in row.split("|")[2:-1])
    assert 0 < rejected < 256  # some are rejected
    assert weighted < 1.3 * still_nv
    assert plain > 5 * weighted  # the others ruin the plain average, not the weighted one
    assert plain_left > 5 * weighted_left
    assert rows["20 to 24"][4] != rows["24 to 27"][4]  # one secret ear of each kind


def section(name: str) -> list[str]:
    """Lines of a table of the sheet."""
    return SHEET.partition(f"<!-- table {name} -->")[2].partition("<!-- end -->")[0].strip().splitlines()


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
