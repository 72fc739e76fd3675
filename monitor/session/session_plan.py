"""The plan of a session: subject, conditions, rules, and the common plan of its runs. TOML, checked key by key."""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from quietfloor.monitor.core.stopping import FindsResponse, rules_of_run
from quietfloor.monitor.hearing.tables import HearingError, HearingTables, load_hearing_tables
from quietfloor.monitor.plan.cell_table import rate_in_both_ears
from quietfloor.monitor.plan.run_plan import PATHS, Name, Plan, PlanError, beside, make_plan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.searching import SearchAhead
from quietfloor.monitor.session.staircase_errors import LadderErrors, ladder_errors
from quietfloor.monitor.session.staircase_rules import Rules
from quietfloor.monitor.untrusted.bounded_io import toml_of
from quietfloor.monitor.untrusted.wrong_keys import message_of, unknown_key, wrong_value
from quietfloor.stimuli.ear_steps import AGES_MONTHS
from quietfloor.stimuli.stimulus import Kind

# Keys of [sound] that the session says: of [subject], of the condition, of the run that is suggested.
FROM_SUBJECT, FROM_CONDITION = ("age_group", "age_months"), ("ear", "route", "stimulus", "frequency_hz")
FROM_RUN = ("level_db_nhl", "level_db_ppe_spl", "level_db_fs", "muted", "together", "sounds_per_ear")
IN_NHL = (
    "a session has levels in dB nHL, by which it chooses levels, advises masking and estimates hearing; where no reference is "
    "known, measure one of your own (`quietfloor calibrate --references`) and name its file as references, or make single runs"
)
IN_QUIET = (
    "a session looks for thresholds in quiet, by which it estimates hearing: leave it out, or make single runs (`quietfloor run`)"
)
MOST_CONDITIONS = 100  # own choice: each is checked as a run at three levels
SLOWER = 0.8  # of the plan's rate: for both ears at once it is lowered so far, own choice
FINE_DB = 1.0  # no finer steps are tried for the lowest level at which an absence can be told


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


class SubjectPlan(_Section):
    """The subject. A pseudonym: a session folder needs no name."""

    pseudonym: str = Field(min_length=1, max_length=60, description="a code, not the name")
    age_group: Literal["adult", "child", "infant"]
    age_months: float | None = Field(default=None, ge=0, le=1500)

    @model_validator(mode="after")
    def _age_fits(self) -> SubjectPlan:
        low, high = AGES_MONTHS[self.age_group]
        if self.age_months is not None and not low <= self.age_months <= high:
            raise ValueError(
                f"age_months = {self.age_months:g} with age_group = {self.age_group!r}: allowed are {low:g} to {high:g} months"
            )
        return self


class ConditionPlan(_Section):
    """One ladder. Levels that are left out are those of [limits]; [condition.sound] replaces keys of [run.sound]."""

    ear: Literal["left", "right"]
    route: Literal["air", "bone"] = "air"
    stimulus: Kind = "click"
    frequency_hz: float | None = Field(default=None, ge=100, le=20_000)
    start_db_nhl: float | None = Field(default=None, ge=-40, le=120)
    lowest_db_nhl: float | None = Field(default=None, ge=-40, le=120)
    highest_db_nhl: float | None = Field(default=None, ge=-40, le=120)
    sound: dict[str, Any] = Field(default_factory=dict)

    @property
    def condition(self) -> Condition:
        return Condition(self.ear, self.route, self.stimulus, self.frequency_hz)


class StepsPlan(_Section):
    """Steps between levels, in dB."""

    first_db: float = Field(default=10.0, gt=0, le=40)
    last_db: float = Field(default=5.0, gt=0, le=40)


class ReplicatesPlan(_Section):
    """Numbers of runs: for the lowest response, for the absence below it, and at most for a level that stays unsettled."""

    present: int = Field(default=2, ge=1, le=10)
    absent: int = Field(default=2, ge=1, le=10)
    most: int = Field(default=3, ge=1, le=10)
    undecided: int = Field(default=2, ge=1, le=10)


class LimitsPlan(_Section):
    """Limits of all suggestions."""

    start_db_nhl: float = Field(default=40.0, ge=-40, le=120)
    lowest_db_nhl: float = Field(default=0.0, ge=-40, le=120)
    highest_db_nhl: float = Field(default=90.0, ge=-40, le=120)
    largest_rise_db: float = Field(default=20.0, gt=0, le=160, description="from one stimulus to the next, so as not to wake")
    minutes: float | None = Field(default=None, gt=0, le=1440, description="of recording, all runs together")
    most_runs: int = Field(default=20, ge=1, le=200, description="of one condition")


class HearingPlan(_Section):
    """Tables for hearing levels, by name, and settings of the masking advice; see `monitor/hearing/hearing-tables.toml`."""

    tables: tuple[str, ...] = Field(default=(), description="names of tables, such as stapells-1995")
    own: str | None = Field(default=None, description="a file of tables of your own")
    attenuation_set: str | None = Field(default=None, description="of the tables; by default the smallest counts")
    noise_transducer: Literal["insert", "supra-aural", "circumaural"] | None = None

    def load(self) -> HearingTables:
        """Read the tables. Raises HearingError."""
        return load_hearing_tables(None if self.own is None else Path(self.own))


class MaskingPlan(_Section):
    """Noise that the session gives to the other ear when its advice requires it: with --masking, or automatically."""

    auto: bool = Field(default=False, description="give it in --auto too")
    noise: Literal["white", "octave-band"] | None = Field(
        default=None, description="by default octave-band where the stimulus has a frequency, else white"
    )
    calibration: str | None = Field(
        default=None, description="calibration file of hearing.noise_transducer, where the stimulus comes by something else"
    )

    def kind(self, condition: Condition) -> str:
        return self.noise or ("white" if condition.frequency_hz is None else "octave-band")


class SearchKeys(_Section):
    """How well a search has to know a threshold."""

    width_db: float = Field(default=10.0, ge=5, le=40, description="of the 95 % interval of a threshold; 15 when hurried")
    widest_db: float = Field(default=14.0, ge=5, le=40, description="of it where a threshold takes long")
    together: bool | None = Field(
        default=None, description="both ears at once, by air; by default where rate and sounds allow it", examples=[True]
    )
    sounds_per_ear: int = Field(
        default=2, ge=1, le=2, description="different frequencies that an ear hears at once, at most, where both ears hear sounds"
    )
    deciding: tuple[str, str] | None = Field(
        default=None, description="EEG channels that decide for the left and the right ear; by default the first",
        examples=[["Cz-M1", "Cz-M2"]],
    )

    @model_validator(mode="after")
    def _widest_is_wider(self) -> SearchKeys:
        if self.widest_db < self.width_db:
            raise ValueError(
                f"widest_db = {self.widest_db:g} with width_db = {self.width_db:g}: widest_db is width_db or more, as the "
                "interval may become wider where a threshold takes long"
            )
        return self


class SessionPlan(_Section):
    """The plan of one session."""

    title: str = ""
    operator: Name = Field(default="", description="who makes the session, by a code or initials; the report tells it")
    site: Name = Field(default="", description="where it is made; the report tells it")
    method: Literal["search", "ladder"] = Field(
        default="search", description="search: several levels in one recording; ladder: a run for each level"
    )
    confirm: Literal["none", "guidance"] = Field(
        default="none", description="guidance: after a search, runs that find no response below it, as a ladder does"
    )
    search: SearchKeys = Field(default_factory=SearchKeys)
    subject: SubjectPlan
    condition: tuple[ConditionPlan, ...] = Field(min_length=1, max_length=MOST_CONDITIONS)
    steps: StepsPlan = Field(default_factory=StepsPlan)
    replicates: ReplicatesPlan = Field(default_factory=ReplicatesPlan)
    limits: LimitsPlan = Field(default_factory=LimitsPlan)
    hearing: HearingPlan = Field(default_factory=HearingPlan)
    masking: MaskingPlan = Field(default_factory=MaskingPlan)
    run: dict[str, Any] = Field(description="what every run has in common: the tables of a run plan")

    @field_validator("run")
    @classmethod
    def _no_doubles_of_the_session(cls, run: dict[str, Any]) -> dict[str, Any]:
        if not isinstance(run.get("sound"), dict):
            raise ValueError("[run.sound] is missing: a session plays its own stimuli, with a calibration in dB nHL")
        if "search" in run:
            raise ValueError("[run.search] is made by the session: leave it out, and give width_db, widest_db under [search]")
        if run["sound"].get("ipsilateral_noise", "none") != "none":
            raise ValueError(f"[run.sound] has ipsilateral_noise = {run['sound']['ipsilateral_noise']!r}: {IN_QUIET}")
        if "level_db_ppe_spl" in run["sound"]:
            raise ValueError(f"[run.sound] has level_db_ppe_spl = {run['sound']['level_db_ppe_spl']!r}: {IN_NHL}")
        for key in FROM_SUBJECT + FROM_CONDITION + FROM_RUN:
            if key in run["sound"]:
                where = "[subject]" if key in FROM_SUBJECT else "[[condition]]" if key in FROM_CONDITION else "the session itself"
                raise ValueError(f"[run.sound] has {key} = {run['sound'][key]!r}, which comes from {where}: leave it out")
        return run

    @model_validator(mode="after")
    def _every_condition_can_be_run(self) -> SessionPlan:
        for number, one in enumerate(self.condition, 1):
            where = f"condition {number} ({one.condition})"
            if one.sound.get("ipsilateral_noise", "none") != "none":
                raise ValueError(f"{where}: sound.ipsilateral_noise = {one.sound['ipsilateral_noise']!r}: {IN_QUIET}")
            if "level_db_ppe_spl" in one.sound:
                raise ValueError(f"{where}: sound.level_db_ppe_spl = {one.sound['level_db_ppe_spl']!r}: {IN_NHL}")
            for key in FROM_SUBJECT + FROM_CONDITION + FROM_RUN:
                if key in one.sound:
                    raise ValueError(f"{where}: sound.{key} is said elsewhere in the plan: leave it out")
            for earlier, other in enumerate(self.condition[: number - 1], 1):
                if one.condition.same_as(other.condition):
                    raise ValueError(f"{where} is condition {earlier} again: leave one of them out")
            try:
                rules = self.rules(number - 1)
                for level in (rules.lowest_db, rules.highest_db, rules.start_db):
                    self.run_plan(number - 1, level)
                if self.search.together and self.one_earphone(number - 1):
                    raise PlanError("together = true under [search]: one earphone cannot be on both ears: leave it out")
                if self.masking.auto:
                    self.run_plan(number - 1, rules.start_db, masking_db_em=0.0)
                if self.method == "search" and (why := _unsearchable(self.run_plan(number - 1, rules.start_db))):
                    raise PlanError(f"{why}, or begin with method = \"ladder\"")
            except PlanError as error:
                raise ValueError(f"{where}, in [run]: {error}") from error
            except ValueError as error:
                raise ValueError(f"{where}: {error}") from error
        return self

    @model_validator(mode="after")
    def _tables_exist(self) -> SessionPlan:
        try:
            tables = self.hearing.load()
            if self.hearing.tables:
                tables.choose(self.hearing.tables)
        except HearingError as error:
            raise ValueError(f"[hearing] {error}") from error
        return self

    def one_earphone(self, index: int) -> bool:
        """Whether one earphone serves both ears in this condition, and is moved between them."""
        return bool((self.run["sound"] | self.condition[index].sound).get("trigger_on_earphone_jack"))

    @property
    def conditions(self) -> tuple[Condition, ...]:
        return tuple(one.condition for one in self.condition)

    def rules(self, index: int) -> Rules:
        """The ladder rules of one condition. Raises ValueError for contradictory values."""
        own, limits = self.condition[index], self.limits
        start_db = limits.start_db_nhl if own.start_db_nhl is None else own.start_db_nhl
        highest_db = limits.highest_db_nhl if own.highest_db_nhl is None else own.highest_db_nhl
        decision = self.run_plan(index, start_db).decision
        lowest_db = self._lowest_db(index)
        step_db = max(self.steps.last_db, FINE_DB)
        steps = 1 + max(0, math.floor((highest_db - lowest_db) / step_db))
        levels = (lowest_db + step_db * step for step in range(steps))
        offered_db = next((level for level in levels if not self.run_plan(index, level).no_absence()), lowest_db)
        return Rules(
            start_db=max(start_db, offered_db) if start_db >= lowest_db else start_db,
            lowest_db=offered_db,
            highest_db=highest_db,
            first_step_db=self.steps.first_db,
            last_step_db=self.steps.last_db,
            largest_rise_db=limits.largest_rise_db,
            present_runs=self.replicates.present,
            absent_runs=self.replicates.absent,
            most_runs=self.replicates.most,
            most_undecided=self.replicates.undecided,
            most_in_all=limits.most_runs,
            floor_nv=decision.floor_nv,
            alpha=decision.alpha,
        )

    def _lowest_db(self, index: int) -> float:
        own = self.condition[index].lowest_db_nhl
        return self.limits.lowest_db_nhl if own is None else own

    def not_offered(self, index: int) -> str:
        """Text on the levels of a condition that are not suggested because a run there can never end with "no response"; empty
        for none."""
        lowest_db, offered_db = self._lowest_db(index), self.rules(index).lowest_db
        why = self.run_plan(index, lowest_db).no_absence()
        if not why:
            return ""
        if offered_db == lowest_db:
            return f"a run at any level: {why}"
        return f"nothing below {offered_db:g} dB nHL is suggested. Of a run at {lowest_db:g} dB nHL: {why}"

    def errors(self, index: int, alphas: Iterable[float] = ()) -> LadderErrors | None:
        """Error rates of the ladder of a condition, for the largest alpha of its plan and of the runs made (``alphas``); None if
        its rule has no error rate."""
        rules = self.rules(index)
        decision = self.run_plan(index, rules.start_db).decision
        finds = rules_of_run(decision.rule, alpha=0.01, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)[0]
        if isinstance(finds, FindsResponse) and finds.promise is None:
            return None
        largest = max([rules.alpha, *(alpha for alpha in alphas if not math.isnan(alpha))])
        return ladder_errors(replace(rules, alpha=largest)) if largest < 1.0 else None

    @property
    def own_limit(self) -> bool:
        """Whether the plan sets the number of sweeps of a run; otherwise the session chooses it by the noise."""
        decision = self.run.get("decision")
        return isinstance(decision, dict) and "max_sweeps" in decision

    def run_plan(
        self, index: int, level_db_nhl: float, *, seed_after: int = 0, muted: bool = False, max_sweeps: int | None = None,
        masking_db_em: float = math.nan, search: dict[str, Any] | None = None, at_once: int = 0, rate_per_s: float | None = None,
    ) -> Plan:  # fmt: skip
        """The plan of one run; runs differ in the random pauses by ``seed_after``. ``max_sweeps`` counts where the plan of the
        session has none. ``masking_db_em``: noise that the session gives, nan for none. ``search``: the table of a search, which
        is then what the run does, with ``at_once`` sounds in each of both ears at once (0: one ear at a time). ``rate_per_s``
        replaces that of the plan. Raises PlanError."""
        own, template = self.condition[index], self.run["sound"]
        sound: dict[str, Any] = {"transducer": "bone-vibrator"} if own.route == "bone" else {}
        sound |= template | own.sound | own.model_dump(include=set(FROM_CONDITION), exclude_none=True)
        seed = sound.get("seed", 1)
        if isinstance(seed, int):
            sound["seed"] = seed + seed_after
        sound |= self.subject.model_dump(include=set(FROM_SUBJECT), exclude_none=True)
        sound |= {"level_db_nhl": level_db_nhl, "muted": muted}
        sound |= {"together": True, "sounds_per_ear": at_once} if at_once else {}
        sound |= {} if rate_per_s is None else {"rate_per_s": rate_per_s}
        if not math.isnan(masking_db_em):
            sound |= self._noise(own.condition, sound) | {"masking_level_db_em": masking_db_em}
        title = " · ".join(part for part in (self.title, self.subject.pseudonym) if part)
        run = {"title": title, "operator": self.operator, "site": self.site} | self.run | {"sound": sound}
        if max_sweeps is not None and not self.own_limit and isinstance(run.setdefault("decision", {}), dict):
            run["decision"] = run["decision"] | {"max_sweeps": max_sweeps}
        data = run if search is None else run | {"search": search}
        return _plan_of(_Run(repr(data), data))

    def search_plan(self, ahead: SearchAhead, seed_after: int = 0, most: int = 2) -> Plan:
        """The plan of a recording that searches: with two sounds at once in each ear, or one, or one ear after the other.

        ``most``: 2, or no more sounds than that in each ear; 0: one ear after the other, unless the session's plan asks for both
        at once. That they can be played, ceiling and dose included, is not looked at. Raises PlanError.
        """
        first = ahead.conditions[0]
        noise = next((one.noise_of_loudest[-1] for one in ahead.conditions if one.noise_of_loudest), math.nan)
        own = self.run_plan(first.index, first.levels_db[-1]).sound
        noise = noise if own is None or own.masking == "none" else math.nan  # that of the plan is there already
        keys = self.search.model_dump(exclude={"together", "sounds_per_ear"}, exclude_none=True)
        keys |= {} if math.isinf(ahead.minutes) else {"minutes": ahead.minutes}

        def made(at_once: int, rate_per_s: float | None = None) -> Plan:
            search = {"condition": ahead.tables(at_once)} | keys
            return self.run_plan(
                first.index, first.levels_db[-1], seed_after=seed_after, masking_db_em=noise, search=search, at_once=at_once,
                rate_per_s=rate_per_s,
            )  # fmt: skip

        one_ear = made(0)
        assert one_ear.sound is not None
        if not self._together(ahead, own):
            return one_ear
        wanted = one_ear.sound.rate_per_s
        for at_once in range(min(most, self.search.sounds_per_ear, ahead.sounds_of_each_ear), 0, -1):
            rate_per_s = rate_in_both_ears(one_ear, at_once)
            if rate_per_s >= (1.0 if self.search.together else SLOWER) * wanted:
                with suppress(PlanError):  # a key of the sound that goes with one ear at a time
                    return made(at_once, rate_per_s)
        return made(1) if self.search.together else one_ear  # refused in words, if it cannot be

    def _together(self, ahead: SearchAhead, own: SoundPlan | None) -> bool:
        """Whether both ears may hear the sounds of this recording at once: by air, both there, no noise at all levels, and none
        from an earphone that somebody has to move."""
        if self.search.together is False or own is None or own.masking != "none":
            return False
        conditions = [one.condition for one in ahead.conditions]
        both = {one.ear for one in conditions} == {"left", "right"}
        moved = any(one.one_ear and one.noise_of_loudest for one in ahead.conditions)
        return both and {one.route for one in conditions} == {"air"} and not moved

    def _noise(self, condition: Condition, sound: dict[str, Any]) -> dict[str, Any]:
        """Keys of [sound] for noise in the other ear. Raises PlanError."""
        if sound.get("masking", "none") != "none":
            raise PlanError("the sound has masking of its own: leave it out, or auto under [masking] and --masking")
        noise = {"masking": self.masking.kind(condition)}
        by = self.hearing.noise_transducer
        if (by is None and condition.route == "air") or by == sound.get("transducer", "insert"):
            return noise
        if by is None or self.masking.calibration is None:
            raise PlanError(
                "noise by an earphone that the stimulus does not come by: name it as noise_transducer under [hearing], and its "
                "calibration file as calibration under [masking]"
            )
        return noise | {"masking_transducer": by, "masking_calibration": self.masking.calibration}

    def longest_s(self, index: int, max_sweeps: int | None = None) -> float:
        """Duration in s of a run that stays undecided."""
        plan = self.run_plan(index, self.rules(index).start_db, max_sweeps=max_sweeps)
        assert plan.sound is not None
        return plan.sound.lasts_s(plan.decision.max_sweeps)

    def to_toml(self, folder: Path | None = None) -> str:
        """The plan as TOML, as it is kept in ``folder``: files inside the folder get relative paths, so that the folder can be
        moved."""
        content = self.model_dump(mode="json", exclude_none=True)
        return tomli_w.dumps(content if folder is None else _from_within(content, f"{folder.resolve()}{os.sep}"))


def _unsearchable(plan: Plan) -> str:
    """What a search cannot do with the plan of a run, and what to change; empty where it can."""
    sound = plan.sound
    assert sound is not None
    if not (sound.held_to_plan and sound.pauses_s):
        return "a search is known by its pauses: leave held_to_plan and random_pause on"
    if sound.masking_level_db_fs is not None:
        return f"masking_level_db_fs = {sound.masking_level_db_fs:g}: a search has noise in dB EM, give masking_level_db_em"
    rule = plan.decision.rule
    return "" if rule == "evidence" else f"rule = {rule!r}: a search decides by evidence, leave decision.rule out"


def _from_within(value: Any, folder: str) -> Any:
    if isinstance(value, dict):
        return {key: _from_within(below, folder) for key, below in value.items()}
    if isinstance(value, list):
        return [_from_within(below, folder) for below in value]
    return value.removeprefix(folder) if isinstance(value, str) else value


def load_session_plan(path: Path, method: str = "search") -> SessionPlan:
    """Read and check a plan file, with ``method`` where it names none. Relative paths in it count from its own folder.

    Raises PlanError that names the key.
    """
    try:
        data = toml_of(path)
    except OSError as error:
        raise PlanError(f"plan {path} cannot be read ({error.strerror or error}): give the path of a TOML file") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError(f"plan {path} is not TOML: {error}") from error
    if "condition" not in data and "sound" in data:
        raise PlanError(
            f"{path} is the plan of one run: `quietfloor run {path}` makes it. A session needs [subject], [[condition]], and the "
            "tables of a run under [run]"
        )
    run = data.get("run")
    tables = [run.get("sound"), run.get("timing")] if isinstance(run, dict) else []
    conditions = data.get("condition")
    tables += [one.get("sound") for one in conditions if isinstance(one, dict)] if isinstance(conditions, list) else []
    for table in (*tables, data.get("hearing"), data.get("masking")):
        if isinstance(table, dict):
            paths = [key for key in (*PATHS, "certificate", "own") if isinstance(table.get(key), str)]
            table |= {key: beside(path, table[key]) for key in paths}
    return make_session_plan(data if method == "search" else {"method": method} | data, str(path))


def make_session_plan(data: dict[str, Any], origin: str = "session plan") -> SessionPlan:
    """Check plan data. Raises PlanError that names each wrong key."""
    try:
        return SessionPlan.model_validate(data)
    except ValidationError as error:
        raise PlanError("\n".join(f"{origin}: {_explain(problem)}" for problem in error.errors())) from error


@dataclass(frozen=True)
class _Run:
    """The data of a plan, told apart by how they are written."""

    written: str
    data: dict[str, Any] = field(compare=False)


@lru_cache(maxsize=1024)
def _plan_of(run: _Run) -> Plan:
    """The check of a plan depends on its data alone, and takes milliseconds: a session asks for the same ones again and again."""
    return make_plan(run.data, "plan of a run")


_TABLES: dict[str, type[BaseModel]] = {
    "subject": SubjectPlan, "condition": ConditionPlan, "steps": StepsPlan, "replicates": ReplicatesPlan, "limits": LimitsPlan,
    "hearing": HearingPlan, "masking": MaskingPlan, "search": SearchKeys,
}  # fmt: skip


def _explain(problem: Any) -> str:
    place = list(problem["loc"])
    words = [f"{part}" if isinstance(part, str) else f"{part + 1}" for part in place]
    key = f"condition {words[1]}, {'.'.join(words[2:])}" if words[:1] == ["condition"] and len(words) > 2 else ".".join(words)
    message = message_of(problem)
    table = _TABLES.get(words[0], SessionPlan) if len(words) > 1 else SessionPlan
    if problem["type"] == "extra_forbidden":
        return unknown_key(key, table.model_fields)
    if problem["type"] == "value_error":
        return message if not place or message.startswith(("[", "condition ")) else f"[{words[0]}] {message}"
    if problem["type"] == "missing":
        form = f"[[{key}]]" if key == "condition" else f"[{key}]" if len(words) == 1 else key
        return f"{form} is missing"
    return wrong_value(key, problem, table.model_fields)
