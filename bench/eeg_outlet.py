"""EEG and trigger over LSL, as the virtual amplifier sends them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.patient import Amplifier

UV_PER_UNIT = {"microvolts": 1.0, "millivolts": 1e3, "volts": 1e6}
TRIGGER_LABEL = "trigger"
_BUFFER_S = 60  # kept by LSL for a slow consumer


class EegOutlet:
    """Stream of float32, EEG channels first, trigger last. Stamps are regular: `began_s` + count / true rate.

    Labels, units and types are in the description where the XDF conventions put them (channels/channel/label, unit, type).
    """

    def __init__(self, pylsl: Any, name: str, source_id: str, amplifier: Amplifier, units: str, began_s: float) -> None:
        if units not in UV_PER_UNIT:
            raise ValueError(f"units = {units!r} is unknown: give one of {', '.join(UV_PER_UNIT)}")
        self._per_uv = 1.0 / UV_PER_UNIT[units]
        self._rate_hz, self._began_s = amplifier.true_rate_hz, began_s
        self.count = 0
        labels = (*amplifier.labels, TRIGGER_LABEL)
        info = pylsl.StreamInfo(name, "EEG", len(labels), amplifier.rate_hz, pylsl.cf_float32, source_id)
        channels = info.desc().append_child("channels")
        for label in labels:
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", units)
            channel.append_child_value("type", "TRIG" if label == TRIGGER_LABEL else "EEG")
        info.desc().append_child("acquisition").append_child_value("model", "virtual amplifier")
        self._outlet: Any = pylsl.StreamOutlet(info, amplifier.block, _BUFFER_S)

    def push(self, samples_uv: NDArray[np.float64]) -> None:
        """Send (channels + 1, n) in uV."""
        n = samples_uv.shape[1]
        if n == 0:
            return
        stamps_s = self._began_s + (self.count + np.arange(n)) / self._rate_hz
        self._outlet.push_chunk((samples_uv.T * self._per_uv).astype(np.float32), stamps_s.tolist())
        self.count += n

    def close(self) -> None:
        """The stream disappears from the network."""
        self._outlet = None
