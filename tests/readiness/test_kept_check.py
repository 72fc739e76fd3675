"""What a check found is kept in the folder of the run and read again; a damaged file is refused with a reason."""

from __future__ import annotations

import datetime
import json
import math
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.readiness.cautions import CAUTIONS, VERSION, acknowledge
from quietfloor.monitor.readiness.findings import Finding, Group
from quietfloor.monitor.readiness.kept_check import FORMAT, KeptFinding, check_record, read_check
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.storage.run_folder import RunFolder

NOON = datetime.datetime(2026, 3, 1, 12, 0, tzinfo=datetime.UTC)
HUM = Finding("mains", "look", "50 Hz 14 uV", "move cables", "Cz", 14.0, "uV", 5.0, "own choice", (("50.0 Hz", 14.0),))
REPORT = Report(
    (
        Group("electrodes", "Electrodes", (Finding("signal", "stop", "all zero", "start it", "Cz", 100.0, "%"), HUM)),
        Group("trigger", "Trigger", (Finding("trigger", "wait", "listening"),)),
    ),
    ("Seat the earphone fully.",), "Amp, 8000 Hz", "Amp", 6.5, True, stamp_s=1234.5,
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    return RunFolder.create(tmp_path)


def test_everything_that_was_found_is_kept(folder: RunFolder) -> None:
    acknowledged = acknowledge("set-up panel", NOON, REPORT.stops)
    folder.write_json(folder.check.name, check_record(REPORT, NOON, acknowledged, "OSError: gone"))
    kept = folder.read_json(folder.check.name)
    assert (kept["format"], kept["at"], kept["ready"]) == (FORMAT, "2026-03-01T12:00:00+00:00", False)
    assert (kept["seconds"], kept["stamp_s"], kept["failure"]) == (6.5, 1234.5, "OSError: gone")
    assert kept["cautions"] == {"version": VERSION, "text": list(CAUTIONS)}
    assert kept["findings"][1] == {
        "group": "electrodes", "about": "mains", "subject": "Cz", "severity": "look", "said": "50 Hz 14 uV",
        "remedy": "move cables", "value": 14.0, "unit": "uV", "limit": 5.0, "basis": "own choice", "parts": {"50.0 Hz": 14.0},
    }  # fmt: skip
    assert kept["findings"][2]["value"] is None
    found = read_check(folder)
    assert found is not None
    assert found.findings == (
        KeptFinding("electrodes", "signal", "stop", "all zero", "Cz", "start it"),
        KeptFinding("electrodes", "mains", "look", "50 Hz 14 uV", "Cz", "move cables"),
        KeptFinding("trigger", "trigger", "wait", "listening"),
    )
    assert found.despite == ("signal of Cz: all zero", "trigger: listening")
    assert found.sentence == (
        "checked before it at 2026-03-01T12:00:00+00:00: Not ready: 1 point to mend first, 1 point to look at; "
        "begun despite signal of Cz: all zero; trigger: listening"
    )


def test_a_report_before_any_sample_is_kept_too(folder: RunFolder) -> None:
    unheard = Report((), ())
    assert math.isnan(unheard.stamp_s)
    folder.write_json(folder.check.name, check_record(unheard, NOON))
    kept = folder.read_json(folder.check.name)
    assert (kept["stamp_s"], kept["acknowledged"], kept["failure"], kept["findings"]) == (None, None, None, [])
    found = read_check(folder)
    assert found is not None
    assert found.despite == ()


def test_a_folder_without_one_has_none(folder: RunFolder) -> None:
    assert read_check(folder) is None


def test_one_that_was_kept_by_hand_is_read_although_it_lacks_keys_of_today(folder: RunFolder) -> None:
    noise = {"group": "electrodes", "about": "noise", "said": "2 uV", "severity": "ok"}
    old = {"ready": True, "summary": "Ready", "findings": [noise]}
    folder.write_json(folder.check.name, old)
    found = read_check(folder)
    assert found is not None
    assert found.sentence == "checked before it: Ready"


DAMAGED: list[tuple[str, str]] = [
    ("{", "Expecting"),
    ("[]", "no table"),
    ('{"findings": 5}', "list of tables"),
    ("{}", "list of tables"),
    ('{"findings": [5]}', "list of tables"),
    ('{"findings": [{"severity": "fine"}]}', "'fine': should be ok, wait, look, stop"),
    ('{"findings": [{"severity": "ok", "said": 5}]}', "said = 5: should be text"),
    ('{"findings": [], "format": "quietfloor check 9"}', "this program knows"),
    ('{"findings": [], "acknowledged": 5}', "acknowledged: should be"),
    ('{"findings": [], "acknowledged": {"despite": "all"}}', "acknowledged: should be"),
    ('{"findings": [], "acknowledged": {"despite": [5]}}', "should be text"),
    ('{"findings": [], "summary": ["x"]}', "summary"),
]


@pytest.mark.parametrize(("content", "said"), DAMAGED)
def test_a_damaged_one_is_refused_with_the_reason(folder: RunFolder, content: str, said: str) -> None:
    folder.check.write_text(content, encoding="utf-8")
    with pytest.raises(ValueError, match=said):
        read_check(folder)


def test_text_from_others_stays_on_one_line(folder: RunFolder) -> None:
    folder.write_json(folder.check.name, {"findings": [], "summary": "a\x1b[2Jb\nc" + 9000 * "x"})
    found = read_check(folder)
    assert found is not None
    assert found.summary.isprintable()
    assert len(found.summary) < 3000


def test_it_is_written_again_where_it_was_deleted_during_the_run(folder: RunFolder) -> None:
    folder.write_json(folder.check.name, check_record(REPORT, NOON))
    assert folder.is_whole
    folder.check.unlink()
    assert not folder.is_whole
    assert folder.restore() == ["check.json"]
    assert read_check(folder) is not None


def test_a_replay_says_what_was_found_and_goes_on_without_a_damaged_one(
    finished_run: RunFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    def replayed() -> tuple[int, Any]:
        status = main(["replay", str(finished_run.path), "--no-window"])
        return status, capsys.readouterr()

    status, said = replayed()
    assert (status, "checked before it" in said.out) == (0, False)
    finished_run.write_json("check.json", check_record(REPORT, NOON))
    status, said = replayed()
    assert status == 0
    assert "checked before it at 2026-03-01T12:00:00+00:00: Not ready: 1 point to mend first, 1 point to look at" in said.out
    finished_run.check.write_text(json.dumps({"findings": 5}), encoding="utf-8")
    status, said = replayed()
    assert status == 0
    assert "check.json cannot be used (findings: should be a list of tables)" in said.err


@pytest.fixture(scope="module")
def finished_run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """A run of the virtual patient, made without a check."""
    from quietfloor.bench.patient.offline import carry_through, plan_for
    from quietfloor.bench.patient.profiles import load_patient

    session = tmp_path_factory.mktemp("checked")
    carry_through(plan_for(60, max_sweeps=320), load_patient("hearing-adult"), session, 1)
    return RunFolder(session / "run-001")
