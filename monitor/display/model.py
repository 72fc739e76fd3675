"""Everything the screen shows, as plain values ready to be painted. No Qt, no clock, no waiting: widgets only paint these.

``ViewModel.advance`` takes what came since and the newest status; the properties give frozen values. Every look is kept (thinned
when there are very many), so a paused view can go back while recording goes on.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor import sentence
from monitor.core.analysis import JUDGED_FROM_MS
from monitor.core.events import AverageNow, Gap, LookDone, SoundBroken, UnitDone
from monitor.core.samples import Floats
from monitor.core.settings import EngineSettings
from monitor.display.feed import Feed
from monitor.display.traces import MinMaxRing
from monitor.status import Notice, Status

SHOWN_S = 8.0  # of incoming EEG
COLUMNS = 1200
MOST_LOOKS = 4000  # kept with their averages: about 20 MB; then every second of the older half goes
BAND_SD = 1.96  # the noise band holds the true curve at 95 of 100 moments
STATES = ("waiting", "undecided", "present", "absent", "stopped", "fault")


@dataclass(frozen=True)
class Headline:
    """The answer: one of STATES, its word, the rest of the sentence, and a quiet line of particulars."""

    state: str
    word: str
    rest: str
    particulars: str


@dataclass(frozen=True)
class Plane:
    """The run as a path through residual noise (nV) and the standing of its rule, with what is left to go.

    ``path`` (n, 2) of noise and standing; ``cone`` (k, 2), empty where there is no forecast; ``needed`` and ``floor_nv`` bound
    the regions. The noise axis runs from ``noise_range_nv[0]`` down to ``[1]``.
    """

    path: Floats
    cone: Floats
    needed: float
    floor_nv: float
    noise_range_nv: tuple[float, float]
    standing_range: tuple[float, float]
    axis: str  # of the standing, in words
    promise: str  # what the rule promises, or that it promises nothing
    upper_limit_nv: float  # no response larger than about this; nan while not known


@dataclass(frozen=True)
class Curves:
    """The averages of the deciding channel in nV, (n,) each on ``times_ms``, and where to look."""

    times_ms: Floats
    average_nv: Floats
    a_nv: Floats
    b_nv: Floats
    plus_minus_nv: Floats
    half_band_nv: float  # BAND_SD x residual noise, on either side of the average
    latency_ms: tuple[float, float]
    window_ms: tuple[float, float]
    unjudged_ms: tuple[float, float]  # may hold the electrical artefact of the stimulus
    correlation: float  # of the halves over the window; nan where there are none


@dataclass(frozen=True)
class Stretch:
    """A part of the incoming signal that was left out, in seconds before the newest sample (from > to >= 0), and why."""

    from_s: float
    to_s: float
    why: str


@dataclass(frozen=True)
class Scroll:
    """The incoming signal: low and high (n_channels, COLUMNS) in uV, oldest first, the last column is now."""

    seconds_s: Floats  # (COLUMNS,) negative, 0 is the newest
    low_uv: Floats
    high_uv: Floats
    triggers_s: Floats  # (n,) negative
    left_out: tuple[Stretch, ...]
    behind_ms: float
    labels: tuple[str, ...]
    range_uv: float  # a half range that holds what is usual


@dataclass(frozen=True)
class NoiseTrack:
    """Residual noise (nV) against accepted sweeps, with the line that 1/sqrt(N) draws through the first of them."""

    sweeps: Floats
    noise_nv: Floats
    expected_nv: Floats
    floor_nv: float
    cause: str


class _Kept:
    """The looks of a run with their averages, oldest first."""

    def __init__(self) -> None:
        self.looks: list[LookDone] = []
        self.averages: list[AverageNow | None] = []

    def add(self, look: LookDone, average: AverageNow | None) -> None:
        self.looks.append(look)
        self.averages.append(average)
        if len(self.looks) > MOST_LOOKS:
            half = MOST_LOOKS // 2
            self.looks = self.looks[:half:2] + self.looks[half:]
            self.averages = self.averages[:half:2] + self.averages[half:]


class ViewModel:
    """One run on the screen. ``title`` is its line of particulars, ``settings`` those of its engine, once they are known."""

    def __init__(self, feed: Feed, title: str, floor_nv: float, max_sweeps: int, latency_ms: tuple[float, float]) -> None:
        self.title = title
        self.status = Status()
        self.settings: EngineSettings | None = None
        self._feed = feed
        self._floor_nv, self._max_sweeps, self._latency_ms = floor_nv, max_sweeps, latency_ms
        self._kept = _Kept()
        self._at: int | None = None  # look that is shown; None: the newest
        self._ring: MinMaxRing | None = None
        self._triggers: deque[float] = deque(maxlen=4000)  # raw samples
        self._left_out: deque[tuple[float, float, str]] = deque(maxlen=1000)
        self._spread_uv = math.nan
        self.messages: deque[str] = deque(maxlen=200)

    # -- what came ----------------------------------------------------------------------------------------------------

    def begin(self, settings: EngineSettings) -> None:
        """The engine's settings, as soon as the stream is understood."""
        self.settings = settings
        raw_per_column = SHOWN_S * settings.layout.rate_hz / COLUMNS
        self._ring = MinMaxRing(len(settings.layout.eeg), COLUMNS, raw_per_column)

    def advance(self, status: Status) -> None:
        """Take in the newest status and all that the feed holds."""
        self.status = status
        events, signal = self._feed.take()
        for event in events:
            if isinstance(event, UnitDone):
                self._judged(event)
            elif isinstance(event, Notice):
                self.messages.append(event.text)
            elif isinstance(event, LookDone):
                self._kept.add(event, None)
            elif isinstance(event, (Gap, SoundBroken)) and self.settings is not None:
                at = event.sample if isinstance(event, Gap) else event.position
                why = "samples lost" if isinstance(event, Gap) else "sound broken"
                self._left_out.append((at, at + 0.01 * self.settings.layout.rate_hz, why))
        if self._kept.looks and status.average is not None and status.look == self._kept.looks[-1]:
            self._kept.averages[-1] = status.average
        if self._ring is not None and self.settings is not None:
            for first, values in signal:
                self._ring.add(first, self.settings.band.step, values)
                self._learn_range(values)

    def _judged(self, unit: UnitDone) -> None:
        self._triggers.extend(unit.positions)
        if self.settings is None:
            return
        rate = self.settings.layout.rate_hz
        start, stop = (1e-3 * ms * rate for ms in self.settings.epoch_ms)
        for position, why in zip(unit.positions, unit.left_out, strict=True):
            if why is not None:
                self._left_out.append((position + start, position + stop, sentence.REASONS.get(why, why)))

    def _learn_range(self, values: Floats) -> None:
        spread = float(np.median(np.abs(values[0]))) / 0.6745
        self._spread_uv = spread if math.isnan(self._spread_uv) else 0.95 * self._spread_uv + 0.05 * spread

    # -- going back ---------------------------------------------------------------------------------------------------

    @property
    def looks(self) -> int:
        """How many looks can be gone back to."""
        return len(self._kept.looks)

    @property
    def shown(self) -> int:
        """Index of the look that is shown, -1 before the first."""
        return self.looks - 1 if self._at is None else min(self._at, self.looks - 1)

    @property
    def live(self) -> bool:
        """Whether the newest look is shown."""
        return self._at is None

    def show(self, look: int | None) -> None:
        """Freeze the view at a look (clipped to those there are); None follows the newest again. Recording goes on either way."""
        self._at = None if look is None or not self.looks else int(min(max(look, 0), self.looks - 1))

    @property
    def look(self) -> LookDone | None:
        return self._kept.looks[self.shown] if self.looks else self.status.look

    # -- what is shown ------------------------------------------------------------------------------------------------

    def headline(self) -> Headline:
        status, verdict = self.status, self.status.verdict
        if not self.live and self.look is not None:
            word, rest = "Earlier", f"look {self.shown + 1} of {self.looks}: {sentence.numbers(self.look, self._floor_nv)}"
            return Headline("undecided", word, rest, self._particulars())
        text = sentence.headline(status, self._floor_nv)
        if verdict is not None:
            state = {"response": "present", "noise_floor": "absent", "fault": "fault"}.get(verdict.stopped_by, "stopped")
            word = sentence.HEADLINES[verdict.verdict]
        elif text.startswith("Undecided"):
            state, word = "undecided", "Undecided"
        else:
            state, word = "waiting", text.split(":")[0].split(" ")[0]
        return Headline(state, word, text.removeprefix(word).lstrip(",: "), self._particulars())

    def _particulars(self) -> str:
        look = self.look
        sweeps = "no sweep yet" if look is None else sentence.count(look.sweeps_accepted, "sweep")
        parts = [self.title, sweeps, sentence.left_out(look), f"behind by {self.status.behind_ms:.0f} ms"]
        if look is not None and look.lost_samples:
            parts.insert(3, f"{sentence.count(look.lost_samples, 'sample')} lost")
        return " · ".join(part for part in parts if part)

    def plane(self) -> Plane | None:
        """None before the first look with a noise that is known."""
        looks = self._kept.looks[: self.shown + 1]
        path = np.array([(look.residual_noise_nv, look.standing) for look in looks], dtype=np.float64).reshape(-1, 2)
        path = path[np.isfinite(path[:, 0])]
        if not len(path) or self.look is None or self.settings is None:
            return None
        path = np.nan_to_num(path, nan=0.0)  # before the rule can say anything it stands at 0
        needed = self.look.needed
        finds = self.settings.finds
        quietest = min(self._floor_nv * 0.6, float(path[:, 0].min()) * 0.9)
        loudest = max(float(path[:, 0].max()) * 1.05, self._floor_nv * 2)
        low, high = min(-0.5 * needed, float(path[:, 1].min()) - 0.2), max(1.5 * needed, float(path[:, 1].max()) + 0.3)
        axes = {"evidence": "evidence, log10", "p_value": f"{finds.title}, log10 of 1/p", "ratio": finds.title}
        promise = finds.promise or "this rule keeps no error rate"
        return Plane(
            path, self._cone(self.look, needed), needed, self._floor_nv, (loudest, quietest), (low, high),
            axes[self.look.measure], promise, self.look.upper_limit_nv,
        )  # fmt: skip

    def _cone(self, look: LookDone, needed: float) -> Floats:
        """Where the decision is expected (8 of 10 runs): noise by the forecast range, standing up to what is needed or level."""
        nothing = np.empty((0, 2))
        if self.status.verdict is not None and self.live:
            return nothing
        soon, late, chance = look.forecast_low_sweeps, look.forecast_high_sweeps, look.forecast_response
        if not (math.isfinite(soon + late + chance) and look.sweeps_presented > 0):
            return nothing
        noise, now = look.residual_noise_nv, look.standing if math.isfinite(look.standing) else 0.0
        near, far = (noise * math.sqrt(look.sweeps_presented / (look.sweeps_presented + ahead)) for ahead in (soon, late))
        far = max(far, self._floor_nv) if chance < 0.9 else far
        points = [(noise, now)]
        if chance > 0.1:
            points += [(near, needed), (far, needed)]
        if chance < 0.9:
            points += [(far, now - 0.3)]
            if chance <= 0.1:
                points += [(near, now - 0.3)]
        return np.array(points)

    def curves(self) -> Curves | None:
        """None before the first average."""
        average = self._kept.averages[self.shown] if self.looks else None
        average = average if average is not None else self.status.average
        if average is None or self.settings is None:
            return None
        times, look = average.times_ms, self.look
        window = self.settings.window_ms
        inside = (times >= window[0]) & (times <= window[1])
        a, b = 1e3 * average.a_uv[0], 1e3 * average.b_uv[0]
        with np.errstate(invalid="ignore"):
            known = a[inside].std() > 0 and b[inside].std() > 0
        correlation = float(np.corrcoef(a[inside], b[inside])[0, 1]) if known else math.nan
        half_band = BAND_SD * look.residual_noise_nv if look is not None else math.nan
        delay_ms = self.settings.delay_ms
        return Curves(
            times, 1e3 * average.average_uv[0], a, b, 1e3 * average.plus_minus_uv[0], half_band, self._latency_ms, window,
            (-delay_ms, min(JUDGED_FROM_MS, window[0])), correlation,
        )  # fmt: skip

    def scroll(self) -> Scroll | None:
        """None before the first signal."""
        if self._ring is None or self.settings is None or self._ring.newest < 0:
            return None
        rate = self.settings.layout.rate_hz
        raw_per_column = SHOWN_S * rate / COLUMNS
        now = (self._ring.newest + 1) * raw_per_column
        low, high = self._ring.window()
        oldest = now - SHOWN_S * rate
        triggers = np.array([at for at in self._triggers if at >= oldest])
        stretches = tuple(self._stretches(now, oldest, rate))
        layout = self.settings.layout
        labels = tuple(layout.labels[row] for row in layout.eeg)
        seconds = (np.arange(COLUMNS) + 1 - COLUMNS) * SHOWN_S / COLUMNS
        usual = 5.0 * self._spread_uv if math.isfinite(self._spread_uv) else 10.0
        return Scroll(seconds, low, high, (triggers - now) / rate, stretches, self.status.behind_ms, labels, usual)

    def _stretches(self, now: float, oldest: float, rate: float) -> Iterator[Stretch]:
        """Stretches in view; neighbours with the same reason are one."""
        begun: tuple[float, float, str] | None = None
        for start, stop, why in self._left_out:
            if stop < oldest:
                continue
            if begun is not None and why == begun[2] and start <= begun[1] + 0.03 * rate:
                begun = (begun[0], max(stop, begun[1]), why)
                continue
            if begun is not None:
                yield Stretch((now - begun[0]) / rate, max(0.0, (now - begun[1]) / rate), begun[2])
            begun = (max(start, oldest), stop, why)
        if begun is not None:
            yield Stretch((now - begun[0]) / rate, max(0.0, (now - begun[1]) / rate), begun[2])

    def noise_track(self) -> NoiseTrack | None:
        """None before the first look with a noise that is known."""
        shown = self._kept.looks[: self.shown + 1]
        looks = [look for look in shown if math.isfinite(look.residual_noise_nv) and look.sweeps_accepted]
        if not looks:
            return None
        sweeps = np.array([look.sweeps_accepted for look in looks], dtype=np.float64)
        noise = np.array([look.residual_noise_nv for look in looks])
        first = min(7, len(looks) - 1)  # the very first looks rest on few sweeps
        expected = noise[first] * np.sqrt(sweeps[first] / sweeps)
        return NoiseTrack(sweeps, noise, expected, self._floor_nv, looks[-1].noise_cause)

    @property
    def max_sweeps(self) -> int:
        return self._max_sweeps
