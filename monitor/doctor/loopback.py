"""Test stream of the doctor command: sent, found and read back on this machine, as in a run."""

from __future__ import annotations

import time
import uuid
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietfloor.monitor.sources.base import SourceError
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from quietfloor.stimuli.lsl import load_pylsl


def loopback_fault(wait_s: float = 5.0) -> str | None:
    """Send 1000 samples over LSL and read them back; None if all came back unchanged, else what went wrong."""
    pylsl = load_pylsl()
    name = f"quietfloor-doctor-{uuid.uuid4().hex[:8]}"
    outlet = pylsl.StreamOutlet(pylsl.StreamInfo(name, "EEG", 2, 16000.0, "float32", name))
    try:
        source = LslSource(find_stream(name, wait_s=wait_s), open_timeout_s=wait_s)
    except SourceError as error:
        return str(error).splitlines()[0]
    sent = np.arange(2000, dtype=np.float32).reshape(2, 1000)
    outlet.push_chunk(sent.T.copy(), [1.0 + index / 16000.0 for index in range(1000)])
    received: list[NDArray[Any]] = []
    give_up_s = time.monotonic() + wait_s
    while sum(piece.shape[1] for piece in received) < 1000 and time.monotonic() < give_up_s:
        chunk = source.pull(0.1)
        if chunk is not None:
            received.append(chunk.samples)
    source.close()
    whole = np.concatenate(received, axis=1) if received else np.empty((2, 0), np.float32)
    if whole.shape != sent.shape:
        return f"only {whole.shape[1]} of 1000 samples came back within {wait_s:g} s"
    return None if np.array_equal(whole, sent) else "the samples that came back differ from those sent"
