"""Detection of a trigger channel that has been silent for too long."""

from __future__ import annotations

SAY_S, GIVE_UP_S = 2.0, 10.0


class SilenceWatch:
    """Gives the samples at which silence is reported: after 2 s, and a last time after 10 s."""

    def __init__(self, rate_hz: float) -> None:
        self._say, self._give_up = int(SAY_S * rate_hz), int(GIVE_UP_S * rate_hz)
        self.heard(0)

    def heard(self, sample: int) -> None:
        """Report a trigger that was certain at raw sample ``sample``."""
        self._since = sample
        self._told = False
        self.due = sample + self._say  # raw sample at which something has to be said, unless a trigger comes before

    def say(self) -> bool:
        """Go on to the next limit; True when there is none left, and the run should end."""
        last, self._told = self._told, True
        self.due = self._since + self._give_up
        return last
