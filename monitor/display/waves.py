"""Marks on the waves of a run that is over: which is chosen, where it is moved, what is kept and said. Plain Python, no Qt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from quietfloor.monitor.review.marked_run import Marked, keep, read, several
from quietfloor.monitor.run.status_text import LESS_TOO_LARGE, TOO_LARGE
from quietfloor.monitor.session.conditions import published_kind
from quietfloor.monitor.waves.marks import WAVES, Mark, Marks, Wave
from quietfloor.monitor.waves.norms import Norm
from quietfloor.monitor.waves.norms_file import load_norms
from quietfloor.monitor.waves.peaks import placed, removed, suggest

# See status_text.too_large: the mark is well measured, but a run that ends at a response ends when noise helps it.
BIASED = {
    TOO_LARGE: "; the amplitude is biased upward, as the run ended on finding it",
    LESS_TOO_LARGE: "; the amplitude is biased upward, though little, as the run found it and then averaged on",
}


@dataclass(frozen=True)
class Spot:
    """One mark as it is painted. Times in ms, heights in nV; nan where an interval is not known. ``published``: low, high."""

    wave: Wave
    ms: float
    low_ms: float
    high_ms: float
    height_nv: float
    by_hand: bool
    chosen: bool
    published_ms: tuple[float, float] | None
    of_means: bool = False  # whether that is the range of means of studies, else of persons


class RunMarks:
    """The marks of one run, one of them chosen. Every change by hand is kept at once, in ``marks.json`` of the run.

    Raises ValueError, FolderError where the run has nothing to mark; changes raise ValueError, OSError with words for a person.
    """

    def __init__(self, folder: Path) -> None:
        self._norms = load_norms(None)
        self._run: Marked = read(folder, self._norms)
        self.folder = folder
        self.marks: Marks = self._run.marks
        self.chosen: Wave = "V"

    @property
    def spots(self) -> tuple[Spot, ...]:
        return tuple(self._spot(mark) for mark in self.marks.marks)

    def choose(self, wave: Wave) -> str:
        """Choose a wave; what is known of it, in words."""
        self.chosen = wave
        return self.words

    def choose_next(self) -> str:
        return self.choose(WAVES[(WAVES.index(self.chosen) + 1) % len(WAVES)])

    @property
    def words(self) -> str:
        """The chosen wave in a sentence, with what is published for it."""
        title = self._title(self.chosen)
        mark = self.marks.get(self.chosen)
        if mark is None:
            return f"{title} is not marked: a click on the average puts it there"
        norm = self._norm(self.chosen)
        told = "" if norm is None else f"; published {_range(norm)} ms, {norm.origin}"
        by = "by hand" if mark.by == "operator" else "suggested"
        between = "".join(f", {name} {one.value:.2f} ms" for name, one in self.marks.intervals().items())
        large = BIASED.get(self._run.too_large, "") if _amplitude(mark) else ""
        return f"{title}: {_latency(mark)}{_amplitude(mark)}, {by}{between}{large}{told}"

    def place(self, ms: float, keeping: bool = True) -> str:
        """Put the chosen wave at the sample nearest to a time; while it is dragged nothing is kept yet."""
        times = self._run.trace.times_ms
        at = float(times[self._run.trace.place(ms)])
        self._change(placed(self.marks, self._run.trace, self.chosen, at, self._run.where.width), keeping)
        return self.words

    def keep(self) -> str:
        """Keep the marks as they are."""
        self._change(self.marks)
        return self.words

    def move(self, samples: int) -> str:
        """Move the chosen wave by so many samples of the average."""
        mark = self.marks.get(self.chosen)
        if mark is None:
            raise ValueError(self.words)
        return self.place(mark.latency_ms.value + samples * self._run.trace.step_ms)

    def remove(self) -> str:
        """Take the chosen wave away."""
        if self.marks.get(self.chosen) is None:
            raise ValueError(f"{self._title(self.chosen)} is not marked")
        self._change(removed(self.marks, self._run.trace, self.chosen, self._run.where.width))
        return f"{self._title(self.chosen)} taken away"

    def suggest_again(self) -> str:
        """All marks as they are suggested, whatever was done by hand."""
        self._change(suggest(self._run.trace, self._run.where))
        return "marks as suggested"

    def beside(self, others: Sequence[Path]) -> str:
        """Sentences on this run and others of its condition: replicates, change with level. Raises ValueError."""
        runs = [replace(self._run, marks=self.marks), *(read(folder, self._norms) for folder in others)]
        return "; ".join(several(runs, self._norms)) if others else ""

    def nearest(self, ms: float, within_ms: float) -> Wave | None:
        """The mark nearest to a time, if it is near enough to be meant."""
        near = [(abs(mark.latency_ms.value - ms), mark.wave) for mark in self.marks.marks]
        distance, wave = min(near, default=(math.inf, self.chosen))
        return wave if distance <= within_ms else None

    def _change(self, marks: Marks, keeping: bool = True) -> None:
        if keeping:
            keep(self._run.folder, marks)
        self.marks = marks

    def _spot(self, mark: Mark) -> Spot:
        norm = self._norm(mark.wave)
        published = None if norm is None or not math.isfinite(norm.low + norm.high) else (norm.low, norm.high)
        latency = mark.latency_ms
        return Spot(
            mark.wave, latency.value, latency.low, latency.high, self._run.trace.at(latency.value), mark.by == "operator",
            mark.wave == self.chosen, published, norm is not None and norm.of_means,
        )  # fmt: skip

    def _norm(self, wave: Wave) -> Norm | None:
        sound = self._run.sound
        return self._norms.latency(
            wave, published_kind(sound), sound.get("level_db_nhl"), sound.get("age_group"),
            frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
        )  # fmt: skip

    @staticmethod
    def _title(wave: Wave) -> str:
        return "The trough" if wave == "trough" else f"Wave {wave}"


def _latency(mark: Mark) -> str:
    one = mark.latency_ms
    span = "" if not math.isfinite(one.low + one.high) else f" ({one.low:.2f} to {one.high:.2f})"
    return f"{one.value:.2f} ms{span}"


def _amplitude(mark: Mark) -> str:
    one = mark.amplitude_nv
    if not math.isfinite(one.value):
        return ""
    span = "" if not math.isfinite(one.low + one.high) else f" ({one.low:.0f} to {one.high:.0f})"
    return f", {one.value:.0f} nV{span}".replace("-", "−")


def _range(norm: Norm) -> str:
    span = f"{norm.mean:.2f}" if not math.isfinite(norm.low) else f"{norm.low:.2f} to {norm.high:.2f}"
    return f"means of studies {span}" if norm.of_means else span
