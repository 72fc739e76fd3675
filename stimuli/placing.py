"""Writing into folders that others may have filled: what is meant for a folder stays in it.

A link under the name of a file of ours would carry what is written to wherever it points. Drafts are therefore new files, and
what is continued is never a link. Whole files take their name by os.replace, which replaces a link and not what it points to.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path


def new_draft(path: Path) -> Path:
    """``.NAME.part`` beside ``path``, where nothing is any more, to be opened with mode "x". Raises OSError."""
    draft = path.with_name(f".{path.name}.part")
    draft.unlink(missing_ok=True)
    return draft


def no_link(path: str | Path, flags: int) -> int:
    """An ``opener`` for open(), and instead of os.open. Raises OSError for a link."""
    if os.path.islink(path):
        raise OSError(errno.ELOOP, "it is a link to another place, and nothing is written through it: take it away", str(path))
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o644)
