"""A plan resolved for a stream: everything that the plan names or that follows from the stream, looked up once, as one value.

``make_stimulus`` reads calibration, references and output before there is a stream; ``resolve`` adds what depends on the stream.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Any

from quietfloor.monitor.core.engine import EngineSettings
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import table_of, written_out
from quietfloor.monitor.plan.run_plan import Plan, rail_uv
from quietfloor.monitor.plan.search_plan import SearchPlan
from quietfloor.monitor.run.searching import deciding_channels
from quietfloor.monitor.run.sound_output import Stimulus
from quietfloor.monitor.run.timing_certificate import Timing, advice, judge, with_delay
from quietfloor.monitor.run.unit_check import UNITS_UV
from quietfloor.monitor.session.conditions import ipsilateral_words
from quietfloor.monitor.sources.base import SourceError, StreamDescription
from quietfloor.monitor.sources.channels import Channels, limit_of, resolve_channels
from quietfloor.monitor.untrusted.safe_text import LONGEST, plain
from quietfloor.stimuli.calibration import ear_words

UNIT_NAMES = {factor: name for name, factor in UNITS_UV.items()} | {1e-3: "nanovolts"}


@dataclass(frozen=True)
class ResolvedPlan:
    """The plan of a run on its stream, and its description for records. Made by ``resolve``."""

    plan: Plan  # with the delay of its certificate
    channels: Channels
    settings: EngineSettings  # for samples in uV; see ``settings_at``
    timing: Timing
    warnings: tuple[str, ...]  # what a person should hear before the run
    stimulus: Stimulus | None  # None: other equipment plays

    def settings_at(self, uv_per_unit: float) -> EngineSettings:
        """Engine settings for samples whose unit is ``uv_per_unit`` uV."""
        layout = replace(self.settings.layout, uv_per_unit=uv_per_unit)
        return replace(self.settings, layout=layout, rail_uv=rail_uv(self.plan.analysis, layout))

    def to_toml(self, uv_per_unit: float | None = None) -> str:
        """The plan as used, as TOML, with its unit (uV per unit) if known. Channels are written as the user named them; the
        stream description in the recording resolves them in the same way."""
        plan = self.plan
        if uv_per_unit is not None:
            latency_ms = self.settings.evidence.latency_ms  # a later version may know better: the replay must not
            stream = plan.stream.model_copy(update={"unit": UNIT_NAMES[uv_per_unit]})
            analysis = plan.analysis.model_copy(update={"latency_ms": latency_ms})
            plan = plan.model_copy(update={"stream": stream, "analysis": analysis})
        return plan.to_toml()

    @property
    def calibration(self) -> str | None:
        """Id of the calibration; None for an uncalibrated sound, and if this program plays no sound."""
        return None if self.stimulus is None or self.stimulus.calibration is None else self.stimulus.calibration.id

    @property
    def stated(self) -> dict[str, Any] | None:
        """The sound of other equipment as stated, with the keys of run.json; None if it is not stated, or if this program
        plays."""
        return None if self.plan.stated is None else self.plan.stated.record()

    @property
    def title(self) -> str:
        """One line that says what is being measured."""
        plan = self.plan
        if self.stimulus is None:
            what = "listening to other equipment" + ("" if plan.stated is None else f", as stated: {plan.stated.words}")
        elif plan.search is not None:
            what = _searched(plan.search, self.stimulus)
        else:
            what = _played(self.stimulus)
        policy = None if self.stimulus is None else self.stimulus.policy
        dose = "" if policy is None else f"dose policy {policy.short}"
        return plain(" · ".join(part for part in (plan.title, dose, what, self.timing.text) if part), LONGEST)


def resolve(
    plan: Plan,
    description: StreamDescription,
    stimulus: Stimulus | None = None,
    *,
    channels: Channels | None = None,
    today: datetime.date | None = None,
) -> ResolvedPlan:
    """Resolve ``plan`` for a stream.

    ``stimulus`` is its sound from ``make_stimulus``. Without ``channels``, the channels that the plan names are used. Without
    ``today`` (needed for a timing certificate) the timing is not judged.

    Raises PlanError for combinations that this stream does not allow, CertificateError, and SourceError for a stream from which
    no sweeps can be cut.
    """
    channels = channels or resolve_channels(description, plan.stream.eeg, plan.stream.trigger)
    timing = Timing()
    if today is not None:
        timing = judge(plan, None if stimulus is None else stimulus.output, description, channels.trigger, today)
    said = advice(plan, timing)
    if today is not None:
        plan = with_delay(plan, timing)
    plan = written_out(plan)
    why = "" if plan.search is not None else plan.no_absence()
    warnings = tuple(filter(None, (_one_earphone(plan), said, f"of this run: {why}" if why else "")))
    settings, table = plan.engine_settings(layout_of(description, channels)), table_of(plan)
    settings = settings if table is None else table.engine_settings(settings)
    if plan.search is not None:
        deciding_channels(plan.search, settings.layout)
    return ResolvedPlan(plan, channels, settings, timing, warnings, stimulus)


def _one_earphone(plan: Plan) -> str:
    """Where the one earphone of both ears belongs, and the caution of its routing; empty for the usual one."""
    if plan.sound is None or not plan.sound.caution:
        return ""
    ear = plan.sound.ear if plan.search is None else plan.search.condition[0].ear
    return f"one earphone for both ears: it belongs on the {ear} ear now. {plan.sound.caution}"


def layout_of(description: StreamDescription, channels: Channels, uv_per_unit: float = 1.0) -> Layout:
    """Channel layout for the engine. Raises SourceError for a stream from which no sweeps can be cut."""
    labels = tuple(description.label(index) for index in range(description.channel_count))
    try:
        limit = limit_of(description.channel_format)
        return Layout(description.rate_hz, labels, channels.eeg, channels.trigger, uv_per_unit, limit)
    except ValueError as error:
        raise SourceError(f"stream {description.name!r}: {error}") from error


def _searched(search: SearchPlan, stimulus: Stimulus) -> str:
    levels = [level for one in search.condition for level in one.levels_db_nhl]
    names = "; ".join(one.name for one in search.condition)
    how = " by bone" if stimulus.plan.route == "bone" else ""
    how += ("", ", both ears at once", ", two sounds in each ear at once")[stimulus.plan.at_once]
    return f"search{how} · {names} · {min(levels):g} to {max(levels):g} dB nHL · {stimulus.plan.rate_words}"


def _played(stimulus: Stimulus) -> str:
    record, speed_times = stimulus.record, stimulus.plan.speed
    level_db, unit = stimulus.plan.level
    level = f"{level_db:g} {unit}{'' if record['level_db_fs'] is None else ', uncalibrated'}"
    if (bits := record["output"].get("bits_left")) is not None:
        level += f" ({bits:.0f} of {record['output']['bits']} bits)"
    muted = ", MUTED" if record["muted"] else ""
    speed = f", {speed_times:g} x real time" if speed_times != 1 else ""
    zero = f" (0 ms is {record['time_zero_ms']:.1f} ms into it)" if record["time_zero_ms"] else ""
    bone = " by bone" if record["route"] == "bone" else ""
    noise = _masked(record["masking"]) + _in_noise(record)
    return (
        f"{ear_words(record['ear'])}{bone} · {record['stimulus']}{zero} · {level}{muted}{noise} · "
        f"{stimulus.plan.rate_words}{speed}"
    )


def _in_noise(record: Any) -> str:
    noise = record.get("ipsilateral_noise")
    return "" if noise is None else f", {ipsilateral_words(noise)}"


def _masked(masking: Any) -> str:
    if masking is None:
        return ""
    db_em, db_fs = masking["level_db_em"], masking["level_db_fs"]
    level = f"{db_em:g} dB EM" if db_em is not None else f"{db_fs:g} dB re full scale"
    return f", {masking['ear']} ear masked: {masking['noise']} {level}"
