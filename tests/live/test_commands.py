"""The other commands as a user starts them: what there is, what is missing, and the whole loop."""

from __future__ import annotations

import json
import re
import signal
import sys
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from quietfloor.monitor.cli import main, parser
from quietfloor.monitor.formats.xdf import read_xdf
from tests.live.harness import Outcome, Program, call, foreign

pytestmark = pytest.mark.lsl
COMMANDS = ("demo", "streams", "doctor", "run", "replay", "calibrate")


def test_streams_says_which_can_do_the_job() -> None:
    good, slow = (f"foreign-{uuid.uuid4().hex[:8]}" for _ in range(2))
    with (
        foreign(good, ["--channels", "2", "--source-id", "sn-5", "--stated", "uV"]),
        foreign(slow, ["--rate", "3600", "--labels", "", "--stated", "", "--seconds", "20"]),
        ThreadPoolExecutor(2) as pool,
    ):
        asked = pool.submit(call, "streams", "--wait", "1.5", "--json")
        read = pool.submit(call, "streams", "--wait", "1.5")
    outcome = asked.result()
    assert outcome.status == 0, outcome.err
    rows = {row["name"]: row for row in outcome.json["streams"]}
    assert rows[good]["usable"] is True
    assert rows[good]["channels"] == [
        {"number": 1, "label": "E1", "unit": "uV"},
        {"number": 2, "label": "E2", "unit": "uV"},
        {"number": 3, "label": "TRIG", "unit": ""},
    ]
    assert (rows[good]["rate_hz"], rows[good]["source_id"], rows[good]["format"]) == (8000.0, "sn-5", "float32")
    assert rows[slow]["usable"] is False
    found = " ".join(finding["text"] for finding in rows[slow]["findings"])
    for words in ("3600 Hz is too slow", "say by --unit", "name them by number", "no source id"):
        assert words in found
    said = read.result().out
    assert re.search(f"'{good}' .*: can be used", said)
    assert re.search(f"'{slow}' .*: cannot be the EEG of a run", said)
    assert "1 E1 in uV, 2 E2 in uV, 3 TRIG" in said


def test_every_option_that_a_sentence_names_exists() -> None:
    helps = ""
    for command in COMMANDS:
        with pytest.raises(SystemExit) as end:
            main([command, "--help"])
        assert end.value.code == 0
    source = Path(__file__).parents[2] / "monitor"
    named = {
        option
        for path in source.rglob("*.py")
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", path.read_text(encoding="utf-8"))
    }
    subcommands = parser()._subparsers._group_actions[0].choices  # type: ignore[union-attr]
    helps = " ".join(sub.format_help() for sub in subcommands.values())  # type: ignore[union-attr]
    elsewhere = {"--patient", "--audio-source-id", "--eeg-source-id", "--eeg-name", "--tube-delay-ms", "--help", "--version"}
    elsewhere |= {"--thresholds", "--persons", "--rates"}  # of `quietfloor validate`, which hands its words on
    elsewhere |= {"--upgrade", "--force-reinstall", "--user", "--break-system-packages", "--needed"}  # of package managers
    assert {option for option in named - elsewhere if option not in helps} == set()


def test_the_rig_gets_all_its_arguments() -> None:
    """Also where the first is an option: none of them is taken for one of ours."""
    helped = call("rig", "--help")
    assert helped.status == 0
    assert "--eeg-source-id" in helped.out
    wrong = call("rig", "--patient", "nobody", "--audio-source-id", "a", "--eeg-source-id", "b")
    assert wrong.status != 0
    assert "nobody" in wrong.err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([command, "--help"])
    said = capsys.readouterr().out
    assert re.search(r"examples?:\n  quietfloor " + command, said)
    assert "exit status: 0" in said
    assert "--json" in said


def test_doctor_looks_at_every_part(tmp_path: Path) -> None:
    outcome = call("doctor", "--json", "--out", str(tmp_path))
    found = outcome.json
    assert found["ready"] is (outcome.status == 0)
    parts = " ".join(check["part"].lower() for check in found["checks"])
    for part in ("python", "numpy", "scipy", "lsl"):
        assert part in parts
    for check in found["checks"]:
        assert check["state"] in ("ok", "warning", "missing")
        assert check["found"]
        if check["state"] == "missing":
            assert check["remedy"]
    assert "MISSING" not in outcome.err or not found["ready"]


def test_a_program_that_a_failed_test_waited_for_does_not_disturb_the_next_one() -> None:
    program = Program("streams", "--wait", "60")
    with pytest.raises(AssertionError, match="did not say 'never'"):
        program.until("never", give_up_s=0.1)
    assert program.process.poll() is not None


@pytest.fixture(scope="module")
def demonstrations(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Outcome | None, Path]:
    """One to its end, and at the same time one that is interrupted."""
    whole = Program("demo", "--only", "hearing", "--speed", "16", "--json", "--out", str(tmp_path_factory.mktemp("whole")))
    session = tmp_path_factory.mktemp("interrupted")
    interrupted = None
    try:
        if sys.platform != "win32":
            program = Program("demo", "--speed", "1", "--json", "--out", str(session))
            program.until("Undecided: evidence")
            program.signal(signal.SIGINT)
            interrupted = program.wait(60.0)
        return whole.wait(120.0), interrupted, session
    finally:
        whole.kill()


def test_the_whole_loop_on_one_command(demonstrations: tuple[Outcome, Outcome | None, Path]) -> None:
    outcome = demonstrations[0]
    assert outcome.status == 0, outcome.err
    (run,) = outcome.json["runs"]
    assert (run["scene"], run["verdict"], run["stopped_by"]) == ("hearing", "response_present", "response")
    assert (run["as_expected"], run["identical"]) == (True, True)
    folder = Path(run["folder"])
    record = json.loads((folder / "run.json").read_text())
    assert record["calibration"] == "virtual-earphone"
    assert record["stimulus"]["level_db_nhl"] == 60.0
    assert record["stimulus"]["underruns"] == 0
    assert record["stimulus"]["limited_samples"] == 0
    assert record["fault"] is None
    assert "timing not verified" in outcome.err
    recorded = read_xdf(folder / "raw.xdf")
    marks = [json.loads(text) for text in recorded.streams[2].samples[0]]
    assert [mark["sweep"] for mark in marks] == list(range(len(marks)))  # none lost, the last ones included
    assert len(marks) >= record["sweeps_presented"]
    assert len(marks) == record["stimulus"]["sweeps_played"]
    for stream in (1, 2):
        assert len(recorded.streams[stream].clock_offsets) >= 1
    kinds = [json.loads(line)["type"] for line in (folder / "events.jsonl").read_text().splitlines()]
    assert "trigger_silent" not in kinds  # the lead-in is silence that is meant


def test_the_session_holds_what_the_ears_got(demonstrations: tuple[Outcome, Outcome | None, Path]) -> None:
    (run,) = demonstrations[0].json["runs"]
    folder = Path(run["folder"])
    lines = [json.loads(line) for line in (folder.parent / "dose.jsonl").read_text().splitlines()]
    *reserved, last = [(line["run"], line["what"]) for line in lines]
    assert set(reserved) == {("run-001", "reserved")}  # some seconds at a time
    assert last == ("run-001", "played")
    dose = json.loads((folder / "run.json").read_text())["stimulus"]["dose"]
    assert dose["left_pa2s"] == lines[-1]["left_pa2s"] == 0
    assert 0 < dose["right_pa2s"] == lines[-1]["right_pa2s"] < lines[-2]["right_pa2s"]
    assert dose["left_db"] is None  # no sound at all has no level


def test_ctrl_c_ends_the_whole_demonstration(demonstrations: tuple[Outcome, Outcome | None, Path]) -> None:
    _, outcome, session = demonstrations
    if outcome is None:
        pytest.skip("POSIX signals")
    (run,) = outcome.json["runs"]
    assert (run["stopped_by"], run["identical"]) == ("operator", True)
    assert outcome.status == 1  # it did not end as it should
    assert "Traceback" not in outcome.err
    assert sorted(path.name for path in session.iterdir()) == ["dose.jsonl", "run-001"]
