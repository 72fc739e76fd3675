"""Steps of a new recording or session, as pages: stream, channels, person and limits, plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import (
    QApplication,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QRadioButton,
    QWidget,
)

from quietfloor.monitor.begin.checked import Judged, StepName, sweeps_words
from quietfloor.monitor.begin.choices import Seen
from quietfloor.monitor.begin.draft import ROLES, Draft, with_role, with_stream
from quietfloor.monitor.begin.places import command_line
from quietfloor.monitor.display.setup_parts import Text
from quietfloor.monitor.display.start_parts import (
    ButtonField,
    Fields,
    Picker,
    column,
    combo,
    number,
    show_number,
    show_value,
)
from quietfloor.monitor.display.theme import Look

Edit = Callable[[Draft], None]
HEADS = {"decides": "decides", "too": "averaged too", "trigger": "trigger", "": "not used"}
UNITS = (("as the stream states it", ""), ("microvolts (uV)", "uV"), ("millivolts (mV)", "mV"), ("volts (V)", "V"))
AGES = (("adult", "adult"), ("child", "child"), ("infant", "infant"))


class Page(QWidget):
    """A step: it shows a judged draft, and passes changed drafts to ``edit``."""

    name: StepName
    question: str

    def __init__(self, edit: Edit) -> None:
        super().__init__()
        self._edit = edit
        self.judged: Judged | None = None
        self.draft = Draft()
        self.seen = Seen()

    def show_draft(self, draft: Draft, judged: Judged, seen: Seen) -> None:
        """Bring the page up to date; ``judged`` may still be of the draft before."""
        self.draft, self.judged, self.seen = draft, judged, seen
        self.refresh(draft, judged)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        raise NotImplementedError

    def restyle(self, look: Look) -> None:
        for part in self.findChildren((Picker, Fields, Text)):  # type: ignore[call-overload]
            part.restyle(look)

    def says(self, text: str) -> bool:
        """Whether a list of this page says it already, beside what is chosen."""
        return any(picker.says(text) for picker in self.findChildren(Picker))

    def change(self, **keys: object) -> None:
        """Pass on the draft with other values."""
        self._edit(replace(self.draft, **keys))  # type: ignore[arg-type]


class StreamPage(Page):
    name: StepName = "stream"
    question = "Which stream carries the EEG?"

    def __init__(self, edit: Edit) -> None:
        super().__init__(edit)
        self.picker = Picker(
            "No stream is there yet. Start the amplifier's program and its LSL output: the stream appears here by itself. Only "
            "streams of this computer are seen, unless LSLAPICFG names another configuration."
        )
        self.picker.picked.connect(self._pick)
        whole = column(self.picker)
        whole.addStretch(1)
        self.setLayout(whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        self.picker.show_options(judged.streams, "" if judged.stream is None else judged.stream.uid)

    def _pick(self, uid: str) -> None:
        visible = self.seen.streams or ()
        chosen = next((one for one in visible if one.uid == uid), None)
        if chosen is not None:
            self._edit(with_stream(self.draft, chosen, visible))


class ChannelsPage(Page):
    name: StepName = "channels"
    question = "Which channels hold the EEG, and which one the trigger?"

    def __init__(self, edit: Edit) -> None:
        super().__init__(edit)
        self.note = Text(1.06, quiet=True)
        self.table = ButtonField()
        self.buttons: dict[tuple[int, str], QRadioButton] = {}
        self._uid = ""
        self.unit = combo(UNITS)
        self.markers = combo((("none", ""),))
        self.fields = Fields()
        self.fields.add("&Unit of the EEG", self.unit)
        self.fields.add("&Marker stream to record as well", self.markers)
        self.unit.currentIndexChanged.connect(lambda: self.change(unit=self.unit.currentData()))
        self.markers.currentIndexChanged.connect(lambda: self.change(markers=self.markers.currentData()))
        self._whole = column(self.note, self.table, self.fields)
        self._whole.addStretch(1)
        self.setLayout(self._whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        stream = judged.stream
        self.note.say(
            "The list of channels is known once a stream is chosen." if stream is None
            else "One channel decides, others are averaged beside it. The trigger is a channel of the same stream. Arrow keys "
            "move, Space chooses."
        )
        uid = "" if stream is None else stream.uid
        if uid != self._uid:
            self._uid = uid
            self._make(judged)
        for place, role in enumerate(judged.roles):
            for one in ROLES:
                button = self.buttons[place, one]
                button.blockSignals(True)
                button.setChecked(one == role)
                button.blockSignals(False)
        show_value(self.unit, draft.unit)
        names = [option for option in judged.markers if option.possible]
        wanted = ["", *(option.value for option in names)]
        if draft.markers and draft.markers not in wanted:
            wanted.append(draft.markers)
        if [self.markers.itemData(at) for at in range(self.markers.count())] != wanted:
            self.markers.blockSignals(True)
            self.markers.clear()
            for name in wanted:
                self.markers.addItem(name or "none", name)
            self.markers.blockSignals(False)
        show_value(self.markers, draft.markers)

    def _make(self, judged: Judged) -> None:
        old, self.table, self.buttons = self.table, ButtonField(), {}
        stream = judged.stream
        grid = QGridLayout(self.table)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(16)
        grid.setVerticalSpacing(3)
        grid.setColumnStretch(len(ROLES) + 2, 1)
        if stream is not None:
            for at, role in enumerate(ROLES):
                grid.addWidget(QLabel(HEADS[role]), 0, at + 2, Qt.AlignmentFlag.AlignHCenter)
            for place in range(stream.channel_count):
                grid.addWidget(QLabel(f"{place + 1}  {stream.labels[place] or '(no label)'}"), place + 1, 0)
                grid.addWidget(QLabel(stream.units[place] or "no unit"), place + 1, 1)
                for at, role in enumerate(ROLES):
                    button = QRadioButton()
                    button.setAutoExclusive(False)
                    button.setAccessibleName(f"{stream.label(place)} {HEADS[role]}")
                    button.setToolTip(button.accessibleName())
                    button.clicked.connect(lambda _, place=place, role=role: self._set(place, role))
                    self.table.place(place, at, button)
                    grid.addWidget(button, place + 1, at + 2, Qt.AlignmentFlag.AlignHCenter)
                    self.buttons[place, role] = button
        self._whole.replaceWidget(old, self.table)
        self.table.show()
        for before, after in pairwise((*self.buttons.values(), self.unit, self.markers)):
            self.setTabOrder(before, after)
        old.hide()
        old.deleteLater()

    def _set(self, place: int, role: str) -> None:
        self.buttons[place, role].setChecked(True)  # also if it was already
        if self.judged is not None and self.judged.stream is not None:
            self._edit(with_role(self.draft, self.judged.stream, place, role))  # type: ignore[arg-type]


class PersonPage(Page):
    name: StepName = "person"
    question = "Who is it, and how long may it take?"

    def __init__(self, edit: Edit) -> None:
        super().__init__(edit)
        self.code = QLineEdit()
        self.code.setMaxLength(60)
        self.age = combo(AGES)
        self.months = number(-1, 1500, 1, 0, "months")
        self.months.setSpecialValueText("not known")
        self.minutes = number(0.2, 1440, 1, 1, "min")
        self.floor = number(1, 500, 1, 0, "nV")
        self.fields = Fields()
        self.fields.add("&Code of the person", self.code).say("a pseudonym: it names the folder; no name is needed")
        self.age_note = self.fields.add("&Age group", self.age)
        self.fields.add("A&ge in months", self.months)
        self.limit = self.fields.add("At &most", self.minutes)
        self.fields.add("Noise &floor", self.floor).say("residual noise at which a missing response is believed")
        self.code.textEdited.connect(lambda text: self.change(code=text))
        self.age.currentIndexChanged.connect(lambda: self.change(age_group=self.age.currentData(), age_months=None))
        self.months.valueChanged.connect(lambda value: self.change(age_months=None if value < 0 else value))
        self.minutes.valueChanged.connect(lambda value: self.change(minutes=value))
        self.floor.valueChanged.connect(lambda value: self.change(floor_nv=value))
        whole = column(self.fields)
        whole.addStretch(1)
        self.setLayout(whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        if self.code.text() != draft.code and not self.code.hasFocus():
            self.code.setText(draft.code)
        show_value(self.age, draft.age_group)
        show_number(self.months, -1.0 if draft.age_months is None else draft.age_months)
        show_number(self.minutes, draft.minutes)
        show_number(self.floor, draft.floor_nv)
        self.fields.show_row(self.months, draft.kind == "session")
        self.fields.show_row(self.age, draft.plays or draft.stated)  # a plan without a sound has no place for it
        self.age_note.say("sets the output ceiling and the expected latencies" if draft.plays else "sets the expected latencies")
        of_session = "of recording, all recordings together; then the session ends"
        self.limit.say(of_session if draft.kind == "session" else f"{sweeps_words(draft)}; then the run ends undecided")


class PlanPage(Page):
    name: StepName = "plan"
    question = "This is what will be written, and run"

    def __init__(self, edit: Edit, folder_chosen: Callable[[str], None], browse: Callable[[], None]) -> None:
        super().__init__(edit)
        self.folder, self.browse = QLineEdit(), QPushButton("&Choose…")
        self.folder.textEdited.connect(folder_chosen)
        self.browse.clicked.connect(browse)
        self.command, self.copy = QLineEdit(), QPushButton("Copy c&ommand")
        self.command.setReadOnly(True)
        self.copy.clicked.connect(self._copy)
        self.where = Text(1.0, quiet=True)
        self.text = QPlainTextEdit()
        self.text.setReadOnly(True)
        self.text.setTabChangesFocus(True)
        self.text.setObjectName("toml")
        self.text.setMinimumHeight(110)
        grid = QGridLayout()
        grid.setHorizontalSpacing(10)
        for at, (label, field, button) in enumerate((
            ("&Folder of all sessions", self.folder, self.browse), ("Command", self.command, self.copy),
        )):  # fmt: skip
            name = QLabel(label)
            name.setBuddy(field)
            field.setAccessibleName(label.replace("&", ""))
            grid.addWidget(name, at, 0)
            grid.addWidget(field, at, 1)
            grid.addWidget(button, at, 2)
        whole = column()
        whole.addLayout(grid)
        whole.addWidget(self.where)
        whole.addWidget(self.text, 1)
        self.setLayout(whole)

    def show_folder(self, folder: str) -> None:
        if self.folder.text() != folder and not self.folder.hasFocus():
            self.folder.setText(folder)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        line = command_line(judged.arguments)
        if self.command.text() != line:
            self.command.setText(line)
            self.command.setCursorPosition(0)
        again = "is there already with exactly this text" if judged.path.is_file() else "is written when you begin"
        self.where.say(f"The plan {judged.path.absolute()} {again}. The same command in a terminal makes the same recording.")
        if self.text.toPlainText() != judged.text:
            self.text.setPlainText(judged.text)

    def _copy(self) -> None:
        clipboard = QApplication.clipboard()
        if clipboard is not None:
            clipboard.setText(self.command.text())


