"""When a trigger channel has been silent for too long."""

from __future__ import annotations

SAY_S, GIVE_UP_S = 2.0, 10.0


class SilenceWatch:
    """Knows at which sample silence has to be told next: after 2 s, and after 10 s for good."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self.heard(0)

    def heard(self, sample: int) -> None:
        """A trigger was certain when raw sample ``sample`` had come."""
        self._since = sample
        self._told = False

    @property
    def due(self) -> int:
        """Raw sample at which something has to be said, unless a trigger comes before."""
        return self._since + int((GIVE_UP_S if self._told else SAY_S) * self._rate_hz)

    def say(self) -> bool:
        """Go on to the next limit; True when there is none left: give up."""
        last, self._told = self._told, True
        return last
