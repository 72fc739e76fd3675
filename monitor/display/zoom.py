"""Which part of the averages is shown, and at which scale: by itself, or as the user chose it. Plain Python, no Qt."""

from __future__ import annotations

from dataclasses import dataclass

from quietfloor.monitor.display.scales import STEPS, nice_above

Pair = tuple[float, float]
SHORTEST_MS, SMALLEST_NV = 0.5, 1.0  # of what can be shown, own choice
LEAST_SCALE_NV, MOST_SCALE_NV = 5.0, 1e6  # own choice: below the smallest noise floor in use, above what an amplifier passes


@dataclass
class Zoom:
    """Shared by the average and the stacked levels, so that both have one scale.

    ``scale_nv``: a fixed scale shows from minus to plus this much; None: it fits the curves. ``ms``, ``nv``: the part that is
    zoomed in on, None for the whole.
    """

    scale_nv: float | None = None
    ms: Pair | None = None
    nv: Pair | None = None

    @property
    def is_whole(self) -> bool:
        return self.ms is None and self.nv is None

    def whole(self) -> None:
        """Show everything again; a fixed scale stays."""
        self.ms = self.nv = None

    def fix(self, height_nv: float) -> None:
        """Keep the scale as it is; or let it fit the curves again."""
        self.scale_nv, self.nv = None if self.scale_nv is not None else max(height_nv, LEAST_SCALE_NV), None

    def step(self, height_nv: float, up: bool) -> None:
        """Fix the next scale of 1, 2, 5, 10, ...: ``up`` draws the curves taller."""
        now = height_nv if self.scale_nv is None else self.scale_nv
        if up:
            wanted = max(step * 10.0**power for power in range(-1, 7) for step in STEPS if step * 10.0**power < now * (1 - 1e-9))
        else:
            wanted = nice_above(now * (1 + 1e-6))
        self.scale_nv, self.nv = min(max(wanted, LEAST_SCALE_NV), MOST_SCALE_NV), None

    def zoom_time(self, whole: Pair, at_ms: float, factor: float) -> None:
        """Show ``factor`` times as much time; what is at ``at_ms`` stays in its place."""
        self.ms = zoomed(self.ms or whole, whole, at_ms, factor, SHORTEST_MS)

    def zoom_height(self, whole: Pair, at_nv: float, factor: float) -> None:
        self.nv = zoomed(self.nv or whole, whole, at_nv, factor, SMALLEST_NV)

    def zoom_to(self, ms: Pair, nv: Pair, whole_ms: Pair, whole_nv: Pair) -> None:
        """Show this part alone."""
        self.ms = fitted(ms, whole_ms, SHORTEST_MS)
        self.nv = fitted(nv, whole_nv, SMALLEST_NV)

    def shift(self, whole: Pair, part: float) -> bool:
        """Show what comes ``part`` of the shown time later (or earlier, where negative); False where everything is shown."""
        if self.ms is None:
            return False
        by = part * (self.ms[1] - self.ms[0])
        by = min(max(by, whole[0] - self.ms[0]), whole[1] - self.ms[1])
        self.ms = (self.ms[0] + by, self.ms[1] + by)
        return True


def zoomed(now: Pair, whole: Pair, at: float, factor: float, least: float) -> Pair | None:
    """The part ``now`` made ``factor`` times as long around ``at``, inside ``whole``; None for all of it."""
    length = max((now[1] - now[0]) * factor, least)
    at = min(max(at, now[0]), now[1])
    before = (at - now[0]) / (now[1] - now[0]) * length
    return fitted((at - before, at - before + length), whole, least)


def fitted(part: Pair, whole: Pair, least: float) -> Pair | None:
    """A part moved into ``whole``, at least so long; None where it is all of it."""
    low, high = min(part), max(part)
    length = max(high - low, least)
    if length >= (whole[1] - whole[0]) * (1 - 1e-9):
        return None
    low = min(max(low, whole[0]), whole[1] - length)
    return low, low + length


__all__ = ["Pair", "Zoom", "fitted", "zoomed"]
