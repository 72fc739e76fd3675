"""Labels of sweeps over LSL: which sweep, polarity, level. They name; the trigger column times."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.schedule import Sweep


class MarkerOutlet:
    """A string stream of type "Markers", one compact JSON object per sweep, stamped with the audio stamp of its onset.

    `labels` is added to every marker, for instance level_db_nhl, stimulus, ear; nan is not JSON: give None for "unknown".
    """

    def __init__(self, source_id: str, name: str = "quietfloor markers", labels: Mapping[str, Any] | None = None) -> None:
        self._labels = dict(labels or {})
        json.dumps(self._labels, allow_nan=False)  # fails here rather than at the first sweep
        self.source_id, self.name = source_id, name
        pylsl = load_pylsl()
        info = pylsl.StreamInfo(name, "Markers", 1, pylsl.IRREGULAR_RATE, "string", source_id)
        self._outlet: Any = pylsl.StreamOutlet(info)

    def text(self, sweep: Sweep) -> str:
        content = {"sweep": sweep.index, "unit": sweep.unit, "polarity": sweep.polarity, **self._labels}
        return json.dumps(content, separators=(",", ":"), allow_nan=False)

    def push(self, sweep: Sweep, stamp_s: float) -> None:
        if self._outlet is not None:
            self._outlet.push_sample([self.text(sweep)], stamp_s)

    def close(self) -> None:
        """Later pushes do nothing."""
        self._outlet = None
