"""What each part of the screen shows, as frozen values ready to be painted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.traces import Singles

DOUBTED = ("present?", "absent?")  # findings that are not known to be those of the tested ear
STATES = ("waiting", "undecided", "present", "absent", *DOUBTED, "stopped", "discarded", "fault", "earlier")


def doubted(state: str) -> str:
    """The state of a finding that is not known to be that of the tested ear; other states are what they are."""
    return f"{state}?" if f"{state}?" in DOUBTED else state


@dataclass(frozen=True)
class Headline:
    """The verdict on the screen: one of STATES, its word, the rest of the sentence, and a quiet line of particulars.

    ``now`` is the word that holds at present where an earlier look is shown, else "", and ``now_state`` its state. ``meaning``
    explains the state where it does not mean what it means for a run. ``doubt``: a word where the finding is not known to be that
    of the tested ear. ``heard``: ear and level of the run, "" where several
    sounds play or the sound is not known, and ``ear`` in whose colour it stands.
    """

    state: str
    word: str
    rest: str
    particulars: str
    now: str = ""
    now_state: str = "waiting"
    over: bool = False  # whether the run was over then
    meaning: str = ""
    heard: str = ""
    ear: str = ""
    doubt: str = ""

    @property
    def mark(self) -> str:
        """One of STATES, whose mark is shown."""
        return doubted(self.state) if self.doubt else self.state


@dataclass(frozen=True)
class Plane:
    """The run as a path through residual noise (nV) and the standing of its rule, with what is left to go.

    ``path`` (n, 2) of noise and standing; ``cone`` (k, 2), empty where there is no forecast; ``needed`` and ``floor_nv`` bound
    the regions. The noise axis runs from ``noise_range_nv[0]`` down to ``[1]``.
    """

    path: Floats
    known_from: int  # place in the path from which on the rule had something to say
    cone: Floats
    needed: float
    floor_nv: float
    noise_range_nv: tuple[float, float]
    standing_range: tuple[float, float]
    axis: str  # of the standing, in words
    promise: str  # what the rule promises, or that it promises nothing
    upper_limit_nv: float  # no response larger than this; nan while not known
    marks: tuple[int, ...]  # places in the path, ``every_s`` of stream apart
    every_s: float
    ahead: str  # the forecast in words, "" where there is none
    state: str  # one of STATES at this point of the path
    quiet_nv: float = math.nan  # noise for which a response that was found waits; nan where none does


@dataclass(frozen=True)
class Curves:
    """The averages of the deciding channel in nV, (n,) each on ``times_ms``, and where to look."""

    times_ms: Floats
    average_nv: Floats
    odd_nv: Floats
    even_nv: Floats
    plus_minus_nv: Floats
    half_band_nv: float  # BAND_SD x residual noise, on either side of the average
    latency_ms: tuple[float, float]
    window_ms: tuple[float, float]
    unjudged_ms: tuple[float, float]  # from its beginning on: may hold the electrical artefact of the stimulus
    correlation: float  # of the halves over the window; nan where there are none
    look: int  # the look it belongs to, from 0: an earlier one than the one shown, where no average came with that
    discarded: bool = False  # of a run that does not count


@dataclass(frozen=True)
class Stretch:
    """A rejected part of the incoming signal, in seconds before the newest sample (from > to >= 0), and why."""

    from_s: float
    to_s: float
    why: str


@dataclass(frozen=True)
class Scroll:
    """The incoming signal: low and high (n_channels, COLUMNS) in uV, oldest first, the last column is the moment shown."""

    seconds_s: Floats  # (COLUMNS,) negative, 0 is the moment shown
    low_uv: Singles
    high_uv: Singles
    triggers_s: Floats  # (n,) negative
    left_out: tuple[Stretch, ...]
    behind_ms: float  # how far processing is behind; nan when the run is over, or another moment is shown
    labels: tuple[str, ...]
    range_uv: float  # of each channel alike, half a range that holds what is usual: 1, 2, 5, 10, ...
    usual_uv: tuple[float, ...]  # what is usual in each channel; nan: not known
    band_hz: tuple[float, float]
    moment_s: float  # of the stream, at the right edge


@dataclass(frozen=True)
class NoiseTrack:
    """Residual noise (nV) against accepted sweeps, with the line that 1/sqrt(N) draws through the last of them."""

    sweeps: Floats
    noise_nv: Floats
    expected_nv: Floats
    floor_nv: float
    cause: str
    line_sweeps: Floats  # (2,) ends of the same line, from the first look to the sweep limit
    line_nv: Floats
    max_sweeps: int
    floor_at_sweeps: float  # accepted sweeps at which the line meets ``waits_nv``, else the floor; nan: the run is over
    discarded: bool = False  # of a run that does not count
    quiet_nv: float = math.nan  # noise for which a response that was found waits; nan where none does
    waits_nv: float = math.nan  # the same once it was found
