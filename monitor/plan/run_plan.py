"""The plan of a run: a TOML file that is checked key by key, and the engine settings that follow from it.

A plan is self-contained: the plan in the run folder contains every setting that was used, the unit of the stream included. A
replay needs nothing else.
"""

from __future__ import annotations

import contextlib
import math
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import tomli_w
from pydantic import (
    AfterValidator,
    BaseModel,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.core.earlier import Earlier
from quietfloor.monitor.core.engine import EngineSettings
from quietfloor.monitor.core.evidence import SHAPES, EvidenceSettings
from quietfloor.monitor.core.onsets import TriggerSettings
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.core.stopping import DEFAULT_LOOK_EVERY, rules_of_run
from quietfloor.monitor.plan.search_plan import SearchConditionPlan, SearchPlan
from quietfloor.monitor.plan.sound_plan import Section, SoundPlan, StatedPlan
from quietfloor.monitor.sources.channels import unit_to_uv
from quietfloor.monitor.storage.record_schema import MOST_MS
from quietfloor.monitor.untrusted.bounded_io import toml_of
from quietfloor.monitor.untrusted.safe_text import QuotingError
from quietfloor.monitor.untrusted.wrong_keys import message_of, unknown_key, wrong_value
from quietfloor.monitor.waves.expected import default_window_ms, wave_v_bracket_ms
from quietfloor.stimuli.calibration import BOTH
from quietfloor.stimuli.schedule import Schedule

OWN_UNIT_MARK_MS = 0.75  # our player's trigger: first lobe 1.0 ms for the first sweep of a unit, 0.5 ms for the others
OWN_BREAK_MARK_MS, OWN_DEVICE_BREAK_MARK_MS = (
    1.25,
    1.75,
)  # and 1.5 and 2.0 ms for the marks of a broken sound (quietfloor.stimuli.frames)
OPENING_S = 2.0  # of stream before our own sound begins: the first second is checked, then the output opens
PATHS = ("calibration", "wav", "references", "masking_calibration", "dose_policy")  # keys of [sound] that name a file
EARLIER = ["analysis", "earlier"]  # place of a table inside a table
FORMAT = 2  # of plan.toml and of the run beside it
# Keys that came with a format, and what they are in run folders of an earlier one: off, so that these replay as they were made.
INTRODUCED: dict[int, dict[tuple[str, str], Any]] = {
    2: {
        ("sound", "random_polarity"): False, ("sound", "held_to_plan"): False, ("sound", "trigger_db_fs"): 0.0,
        ("analysis", "earlier"): None,
    },
}
MOST_NAME = 60  # characters of `operator` and `site`, own choice: a code or initials, and the name of a room
FROM_CERTIFICATE = "certificate"  # as amplifier_delay_ms: what the timing check measured
REPLACED = {
    "sound.random_pause_ms": "random_pause = true (a pause over one period of each of mains_hz), or false for a fixed rate,",
}


class PlanError(QuotingError, ValueError):
    """The plan cannot be used; the text names the key, the value, what is allowed and what to do."""


def one_line(text: str) -> str:
    """The text of a name without spaces at its ends. Raises ValueError for control characters and line ends."""
    if not text.isprintable():
        raise ValueError(f"{text!a} has a control character or a line end: write one line of plain text")
    return text.strip()


Name = Annotated[str, Field(max_length=MOST_NAME), AfterValidator(one_line)]


class StreamPlan(Section):
    """Source of the EEG. Channels are given by label or by number (from 1; from 0 if one of the numbers is 0)."""

    name: str | None = None
    source_id: str | None = None
    eeg: tuple[str, ...] = Field(default=(), description="the first one decides, the others are averaged along")
    trigger: str = ""
    unit: str | None = Field(default=None, description="only where the stream states none: uV, mV or V")
    markers: str | None = Field(default=None, description="name of a marker stream to record along")
    wait_s: float = Field(default=10.0, ge=0.5, le=600)

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str | None) -> str | None:
        if unit is not None and math.isnan(unit_to_uv(unit)):
            raise ValueError(f"unit = {unit!r} is no voltage that is known here: give uV, mV or V")
        return unit

    @model_validator(mode="before")
    @classmethod
    def _numbers_as_text(cls, data: Any) -> Any:
        """Channels may be written as numbers."""
        if isinstance(data, dict):
            data = dict(data)
            eeg = data.get("eeg")
            if isinstance(eeg, (str, int)):
                eeg = [eeg]
            if isinstance(eeg, (list, tuple)):
                data["eeg"] = [str(c) if isinstance(c, int) and not isinstance(c, bool) else c for c in eeg]
            trigger = data.get("trigger")
            if isinstance(trigger, int) and not isinstance(trigger, bool):
                data["trigger"] = str(trigger)
        return data


Delay = Annotated[
    Annotated[float, Field(ge=0, le=120), Tag("number")] | Annotated[Literal["certificate"], Tag("word")],
    Discriminator(lambda value: "word" if isinstance(value, str) else "number"),
]


class _TimesPlan(Section):
    band_hz: tuple[float, float] = (100.0, 1500.0)
    window_ms: tuple[float, float] = (5.0, 17.0)
    epoch_ms: tuple[float, float] = (-2.0, 20.0)
    latency_ms: tuple[float, float] | None = Field(
        default=None,
        description="where wave V is expected; by default from stimulus, level and age, 5.5 to 10 where unknown",
        examples=[[5.5, 10.0]],
    )
    acoustic_delay_ms: float = Field(default=0.0, ge=0, le=50, description="sound tube: trigger to ear")
    amplifier_delay_ms: Delay = Field(
        default=0.0, description='EEG after its trigger channel; a number, or "certificate" for what the timing check found'
    )

    @field_validator("band_hz", "window_ms", "epoch_ms", "latency_ms")
    @classmethod
    def _rising(cls, pair: tuple[float, float] | None, info: ValidationInfo) -> tuple[float, float] | None:
        if pair is not None and not pair[0] < pair[1]:
            raise ValueError(f"{info.field_name} = {pair[0]:g} to {pair[1]:g}: the first number must be below the second")
        if pair is not None and info.field_name != "band_hz" and not -MOST_MS <= pair[0] < pair[1] <= MOST_MS:
            raise ValueError(f"{info.field_name} = {pair[0]:g} to {pair[1]:g}: should lie within {MOST_MS:g} ms of the stimulus")
        return pair


def _limit_fields() -> dict[str, Any]:
    """The keys of all criteria, as fields."""
    keys = [key for criterion in CRITERIA for key in criterion.keys]
    return {
        key.key: (float, Field(default=key.default, ge=key.smallest, le=key.largest, description=key.meaning)) for key in keys
    }


if TYPE_CHECKING:
    _LimitsPlan = _TimesPlan
else:
    _LimitsPlan = create_model("_LimitsPlan", __base__=_TimesPlan, **_limit_fields())


class EarlierPlan(Section):
    """Average of an earlier run of the same ear, whose response the first bets are placed on. Times as in [analysis]."""

    run: str = Field(default="", description="name of its folder")
    average_nv: tuple[float, ...] = Field(description="in even steps of step_ms from begin_ms on", examples=[[10.0, -20.0]])
    begin_ms: float = Field(ge=-MOST_MS, le=MOST_MS)
    step_ms: float = Field(gt=0, le=10)
    noise_nv: float = Field(ge=0.1, le=10_000, description="its residual noise")
    later_ms: float = Field(default=0.0, ge=-50, le=50, description="how much later its response is expected in this run")

    @field_validator("average_nv")
    @classmethod
    def _some(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if not 2 <= len(values) <= 2000:
            raise ValueError(f"earlier.average_nv has {len(values)} values: give 2 to 2,000 of them")
        return values

    def settings(self) -> Earlier:
        return Earlier(
            tuple(1e-3 * value for value in self.average_nv), self.begin_ms, self.step_ms, 1e-3 * self.noise_nv, self.later_ms
        )


class AnalysisPlan(_LimitsPlan):
    """Settings of the analysis. Times are in ms after the stimulus reaches the ear. The keys of ``CRITERIA`` are fields too."""

    earlier: EarlierPlan | None = Field(default=None, description="an earlier run of the same ear, by a session")
    rail_uv: float | None = Field(default=None, gt=0, description="amplifier range, for saturation")


class TriggerPlan(Section):
    """How to read the trigger channel; "auto" learns it from the first seconds."""

    edge: Literal["auto", "rising", "falling"] = "auto"
    kind: Literal["auto", "digital", "analogue"] = "auto"
    refractory_ms: float = Field(default=4.0, ge=0.5, le=1000)


class DecisionPlan(Section):
    """Settings of the decision."""

    rule: str = Field(default="evidence", description="that may find a response; RULE or RULE:BUDGET, such as fsp:bonferroni")
    look_every: int = Field(default=DEFAULT_LOOK_EVERY, ge=16, le=100_000, description="sweeps, for rules that look now and then")
    alpha: float = Field(default=0.01, ge=1e-6, le=0.2, description="false alarms of the whole run, all looks together")
    floor_nv: float = Field(default=15.0, ge=1, le=500, description="residual noise at which a missing response is believed")
    max_sweeps: int = Field(default=6144, ge=32, le=10_000_000)
    quiet_nv: float | None = Field(default=None, ge=1, le=500, description="noise for which a response that was found waits")
    absent_below_nv: float | None = Field(
        default=None, ge=5, le=2000,
        description="ends a run too, once no response is as large, peak to trough: true in 95 of 100 runs",
    )

    @model_validator(mode="after")
    def _quiet_before_the_floor(self) -> DecisionPlan:
        if self.quiet_nv is not None and self.quiet_nv < self.floor_nv:
            raise ValueError(
                f"quiet_nv = {self.quiet_nv:g} is below floor_nv = {self.floor_nv:g}: give at least that, usually 20, or lower "
                "the floor too"
            )
        return self

    @field_validator("rule")
    @classmethod
    def _known_rule(cls, rule: str) -> str:
        try:
            rules_of_run(rule, alpha=0.01, floor_nv=15.0, max_sweeps=6144, block_sweeps=16)
        except ValueError as error:
            raise ValueError(f"rule = {rule!r}: {error}") from error
        return rule


class TimingPlan(Section):
    """Timing certificate of sound and EEG."""

    certificate: str | None = Field(default=None, description="file that `quietfloor timing` wrote for this equipment")


class Plan(Section):
    """All settings of one run."""

    format: int = Field(default=FORMAT, ge=1, description="of the run folder; a new run is always of the newest")
    title: str = ""
    operator: Name = Field(default="", description="who makes the run, by a code or initials; the report tells it")
    site: Name = Field(default="", description="where it is made; the report tells it")
    stream: StreamPlan = Field(default_factory=StreamPlan)
    sound: SoundPlan | None = None
    search: SearchPlan | None = Field(default=None, description="several levels and sounds in one run, chosen meanwhile")
    stated: StatedPlan | None = Field(default=None, description="what other equipment plays, where there is no [sound]")
    trigger: TriggerPlan = Field(default_factory=TriggerPlan)
    analysis: AnalysisPlan = Field(default_factory=AnalysisPlan)
    decision: DecisionPlan = Field(default_factory=DecisionPlan)
    timing: TimingPlan = Field(default_factory=TimingPlan)

    @field_validator("format")
    @classmethod
    def _known_format(cls, number: int) -> int:
        if number > FORMAT:
            raise ValueError(f"format = {number}: this quietfloor knows formats up to {FORMAT}: open it with a newer version")
        return number

    @model_validator(mode="after")
    def _one_sound(self) -> Plan:
        if self.sound is not None and self.stated is not None:
            raise ValueError("[sound] is what we play, [stated] what other equipment plays: leave one of them out")
        return self

    @model_validator(mode="after")
    def _search_has_its_sound(self) -> Plan:
        if self.search is not None and (self.sound is None or self.sound.level_db_nhl is None):
            raise ValueError(
                "[search] plays our own sounds, in dB nHL (what it expects of sizes and latencies is published in dB nHL): give "
                "[sound] with level_db_nhl and a calibration"
            )
        if self.search is not None and self.sound is not None and self.sound.ipsilateral_noise != "none":
            raise ValueError(
                f"sound.ipsilateral_noise = {self.sound.ipsilateral_noise!r} with [search]: noise in the tested ear goes with "
                "runs of one sound and level: leave one of them out"
            )
        if self.search is not None and self.sound is not None and self.sound.ear == BOTH:
            raise ValueError(
                'sound.ear = "both" with [search]: one sound in both ears tells no threshold of an ear; leave ear out (each '
                "condition has its own), or give together = true, which tests both ears at once, each by itself"
            )
        if self.sound is None or not self.sound.together:
            return self
        if self.search is None or {one.ear for one in self.search.condition} != {"left", "right"}:
            raise ValueError("sound.together = true: both ears at once need a [search] with conditions of both ears")
        every = {(one.ear, one.sound) for one in self.search.condition}
        if every != {(ear, sound + 1) for ear in ("left", "right") for sound in range(self.sound.sounds_per_ear)}:
            raise ValueError(
                f"sound.sounds_per_ear = {self.sound.sounds_per_ear}: give each [[search.condition]] its sound, "
                f"{'1 or 2, and each ear both' if self.sound.sounds_per_ear > 1 else '1, or leave it out'}"
            )
        if self.sound.masking != "none" and self.sound.masking_output[0] != self.sound.transducer:
            raise ValueError(
                f"sound.together = true: masking_transducer = {self.sound.masking_transducer!r} would be on an ear that is "
                f"tested by {self.sound.transducer}: leave masking_transducer or together out"
            )
        return self

    @model_validator(mode="after")
    def _one_earphone_is_on_one_ear(self) -> Plan:
        if self.search is None or self.sound is None or not self.sound.trigger_on_earphone_jack:
            return self
        if len({one.ear for one in self.search.condition}) > 1:
            raise ValueError(
                "sound.trigger_on_earphone_jack = true: one earphone serves both ears, and a recording is of the ear that it is "
                "on: search one ear, then the other in a recording of its own"
            )
        if any(one.masking_db_em for one in self.search.condition):
            raise ValueError(
                "sound.trigger_on_earphone_jack = true: masking_db_em would need a second earphone, and the trigger uses its "
                "output: leave it out, or use a card with three outputs"
            )
        return self

    @model_validator(mode="after")
    def _delay_has_its_certificate(self) -> Plan:
        if self.analysis.amplifier_delay_ms == FROM_CERTIFICATE and self.timing.certificate is None:
            raise ValueError(
                'analysis.amplifier_delay_ms = "certificate", but timing.certificate names no file: make one by '
                "`quietfloor timing`, or give the delay in ms"
            )
        return self

    @model_validator(mode="before")
    @classmethod
    def _window_of_the_stimulus(cls, data: Any) -> Any:
        """Set a missing response window to the default for the stimulus and its level, so that it contains the response."""
        sound = data.get("sound") if isinstance(data, dict) else None
        analysis = data.get("analysis", {}) if isinstance(data, dict) else None
        if isinstance(sound, dict) and isinstance(analysis, dict) and "window_ms" not in analysis:
            with contextlib.suppress(ValueError, TypeError):  # what is wrong with the sound is told by itself
                known = SoundPlan.model_validate(sound)
                data = data | {"analysis": analysis | {"window_ms": window_of(known, known.room_ms)}}
        stated = data.get("stated") if isinstance(data, dict) else None
        if isinstance(stated, dict) and isinstance(analysis, dict) and "window_ms" not in analysis:
            with contextlib.suppress(ValueError, TypeError):
                other = StatedPlan.model_validate(stated)
                window_ms = default_window_ms(other.stimulus, other.frequency_hz, other.age_group)
                data = data | {"analysis": analysis | {"window_ms": window_ms}}
        return data

    @model_validator(mode="after")
    def _window_before_next_sound(self) -> Plan:
        if self.sound is None:
            return self
        stop_ms, zero_ms, room_ms = self.analysis.window_ms[1], self.sound.time_zero_ms, self.sound.room_ms
        if stop_ms > room_ms:
            lower = self.sound.slower_per_s(stop_ms + zero_ms)
            random_ms = self.sound.random_interval_ms or 0.0
            after = f"after {room_ms:.1f} ms" + (f" (random_interval_ms = {random_ms:g})" if random_ms else "")
            after += f" (time zero is {zero_ms:.1f} ms into each)" if zero_ms else ""
            raise ValueError(
                f"analysis.window_ms ends at {stop_ms:g} ms, but at {self.sound.rate_per_s:g}/s the next stimulus comes {after}: "
                f"end the window earlier or lower sound.rate_per_s to {lower:g}"
            )
        return self

    def to_toml(self) -> str:
        """The whole plan as TOML, defaults included; keys without a value are left out."""
        return tomli_w.dumps(self.model_dump(mode="json", exclude_none=True))

    def latency_ms(self) -> tuple[float, float]:
        """Earliest and latest expected latency of wave V, as given, or as published for the stimulus."""
        if self.analysis.latency_ms is not None:
            return self.analysis.latency_ms
        sound = self.sound or self.stated
        if sound is None:
            return wave_v_bracket_ms(None, None, None, self.analysis.window_ms)
        return sound.latency_ms(self.analysis.window_ms)

    def no_absence(self) -> str:
        """Reason why a run of this plan can never end with "no response", and the remedy, as WHY: REMEDY; "" if it can."""
        (low_ms, high_ms), window_ms = self.latency_ms(), self.analysis.window_ms
        if window_ms[0] <= low_ms and high_ms + SHAPES[0].trough_after_ms <= window_ms[1]:  # as the engine has it, `covered_by`
            return ""
        latest_ms = math.ceil(10 * (high_ms + SHAPES[0].trough_after_ms)) / 10
        why = (
            f"it cannot end with \"no response\", as the window, {window_ms[0]:g} to {window_ms[1]:g} ms, does not hold every "
            f"expected wave with its trough, {low_ms:.1f} to {latest_ms:g} ms"
        )
        remedy = f"let analysis.window_ms reach from {min(low_ms, window_ms[0]):g} to {latest_ms:g} ms"
        if self.sound is not None and latest_ms > self.sound.room_ms:
            lower = math.floor(1e4 / (latest_ms + self.sound.time_zero_ms + (self.sound.random_interval_ms or 0.0))) / 10
            remedy = f"lower sound.rate_per_s to {lower:g}, and leave out analysis.window_ms"
        return f"{why}: {remedy}"

    def evidence_settings(self) -> EvidenceSettings:
        """Settings of the evidence: short blocks if a random pause over a mains period follows each unit, longer blocks at a
        fixed rate."""
        paused = self.sound is not None and len(self.sound.pauses_s) > 0
        earlier = None if self.analysis.earlier is None else self.analysis.earlier.settings()
        return EvidenceSettings(block_units=1 if paused else 2, latency_ms=self.latency_ms(), earlier=earlier)

    def _schedule(self) -> Schedule | None:
        """Schedule of this program's own sound, if its random pauses identify it and triggers are compared with it; else None."""
        sound = self.sound
        return sound.schedule() if sound is not None and sound.held_to_plan and sound.pauses_s else None

    def engine_settings(self, layout: Layout) -> EngineSettings:
        """Engine settings of this plan. Raises PlanError for combinations that this stream does not allow."""
        analysis, trigger, decision = self.analysis, self.trigger, self.decision
        limits = analysis.model_dump()
        criteria = tuple(criterion.limited(limits) for criterion in CRITERIA if criterion.since <= self.format)
        zero_ms = 0.0 if self.sound is None else self.sound.time_zero_ms
        if isinstance(analysis.amplifier_delay_ms, str):
            raise PlanError(
                'analysis.amplifier_delay_ms = "certificate" is known when a run has found its stream: give the delay in ms here'
            )
        try:
            evidence = self.evidence_settings()
        except ValueError as error:
            raise PlanError(f"analysis.latency_ms: {error}") from error
        settings = EngineSettings(
            layout=layout,
            band_hz=analysis.band_hz,
            epoch_ms=analysis.epoch_ms,
            window_ms=analysis.window_ms if self.search is None else self.search.window_ms or analysis.window_ms,
            delay_ms=analysis.acoustic_delay_ms + analysis.amplifier_delay_ms + zero_ms,
            rail_uv=rail_uv(analysis, layout),
            trigger=TriggerSettings(
                edge=trigger.edge,
                kind=trigger.kind,
                refractory_ms=trigger.refractory_ms,
                unit_mark_ms=math.nan if self.sound is None else OWN_UNIT_MARK_MS,
                break_mark_ms=math.nan if self.sound is None else OWN_BREAK_MARK_MS,
                device_break_mark_ms=math.nan if self.sound is None else OWN_DEVICE_BREAK_MARK_MS,
            ),
            criteria=criteria,
            evidence=evidence,
            rule=decision.rule,
            look_every=decision.look_every,
            alpha=decision.alpha,
            floor_nv=decision.floor_nv,
            max_sweeps=decision.max_sweeps,
            quiet_nv=decision.quiet_nv,
            absent_below_nv=decision.absent_below_nv,
            schedule=self._schedule(),
            lead_s=0.0 if self.sound is None else OPENING_S + self.sound.lead_in_s,
        )
        try:
            settings.check()
        except ValueError as error:
            raise PlanError(str(error)) from error
        return settings


def window_of(sound: SoundPlan, room_ms: float) -> tuple[float, float]:
    """Default response window of a sound in ms. For soft sounds, whose response is late, it is longer if ``room_ms`` before the
    next sound allows it."""
    start_ms, stop_ms = default_window_ms(sound.stimulus, sound.frequency_hz, sound.age_group)
    latest_ms = math.ceil(10 * (sound.latency_ms((start_ms, stop_ms))[1] + SHAPES[0].trough_after_ms)) / 10
    return start_ms, max(stop_ms, latest_ms) if latest_ms <= room_ms else stop_ms


def rail_uv(analysis: AnalysisPlan, layout: Layout) -> float:
    """The largest possible magnitude of a sample in uV: limit of the amplifier, or of the number format of the stream."""
    return min(math.inf if analysis.rail_uv is None else analysis.rail_uv, layout.limit * layout.uv_per_unit)


def load_plan(path: Path) -> Plan:
    """Read and check a plan file for a new run. Relative paths in it start at the plan's own folder. Raises PlanError."""
    return _load(path).model_copy(update={"format": FORMAT})


def load_run_plan(path: Path) -> Plan:
    """Read the plan in a run folder; without a format number it has format 1. Raises PlanError."""
    return _load(path, recorded=True)


def _load(path: Path, recorded: bool = False) -> Plan:
    """Read a plan; ``recorded``: from a run folder."""
    try:
        data = toml_of(path)
    except OSError as error:
        raise PlanError(f"plan {path} cannot be read ({error.strerror or error}): give the path of a TOML file") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError(f"plan {path} is not TOML: {error}") from error
    sound = data.get("sound")
    if isinstance(sound, dict):
        sound |= {key: beside(path, sound[key]) for key in PATHS if isinstance(sound.get(key), str)}
    timing = data.get("timing")
    if isinstance(timing, dict) and isinstance(timing.get("certificate"), str):
        timing["certificate"] = beside(path, timing["certificate"])
    if recorded:
        data.setdefault("format", 1)
        data = _as_of_its_format(data)
    return make_plan(data, str(path))


def _as_of_its_format(data: dict[str, Any]) -> dict[str, Any]:
    """The data of a plan in which every key that is newer than its format is set to off, in the tables that the plan has."""
    if isinstance(data["format"], int):
        for number, keys in INTRODUCED.items():
            for (section, key), off in keys.items():
                if data["format"] < number and isinstance(data.get(section), dict):
                    data[section].setdefault(key, off)
    return data


def beside(plan: Path, name: str) -> str:
    """Resolve a path in a plan, which starts at the plan's own folder. Raises PlanError."""
    try:
        return str((plan.parent / name).resolve())
    except (OSError, ValueError, RuntimeError) as error:  # too long, a zero byte, links that lead to themselves
        raise PlanError(f"plan {plan}: {name!r} is no path of a file ({error})") from error


def make_plan(data: dict[str, Any], origin: str = "plan") -> Plan:
    """Check plan data. Raises PlanError that names each wrong key."""
    try:
        return Plan.model_validate(data)
    except ValidationError as error:
        problems = [one for one in error.errors() if one["type"] != "too_short" or not one["input"]]  # else its items are wrong
        raise PlanError("\n".join(f"{origin}: {_explain(problem)}" for problem in problems)) from error


def make_sound_plan(data: dict[str, Any], origin: str = "plan") -> SoundPlan:
    """Check the data of [sound] alone. Raises PlanError that names each wrong key."""
    try:
        return SoundPlan.model_validate(data)
    except ValidationError as error:
        problems = [problem | {"loc": ("sound", *problem["loc"])} for problem in error.errors()]
        raise PlanError("\n".join(f"{origin}: {_explain(problem)}" for problem in problems)) from error


def _explain(problem: Any) -> str:
    place = [str(part) for part in problem["loc"]]
    deep = 3 if place[:2] == EARLIER else 2
    key = ".".join(place[:deep])  # entries of a list are meant by the list's own name
    if key == "search.condition" and len(place) > 3:
        key = f"{key}, {place[2]} from 0: {place[3]}"
    value = problem["input"]
    if problem["type"] == "extra_forbidden" and key in REPLACED:
        return f"{key} = {value!r} is a key of an earlier version: write {REPLACED[key]} instead"
    if problem["type"] == "extra_forbidden":
        return unknown_key(key, _model(place[:-1]).model_fields)
    if problem["type"] == "missing" and isinstance(problem["loc"][-1], str):
        return f"{key} is missing: it has to be stated"
    message = message_of(problem)
    if problem["type"] == "value_error":
        return f"[{place[0]}] {message}" if place else message
    if problem["type"] == "model_type":
        return f"{key} = {value!r}: should be a table, written [{key}]"
    field = _model(place[:-1]).model_fields.get(place[-1]) or _model(place[:1]).model_fields[place[1]]
    if problem["type"] in ("tuple_type", "too_long", "missing"):
        numbers = (field.examples or [None])[0] if field.is_required() or not field.default else list(field.default)
        usual = f"numbers in brackets, such as {numbers}" if numbers else 'a list, such as ["Cz-M2", "2"]'
        return f"{key} = {value!r}: should be {usual}"
    return wrong_value(key, problem, {key.rpartition(".")[2].rpartition(" ")[2]: field})


def _model(place: list[str]) -> type[BaseModel]:
    """The table at a place of the plan; an entry of a list counts as being in the table of its list."""
    sections: dict[str, type[BaseModel]] = {
        "stream": StreamPlan,
        "sound": SoundPlan,
        "stated": StatedPlan,
        "trigger": TriggerPlan,
        "analysis": AnalysisPlan,
        "decision": DecisionPlan,
        "timing": TimingPlan,
        "search": SearchConditionPlan if "condition" in place else SearchPlan,
    }
    if place[:2] == EARLIER:
        return EarlierPlan
    return sections[place[0]] if place else Plan


def override(plan: Plan, changes: dict[str, dict[str, Any]]) -> Plan:
    """A copy of the plan with single values replaced, checked again: ``{"decision": {"alpha": 0.05}}``. Values that are None
    change nothing."""
    given = {section: {key: value for key, value in values.items() if value is not None} for section, values in changes.items()}
    if not any(given.values()):
        return plan
    data = plan.model_dump(mode="json", exclude_none=True)
    for section, values in given.items():
        if values:
            data[section] = data.get(section, {}) | values
    return make_plan(data, "command line")
