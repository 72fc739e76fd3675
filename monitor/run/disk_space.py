"""Room on the disk: before a run for its longest possible recording, during the run for writing its results."""

from __future__ import annotations

import shutil
from pathlib import Path

from quietfloor.monitor.formats.xdf_format import DTYPES
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.sources.base import StreamDescription

RESERVE_BYTES = 32 << 20  # own choice: averages, events, a report, and what other programs write meanwhile
LISTENING_PER_S = 10.0  # own choice: other equipment is hardly slower
LONGER = 1.1  # events and averages beside the samples, pauses, sweeps after a gap: own choice
STAMP_BYTES = 9


class DiskFull(RuntimeError):
    """Raised if the disk has not enough room; the text says how much there is and how much is needed."""


def free_bytes(folder: Path) -> int:
    """Free bytes of the disk that holds ``folder``, or will hold it. Raises OSError."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


def bytes_per_s(description: StreamDescription) -> float:
    """Bytes per second that a recording of this stream needs."""
    dtype = DTYPES.get(description.channel_format)
    value = 8 if dtype is None else dtype.itemsize
    return description.rate_hz * (description.channel_count * value + STAMP_BYTES)


def longest_s(plan: Plan) -> float:
    """The longest duration of a run of this plan, in s, if every trigger arrives."""
    sweeps = plan.decision.max_sweeps
    if plan.search is not None:
        return 60.0 * plan.search.minutes
    if plan.sound is None:
        return sweeps / LISTENING_PER_S
    return plan.sound.lasts_s(sweeps)


def predicted_bytes(plan: Plan, description: StreamDescription) -> int:
    """Bytes that the longest run of this plan writes."""
    return round(LONGER * longest_s(plan) * bytes_per_s(description))


def check_room(folder: Path, plan: Plan, description: StreamDescription) -> None:
    """Raise DiskFull if the longest run of this plan would fill the disk."""
    free, needed = free_bytes(folder), predicted_bytes(plan, description) + RESERVE_BYTES
    if free < needed:
        raise DiskFull(
            f"the disk of {folder} has {_mb(free)} free, and a run of up to {longest_s(plan) / 60:.1f} min on this stream needs "
            f"{_mb(needed)}: free the disk, choose another --out, or lower max_sweeps (of a search: minutes)"
        )


def nearly_full(folder: Path) -> str | None:
    """Reason why a run must end now, while its results can still be written; None while there is room."""
    free = free_bytes(folder)
    if free >= RESERVE_BYTES:
        return None
    return (
        f"the disk of {folder} is nearly full ({_mb(free)} free): the run ends while it can be kept in good order. What was "
        "recorded is kept; free the disk, then begin a new run"
    )


def _mb(size: float) -> str:
    return f"{size / 1e6:,.0f} MB"
