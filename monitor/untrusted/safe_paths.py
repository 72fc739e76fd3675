"""Write safely into untrusted folders: no link is followed, and file names are harmless.

A link with the name of one of our files would redirect what is written. Drafts are therefore new files, and a file that is
continued must not be a link. Whole files get their name by os.replace, which replaces a link and not its target. A name made from
untrusted text is a single harmless file name on every system.
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path

MOST_NAME_BYTES = 120  # own choice: file systems have room for 255, and an ending follows
# Names of devices on Windows, with any ending (Microsoft: Naming Files, Paths, and Namespaces; from memory).
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(?=\.|$)", re.IGNORECASE)
_SEPARATES = set('\\/:*?"<>|')


def new_draft(path: Path) -> Path:
    """Path ``.NAME.part`` beside ``path``, after an existing file there was removed; to be opened with mode "x". Raises
    OSError."""
    draft = path.with_name(f".{path.name}.part")
    draft.unlink(missing_ok=True)
    return draft


def file_name(text: str) -> str:
    """Return a safe name for a file or folder from any text; usual names are kept. Different texts may get the same name."""
    kept = "".join(one if one.isprintable() and one not in _SEPARATES else "-" for one in text)
    if kept.startswith("."):
        kept = "-" + kept[1:]
    kept = kept.encode("utf-8", "replace")[:MOST_NAME_BYTES].decode("utf-8", "ignore").rstrip(" .")
    return _DEVICE.sub(r"\1-", kept, count=1) if _DEVICE.match(kept) else kept or "-"


def no_link(path: str | Path, flags: int) -> int:
    """An ``opener`` for open(), and a replacement for os.open, that refuses links. Raises OSError for a link."""
    if os.path.islink(path):
        raise OSError(errno.ELOOP, "it is a link to another place, and nothing is written through it: take it away", str(path))
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o644)
