"""The vote of the class, and, once the answer is revealed, who says what: two panels that take the same place."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtGui import QFontMetrics
from PyQt5.QtWidgets import QGridLayout, QHBoxLayout, QSizePolicy, QVBoxLayout, QWidget

from quietfloor.bench.teach.alarms import Alarms
from quietfloor.bench.teach.choices import RULES, Opinion
from quietfloor.bench.teach.controls import ActionButton
from quietfloor.bench.teach.keys import VOTE_MEANS
from quietfloor.bench.teach.vote import CHOICES, Ballot, verdict_on
from quietfloor.monitor.display.panel import Panel, Words, colour
from quietfloor.monitor.display.theme import Look

COUNT = 3.0  # letters of a count that a whole class reads, in usual ones
ROW = 1.35  # height of a row of the rules, in letters
HIDDEN = "R shows it"


class VotePanel(Panel):
    """How many hands there are for each answer, in large figures; a click on a button, or its key, counts one more."""

    def __init__(self, pressed: Callable[[str], None]) -> None:
        body = QWidget()
        about = (
            "Hands of the class after this number of sweeps; after more sweeps there is a new round. The class has decided in "
            "the first round in which more than half of the hands say yes, or no."
        )
        super().__init__("vote", "The vote", about, body)
        column = QVBoxLayout(body)
        column.setContentsMargins(4, 0, 4, 0)
        column.setSpacing(2)
        grid = QGridLayout()
        grid.setHorizontalSpacing(14)
        grid.setVerticalSpacing(2)
        self.counts: dict[str, Words] = {}
        self.names: dict[str, Words] = {}
        self.buttons: dict[str, ActionButton] = {}
        for place, choice in enumerate(CHOICES):
            self.counts[choice] = Words("0", VOTE_MEANS[choice])
            self.counts[choice].setSizePolicy(QSizePolicy.Policy.Minimum, QSizePolicy.Policy.Fixed)
            self.names[choice] = Words(choice, VOTE_MEANS[choice])
            row = QHBoxLayout()
            row.setSpacing(4)
            for name, share in ((f"add_{choice}", 3), (f"take_{choice}", 2)):
                self.buttons[name] = ActionButton(name, pressed)
                row.addWidget(self.buttons[name], share)
            both = QHBoxLayout()
            both.setSpacing(8)
            both.addWidget(self.counts[choice])
            both.addWidget(self.names[choice], 1)
            grid.addLayout(both, 0, place)
            grid.addLayout(row, 1, place)
            grid.setColumnStretch(place, 1)
        self.before = Words("", "Earlier rounds: sweeps, and hands for yes, no and wait.")
        column.addLayout(grid)
        column.addWidget(self.before)
        column.addStretch(1)

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        for button in self.buttons.values():
            button.restyle(look)
        for choice, words in self.counts.items():
            words.size_letters(look.px(COUNT), bold=True)
            self.names[choice].size_letters(look.px(1.5))
            for one in (words, self.names[choice]):
                colour(one, look.theme.ink)
        self.before.size_letters(look.px(1.0))
        colour(self.before, look.theme.ink)

    def show_vote(self, ballot: Ballot, sweeps: int) -> None:
        now = ballot.at(sweeps)
        for choice, words in self.counts.items():
            words.say(f"{getattr(now, choice)}")
        self.aside.say(f"{now.hands} hands" if now.hands else "")
        earlier = ballot.earlier(sweeps)
        self.before.say(f"before (yes / no / wait): {earlier}" if earlier else "")


class RulesPanel(Panel):
    """What each rule, and the class, says of this run, and how often a rule is wrong in runs without a response."""

    def __init__(self) -> None:
        body = QWidget()
        about = (
            "The valid rule first, then three that are not: what each says of this run, and in how many simulated runs without "
            "any response it found one. The interval holds the true rate at 95 of 100 such counts (exact, Clopper and Pearson)."
        )
        super().__init__("rules", "Who says what", about, body)
        self._grid = grid = QGridLayout(body)
        grid.setContentsMargins(4, 0, 4, 0)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(1)
        for column, stretch in enumerate((4, 5, 3, 7)):
            grid.setColumnStretch(column, stretch)
        self.heads = [Words(text) for text in ("rule", "a response?", "alarms [C]", "rate of false alarms")]
        self.cells: list[tuple[Words, Words, Words, Words]] = []
        for column, head in enumerate(self.heads):
            grid.addWidget(head, 0, column)
        the_class = "Of those who voted; see the keys of the vote. More than half of the hands decide."
        for row, (title, meaning) in enumerate([*((title, about) for _, title, about in RULES), ("the class", the_class)]):
            sentence = f"{meaning[0].upper()}{meaning[1:].rstrip('.')}."
            cells = (Words(title, sentence), Words("", sentence), Words("", about), Words("", about))
            for column, cell in enumerate(cells[:3] if row == len(RULES) else cells):
                grid.addWidget(cell, row + 1, column, 1, 2 if row == len(RULES) and column == 2 else 1)
            self.cells.append(cells)

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        for head in self.heads:
            head.size_letters(look.px(0.88))
            head.setFixedHeight(look.px(ROW))
            colour(head, look.theme.quiet)
        for row, cells in enumerate(self.cells):
            for place, cell in enumerate(cells):
                of_runs = place == 2 and row < len(RULES)  # counts that a whole class reads
                cell.size_letters(look.px(1.2 if of_runs else 1.0), bold=row == 0 or place == 2)
                cell.setFixedHeight(look.px(ROW))
                colour(cell, look.theme.ink)
        for column, widest in enumerate((max((title for _, title, _ in RULES), key=len), "● yes at 1,024")):
            metrics = QFontMetrics(self.cells[1 - column][column].font())  # bold, where it is
            self._grid.setColumnMinimumWidth(column, metrics.horizontalAdvance(widest) + 6)

    def show_opinions(self, opinions: tuple[Opinion, ...], ballot: Ballot, responds: bool, reveal: bool) -> None:
        """What each says, while ``reveal``."""
        states, of_class = self.look.theme.states, ballot.opinion()
        for (_, cell, _, _), opinion in zip(self.cells, (*opinions, of_class), strict=True):
            if not reveal:
                text, ink = HIDDEN, states["waiting"]
            elif opinion.found:
                text, ink = f"● yes at {opinion.at_sweeps:,}", states["present"]
            elif opinion.at_sweeps:
                text, ink = f"■ {opinion.now} at {opinion.at_sweeps:,}", states["absent"]
            else:
                text, ink = f"◇ {opinion.now}", states["undecided"]
            cell.say(text)
            colour(cell, ink)
        self.cells[-1][2].say(verdict_on(of_class, responds) if reveal else "")

    def show_alarms(self, alarms: Alarms, on: bool) -> None:
        self.aside.say(f"{alarms.runs:,} runs without a response{', counting' if on else ''}" if alarms.runs or on else "")
        if not alarms.runs:
            return
        for place, (_, _, count, rate) in enumerate(self.cells[:-1]):
            found = alarms.of(place)
            count.say(f"{found.count:,}")
            rate.say(f"{100 * found.rate:.1f} % ({100 * found.low:.1f} to {100 * found.high:.1f})")
