"""Methods of the runs, as a paragraph for a paper and as plain data: every setting that influenced the results.

If a value differs between runs, all values are given with their runs. Unknown values are stated as unknown and never replaced.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.search.choice import LARGEST_RISE_DB, Wanted
from quietfloor.monitor.session.conditions import STIMULUS_WORDS, ipsilateral_words
from quietfloor.monitor.storage.record_schema import is_number
from quietfloor.stimuli.calibration import BOTH, ear_words
from quietfloor.stimuli.levels import STATED

FORMAT = "quietfloor methods 1"
RULE_WORDS = {
    "evidence": "a sequential test that multiplies bets on the sign of each block of sweeps, made before the block is seen; the "
    "capital exceeds 1/alpha with a probability of at most alpha, whenever and however often one looks, by Ville's inequality",
}
NOISE_WORDS = (
    "Residual noise is the RMS, over the response window, of the noise left in the weighted average; it is estimated from the "
    "spread of sweeps inside units of 16, or from the spread between units where the two differ beyond chance"
)
AVERAGE_WORDS = "Units of 16 sweeps were averaged with weights 1 / variance about the unit's own mean"


@dataclass(frozen=True)
class Facts:
    """One run as the methods need it: run.json and plan.toml as mappings; why it was discarded, None where it counts."""

    number: int
    record: Mapping[str, Any]
    plan: Mapping[str, Any]
    discarded: str | None = None


@dataclass(frozen=True)
class Methods:
    """``paragraphs``: ready for a paper. ``record``: the same as plain data, unknown None."""

    paragraphs: tuple[str, ...]
    record: dict[str, Any]

    @property
    def text(self) -> str:
        return "\n\n".join(self.paragraphs)


def methods(runs: Sequence[Facts]) -> Methods:
    """Methods text of all runs, discarded ones too. Raises ValueError without runs."""
    if not runs:
        raise ValueError("methods of no run: give the runs that were made")
    settings = {name: _values(runs, path) for name, path in SETTINGS.items()}
    single = [run for run in runs if run.record.get("search") is None]
    searched = [run for run in runs if run.record.get("search") is not None]
    decided = {name: _values(single, path) for name, path in SETTINGS.items()}
    record = {
        "format": FORMAT,
        "runs": [run.number for run in runs],
        "settings": settings,
        "sweeps": [_sweeps(run) for run in runs],
        "residual_noise": [
            {"run": run.number, "nv": run.record.get("residual_noise_nv"), "cause": run.record.get("noise_cause")} for run in runs
        ],
        "residual_noise_is": NOISE_WORDS,
        "lost_samples": [{"run": run.number, "samples": run.record.get("lost_samples")} for run in runs],
        "discarded": [{"run": run.number, "why": run.discarded} for run in runs if run.discarded is not None],
        "not_a_medical_device": True,
    }
    paragraphs = (
        _stimuli(runs, settings), _recording(settings), _averaging(runs, settings), *([_decision(decided)] if single else []),
        *([_searching(searched, settings)] if searched else []), _quality(runs, settings),
    )  # fmt: skip
    return Methods(paragraphs, record)


# name of a setting: place in run.json ("plan" in front: in plan.toml)
SETTINGS: dict[str, tuple[str, ...]] = {
    "stimulus": ("stimulus", "stimulus"),
    "stimulus_kind": ("stimulus", "kind"),
    "stated": ("stimulus", "stated"),
    "duration_us": ("stimulus", "duration_us"),
    "frequency_hz": ("stimulus", "frequency_hz"),
    "cycles": ("stimulus", "cycles"),
    "envelope": ("stimulus", "envelope"),
    "chirp_k": ("stimulus", "chirp_k"),
    "chirp_d": ("stimulus", "chirp_d"),
    "chirp_span_ms": ("stimulus", "chirp_span_ms"),
    "time_zero_ms": ("stimulus", "time_zero_ms"),
    "ear": ("stimulus", "ear"),
    "route": ("stimulus", "route"),
    "transducer": ("stimulus", "transducer"),
    "level_db_nhl": ("stimulus", "level_db_nhl"),
    "level_db_ppe_spl": ("stimulus", "level_db_ppe_spl"),
    "level_db_fs": ("stimulus", "level_db_fs"),
    "level_db_ppe": ("stimulus", "level_db_ppe"),
    "reference_source": ("stimulus", "reference_source"),
    "muted": ("stimulus", "muted"),
    "polarity": ("stimulus", "polarity"),
    "random_polarity": ("stimulus", "random_polarity"),
    "rate_per_s": ("stimulus", "rate_per_s"),
    "random_pauses_ms": ("stimulus", "random_pauses_ms"),
    "random_interval_ms": ("stimulus", "random_interval_ms"),
    "masking": ("stimulus", "masking"),
    "ipsilateral_noise": ("stimulus", "ipsilateral_noise"),
    "equalised": ("stimulus", "equalised"),
    "age_group": ("stimulus", "age_group"),
    "output": ("stimulus", "output", "device"),
    "seed": ("seed",),
    "calibration": ("calibration",),
    "level_check": ("stimulus", "level_check"),
    "timing_verified": ("timing", "verified"),
    "timing_certificate": ("timing", "certificate"),
    "timing_sd_ms": ("timing", "sd_ms"),
    "timing_offset_ms": ("timing", "offset_ms"),
    "timing_reason": ("timing", "reason"),
    "delay_ms": ("timing", "delay_ms"),
    "trigger_edges": ("timing", "trigger_edges"),
    "rate_ppm": ("timing", "rate_ppm"),
    "stream": ("stream", "name"),
    "stream_rate_hz": ("stream", "rate_hz"),
    "eeg": ("stream", "eeg"),
    "trigger": ("stream", "trigger"),
    "uv_per_unit": ("stream", "uv_per_unit"),
    "unit_from": ("stream", "unit_from"),
    "filter_kind": ("filter", "kind"),
    "filter_low_hz": ("filter", "low_hz"),
    "filter_high_hz": ("filter", "high_hz"),
    "filter_taps": ("filter", "taps"),
    "analysis_rate_hz": ("filter", "analysis_rate_hz"),
    "window_ms": ("plan", "analysis", "window_ms"),
    "epoch_ms": ("plan", "analysis", "epoch_ms"),
    "latency_ms": ("plan", "analysis", "latency_ms"),
    "acoustic_delay_ms": ("plan", "analysis", "acoustic_delay_ms"),
    "amplifier_delay_ms": ("plan", "analysis", "amplifier_delay_ms"),
    **{key.key: ("plan", "analysis", key.key) for criterion in CRITERIA for key in criterion.keys},
    "rail_uv": ("plan", "analysis", "rail_uv"),
    "rule": ("rule", "name"),
    "promise": ("rule", "promise"),
    "identity": ("rule", "identity"),
    "alpha": ("alpha",),
    "floor_nv": ("plan", "decision", "floor_nv"),
    "max_sweeps": ("plan", "decision", "max_sweeps"),
    "quiet_nv": ("plan", "decision", "quiet_nv"),
    "look_every": ("plan", "decision", "look_every"),
    "width_db": ("search", "width_db"),
    "widest_db": ("search", "widest_db"),
    "minutes": ("plan", "search", "minutes"),
    "earlier": ("plan", "analysis", "earlier", "run"),
    "versions": ("versions",),
}
# of these a search has several, each with a place in its conditions and cells
SEVERAL = {"ear": "ear", "kind": "stimulus", "frequency_hz": "frequency_hz", "level_db_nhl": "level_db_nhl"}


def _at(run: Facts, path: tuple[str, ...]) -> Any:
    value: Any = run.plan if path[0] == "plan" else run.record
    for key in path[1:] if path[0] == "plan" else path:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value


def _each(run: Facts, path: tuple[str, ...]) -> Iterable[Any]:
    """One value, or of a search those of all conditions, and of the levels that were played."""
    conditions = _conditions(run.record)
    if not conditions or path[0] != "stimulus" or path[-1] not in (*SEVERAL, "stimulus"):
        return [_at(run, path)]
    if path[-1] == "stimulus":
        return [_sound_words(one) for one in conditions]
    if path[-1] == "level_db_nhl":
        return [level for cell in _cells(run.record) if cell.get("presented") and is_number(level := cell.get("level_db_nhl"))]
    return [one.get(SEVERAL[path[-1]]) for one in conditions]


def _conditions(record: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Of a search; none where there are none to be read."""
    search = record.get("search")
    found = search.get("conditions") if isinstance(search, Mapping) else None
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, (list, tuple)) else []


def _cells(record: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    lists = [one.get("cells") for one in _conditions(record)]
    return [cell for cells in lists if isinstance(cells, (list, tuple)) for cell in cells if isinstance(cell, Mapping)]


def _sound_words(one: Mapping[str, Any]) -> str:
    hz, kind = one.get("frequency_hz"), str(one.get("stimulus"))
    return f"{STIMULUS_WORDS.get(kind, kind)}{f' {hz:g} Hz' if isinstance(hz, (int, float)) else ''}"


def _values(runs: Sequence[Facts], path: tuple[str, ...]) -> list[dict[str, Any]]:
    """Each value once, in order of appearance, with its runs."""
    found: dict[str, dict[str, Any]] = {}
    for run in runs:
        for value in _each(run, path):
            key = json.dumps(value, sort_keys=True, default=str)
            told = found.setdefault(key, {"value": value, "runs": []})["runs"]
            if run.number not in told:
                told.append(run.number)
    return list(found.values())


def sweeps_of(record: Mapping[str, Any], what: str) -> int | None:
    """Sweeps "presented" or "accepted" in a run, of a search in all cells together; None: not known."""
    if record.get("search") is None:
        return record.get(f"sweeps_{what}")
    counts = [cell.get(what) for cell in _cells(record)]
    return sum(count for count in counts if isinstance(count, int)) if counts else None


def _unexplained(run: Facts) -> int:
    """Sweeps of a search that were rejected, where their reasons are not kept."""
    if run.record.get("search") is None or run.record.get("rejected"):
        return 0
    return (sweeps_of(run.record, "presented") or 0) - (sweeps_of(run.record, "accepted") or 0)


def _sweeps(run: Facts) -> dict[str, Any]:
    record = run.record
    return {
        "run": run.number,
        "presented": sweeps_of(record, "presented"),
        "accepted": sweeps_of(record, "accepted"),
        "rejected": record.get("rejected"),
    }


def numbers(runs: Iterable[int]) -> str:
    """Numbers of runs as text, such as "1-3, 7"."""
    spans: list[list[int]] = []
    for number in sorted(set(runs)):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" if high > low + 1 else f"{low}, {high}" for low, high in spans)


def runs_words(runs: Iterable[int]) -> str:
    """Runs as text, such as "run 3" or "runs 1-3, 7"."""
    told = list(runs)
    return f"run{'' if len(told) == 1 else 's'} {numbers(told)}"


def _tell(values: list[dict[str, Any]], form: str = "{}", unknown: str = "unknown") -> str:
    """Text of the only value, or of every value with its runs."""
    def word(value: Any) -> str:
        if value is None:
            return unknown
        if isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool)):
            return form.format(_number(value))
        if isinstance(value, (list, tuple)):
            return form.format(" to ".join(f"{one:g}" if isinstance(one, (int, float)) else str(one) for one in value))
        return form.format(value)

    if len(values) == 1:
        return word(values[0]["value"])
    if values and all(one["runs"] == values[0]["runs"] for one in values):  # of a search
        return " and ".join(word(one["value"]) for one in values)
    return "; ".join(f"{word(one['value'])} ({runs_words(one['runs'])})" for one in values)


def _number(value: float) -> str:
    """A number rounded to a thousandth; smaller numbers keep their first digits, because an error rate of 0 would be wrong."""
    return f"{round(value, 3):.10g}" if abs(value) >= 0.1 else f"{value:.3g}"


def _only(values: list[dict[str, Any]]) -> list[Any]:
    return [one["value"] for one in values if one["value"] is not None]


def _ears(values: list[dict[str, Any]]) -> str:
    if any(one["value"] == BOTH for one in values):
        return _tell([one | {"value": f"the {one['value']} ear" if one["value"] != BOTH else ear_words(BOTH)} for one in values])
    return f"the {_tell(values)} ear"


def _stimuli(runs: Sequence[Facts], s: dict[str, list[dict[str, Any]]]) -> str:
    if not _only(s["stimulus"]):
        return "Stimuli were made by other equipment; their level, kind and ear are not known to the program."
    levels = sorted(_only(s["level_db_nhl"]))
    in_units = {unit: sorted(_only(s[key])) for key, unit in STATED.items()}
    each = [f"{', '.join(f'{db:g}' for db in many)} {unit}" for unit, many in in_units.items() if many]
    told = f"levels were {' and '.join(each) or 'not known'}" + (", uncalibrated" if _only(s["level_db_fs"]) else "")
    pauses = _only(s["random_pauses_ms"])
    pause = ""
    if pauses and all(pauses):
        most = " + ".join(f"{ms:.3g}" for ms in pauses[0])
        pause = f", with a random pause of up to {most} ms after every 16 sweeps ({_seeds(_only(s['seed']))})"
    if any(_only(s["random_interval_ms"])):
        pause += f", each sound {_tell(s['random_interval_ms'], 'up to {} ms')} later at random"
    tossed = [number for one in s["random_polarity"] if one["value"] is True for number in one["runs"]]
    coin = f" (which one began each 16 sweeps was drawn at random: {runs_words(tossed)})" if tossed else ""
    masking = _only(s["masking"])
    noise = "no masking noise was used"
    if masking:
        noise = "masking noise in the other ear: " + "; ".join(
            f"{m.get('noise')} at {m['level_db_em']:g} dB EM" if m.get("level_db_em") is not None
            else f"{m.get('noise')} at {m.get('level_db_fs')} dB re full scale" for m in masking
        )  # fmt: skip
        noise += f" ({runs_words(number for one in s['masking'] if one['value'] is not None for number in one['runs'])})"
    found = (cell.get("masking_db_em") for run in runs for cell in _cells(run.record))
    masked = [value for value in found if value is not None and is_number(value)]
    if masked:
        of_cells = f"{min(masked):g} to {max(masked):g} dB EM at those levels of a search that need it"
        noise = f"{noise}; {of_cells}" if masking else f"masking noise in the other ear: {of_cells}"
    beside = [one for one in s["ipsilateral_noise"] if one["value"] is not None]
    if beside:
        own = (f"{ipsilateral_words(one['value'])} ({runs_words(one['runs'])})" for one in beside)
        noise += f"; noise with the stimulus: {'; '.join(own)}"
    undone = [one for one in s["equalised"] if one["value"] is not None]
    for one in undone:
        low_hz, high_hz = one["value"]["band_hz"]
        noise += (
            f"; the response of the earphone was undone from {low_hz:g} to {high_hz:g} Hz by a filter of minimum phase, by its "
            f"response to tones ({runs_words(one['runs'])})"
        )
    references = _only(s["reference_source"])
    reference = f" Reference for 0 dB nHL: {'; '.join(map(str, references))}." if references and levels else ""
    muted = [number for one in s["muted"] if one["value"] is True for number in one["runs"]]
    control = f" Muted as a control: {runs_words(muted)}." if muted else ""
    zero = [value for value in _only(s["time_zero_ms"]) if value]
    later = f" Time zero is {_tell(s['time_zero_ms'], '{} ms')} after the first sample of the stimulus." if zero else ""
    stated = [number for one in s["stated"] if one["value"] is True for number in one["runs"]]
    lead = f"The stimulus of {runs_words(stated)} came from other equipment and is as its operator stated it. " if stated else ""
    return (
        f"{lead}Stimuli were {_tell(s['stimulus'])}, presented to {_ears(s['ear'])} by {_tell(s['route'])} "
        f"({_tell(s['transducer'])}) in {_tell(s['polarity'])} polarity{coin} at "
        f"{_tell(s['rate_per_s'], '{}/s')}{pause}; {told}; {noise}. "
        f"Calibration: {_tell(s['calibration'])}.{reference}{later}{control}"
    )


def _seeds(seeds: Sequence[int]) -> str:
    if not seeds:
        return "seed not kept"
    return f"seed {seeds[0]}" if len(seeds) == 1 else f"seeds {numbers(seeds)}"


def _recording(s: dict[str, list[dict[str, Any]]]) -> str:
    verified = _only(s["timing_verified"])
    if verified and all(verified):
        timing = (
            f"Timing of sound against EEG was verified by an electrical loop (offset {_tell(s['timing_offset_ms'], '{} ms')}, "
            f"SD {_tell(s['timing_sd_ms'], '{} ms')}, certificate {_tell(s['timing_certificate'])})."
        )
    else:
        reasons = [one | {"value": str(one["value"]).split(": `quietfloor")[0]} for one in s["timing_reason"] if one["value"]]
        where, why = " in all runs" if True in verified else "", _tell(reasons) if reasons else "reason not kept"
        timing = f"Timing of sound against EEG was not verified{where}: {why}."
    taps = [one | {"value": None if one["value"] is None else " and ".join(map(str, one["value"]))} for one in s["filter_taps"]]
    return (
        f"EEG was recorded over Lab Streaming Layer from stream {_tell(s['stream'])}, channel {_tell(s['eeg'])}, at "
        f"{_tell(s['stream_rate_hz'], '{} Hz')}; sweeps were cut by the trigger channel {_tell(s['trigger'])} of the same "
        f"stream. Filter: {_tell(s['filter_low_hz'])} to {_tell(s['filter_high_hz'], '{} Hz')}, {_tell(s['filter_kind'])}, "
        f"{_tell(taps)} taps; analysis at {_tell(s['analysis_rate_hz'], '{} Hz')}. Delays of {_tell(s['delay_ms'], '{} ms')} in "
        f"all were taken off latencies. {timing}"
    )


def _criteria(s: dict[str, list[dict[str, Any]]]) -> list[str]:
    """What each criterion rejected; one that no run had is not told of."""
    found: list[str] = []
    for criterion in CRITERIA:
        if criterion.since == 1 or _only(s[criterion.times_key]):
            units = {criterion.times_key: "{}", criterion.ceiling_key: "{} uV"}
            sentence = criterion.sentence({key.key: _tell(s[key.key], units[key.key]) for key in criterion.keys})
            found.append(sentence.replace(" was above", " above", 1) if found else sentence)
    return found


def _averaging(runs: Sequence[Facts], s: dict[str, list[dict[str, Any]]]) -> str:
    sums: dict[str, int] = {}
    presented = accepted = 0
    for run in runs:
        presented += sweeps_of(run.record, "presented") or 0
        accepted += sweeps_of(run.record, "accepted") or 0
        for reason, count in (run.record.get("rejected") or {}).items():
            sums[reason] = sums.get(reason, 0) + int(count)
    reasons = ", ".join(f"{reason} {count}" for reason, count in sorted(sums.items()) if count) or "none"
    if lacking := sum(_unexplained(run) for run in runs):
        reasons = f"{'' if reasons == 'none' else f'{reasons}, '}not kept for {lacking} of a search"
    noises = [
        value for run in runs for one in (run.record, *_cells(run.record))
        if isinstance(value := one.get("residual_noise_nv"), (int, float)) and math.isfinite(value)
    ]  # fmt: skip
    span = "not known"
    if noises:
        span = f"{min(noises):.1f} nV" if len(noises) == 1 else f"{min(noises):.1f} to {max(noises):.1f} nV"
    return (
        f"Sweeps of {_tell(s['epoch_ms'], '{} ms')} were rejected where their {', or their '.join(_criteria(s))}. In "
        f"{len(runs)} {'run' if len(runs) == 1 else 'runs'} together {presented} sweeps were presented and {accepted} accepted; "
        f"rejected by reason: {reasons}. {AVERAGE_WORDS}. "
        f"{NOISE_WORDS}; at the end of the {'run' if len(runs) == 1 else 'runs'} it was {span}."
    )


def _decision(s: dict[str, list[dict[str, Any]]]) -> str:
    rules = [str(value) for value in _only(s["rule"])]
    known = "; ".join(f"{rule}: {RULE_WORDS[rule]}" for rule in rules if rule in RULE_WORDS)
    promise = _tell(s["promise"], unknown="no error rate")
    looks = "Looks were taken after every block of sweeps"
    if rules != ["evidence"]:
        looks = f"Looks were taken as the rule has it (every {_tell(s['look_every'])} sweeps where it looks now and then)"
    quiet = ""
    if _only(s["quiet_nv"]):
        quiet = f" A response that was found was averaged on down to {_tell(s['quiet_nv'], '{} nV', 'no noise in particular')}."
    earlier = ""
    if "evidence" in rules and _only(s["earlier"]):
        earlier = (
            " The first bets were on the response of an earlier run of the same ear, recorded before: "
            f"{_tell(s['earlier'], unknown='none')}."
        )
    return (
        f"Whether there was a response was decided by the rule {_tell(s['rule'])} in the window "
        f"{_tell(s['window_ms'], '{} ms')}, with alpha = {_tell(s['alpha'])} for the whole run"
        f"{f' ({known})' if known else ''}. The rule promises: {promise}. {looks}. No response was concluded when residual noise "
        f"had fallen to {_tell(s['floor_nv'], '{} nV')} without one; a run that reached "
        f"{_tell(s['max_sweeps'], '{} sweeps')} undecided stayed so.{quiet}{earlier} Identity of all settings that shape "
        f"a decision: {_tell(s['identity'])}."
    )


def _searching(runs: Sequence[Facts], s: dict[str, list[dict[str, Any]]]) -> str:
    told = runs_words(run.number for run in runs)
    alpha = _tell(_values(runs, ("search", "alpha")))
    ordered = [run.number for run in runs if isinstance(run.record["search"], Mapping) and run.record["search"].get("orders")]
    orders = f" The operator, or a limit of the sound, changed the order of levels in {runs_words(ordered)}." if ordered else ""
    both, two = (
        [run.number for run in runs if (run.record.get("stimulus") or {}).get(key)] for key in ("together", "sounds_per_ear")
    )
    at_once = (
        f" In {runs_words(both)} both ears heard sounds at once: each ear had levels, units and a choice of its own. The phase "
        "of its sounds to those of the other ear was drawn anew for each unit, so that what that ear answered did not add up."
    ) if both else ""  # fmt: skip
    at_once += (
        f" In {runs_words(two)} each ear heard two sounds of different frequencies at once, each with levels, units, a choice "
        "and phases of its own."
    ) if two else ""  # fmt: skip
    widest = _only(s["widest_db"])
    wider = f", and up to {_tell(_values(runs, SETTINGS['widest_db']), '{} dB')} where it took long" if widest else ""
    return (
        f"Thresholds of {told} were searched: several levels in one recording. Each unit of 16 sweeps was given to one condition "
        "and level, coded in the widths of its triggers, so that the recording itself says which. A model of a response across "
        "levels (its threshold, size, growth, latency and form, with priors from published growth and latencies) was fitted to "
        "the averages of all levels of a condition after every few units. The next level was the one that was expected to "
        "narrow the interval of the threshold most in a second, one step ahead; once the interval was narrow, the one at which "
        f"a response was soonest shown; louder by at most {LARGEST_RISE_DB:g} dB at a time.{orders}{at_once} The threshold is "
        f"the level at which a response reaches {1e3 * Wanted.visible_uv:g} nV RMS in the response window. A condition ended "
        "when the 95 % interval of its threshold, from the posterior of the model, was at most "
        f"{_tell(_values(runs, SETTINGS['width_db']))} "
        f"dB wide{wider}, and a response was found at most {Wanted.reach_db:g} dB above it; or when the whole interval lay above "
        "the loudest level. The interval rests on the model, and how often it holds the threshold was measured in simulation. "
        "That a response was found does not: evidence of each level multiplies bets on units not yet seen, and the hypotheses "
        "that there is no response at a level or below are tested in nested order, so that a search of a condition finds one "
        f"by mistake with a probability of at most {alpha}, all its levels and looks together, however levels are chosen "
        "(Ville's inequality; closed testing). At levels below, responses up to the upper limits stated may hide."
    )


def _quality(runs: Sequence[Facts], s: dict[str, list[dict[str, Any]]]) -> str:
    lost = sum(run.record.get("lost_samples") or 0 for run in runs)
    unknown = [run.number for run in runs if run.record.get("lost_samples") is None]
    versions = [value for value in _only(s["versions"]) if isinstance(value, Mapping)]
    made_by = "; ".join(", ".join(f"{name} {version}" for name, version in one.items()) for one in versions) or "unknown versions"
    out = "; ".join(f"run {run.number} ({run.discarded})" for run in runs if run.discarded is not None)
    not_known = f" (not known for {runs_words(unknown)})" if unknown else ""
    return (
        f"Runs made and discarded: {out or 'none'}. Lost samples: {lost}{not_known}. Raw samples were kept in "
        f"XDF before any of them was used, so that every decision can be made again. "
        f"Made with {made_by}. quietfloor is not a medical device."
    )
