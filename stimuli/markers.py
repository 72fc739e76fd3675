"""Markers over LSL that label sweeps: number, polarity, level. They do not time sweeps; the trigger column does."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.schedule import Sweep


class MarkerOutlet:
    """A string stream of type "Markers", one compact JSON object per sweep, stamped with the audio stamp of its onset.

    `labels` is added to every marker, for instance level_db_nhl, stimulus, ear; use None for "unknown", because nan is not JSON.
    In a run with several cells a marker has the number of its cell and the labels of that cell from `cells`, which replace those
    of `labels`.
    """

    def __init__(
        self,
        source_id: str,
        name: str = "quietfloor markers",
        labels: Mapping[str, Any] | None = None,
        cells: Sequence[Mapping[str, Any]] = (),
    ) -> None:
        self._labels, self._cells = dict(labels or {}), tuple(dict(one) for one in cells)
        json.dumps([self._labels, self._cells], allow_nan=False)  # fails here rather than at the first sweep
        self.source_id, self.name = source_id, name
        pylsl = load_pylsl()
        info = pylsl.StreamInfo(name, "Markers", 1, pylsl.IRREGULAR_RATE, "string", source_id)
        self._outlet: Any = pylsl.StreamOutlet(info)

    def text(self, sweep: Sweep) -> str:
        content = {"sweep": sweep.index, "unit": sweep.unit, "polarity": sweep.polarity, **self._labels}
        if sweep.cell is not None:
            content |= {"cell": sweep.cell} | (self._cells[sweep.cell] if self._cells else {})
        return json.dumps(content, separators=(",", ":"), allow_nan=False)

    def push(self, sweep: Sweep, stamp_s: float) -> None:
        if self._outlet is not None:
            self._outlet.push_sample([self.text(sweep)], stamp_s)

    def close(self) -> None:
        """Close the stream; later calls of `push` do nothing."""
        self._outlet = None
