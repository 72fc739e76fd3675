"""Adaptation: a place of the cochlea that answered shortly before answers less, and later. Pure.

What is published on rates is put into one depth, the square root of the rate:

- wave V at 1000 clicks/s has about 8 % of its size at low rates; the time that an average takes is shortest at about 200/s, and
  2.8 times shorter there than at 9 or 10/s (Br J Audiol 27:205, 1993, doi 10.3109/03005369309076694, abstract, verified).
  ``exp(-0.0885 sqrt(rate))`` gives 8 % and 3.0 times; its shortest time is at 128/s, and 5 % longer at 200/s;
- from 10 to 100/s wave V comes 0.5 ms later, as much at 30 as at 60 dB above threshold; this is complete by the fifth click; the
  other ear has no part in it (Don, Allen & Starr 1977, abstract, verified);
- 9.2/s does not differ from 2.3/s at 60 to 90 dB nHL (45 listeners; abstract without its journal, scilit.com/publications/
  53dfc2be68a984bdb474b52da57c97d6, verified): slower than 10/s nothing changes.

The rate of irregular sounds is that of a regular train which leaves as much: what a sound leaves fades with `FADES_S` (own
choice: 93 % of the effect of 100/s is there at the fifth click). Sounds of different frequencies, or levels, adapt each other in
so far as they excite the same places (own choice). So does a sound that begins before another one ends: there is no suppression
beyond that, and no effect of the ears on each other except for sound that crosses the head.

Limits: newborns adapt more (J Am Acad Audiol 9:134, 1998, abstract, verified; by how much is not known here). Adaptation over
seconds, recovery after a long train, and differences between the waves are left out.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SMALLER, LATER_S = 0.0885, 0.5e-3 / (math.sqrt(100.0) - math.sqrt(10.0))  # per square root of sounds/s
# The sizes and latencies to which the brainstem is fitted belong to this rate, about that of a session: own choice. They were
# recorded at 27/s (from memory); if they belong to that, all responses here are 10 % too large.
REFERENCE_PER_S = 40.0
SLOW_PER_S = 10.0
FADES_S = 15e-3
_MEMORY_S = 12 * FADES_S


class Adapted(NamedTuple):
    """Size relative to that at `REFERENCE_PER_S`, and how much later than there, in s."""

    size: float
    later_s: float


def at_rate(rate_per_s: float) -> Adapted:
    """A response within a long regular train."""
    depth = math.sqrt(max(rate_per_s, SLOW_PER_S)) - math.sqrt(REFERENCE_PER_S)
    return Adapted(math.exp(-SMALLER * depth), LATER_S * depth)


def equal_rate(left: float) -> float:
    """Sounds per second of the regular train that leaves as much of its earlier sounds at each new one, ``left`` in sounds."""
    return 0.0 if left <= 0.0 else 1.0 / (FADES_S * math.log1p(1.0 / left))


def beside(shared: float, rate_per_s: float) -> float:
    """Mean size of the responses of a regular train while the same ear hears another train of this rate at other phases, relative
    to the train alone. ``shared``: the part of its places that the other sound excites too."""
    interval_s = 1.0 / rate_per_s
    own = 1.0 / math.expm1(interval_s / FADES_S)
    phases_s = (np.arange(64) + 0.5) / 64 * interval_s
    others = shared * np.exp(-phases_s / FADES_S) * (1.0 + own)
    return float(np.mean([at_rate(equal_rate(own + other)).size for other in others.tolist()])) / at_rate(rate_per_s).size


class Adaptation:
    """The sounds that two cochleae heard lately."""

    def __init__(self) -> None:
        self._before: deque[tuple[float, Floats]] = deque()

    def heard(self, at_s: float, parts: Floats) -> Adapted:
        """The next sound, in the order of time: it arrives at ``at_s``, and excites the places of both cochleae in these parts of
        their full response (any shape, always the same)."""
        while self._before and self._before[0][0] < at_s - _MEMORY_S:
            self._before.popleft()
        whole = float(parts.sum())
        if whole <= 0.0:
            return at_rate(0.0)
        left = 0.0
        for before_s, earlier in self._before:
            shared = float(np.minimum(earlier, parts).sum()) / whole
            left += shared * math.exp((before_s - at_s) / FADES_S)
        self._before.append((at_s, parts))
        return at_rate(equal_rate(left))
