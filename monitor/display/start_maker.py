"""The sheet on which a new recording or session is made: steps at the left, the chosen one at the right, Begin below."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtGui import QFont, QFontMetrics, QResizeEvent
from PyQt5.QtWidgets import QFileDialog, QFrame, QHBoxLayout, QInputDialog, QPushButton, QVBoxLayout, QWidget

from quietfloor.monitor.begin.checked import STEPS, Judged, Problem, StepName, StepState, suggested, touched_by
from quietfloor.monitor.begin.draft import Draft
from quietfloor.monitor.begin.lookout import Lookout
from quietfloor.monitor.begin.places import write_plan
from quietfloor.monitor.display.panel import Words, colour
from quietfloor.monitor.display.setup_parts import STATE_OF, Scrolled, Shape, StepList, Text
from quietfloor.monitor.display.start_pages import ChannelsPage, Page, PersonPage, PlanPage, StreamPage
from quietfloor.monitor.display.start_parts import ProblemLine
from quietfloor.monitor.display.start_sound_pages import REFERENCES, ConditionsPage, OutputPage, SoundPage
from quietfloor.monitor.display.steps import Step
from quietfloor.monitor.display.theme import Look

PADDING, SPACING = 0.8, 6  # of the buttons, in letters and px
TITLES = {"recording": "New recording", "session": "New session"}
CHECKING = Problem("plan", "wait", "the plan is checked as `quietfloor check` does it")


class Maker(QWidget):
    """Makes a draft with a person. ``begun`` gives the arguments of the command, when its plan has been written."""

    begun = pyqtSignal(tuple)
    left = pyqtSignal()

    def __init__(self, lookout: Lookout) -> None:
        super().__init__()
        self.lookout, self.look = lookout, Look()
        self.draft, self.judged = Draft(), None
        self.at = 0
        self._touched: frozenset[str] = frozenset()  # what the person chose, of what would be suggested
        self.opened = False  # whether a person has a draft here
        self._to_focus = False
        self._trouble = ""  # of the last attempt to write something
        self._said = ""
        self._shown: object = None
        self._build()

    judged: Judged | None

    @property
    def steps(self) -> tuple[StepName, ...]:
        return STEPS[self.draft.kind]

    @property
    def title(self) -> str:
        return TITLES[self.draft.kind]

    @property
    def page(self) -> Page:
        return self.pages[self.steps[self.at]]

    @property
    def newest(self) -> Judged | None:
        """The judgement of this very draft in this very folder, if it is there already."""
        judged = self.judged
        if judged is None or (judged.draft, judged.root) != (self.draft, self.lookout.places.folder):
            return None
        return judged

    @property
    def ready(self) -> bool:
        """Whether a run of this draft may begin."""
        return self.newest is not None and self.newest.stopped_by is None and self.newest.proved

    # -- how it is made -----------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.shape, self.word, self.summary = Shape(3.0), Words(), Words()
        words = QVBoxLayout()
        words.setSpacing(0)
        words.addWidget(self.word)
        words.addWidget(self.summary)
        head = QHBoxLayout()
        head.setContentsMargins(6, 2, 6, 2)
        head.setSpacing(14)
        head.addWidget(self.shape)
        head.addLayout(words, 1)
        self.list = StepList(len(STEPS["session"]))
        self.buttons = self.list.buttons
        for index, button in enumerate(self.buttons):
            button.clicked.connect(lambda _, at=index: self.go(at))
        plan = PlanPage(self.edit, self.choose_folder, self.browse_folder)
        made: tuple[Page, ...] = (
            StreamPage(self.edit), ChannelsPage(self.edit), SoundPage(self.edit), OutputPage(self.edit, self.browse_calibration),
            ConditionsPage(self.edit), PersonPage(self.edit), plan,
        )  # fmt: skip
        self.plan_page, self.pages = plan, {page.name: page for page in made}
        self.question, self.problems = Text(1.25, bold=True), [ProblemLine() for _ in range(3)]
        inside = QWidget()
        inside.setObjectName("rows")
        self._inside = QVBoxLayout(inside)
        self._inside.setContentsMargins(0, 0, 8, 0)
        for page in made:
            self._inside.addWidget(page, 1)
            page.hide()
        self.area = Scrolled(inside)
        sheet = QFrame()
        sheet.setObjectName("sheet")
        page_box = QVBoxLayout(sheet)
        page_box.setContentsMargins(18, 12, 12, 8)
        page_box.setSpacing(8)
        page_box.addWidget(self.question)
        self._problems = QVBoxLayout()
        self._problems.setSpacing(0)
        for line in self.problems:
            self._problems.addWidget(line)
        page_box.addLayout(self._problems)
        page_box.addWidget(self.area, 1)
        middle = QHBoxLayout()
        middle.setSpacing(10)
        middle.addWidget(self.list, 26)
        middle.addWidget(sheet, 74)
        self.message = Words()
        self.doing = {
            name: self._button(text, hint, deed)
            for name, text, hint, deed in (
                ("leave", "Start page  Esc", "leave this without a run", self.left.emit),
                ("back", "Back  Page up", "to the step before", lambda: self.step(-1)),
                ("next", "Next  Page down", "to the next step", lambda: self.step(1)),
                ("template", "Keep as template  Ctrl K", "keep these choices as a template", self.ask_template),
                ("begin", "Begin  Ctrl Enter", "write the plan and run it", self.begin),
            )
        }
        self._texts = {name: button.text() for name, button in self.doing.items()}
        foot = QHBoxLayout()
        foot.setSpacing(SPACING)
        for name in ("leave", "back", "next"):
            foot.addWidget(self.doing[name])
        foot.addWidget(self.message, 1)
        for name in ("template", "begin"):
            foot.addWidget(self.doing[name])
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(8)
        whole.addLayout(head)
        whole.addLayout(middle, 1)
        whole.addLayout(foot)

    def _button(self, text: str, hint: str, deed: Callable[[], None]) -> QPushButton:
        button = QPushButton(text)
        key = text.partition("  ")[2]
        button.setToolTip(f"<qt>{hint} ({key})</qt>" if key else f"<qt>{hint}</qt>")
        button.setAccessibleName(hint)
        button.clicked.connect(lambda: deed())
        return button

    def restyle(self, look: Look) -> None:
        self.look = look
        self.shape.restyle(look)
        self.word.size_letters(look.px(2.0), bold=True)
        self.summary.size_letters(look.px(1.15))
        self.message.size_letters(look.px(1.0), bold=True)
        colour(self.summary, look.theme.ink)
        colour(self.message, look.theme.ink)
        self.question.restyle(look)
        for part in (self.list, *self.problems, *self.pages.values()):
            part.restyle(look)
        self.list.setStyleSheet("#steps, QScrollArea { background: transparent; }")
        self._label()
        self._shown = None

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._label()

    def _label(self) -> None:
        """The text of each button, with its key where there is room for the keys of all; the tooltip names it anyway."""
        font = QFont(self.font())
        font.setPixelSize(self.look.px(1.0))
        wide = QFontMetrics(font).horizontalAdvance
        needed = sum(wide(text) + self.look.px(2 * PADDING) + SPACING for text in self._texts.values())
        for name, text in self._texts.items():
            self.doing[name].setText(text if needed < self.width() else text.partition("  ")[0])

    # -- what is done -------------------------------------------------------------------------------------------------

    def open(self, draft: Draft) -> None:
        """Begin with this draft."""
        self.judged, self.at, self._touched, self._trouble, self._said = None, 0, frozenset(), "", ""
        self.opened = True
        self.edit(draft, touched=False)
        self.go(0)

    def edit(self, draft: Draft, touched: bool = True) -> None:
        """Take on a changed draft."""
        if draft == self.draft and touched:
            return
        if touched:
            self._touched = touched_by(self._touched, self.draft, draft)
        self.draft, self._trouble, self._said = draft, "", ""
        self.lookout.ask(draft)

    def step(self, by: int) -> None:
        self.go(min(max(self.at + by, 0), len(self.steps) - 1))

    def go(self, at: int) -> None:
        """Show a step, with the focus on its first control."""
        if at >= len(self.steps):
            return
        self.at = at
        for page in self.pages.values():
            page.setVisible(page is self.page)
        bar = self.area.verticalScrollBar()
        if bar is not None:
            bar.setValue(0)
        self.refresh()
        self.focus_page()

    def focus_page(self) -> None:
        """Put the focus on the first control that can be used: a chosen one, where there is one."""
        controls = [one for one in self._tab_order() if one.isVisibleTo(self.page) and one.isEnabled()]
        chosen = [one for one in controls if getattr(one, "isChecked", lambda: False)()]
        self._to_focus = not controls
        ((chosen or controls)[0] if controls else self.doing["next"]).setFocus()

    def _tab_order(self) -> list[QWidget]:
        found: list[QWidget] = []
        one = self.page.nextInFocusChain()
        while one is not None and one is not self.page and len(found) < 5000:
            if self.page.isAncestorOf(one) and one.focusPolicy() & Qt.FocusPolicy.TabFocus:
                found.append(one)
            one = one.nextInFocusChain()
        return found

    def begin(self) -> None:
        """Write the plan, and say with which command it runs; or go to what stands in the way."""
        judged = self.newest
        if judged is None or not self.ready:
            self._go_to_obstacle()
            return
        try:
            write_plan(judged.path, judged.text)
        except OSError as error:
            self._trouble = f"{judged.path} cannot be written ({error.strerror or error}): choose another folder"
            self.go(self.steps.index("plan"))
            return
        self.lookout.places = self.lookout.places.opened(judged.path.parent)
        self.lookout.places.remember()
        self.begun.emit(judged.arguments)

    def _go_to_obstacle(self) -> None:
        obstacle = None if self.judged is None else self.judged.stopped_by
        if obstacle is not None and self.judged is not None:
            names = [step.name for step in self.judged.steps if obstacle in step.problems]
            self.go(self.steps.index(names[0]))

    def ask_template(self) -> None:
        """Ask for a name, and keep the plan as a template."""
        suggestion = f"{self.draft.kind} {self.draft.stream}".strip()
        name, wanted = QInputDialog.getText(self, "Keep as template", "Name of the template", text=suggestion)
        if wanted and name.strip():
            self.keep_template(name.strip())

    def keep_template(self, name: str) -> None:
        if self.newest is None:
            return
        try:
            path = self.lookout.places.keep_template(name, self.newest.text)
            self._said = f"Kept as {path}"
        except FileExistsError:
            self._said = f"There is a template {name!r} already: give another name"
        except OSError as error:
            self._said = f"The template cannot be written ({error.strerror or error})"
        self.refresh()

    def choose_folder(self, folder: str) -> None:
        self.lookout.ask(self.draft, self.lookout.places.with_folder(folder.strip()))

    def browse_folder(self) -> None:
        start = str(self.lookout.places.folder)
        found = QFileDialog.getExistingDirectory(self, "Folder of all sessions", start, options=NOT_NATIVE)
        if found:
            self.choose_folder(found)

    def browse_calibration(self, route: str) -> None:
        if route == REFERENCES:
            found, _ = QFileDialog.getOpenFileName(self, "Reference levels", "", "Reference levels (*.toml)", options=NOT_NATIVE)
            if found:
                self.edit(replace(self.draft, references=str(Path(found).resolve())))
            return
        found, _ = QFileDialog.getOpenFileName(self, "Calibration file", "", "Calibration (*.toml)", options=NOT_NATIVE)
        if found:
            self.lookout.places = self.lookout.places.with_calibration(Path(found))
            self.lookout.places.remember()
            self.lookout.look_again()

    # -- what is shown ------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """The newest of everything."""
        self.judged = self.lookout.judged or self.judged
        judged = self.judged
        if judged is None or judged.draft.kind != self.draft.kind:
            self.word.say(self.title)
            self.summary.say("Looking for what is there")
            self.shape.show_severity("wait")
            return
        if self.newest is not None:
            draft = suggested(judged, self.lookout.seen, self._touched)
            if draft != self.draft:
                self.edit(draft, touched=False)
        shown = (judged, self.draft, self.at, self._trouble, self._said, self.lookout.places, self.look)
        if shown == self._shown:
            return
        self._shown = shown
        for index, (button, step) in enumerate(zip(self.buttons, judged.steps, strict=True)):
            button.show_step(_as_step(step))
            button.setChecked(index == self.at)
        self.question.say(self.page.question)
        self.plan_page.show_folder(str(self.lookout.places.folder))
        self.page.show_draft(self.draft, judged, self.lookout.seen)
        self._show_problems(judged.steps[self.at])
        self._show_head(judged)
        if self._to_focus and self.doing["next"].hasFocus():  # until now there was nothing to choose
            self.focus_page()

    def _show_problems(self, step: StepState) -> None:
        problems = [problem for problem in step.problems if problem.severity != "look" or not self.page.says(problem.said)]
        if self._trouble and step.name == "plan":
            problems.append(Problem("plan", "stop", self._trouble))
        while len(self.problems) < len(problems):
            line = ProblemLine()
            line.restyle(self.look)
            self._problems.addWidget(line)
            self.problems.append(line)
        for line, problem in zip(self.problems, [*problems, *[None] * len(self.problems)], strict=False):
            line.setVisible(problem is not None)
            if problem is not None:
                line.show_problem(problem)

    def _show_head(self, judged: Judged) -> None:
        obstacle = judged.stopped_by or (None if self.ready else CHECKING)
        self.word.say(self.title)
        looks = sum(problem.severity == "look" for problem in judged.problems)
        severity = "look" if obstacle is None and looks else "ok" if obstacle is None else obstacle.severity
        self.shape.show_severity(severity)
        colour(self.word, self.look.theme.states[STATE_OF[severity]])
        points = f", with {looks} point{'' if looks == 1 else 's'} to read" if looks else ""
        if obstacle is None:
            self.summary.say(f"Ready{points}: Begin writes {judged.path.name} and opens the check before the run.")
        else:
            said = obstacle.said if len(obstacle.said) < 110 else obstacle.said[:107] + "..."
            self.summary.say(f"{'Not yet' if obstacle.severity == 'stop' else 'One moment'}: {said}.")
        self.message.say(self._said)
        self.doing["back"].setEnabled(self.at > 0)
        self.doing["next"].setEnabled(self.at < len(self.steps) - 1)
        begin = self.doing["begin"]
        begin.setProperty("due", obstacle is None)
        style = begin.style()
        if style is not None:
            style.polish(begin)


NOT_NATIVE = QFileDialog.Options(QFileDialog.Option.DontUseNativeDialog)


def _as_step(step: StepState) -> Step:
    """For the list of steps of the check before a run, whose form is the same."""
    return Step(step.name, step.title, "", step.brief, step.severity, ())
