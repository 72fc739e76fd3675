"""Bar at the top: symbol and word of the state, a sentence, and a line with details of the run."""

from __future__ import annotations

from PyQt5.QtWidgets import QHBoxLayout, QSizePolicy, QVBoxLayout, QWidget

from quietfloor.monitor.display.marks import Mark
from quietfloor.monitor.display.panel import FittedWords, Words, colour
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.display.views import Headline

MEANINGS = {
    "waiting": "Nothing can be judged yet.",
    "idle": "No run is on.",
    "undecided": "The run goes on: neither a response nor its absence is certain enough yet.",
    "present": "A response was found; by chance alone that happens in no more runs than the false-alarm rate allows.",
    "absent": "No response was found in so quiet an average. That none is larger than the stated size is true in 95 of 100 runs.",
    "stopped": "The run ended without a decision.",
    "discarded": "This run was discarded by a person and does not count any more, whatever it found.",
    "fault": "The run was ended by a fault; what was recorded is kept.",
    "earlier": "The view shows an earlier look; a run that is on goes on being recorded.",
}


class SentenceBar(QWidget):
    """``badge`` at the right says what the view does (live, paused, speed of a replay), ``clock`` how long the run is."""

    def __init__(self) -> None:
        super().__init__()
        self.mark, self.word, self.rest = Mark(), FittedWords(), Words()
        self.heard = Words("", "Ear and level of this run.")
        self.heard.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)  # never cut
        self.particulars = Words()
        self.badge, self.now = Words(right=True), Words(right=True)
        self.clock = Words(about="Length of the recording; between two runs of a session the time that is left.", right=True)
        self._look = Look()
        self._headline: Headline | None = None
        top = QHBoxLayout()
        top.setSpacing(12)
        top.addWidget(self.word, 1)
        top.addWidget(self.badge)
        top.addWidget(self.clock)
        middle = QHBoxLayout()
        middle.setSpacing(10)
        middle.addWidget(self.heard)
        middle.addWidget(self.rest, 3)
        middle.addWidget(self.now)
        lines = QVBoxLayout()
        lines.setSpacing(0)
        lines.setContentsMargins(0, 0, 0, 0)
        lines.addLayout(top)
        lines.addLayout(middle)
        lines.addWidget(self.particulars)
        row = QHBoxLayout(self)
        row.setContentsMargins(6, 2, 6, 0)
        row.setSpacing(12)
        row.addWidget(self.mark)
        row.addLayout(lines, 1)

    def restyle(self, look: Look) -> None:
        self._look = look
        self.mark.restyle(look)
        self.word.letters_of(look.px(2.3), look.px(1.8), look.px(1.5), look.px(1.2))
        self.heard.size_letters(look.px(1.45), bold=True)
        self.rest.size_letters(look.px(1.45))
        self.particulars.size_letters(look.px(0.98))
        self.badge.size_letters(look.px(1.1), bold=True)
        self.clock.size_letters(look.px(1.1))
        self.now.size_letters(look.px(1.0), bold=True)
        for words, ink in (
            (self.rest, look.theme.ink), (self.particulars, look.theme.quiet), (self.badge, look.theme.quiet),
            (self.clock, look.theme.ink),
        ):  # fmt: skip
            colour(words, ink)
        self._colour_word()

    def show_headline(self, headline: Headline) -> None:
        """Say it; nothing is painted where nothing changed."""
        if headline == self._headline:
            return
        self._headline = headline
        self.mark.show_state(headline.mark)
        self.mark.setToolTip(headline.meaning or MEANINGS[headline.state])
        self.word.say(headline.word)
        self.heard.say(headline.heard)
        self.heard.setVisible(bool(headline.heard))
        self.rest.say(headline.rest.replace(" -", " −"))
        self.particulars.say(headline.particulars)
        self.now.say(f"{'at its end' if headline.over else 'now'}: {headline.now}" if headline.now else "")
        self._colour_word()

    def _colour_word(self) -> None:
        headline, states = self._headline, self._look.theme.states
        colour(self.word, states["waiting" if headline is None else headline.mark])
        colour(self.now, states["waiting" if headline is None else headline.now_state])
        colour(self.heard, self._look.theme.ears.get("" if headline is None else headline.ear, self._look.theme.ink))
