"""What is chosen on the start page, as one frozen value; the TOML of its plan, and a draft from a TOML plan."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import tomli_w

from quietfloor.monitor.plan.cell_table import OF_KIND
from quietfloor.monitor.plan.run_plan import PATHS, PlanError, beside, make_plan
from quietfloor.monitor.plan.sound_plan import OF_SOUND_CARD
from quietfloor.monitor.session.conditions import STIMULUS_WORDS
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.sources.base import SourceError, StreamDescription
from quietfloor.monitor.sources.channels import resolve_channel, unit_to_uv
from quietfloor.monitor.untrusted.bounded_io import toml_from, toml_of, why
from quietfloor.stimuli.levels import STATED

Kind = Literal["recording", "session"]
Role = Literal["decides", "too", "trigger", ""]
ROLES: tuple[Role, ...] = ("decides", "too", "trigger", "")
TRIGGER_WORDS = ("trig", "stim", "sync", "status", "marker", "event", "ttl", "sti")  # own choice: what such a label contains
RATE_PER_S = 47.1  # the default of a plan for our own sound; of other equipment until somebody says another

# What a new draft begins with, own choice: a level well above a usual threshold and far from the ceiling; where nothing is
# calibrated, 1 % of full scale. A session begins softer, as it goes up by itself.
LEVEL_DB_NHL, LEVEL_DB_PPE, START_DB_NHL, LEVEL_DB_FS = 60.0, 90.0, 40.0, -40.0
RECORDING_MIN, SESSION_MIN = 5.0, 60.0  # own choice: some 14,000 sweeps at 47.1/s, and an hour
FLOOR_NV = 15.0  # the default of a plan


@dataclass(frozen=True)
class Cell:
    """One condition of a session, and a field of its grid."""

    ear: Literal["left", "right"]
    route: Literal["air", "bone"]
    stimulus: str
    frequency_hz: float | None = None

    @property
    def words(self) -> str:
        hz = "" if self.frequency_hz is None else f"{self.frequency_hz:g} Hz "
        return f"{self.ear} ear, {hz}{STIMULUS_WORDS.get(self.stimulus, self.stimulus)} by {self.route}"


@dataclass(frozen=True)
class Draft:
    """Choices for a new recording or session. Text that is not chosen is ""; channels are named as in a plan.

    ``base``: TOML of the template that the draft began with; keys that the start page does not have are kept from it.
    """

    kind: Kind = "recording"
    stream: str = ""
    source_id: str = ""
    eeg: tuple[str, ...] = ()  # the first decides
    trigger: str = ""
    unit: str = ""
    markers: str = ""
    own_sound: bool = False
    stated: bool = False  # whether the sound of other equipment is described
    stimulus: str = "click"
    frequency_hz: float | None = None
    ear: Literal["left", "right", "both"] = "right"
    route: Literal["air", "bone"] = "air"
    stated_db_nhl: float | None = None  # level of other equipment
    level_db_nhl: float = LEVEL_DB_NHL
    in_ppe: bool = False  # the level of a recording by air is in dB p-p.e. SPL
    level_db_ppe_spl: float = LEVEL_DB_PPE
    level_db_fs: float = LEVEL_DB_FS  # where there is no calibration
    per_s: float = RATE_PER_S
    device: Literal["sound-card", "lsl"] = "sound-card"
    output: str = ""
    audio_id: str = "quietfloor-audio"  # of audio over LSL
    calibration: str = ""
    bone_calibration: str = ""
    references: str = ""  # file with reference levels of one's own
    transducer: str = "insert"  # by air
    code: str = ""
    age_group: Literal["adult", "child", "infant"] = "adult"
    age_months: float | None = None
    grid: tuple[Cell, ...] = ()  # in the order in which they were chosen
    method: Literal["search", "ladder"] = "search"
    start_db_nhl: float = START_DB_NHL
    minutes: float = RECORDING_MIN
    floor_nv: float = FLOOR_NV
    base: str = ""

    @property
    def plays(self) -> bool:
        """Whether quietfloor plays the sound."""
        return self.kind == "session" or self.own_sound

    @property
    def calibration_in_use(self) -> str:
        """Calibration file of the only route of a recording."""
        return self.bone_calibration if self.route == "bone" else self.calibration

    @property
    def level_scale(self) -> Literal["nhl", "ppe", "fs"]:
        """Scale of the level of a recording: with a calibration dB nHL, or by air dB p-p.e. SPL; else dB re full scale."""
        if not self.calibration_in_use:
            return "fs"
        return "ppe" if self.in_ppe and self.route == "air" else "nhl"

    @property
    def level(self) -> tuple[float, str]:
        """The level of a recording and its unit."""
        of_scale = {"nhl": self.level_db_nhl, "ppe": self.level_db_ppe_spl, "fs": self.level_db_fs}
        units = {"nhl": "dB nHL", "ppe": "dB p-p.e. SPL", "fs": "dB FS"}
        return of_scale[self.level_scale], units[self.level_scale]

    @property
    def routes(self) -> tuple[str, ...]:
        """Routes in use, air first."""
        used = {cell.route for cell in self.grid} if self.kind == "session" else {self.route}
        return tuple(route for route in ("air", "bone") if route in used)


def new(kind: Kind, code: str = "") -> Draft:
    """An empty draft. A session plays its own sound, and lasts an hour at most."""
    return Draft(kind, code=code, own_sound=kind == "session", minutes=SESSION_MIN if kind == "session" else RECORDING_MIN)


# -- channels ------------------------------------------------------------------------------------------------------------


def channel_name(description: StreamDescription, index: int) -> str:
    """How a plan can name this channel: by its label, or by its number where the label does not tell it apart; "" by neither."""
    for name in (description.labels[index], str(index + 1)):
        with contextlib.suppress(SourceError):
            if name and resolve_channel(description, name) == index:
                return name
    return ""


def roles(draft: Draft, description: StreamDescription) -> tuple[Role, ...]:
    """Role of each channel of the stream; names that the stream does not have have none."""
    found: list[Role] = [""] * description.channel_count
    named: list[tuple[str, Role]] = [(name, "too" if place else "decides") for place, name in enumerate(draft.eeg)]
    for name, role in (*named, (draft.trigger, "trigger")):
        with contextlib.suppress(SourceError):
            found[resolve_channel(description, name)] = role  # type: ignore[call-overload]
    return tuple(found)


def with_role(draft: Draft, description: StreamDescription, index: int, role: Role) -> Draft:
    """The draft with another role for a channel. There is one that decides and one trigger: the one before gives way."""
    before = list(roles(draft, description))
    if role in ("decides", "trigger"):
        before = [("too" if one == "decides" else "") if one == role else one for one in before]
    before[index] = role
    first = [place for place, one in enumerate(before) if one == "decides"]
    others = [place for place, one in enumerate(before) if one == "too"]
    trigger = [place for place, one in enumerate(before) if one == "trigger"]
    return replace(
        draft,
        eeg=tuple(channel_name(description, place) for place in (first + others if first else [])),
        trigger=channel_name(description, trigger[0]) if trigger else "",
    )


def with_stream(draft: Draft, description: StreamDescription, visible: tuple[StreamDescription, ...] = ()) -> Draft:
    """The draft with this stream. Channels that it has too are kept; otherwise they are suggested from labels and units."""
    twins = [one for one in visible if one.name == description.name]
    needs_id = len(twins) > 1 or not description.name
    chosen = replace(draft, stream=description.name, source_id=description.source_id if needs_id else "")
    known = roles(chosen, description)
    if "decides" in known and "trigger" in known:
        return chosen
    chosen = replace(chosen, eeg=(), trigger="", unit="")
    trigger = suggested_trigger(description)
    voltages = [place for place, unit in enumerate(description.units) if not math.isnan(unit_to_uv(unit)) and place != trigger]
    eeg = voltages or [place for place in range(description.channel_count) if place != trigger]
    if trigger is not None:
        chosen = with_role(chosen, description, trigger, "trigger")
        chosen = with_role(chosen, description, eeg[0], "decides") if eeg else chosen
    return chosen


def suggested_trigger(description: StreamDescription) -> int | None:
    """The only channel whose label is that of a trigger; None where no label tells."""
    found = [place for place, label in enumerate(description.labels) if any(word in label.casefold() for word in TRIGGER_WORDS)]
    return found[0] if len(found) == 1 and description.channel_count > 1 else None


# -- the plan ------------------------------------------------------------------------------------------------------------


def plan_data(draft: Draft, highest_db: dict[Cell, float] | None = None) -> dict[str, Any]:
    """The tables of the plan: those of the template, and over them what was chosen.

    ``highest_db``: loudest level in dB nHL of cells whose output cannot give the highest one of the session.
    """
    base = _base(draft)
    if draft.kind == "session":
        return _session_data(draft, base, highest_db or {})
    data = {name: table for name, table in base.items() if name not in ("sound", "stated", "search")}
    stream = base.get("stream", {}) | _stream(draft)
    data["stream"] = {name: value for name, value in stream.items() if value != ""}
    if draft.own_sound:
        data["sound"] = _with_output(draft, _shape(draft, base.get("sound", {}))) | _level(draft) | {
            "ear": draft.ear, "route": draft.route, "age_group": draft.age_group, "rate_per_s": draft.per_s,
            "transducer": "bone-vibrator" if draft.route == "bone" else draft.transducer,
        }  # fmt: skip
        if draft.level_scale == "fs":
            data["sound"].pop("calibration", None)
        data["sound"] = _with_references(draft, data["sound"])
    elif draft.stated:
        stated = _shape(draft, base.get("stated", {}))
        stated |= {"ear": draft.ear, "route": draft.route, "age_group": draft.age_group}
        before = base.get("stated", {})
        same = all(stated.get(name) == before.get(name) for name in ("stimulus", "frequency_hz"))
        known = before.get("level_db_ppe_spl") if same else None  # stays until another level or sound is chosen
        in_ppe = {} if known is None or draft.route == "bone" else {"level_db_ppe_spl": known}
        data["stated"] = stated | (in_ppe if draft.stated_db_nhl is None else {"level_db_nhl": draft.stated_db_nhl})
    data["decision"] = base.get("decision", {}) | {"floor_nv": draft.floor_nv, "max_sweeps": sweeps_of(draft)}
    return data


def toml_text(draft: Draft, highest_db: dict[Cell, float] | None = None) -> str:
    """The plan as a script would read it."""
    return tomli_w.dumps(plan_data(draft, highest_db))


def sweeps_of(draft: Draft) -> int:
    """Largest number of sweeps of a recording, from its minutes."""
    return max(32, math.floor(60.0 * draft.minutes / sweep_s(draft) + 1e-6))


def sweep_s(draft: Draft) -> float:
    """Mean time from one sweep to the next in s; with our own sound the random pauses are part of it."""
    if draft.own_sound:
        base = _base(draft).get("sound", {})
        with contextlib.suppress(PlanError, AttributeError):
            keys = {name: base[name] for name in ("random_pause", "mains_hz") if name in base}
            sound = make_plan({"sound": keys | {"level_db_fs": -40.0, "rate_per_s": draft.per_s}}).sound
            assert sound is not None
            return sound.sweep_s
    return 1.0 / max(draft.per_s, 0.1)


def _stream(draft: Draft) -> dict[str, Any]:
    return {
        "name": draft.stream, "source_id": draft.source_id, "eeg": list(draft.eeg), "trigger": draft.trigger,
        "unit": draft.unit, "markers": draft.markers,
    }  # fmt: skip


def _shape(draft: Draft, before: dict[str, Any]) -> dict[str, Any]:
    """Keys of the stimulus; those of the template stay where it is the same stimulus."""
    same = before.get("stimulus", "click") == draft.stimulus
    kept = {name: value for name, value in before.items() if same or name not in OF_KIND}
    for name in ("frequency_hz", *STATED):
        kept.pop(name, None)
    return kept | {"stimulus": draft.stimulus} | ({} if draft.frequency_hz is None else {"frequency_hz": draft.frequency_hz})


def _level(draft: Draft) -> dict[str, Any]:
    if draft.level_scale == "nhl":
        return {"level_db_nhl": draft.level_db_nhl, "calibration": draft.calibration_in_use}
    if draft.level_scale == "ppe":
        return {"level_db_ppe_spl": draft.level_db_ppe_spl, "calibration": draft.calibration_in_use}
    return {"level_db_fs": draft.level_db_fs}


def _with_output(draft: Draft, sound: dict[str, Any]) -> dict[str, Any]:
    """A table of the sound with the output that was chosen; keys of another kind of output are left out."""
    if draft.device == "lsl":
        kept = {name: value for name, value in sound.items() if name not in OF_SOUND_CARD}
        return kept | {"device": "lsl", "device_source_id": draft.audio_id}
    kept = {name: value for name, value in sound.items() if name not in ("output", "device_source_id", "speed")}
    return kept | {"device": "sound-card"} | ({"output": draft.output} if draft.output else {})


def _with_references(draft: Draft, sound: dict[str, Any]) -> dict[str, Any]:
    """A table of the sound with the reference levels that were chosen, where its levels are in dB nHL."""
    others = {name: value for name, value in sound.items() if name != "references"}
    needed = draft.kind == "session" or draft.level_scale == "nhl"
    return others | ({"references": draft.references} if draft.references and needed else {})


def routing(draft: Draft) -> dict[str, Any]:
    """What a template asks of a sound card: the arguments of `suitability` that it names."""
    base = _base(draft)
    sound = base.get("run", base).get("sound", {})
    names = {"channels": "channels", "sample_rate_hz": "rate_hz", "allow_shared": "allow_shared"}
    return {name: sound[key] for key, name in names.items() if key in sound}


def _session_data(draft: Draft, base: dict[str, Any], highest_db: dict[Cell, float]) -> dict[str, Any]:
    run = base.get("run", {})
    sound = {name: value for name, value in run.get("sound", {}).items() if name not in ("calibration", "transducer")}
    sound = _with_output(draft, sound) | {"rate_per_s": draft.per_s}
    main = draft.calibration if "air" in draft.routes or not draft.bone_calibration else draft.bone_calibration
    sound |= {"calibration": main} if main else {}
    sound |= {"transducer": draft.transducer} if "air" in draft.routes else {}
    sound = _with_references(draft, sound)
    stream = run.get("stream", {}) | _stream(draft)
    run = run | {"stream": {name: value for name, value in stream.items() if value != ""}, "sound": sound}
    run["decision"] = run.get("decision", {}) | {"floor_nv": draft.floor_nv}
    subject: dict[str, Any] = {"pseudonym": draft.code, "age_group": draft.age_group}
    subject |= {} if draft.age_months is None else {"age_months": draft.age_months}
    return base | {
        "method": draft.method,
        "subject": subject,
        "condition": [_condition(draft, cell, base, highest_db) for cell in draft.grid],
        "limits": base.get("limits", {}) | {"start_db_nhl": draft.start_db_nhl, "minutes": draft.minutes},
        "run": run,
    }


def _condition(draft: Draft, cell: Cell, base: dict[str, Any], highest_db: dict[Cell, float]) -> dict[str, Any]:
    """One table of [[condition]], with the keys of the template's where it has this condition."""
    table: dict[str, Any] = {"ear": cell.ear, "route": cell.route, "stimulus": cell.stimulus}
    table |= {} if cell.frequency_hz is None else {"frequency_hz": cell.frequency_hz}
    before = base.get("condition", [])
    same = next((one for one in before if isinstance(one, dict) and _cell(one) == cell), {})
    table = same | table
    if cell.route == "bone" and "air" in draft.routes:
        table["sound"] = same.get("sound", {}) | {"transducer": "bone-vibrator", "calibration": draft.bone_calibration}
    if cell in highest_db:
        highest = min(table.get("highest_db_nhl", math.inf), highest_db[cell])  # a limit of the template is never raised
        table["highest_db_nhl"] = highest
        start_db = table.get("start_db_nhl", draft.start_db_nhl)
        table |= {"start_db_nhl": highest} if start_db > highest else {}
    return table


def _base(draft: Draft) -> dict[str, Any]:
    return toml_from(draft.base) if draft.base else {}


def _cell(table: dict[str, Any]) -> Cell:
    hz = table.get("frequency_hz")
    return Cell(table["ear"], table.get("route", "air"), table.get("stimulus", "click"), None if hz is None else float(hz))


# -- from a plan ---------------------------------------------------------------------------------------------------------


def draft_of(path: Path, code: str = "") -> Draft:
    """The draft of the plan of a run or of a session, for the person with this code. Raises PlanError."""
    try:
        data = _absolute(toml_of(path), path)
    except (OSError, ValueError) as error:
        raise PlanError(f"plan {path} cannot be read ({why(error)})") from error
    text = tomli_w.dumps(data)
    return _of_session(data, text, code) if "condition" in data or "subject" in data else _of_run(data, text, code)


def _absolute(value: Any, path: Path, key: str = "") -> Any:
    """Files named in a plan count from its own folder. Raises PlanError."""
    if isinstance(value, dict):
        return {name: _absolute(below, path, name) for name, below in value.items()}
    if isinstance(value, list):
        return [_absolute(below, path, "") for below in value]
    return beside(path, value) if key in (*PATHS, "certificate", "own") and isinstance(value, str) else value


def _of_run(data: dict[str, Any], text: str, code: str) -> Draft:
    plan = make_plan(data, "template")
    if plan.search is not None:
        raise PlanError("this plan has [search], which only a session makes: use the plan of the session")
    stream, sound = plan.stream, plan.sound
    draft = Draft(
        stream=stream.name or "", source_id=stream.source_id or "", eeg=stream.eeg, trigger=stream.trigger,
        unit=stream.unit or "", markers=stream.markers or "", code=code, floor_nv=plan.decision.floor_nv, base=text,
    )  # fmt: skip
    if sound is not None:
        by_bone = sound.route == "bone"
        draft = replace(
            draft, own_sound=True, stimulus=sound.stimulus, frequency_hz=sound.frequency_hz, ear=sound.ear, route=sound.route,
            level_db_nhl=draft.level_db_nhl if sound.level_db_nhl is None else sound.level_db_nhl,
            in_ppe=sound.level_db_ppe_spl is not None,
            level_db_ppe_spl=draft.level_db_ppe_spl if sound.level_db_ppe_spl is None else sound.level_db_ppe_spl,
            level_db_fs=draft.level_db_fs if sound.level_db_fs is None else sound.level_db_fs,
            per_s=sound.rate_per_s, device=sound.device, output=sound.output or "", audio_id=sound.device_source_id,
            calibration="" if by_bone else sound.calibration or "", bone_calibration=sound.calibration or "" if by_bone else "",
            transducer="insert" if by_bone else sound.transducer, age_group=sound.age_group, references=sound.references or "",
        )  # fmt: skip
    elif plan.stated is not None:
        known = plan.stated
        draft = replace(
            draft, stated=True, stimulus=known.stimulus, frequency_hz=known.frequency_hz, ear=known.ear, route=known.route,
            stated_db_nhl=known.level_db_nhl, age_group=known.age_group or "adult",
        )  # fmt: skip
    return replace(draft, minutes=round(plan.decision.max_sweeps * sweep_s(draft) / 60.0, 1))


def _of_session(data: dict[str, Any], text: str, code: str) -> Draft:
    plan = make_session_plan(data, "template")
    run = plan.run_plan(0, plan.rules(0).start_db)
    sound, stream = run.sound, run.stream
    assert sound is not None
    files = {"air": "", "bone": ""}
    transducer = "insert"
    for index, one in enumerate(plan.condition):
        own = plan.run_plan(index, plan.rules(index).start_db).sound
        assert own is not None
        files[one.route] = own.calibration or ""
        transducer = own.transducer if one.route == "air" else transducer
    return Draft(
        "session", stream=stream.name or "", source_id=stream.source_id or "", eeg=stream.eeg, trigger=stream.trigger,
        unit=stream.unit or "", markers=stream.markers or "", own_sound=True, per_s=sound.rate_per_s, device=sound.device,
        output=sound.output or "", audio_id=sound.device_source_id, calibration=files["air"], bone_calibration=files["bone"],
        transducer=transducer, code=code, age_group=plan.subject.age_group, references=sound.references or "",
        grid=tuple(Cell(one.ear, one.route, one.stimulus, one.frequency_hz) for one in plan.condition), method=plan.method,
        start_db_nhl=plan.limits.start_db_nhl, minutes=plan.limits.minutes or 60.0, floor_nv=run.decision.floor_nv, base=text,
    )  # fmt: skip


# -- changes that touch more than one key --------------------------------------------------------------------------------


def with_stimulus(draft: Draft, stimulus: str) -> Draft:
    """Another stimulus; its frequency is kept where it has one, else 1000 Hz."""
    has_one = stimulus in ("tone-burst", "octave-chirp")
    return replace(draft, stimulus=stimulus, frequency_hz=(draft.frequency_hz or 1000.0) if has_one else None)


def with_cell(draft: Draft, cell: Cell, chosen: bool) -> Draft:
    """A condition added at the end, or taken away."""
    others = tuple(one for one in draft.grid if one != cell)
    return replace(draft, grid=(*others, cell) if chosen else others)
