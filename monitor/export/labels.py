"""Matching of labels with triggers: markers have the clock of the sound, triggers that of the EEG. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.untrusted.bounded_io import json_from

LONGEST_LAG_S = 1.0  # between a marker and its trigger, own choice: sound cards buffer less
NEAR_S = 2e-3  # own choice: scatter of stamps; neighbouring sounds are 10 ms apart and more
FIT, MARGIN = 0.98, 0.02  # share of markers that find a trigger; how much better than at any other lag


def sweep_label(text: str) -> dict[str, Any] | None:
    """Content of a marker that this program's player wrote for a sweep; None for any other text."""
    try:
        content = json_from(text)
    except (ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) and isinstance(content.get("sweep"), int) else None


def matched(onsets_s: Floats, markers_s: Floats) -> list[int | None]:
    """Index of the marker (m,) that belongs to each onset (n,), both in s and in order; None if there is none.

    The delay of the sound from its stamp to the EEG is unknown, and may be longer than a sweep. The pauses between units
    determine the lag. If several lags fit, as with sounds at a fixed rate, nothing is matched, because a wrong polarity is worse
    than none.
    """
    nothing: list[int | None] = [None] * len(onsets_s)
    if not len(onsets_s) or not len(markers_s):
        return nothing
    first = markers_s[len(markers_s) // 2]  # one from the middle: at the ends some may be missing
    lags = onsets_s[np.abs(onsets_s - first) <= LONGEST_LAG_S] - first
    if not len(lags):
        return nothing
    inside = (markers_s >= onsets_s[0] - LONGEST_LAG_S) & (markers_s <= onsets_s[-1] + LONGEST_LAG_S)
    fits = np.array([(_nearest(onsets_s, markers_s[inside] + lag)[1] <= NEAR_S).mean() for lag in lags])
    order = np.argsort(fits)[::-1]
    if fits[order[0]] < FIT or (len(order) > 1 and fits[order[0]] - fits[order[1]] < MARGIN):
        return nothing
    places, off = _nearest(onsets_s, markers_s + lags[order[0]])
    for marker, (place, away) in enumerate(zip(places.tolist(), off.tolist(), strict=True)):
        if away <= NEAR_S:
            nothing[place] = marker
    return nothing


def _nearest(onsets_s: Floats, times_s: Floats) -> tuple[np.ndarray, Floats]:
    """Index of the nearest onset to each time (m,), and its distance in s."""
    right = np.clip(np.searchsorted(onsets_s, times_s), 1, max(1, len(onsets_s) - 1))
    left = right - 1
    right = np.minimum(right, len(onsets_s) - 1)
    nearer = np.where(np.abs(onsets_s[left] - times_s) <= np.abs(onsets_s[right] - times_s), left, right)
    return nearer, np.abs(onsets_s[nearer] - times_s)


def polarities(onsets_s: Floats, markers: Sequence[tuple[float, Mapping[str, Any]]]) -> list[str | None]:
    """Polarity of the sound of each onset, by the markers (stamp in s, label); None where it is not known."""
    known = matched(onsets_s, np.array([stamp for stamp, _ in markers]))
    return [None if marker is None else _text(markers[marker][1].get("polarity")) for marker in known]


def _text(value: Any) -> str | None:
    return value if value in ("condensation", "rarefaction") else None
