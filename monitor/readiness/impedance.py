"""The impedance of electrodes, only where the stream itself carries it; nothing here estimates one."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.sources.base import StreamDescription, number_or_nan
from quietfloor.monitor.untrusted.safe_xml import XmlError, element_from

TYPE = "impedance"
KOHM_PER = {"ohm": 1e-3, "ohms": 1e-3, "kohm": 1.0, "kohms": 1.0, "kiloohm": 1.0, "kiloohms": 1.0, "ω": 1e-3, "kω": 1.0}
NOW, AT_SET_UP = "sent by the stream now", "stated by the stream, measured at its set-up"


class Impedances:
    """Impedances in a stream: in channels of type Impedance, sample by sample, or once in the meta-data of each channel.

    ``channel/impedance`` is in kOhm, measured during set-up (XDF wiki, EEG meta-data: verified). A channel of type Impedance
    belongs to the EEG channel whose label is contained in its own, such as "Cz impedance" to "Cz"; the longest one if several
    fit.
    """

    def __init__(self, description: StreamDescription) -> None:
        self._labels = description.labels
        channels = _channels(description)
        types = [(channel.findtext("type") or "").strip().casefold() for channel in channels]
        self._kohm_per_unit = {
            index: factor
            for index, kind in enumerate(types)
            if kind == TYPE and math.isfinite(factor := kohm_per(description.units[index]))
        }
        stated = {index: number_or_nan(channel.findtext("impedance")) for index, channel in enumerate(channels)}
        self._stated = {index: kohm for index, kohm in stated.items() if kohm > 0}  # programs that know none write 0
        self._now: dict[int, float] = {}

    def feed(self, samples: Floats) -> None:
        """Take samples (n_channels, n) of the whole stream."""
        for index, factor in self._kohm_per_unit.items():
            value = float(np.median(samples[index])) * factor
            if math.isfinite(value) and value > 0:
                self._now[index] = value

    def of(self, index: int) -> tuple[float, str]:
        """Impedance of an EEG channel in kOhm, and its source; nan and "" if the stream carries none."""
        sender = self._sender(index)
        if sender in self._now:
            return self._now[sender], NOW
        return (self._stated[index], AT_SET_UP) if index in self._stated else (math.nan, "")

    def _sender(self, index: int) -> int | None:
        """The channel that sends the impedance of channel ``index``."""
        label = self._labels[index].casefold()
        others = [name.casefold() for i, name in enumerate(self._labels) if name and i not in self._kohm_per_unit]
        for sender in self._kohm_per_unit:
            held = [name for name in others if name in self._labels[sender].casefold()]
            if label and label == max(held, key=len, default=None):
                return sender
        return None


def kohm_per(unit: str) -> float:
    """kOhm in one of a unit; nan if it is no unit of resistance."""
    return KOHM_PER.get(unit.strip().casefold().replace(" ", ""), math.nan)


def _channels(description: StreamDescription) -> list[ElementTree.Element]:
    try:
        root = element_from(description.xml) if description.xml else None
    except XmlError:
        return []
    return [] if root is None else root.findall("desc/channels/channel")[: description.channel_count]
