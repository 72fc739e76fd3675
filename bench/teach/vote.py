"""The votes of a class, counted by hand: frozen values. After each number of sweeps there is one round."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from quietfloor.bench.teach.choices import Opinion

Choice = Literal["yes", "no", "wait"]
CHOICES: tuple[Choice, ...] = ("yes", "no", "wait")


@dataclass(frozen=True)
class Round:
    """Hands after `sweeps` sweeps."""

    sweeps: int
    yes: int = 0
    no: int = 0
    wait: int = 0

    @property
    def hands(self) -> int:
        return self.yes + self.no + self.wait

    @property
    def decision(self) -> str:
        """`yes` or `no` where more than half of the hands say so, else "": the class waits."""
        return next((choice for choice, count in (("yes", self.yes), ("no", self.no)) if 2 * count > self.hands), "")


@dataclass(frozen=True)
class Ballot:
    """Rounds of one average, the earliest first; a round without hands is none."""

    rounds: tuple[Round, ...] = ()

    def at(self, sweeps: int) -> Round:
        """The round after so many sweeps."""
        return next((one for one in self.rounds if one.sweeps == sweeps), Round(sweeps))

    def counted(self, choice: Choice, by: int, sweeps: int) -> Ballot:
        """With `by` hands more (or fewer, but never below 0) for `choice` in the round after `sweeps` sweeps."""
        before = self.at(sweeps)
        now = replace(before, **{choice: max(0, getattr(before, choice) + by)})
        others = tuple(one for one in self.rounds if one.sweeps != sweeps)
        return Ballot(tuple(sorted((*others, now) if now.hands else others, key=lambda one: one.sweeps)))

    def earlier(self, sweeps: int) -> str:
        """The rounds before in words."""
        parts = (f"{one.sweeps:,}: {one.yes} / {one.no} / {one.wait}" for one in self.rounds if one.sweeps < sweeps)
        return " · ".join(parts)

    def opinion(self) -> Opinion:
        """The class as one more rule: it has decided in the first round in which more than half of the hands say yes, or no."""
        first = next((one for one in self.rounds if one.decision), None)
        if first is not None:
            return Opinion("the class", first.decision == "yes", first.sweeps, first.decision)
        return Opinion("the class", False, 0, "waited" if self.rounds else "no vote")


def verdict_on(opinion: Opinion, responds: bool) -> str:
    """Whether the class was right, in words; "" where it has not decided."""
    if not opinion.at_sweeps:
        return ""
    truth = "there is a response" if responds else "there is no response"
    return f"{'right' if opinion.found == responds else 'wrong'}: {truth}"
