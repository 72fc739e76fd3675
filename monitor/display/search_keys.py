"""What the keys do to a search: choose a rung, play it, leave a column, only louder ones, pause. Plain Python, no Qt."""

from __future__ import annotations

from collections.abc import Callable

from quietfloor.monitor.display.board import moved, short_name
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.search.running import Place
from quietfloor.monitor.search.said import Order, OrderKind

CHOSEN_S = 20.0  # after the last key about it a rung is chosen no more: keys are about the one that plays again
WHY = "operator"


class SearchKeys:
    """``give`` passes an order on to the search that is on: "", or why it cannot; ``say`` is told what was done."""

    def __init__(self, give: Callable[[Order], str], say: Callable[[str], None], now_s: Callable[[], float]) -> None:
        self._give, self._say, self._now_s = give, say, now_s
        self._search: SearchNow | None = None
        self._chosen: Place | None = None
        self._chosen_s = 0.0
        self._ordered_pause: bool | None = None  # what Space has ordered and the search has not done yet
        self.deeds: dict[str, Callable[[], None]] = {
            "cell_up": lambda: self._move(up=1), "cell_down": lambda: self._move(up=-1),
            "cell_left": lambda: self._move(across=-1), "cell_right": lambda: self._move(across=1),
            "cell_play": self._play, "leave": self._leave, "only_louder": self._only_louder,
            "all_levels": self._all_levels, "pause_sound": self._pause,
        }  # fmt: skip

    def show(self, search: SearchNow | None) -> None:
        """The newest state of the search that is on the screen; None where there is none."""
        self._search = search
        if search is None:
            self._chosen = None
        if search is None or search.over or search.paused == self._ordered_pause:
            self._ordered_pause = None

    @property
    def on(self) -> bool:
        """Whether there is a search that is not over."""
        return self._search is not None and not self._search.over

    @property
    def paused(self) -> bool:
        return self._search is not None and self._search.paused

    @property
    def rests(self) -> bool:
        """Whether the sound pauses or is about to, so that Space goes on."""
        return self.paused if self._ordered_pause is None else self._ordered_pause

    @property
    def chosen(self) -> Place | None:
        """The rung that was chosen by hand, for a while."""
        if self._chosen is not None and self._now_s() - self._chosen_s > CHOSEN_S:
            self._chosen = None
        return self._chosen

    def choose(self, place: Place | None) -> None:
        self._chosen, self._chosen_s = place, self._now_s()

    @property
    def words(self) -> str:
        """What Enter plays, "" while no rung is chosen."""
        place, search = self.chosen, self._search
        if place is None or search is None or not self.on:
            return ""
        one = search.conditions[place.condition]
        return f"play {short_name(one)} {one.levels_db[place.level]:g} dB"

    @property
    def _meant(self) -> Place | None:
        """What a key is about: the chosen rung, else the one that plays."""
        return self.chosen or (None if self._search is None else self._search.place)

    def _move(self, across: int = 0, up: int = 0) -> None:
        if self._search is not None:
            self.choose(moved(self._search, self._meant or Place(0, 0), across, up))

    def _order(self, kind: OrderKind, condition: int | None = None, level_db: float | None = None, said: str = "") -> bool:
        """Whether the order was passed on."""
        refused = self._give(Order(kind, condition, level_db, WHY)) if self.on else "The search is over"
        self._say(refused or said)
        return not refused

    def _play(self) -> None:
        place = self.chosen
        if place is None or self._search is None:
            self._say("Choose a rung first, with the arrow keys or a click")
            return
        one = self._search.conditions[place.condition]
        level_db = one.levels_db[place.level]
        if one.offered[place.level]:
            self._order("go_to", place.condition, level_db, f"Next: {level_db:g} dB nHL, {one.name}")
            self.choose(None)
        else:
            self._say(f"{level_db:g} dB nHL is not offered here: choose another level")

    def _leave(self) -> None:
        place = self._meant
        if place is None or self._search is None:
            self._say("Choose a column first, with the arrow keys or a click")
            return
        one = self._search.conditions[place.condition]
        if one.state == "answered":
            self._say(f"{one.name} has its answer already")
        elif one.state == "left":
            self._order("back", place.condition, said=f"Taken up again: {one.name}")
        else:
            self._order("leave", place.condition, said=f"Set aside: {one.name}; L takes it up again")
        self.choose(place)  # so that a second press is about the same column

    def _all_levels(self) -> None:
        self._order("all_levels", said="All levels again")

    def _only_louder(self) -> None:
        place = self._meant
        if place is not None and self._search is not None:
            level_db = self._search.conditions[place.condition].levels_db[place.level]
            said = f"In all columns only {level_db:g} dB nHL and louder; Shift T: all levels again"
            self._order("only_above", None, level_db, said)

    def _pause(self) -> None:
        if self.rests:
            self._ordered_pause = False
            self._order("go_on", said="Going on" if self.paused else "No pause: the sound goes on")
        elif self._order("pause", said="The sound pauses after this group of 16 sweeps; Space goes on"):
            self._ordered_pause = True
