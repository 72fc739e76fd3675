"""The worked check by bone conduction in docs/: its commands, as they stand there, lead where the page says."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.documents import PROGRAM, ROOT, blocks, rig
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.long, pytest.mark.timeout(400)]
PAGE = (ROOT / "docs/bone-check.md").read_text(encoding="utf-8")
COMMANDS = [line for block in blocks("text", PAGE) for line in block.splitlines() if line.startswith("quietfloor ")]


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], Path]:
    """What each command said, and the folder of the session."""
    folder = tmp_path_factory.mktemp("bone") / "session"
    first, *others = [line.replace("sessions/bone", str(folder)).split()[1:] for line in COMMANDS]
    said = []
    with rig(first, ROOT):
        for words in others:
            done = subprocess.run(
                [*PROGRAM, *words], cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8",
                timeout=patience(150), check=False,
            )  # fmt: skip
            assert done.returncode == 0, f"{words}\n{done.stderr[-2000:]}"
            said.append(done.stdout + done.stderr)
    return said, folder


@pytest.fixture(scope="module")
def report(walked: tuple[list[str], Path]) -> dict[str, Any]:
    assert {"report.html", "report.pdf", "report.json"} <= {path.name for path in walked[1].iterdir()}
    return json.loads((walked[1] / "report.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def test_the_low_level_has_a_response_twice(walked: tuple[list[str], Path], report: dict[str, Any]) -> None:
    assert "done, a response at 10 dB nHL, with no lower level left to try." in walked[0][0]
    runs = report["runs"]
    assert [(run["level"], run["verdict"], run["purpose"]) for run in runs] == [
        ("10 dB nHL", "response_present", "threshold"),
        ("10 dB nHL", "response_present", "threshold"),
        ("15 dB nHL", "response_present", "growth"),
    ]


def test_masking_is_flagged_at_the_higher_level_only(walked: tuple[list[str], Path], report: dict[str, Any]) -> None:
    assert [entry["due"] for entry in report["masking"]] == [False, False, True]
    assert "Masking:" not in walked[0][0]
    assert "Masking: " in walked[0][1]
    assert "does not establish a threshold and does not need masking" in walked[0][1]


def test_the_growth_run_moves_no_threshold(report: dict[str, Any]) -> None:
    (ladder,) = report["ladders"]
    assert ladder["threshold"]["level_db_nhl"] == 10.0
    assert ladder["threshold"]["finding"] == "at most"
    assert ladder["threshold"]["whose"] == "this ear's"


def test_waves_iii_v_and_trough_are_marked_and_v_grows(walked: tuple[list[str], Path], report: dict[str, Any]) -> None:
    together = walked[0][5]
    # The noise of a single run decides whether 5 dB can be told apart; the sentence says which.
    assert re.search(r"from 10 to 15 dB nHL: (at \+5 dB wave V is .* (earlier|larger)|.* too noisy to say)", together), together
    assert "at 10 dB nHL: " in together
    for run in ("run-001", "run-002", "run-003"):
        kept = json.loads((walked[1] / run / "marks.json").read_text(encoding="utf-8"))
        by = {mark["wave"]: mark["by"] for mark in kept["marks"]}
        assert (by["III"], by["V"], by["trough"]) == ("operator", "suggested", "suggested")


def test_five_db_are_added_and_said_to_have_no_source(report: dict[str, Any]) -> None:
    (estimate,) = report["hearing"]["estimates"]
    assert (estimate["level_db_ehl"], estimate["finding"], estimate["status"]) == (15.0, "at most", "unverified")
    assert "common practice, no source" in " ".join(estimate["sources"])


def test_the_html_holds_what_the_json_holds(walked: tuple[list[str], Path]) -> None:
    html = (walked[1] / "report.html").read_text(encoding="utf-8")
    for words in ("FLAGGED", "15 dB eHL or better", "not a medical device", "common practice, no source"):
        assert words in html
    assert (walked[1] / "report.pdf").read_bytes().startswith(b"%PDF-")
