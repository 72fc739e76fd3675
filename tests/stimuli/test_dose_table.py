"""The table of minutes against sums written out, and against the page that shows it."""

import math
from pathlib import Path

import pytest

from quietfloor.stimuli.dose import DAY_DB
from quietfloor.stimuli.dose_table import entries, time_words
from tests.live.harness import call

DOCS = Path(__file__).parents[2] / "docs" / "sound.md"
# 0 dB nHL, dB p-p.e. on an occluded-ear simulator (ISO 389-6, from memory), and the energy of one 2-1-2 burst with linear ramps,
# that of 7/3 cycles of a sine (computed); a click is 100 us of a square, 9.03 dB above the sine of its peak-to-peak value
ZEROS = {None: (35.5, 9.03 + 10 * math.log10(100e-6)), 500.0: (23.5, 10 * math.log10(7 / 3 / 500)),
         1000.0: (21.5, 10 * math.log10(7 / 3 / 1000)), 2000.0: (28.5, 10 * math.log10(7 / 3 / 2000)),
         4000.0: (32.5, 10 * math.log10(7 / 3 / 4000))}  # fmt: skip


def test_before_there_were_steps_a_sound_lasted_as_its_energy_says():
    for one in entries((70.0, 80.0)):
        zero, energy = ZEROS[one.frequency_hz]
        limit = DAY_DB - 5.0 if "child" in one.age else DAY_DB
        flat = 20.0 if "infant" in one.age else 0.0
        db = limit - flat - (zero + one.level_db_nhl + energy + 10 * math.log10(47.1))
        assert 10 * math.log10(one.before_s) == pytest.approx(db, abs=0.2)  # 100 us are no whole number of samples
        assert 10 * math.log10(one.seconds) == pytest.approx(db + flat - one.steps_db, abs=0.2)


def test_a_policy_gives_as_many_times_more_minutes():
    for one, more in zip(entries((70.0,)), entries((70.0,), times=3.0), strict=True):
        assert more.seconds == pytest.approx(3.0 * one.seconds)
        assert more.before_s == pytest.approx(one.before_s)


def test_a_coupler_that_reads_less_allows_less():
    # what 84.5 dB on it are on a simulator is 80 dB nHL on both, so that the time is the same but for the steps (note 5)
    for one, on_2cc in zip(entries((70.0,)), entries((70.0,), "2cc"), strict=True):
        assert on_2cc.seconds == pytest.approx(one.seconds, rel=0.2)


def test_the_page_shows_what_the_command_prints():
    said = call("dose", "--before")
    assert said.status == 0
    rows = [line for line in said.out.splitlines() if "| 80 |" in line]
    assert len(rows) == 6
    assert all(row in DOCS.read_text(encoding="utf-8") for row in rows)


def test_every_step_has_its_source():
    said = call("dose", "--steps", "--json")
    assert said.status == 0
    assert {row["status"] for row in said.json["steps"]} <= {"verified", "secondary", "from memory"}
    assert all(row["source"] or row["db"] == 0.0 for row in said.json["steps"])


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(9.6, "10 s"), (90, "1.5 min"), (599, "10.0 min"), (3600, "60 min"), (7200, "2 h"), (90_000, "over 24 h"),
     (math.inf, "over 24 h"), (math.nan, "-")],
)  # fmt: skip
def test_durations_in_words(seconds, words):
    assert time_words(seconds) == words
