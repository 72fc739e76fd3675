"""The script that repeats tests tells what failed how often, and `make test` ends with one line that does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.documents import ROOT

TESTS = """
import pathlib, pytest
COUNT = pathlib.Path(__file__).with_name("count")

@pytest.fixture
def broken():
    raise OSError

def test_good(): pass
def test_left_out(): pytest.skip("why")
def test_bad(broken): pass
def test_every_other_time():
    COUNT.write_text(COUNT.read_text() + "x" if COUNT.exists() else "x")
    assert len(COUNT.read_text()) % 2
"""


@pytest.mark.parametrize("bad", [True, False])
def test_a_table_of_what_failed(bad: bool, tmp_path: Path) -> None:
    (tmp_path / "test_made.py").write_text(TESTS if bad else "def test_good(): pass\n")
    (tmp_path / "pytest.ini").write_text("[pytest]\n")  # so that names begin here, wherever this folder lies
    words = ["2", "--busy", "1", str(tmp_path), "-p", "no:cacheprovider"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.repeat", *words], cwd=ROOT, capture_output=True, encoding="utf-8", check=False
    )
    rows = [tuple(row.split()) for row in re.findall(r"^ +\d.*::.*$", done.stdout, flags=re.MULTILINE)]
    if bad:
        assert done.returncode == 1
        assert rows == [("0", "0", "0", "2", "test_made::test_bad"), ("1", "0", "1", "0", "test_made::test_every_other_time")]
        assert "2 of 4 tests passed each of 2 times, beside 1 busy loops" in done.stdout
    else:
        assert (done.returncode, rows) == (0, [])
        assert "1 of 1 tests passed each of 2 times" in done.stdout


def test_one_line_at_the_end_says_how_all_tests_went(tmp_path: Path) -> None:
    (tmp_path / "test_made.py").write_text(TESTS)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers =\n    sound_card\n    real_time\n")
    done = subprocess.run(
        [sys.executable, "-m", "tests.all", str(tmp_path), "-n", "0"],
        cwd=ROOT, capture_output=True, encoding="utf-8", check=False, env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    *_, slowest, error, last = done.stdout.splitlines()
    assert done.returncode == 1
    assert "test_made::" in slowest
    assert error == "ERROR test_made::test_bad"
    assert re.fullmatch(r"make test: FAILED: 1 error, 2 passed, 1 skipped in \d+ s", last)
    assert list(tmp_path.rglob("*.pyc")), "what is compiled is kept for the next process"
