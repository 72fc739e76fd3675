"""Steps of a new recording or session, as pages: sound, output with its calibrations, conditions of a session."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from PyQt5.QtWidgets import QButtonGroup, QCheckBox, QGridLayout, QLabel, QLineEdit, QPushButton, QRadioButton

from quietfloor.monitor.begin.checked import Judged, StepName, cell_of, with_calibration
from quietfloor.monitor.begin.choices import AUDIO_OVER_LSL, KINDS, Option, frequencies_of, sounds
from quietfloor.monitor.begin.draft import Cell, Draft, with_cell, with_stimulus
from quietfloor.monitor.display.setup_parts import Text
from quietfloor.monitor.display.start_pages import Edit, Page
from quietfloor.monitor.display.start_parts import (
    ButtonField,
    Fields,
    Picker,
    allow,
    column,
    combo,
    number,
    row,
    set_checked,
    show_number,
    show_value,
)
from quietfloor.monitor.session.conditions import STIMULUS_WORDS
from quietfloor.stimuli.calibration import BOTH

EARS = (("right", "right"), ("left", "left"), ("both, the same sound at once", BOTH))
BY_AIR, ONE_EAR = "one sound in both ears goes by air only", "the sound of other equipment is stated for one ear"
ROUTES = (("air", "air"), ("bone", "bone"))
TRANSDUCERS = (("insert earphone", "insert"), ("supra-aural", "supra-aural"), ("circumaural", "circumaural"))
METHODS = (("search: all levels in one recording", "search"), ("ladder: a run for each level", "ladder"))
COLUMNS = tuple((route, ear) for route in ("air", "bone") for ear in ("right", "left"))
UNITS = (("dB nHL", False), ("dB p-p.e. SPL", True))
FREQUENCIES = (250.0, 500.0, 750.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 6000.0, 8000.0)
REFERENCES = "references"  # beside the routes: which file is looked for
NONE = Option("", "none", "the level is then in dB re full scale, and nobody knows how loud it is", "look")


class SoundPage(Page):
    name: StepName = "sound"
    question = "Who plays the sound, and which sound is it?"

    def __init__(self, edit: Edit) -> None:
        super().__init__(edit)
        self.other = QRadioButton("&Other equipment plays it; quietfloor only listens")
        self.own = QRadioButton("&quietfloor plays it")
        group = QButtonGroup(self)
        for button in (self.other, self.own):
            group.addButton(button)
        self.other.clicked.connect(lambda: self.change(own_sound=False))
        self.own.clicked.connect(lambda: self.change(own_sound=True))
        self.stated = QCheckBox("Say &which sound it is: it sets the response window, and stands in the record")
        self.stated.clicked.connect(lambda yes: self.change(stated=yes))
        self.stimulus = combo((STIMULUS_WORDS[kind], kind) for kind in KINDS)
        self.frequency = combo(())
        self.ear, self.route = combo(EARS), combo(ROUTES)
        self.level, self.level_fs = number(-40, 120, 5, 1, "dB nHL"), number(-140, 0, 5, 1, "dB FS")
        self.unit, self.level_ppe = combo(UNITS), number(-20, 150, 5, 1, "dB p-p.e. SPL")
        self.stated_level = number(-41, 120, 5, 1, "dB nHL")
        self.stated_level.setSpecialValueText("not known")
        self.rate = number(1, 100, 1, 1, "per second")
        self.fields = Fields()
        self.why = self.fields.add("&Stimulus", self.stimulus)
        self.fields.add("&Frequency", self.frequency)
        self.fields.add("&Ear", self.ear)
        self.fields.add("&Route", self.route)
        self.loudest = self.fields.add("&Level", self.level)
        self.fields.add("Level &in", self.unit)
        self.fields.add("&Level", self.level_ppe).say("how strong the sound is; how well it is heard, nobody knows")
        self.fields.add("&Level", self.level_fs).say("peak to peak re full scale: nobody knows how loud that is")
        self.fields.add("&Level", self.stated_level)
        self.rate_note = self.fields.add("R&ate", self.rate)
        self.stimulus.currentIndexChanged.connect(lambda: self._edit(with_stimulus(self.draft, self.stimulus.currentData())))
        self.frequency.currentIndexChanged.connect(lambda: self.change(frequency_hz=self.frequency.currentData()))
        self.ear.currentIndexChanged.connect(lambda: self.change(ear=self.ear.currentData()))
        self.route.currentIndexChanged.connect(lambda: self.change(route=self.route.currentData()))
        self.level.valueChanged.connect(lambda value: self.change(level_db_nhl=value))
        self.unit.currentIndexChanged.connect(lambda: self.change(in_ppe=self.unit.currentData()))
        self.level_ppe.valueChanged.connect(lambda value: self.change(level_db_ppe_spl=value))
        self.level_fs.valueChanged.connect(lambda value: self.change(level_db_fs=value))
        self.stated_level.valueChanged.connect(lambda value: self.change(stated_db_nhl=None if value < -40 else value))
        self.rate.valueChanged.connect(lambda value: self.change(per_s=value))
        whole = column(self.other, self.own, self.stated, self.fields)
        whole.addStretch(1)
        self.setLayout(whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        set_checked(self.other, not draft.own_sound)
        set_checked(self.own, draft.own_sound)
        set_checked(self.stated, draft.stated)
        own, told = draft.own_sound, draft.own_sound or draft.stated
        self.stated.setVisible(not own)
        judge = own and draft.level_scale == "nhl"  # by the reference thresholds
        wanted = frequencies_of(draft.stimulus, draft.references) if own and draft.level_scale != "ppe" else FREQUENCIES
        if draft.frequency_hz is not None and draft.frequency_hz not in wanted:
            wanted = tuple(sorted((*wanted, draft.frequency_hz)))
        if [self.frequency.itemData(at) for at in range(self.frequency.count())] != list(wanted):
            self.frequency.blockSignals(True)
            self.frequency.clear()
            for hz in wanted:
                self.frequency.addItem(f"{hz:g} Hz", hz)
            self.frequency.blockSignals(False)
        show_value(self.stimulus, draft.stimulus)
        show_value(self.frequency, draft.frequency_hz)
        show_value(self.ear, draft.ear)
        show_value(self.route, draft.route)
        show_number(self.level, draft.level_db_nhl)
        show_value(self.unit, draft.in_ppe)
        show_number(self.level_ppe, draft.level_db_ppe_spl)
        show_number(self.level_fs, draft.level_db_fs)
        show_number(self.stated_level, -41.0 if draft.stated_db_nhl is None else draft.stated_db_nhl)
        show_number(self.rate, draft.per_s)
        scale = draft.level_scale if own else ""
        for control, yes in (
            (self.stimulus, told), (self.frequency, told and draft.frequency_hz is not None), (self.ear, told),
            (self.route, told), (self.unit, scale in ("nhl", "ppe") and draft.route == "air"), (self.level, scale == "nhl"),
            (self.level_ppe, scale == "ppe"), (self.level_fs, scale == "fs"),
            (self.stated_level, draft.stated and not own),
        ):  # fmt: skip
            self.fields.show_row(control, yes)
        self.rate_note.say("" if own else "of the other equipment: it only turns the minutes of the limit into sweeps")
        self._allow(draft, judged, judge)

    def _allow(self, draft: Draft, judged: Judged, judge: bool) -> None:
        """What the calibration does not reach cannot be chosen."""
        for kind in KINDS:
            hertz = frequencies_of(kind, draft.references) or (None,)
            cells = [replace(cell_of(draft), stimulus=kind, frequency_hz=hz) for hz in hertz]
            reasons = [judged.reach(cell).why for cell in cells]
            allow(self.stimulus, kind, reasons[0] if judge and all(reasons) else "")
        for hz in frequencies_of(draft.stimulus, draft.references):
            allow(self.frequency, hz, judged.reach(replace(cell_of(draft), frequency_hz=hz)).why if judge else "")
        for _, ear in EARS[:2]:
            allow(self.ear, ear, judged.reach(replace(cell_of(draft), ear=ear)).why if judge else "")  # type: ignore[arg-type]
        allow(self.ear, BOTH, BY_AIR if draft.route == "bone" else "" if draft.own_sound else ONE_EAR)
        allow(self.route, "bone", BY_AIR if draft.ear == BOTH else "")
        found = judged.reach(cell_of(draft))
        known = judge and not found.why
        self.loudest.say(f"the loudest that this output gives: {math.floor(found.loudest_db)} dB nHL" if known else "")


class OutputPage(Page):
    name: StepName = "output"
    question = "Through which output does the sound leave, and how loud is it there?"

    def __init__(self, edit: Edit, browse: Callable[[str], None]) -> None:
        super().__init__(edit)
        self.none = Text(1.06)
        self.none.say("Other equipment plays the sound: there is no output to choose. Check its level and its calibration there.")
        self.outputs = Picker("No sound card is there.")
        self.outputs.picked.connect(self._pick)
        self.audio = QLineEdit()
        self.audio.textEdited.connect(lambda text: self.change(audio_id=text.strip()))
        self.transducer = combo(TRANSDUCERS)
        self.transducer.currentIndexChanged.connect(lambda: self.change(transducer=self.transducer.currentData()))
        self.fields = Fields()
        self.fields.add("&Source id of the audio", self.audio).say("the virtual patient must listen to it (--audio-source-id)")
        self.fields.add("&Earphone", self.transducer)
        self.heads = {"air": QLabel("Calibration of the earphone"), "bone": QLabel("Calibration of the bone vibrator")}
        none = "No calibration file is here. `quietfloor calibrate` makes one; the page on sound in the documentation says how."
        self.calibrations = {route: Picker(none) for route in ("air", "bone")}
        self.other = {route: QPushButton(text) for route, text in (("air", "Another &file…"), ("bone", "Another file (b&one)…"))}
        for route, picker in self.calibrations.items():
            picker.picked.connect(lambda path, route=route: self._edit(with_calibration(self.draft, route, path, self.seen)))
            self.other[route].clicked.connect(lambda _, route=route: browse(route))
        self.levels_head = QLabel("Reference levels: what 0 dB nHL is")
        self.levels, self.other_levels = Picker(""), QPushButton("Another file (&levels)…")
        self.levels.picked.connect(lambda path: self.change(references=path))
        self.other_levels.clicked.connect(lambda: browse(REFERENCES))
        whole = column(self.none, self.outputs, self.fields)
        for route in ("air", "bone"):
            whole.addWidget(self.heads[route])
            whole.addWidget(self.calibrations[route])
            whole.addLayout(row(self.other[route]))
        whole.addWidget(self.levels_head)
        whole.addWidget(self.levels)
        whole.addLayout(row(self.other_levels))
        whole.addStretch(1)
        self.setLayout(whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        plays = draft.plays
        self.none.setVisible(not plays)
        shown = [self.outputs, self.fields]
        for part in shown:
            part.setVisible(plays)
        self.outputs.show_options(judged.outputs, AUDIO_OVER_LSL if draft.device == "lsl" else draft.output)
        if self.audio.text() != draft.audio_id and not self.audio.hasFocus():
            self.audio.setText(draft.audio_id)
        self.fields.show_row(self.audio, plays and draft.device == "lsl")
        show_value(self.transducer, draft.transducer)
        for route, picker in self.calibrations.items():
            here = plays and (draft.kind == "session" or draft.route == route)
            options = judged.options(route)
            if draft.kind == "recording":
                options = (*options, NONE)
            elif route == "bone":
                options = (*options, Option("", "none", "nothing is tested by bone then"))
            picker.show_options(options, draft.bone_calibration if route == "bone" else draft.calibration)
            for part in (self.heads[route], picker, self.other[route]):
                part.setVisible(here)
        self.levels.show_options(judged.references, draft.references)
        for part in (self.levels_head, self.levels, self.other_levels):
            part.setVisible(plays and (draft.kind == "session" or bool(draft.calibration_in_use)))

    def _pick(self, value: str) -> None:
        lsl = value == AUDIO_OVER_LSL
        self._edit(
            replace(
                self.draft, device="lsl" if lsl else "sound-card", output=self.draft.output if lsl else value, calibration="",
                bone_calibration="",
            )
        )  # fmt: skip


class ConditionsPage(Page):
    name: StepName = "conditions"
    question = "Which ears, routes and frequencies? The first that you choose comes first"

    def __init__(self, edit: Edit) -> None:
        super().__init__(edit)
        self.grid, self.reasons = ButtonField(), Text(0.98, quiet=True)
        self.boxes: dict[Cell, QCheckBox] = {}
        layout = QGridLayout(self.grid)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setHorizontalSpacing(18)
        layout.setVerticalSpacing(2)
        layout.setColumnStretch(len(COLUMNS) + 1, 1)
        for at, (route, ear) in enumerate(COLUMNS):
            layout.addWidget(QLabel(f"{ear}, {route}"), 0, at + 1)
        for line, (stimulus, hz) in enumerate(sounds()):
            words = STIMULUS_WORDS[stimulus]
            layout.addWidget(QLabel(words[:1].upper() + words[1:] + ("" if hz is None else f" {hz:g} Hz")), line + 1, 0)
            for at, (route, ear) in enumerate(COLUMNS):
                cell, box = Cell(ear, route, stimulus, hz), QCheckBox()  # type: ignore[arg-type]
                box.setAccessibleName(cell.words)
                box.clicked.connect(lambda yes, cell=cell: self._edit(with_cell(self.draft, cell, yes)))
                layout.addWidget(box, line + 1, at + 1)
                self.grid.place(line, at, box)
                self.boxes[cell] = box
        self.method = combo(METHODS)
        self.method.currentIndexChanged.connect(lambda: self.change(method=self.method.currentData()))
        self.start, self.rate = number(-40, 120, 5, 0, "dB nHL"), number(1, 100, 1, 1, "per second")
        self.start.valueChanged.connect(lambda value: self.change(start_db_nhl=value))
        self.rate.valueChanged.connect(lambda value: self.change(per_s=value))
        self.fields = Fields()
        self.fields.add("&Method", self.method)
        self.fields.add("First &level", self.start)
        self.fields.add("R&ate", self.rate)
        whole = column(self.grid, self.reasons, self.fields)
        whole.addStretch(1)
        self.setLayout(whole)

    def refresh(self, draft: Draft, judged: Judged) -> None:
        order = {cell: place for place, cell in enumerate(draft.grid, 1)}
        why: dict[str, list[str]] = {}
        for cell, box in self.boxes.items():
            reason = judged.reach(cell).why
            chosen = cell in order
            set_checked(box, chosen)
            box.setEnabled(not reason or chosen)
            box.setText(str(order[cell]) if chosen else "–" if reason else " ")
            box.setToolTip(f"<qt>{reason or cell.words}</qt>")
            if reason:
                why.setdefault(reason, []).append(cell.words)
        self.reasons.say("\n".join(f"Not possible: {_those(cells)}: {reason}" for reason, cells in why.items()))
        self.reasons.setVisible(bool(why))
        show_value(self.method, draft.method)
        show_number(self.start, draft.start_db_nhl)
        show_number(self.rate, draft.per_s)


def _those(words: list[str]) -> str:
    """Cells that cannot be chosen for one reason."""
    routes = {one.rpartition(" by ")[2] for one in words}
    if len(words) > 2 and len(routes) == 1:
        return f"{len(words)} sounds by {routes.pop()}"
    return "; ".join(words) if len(words) <= 2 else f"{len(words)} sounds"



