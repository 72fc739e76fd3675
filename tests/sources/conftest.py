"""Real outlets on loopback; each gets an own name, so tests that run one after another never see each other's streams."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from quietfloor.stimuli.lsl import load_pylsl

_numbers = itertools.count(1)


class Sender:
    """An outlet with labels and units in the meta-data convention of the XDF format."""

    def __init__(
        self,
        name: str,
        labels: tuple[str, ...] = ("Cz-M2", "trigger"),
        units: tuple[str, ...] = ("microvolts", "V"),
        rate_hz: float = 16000.0,
        channel_format: str = "float32",
        source_id: str = "",
        stream_type: str = "EEG",
    ) -> None:
        pylsl = load_pylsl()
        info = pylsl.StreamInfo(name, stream_type, len(labels), rate_hz, channel_format, source_id)
        channels = info.desc().append_child("channels")
        for label, unit in zip(labels, units, strict=True):
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", unit)
        self.name = name
        self.source_id = source_id
        self.outlet = pylsl.StreamOutlet(info)

    def push(self, samples: Any, stamps_s: Any) -> None:
        """samples (n_channels, n_samples) with one stamp a sample."""
        self.outlet.push_chunk(samples.T.copy(), list(stamps_s))

    def stop(self) -> None:
        """Destroying the outlet is what ends a stream."""
        del self.outlet


@pytest.fixture
def unique() -> Callable[[str], str]:
    return lambda stem: f"{stem}-{next(_numbers)}"


@pytest.fixture
def sender(unique: Callable[[str], str]) -> Iterator[Callable[..., Sender]]:
    made: list[Sender] = []

    def make(name: str | None = None, **settings: Any) -> Sender:
        made.append(Sender(name or unique("amplifier"), **settings))
        return made[-1]

    yield make
    for one in made:
        if hasattr(one, "outlet"):
            one.stop()
