"""All targets by name. Importing this imports what they try."""

from __future__ import annotations

from quietfloor.bench.devtools.fuzz_binary import TARGETS as BINARY
from quietfloor.bench.devtools.fuzz_target import Target
from quietfloor.bench.devtools.fuzz_text import TARGETS as TEXT


def all_targets() -> dict[str, Target]:
    return {target.name: target for target in (*TEXT, *BINARY)}
