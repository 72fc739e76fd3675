"""What a device must have been given when frames came late or it ran dry: written out from the frames and the breaks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.player import Underrun

# In samples at 48 kHz, by hand: the mark begins 5 ms into the silence; its lobes last 1.5 ms, or 2 ms where the device says so.
TRIGGER = 0.5 * 10 ** (-30 / 20)  # -30 dB re a peak-to-peak value of 1.0, the default
MARK_AT, LOBES = 240, {False: 72, True: 96}


def with_breaks(source: FrameSource, n: int, underruns: Sequence[Underrun]) -> np.ndarray:
    """(3, n) that a player must have handed over of a fresh source at 48 kHz."""
    total = source.total_samples if source.total_samples is not None else n
    sound = source.read(total)
    out = np.zeros((3, n), dtype=np.float32)
    peak = 0.5 * 10 ** (source.trigger_db_fs / 20)
    at = taken = 0
    for broken in (*underruns, Underrun(n, 0)):
        stop = min(broken.sample, at + total - taken)
        out[:, at:stop] = sound[:, taken : taken + stop - at]
        taken += broken.sample - at
        at = broken.sample + broken.n
        for sweep in source.sweeps:  # what was torn is not played to its end
            if sweep.onset_sample < taken < sweep.onset_sample + source.reach_samples:
                sound[:, taken : sweep.onset_sample + source.reach_samples] = 0.0
        if broken.n:
            lobe, start = LOBES[broken.by_device], broken.sample + MARK_AT
            out[2, start : start + lobe] = peak
            out[2, start + lobe : start + 2 * lobe] = -peak
    return out
