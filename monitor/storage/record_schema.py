"""Schemas of the files of a finished run: each value is checked before it is used.

Keys that are missing or null, or that belong to another version, are accepted; the values of known keys must have the right type.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from quietfloor.monitor.core.artefacts import CRITERIA
from quietfloor.monitor.untrusted.safe_text import plain

MOST_MS = 1000.0  # from the sound; own choice: a brainstem has answered long before


def is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value) and abs(value) <= _LARGEST


_LARGEST = 1e19  # beyond the 64 bits of a seed; own choice: nothing here comes near it, and its square is still a number
_KINDS: dict[str, Callable[[Any], bool]] = {
    "a number": is_number,
    "a number above 0": lambda value: is_number(value) and value > 0,
    "a whole number": lambda value: is_number(value) and isinstance(value, int),
    "text": lambda value: isinstance(value, str),
    "true or false": lambda value: isinstance(value, bool),
    "a table": lambda value: isinstance(value, dict),
    "a table of whole numbers": lambda value: isinstance(value, dict) and all(type(one) is int for one in value.values()),
    "a list of numbers": lambda value: isinstance(value, list) and all(map(is_number, value)),
    "a list": lambda value: isinstance(value, list),
    "a verdict": lambda value: value in ("response_present", "response_absent", "inconclusive", "searched"),
    f"two rising times within {MOST_MS:g} ms": lambda value: (
        isinstance(value, list) and len(value) == 2 and all(map(is_number, value)) and -MOST_MS <= value[0] < value[1] <= MOST_MS
    ),
    "two rising numbers": lambda value: (
        isinstance(value, list) and len(value) == 2 and all(map(is_number, value)) and value[0] < value[1]
    ),
}
_RUN = {
    "a number": (
        "alpha evidence residual_noise_nv p_value fsp upper_limit_nv timing.offset_ms timing.sd_ms timing.delay_ms "
        "timing.rate_ppm timing.rate_ppm_se stimulus.level_db_nhl stimulus.level_db_fs stimulus.level_db_ppe "
        "stimulus.level_db_ppe_spl stimulus.level_db_zeq stimulus.time_zero_ms stimulus.chirp_k stimulus.chirp_d "
        "stimulus.chirp_span_ms stimulus.wav_zero_ms stimulus.reference_db stimulus.masking.level_db_em "
        "stimulus.masking.level_db_fs stimulus.trigger_db_fs stimulus.age_months stimulus.random_interval_ms "
        "stimulus.ipsilateral_noise.level_db_spl stimulus.ipsilateral_noise.level_db_fs "
        "stimulus.equalised.boost_db stimulus.equalised.costs_db stimulus.dose_policy.day_limit_times stream.rms_uv"
    ),
    "a number above 0": (
        "stimulus.frequency_hz stimulus.rate_per_s stream.rate_hz filter.low_hz filter.high_hz "
        "filter.analysis_rate_hz filter.reach_ms stimulus.output.rate_hz"
    ),
    "a whole number": "sweeps_presented sweeps_accepted lost_samples foreign_sweeps seed stimulus.limited_samples",
    "text": (
        "title started stopped_by reason fault noise_cause calibration rule.name rule.promise rule.identity "
        "replay_of timing.certificate timing.reason timing.trigger_edges stimulus.stimulus stimulus.kind "
        "stimulus.envelope stimulus.ear stimulus.route stimulus.polarity stimulus.transducer stimulus.age_group "
        "stimulus.reference_source stimulus.reference_scale stimulus.level_rests_on stimulus.output.device "
        "stimulus.output.caution stimulus.age_change stimulus.dose_policy.name stimulus.dose_policy.approval "
        "stimulus.dose_policy.approved_by stimulus.dose_policy.reason stimulus.dose_policy.expires stimulus.dose_policy.seal "
        "stimulus.ipsilateral_noise.noise stimulus.masking.noise stimulus.masking.transducer stream.name stream.type "
        "stream.source_id stream.host stream.trigger stream.unit_from filter.kind identical_by machine.processor "
        "machine.architecture machine.kernels machine.simd"
    ),
    "true or false": "timing.verified stimulus.muted stimulus.stated stimulus.output.trigger_on_earphone_jack from_recording",
    "a table": (
        "rule timing stimulus stimulus.masking stimulus.output stimulus.dose stimulus.dose_policy stream filter versions machine "
        "stimulus.ipsilateral_noise stimulus.equalised "
        "cautions_acknowledged search"
    ),
    "a table of whole numbers": "rejected",
    "a verdict": "verdict",
    "a list of numbers": (
        "filter.taps stimulus.random_pauses_ms stimulus.cycles stimulus.ipsilateral_noise.bands_hz stimulus.equalised.band_hz"
    ),
    "a list": "stream.eeg",
}
_PLAN = {
    "a table": "stream sound stated trigger analysis decision timing search",
    "two rising numbers": "analysis.band_hz",
    f"two rising times within {MOST_MS:g} ms": "analysis.window_ms analysis.epoch_ms analysis.latency_ms",
    "a number": " ".join(f"analysis.{key.key}" for criterion in CRITERIA for key in criterion.keys) + " "
    "analysis.acoustic_delay_ms analysis.rail_uv decision.alpha decision.floor_nv decision.max_sweeps decision.quiet_nv "
    "decision.absent_below_nv decision.look_every",
}


def _as_keys(kinds: Mapping[str, str]) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    return tuple((kind, path, tuple(path.split("."))) for kind, paths in kinds.items() for path in paths.split())


_KEYS_OF_A_RUN, _KEYS_OF_A_PLAN = _as_keys(_RUN), _as_keys(_PLAN)


def checked_record(content: Any) -> dict[str, Any]:
    """Check ``run.json``, or ``begun.json``, which has some of its keys. Raises ValueError that names the first wrong key."""
    return _checked(content, _KEYS_OF_A_RUN)


def checked_plan(content: dict[str, Any]) -> dict[str, Any]:
    """Check ``plan.toml`` of a run, which an earlier version may have written. Raises ValueError."""
    return _checked(content, _KEYS_OF_A_PLAN)


def _checked(content: Any, kinds: tuple[tuple[str, str, tuple[str, ...]], ...]) -> dict[str, Any]:
    if not isinstance(content, dict):
        raise ValueError("it is no table")
    if not _is_plain(content):
        path, value = next((path, value) for path, value in _leaves(content) if not _is_plain(value))
        raise ValueError(f"{path} = {plain(repr(value), 120)}: should be text, a number up to {_LARGEST:g}, true or false")
    for kind, path, keys in kinds:
        found: Any = content
        for key in keys:
            found = found.get(key) if isinstance(found, dict) else None
        if found is not None and not _KINDS[kind](found):
            raise ValueError(f"{path} = {plain(repr(found), 120)}: should be {kind}")
    return content


def _is_plain(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_is_plain, value.values()))
    if isinstance(value, list):
        return all(map(_is_plain, value))
    return value is None or isinstance(value, (str, bool)) or is_number(value)


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, below in value.items():
            yield from _leaves(below, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for below in value:
            yield from _leaves(below, path)
    else:
        yield path, value
