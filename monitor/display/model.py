"""Content of the screen as plain values that are ready to be painted. No Qt, no clock, no waiting: widgets only paint these
values.

``ViewModel.advance`` takes the new data and the newest status; the methods return frozen values. All looks are kept (thinned when
there are very many), and the last minutes of signal, so that the view can be paused or go back while recording goes on.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from quietfloor.monitor.core.analysis import JUDGED_FROM_MS
from quietfloor.monitor.core.events import CellUnit, Gap, LookDone, SoundBroken, UnitDone
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.display import board
from quietfloor.monitor.display.board import DOUBT
from quietfloor.monitor.display.feed import Feed, deciding
from quietfloor.monitor.display.ladder import DISCARDED, Ladder
from quietfloor.monitor.display.look_history import MOST_LOOKS, LookHistory, Moments
from quietfloor.monitor.display.scales import nice_above
from quietfloor.monitor.display.traces import MinMaxRing, Singles
from quietfloor.monitor.display.views import STATES, Curves, Headline, NoiseTrack, Plane, Scroll, Stretch, doubted
from quietfloor.monitor.run import status_text
from quietfloor.monitor.run.status import Notice, Status
from quietfloor.monitor.search.now import SearchNow

SHOWN_S = 8.0  # of incoming EEG
COLUMNS = 1200
REMEMBERED_S = 600.0  # of incoming EEG that a view can go back to: 0.7 MB a channel
BAND_SD = 1.96  # half width of the noise band: pointwise 95 % confidence
USUAL_SD = 5.0  # of the signal fit into the height of its row
MARK_STEPS_S, MOST_MARKS = (5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0), 10
AROUND = 0.15  # of what is needed: how far a run without a response may wander meanwhile, for the eye only
STATE_OF = {"response": "present", "noise_floor": "absent", "upper_limit": "absent", "fault": "fault"}

# Messages about a moment, which are over soon, and messages that say that another one no longer holds.
MOMENTS = frozenset({"stream_back", "stream_reopened", "stood_still", "sound_underrun", "file_gone", "note"})
ENDS = {"stream_back": "stream_silent", "stream_reopened": "stream_silent"}
MOMENT_S = 20.0  # of stream


class ViewModel:
    """One run on the screen. ``title`` is its line of particulars; ``heard`` its ear and level in words, and the ear."""

    def __init__(
        self,
        feed: Feed,
        title: str,
        floor_nv: float,
        max_sweeps: int,
        latency_ms: tuple[float, float],
        heard: tuple[str, str] = ("", ""),
    ) -> None:
        self.title = title
        self.discarded = False  # by the operator, so that it does not count any more
        self.doubts: Mapping[str, str] = {}  # states of findings that are not known to be this ear's, and why
        self.doubtful: tuple[str, ...] = ()  # conditions of a search, in short, of whose response the same is true
        self._heard, self._ear = heard
        self.status = Status()
        self.settings: EngineSettings | None = None  # once they are known
        self.version = 0  # another number: something but the incoming signal is to be painted again
        self.judged = 0  # another number: stretches of the signal were judged, also of the moment that is shown
        self.messages: deque[str] = deque(maxlen=200)
        self._said: deque[tuple[str, str, float]] = deque(maxlen=50)  # what it is about, the text, when it came in s of stream
        self._feed = feed
        self._floor_nv, self._max_sweeps, self._latency_ms = floor_nv, max_sweeps, latency_ms
        self._history = LookHistory()
        self._at_raw: float | None = None  # moment that is shown, raw samples; None: now
        self._ring: MinMaxRing | None = None
        self._triggers = Moments()
        self._left_out: deque[tuple[float, float, str]] = deque(maxlen=1000)
        self._spread_uv: Floats = np.empty(0)
        self._range_uv = 10.0

    # -- what came ----------------------------------------------------------------------------------------------------

    def begin(self, settings: EngineSettings) -> None:
        """Set the engine's settings, when the stream is known."""
        self.settings = settings
        rate, channels = settings.layout.rate_hz, len(settings.layout.eeg)
        self._ring = MinMaxRing(channels, round(COLUMNS * REMEMBERED_S / SHOWN_S), SHOWN_S * rate / COLUMNS)
        self._spread_uv = np.full(channels, np.nan)
        self.version += 1

    def advance(self, status: Status) -> None:
        """Take in the newest status and all that the feed holds."""
        came = self._feed.take()
        before, self.status = self.status, status
        for event in came.events:
            if isinstance(event, UnitDone):
                self._judged(event.positions, event.left_out)
            elif isinstance(event, CellUnit):
                self._judged(event.positions, event.faults)
            elif isinstance(event, Notice):
                said = f"Note: {event.text}" if event.what == "note" else f"! {event.text}"
                self.messages.append(said.removeprefix("! "))
                self._said.append((event.what, said, status.seconds))
            elif isinstance(event, LookDone):
                self._history.add(event)
            elif isinstance(event, (Gap, SoundBroken)) and self.settings is not None:
                at = event.sample if isinstance(event, Gap) else event.position
                why = "samples lost" if isinstance(event, Gap) else "sound broken"
                self._left_out.append((at, at + 0.01 * self.settings.layout.rate_hz, why))
        for look, average in came.averages:
            self._history.average_of(look, average)
        if status.average is not None and status.look is not None and status.average is not before.average:
            self._history.average_of(status.look, deciding(status.average))
        if self._ring is not None and self.settings is not None:
            for first, values in came.signal:
                self._ring.add(first, self.settings.band.step, values)
            if came.signal:
                self._learn_ranges(came.signal[-1][1])
        if came.averages or any(isinstance(event, LookDone) for event in came.events) or any(
            getattr(status, name) is not getattr(before, name) for name in ("verdict", "search", "average", "state")
        ):  # fmt: skip
            self.version += 1
        self.judged += bool(came.events)

    def _judged(self, positions: tuple[float, ...], left_out: tuple[str | None, ...]) -> None:
        self._triggers.add(positions)
        if self.settings is None:
            return
        rate = self.settings.layout.rate_hz
        start, stop = (1e-3 * ms * rate for ms in self.settings.epoch_ms)
        for position, why in zip(positions, left_out, strict=True):
            if why is not None:
                self._left_out.append((position + start, position + stop, status_text.REASONS.get(why, why)))

    def _learn_ranges(self, values: Singles) -> None:
        """Set the scale of all rows, so that they can be compared, to what is usual in the middle channel of them: one that is
        loose is cut at the edges of its row, and makes no other one small. In steps, because a scale that changes all the time
        is hard to read."""
        spread = np.median(np.abs(values), axis=1) / 0.6745
        known = np.isfinite(self._spread_uv)
        self._spread_uv = np.where(known, 0.95 * self._spread_uv + 0.05 * spread, spread)
        usual = np.sort(USUAL_SD * self._spread_uv[np.isfinite(self._spread_uv) & (self._spread_uv > 0)])
        middle = float(usual[(len(usual) - 1) // 2]) if len(usual) else self._range_uv
        if not 0.3 * self._range_uv <= middle <= 1.2 * self._range_uv:
            self._range_uv = nice_above(middle)

    def remark(self, ladder: Ladder) -> None:
        """Take in what the session knows of this run: whether it counts, and whose response it is not known to be."""
        self.discarded, self.doubts, self.doubtful = ladder.discarded, ladder.doubts, ladder.doubtful

    # -- going back ---------------------------------------------------------------------------------------------------

    @property
    def looks(self) -> int:
        """How many looks can be gone back to."""
        return len(self._history)

    @property
    def shown(self) -> int:
        """Index of the look that is shown, -1 before the first."""
        if not self.looks:
            return -1
        return self.looks - 1 if self._at_raw is None else self._history.at(self._at_raw)

    @property
    def live(self) -> bool:
        """Whether new data are shown as they arrive."""
        return self._at_raw is None

    @property
    def moment_s(self) -> float:
        """The moment that is shown, in seconds of the stream."""
        if self._at_raw is None or self.settings is None:
            return self.status.seconds
        return self._at_raw / self.settings.layout.rate_hz

    def show(self, look: int | None) -> None:
        """Freeze the view at a look (limited to existing ones); None follows new data again. Recording goes on in any case."""
        if look is None or not self.looks:
            self._at_raw = None
        else:
            self._at_raw = float(self._history.looks[min(max(look, 0), self.looks - 1)].sample)
        self.version += 1

    def show_moment(self, seconds: float) -> None:
        """Freeze the view at a moment of the stream that has passed; follows what comes from its end on."""
        if self.settings is not None:
            self._at_raw = None if seconds >= self.status.seconds else max(0.0, seconds) * self.settings.layout.rate_hz
            self.version += 1

    def hold(self) -> None:
        """Freeze the present view."""
        if self._at_raw is None and self.settings is not None:
            self._at_raw = self.status.seconds * self.settings.layout.rate_hz
            self.version += 1

    @property
    def look(self) -> LookDone | None:
        """The look that is shown."""
        return self._history.looks[self.shown] if self.looks else self.status.look

    # -- what is shown ------------------------------------------------------------------------------------------------

    @property
    def search(self) -> SearchNow | None:
        """The search, which plays nothing any more once the run has its verdict; None where the run is none."""
        search = self.status.search
        return search if search is None or self.status.verdict is None else replace(search, over=True, playing=())

    @property
    def message(self) -> str:
        """The newest message whose cause still holds, "" for none. Of a moment it is shown for a while only."""
        ended = set()
        for what, text, came_s in reversed(self._said):
            ended.add(ENDS.get(what))
            if what not in ended and not (what in MOMENTS and self.status.seconds - came_s > MOMENT_S):
                return text
        return ""

    def headline(self) -> Headline:
        search = self.search
        if search is not None:
            of_search = board.headline(search, self.status, self.title)
            if not self.discarded:
                whose = f"not known to be this ear's: {', '.join(self.doubtful)}; " if self.doubtful and search.over else ""
                return replace(of_search, rest=f"{whose}{of_search.rest}", doubt=DOUBT if whose else "")
            rest = f"does not count any more; it was: {of_search.word.lower()}, {of_search.rest}"
            return replace(of_search, state=DISCARDED, word="Discarded", rest=rest, meaning="")
        state, word, rest = self._now()
        own: dict[str, Any] = {"heard": self._heard, "ear": self._ear}
        if state in self.doubts:
            why = self.doubts[state]
            word, rest = f"{word} ({DOUBT})", f"{why}; {rest}"
            own["meaning"], own["doubt"] = f"Not known to be this ear's: {why}.", DOUBT
        if self.discarded:
            state, word, rest = DISCARDED, "Discarded", f"does not count any more; it was: {word.lower()}, {rest}".rstrip(", ")
            own["meaning"], own["doubt"] = "", ""
        if self.live:
            return Headline(state, word, rest, self._particulars(), **own)
        where = f"look {self.shown + 1} of {self.looks}: " if self.looks else ""
        waits_nv = math.nan if self.look is None else self.look.waits_for_nv
        shown = f"{where}{status_text.numbers(self.look, waits_nv if math.isfinite(waits_nv) else self._floor_nv)}"
        now = self._whose(state)
        return Headline("earlier", "Earlier", shown, self._particulars(), word, now, self.status.verdict is not None, **own)

    def _whose(self, state: str) -> str:
        """The state with the question whose response it is, where that is not known."""
        return doubted(state) if state in self.doubts else state

    def _now(self) -> tuple[str, str, str]:
        """State, word and the rest of the sentence as it stands at present."""
        text = status_text.headline(self.status, self._floor_nv)
        verdict = self.status.verdict
        if verdict is None and self.status.state in ("ready", "checking"):
            return "waiting", "Checking", "the first second of the stream: its unit, and whether it is alive"
        if verdict is not None:
            state, word = STATE_OF.get(verdict.stopped_by, "stopped"), status_text.HEADLINES[verdict.verdict]
        elif text.startswith(status_text.HEADLINES["response_present"]):  # the run goes on until its average is quiet
            state, word = STATE_OF["response"], status_text.HEADLINES["response_present"]
        elif text.startswith("Undecided"):
            state, word = "undecided", "Undecided"
        else:
            state, word = "waiting", text.split(":")[0].split(" ")[0]
        rest, ahead = text.removeprefix(word).lstrip(",: "), status_text.ahead(self.status.look)
        if verdict is None and ahead and ahead in rest:  # first, because what does not fit is cut at the end
            known, _, advice = rest.partition(ahead)
            rest = f"{ahead}, {known.rstrip(', ')}{advice}"
        return state, word, rest

    def _particulars(self) -> str:
        look = self.look
        sweeps = "no sweep yet" if look is None else status_text.count(look.sweeps_accepted, "sweep")
        lag = f"processing lag {self._lag_ms:.0f} ms" if math.isfinite(self._lag_ms) else ""
        parts = [self.title, sweeps, status_text.rejected(look), lag]
        if look is not None and look.lost_samples:
            parts.insert(3, f"{status_text.count(look.lost_samples, 'sample')} lost")
        return " · ".join(part for part in parts if part)

    @property
    def _lag_ms(self) -> float:
        """How far processing is behind now; nan when the run is over, or another moment is shown."""
        return self.status.behind_ms if self.live and self.status.verdict is None else math.nan

    def plane(self) -> Plane | None:
        """None before the first look with a noise that is known."""
        look = self.look
        whole = self._history.figures(self.shown + 1)[:2].T
        path = whole[np.isfinite(whole[:, 0])]
        if not len(path) or look is None or self.settings is None:
            return None
        said = np.flatnonzero(np.isfinite(path[:, 1]))
        known_from = int(said[0]) if len(said) else len(path)
        path = np.nan_to_num(path, nan=0.0)  # before the rule can say anything it stands at 0
        needed = look.needed
        finds = self.settings.finds
        quietest = min(self._floor_nv * 0.5, float(path[:, 0].min()) * 0.9)
        telling = path[max(0, min(known_from - 4, len(path) - 4)) :, 0]  # what came long before has no place worth its width
        loudest = max(float(telling.max()) * 1.05, self._floor_nv * 2)
        step = needed / 4  # the axis grows in steps
        low = step * math.floor(min(-0.5 * needed, float(path[:, 1].min()) - 0.1 * needed) / step)
        high = step * math.ceil(max(1.5 * needed, float(path[:, 1].max()) + 0.1 * needed) / step)
        axes = {"evidence": "evidence, log10", "p_value": f"{finds.title}, log10 of 1/p", "ratio": finds.title}
        promise = finds.promise or "this rule keeps no error rate"
        ahead = status_text.ahead(look) if self._open else ""
        seconds = look.sample / self.settings.layout.rate_hz
        every_s = next((step for step in MARK_STEPS_S if seconds / step <= MOST_MARKS), MARK_STEPS_S[-1])
        left_away = len(whole) - len(path)  # looks at which the noise was not known yet: the first ones
        places = self._history.every(every_s * self.settings.layout.rate_hz, self.shown + 1)
        marks = tuple(place - left_away for place in places if place - left_away >= known_from)
        return Plane(
            path, known_from, self._cone(look, needed), needed, self._floor_nv, (loudest, quietest), (low, high),
            axes[look.measure], promise, math.nan if self.discarded else look.upper_limit_nv, marks, every_s, ahead,
            "earlier" if not self.live else DISCARDED if self.discarded else self._whose(self._now()[0]),
            math.nan if self.settings.quiet_nv is None else self.settings.quiet_nv,
        )  # fmt: skip

    @property
    def _open(self) -> bool:
        """Whether the run was undecided at the moment that is shown."""
        return self.status.verdict is None or self.shown < self.looks - 1

    def _cone(self, look: LookDone, needed: float) -> Floats:
        """Where the decision is expected (8 of 10 runs): noise by the forecast range, standing up to what is needed or level."""
        nothing = np.empty((0, 2))
        if not self._open:
            return nothing
        soon, late, chance = look.forecast_low_sweeps, look.forecast_high_sweeps, look.forecast_response
        if not (math.isfinite(soon + late + chance) and look.sweeps_presented > 0):
            return nothing
        noise, now = look.residual_noise_nv, look.standing if math.isfinite(look.standing) else 0.0
        if math.isfinite(look.waits_for_nv):  # found: only the noise is still to fall
            quiet, apart = look.waits_for_nv, AROUND * needed
            return np.array([(noise, now), (quiet, now + apart), (quiet, now - apart)])
        near, far = (noise * math.sqrt(look.sweeps_presented / (look.sweeps_presented + ahead)) for ahead in (soon, late))
        far = max(far, self._floor_nv) if chance < 0.9 else far
        if chance <= 0.1:  # only the noise is still to fall
            points = [(noise, now), (far, now + AROUND * needed), (far, now - AROUND * needed)]
        else:
            points = [(noise, now), (near, needed), (far, needed)]
            if chance < 0.9:
                points.append((far, now - AROUND * needed))
        return np.array(points)

    def curves(self) -> Curves | None:
        """None before the first average."""
        place, average = self._history.average_at(self.shown) if self.looks else (-1, None)
        if average is None or self.settings is None:
            return None
        times, look = average.times_ms, self._history.looks[place]
        window = self.settings.window_ms
        inside = (times >= window[0]) & (times <= window[1])
        a, b = 1e3 * average.a_uv[0], 1e3 * average.b_uv[0]
        known = bool(np.all(np.isfinite(a[inside] + b[inside]))) and a[inside].std() > 0 and b[inside].std() > 0
        correlation = float(np.corrcoef(a[inside], b[inside])[0, 1]) if known else math.nan
        return Curves(
            times, 1e3 * average.average_uv[0], a, b, 1e3 * average.plus_minus_uv[0], BAND_SD * look.residual_noise_nv,
            self._latency_ms, window, (float(times[0]), min(JUDGED_FROM_MS, window[0])), correlation, place,
            self.discarded,
        )  # fmt: skip

    def scroll(self) -> Scroll | None:
        """None before the first signal."""
        if self._ring is None or self.settings is None or self._ring.newest < 0:
            return None
        rate = self.settings.layout.rate_hz
        raw_per_column = SHOWN_S * rate / COLUMNS
        end = self._ring.newest + 1
        if self._at_raw is not None:
            known = self._at_raw - self.settings.band.reach  # the filter's output was behind by this much at that moment
            end = min(end, int(known / raw_per_column))
        low, high = self._ring.window(COLUMNS, end)
        now, oldest = end * raw_per_column, (end - COLUMNS) * raw_per_column
        triggers = (self._triggers.between(oldest, now) - now) / rate
        layout = self.settings.layout
        return Scroll(
            SECONDS, low, high, triggers, tuple(self._stretches(now, oldest, rate)), self._lag_ms,
            tuple(layout.labels[row] for row in layout.eeg), self._range_uv,
            tuple((USUAL_SD * self._spread_uv).tolist()), self.settings.band_hz, now / rate,
        )  # fmt: skip

    def _stretches(self, now: float, oldest: float, rate: float) -> Iterator[Stretch]:
        """Stretches in view; neighbours with the same reason are one."""

        def stretch(start: float, stop: float, why: str) -> Stretch:
            return Stretch((now - max(start, oldest)) / rate, max(0.0, (now - stop) / rate), why)

        begun: tuple[float, float, str] | None = None
        first = bisect_left(self._left_out, oldest, key=lambda one: one[1])
        for place in range(first, len(self._left_out)):
            start, stop, why = self._left_out[place]
            if start >= now:
                break
            if begun is not None and why == begun[2] and start <= begun[1] + 0.03 * rate:
                begun = (begun[0], max(stop, begun[1]), why)
                continue
            if begun is not None:
                yield stretch(*begun)
            begun = (start, stop, why)
        if begun is not None:
            yield stretch(*begun)

    def noise_track(self) -> NoiseTrack | None:
        """None before the first look with a noise that is known."""
        figures = self._history.figures(self.shown + 1)
        noise, sweeps = figures[0], figures[2]
        known = np.isfinite(noise) & (sweeps > 0)
        if not known.any():
            return None
        noise, sweeps = noise[known], sweeps[known]
        scale = noise[-1] * math.sqrt(sweeps[-1])
        ends = np.array([sweeps[0], max(float(self._max_sweeps), sweeps[-1])])
        cause, waits_nv = ("", math.nan) if self.look is None else (self.look.noise_cause, self.look.waits_for_nv)
        ends_nv = waits_nv if math.isfinite(waits_nv) else self._floor_nv
        floor_at = float((scale / ends_nv) ** 2) if self._open else math.nan
        quiet_nv = None if self.settings is None else self.settings.quiet_nv
        return NoiseTrack(
            sweeps, noise, scale / np.sqrt(sweeps), self._floor_nv, cause, ends, scale / np.sqrt(ends), self._max_sweeps,
            floor_at, self.discarded, math.nan if quiet_nv is None else quiet_nv, waits_nv,
        )


SECONDS: Floats = (np.arange(COLUMNS) + 1 - COLUMNS) * SHOWN_S / COLUMNS

__all__ = ["BAND_SD", "COLUMNS", "DOUBT", "MOST_LOOKS", "SHOWN_S", "STATES", "ViewModel"]
