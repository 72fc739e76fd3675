"""One unbroken stretch of the stream: its filter, and the recent samples before and after the filter, from which sweeps are
cut."""

from __future__ import annotations

from .artefacts import Faults, RawWatch, raw_faults
from .epoching import Cut
from .filtering import RunningBand
from .history import History
from .onsets import LONGEST_LEARN_S
from .samples import Floats
from .settings import EngineSettings


class Segment:
    """A stretch that begins at raw sample ``index``, with no sample missing after it."""

    def __init__(self, settings: EngineSettings, index: int) -> None:
        band, epoch, rate = settings.band, settings.frame_epoch, settings.layout.rate_hz
        channels = len(settings.layout.eeg)
        keep_s = LONGEST_LEARN_S + 1.0 + (epoch.stop_ms - epoch.start_ms + settings.delay_ms + 100.0) * 1e-3
        keep = int(keep_s * rate) + 2 * band.reach
        self.origin = index + band.first_output  # raw sample of output number 0
        self._epoch, self._rate, self._rail_uv = epoch, rate, settings.rail_uv
        self._faultless: Faults = (None,) * channels
        self._band = RunningBand(band, channels)
        self._raw = History(channels, keep, index)
        self._out = History(channels, keep // band.step)
        self._watch = RawWatch(rate, settings.rail_uv)

    def take(self, eeg_uv: Floats) -> tuple[int, Floats]:
        """Filter the next samples (n_channels, n) in uV; return the raw sample of the first new output, and the new outputs
        (n_channels, m)."""
        before = max(self._raw.first, self._raw.stop - 1)
        self._raw.append(eeg_uv)
        self._watch.feed(before, self._raw.get(before, self._raw.stop))
        filtered = self._band.feed(eeg_uv)
        at = self.origin + self._out.stop * self._band.band.step
        self._out.append(filtered)
        return at, filtered

    def sweep(self, cut: Cut) -> tuple[Faults, Floats]:
        """Cut a sweep whose samples have all arrived: the fault of each channel, and its signal (n_channels, n_times) in uV."""
        signal = self._epoch.read(self._out.get(cut.first, cut.stop), cut.phase)
        # All that its values were made from: a rail rings through the filter into sweeps that do not touch it.
        start, stop = cut.raw_first, cut.ready + 1
        if self._watch.clears(start):
            return self._faultless, signal
        return raw_faults(self._raw.get(start, stop), self._rate, self._rail_uv), signal
