"""Bad input is refused before anything is recorded: what, which value, what is allowed, what next, and a fitting exit status."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from quietfloor.monitor.cli import main
from tests.live.harness import Outcome, call, foreign

pytestmark = pytest.mark.lsl

PLAN = '[stream]\nname = "STREAM"\neeg = ["E1"]\ntrigger = "TRIG"\n'
SOUND = "[sound]\nlevel_db_fs = -40\n"
BENCH = "[sound]\nlevel_db_nhl = 40\n"

# Arguments (a plan's text stands for its file), exit status, and words that must be in the one error.
REFUSED: dict[str, tuple[list[str], int, tuple[str, ...]]] = {
    "nothing given": ([], 2, ("PLAN.toml", "--listen", "quietfloor run --help")),
    "no channel named": (["--listen", "--stream", "STREAM"], 2, ("--eeg", "--trigger", "quietfloor streams")),
    "no such plan": (["nowhere.toml"], 2, ("nowhere.toml", "cannot be read")),
    "no TOML": (["name STREAM"], 2, ("is not TOML", "line 1")),
    "unknown key": ([PLAN + "[decision]\nmax_sweep = 3\n"], 2, ("unknown key decision.max_sweep", "did you mean max_sweeps?")),
    "unknown table": ([PLAN + "[stimulus]\n"], 2, ("unknown key stimulus", "allowed here are", "sound")),
    "rate locked to the mains": (
        [PLAN + SOUND + "rate_per_s = 50\n[analysis]\nwindow_ms = [5, 15]\n"],
        2,
        ("rate_per_s = 50", "mains", "use 4"),
    ),
    "rate too fast": ([PLAN + SOUND + "rate_per_s = 500\n"], 2, ("sound.rate_per_s = 500", "less than or equal to 100")),
    "window beyond the next sound": (
        [PLAN + SOUND + "rate_per_s = 81.3\n"],
        2,
        ("window_ms ends at 17 ms", "81.3/s", "12.3 ms", "end the window earlier"),
    ),
    "level without a calibration": ([PLAN + BENCH], 2, ("level_db_nhl = 40", "calibration", "level_db_fs")),
    "calibration missing": ([PLAN + BENCH + 'calibration = "none.toml"\n'], 2, ("none.toml",)),
    "alpha": (["OPEN", "--alpha", "0.5"], 2, ("decision.alpha = 0.5", "less than or equal to 0.2")),
    "band turned round": (["OPEN", "--band", "1500,100"], 2, ("band_hz = 1500 to 100", "first number must be below")),
    "unknown unit": (["OPEN", "--unit", "parsec"], 2, ("unit = 'parsec'", "uV, mV or V")),
    "band beyond the stream's rate": (["OPEN", "--band", "100,5000"], 2, ("5000 Hz", "3600 Hz", "8000 Hz stream", "12000 Hz")),
    "window outside any epoch": (["OPEN", "--window", "5,900"], 2, ("900 ms", "-200 to 200 ms")),
    "window of nothing": (["OPEN", "--window", "5,5.5"], 2, ("window_ms = 5 to 5.5", "widen")),
    "no such stream": (
        ["--listen", "--stream", "absent", "--eeg", "1", "--trigger", "2", "--wait", "1"],
        1,
        ("'absent'", "Visible", "STREAM"),
    ),
    "wrong channel": (
        ["--listen", "--stream", "STREAM", "--eeg", "Cz", "--trigger", "TRIG"],
        1,
        ("no channel 'Cz'", "1 'E1', 2 'E2', 3 'TRIG'"),
    ),
    "channel number too high": (
        ["--listen", "--stream", "STREAM", "--eeg", "4", "--trigger", "TRIG"],
        1,
        ("channel number 4 is outside 1 to 3",),
    ),
    "EEG is the trigger": (
        ["--listen", "--stream", "STREAM", "--eeg", "E1,3", "--trigger", "TRIG"],
        1,
        ("also named as EEG", "channel of its own"),
    ),
    "a file where the session folder should be": (["OPEN", "--out", "PLANFILE"], 1, ("cannot make a run in", "another --out")),
}


ON_A_STREAM = tuple(REFUSED)[tuple(REFUSED).index("band beyond the stream's rate") :]


def given(case: str, folder: Path, name: str) -> list[str]:
    """The arguments of a case, with its plan written to a file where it has one."""
    plan = folder / "plan.toml"
    first, *others = REFUSED[case][0] or [""]
    if first == "OPEN":
        first = PLAN
    if " " in first or "\n" in first:
        plan.write_text(first.replace("STREAM", name))
        first = str(plan)
    parts = [str(plan) if part == "PLANFILE" else part.replace("STREAM", name) for part in (first, *others) if part]
    session = [] if "--out" in parts else ["--out", str(folder / "session")]
    return ["run", *parts, "--json", "--no-window", *session]


def check(case: str, status: int, out: str, err: str, folder: Path, name: str) -> None:
    assert status == REFUSED[case][1], err
    assert "Traceback" not in err
    said = json.loads(out)
    assert said["exit_status"] == status
    assert said["error"] in err
    for word in REFUSED[case][2]:
        assert word.replace("STREAM", name) in said["error"]
    assert not (folder / "session").exists()  # nothing was begun


@pytest.mark.parametrize("case", [case for case in REFUSED if case not in ON_A_STREAM])
def test_a_plan_is_refused_before_any_stream_is_looked_for(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = main(given(case, tmp_path, "nobody"))
    said = capsys.readouterr()
    check(case, status, said.out, said.err, tmp_path, "nobody")


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[Outcome, Path, str]]]:
    """All that need a stream, on one amplifier, some at the same time."""
    name = f"foreign-{uuid.uuid4().hex[:8]}"

    def refused(case: str) -> tuple[Outcome, Path, str]:
        folder = tmp_path_factory.mktemp("refused")
        return call(*given(case, folder, name)), folder, name

    with foreign(name, ["--channels", "2", "--source-id", "sn-2", "--seconds", "60"]), ThreadPoolExecutor(3) as pool:
        yield dict(zip(ON_A_STREAM, pool.map(refused, ON_A_STREAM), strict=True))


@pytest.mark.parametrize("case", ON_A_STREAM)
def test_what_does_not_fit_the_stream_is_refused(case: str, outcomes: dict[str, tuple[Outcome, Path, str]]) -> None:
    outcome, folder, name = outcomes[case]
    check(case, outcome.status, outcome.out, outcome.err, folder, name)


def test_arguments_that_cannot_be_read() -> None:
    for given, words in (
        (["run", "--band", "100"], "give two numbers with a comma, such as 100,1500"),
        (["run", "--eeg", "1,,2"], "labels or numbers with commas between them"),
        (["run", "--alpha", "small"], "invalid float value: 'small'"),
        (["listen"], "invalid choice: 'listen'"),
    ):
        outcome = call(*given)
        assert outcome.status == 2
        assert words in outcome.err
        assert "Traceback" not in outcome.err


def test_two_streams_alike_are_never_chosen_between(tmp_path: Path) -> None:
    name = f"foreign-{uuid.uuid4().hex[:8]}"
    with foreign(name, ["--source-id", "left"]), foreign(name, ["--source-id", "right"]):
        ask = ["run", "--listen", "--stream", name, "--eeg", "E1", "--trigger", "TRIG", "--json"]
        with ThreadPoolExecutor(2) as pool:
            guess = pool.submit(call, *ask, "--out", str(tmp_path / "guess"))
            told = pool.submit(call, *ask, "--out", str(tmp_path / "told"), "--source-id", "right", "--max-sweeps", "32")
        refused = guess.result()
        assert refused.status == 1
        for words in ("2 streams fit", "source id 'left'", "source id 'right'", "Add --source-id"):
            assert words in refused.json["error"]
        assert told.result().status == 0, told.result().err
        assert told.result().json["stream"]["source_id"] == "right"
