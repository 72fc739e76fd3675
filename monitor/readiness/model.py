"""Check of a live stream before a run: takes raw chunks and gives findings. It uses no clock; panel and text display it.

Samples are processed in pieces of 50 ms counted from the first one, so that the findings do not depend on how the stream was cut
into chunks. Only a few seconds are kept in memory.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

import numpy as np

from quietfloor.monitor.core.clock import ArrivalWatch, RateFit, StampWatch
from quietfloor.monitor.core.filtering import Band, RunningBand
from quietfloor.monitor.core.history import History
from quietfloor.monitor.core.onsets import Onset, OnsetFinder
from quietfloor.monitor.core.samples import Chunk, Floats
from quietfloor.monitor.core.triggers import NOISE_FACTOR, TriggerSettings
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.readiness import electrodes, stream, trigger
from quietfloor.monitor.readiness.block_summary import PIECE_S, Piece, piece_of
from quietfloor.monitor.readiness.findings import Group
from quietfloor.monitor.readiness.impedance import Impedances
from quietfloor.monitor.readiness.lines import Line, Mains, Spectrum, find_mains, find_tone
from quietfloor.monitor.run.resolved_plan import layout_of
from quietfloor.monitor.run.unit_check import CHECK_S, PreflightError, UnitFinding, unit_of
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels

WINDOW_S = 4.0  # what figures are of: two lines 1 Hz apart are told from each other
LEAST_S = 1.0  # before it nothing is said about a channel
UNSETTLED_S = 0.3  # the first stamps after an inlet opened: what had waited comes at once
WIDE_HZ = (10.0, 1200.0)  # for mains and test tones; the plan's band is the one for noise
LAST_ONSETS, LAST_PIECES = 256, round(WINDOW_S / PIECE_S)


@dataclass
class Triggers:
    """Number of onsets so far."""

    onsets: deque[Onset] = field(default_factory=lambda: deque(maxlen=LAST_ONSETS))
    count: int = 0
    doubled: int = 0
    line: deque[Floats] = field(default_factory=lambda: deque(maxlen=LAST_PIECES))


class Readiness:
    """Checks one stream against one plan. ``feed`` each chunk, read ``groups`` at any time; from one thread.

    Raises SourceError for a stream from which no sweeps can be cut.
    """

    def __init__(self, description: StreamDescription, channels: Channels, plan: Plan) -> None:
        self.description, self.channels, self.plan = description, channels, plan
        self.triggers_sent: bool | None = None  # by us, without sound: None not tried, False about to, True
        rate = description.rate_hz
        self._rate = rate
        self._size = max(8, round(PIECE_S * rate))
        self._labels = [description.label(index) for index in channels.eeg]
        layout = layout_of(description, channels)
        self._refused = ""
        self._band: Band | None = None
        settings = TriggerSettings()
        try:
            engine = plan.engine_settings(layout)
            self._band, settings = engine.band, engine.trigger
        except PlanError as error:
            self._refused = str(error)
        high_hz = min(WIDE_HZ[1], 0.44 * rate)
        self._wide = Band(rate, WIDE_HZ[0], high_hz) if high_hz > 100.0 else None
        self._rail_uv = math.inf if plan.analysis.rail_uv is None else plan.analysis.rail_uv
        self._impedances = Impedances(description)
        self._held: list[Chunk] = []
        self._arrived = 0
        self.sample = 0  # worked through
        self._stamps = StampWatch(rate)
        self._fit = RateFit(rate, 0)
        self._fit_from = int(UNSETTLED_S * rate)
        self._arrivals = ArrivalWatch(rate)
        self._live, self._wrong_hz = False, math.nan  # the rate by the clock
        self._lost, self._breaks, self._bad = 0, 0, 0
        self._pieces: deque[Piece] = deque(maxlen=LAST_PIECES)
        self._finder = OnsetFinder(rate, settings)
        self._seen = Triggers()
        self._restart()

    @property
    def seconds(self) -> float:
        """Duration of the stream that was checked, in s."""
        return self.sample / self._rate

    def feed(self, chunk: Chunk) -> None:
        """Take the next chunk. Raises ValueError for another number of channels."""
        if len(chunk.samples) != self.description.channel_count:
            raise ValueError(f"a chunk of {len(chunk.samples)} channels; this stream has {self.description.channel_count}")
        self._held.append(chunk)
        self._arrived += len(chunk.stamps_s)
        if self._arrived - self.sample < self._size:
            return
        samples = np.concatenate([held.samples for held in self._held], axis=1)
        stamps_s = np.concatenate([held.stamps_s for held in self._held])
        whole = samples.shape[1] // self._size * self._size
        for start in range(0, whole, self._size):
            self._take(samples[:, start : start + self._size], stamps_s[start : start + self._size])
        self._held = [Chunk(samples[:, whole:], stamps_s[whole:])]

    def came(self, count: int, waiting: int, at_s: float, ahead_s: float) -> None:
        """Report samples read from a live stream; arguments as of ArrivalWatch.feed."""
        self._live = True
        for found in self._arrivals.feed(count, waiting, at_s, ahead_s):
            if found.refused:
                self._wrong_hz = found.measured_hz

    def paused(self) -> None:
        """Report that no samples came for a while."""
        self._arrivals.paused()

    def groups(self) -> tuple[Group, ...]:
        """Findings on stream, electrodes and trigger so far."""
        unit = self._unit()
        uv = unit.uv_per_unit if isinstance(unit, UnitFinding) else math.nan
        figures = self._channel_figures(uv)
        seen = self._trigger_figures()
        per_s = stream.sweeps_per_s(self.plan, 1.0 / seen.interval_s if seen.interval_s > 0 else math.nan)
        about_stream = stream.judge(self._stream_figures(unit), self.description, self.plan)
        contacts = [finding for channel in figures for finding in electrodes.judge(channel, self._rail_uv)]
        first = figures[0]
        dead = "" if electrodes.alive(first) or math.isnan(first.still) else first.label
        floor = stream.floor_finding(first.noise_uv, first.hum_in_band_uv, self.plan, per_s, dead)
        return (
            Group("stream", "Stream", (*about_stream, floor)),
            Group("electrodes", "Electrodes", tuple(contacts)),
            Group("trigger", "Trigger", trigger.judge(seen, self.plan)),
        )

    # -- what goes in ---------------------------------------------------------------------------------------------

    def _restart(self) -> None:
        """Start a new segment: filters, onsets and figures of channels start again."""
        count = len(self.channels.eeg)
        self._noise_band = None if self._band is None else RunningBand(self._band, count)
        self._wide_band = None if self._wide is None else RunningBand(self._wide, count)
        self._noise = History(count, self._keep(self._band))
        self._lines = History(count, self._keep(self._wide))
        self._raw = History(1, int(WINDOW_S * self._rate))
        self._finder.restart(self.sample)

    @staticmethod
    def _keep(band: Band | None) -> int:
        return 1 if band is None else int(WINDOW_S * band.analysis_rate_hz)

    def _take(self, samples: Floats, stamps_s: Floats) -> None:
        """Work through one piece (n_channels, n) of the stream."""
        self._time(stamps_s)
        self._impedances.feed(samples)
        eeg = samples[list(self.channels.eeg)].astype(np.float64)
        line = samples[self.channels.trigger].astype(np.float64)
        good = np.asarray(np.isfinite(eeg).all(axis=1))
        finite = bool(good.all() and np.isfinite(line).all())
        self.sample += len(stamps_s)
        if not finite:
            self._bad += int(np.count_nonzero(~(np.isfinite(eeg).all(axis=0) & np.isfinite(line))))
            eeg = np.where(good[:, np.newaxis], eeg, 0.0)
        self._pieces.append(piece_of(eeg, self._rate, good))
        if not finite:
            self._restart()
            return
        self._raw.append(eeg[:1])
        if self._noise_band is not None:
            self._noise.append(self._noise_band.feed(eeg))
        if self._wide_band is not None:
            self._lines.append(self._wide_band.feed(eeg))
        self._hear(line)

    def _time(self, stamps_s: Floats) -> None:
        """Judge jumps and the rate, from the time stamps alone."""
        for jump in self._stamps.feed(stamps_s):
            self._breaks += 1
            self._lost = jump.lost_samples
            self._fit = RateFit(self._rate, self.sample + len(stamps_s))
            self._fit_from = self.sample + len(stamps_s)
            self._restart()
        if self.sample >= self._fit_from:
            if self._fit.samples == 0:
                self._fit = RateFit(self._rate, self.sample)
            self._fit.feed(stamps_s)

    def _hear(self, line: Floats) -> None:
        seen = self._seen
        seen.line.append(line)
        for onset in self._finder.feed(line):
            if not onset.breaks:
                seen.onsets.append(onset)
                seen.count += 1
                seen.doubled += onset.doubled

    # -- figures --------------------------------------------------------------------------------------------------

    def _unit(self) -> UnitFinding | PreflightError | None:
        """The unit of the samples as a run would determine it, from the last second; None before there is one."""
        count = int(CHECK_S * self._rate)
        eeg = _last(self._raw, count)
        if self._band is None or eeg.shape[1] < count:
            return None
        try:
            return unit_of(self.plan.stream.unit, self.description, self.channels, eeg, self._band)
        except PreflightError as error:
            return error

    def _stream_figures(self, unit: UnitFinding | PreflightError | None) -> stream.StreamFigures:
        ppm, error = self._fit.ppm()
        falls = math.nan
        if self._band is not None:
            falls = stream.falls_db(_last(self._raw, int(WINDOW_S * self._rate))[0], self._rate, self.plan.analysis.band_hz)
        bad = self._bad / self.sample if self.sample else 0.0
        by_clock = self._wrong_hz, *self._arrivals.ppm()
        lost, breaks = self._lost, self._breaks
        uneven = self._live and not self._arrivals.settled
        return stream.StreamFigures(self.seconds, ppm, error, falls, unit, lost, breaks, bad, self._refused, *by_clock, uneven)

    def _channel_figures(self, uv: float) -> list[electrodes.ChannelFigures]:
        """Figures of each EEG channel; ``uv``: uV per stream unit. If it is nan, figures that need a unit are nan."""
        count = len(self.channels.eeg)
        carried = [self._impedances.of(index) for index in self.channels.eeg]
        pieces = self._pieces
        if len(pieces) * PIECE_S < LEAST_S:
            return [
                electrodes.ChannelFigures(label, i == 0, impedance_kohm=kohm, impedance_from=whence)
                for i, (label, (kohm, whence)) in enumerate(zip(self._labels, carried, strict=True))
            ]
        mains, hum, tones = self._spectral(uv, count)
        noise = self._noise_uv(uv, count)
        mean, largest, step, held = (
            np.array([getattr(piece, name) for piece in pieces]) for name in ("mean", "largest", "step", "held")
        )  # each (n_pieces, n_channels)
        still = np.array([piece.still for piece in pieces])
        limited = np.array([piece.limited for piece in pieces]) | (largest * uv >= self._rail_uv)
        drift = electrodes.drift_uv_per_s(mean.T * uv, self._size / self._rate)
        bad = 1.0 - np.array([piece.finite for piece in pieces]).mean(axis=0)
        return [
            electrodes.ChannelFigures(
                self._labels[i],
                i == 0,
                still=float(still[:, i].mean()),
                limited=float(limited[:, i].mean()),
                not_finite=float(bad[i]),
                zero=not largest[:, i].any(),
                level_uv=float(np.median(mean[:, i])) * uv,
                drift_uv_per_s=float(drift[i]),
                noise_uv=noise[i],
                held=float(held[:, i].mean()),
                step_uv=float(step[:, i].min()) * uv,
                mains=mains[i],
                hum_in_band_uv=hum[i],
                tone=tones[i],
                impedance_kohm=carried[i][0],
                impedance_from=carried[i][1],
            )
            for i in range(count)
        ]

    def _noise_uv(self, uv: float, count: int) -> list[float]:
        """In-band RMS of each channel over the last seconds, from the median."""
        if self._band is None or self._noise.stop < LEAST_S / 2 * self._band.analysis_rate_hz:
            return [math.nan] * count
        values = _last(self._noise, self._keep(self._band))
        return [float(1.4826 * np.median(np.abs(row)) * uv) for row in values]

    def _spectral(self, uv: float, count: int) -> tuple[list[Mains | None], list[float], list[Line | None]]:
        """For each channel: mains, the RMS of mains in the plan's band, and a test tone."""
        wide = self._wide
        if wide is None or math.isnan(uv) or self._lines.stop < LEAST_S * wide.analysis_rate_hz:
            return [None] * count, [math.nan] * count, [None] * count
        spectrum = Spectrum(_last(self._lines, self._keep(wide)) * uv, wide.analysis_rate_hz)
        sound = self.plan.sound
        mains = find_mains(spectrum, trigger.MAINS_HZ if sound is None else sound.mains_hz)
        hum = []
        for found in mains:
            hz, sizes = np.array([line.hz for line in found.lines]), np.array([line.amplitude for line in found.lines])
            inside = np.zeros(0) if self._band is None or not len(hz) else sizes * self._band.response(hz)
            hum.append(float(np.sqrt((inside**2).sum() / 2)))
        return list(mains), hum, list(find_tone(spectrum))

    def _trigger_figures(self) -> trigger.TriggerFigures:
        seen = self._seen
        line = np.concatenate(list(seen.line)) if seen.line else np.zeros(1)
        rest, model = float(np.median(line)), self._finder.model
        away = np.abs(line - rest)
        noise = 1.4826 * float(np.median(away))
        moves = bool((away > NOISE_FACTOR * noise).any())
        if model is not None:  # a gate is at its other level for half of the time
            away = np.minimum(np.abs(line - model.rest), np.abs(line - model.rest - 2 * model.sign * model.threshold))
            noise = 1.4826 * float(np.median(away))
        intervals = np.diff([onset.position for onset in seen.onsets])
        usual = median(intervals) if len(intervals) else math.nan
        sound = self.plan.sound
        apart = 0.0 if sound is None else 1e-3 * (sound.random_interval_ms or 0.0) * self._rate
        near = intervals[np.abs(intervals - usual) <= max(1.0, 0.02 * usual) + apart] if len(intervals) else intervals
        last = seen.onsets[-1].position if seen.onsets else math.nan
        return trigger.TriggerFigures(
            label=self.description.label(self.channels.trigger),
            seconds=self.seconds,
            model=model,
            onsets=seen.count,
            doubled=seen.doubled,
            interval_s=float(np.mean(near)) / self._rate if len(near) else math.nan,
            since_s=(self.sample - last) / self._rate,
            noise=noise,
            moves=moves,
            ours=self.plan.sound is not None,
            sent=self.triggers_sent,
            trigger_db_fs=None if self.plan.sound is None else self.plan.sound.trigger_db_fs,
        )


def _last(history: History, count: int) -> Floats:
    """The last ``count`` columns, or fewer if there are not so many."""
    return history.get(max(history.first, history.stop - count), history.stop)
