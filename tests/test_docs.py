"""The pages in docs/ are true: commands run, links lead somewhere, the formats they tell are those that are written."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import datetime
import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from quietfloor.bench.patient import rig_options
from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.calibration.level_check import LevelCheck
from quietfloor.monitor.cli import parser
from quietfloor.monitor.core import events
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.cautions import acknowledge
from quietfloor.monitor.readiness.findings import Finding, Group
from quietfloor.monitor.readiness.kept_check import SEVERITIES, check_record
from quietfloor.monitor.readiness.listener import Report
from quietfloor.monitor.run.status_text import REASONS
from quietfloor.monitor.run.timing_certificate import Certificate, Measured
from quietfloor.monitor.session.session_plan import SessionPlan
from quietfloor.monitor.storage.run_folder import AVERAGE_COLUMNS
from quietfloor.monitor.waves.marks import Estimate, Mark, Marks
from quietfloor.stimuli.calibration_file import CalibrationTable
from quietfloor.stimuli.references import ReferenceRow, ReferencesFile, ToneRow
from tests import warm
from tests.documents import DOCS, PROGRAM, ROOT, Command, anchors, blocks, commands, rig, section
from tests.slow import patience

pytestmark = pytest.mark.timeout(600)
FORMATS = (ROOT / "docs/file-formats.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", ROOT / "bench/teach/lesson.md", *DOCS]
SPEED = 15


def ours(page: Path) -> list[Any]:
    return [command for command in commands(page.read_text(encoding="utf-8")) if not command.needs]


def carry_out(command: Command, place: Path) -> subprocess.CompletedProcess[str]:
    return warm.run(
        [*PROGRAM, *command.words[1:]],
        cwd=place, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8", timeout=patience(400), check=False,
    )  # fmt: skip


@pytest.mark.lsl
@pytest.mark.long
@pytest.mark.parametrize("page", [page for page in DOCS if ours(page)], ids=lambda page: page.stem)
def test_the_commands_of_a_page_run(page: Path, tmp_path: Path, run: Path) -> None:
    """In order, in one folder with plan and run of the README and the plans of the page; these are sooner than real time."""
    text = page.read_text(encoding="utf-8")
    (plan,) = blocks("toml", (ROOT / "README.md").read_text(encoding="utf-8"))
    plans = re.findall(r"`([\w-]+\.toml)`:\n\n```toml\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    for name, block in [("plan.toml", plan), *plans]:
        (tmp_path / name).write_text(block.replace("[sound]", f"[sound]\nspeed = {SPEED}"), encoding="utf-8")
    (tmp_path / "bench").mkdir()
    shutil.copy(ROOT / "bench/virtual-earphone.toml", tmp_path / "bench")
    shutil.copytree(run, tmp_path / "sessions/first/run-001")
    with contextlib.ExitStack() as stack:
        for command in ours(page):
            assert command.words[0] == "quietfloor", f"{page.name}: {command.text}: write it as text, or say what it needs"
            if command.words[1] == "rig":
                stack.enter_context(rig(command.words[1:], tmp_path))
                continue
            done = carry_out(command, tmp_path)
            assert done.returncode == 0, f"{command.text}\n{done.stdout[-1500:]}\n{done.stderr[-1500:]}"
            if "--json" in command.words:
                json.loads(done.stdout)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_what_is_not_run_is_understood(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    lines = [line for block in blocks("text", text) for line in block.splitlines() if re.match(r"quietfloor [a-z]+( |$)", line)]
    needing = [command.text for command in commands(text) if command.needs == "hardware"]
    for line in [*lines, *needing]:
        parser().parse_args(shlex.split(line)[1:])
    for module in re.findall(r"python -m quietfloor\.(bench[.\w]+)", text):
        assert (ROOT / f"{module.replace('.', '/')}.py").is_file()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_named_files_are_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    prose = re.sub(r"^ *```.*?^ *```", "", text, flags=re.MULTILINE | re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", prose):
        path, _, anchor = target.partition("#")
        if "://" in path:
            continue
        file = page.parent / path if path else page
        assert file.exists(), f"{page.name} links to {target}"
        if anchor:
            assert anchor in anchors(file.read_text(encoding="utf-8")), f"{page.name} links to {target}"
    assert re.findall(r"^ *%.*", prose, flags=re.MULTILINE) == []  # a comment to the generator of the site: it would be lost
    named = set(re.findall(r"`((?:stimuli|monitor|bench|tests|docs|\.ci)/[\w./-]*)`", prose))
    assert sorted(name for name in named if not (ROOT / name).exists()) == []


def test_every_page_can_be_found_from_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [page.name for page in DOCS if f"(docs/{page.name}" not in readme] == []


def named(text: str) -> set[str]:
    return set(re.findall(r"[`_\w.-]+", text.replace("`", " ")))


def keys_of(value: Any) -> set[str]:
    """Every key of nested JSON objects; below "rejected" they are reasons, not keys."""
    if isinstance(value, dict):
        inner = [keys_of(item) for key, item in value.items() if key != "rejected"]
        return set(value).union(*inner)
    if isinstance(value, list):
        return set().union(*map(keys_of, value))
    return set()


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real run on the virtual patient, without a network."""
    session = tmp_path_factory.mktemp("formats")
    carry_through(plan_for(60, channels=2, title="formats", max_sweeps=320), load_patient("hearing-adult"), session, 1)
    return session / "run-001"


def test_the_files_of_a_run_are_told(run: Path) -> None:
    told = section("## The folder of a run", FORMATS)
    assert {path.name for path in run.iterdir()} <= named(told)


def test_every_key_of_run_json_is_told(run: Path) -> None:
    record = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert sorted(keys_of(record) - named(section("## run.json", FORMATS))) == []
    columns = (run / "average.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert tuple(columns) == AVERAGE_COLUMNS
    assert set(columns) <= named(section("## average.csv", FORMATS))


def test_every_key_of_every_event_is_told(run: Path) -> None:
    told = named(section("## events.jsonl", FORMATS))
    lines = [json.loads(line) for line in (run / "events.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {"look", "verdict", "trigger_learned"} <= {line["type"] for line in lines}
    assert sorted(set().union(*map(keys_of, lines)) - told) == []
    for kind in events.Event.__subclasses__():
        if kind.kept:
            assert sorted({kind.kind, *(field.name for field in dataclasses.fields(kind))} - kind.unsaid - told) == []
    assert sorted(set(REASONS) - told) == []


def test_every_key_of_check_json_is_told() -> None:
    told = named(section("## check.json", FORMATS))
    finding = Finding("mains", "look", "said", parts=(("50.0 Hz", 1.0),))
    report = Report((Group("electrodes", "Electrodes", (finding,)),), ())
    now = datetime.datetime(2026, 3, 1, tzinfo=datetime.UTC)
    record = check_record(report, now, acknowledge("set-up panel", now))
    assert sorted(keys_of(record) - {"50.0 Hz"} - told) == []
    assert set(SEVERITIES) <= told
    assert f"`{record['format']}`" in section("## check.json", FORMATS)


def test_every_key_of_the_other_files_is_told() -> None:
    def keys(model: Any) -> set[str]:
        return set(model.model_fields)

    tables = {name: field.annotation for name, field in Plan.model_fields.items()}
    plan = named(section("## plan.toml", FORMATS))
    assert sorted(set(tables) - plan) == []
    from quietfloor.monitor.plan.run_plan import AnalysisPlan, DecisionPlan, EarlierPlan, StreamPlan, TimingPlan, TriggerPlan
    from quietfloor.monitor.plan.sound_plan import SoundPlan

    for model in (AnalysisPlan, DecisionPlan, EarlierPlan, SoundPlan, StreamPlan, TimingPlan, TriggerPlan):
        assert sorted(keys(model) - plan) == []

    from quietfloor.monitor.plan.cell_table import CellRow, _File

    assert sorted((keys(CellRow) | keys(_File)) - named(section("## cells.json", FORMATS))) == []

    session = named(section("## The folder of a session", FORMATS))
    from quietfloor.monitor.session.session_plan import (
        ConditionPlan,
        HearingPlan,
        LimitsPlan,
        ReplicatesPlan,
        StepsPlan,
        SubjectPlan,
    )

    for model in (SessionPlan, ConditionPlan, HearingPlan, LimitsPlan, ReplicatesPlan, StepsPlan, SubjectPlan):
        assert sorted(keys(model) - session) == []
    assert sorted(set(LevelCheck("", "", 0.0, 0.0, "").record()) - session) == []

    certificate = named(section("## Timing certificate", FORMATS))
    assert sorted((keys(Certificate) | keys(Measured)) - certificate) == []
    assert sorted(set(CalibrationTable.model_fields) - named(section("## Calibration", FORMATS))) == []
    told = named(section("## References", FORMATS))
    assert sorted((keys(ReferenceRow) | keys(ToneRow) | keys(ReferencesFile)) - told) == []
    first, last = (Mark(wave, Estimate(ms), Estimate(1.0), "suggested", 1.0) for wave, ms in (("I", 1.6), ("V", 5.6)))
    marks = keys_of(Marks((first, last)).record())
    assert sorted(marks - named(section("## marks.json", FORMATS))) == []


def helps() -> dict[str, str]:
    """The help of every command. That of `validate`, `timing` and `rig` is made by the bench."""
    found = {}
    (commands,) = (action for action in parser()._actions if isinstance(action, argparse._SubParsersAction))
    for name, one in commands.choices.items():
        found[name] = rig_options.parser().format_help() if name == "rig" else one.format_help()
    for name in ("timing", "validate"):
        done = warm.run([*PROGRAM, name, "--help"], capture_output=True, encoding="utf-8", timeout=patience(30), check=True)
        found[name] = done.stdout
    return found


def test_every_command_has_its_row() -> None:
    (commands,) = (action for action in parser()._actions if isinstance(action, argparse._SubParsersAction))
    rows = section("## All commands", (ROOT / "docs/runs.md").read_text(encoding="utf-8"))
    assert sorted(set(commands.choices) - set(re.findall(r"`(\w+)`", rows))) == []


def test_help_texts_speak_with_one_voice() -> None:
    """The same parts in the same order and form: a sentence, options, examples, exit status last; defaults in brackets alone."""
    texts = helps()
    assert len(texts) >= 18
    for name, text in texts.items():
        assert text.startswith(f"usage: quietfloor {name} "), name
        assert re.search(r"^examples?:\n  quietfloor ", text, flags=re.MULTILINE), name
        assert text.rstrip().splitlines()[-1].startswith("exit status: 0 "), name
        assert "(default" not in text, name
        assert ";" not in text.rstrip().splitlines()[-1], name
        if "--json" in text:
            assert re.search(r"--json\s+one JSON object on standard output at the end", text), name
