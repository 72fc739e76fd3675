"""Bad input is refused before anything is recorded: what, which value, what is allowed, what next, and a fitting exit status."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

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


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[Outcome, Path, str]]]:
    """All of them on one amplifier, some at the same time."""
    name = f"foreign-{uuid.uuid4().hex[:8]}"

    def refused(case: str) -> tuple[Outcome, Path, str]:
        folder = tmp_path_factory.mktemp("refused")
        plan = folder / "plan.toml"
        given = list(REFUSED[case][0])
        if given and (" " in given[0] or "\n" in given[0]):
            plan.write_text(given[0].replace("STREAM", name))
            given[0] = str(plan)
        elif given and given[0] == "OPEN":
            plan.write_text(PLAN.replace("STREAM", name))
            given[0] = str(plan)
        given = [str(plan) if part == "PLANFILE" else part.replace("STREAM", name) for part in given]
        session = [] if "--out" in given else ["--out", str(folder / "session")]
        return call("run", *given, "--json", "--no-window", *session), folder / "session", name

    with foreign(name, ["--channels", "2", "--source-id", "sn-2", "--seconds", "60"]), ThreadPoolExecutor(3) as pool:
        yield dict(zip(REFUSED, pool.map(refused, REFUSED), strict=True))


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_a_reason_and_a_way_on(case: str, outcomes: dict[str, tuple[Outcome, Path, str]]) -> None:
    outcome, session, name = outcomes[case]
    _, status, words = REFUSED[case]
    assert outcome.status == status, outcome.err
    assert "Traceback" not in outcome.err
    said = outcome.json
    assert said["exit_status"] == status
    assert said["error"] in outcome.err
    for word in words:
        assert word.replace("STREAM", name) in said["error"]
    assert not session.exists()  # nothing was begun


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
        ask = ["run", "--listen", "--stream", name, "--eeg", "E1", "--trigger", "TRIG", "--json", "--out", str(tmp_path / "s")]
        with ThreadPoolExecutor(2) as pool:
            guess = pool.submit(call, *ask)
            told = pool.submit(call, *ask, "--source-id", "right", "--max-sweeps", "32")
        refused = guess.result()
        assert refused.status == 1
        for words in ("2 streams fit", "source id 'left'", "source id 'right'", "Add --source-id"):
            assert words in refused.json["error"]
        assert told.result().status == 0, told.result().err
        assert told.result().json["stream"]["source_id"] == "right"
