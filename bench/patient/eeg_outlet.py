"""EEG and trigger over LSL, as the virtual amplifier sends them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.outlet_faults import OUTLET_FAULTS, OutletFault
from quietfloor.bench.patient.patient import Amplifier
from quietfloor.bench.patient.stream_faults import STREAM_FAULTS, Injector
from quietfloor.monitor.sources.base import OWN_CLOCK

UV_PER_UNIT = {"microvolts": 1.0, "millivolts": 1e3, "volts": 1e6}
TRIGGER_LABEL = "trigger"
_BUFFER_S = 60  # kept by LSL for a slow consumer
_SOUND = OutletFault("as it should be")


class EegOutlet:
    """Stream of float32, EEG channels first, trigger last. Stamps are regular: `began_s` + count / true rate.

    The description has labels, units and types as in the XDF conventions (channels/channel/label, unit, type). `fault`: kind of
    fault, and its time in s after the call of `sound_begins`. `own_clock`: the time of the stream is the count of its samples,
    and the description says so, unless a fault simulates a failing amplifier.
    """

    def __init__(
        self,
        pylsl: Any,
        name: str,
        source_id: str,
        amplifier: Amplifier,
        units: str,
        began_s: float,
        fault: tuple[str, float] | None = None,
        seed: int = 0,
        own_clock: bool = True,
    ) -> None:
        if units not in UV_PER_UNIT:
            raise ValueError(f"units = {units!r} is unknown: give one of {', '.join(UV_PER_UNIT)}")
        self._pylsl, self._name, self._amplifier, self._units = pylsl, name, amplifier, units
        self._per_uv = 1.0 / UV_PER_UNIT[units]
        self._rate_hz, self._began_s = amplifier.true_rate_hz, began_s
        self.count = 0
        kind, at_s = fault or ("", 0.0)
        self._whole = OUTLET_FAULTS.get(kind, _SOUND)
        self._injector = Injector(STREAM_FAULTS[kind], self._rate_hz, at_s, seed) if kind in STREAM_FAULTS else None
        self._own_clock = own_clock and self._whole is _SOUND
        self._late = round(at_s * self._rate_hz) if self._whole.late else 0
        self._at_s, self._strikes_at = at_s, np.inf  # sample at which the stream as a whole fails
        self._sound = False
        self._held: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
        self._source_id = source_id if self._whole.source_id else ""
        self._shape = _SOUND
        self._outlet: Any = self._open()

    @property
    def next_stamp_s(self) -> float:
        """Stamp of the next sample, on the LSL clock."""
        return self._began_s + self.count / self._rate_hz

    def sound_begins(self) -> None:
        """Start to count the time until the fault."""
        if not self._sound:
            self._sound = True
            self._strikes_at = self.count + self._at_s * self._rate_hz

    def push(self, samples_uv: NDArray[np.float64]) -> None:
        """Send (channels + 1, n) in uV."""
        n = samples_uv.shape[1]
        if n == 0:
            return
        stamps_s = self._began_s + (self.count + np.arange(n)) / self._rate_hz
        self.count += n
        if self._injector is not None and self._sound:
            samples_uv, stamps_s = self._injector.apply(samples_uv, stamps_s)
        if self._late:
            self._held.append((samples_uv, stamps_s))
            due_s = self._began_s + (self.count - self._late) / self._rate_hz
            while self._held and self._held[0][1][0] < due_s:
                self._send(*self._held.pop(0))
            return
        since_s = (self.count - self._strikes_at) / self._rate_hz
        if 0.0 <= since_s < self._whole.hold_s:
            self._held.append((samples_uv, stamps_s))
            return
        if 0.0 <= since_s < self._whole.away_s:
            self._outlet = None
            return
        if self._outlet is None:
            self._shape = self._whole
            self._outlet = self._open()
        for held in (*self._held, (samples_uv, stamps_s)):
            self._send(*held)
        self._held.clear()

    def close(self) -> None:
        """The stream disappears from the network."""
        self._outlet = None

    def _open(self) -> Any:
        shape, amplifier, pylsl = self._shape, self._amplifier, self._pylsl
        labels = (*amplifier.labels, *(f"extra {number + 1}" for number in range(shape.more_channels)), TRIGGER_LABEL)
        rate_hz = shape.rate_times * amplifier.rate_hz
        info = pylsl.StreamInfo(self._name, "EEG", len(labels), rate_hz, shape.channel_format, self._source_id)
        channels = info.desc().append_child("channels")
        for label in labels:
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", self._units)
            channel.append_child_value("type", "TRIG" if label == TRIGGER_LABEL else "EEG")
        acquisition = info.desc().append_child("acquisition")
        acquisition.append_child_value("model", "virtual amplifier")
        if self._own_clock:
            acquisition.append_child_value("clock", OWN_CLOCK)
        return pylsl.StreamOutlet(info, amplifier.block, _BUFFER_S)

    def _send(self, samples_uv: NDArray[np.float64], stamps_s: NDArray[np.float64]) -> None:
        if not len(stamps_s):
            return
        if self._shape.more_channels:
            samples_uv = np.insert(samples_uv, [-1] * self._shape.more_channels, 0.0, axis=0)
        dtype = np.float32 if self._shape.channel_format == "float32" else np.float64
        self._outlet.push_chunk((samples_uv.T * self._per_uv).astype(dtype), stamps_s.tolist())
