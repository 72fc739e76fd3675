"""A draft judged against what is there: each step with its problems in words, the plan, and the command that runs it.

``judge`` is quick, and is asked at each change. ``prove`` goes the way of `quietfloor check`, and takes up to some seconds for a
session: nothing begins without it.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from quietfloor.monitor.begin import choices
from quietfloor.monitor.begin.choices import Option, Reach, Seen
from quietfloor.monitor.begin.draft import Cell, Draft, Role, plan_data, roles, sweep_s, sweeps_of, toml_text, with_stream
from quietfloor.monitor.begin.places import Places, folder_name
from quietfloor.monitor.plan.run_plan import Plan, PlanError, make_plan
from quietfloor.monitor.readiness.findings import Severity, parted, worst
from quietfloor.monitor.readiness.sound_check import sound_group
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.session.recorded_session import PLAN
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.session.session_store import SessionError, SessionStore
from quietfloor.monitor.sources.base import SourceError, StreamDescription
from quietfloor.monitor.sources.channels import resolve_channels, unit_to_uv
from quietfloor.stimuli.calibration import ear_words

StepName = Literal["stream", "channels", "sound", "output", "conditions", "person", "plan"]
STEPS: dict[str, tuple[StepName, ...]] = {
    "recording": ("stream", "channels", "sound", "output", "person", "plan"),
    "session": ("stream", "channels", "output", "conditions", "person", "plan"),
}
TITLES: dict[StepName, str] = {
    "stream": "EEG stream", "channels": "Channels", "sound": "Sound", "output": "Output", "conditions": "Conditions",
    "person": "Person and limits", "plan": "Plan",
}  # fmt: skip
LONGEST_CODE = 60  # own choice: far more than a pseudonym needs, and short enough for names of files and one line


@dataclass(frozen=True)
class Problem:
    """What is wrong ("stop") or worth knowing ("look", "wait"), and what to do."""

    step: StepName
    severity: Severity
    said: str
    remedy: str = ""


@dataclass(frozen=True)
class StepState:
    """One step in the list: ``brief`` says in a few words what is chosen."""

    name: StepName
    title: str
    brief: str
    problems: tuple[Problem, ...]

    @property
    def severity(self) -> Severity:
        return worst(problem.severity for problem in self.problems)


@dataclass(frozen=True)
class Judged:
    """A draft with everything that can be chosen now, and what follows from it."""

    draft: Draft
    steps: tuple[StepState, ...]
    streams: tuple[Option, ...] = ()
    markers: tuple[Option, ...] = ()
    stream: StreamDescription | None = None
    roles: tuple[Role, ...] = ()
    outputs: tuple[Option, ...] = ()
    calibrations: tuple[tuple[str, tuple[Option, ...]], ...] = ()  # by route
    references: tuple[Option, ...] = ()
    grid: tuple[tuple[Cell, Reach], ...] = ()
    text: str = ""  # TOML
    path: Path = Path()  # where it is written
    arguments: tuple[str, ...] = ()  # of the command
    root: Path = Path()  # folder of all sessions that it was judged for
    proved: bool = False  # it went through the whole check

    @property
    def problems(self) -> tuple[Problem, ...]:
        return tuple(problem for step in self.steps for problem in step.problems)

    @property
    def stopped_by(self) -> Problem | None:
        """The first problem that must be solved before anything can begin."""
        return next((problem for problem in self.problems if problem.severity in ("stop", "wait")), None)

    def reach(self, cell: Cell) -> Reach:
        return next((found for one, found in self.grid if one == cell), Reach("not judged yet"))

    def options(self, route: str) -> tuple[Option, ...]:
        """Calibrations for a route."""
        return dict(self.calibrations).get(route, ())


def judge(draft: Draft, seen: Seen, places: Places, today: datetime.date) -> Judged:
    """Everything about the draft that takes no longer than a moment."""
    streams = choices.stream_options(seen.streams or ())
    stream = choices.stream_of(draft, seen.streams or ())
    sound = _sound_keys(draft)
    grid = _grid(draft, seen, sound)
    highest_db = _highest_db(draft, dict(grid))
    problems = [
        *_of_stream(draft, seen, streams, stream), *_of_channels(draft, stream, seen), *_of_sound(draft, dict(grid)),
        *_of_output(draft, seen, sound, today), *_of_conditions(draft, dict(grid)), *_of_person(draft, places),
    ]  # fmt: skip
    if all(problem.severity != "stop" for problem in problems):
        problems += _of_plan(draft, highest_db, stream)
    text = toml_text(draft, highest_db)
    code = draft.code if draft.code.strip() else "-"
    path, folder = places.plan_path(code, draft.kind, text), places.of_code(code)
    command = "run" if draft.kind == "recording" else "session"
    judged = Judged(
        draft, (), streams, choices.marker_options(seen.streams or ()), stream, () if stream is None else roles(draft, stream),
        choices.output_options(seen),
        tuple((route, choices.calibration_options(draft, route, seen, sound, today)) for route in ("air", "bone")),
        choices.reference_options(draft, seen), grid, text, path, (command, str(path), "--out", str(folder)), places.folder,
    )  # fmt: skip
    return with_problems(judged, problems)


def with_problems(judged: Judged, problems: Iterable[Problem]) -> Judged:
    """The same with these problems, each at its step."""
    names, problems = STEPS[judged.draft.kind], tuple(problems)
    made = tuple(
        StepState(
            name, TITLES[name], _brief(name, judged),
            tuple(one for one in problems if (one.step if one.step in names else "plan") == name),
        )
        for name in names
    )  # fmt: skip
    return replace(judged, steps=made)


def prove(judged: Judged, places: Places, today: datetime.date) -> tuple[Problem, ...]:
    """What `quietfloor check` would refuse of the sound. Only for a draft without other problems."""
    draft = judged.draft
    folder = places.of_code(draft.code)
    try:
        if draft.kind == "recording":
            plan = make_plan(plan_data(draft))
            groups = [sound_group(plan, folder, today)] if plan.sound is not None else []
        else:
            plan_of_all = make_session_plan(plan_data(draft, _highest_db(draft, dict(judged.grid))))
            groups = [_as_session_plays(Session(folder, plan_of_all), folder, today)]
    except (PlanError, SessionError, SourceError, RuntimeError, OSError) as error:
        what, remedy = parted(error)
        return (Problem("plan", "stop", what, remedy),)
    at: StepName = "sound" if draft.kind == "recording" else "conditions"
    return tuple(
        Problem("person" if one.about == "dose" else at, one.severity, one.said, one.remedy)
        for group in groups
        for one in group.findings
        if one.severity != "ok" and not (one.about == "calibration" and draft.level_scale == "fs")
    )


def _as_session_plays(session: Session, folder: Path, today: datetime.date) -> Any:
    """The sound of the first recording, as the session would make it: as many sounds at once as output and ceiling allow."""
    for most in (2, 1, 0):
        plan = session.next_search(most=most) if session.plan.method == "search" else None
        group = sound_group(plan or session.first_plan(), folder, today)
        at_once = 0 if plan is None or plan.sound is None else plan.sound.at_once
        if not at_once or all(finding.severity != "stop" for finding in group.findings):
            return group
    return group


# -- each step -----------------------------------------------------------------------------------------------------------


def _of_stream(
    draft: Draft, seen: Seen, options: tuple[Option, ...], stream: StreamDescription | None
) -> list[Problem]:
    if seen.streams_trouble:
        return [Problem("stream", "stop", seen.streams_trouble)]
    if seen.streams is None:
        return [Problem("stream", "wait", "looking for streams")]
    if stream is None and (draft.stream or draft.source_id):
        name = draft.stream or draft.source_id
        return [Problem("stream", "stop", f"the stream {name!r} is not there", "start its program, or choose another stream")]
    if stream is None:
        if not any(option.possible for option in options):
            what = "none of the streams can be used" if options else "no stream is there"
            return [Problem("stream", "stop", what, "start the amplifier's program and its LSL output")]
        return [Problem("stream", "stop", "no stream is chosen", "choose one of the list")]
    option = next(one for one in options if one.value == stream.uid)
    return [Problem("stream", option.severity, option.said)] if option.severity in ("look", "stop") else []


def _of_channels(draft: Draft, stream: StreamDescription | None, seen: Seen) -> list[Problem]:
    if stream is None:
        return [] if draft.eeg and draft.trigger else [Problem("channels", "wait", "known once a stream is chosen")]
    found = []
    if not draft.eeg:
        found.append(Problem("channels", "stop", "no EEG channel decides", "choose the channel that decides"))
    if not draft.trigger:
        found.append(Problem("channels", "stop", "no channel is the trigger", "choose the one into which the trigger is wired"))
    if found:
        return found
    try:
        channels = resolve_channels(stream, draft.eeg, draft.trigger)
    except SourceError as error:
        return [Problem("channels", "stop", str(error))]
    units_uv = [unit_to_uv(stream.units[index]) for index in channels.eeg]
    stated_uv = {unit for unit in units_uv if not math.isnan(unit)}
    if not draft.unit and len(stated_uv) < len(set(units_uv)):
        found.append(
            Problem("channels", "look", "the stream states no unit: it is taken from the size of the first second",
                    "say whether its numbers are uV, mV or V, if you know")
        )  # fmt: skip
    if not draft.unit and len(stated_uv) > 1:
        remedy = "choose channels of one unit, or say which unit it is"
        found.append(Problem("channels", "stop", "the EEG channels state different units", remedy))
    texts = choices.marker_options(seen.streams or ())
    if draft.markers and not any(one.value == draft.markers and one.possible for one in texts):
        said = f"the marker stream {draft.markers!r} is not there"
        found.append(Problem("channels", "stop", said, "start its program, or choose none"))
    return found


def _of_sound(draft: Draft, grid: dict[Cell, Reach]) -> list[Problem]:
    """Of the sound of a recording."""
    if draft.kind == "session" or not (draft.own_sound or draft.stated):
        return []
    if draft.own_sound and draft.level_scale == "nhl":
        found = grid[cell_of(draft)]
        if found.why:
            other = "or state the level in dB p-p.e. SPL" if "no reference level" in found.why and draft.route == "air" else ""
            return [Problem("sound", "stop", found.why, other)]
        if draft.level_db_nhl > found.loudest_db + 1e-9:
            loudest = math.floor(10 * found.loudest_db) / 10
            said = f"{draft.level_db_nhl:g} dB nHL is too loud: the loudest that this output gives is {loudest:g}"
            return [Problem("sound", "stop", said, "lower the level")]
    return []


def cell_of(draft: Draft) -> Cell:
    """The sound of a recording as a condition; of one in both ears the right one, the left one is proved with the plan."""
    return Cell("left" if draft.ear == "left" else "right", draft.route, draft.stimulus, draft.frequency_hz)


def _of_output(draft: Draft, seen: Seen, sound: dict[str, Any], today: datetime.date) -> list[Problem]:
    if not draft.plays:
        return []
    found = []
    if draft.device == "sound-card":
        if seen.outputs_trouble:
            return [Problem("output", "stop", seen.outputs_trouble)]
        if seen.outputs is None:
            return [Problem("output", "wait", "looking for sound cards")]
        option = next((one for one in choices.output_options(seen) if one.value == draft.output), None)
        if option is None:
            said = f"the output {draft.output!r} is not there" if draft.output else "no output is chosen"
            remedy = "choose one of the list; a card that was plugged in later is found after a new start"
            return [Problem("output", "stop", said, remedy)]
        if option.severity in ("look", "stop"):
            found.append(Problem("output", option.severity, option.said))
    elif not draft.audio_id.strip():
        found.append(Problem("output", "stop", "audio over LSL needs the source id that the virtual patient listens to"))
    for route in draft.routes or ("air",):
        found += _of_calibration(draft, route, seen, sound, today)
    return found


def _of_calibration(draft: Draft, route: str, seen: Seen, sound: dict[str, Any], today: datetime.date) -> list[Problem]:
    path = draft.bone_calibration if route == "bone" else draft.calibration
    what = "bone vibrator" if route == "bone" else f"{draft.transducer} earphone"
    if not path:
        make = "make one with `quietfloor calibrate` (docs/sound.md), then choose it here"
        if draft.kind == "recording":
            return [Problem("output", "look", f"no calibration of the {what}: the level is in dB re full scale", make)]
        return [Problem("output", "stop", f"no calibration of the {what}: a session has levels in dB nHL", make)]
    option = next((one for one in choices.calibration_options(draft, route, seen, sound, today) if one.value == path), None)
    if option is None:
        return [Problem("output", "stop", f"the calibration {path} is not there, or is not of the {what}", "choose another file")]
    file = next(one for one in seen.calibrations if one.path == path)
    if option.possible and route == "air" and file.calibration is not None and file.calibration.transducer != draft.transducer:
        said = f"the calibration is of {file.calibration.transducer}, and {draft.transducer} is chosen"
        return [Problem("output", "stop", said, "choose the transducer that was calibrated")]
    return [] if option.possible else [Problem("output", "stop", option.said)]


def _of_conditions(draft: Draft, grid: dict[Cell, Reach]) -> list[Problem]:
    if draft.kind == "recording":
        return []
    if not draft.grid:
        return [Problem("conditions", "stop", "no condition is chosen", "tick at least one; the first that you tick comes first")]
    found = []
    for cell in draft.grid:
        reach = grid.get(cell) or Reach("this condition cannot be made here")
        if reach.why:
            found.append(Problem("conditions", "stop", f"{cell.words}: {reach.why}", "take it away"))
    return found


def _of_person(draft: Draft, places: Places) -> list[Problem]:
    code = draft.code.strip()
    if not code:
        return [Problem("person", "stop", "the person has no code", "give one such as P01; no name is needed")]
    if not code.isprintable():
        return [Problem("person", "stop", f"the code {code!r} has a control character", "give letters, digits, - and _")]
    if len(code) > LONGEST_CODE:
        return [Problem("person", "stop", f"the code has {len(code)} characters", f"give at most {LONGEST_CODE}")]
    found, folder = [], places.of_code(code)
    if folder_name(code) != code:
        found.append(Problem("person", "look", f"the folder will be called {folder.name}"))
    if folder.exists() and not folder.is_dir():
        return [Problem("person", "stop", f"{folder} is a file", "choose another code, or another folder")]
    runs = len(SessionStore(folder).folders()) if folder.is_dir() else 0
    if (folder / PLAN).is_file():
        try:
            known = Session.open(folder).plan.subject.pseudonym
        except (PlanError, SessionError) as error:
            return [Problem("person", "stop", f"{folder} holds a session that cannot be read: {error}", "choose another code")]
        if known != code:
            return [Problem("person", "stop", f"{folder} is the session of {known!r}", "choose another code")]
    if runs:
        said = f"{folder} has {runs} run{'' if runs == 1 else 's'} already, whose sound dose counts"
        found.append(Problem("person", "look", said, "go on there only with the same person"))
    return found


def _of_plan(draft: Draft, highest_db: dict[Cell, float], stream: StreamDescription | None) -> list[Problem]:
    """What the checks of plans refuse; asked when nothing else is wrong."""
    try:
        data = plan_data(draft, highest_db)
        plan = make_plan(data) if draft.kind == "recording" else _first_run(draft, data)
        if stream is not None:
            resolve(plan, stream)
    except (PlanError, SourceError, ValueError) as error:
        return [Problem(_step_of(line), "stop", *parted(line.removeprefix("plan: "))) for line in str(error).splitlines()]
    why = plan.no_absence() if draft.kind == "recording" else ""
    what, _, remedy = why.partition(": ")
    return [Problem("plan", "look", what, remedy)] if why else []


def _first_run(draft: Draft, data: dict[str, Any]) -> Plan:
    plan = make_session_plan(data)
    deciding = plan.search.deciding
    run = plan.run_plan(0, plan.rules(0).start_db)
    missing = [name for name in deciding or () if name not in draft.eeg]
    if missing and plan.method == "search":
        raise PlanError(f"[search] deciding names {', '.join(missing)}, which is no EEG channel here: choose it under Channels")
    return run


def _step_of(line: str) -> StepName:
    """The step of an error, by the key that it names."""
    for words, step in (
        (("sound.", "[sound]", "stated"), "sound"), (("stream.", "[stream]"), "stream"), (("subject", "minutes"), "person"),
        (("condition", "[limits]", "level"), "conditions"), (("decision.", "[decision]"), "person"),
    ):  # fmt: skip
        if any(word in line for word in words):
            return step  # type: ignore[return-value]
    return "plan"


# -- common --------------------------------------------------------------------------------------------------------------


def _sound_keys(draft: Draft) -> dict[str, Any]:
    """The [sound] of the plan, {} where other equipment plays."""
    data = plan_data(draft)
    found = data["run"]["sound"] if draft.kind == "session" else data.get("sound", {})
    assert isinstance(found, dict)
    return found


def _grid(draft: Draft, seen: Seen, sound: dict[str, Any]) -> tuple[tuple[Cell, Reach], ...]:
    if not draft.plays:
        return ()
    own = [(cell.stimulus, cell.frequency_hz) for cell in (*draft.grid, cell_of(draft))]
    rows = list(dict.fromkeys((*choices.sounds(), *own)))
    cells = [Cell(ear, route, stimulus, hz) for stimulus, hz in rows for route in ("air", "bone") for ear in ("right", "left")]
    return tuple((cell, choices.reach(draft, cell, seen, sound)) for cell in cells)


def _highest_db(draft: Draft, grid: dict[Cell, Reach]) -> dict[Cell, float]:
    """Highest levels of cells whose output cannot give the highest of the session."""
    if draft.kind == "recording":
        return {}
    highest = float(plan_data(draft)["limits"].get("highest_db_nhl", 90.0))
    loudest = {cell: grid[cell].loudest_db for cell in draft.grid if cell in grid and not grid[cell].why}
    return {cell: choices.highest_in_steps(db) for cell, db in loudest.items() if db < highest}


def _brief(name: StepName, judged: Judged) -> str:
    """What is chosen in a step, in a few words."""
    draft, stream = judged.draft, judged.stream
    if name == "stream":
        return draft.stream or draft.source_id or "none chosen"
    if name == "channels":
        eeg = ", ".join(draft.eeg[:3]) + (f" and {len(draft.eeg) - 3} more" if len(draft.eeg) > 3 else "")
        return f"{eeg or 'no EEG'}; trigger {draft.trigger or 'none'}" if stream is not None or draft.eeg else "after the stream"
    if name == "sound":
        if not draft.own_sound:
            return "of other equipment" + (f": {_sound_words(draft)}" if draft.stated else "")
        return f"{_sound_words(draft)}, {draft.level[0]:g} {draft.level[1]}"
    if name == "output":
        if not draft.plays:
            return "none is needed"
        return "audio over LSL" if draft.device == "lsl" else draft.output or "none chosen"
    if name == "conditions":
        count = len(draft.grid)
        return f"{count} condition{'' if count == 1 else 's'}, {draft.method}" if count else "none chosen"
    if name == "person":
        age = (draft.age_group,) if draft.plays or draft.stated else ()  # a plan without a sound has no place for it
        return ", ".join((draft.code or "no code", *age, limit_words(draft)))
    return judged.path.name


def _sound_words(draft: Draft) -> str:
    hz = "" if draft.frequency_hz is None else f" {draft.frequency_hz:g} Hz"
    return f"{draft.stimulus}{hz}, {ear_words(draft.ear)}" + (" by bone" if draft.route == "bone" else "")


def limit_words(draft: Draft) -> str:
    """The limit in minutes; of a recording also in sweeps."""
    return f"at most {draft.minutes:g} min"


def sweeps_words(draft: Draft) -> str:
    """Sweeps that the minutes of a recording hold."""
    return f"{draft.minutes:g} min are {sweeps_of(draft):,} sweeps at {1 / sweep_s(draft):.1f} per second"


def touched_by(touched: frozenset[str], before: Draft, after: Draft) -> frozenset[str]:
    """What a person has chosen, of what is suggested otherwise: "stream", "output", "air" and "bone" (calibrations). Another
    output needs other calibrations."""
    if (before.stream, before.source_id) != (after.stream, after.source_id):
        touched |= {"stream"}
    if (before.device, before.output) != (after.device, after.output):
        return touched - {"air", "bone"} | {"output"}
    chosen = {"air": before.calibration != after.calibration, "bone": before.bone_calibration != after.bone_calibration}
    return touched | {route for route, yes in chosen.items() if yes}


def suggested(judged: Judged, seen: Seen, touched: frozenset[str]) -> Draft:
    """The draft with what can only be chosen in one way: the only stream, output and calibration that can be used. What a person
    has ``touched`` is left as it is."""
    draft = judged.draft
    streams = [option.value for option in judged.streams if option.possible]
    if "stream" not in touched and not (draft.stream or draft.source_id) and len(streams) == 1:
        visible = seen.streams or ()
        draft = with_stream(draft, next(one for one in visible if one.uid == streams[0]), visible)
    if not draft.plays:
        return draft
    cards = [option.value for option in judged.outputs if option.possible and option.value != choices.AUDIO_OVER_LSL]
    if draft.device == "sound-card" and not draft.output and len(cards) == 1 and "output" not in touched:
        return replace(draft, output=cards[0])
    fitting = {route: [one.value for one in judged.options(route) if one.possible] for route in ("air", "bone")}
    if not draft.calibration and len(fitting["air"]) == 1 and "air" not in touched:
        draft = with_calibration(draft, "air", fitting["air"][0], seen)
    if not draft.bone_calibration and len(fitting["bone"]) == 1 and "bone" not in touched:
        draft = with_calibration(draft, "bone", fitting["bone"][0], seen)
    return draft


def with_calibration(draft: Draft, route: str, path: str, seen: Seen) -> Draft:
    """Another calibration for a route; by air the transducer is the one that was calibrated."""
    if route == "bone":
        return replace(draft, bone_calibration=path)
    known = next((one.calibration for one in seen.calibrations if one.path == path), None)
    return replace(draft, calibration=path, transducer=draft.transducer if known is None else known.transducer)
