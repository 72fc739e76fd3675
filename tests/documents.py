"""What README and docs say, taken apart for tests: fenced blocks, commands, tables, links; and a rig for their commands."""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests import warm
from tests.slow import patience

ROOT = Path(__file__).resolve().parents[1]
DOCS = sorted((ROOT / "docs").glob("*.md"))
PROGRAM = [sys.executable, "-m", "quietfloor.monitor.cli"]


class Command(NamedTuple):
    text: str
    needs: str  # "hardware", "the Internet" or ""

    @property
    def words(self) -> list[str]:
        return shlex.split(self.text)


def blocks(language: str, text: str) -> list[str]:
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```", text, flags=re.MULTILINE | re.DOTALL)
    return [re.sub(rf"^{indent}", "", block, flags=re.MULTILINE) for indent, block in found]


def commands(text: str) -> list[Command]:
    """Of every ``sh`` block, in order."""
    lines = [line for block in blocks("sh", text) for line in block.replace("\\\n", " ").splitlines() if line.strip()]
    parts = [(line.partition("  # ")[0].strip(), line.partition("  # needs ")[2].strip()) for line in lines]
    return [Command(text.removeprefix(".venv/bin/") if "quietfloor" in text.split()[0] else text, needs) for text, needs in parts]


def table(heading: str, text: str) -> list[list[str]]:
    """The cells of the first table after a line that contains ``heading``, head left out."""
    _, _, rest = text.partition(heading)
    rows = re.search(r"(?:^\|.*\n)+", rest, flags=re.MULTILINE)
    assert rows is not None, f"no table after {heading!r}"
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows.group().splitlines()[2:]]


def section(heading: str, text: str) -> str:
    """From the line ``heading`` to the next heading of that size."""
    marks = heading.split()[0]
    _, found, rest = text.partition(f"{heading}\n")
    assert found, f"no section {heading!r}"
    return re.split(rf"^{marks} ", rest, flags=re.MULTILINE)[0]


def anchors(text: str) -> set[str]:
    """What a link to a heading of this file may end in, as code hosts make it."""
    heads = re.findall(r"^#+ (.+)$", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@contextlib.contextmanager
def rig(words: list[str], place: Path) -> Iterator[None]:
    """The rig of a document beside its other commands."""
    process = warm.Popen(
        [*PROGRAM, *words], cwd=place, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert json.loads(process.stdout.readline())["event"] == "ready"
        yield
    finally:
        process.stdin.close()
        process.wait(patience(10))
        process.stdout.close()
