"""The frame tells crashes from answers; text files that are broken are refused in words; what once crashed is refused."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import quietfloor.bench.devtools.fuzz_target
from quietfloor.bench.devtools.fuzz import main, text
from quietfloor.bench.devtools.fuzz_inputs import MOST_BYTES, each_input
from quietfloor.bench.devtools.fuzz_target import Outcome, Target, try_one, unclear
from quietfloor.bench.devtools.fuzz_text import TARGETS
from quietfloor.bench.devtools.fuzz_work import all_targets, fuzz
from quietfloor.monitor.storage.record_schema import checked_plan, checked_record
from quietfloor.monitor.waves.curve_noise import WaveNoise
from tests.slow import patience

SEED = b"a = 1\n"
SLOW = {"run.json", "run.json-raw", "run-plan", "run-plan-replay", "events", "events-finish", "begun", "average", "marks",
        "check", "session-state", "session-folder-plan"}  # fmt: skip
BY_NAME = {target.name: target for target in TARGETS}
forks = pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")  # of Python 3.12, for each fork beside threads


class Refusal(Exception):
    """Of the targets here."""


def target_of(carry: Callable[[bytes, Path], None], name: str = "made") -> Target:
    return Target(name, lambda _: [SEED], carry, (Refusal,))


def refuse(words: str) -> Callable[[bytes, Path], None]:
    def carry(data: bytes, scratch: Path) -> None:
        raise Refusal(words)

    return carry


def busy(data: bytes, scratch: Path) -> None:
    until_s = time.thread_time() + 0.4
    while time.thread_time() < until_s:
        pass


def write_beside(data: bytes, scratch: Path) -> None:
    (scratch.parent / "elsewhere").write_bytes(data)


def remove_beside(data: bytes, scratch: Path) -> None:
    (scratch / ".." / "kept").unlink()


def deep(data: bytes, scratch: Path) -> None:
    deep(data, scratch)


@pytest.mark.parametrize(
    ("carry", "kind", "where"),
    [
        (lambda data, scratch: None, "accepted", ""),
        (lambda data, scratch: (scratch / "in").write_bytes(data), "accepted", ""),
        (refuse("a = 2: give 1"), "refused", ""),
        (refuse("  "), "crash", "without words"),
        (refuse("x" * 2001), "crash", "too long"),
        (refuse("a\x1b[2J"), "crash", "control characters"),
        (refuse("a\u202eb"), "crash", "control characters"),
        (refuse("\udc80"), "crash", "control characters"),
        (lambda data, scratch: [][0], "crash", "IndexError"),
        (lambda data, scratch: sys.exit(1), "crash", "SystemExit"),
        (deep, "crash", "RecursionError"),
        (busy, "crash", "too slow"),
        (write_beside, "crash", "outside of its folder"),
        (remove_beside, "crash", "outside of its folder"),
        (lambda data, scratch: os.system("true"), "crash", "outside of its folder"),
    ],
)
def test_the_frame_tells_crashes_from_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, carry: Callable[[bytes, Path], None], kind: str, where: str
) -> None:
    monkeypatch.setattr(quietfloor.bench.devtools.fuzz_target, "MOST_CPU_S", 0.3)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    (tmp_path / "kept").touch()
    outcome = try_one(target_of(carry), b"data", scratch)
    assert (outcome.kind, where in outcome.where) == (kind, True), outcome


def test_usual_text_is_clear() -> None:
    assert unclear("plan.toml: floor_nv = -1 nV: give more than 0 \u2013 usually 15 µV\n\tand so on") == ""


def inputs(seeds: list[bytes], number: str, count: int = 300) -> list[bytes]:
    made: list[bytes] = []
    each_input(made.append, seeds, (b"word",), count, number)
    return made


def test_inputs_follow_from_the_seed_and_are_bounded() -> None:
    seeds = [b'[a]\nb = 1\nc = "x"\n', b'{"a": [1, 2.5, null]}\n']
    made = inputs(seeds, "1")
    assert made == inputs(seeds, "1")
    assert made != inputs(seeds, "2")
    assert len(made) == 300
    assert len(set(made)) > 200
    assert any(b"word" in one for one in made)
    assert any(seeds[0][:4] in one and one not in seeds for one in made)  # not only what is refused at its first byte
    assert max(map(len, made)) > 10_000
    assert max(map(len, inputs([b"a" * MOST_BYTES], "1", 20))) <= MOST_BYTES
    assert inputs([b""], "1", 50)


def dies(data: bytes, scratch: Path) -> None:
    if len(data) % 7 == 1:
        os.kill(os.getpid(), 9)
    raise Refusal("no")


def fills(data: bytes, scratch: Path) -> None:
    """300 MB that are used, or 4 GB that are only asked for."""
    if data != SEED:
        np.ones(int(3e8 / 8)) if len(data) % 2 else np.empty(int(4e9 / 8))
    raise Refusal("no")


@forks
def test_a_process_that_dies_is_counted_and_another_goes_on(tmp_path: Path) -> None:
    target = target_of(dies)
    (tally,) = fuzz([target], 150, 10.0, 1, 1, tmp_path)
    deadly = tally.crashes
    assert (tally.inputs, tally.refused) == (150, 150 - deadly)
    assert tally.places == {"ended the process (SIGKILL)": deadly}
    assert deadly > 2
    assert f"CRASH {deadly:>5} x ended the process (SIGKILL)" in text([tally])
    assert all(path.stat().st_size % 7 == 1 for path in tmp_path.rglob("*.input"))


@forks
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is limited on Linux")
def test_memory_is_limited(tmp_path: Path) -> None:
    (tally,) = fuzz([target_of(fills)], 12, 10.0, 1, 1, tmp_path)
    assert tally.inputs == 12
    assert any(place.startswith("MemoryError") for place in tally.places)
    assert tally.places["too much memory"] >= 1  # later ones are seen where they take still more
    assert 256 < tally.most_mb < 400


@forks
def test_the_program_counts_and_names_what_it_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--inputs", "50", "--only", "settings,lock", "--keep", str(tmp_path)]) == 0
    table = capsys.readouterr().out.splitlines()
    assert table[0].split()[:4] == ["target", "inputs", "accepted", "refused"]
    assert [line.split()[:2] for line in table[1:]] == [["settings", "50"], ["lock", "50"], ["all", "100"]]
    with pytest.raises(SystemExit):
        main(["--only", "nonsense"])


def test_names_are_one_each() -> None:
    assert len({target.name for target in TARGETS}) == len(TARGETS)
    assert set(BY_NAME) <= set(all_targets())


@pytest.mark.parametrize("count", [30, pytest.param(120, marks=pytest.mark.long)])
@pytest.mark.parametrize("name", sorted(set(BY_NAME) - SLOW))
def test_broken_text_is_refused_in_words(tmp_path: Path, name: str, count: int) -> None:
    assert run(tmp_path, BY_NAME[name], count) == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["run.json", "events-finish", "session-state"])
def test_broken_files_of_a_run_are_refused_in_words(tmp_path: Path, name: str) -> None:
    assert run(tmp_path, BY_NAME[name], 10) == []


def run(folder: Path, target: Target, count: int) -> list[object]:
    home, scratch = folder / "home", folder / "scratch"
    home.mkdir()
    scratch.mkdir()
    seeds = list(target.seeds(home))
    whole = [try_one(target, data, scratch) for data in seeds]
    if target.name != "lock":  # whose whole file is a refusal
        assert {outcome.kind for outcome in whole} == {"accepted"}, whole
    outcomes: list[Outcome] = []
    each_input(lambda data: outcomes.append(try_one(target, data, scratch)), seeds, target.dictionary, count, target.name)
    assert len(outcomes) == count
    return [one for one in outcomes if one.kind == "crash"]


# What crashed once, as small as it could be made: target, input, words of the refusal.
ONCE = [
    ("patient", b"\x98", "is not TOML"),
    ("plan", b'[sound]\ncalibration = "a\\u0000b"\n', "is no path of a file"),
    ("plan", b'[timing]\ncertificate = "loop"\n[stream]\neeg = [1]\ntrigger = 2\n', "is no path of a file"),
    ("session-plan", b'[hearing]\nown = "loop"\n', "is no path of a file"),
    ("plan", b'[stream]\nunit = "' + b"u" * 30_000 + b'"\n', "unit"),
    ("plan", b'[stream]\n"\\u001b[2J" = 1\n', r"\x1b[2J"),
    ("plan", b"[analysis]\nlatency_ms = [-1.0, 10.0]\n", "latency_ms"),
    ("references", b'[[reference]]\nstimulus = {}\ntransducer = "insert"\ncoupler = "x"\nlevel_db_ppe_spl = 35.5\n'
     b'source = "x"\nstatus = "verified"\n', "stimulus: should be a valid string"),
    ("norms", b'[[latency]]\nx = "' + b"x" * 5000 + b'"\n', "unknown x"),
    ("certificate", b'format = "quietfloor timing certificate 1"\n' + b"[[measured]]\n" * 70_000, "at most 1,000 are allowed"),
    ("plan", b"[stream]\neeg = [" + b"1," * 400_000 + b"]\n", "at most 50,000 are allowed"),
    ("hearing-tables", b"[[row]]\n" * 300_000, "longer than the 1,000,000 characters"),
    ("session-plan", b'[[condition]]\near = "left"\n' * 101, "at most 100"),
    ("settings", b"output=" + b"[" * 20_000, ""),
    ("settings", b"output=" + b"9" * 6000, ""),
    ("settings", b"q\xf0e" + b"[" * 3000, "write KEY=VALUE"),
]


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("run.json-raw", b"\x98", "run.json is damaged"),
        ("run.json-raw", b"{" + b" " * 4_000_000, "run.json is damaged"),
        ("events-finish", b"[]\n", "is no event of a run"),
        ("session-state", b'{"format": "quietfloor session 1", "began": "", "coming": null, '
         b'"runs": {"1": {"notes": [{"at": ""}]}}}', "session.json is damaged"),
        ("events-finish", b'{"type":"verdict","sample":1}\n', "is no event of a run"),
        ("run.json", b'{"verdict": null, "stream": {}, "seed": "x"}', ""),
        ("run.json", b'{"verdict": null, "stream": {}, "alpha": NaN}', ""),
        ("begun", b'{"format": "quietfloor begun run 1", "stimulus": {"masking": "x", "level_db_nhl": "x"}}', None),
    ],
)
def test_what_once_crashed_in_the_folder_of_a_run_is_told(tmp_path: Path, name: str, data: bytes, words: str | None) -> None:
    home, scratch = tmp_path / "home", tmp_path / "scratch"
    home.mkdir()
    scratch.mkdir()
    BY_NAME[name].seeds(home)
    outcome = try_one(BY_NAME[name], data, scratch)
    assert outcome.kind == ("accepted" if words is None else "refused"), outcome
    assert (words or "") in outcome.words


def test_records_are_held_to_their_kinds() -> None:
    assert checked_record({"verdict": None, "stimulus": {"level_db_nhl": 40, "later": "key"}})
    for record, words in (
        ([], "no table"),
        ({"alpha": "x"}, "alpha = 'x': should be a number"),
        ({"alpha": True}, "should be a number"),
        ({"filter": {"low_hz": 0}}, "filter.low_hz = 0: should be a number above 0"),
        ({"rejected": {"peak": 1.5}}, "whole numbers"),
        ({"stimulus": {"masking": "white"}}, "stimulus.masking = 'white': should be a table"),
        ({"any": [{"deep": 1e300}]}, "any.deep"),
        ({"verdict": "perhaps"}, "verdict = 'perhaps': should be a verdict"),
    ):
        with pytest.raises(ValueError, match=re.escape(words)):
            checked_record(record)
    for key, pair, words in (
        ("window_ms", [10.0, 5.0], "two rising times within 1000 ms"),
        ("window_ms", [5.0, 17179869184.0], "two rising times within 1000 ms"),  # took 128 GB
        ("latency_ms", [-1e9, 8.0], "two rising times within 1000 ms"),
        ("band_hz", [1500.0, 100.0], "two rising numbers"),
    ):
        with pytest.raises(ValueError, match=words):
            checked_plan({"analysis": {key: pair}})


def test_a_long_window_takes_no_gigabytes() -> None:
    noise, times_ms = WaveNoise(10.0, (100.0, 1500.0)), np.arange(600) / 20
    pairs = noise.difference_sd(times_ms[:, np.newaxis] - times_ms)
    one_by_one = [noise.difference_sd(np.array([lag_ms]))[0] for lag_ms in times_ms]
    np.testing.assert_allclose(pairs[0], one_by_one, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(pairs, pairs.T)


@pytest.mark.parametrize(("name", "data", "words"), ONCE)
def test_what_once_crashed_is_refused(
    tmp_path: Path, name: str, data: bytes, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    allowed = quietfloor.bench.devtools.fuzz_target
    monkeypatch.setattr(allowed, "MOST_CPU_S", patience(allowed.MOST_CPU_S))
    outcome = try_one(BY_NAME[name], data, tmp_path)
    assert outcome.kind == ("refused" if words else "accepted"), outcome
    assert words in outcome.words
