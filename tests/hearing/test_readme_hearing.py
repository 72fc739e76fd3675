"""The example in docs/sessions.md runs, and prints what it says."""

import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "sessions.md").read_text(encoding="utf-8")


def test_the_example_of_the_docs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    _, _, section = PAGE.partition("## From thresholds to hearing levels")
    code, printed = (re.search(rf"^```{kind}\n(.*?)^```", section, flags=re.MULTILINE | re.DOTALL) for kind in ("python", "text"))
    assert code is not None
    assert printed is not None
    monkeypatch.chdir(tmp_path)
    exec(compile(code[1], "sessions.md", "exec"), {})
    assert capsys.readouterr().out == printed[1]
    assert (tmp_path / "audiogram.png").stat().st_size > 5000
