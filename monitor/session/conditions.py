"""Conditions of a session, and summaries of its runs. Plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from quietfloor.monitor.hearing.estimate import STIMULUS_WORDS as WITH_HEARING_LEVELS
from quietfloor.monitor.session.searched import Searched, searched_of
from quietfloor.stimuli.calibration import BOTH, ear_words

Purpose = Literal["threshold", "growth", "control"]
Finding = Literal["threshold", "at most", "no response", "not tested"]
Whose = Literal[
    "this ear's", "not known to be this ear's", ""
]  # see `quietfloor.monitor.session.whose_ear`; "": nobody judged it

PURPOSES: tuple[Purpose, ...] = ("threshold", "growth", "control")
PRESENT, ABSENT, UNDECIDED = "response_present", "response_absent", "inconclusive"
OWN: Whose = "this ear's"
UNKNOWN: Whose = "not known to be this ear's"
WORDS = {PRESENT: "response", ABSENT: "no response", UNDECIDED: "undecided"}
STIMULUS_WORDS = {**WITH_HEARING_LEVELS, "custom": "custom stimulus"}
_ONE_HZ = 0.005  # frequencies closer than this fraction are one, as in the tables of hearing levels


@dataclass(frozen=True)
class Condition:
    """One ladder: ear, route, stimulus by its kind, and its frequency in Hz (None for clicks and broadband sounds)."""

    ear: str
    route: str
    stimulus: str
    frequency_hz: float | None = None

    def __str__(self) -> str:
        hz = "" if self.frequency_hz is None else f"{self.frequency_hz:g} Hz "
        return f"{ear_words(self.ear)}, {hz}{STIMULUS_WORDS.get(self.stimulus, self.stimulus)} by {self.route}"

    def same_as(self, other: Condition) -> bool:
        """Whether two conditions are the same ladder; nominal frequencies need not be equal to the last digit."""
        if (self.ear, self.route, self.stimulus) != (other.ear, other.route, other.stimulus):
            return False
        own, others = self.frequency_hz, other.frequency_hz
        if own is None or others is None:
            return own is None and others is None
        return abs(own - others) <= _ONE_HZ * own


@dataclass(frozen=True)
class RunSummary:
    """Summary of one run, from its run.json. nan: unknown. Numbers count from 1.

    ``masking_db``: dB EM of the noise in the other ear, nan where its level is not known; None: no noise. ``seconds`` is time of
    the stream, from its first sample to the verdict. ``discarded`` is the reason why it does not count, None: it counts.
    ``replicate_of``: an earlier run of the same condition, level and noise that counts. ``noise``: that in the other ear, in
    words, empty for none; runs with different noise are different evidence. ``whose``: whose response it is known to be.
    ``search``: what a search found of this condition, None for a run at one level; level, verdict, noise and numbers are then
    those of the level that its answer rests on, and ``seconds`` its part of the recording.
    """

    number: int
    condition: Condition
    level_db_nhl: float
    verdict: str
    stopped_by: str
    residual_noise_nv: float = math.nan
    seconds: float = math.nan
    muted: bool = False
    masking_db: float | None = None
    upper_limit_nv: float = math.nan
    evidence: float = math.nan
    alpha: float = math.nan  # false alarms that its rule was allowed
    rule: str = ""
    sweeps: int | None = None
    presented: int | None = None  # sweeps, rejected ones included
    purpose: Purpose = "threshold"
    replicate_of: int | None = None
    discarded: str | None = None
    notes: tuple[str, ...] = ()
    transducer: str = ""
    age_group: str = ""
    noise: str = ""
    noise_transducer: str | None = None
    whose: Whose = ""
    stated: bool = False  # of the sound of other equipment
    search: Searched | None = None

    @property
    def counts(self) -> bool:
        """Whether it counts for a threshold: as a run in a ladder, or as a search."""
        return self.discarded is None and not self.muted and self.purpose == "threshold"

    @property
    def sweep_noise_uv(self) -> float:
        """RMS noise of a single sweep in uV, from the residual noise of the average; nan: not known."""
        return 1e-3 * self.residual_noise_nv * math.sqrt(self.sweeps) if self.sweeps else math.nan

    @property
    def left_out(self) -> float:
        """Share of the sweeps that were rejected (0 to 1); nan: not known."""
        return 1.0 - self.sweeps / self.presented if self.presented and self.sweeps is not None else math.nan

    @property
    def masked(self) -> bool:
        return self.masking_db is not None

    @property
    def words(self) -> str:
        """The run in words, such as "run 3: 40 dB nHL, response"."""
        if self.search is not None:
            return f"run {self.number}: search, {self.search.words}{self._doubt}{self._out}"
        found = "a fault" if self.stopped_by == "fault" else WORDS[self.verdict]
        noise = "" if math.isnan(self.residual_noise_nv) else f", {self.residual_noise_nv:.1f} nV of noise"
        seconds = "" if math.isnan(self.seconds) else f", {self.seconds:.0f} s"
        only = f", {'muted control' if self.muted else self.purpose}" if self.muted or self.purpose != "threshold" else ""
        masked = ""
        if self.masking_db is not None:
            masked = ", masked" if math.isnan(self.masking_db) else f", masked with {self.masking_db:g} dB EM"
        again = "" if self.replicate_of is None else f", repeats run {self.replicate_of}"
        level = f"{self.level_db_nhl:g} dB nHL{' as stated' if self.stated else ''}"
        return f"run {self.number}: {level}{masked}, {found}{self._doubt}{noise}{seconds}{only}{again}{self._out}"

    @property
    def _doubt(self) -> str:
        return f", {self.whose}" if self.whose == UNKNOWN and self.verdict in (PRESENT, ABSENT) else ""

    @property
    def _out(self) -> str:
        return "" if self.discarded is None else f"; discarded: {self.discarded}"


def condition_of(stimulus: Mapping[str, Any]) -> Condition:
    """The condition of ``stimulus`` in a run.json. Raises KeyError, TypeError, ValueError if it has none."""
    hz = stimulus["frequency_hz"]
    return Condition(stimulus["ear"], stimulus["route"], stimulus["kind"], None if hz is None else float(hz))


def summary_of(number: int, record: Mapping[str, Any], seconds: float = math.nan) -> RunSummary | None:
    """Summary of a run.json; None for a run of no ladder: another program's sound, no level in dB nHL, noise in the tested ear,
    one sound in both ears, a search, or a replay.

    Raises KeyError, TypeError, ValueError for a record that is damaged.
    """
    stimulus = record["stimulus"]
    if stimulus is None or stimulus["level_db_nhl"] is None or "replay_of" in record or record.get("search") is not None:
        return None
    if stimulus.get("ipsilateral_noise") is not None or stimulus["ear"] == BOTH:
        return None
    if record["verdict"] not in (*WORDS, None):
        raise ValueError(f"verdict = {record['verdict']!r}")
    masking = stimulus["masking"]
    sweeps = record["sweeps_accepted"]
    return RunSummary(
        number=number,
        condition=condition_of(stimulus),
        level_db_nhl=float(stimulus["level_db_nhl"]),
        verdict=record["verdict"] or UNDECIDED,
        stopped_by=record["stopped_by"] or "fault",
        residual_noise_nv=_number(record["residual_noise_nv"]),
        seconds=seconds,
        muted=bool(stimulus["muted"]),
        masking_db=None if masking is None else _number(masking["level_db_em"]),
        upper_limit_nv=_number(record["upper_limit_nv"]),
        evidence=_number(record["evidence"]),
        alpha=_number(record.get("alpha")),
        rule="" if record["rule"] is None else str(record["rule"]["name"]),
        sweeps=None if sweeps is None else int(sweeps),
        presented=None if record.get("sweeps_presented") is None else int(record["sweeps_presented"]),
        purpose="control" if stimulus["muted"] else "threshold",
        transducer=str(stimulus.get("transducer") or ""),
        age_group=str(stimulus.get("age_group") or ""),
        noise="" if masking is None else noise_words(masking),
        noise_transducer=None if masking is None else masking.get("transducer"),
        stated=bool(stimulus.get("stated")),
    )


def searches_of(number: int, record: Mapping[str, Any], seconds: float = math.nan) -> list[RunSummary]:
    """Of each condition that a search played, from its run.json; empty for a run of one level, or a replay.

    Raises KeyError, TypeError, ValueError for a record that is damaged.
    """
    kept, stimulus = record.get("search"), record["stimulus"]
    if kept is None or "replay_of" in record:
        return []
    masking, found = stimulus["masking"] or {}, []
    of_signal = sum(_number(one["seconds"]) for one in kept["conditions"])
    for one in kept["conditions"]:
        searched = searched_of(one, _number(kept["alpha"]))
        if searched is None:
            continue
        noise_db = searched.masking
        cell = one["cells"][searched.levels_db.index(searched.speaks_db)]
        verdict = PRESENT if searched.found else ABSENT if searched.finished else UNDECIDED
        hz = one["frequency_hz"]
        found.append(
            RunSummary(
                number=number,
                condition=Condition(one["ear"], stimulus["route"], one["stimulus"], None if hz is None else float(hz)),
                level_db_nhl=searched.speaks_db,
                verdict=verdict,
                stopped_by=record["stopped_by"] or "fault",
                residual_noise_nv=_number(cell["residual_noise_nv"]),
                seconds=seconds * searched.seconds / of_signal if of_signal > 0 else math.nan,
                masking_db=noise_db,
                upper_limit_nv=_number(cell["upper_limit_nv"]),
                evidence=_number(cell["evidence"]),
                alpha=searched.alpha,
                rule="evidence",
                sweeps=int(cell["accepted"]),
                presented=int(cell["presented"]),
                transducer=str(stimulus["transducer"]),
                age_group=str(stimulus["age_group"]),
                noise="" if noise_db is None else noise_words(masking | {"level_db_em": noise_db}),
                noise_transducer=masking.get("transducer"),
                search=searched,
            )
        )
    return found


def noise_words(masking: Mapping[str, Any]) -> str:
    """The masking noise of a run.json in words, such as "white 60 dB EM"."""
    em, fs = masking.get("level_db_em"), masking.get("level_db_fs")
    level = f"{em:g} dB EM" if em is not None else f"{fs:g} dB re full scale" if fs is not None else "level not known"
    return f"{masking.get('noise') or 'noise'} {level}"


def all_noise_words(stimulus: Mapping[str, Any]) -> str:
    """The noise in both ears of ``stimulus`` in a run.json, in words; "" for none."""
    masking, own = stimulus.get("masking"), stimulus.get("ipsilateral_noise")
    return "; ".join([*([] if masking is None else [noise_words(masking)]), *([] if own is None else [ipsilateral_words(own)])])


def ipsilateral_words(noise: Mapping[str, Any]) -> str:
    """The noise in the tested ear of a run.json in words, such as "notched noise, none from 707 to 1414 Hz, 60 dB SPL before the
    cut, in the same ear"."""
    kind, bands, in_spl, in_fs = (noise.get(key) for key in ("noise", "bands_hz", "level_db_spl", "level_db_fs"))
    cut = ""
    if kind == "notched" and isinstance(bands, list) and len(bands) == 4:
        cut = f", none from {bands[1]:.0f} to {bands[2]:.0f} Hz"
    elif kind == "high-pass" and isinstance(bands, list) and bands:
        cut = f", from {bands[0]:.0f} Hz on"
    in_fs_words = "level not known" if in_fs is None else f"{in_fs:g} dB re full scale"
    level = in_fs_words if in_spl is None else f"{in_spl:g} dB SPL"
    return f"{kind or 'unknown'} noise{cut}, {level}{' before the cut' if cut else ''}, in the same ear"


def published_kind(stimulus: Mapping[str, Any]) -> str | None:
    """The kind of a stimulus by which published values are looked up; None for one in noise, in both ears or equalised: they are
    of one ear in quiet, and of sounds with the response of their earphone."""
    other = stimulus.get("ear") == BOTH or stimulus.get("equalised") is not None
    return None if other else sought_kind(stimulus)


def sought_kind(stimulus: Mapping[str, Any]) -> str | None:
    """The kind of a stimulus by which its waves are looked for, in both ears as in one; None for one in noise: they come later
    than in quiet."""
    return None if stimulus.get("ipsilateral_noise") is not None else stimulus.get("kind")


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)
