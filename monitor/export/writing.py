"""Writing of new files only: under a temporary name, then renamed in one step."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from io import BufferedWriter
from pathlib import Path

from quietfloor.monitor.export.material import ExportError


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[BufferedWriter]:
    """Open a file that becomes ``path`` if no error occurs, and is removed otherwise. Raises ExportError if ``path`` exists."""
    refuse_existing(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with open(draft, "xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _give_name(draft, path)
    finally:
        draft.unlink(missing_ok=True)


@contextlib.contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Make a folder that becomes ``path`` if no error occurs, and is removed otherwise."""
    refuse_existing(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{secrets.token_hex(8)}.part")
    draft.mkdir()
    try:
        yield draft
        refuse_existing(path)
        os.rename(draft, path)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _give_name(draft: Path, path: Path) -> None:
    try:
        os.link(draft, path)  # fails where somebody else was sooner, which renaming does not
    except FileExistsError:
        refuse_existing(path)
    except OSError:  # a file system without links
        refuse_existing(path)
        os.rename(draft, path)


def refuse_existing(path: Path) -> None:
    if os.path.lexists(path):
        raise ExportError(f"{path} exists: nothing is overwritten. Move it away, or choose another --out")
