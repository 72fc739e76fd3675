"""A run from Python: opened, begun and finished without a command, on the real rig over loopback."""

import json
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.commands.demo import rig, virtual_calibration
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.opening import OpenRun, _keep_check, open_run
from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.storage.run_folder import RunFolder, jsonable
from tests.documents import ROOT, blocks
from tests.slow import patience

pytestmark = pytest.mark.lsl


@pytest.fixture(scope="module")
def plan() -> Iterator[Plan]:
    tag = uuid.uuid4().hex[:8]
    audio, eeg = f"audio-{tag}", f"eeg-{tag}"
    with rig("quiet-sleeper", audio, eeg, 3):
        yield make_plan(
            {
                "stream": {"source_id": eeg, "eeg": ["1"], "trigger": "trigger"},
                "sound": {"level_db_nhl": 60.0, "ear": "right", "calibration": str(virtual_calibration()),
                          "device_source_id": audio, "speed": 20, "lead_in_s": 1.0},
                "analysis": {"acoustic_delay_ms": 0.9, "window_ms": [5.0, 9.5]},
            }
        )  # fmt: skip


def kept(opened: OpenRun) -> dict[str, Any]:
    found = json.loads(opened.run.folder.run.read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def test_a_run_without_a_command_is_like_one_with(plan: Plan, tmp_path: Path) -> None:
    said: list[str] = []
    with open_run(plan, tmp_path / "s", remark=said.append) as opened:
        assert "right ear · click · 60 dB nHL" in opened.title
        assert opened.run.folder.begun.is_file()
        with pytest.raises(RuntimeError, match="did not begin"):
            opened.finish()
        opened.run.start()
        record = opened.finish()
        with pytest.raises(RuntimeError, match="finished already"):
            opened.finish()
    assert record["verdict"] == "response_present"
    assert record["fault"] is None
    assert record["folder"] == str(tmp_path / "s/run-001")
    written = json.loads(json.dumps(jsonable(record)))
    assert kept(opened) | {"folder": record["folder"]} == written
    assert not opened.run.folder.begun.exists()
    assert replay(RunFolder.open(record["folder"])).identical
    assert [text.partition(":")[0] for text in said] == ["of this run"]  # its window is too short for an absence
    assert not (tmp_path / "s/.in-use").exists()


def test_the_live_run_of_the_page(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(plan.to_toml(), encoding="utf-8")
    (block,) = [one for one in blocks("python", (ROOT / "docs/library.md").read_text(encoding="utf-8")) if "open_run" in one]
    names: dict[str, Any] = {}
    exec(compile(block, "docs/library.md", "exec"), names)
    assert names["record"]["verdict"] == "response_present"
    assert Path("sessions/notebook/run-001/run.json").is_file()


def test_a_run_that_is_left_is_stopped_and_kept_and_one_that_never_began_lets_go(plan: Plan, tmp_path: Path) -> None:
    with open_run(plan, tmp_path) as opened:
        pass
    assert opened.run.wait(0)
    assert opened.run.status.state == "failed"
    with open_run(plan, tmp_path) as opened:  # streams and folder are free again
        opened.run.start()
        while opened.run.status.state == "checking":
            assert not opened.run.wait(0.02)
    assert opened.run.wait(patience(5))
    assert kept(opened)["stopped_by"] == "operator"
    assert opened.run.folder.path.name == "run-002"


def test_the_check_before_it_is_kept_with_the_run(plan: Plan, tmp_path: Path) -> None:
    """Without one there is no file; one that cannot be written is remarked, and the run goes on."""
    said: list[str] = []
    with open_run(plan, tmp_path, check={"summary": "Ready", "findings": []}) as opened:
        assert opened.run.folder.read_json("check.json") == {"summary": "Ready", "findings": []}
        opened.run.start()
        while opened.run.status.state == "checking":
            assert not opened.run.wait(0.02)
    assert opened.run.folder.check.is_file()
    with open_run(plan, tmp_path) as opened:
        assert not opened.run.folder.check.exists()
    folder = RunFolder.create(tmp_path)
    folder.check.mkdir()  # nothing can take its place
    _keep_check(folder, {}, said.append)
    assert said == [f"cannot write {folder.check} (Is a directory): what the check found is not kept with this run"]


def test_what_cannot_be_opened_leaves_nothing(plan: Plan, tmp_path: Path) -> None:
    missing = plan.model_copy(update={"stream": plan.stream.model_copy(update={"source_id": "nobody", "wait_s": 0.5})})
    with pytest.raises(SourceError, match="nobody"):
        open_run(missing, tmp_path / "s")
    assert not (tmp_path / "s").exists()
