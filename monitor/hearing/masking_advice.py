"""Advice on masking: when noise in the other ear is due, its sufficient level, and the level that is too high. Pure.

A sound reaches the other cochlea, weakened by the attenuation between the ears. If it may be heard there, a response is not known
to come from the tested ear. Noise in the other ear prevents a response there. Too much noise crosses back and hides the tested
ear as well.

A brief sound of L dB nHL is masked by noise of L dB effective masking at the same cochlea, with `MARGIN_DB` for safety. Babies
respond at lower levels by bone than by air, so that for them the two scales differ: noise for a sound by bone is louder by this
difference, and a threshold by bone is converted with it before it is compared with one by air. The noise that removed responses
by bone in Lau & Small 2020 was between 12 dB less and 5 dB more than this advice requires, for any of their couplers and
bandwidths (computed in the tests). The advice is a starting point, not a proof that the other ear did not respond.

There is an air-bone gap only if both thresholds were measured. If the threshold by bone is missing, the part of the air threshold
above that of normal ears may be a gap. The noise in the other ear is then raised for this possible gap as far as that is known to
be harmless (`sure_db_em` is sufficient in any case). Noise above `highest_db_em` may hide the tested ear, so an absence of
response proves nothing there. Neither causes a dilemma.

A run made only for the latency/amplitude-intensity function establishes no threshold. It does not need masking, but its response
may contain a part of the other ear's; the advice flags that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from quietfloor.monitor.hearing.estimate import EAR_WORDS
from quietfloor.monitor.hearing.tables import HearingError, HearingTables, Interaural, same_hz
from quietfloor.stimuli.calibration import BONE, EARS
from quietfloor.stimuli.levels import HIGHEST_DB_NHL, LOWEST_DB_NHL
from quietfloor.stimuli.masking import HIGHEST_DB_EM

Purpose = Literal["threshold", "growth"]

MARGIN_DB = 10.0  # common practice: above the level that would just do, and below the one that would just hide
BETTER_DB = 10.0  # own choice: an ear may hear so much better than the mean of normal ears, or than was found in steps. With it
# advice begins at 15 dB nHL for a newborn's octave chirp of 4 kHz by bone, and not at 10, as common practice does (no source)
UNKNOWN_BONE_DB = 0.0  # own choice, cautious: how well a cochlea may hear where nothing is known of it; by air at any age
UNKNOWN_BONE_INFANT_DB = -14.0  # by bone: the lowest published mean of newborns, 500 Hz, Cone-Wesson et al. 1997 (verified)
NORMAL_AIR_DB = 10.0  # where normal adults answer at the lowest: 10 to 20 dB nHL, Stapells 2000 (read)
NO_OCCLUSION_GAP_DB = 20.0  # such a gap leaves nothing for an earphone to add: Martin et al. 1974 (secondary)
INFANT_LIMIT_DB = 85.0  # never above, babies with inserts: British Society of Audiology, October 2025, note 4 (verified)
YOUNG_MONTHS = 3.0  # as long as babies' bone is published against air: Int J Audiol 2014, 53:132 (verified)
TABLE_HZ = (500.0, 1000.0, 2000.0, 4000.0)  # where tables may say that
TWO_CHANNEL_HZ = (500.0, 4000.0)  # where 90 % of infants show which side answers: Small & Love 2014 (verified, steady-state data)


@dataclass(frozen=True)
class KnownEars:
    """Known thresholds in dB nHL of the same kind of sound; nan: unknown. The other ear is the one that gets the noise."""

    other_bone_db: float = math.nan
    other_air_db: float = math.nan
    tested_bone_db: float = math.nan
    tested_air_db: float = math.nan


@dataclass(frozen=True)
class Sound:
    """The sound of a run and the person. `noise_transducer`: the earphone at the other ear; if None, for a sound by air, the same
    type.

    `attenuation_set` names a set of the tables; None: the smallest value of all sets is used. Raises HearingError.
    """

    ear: str
    route: str
    transducer: str
    level_db_nhl: float
    age_group: str
    frequency_hz: float | None = None
    age_months: float | None = None
    noise_transducer: str | None = None
    attenuation_set: str | None = None

    def __post_init__(self) -> None:
        if self.ear not in EARS or self.route not in ("air", "bone"):
            raise HearingError(f"ear = {self.ear!r}, route = {self.route!r}; allowed are {', '.join(EARS)} and air, bone")
        if (self.transducer == BONE) != (self.route == "bone"):
            both = f"transducer = {self.transducer!r}, route = {self.route!r}"
            raise HearingError(f"{both}: bone goes with {BONE}, air with an earphone")
        if self.noise_transducer == BONE:
            raise HearingError("noise by a bone vibrator reaches both ears: give it by an earphone")
        if not LOWEST_DB_NHL <= self.level_db_nhl <= HIGHEST_DB_NHL:
            raise HearingError(f"level_db_nhl = {self.level_db_nhl}; allowed is {LOWEST_DB_NHL:g} to {HIGHEST_DB_NHL:g}")
        if self.frequency_hz is not None and not 0.0 < self.frequency_hz < math.inf:
            raise HearingError(f"frequency_hz = {self.frequency_hz}; give one above 0, or none for a stimulus without one")

    @property
    def noise_by(self) -> str | None:
        return self.noise_transducer or (self.transducer if self.route == "air" else None)

    @property
    def other(self) -> str:
        return EARS[1 - EARS.index(self.ear)]

    @property
    def where(self) -> str:
        return f"{EAR_WORDS[self.ear]}, {self.level_db_nhl:g} dB nHL by {self.route}"


@dataclass(frozen=True)
class MaskingAdvice:
    """Advice for one run. Levels in dB; `crossing_db` and `other_bone_db` are on the scale of the sound's own route.

    `due`: the other ear may hear the stimulus. `needed`: noise is due, and the run is made for a threshold. `crossing_db`: level
    at the other cochlea. Noise from `lowest_db_em` (margin included; nan if none is due) to `highest_db_em` (above it, noise may
    hide the tested ear) is advised; both are nan if the earphone of the noise is not known. `sure_db_em`: sufficient even if the
    other ear has the largest possible air-bone gap. `most_db_em`: above `highest_db_em` only if no measurement shows that such
    noise hides the tested ear. `dilemma`: according to the measurements no level is both sufficient and harmless.
    """

    due: bool
    needed: bool
    crossing_db: float
    attenuation_db: float
    other_bone_db: float
    lowest_db_em: float
    highest_db_em: float
    sentence: str
    notes: tuple[str, ...]
    sure_db_em: float = math.nan
    most_db_em: float = math.nan

    @property
    def dilemma(self) -> bool:
        return self.lowest_db_em > self.most_db_em

    @property
    def noise_db_em(self) -> float:
        """Advised level of the noise in dB EM; nan where none is due, none is sufficient, or its earphone is not known."""
        if math.isnan(self.lowest_db_em) or self.dilemma:
            return math.nan
        return min(float(math.ceil(min(self.sure_db_em, self.harmless_db_em))), self.harmless_db_em)

    @property
    def harmless_db_em(self) -> float:
        """The loudest noise in dB EM that is known to be harmless, or the least that is enough if that is louder; nan where its
        earphone is not known."""
        return max(self.lowest_db_em, self.highest_db_em) if self.due else self.highest_db_em

    def judge(self, masking_db_em: float | None) -> str:
        """Text on the noise that a run had; None for no noise, nan for noise of unknown level."""
        if masking_db_em is None:
            if self.needed:
                return "no masking, although it was due: this response is not known to be the tested ear's"
            if self.due:
                return "no masking; due for a threshold, not for a latency/amplitude-intensity function alone"
            return "no masking, and none was due"
        if math.isnan(masking_db_em):
            return "masking of unknown level: whether it was enough is not known"
        noise = f"masking of {masking_db_em:g} dB EM"
        if not self.due:
            hides = f"; more than {self.highest_db_em:.0f} dB EM: it may have hidden the tested ear"
            return f"{noise}, although none was due{hides if masking_db_em > self.highest_db_em else ''}"
        if math.isnan(self.lowest_db_em):
            return f"{noise}: whether it was enough depends on its earphone, which is not known"
        told = []
        if masking_db_em < self.lowest_db_em:
            told.append(f"less than the {self.lowest_db_em:.0f} dB EM that do with a margin: the other ear may have answered")
        elif masking_db_em < self.sure_db_em:
            gap = f"not enough if the other ear has an air-bone gap ({self.sure_db_em:.0f} dB EM would be)"
            told.append(f"{gap}: whose response it is is not known until that ear's threshold by bone is")
        if masking_db_em > self.highest_db_em:
            told.append(f"more than {self.highest_db_em:.0f} dB EM: it may have hidden the tested ear")
        return f"{noise}, {'; '.join(told) or f'within {self.range_words}'}"

    @property
    def range_words(self) -> str:
        return f"{self.lowest_db_em:.0f} to {max(self.lowest_db_em, self.highest_db_em):.0f} dB EM"


def advise(
    tables: HearingTables, sound: Sound, purpose: Purpose = "threshold", known: KnownEars | None = None
) -> MaskingAdvice:
    """Masking advice for one run. Raises HearingError if the tables contain no attenuation for it."""
    ears = known or KnownEars()
    between = _attenuation(tables, sound, sound.transducer, sound.attenuation_set)
    attenuation = between.at(sound.frequency_hz)
    other_bone, other_is = _other_bone(tables, sound, ears)
    crossing = sound.level_db_nhl - attenuation
    due = crossing >= other_bone
    notes = [
        f"between the ears {attenuation:g} dB, set {between.set}: {between.source} ({between.status})",
        f"{sound.other} ear by bone {other_bone:g} dB, {other_is}",
    ]
    if between.narrower and sound.age_months is None:
        notes.append(f"that attenuation is for {between.narrower}, and the age in months was not given")
    if sound.route == "air" and sound.age_group != "adult":
        notes.append("attenuation of sound by air was measured in adults")
    lowest = highest = sure = most = math.nan
    if sound.noise_by is not None:
        if due:
            lowest, sure = _enough(sound.noise_by, tables, sound, ears, crossing, notes)
        highest, most = _too_much(sound.noise_by, tables, sound, ears, notes if due else [])
    if due and sound.route == "bone":
        notes += _bone_notes(tables, sound)
    facts = MaskingAdvice(
        due, due and purpose == "threshold", crossing, attenuation, other_bone, lowest, highest, "", tuple(notes), sure, most
    )
    return replace(facts, sentence=_sentence(facts, sound, purpose))


def _attenuation(tables: HearingTables, sound: Sound, transducer: str, wanted: str | None) -> Interaural:
    """Smallest published attenuation for this sound, or that of the wanted set.

    If the age is known, a row for a narrower age is preferred; if it is not known, such rows are not used, because older skulls
    attenuate less by bone.
    """
    of_transducer = [entry for entry in tables.interaural if transducer in entry.transducer]
    fitting = [
        entry
        for entry in of_transducer
        if entry.fits_age(sound.age_group, sound.age_months) and wanted in (None, entry.set)
    ]
    if sound.age_months is not None and any(entry.age_months is not None for entry in fitting):
        fitting = [entry for entry in fitting if entry.age_months is not None]
    if not fitting:
        sets = ", ".join(sorted({entry.set for entry in of_transducer})) or "none"
        of_set = "" if wanted is None else f" in set {wanted!r}"
        raise HearingError(
            f"no attenuation between the ears for {transducer}, {sound.age_group}{of_set}; sets that know {transducer}: {sets}"
        )
    return min(fitting, key=lambda entry: entry.at(sound.frequency_hz))


def _other_bone(tables: HearingTables, sound: Sound, ears: KnownEars) -> tuple[float, str]:
    """Best possible bone-conduction threshold of the other cochlea in dB nHL, and its source in words."""
    if not math.isnan(ears.other_bone_db):
        level = ears.other_bone_db - BETTER_DB
        told = f"as measured ({ears.other_bone_db:g} dB nHL by bone), and up to {BETTER_DB:g} dB better"
        return (max(level, UNKNOWN_BONE_DB) if sound.route == "air" else level), told
    if sound.age_group != "infant" or sound.route == "air":
        return UNKNOWN_BONE_DB, "assumed: nothing is known of it"
    mean, source = _normal_mean(tables, sound, "bone", sound.age_months)
    if not math.isnan(mean):
        return mean - BETTER_DB, f"assumed as up to {BETTER_DB:g} dB better than the mean of normal ears: {source}"
    return UNKNOWN_BONE_INFANT_DB, "assumed: nothing is known for this stimulus and age, the lowest mean of newborns stands in"


def _normal_mean(tables: HearingTables, sound: Sound, route: str, age_months: float | None) -> tuple[float, str]:
    """Lowest published mean of normal ears for this frequency in dB nHL, and its source; nan: none is published."""
    means = [
        (normal.at(sound.frequency_hz), f"{normal.source} ({normal.status})")
        for normal in tables.normals
        if (normal.kind, normal.route) == ("mean", route) and normal.fits_age(sound.age_group, age_months)
    ]
    return min((pair for pair in means if not math.isnan(pair[0])), default=(math.nan, ""))


def _normal_air_db(tables: HearingTables, sound: Sound) -> float:
    """Mean threshold of normal ears by air in dB nHL, linear over log f between published values."""
    means = [normal for normal in tables.normals if (normal.kind, normal.route) == ("mean", "air")]
    levels = sorted(
        pair for normal in means if normal.fits_age(sound.age_group, sound.age_months) for pair in normal.levels_db_nhl
    )
    if not levels:
        return NORMAL_AIR_DB
    if sound.frequency_hz is None:
        return min(db for _, db in levels)
    return float(np.interp(math.log(sound.frequency_hz), [math.log(hz) for hz, _ in levels], [db for _, db in levels]))


def _enough(
    noise_by: str, tables: HearingTables, sound: Sound, ears: KnownEars, crossing: float, notes: list[str]
) -> tuple[float, float]:
    """Lowest sufficient noise in dB EM: without the possible air-bone gap, and with it."""
    below = _bone_below_air_db(tables, sound)
    louder = below if sound.route == "bone" else 0.0
    expected = below if sound.route == "bone" or _is_young(sound) else 0.0  # by air the older ones are taken to have none
    gap, possible = _gap(ears.other_air_db, ears.other_bone_db + expected), 0.0
    if not math.isnan(gap):
        notes += [f"{gap:g} dB more noise for the air-bone gap of the {sound.other} ear"] if gap > 0.0 else []
    elif math.isnan(ears.other_air_db):
        notes.append(f"{sound.other} ear taken to have no air-bone gap: with one, the noise must be louder by as much")
    else:
        possible = ears.other_air_db - _normal_air_db(tables, sound)
        possible = possible if possible > MARGIN_DB else 0.0  # normal ears differ by as much
        if possible > 0.0:
            notes.append(
                f"up to {possible:.0f} dB of the {sound.other} ear's threshold by air may be an air-bone gap; its threshold by "
                "bone would tell"
            )
    known_gap = 0.0 if math.isnan(gap) else gap
    closed = 0.0
    if sound.route == "bone" and sound.age_group != "infant" and known_gap < NO_OCCLUSION_GAP_DB:
        effect = next((entry for entry in tables.occlusion if noise_by in entry.transducer), None)
        closed = 0.0 if effect is None else effect.at(sound.frequency_hz)
        if effect is not None and closed > 0.0:
            notes.append(f"{closed:g} dB more noise for the ear that the earphone closes: {effect.source} ({effect.status})")
    if louder > 0.0:
        notes.append(f"{louder:g} dB more noise, by as much as young babies answer to bone below air")
    lowest = crossing + known_gap + closed + louder + MARGIN_DB
    return lowest, lowest + possible


def _gap(air_db: float, bone_db: float) -> float:
    """Air-bone gap of two measured thresholds in dB, 0 if the margin covers it already; nan if one threshold is missing."""
    gap = air_db - bone_db
    return gap if gap > MARGIN_DB or math.isnan(gap) else 0.0


def _is_young(sound: Sound) -> bool:
    return sound.age_months is not None and sound.age_months <= YOUNG_MONTHS


def _bone_below_air_db(tables: HearingTables, sound: Sound) -> float:
    """How much louder a level by bone is at a baby's cochlea than the same level by air, in dB; 0 if nothing is published.

    The value for the youngest is used for all infants, because too much noise is easier to notice than too little. Rows of the
    tables that state it have priority, then the means of normal ears. Between their frequencies (for the youngest only) it is
    linear over log f; for a sound without a frequency it is the largest value.
    """
    if sound.age_group != "infant":
        return 0.0
    known: dict[float, float] = {}
    for hz in TABLE_HZ:
        rows = [row for row in tables.rows if row.relative_to == "air" and row.is_for("tone-burst", hz, "bone", None)]
        means = [_normal_mean(tables, replace(sound, frequency_hz=hz), route, 0.0)[0] for route in ("air", "bone")]
        if rows:
            known[hz] = max(row.correction_db for row in rows)
        elif not any(math.isnan(mean) for mean in means):
            known[hz] = max(0.0, means[0] - means[1])
    at_hz = sound.frequency_hz
    if not known or at_hz is None:
        return max(known.values(), default=0.0)
    exact = next((db for hz, db in known.items() if same_hz(hz, at_hz)), math.nan)
    if math.isnan(exact) and _is_young(sound):
        return float(np.interp(math.log(at_hz), [math.log(hz) for hz in known], list(known.values())))
    return 0.0 if math.isnan(exact) else exact


def _too_much(
    noise_by: str, tables: HearingTables, sound: Sound, ears: KnownEars, notes: list[str]
) -> tuple[float, float]:
    """Highest level of the noise in dB EM that is known to be harmless, and highest level that no measurement excludes.

    Noise that crosses back has no effect up to the tested ear's threshold by bone. A sound that is known to be louder at that
    cochlea is hidden by noise from `MARGIN_DB` below the sound on. Noise crosses back by bone, so all levels here are on that
    scale.
    """
    wanted = sound.attenuation_set
    knows = any(wanted == entry.set and noise_by in entry.transducer for entry in tables.interaural)
    back = _attenuation(tables, sound, noise_by, wanted if knows else None)
    harmless = UNKNOWN_BONE_DB if math.isnan(ears.tested_bone_db) else ears.tested_bone_db
    gap = 0.0 if sound.route == "bone" else _gap(ears.tested_air_db, ears.tested_bone_db)
    if not math.isnan(gap):
        harmless = max(harmless, sound.level_db_nhl - gap - MARGIN_DB)
    else:
        notes.append(
            f"the {sound.ear} ear may have an air-bone gap, so that little reaches its cochlea: with its thresholds by air and "
            "by bone known, more noise may be safe"
        )
    attenuation = back.at(sound.frequency_hz)
    notes.append(f"noise comes back {attenuation:g} dB weaker, set {back.set}: {back.source} ({back.status})")
    limit = INFANT_LIMIT_DB if sound.age_group == "infant" else HIGHEST_DB_EM
    if sound.age_group == "infant" and harmless + attenuation > INFANT_LIMIT_DB:
        notes.append(f"{INFANT_LIMIT_DB:g} dB at most for babies: British Society of Audiology, October 2025, note 4 (verified)")
    highest = min(harmless + attenuation, limit)
    return highest, limit if math.isnan(gap) else highest


def _bone_notes(tables: HearingTables, sound: Sound) -> list[str]:
    notes = []
    hz = sound.frequency_hz
    for entry in tables.white_noise:
        if hz is not None and same_hz(hz, entry.frequency_hz) and entry.fits_age(sound.age_group, sound.age_months):
            more = sound.level_db_nhl - entry.level_db_nhl
            moved = f"; this run is {abs(more):g} dB {'above' if more > 0 else 'below'} that" if more else ""
            notes.append(
                f"to compare: {entry.mean_db_spl:g} (SD {entry.sd_db:g}) dB SPL of white noise in both ears removed the response "
                f"to {entry.level_db_nhl:g} dB nHL by bone, {entry.source} ({entry.status}){moved}"
            )
    if sound.age_group == "infant" and hz is not None:
        told = "in 90 % of infants" if any(same_hz(hz, one) for one in TWO_CHANNEL_HZ) else "not reliably"
        notes.append(
            f"which side answers shows at {hz:g} Hz {told} in EEG channels of both sides (Small & Love 2014, verified; "
            "steady-state responses)"
        )
    return notes


def _sentence(advice: MaskingAdvice, sound: Sound, purpose: Purpose) -> str:
    other = sound.other
    if not advice.due:
        spare = advice.other_bone_db - advice.crossing_db
        return f"{sound.where}: no masking due; the {other} ear would have to hear {spare:.0f} dB better to answer."
    if purpose == "growth":
        return (
            f"{sound.where}: flagged, the {other} ear may hear this stimulus too. A run made only for the "
            "latency/amplitude-intensity function does not establish a threshold and does not need masking, but a part of its "
            "response may be the other ear's. For a threshold at this level, mask."
        )
    if sound.noise_by is None:
        return f"{sound.where}: mask the {other} ear, it may hear this stimulus too. For a level, name the earphone of the noise."
    if advice.dilemma:
        return (
            f"{sound.where}: the {other} ear may hear this stimulus too, but noise that is enough ({advice.lowest_db_em:.0f} dB "
            f"EM) is more than the {sound.ear} ear may get ({advice.most_db_em:.0f} dB EM). No level does both; "
            "more known thresholds, or inserts for the noise, leave more room. Otherwise the ears cannot be told apart here: for "
            "a licensed professional to weigh."
        )
    if advice.lowest_db_em > advice.highest_db_em:
        return (
            f"{sound.where}: mask the {other} ear, it may hear this stimulus too. Noise of {advice.noise_db_em:.0f} dB EM by "
            f"{sound.noise_by}: with less, the {other} ear may still answer. If the {sound.ear} ear has an air-bone gap, more "
            f"than {advice.highest_db_em:.0f} dB EM may hide it: no response then proves nothing."
        )
    return (
        f"{sound.where}: mask the {other} ear, it may hear this stimulus too. Noise of {advice.range_words} by {sound.noise_by}: "
        f"with less, the {other} ear may still answer; with more, the noise may hide the {sound.ear} ear."
    )
