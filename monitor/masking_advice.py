"""When is noise in the other ear due, how much of it, and when does it become too much; pure.

A sound reaches the other cochlea weaker by the attenuation between the ears. Where it may still be heard there, a response is not
known to be the tested ear's. Noise in the other ear settles that; too much of it crosses back and hides the tested ear as well.

All levels are on one scale: a brief sound of L dB nHL is hidden by noise of L dB effective masking at the same cochlea, with
`MARGIN_DB` for safety; for babies by bone the noise is louder by as much as they answer to bone below air. The noise that
removed responses by bone in Lau & Small 2020 was between 12 dB less and 5 dB more than what this asks for, whichever coupler and
bandwidth it had (computed in the tests). It is advice to start from, no proof that the other ear was silent.

A run that is made only to see growth from one level to the next does not establish a threshold. It does not need masking, but its
response may hold a part of the other ear's; the advice flags that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from monitor.hearing import EAR_WORDS
from monitor.hearing_tables import HearingError, HearingTables, Interaural, same_hz
from stimuli.calibration import BONE, EARS
from stimuli.levels import HIGHEST_DB_NHL, LOWEST_DB_NHL
from stimuli.masking import HIGHEST_DB_EM

Purpose = Literal["threshold", "growth"]

MARGIN_DB = 10.0  # common practice: above the level that would just do, and below the one that would just hide
UNKNOWN_BONE_DB = 0.0  # own choice, cautious: how well a cochlea may hear where nothing is known of it
UNKNOWN_BONE_INFANT_DB = -14.0  # the lowest published mean of newborns by bone: 500 Hz, Cone-Wesson et al. 1997 (verified)
NO_OCCLUSION_GAP_DB = 20.0  # such a gap leaves nothing for an earphone to add: Martin et al. 1974 (secondary)
INFANT_LIMIT_DB = 85.0  # never above, babies with inserts: British Society of Audiology, October 2025, note 4 (verified)
TWO_CHANNEL_HZ = (500.0, 4000.0)  # where 90 % of infants show which side answers: Small & Love 2014 (verified, steady-state data)


@dataclass(frozen=True)
class KnownEars:
    """Thresholds that are known already, in dB nHL of the same kind of sound; nan: unknown. The other ear is to get the noise."""

    other_bone_db: float = math.nan
    other_air_db: float = math.nan
    tested_bone_db: float = math.nan
    tested_air_db: float = math.nan


@dataclass(frozen=True)
class Sound:
    """What a run plays, and to whom. `noise_transducer`: the other ear's earphone; by air the same one if None.

    `attenuation_set` names a set of the tables; None: the smallest of all sets counts. Raises HearingError.
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
    """`due`: the sound may be heard by the other ear. `needed`: due, and the run is to establish a threshold.

    `crossing_db`: level at the other cochlea. Noise from `lowest_db_em` (margin included; nan where none is due) to
    `highest_db_em` (above it, it may hide the tested ear); both nan where its earphone is not known. `dilemma`: there is no level
    between the two.
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

    @property
    def dilemma(self) -> bool:
        return self.lowest_db_em > self.highest_db_em

    def judge(self, masking_db_em: float | None) -> str:
        """Words for the noise that a run had; None for no noise, nan for noise of unknown level."""
        if masking_db_em is None:
            if self.needed:
                return "no masking, although it was due: this response is not known to be the tested ear's"
            return "no masking; due for a threshold, not for growth alone" if self.due else "no masking, and none was due"
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
        if masking_db_em > self.highest_db_em:
            told.append(f"more than {self.highest_db_em:.0f} dB EM: it may have hidden the tested ear")
        return f"{noise}, {'; '.join(told) or f'within {self.range_words}'}"

    @property
    def range_words(self) -> str:
        return f"{self.lowest_db_em:.0f} to {self.highest_db_em:.0f} dB EM"


def advise(
    tables: HearingTables, sound: Sound, purpose: Purpose = "threshold", known: KnownEars | None = None
) -> MaskingAdvice:
    """For one run. Raises HearingError where the tables know no attenuation for it."""
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
    lowest = highest = math.nan
    if sound.noise_by is not None:
        if due:
            lowest = _enough(sound.noise_by, tables, sound, ears, crossing, other_bone, notes)
        highest = _too_much(sound.noise_by, tables, sound, ears, notes if due else [])
    if due and sound.route == "bone":
        notes += _bone_notes(tables, sound)
    facts = MaskingAdvice(
        due, due and purpose == "threshold", crossing, attenuation, other_bone, lowest, highest, "", tuple(notes)
    )
    sentence = _sentence(facts, sound, purpose)
    return MaskingAdvice(
        facts.due, facts.needed, crossing, attenuation, other_bone, lowest, highest, sentence, facts.notes
    )


def _attenuation(tables: HearingTables, sound: Sound, transducer: str, wanted: str | None) -> Interaural:
    """The smallest that is published for this, or that of the wanted set. A narrower age goes first where the age is known,
    and is left aside where it is not: older skulls attenuate less by bone."""
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
    if not math.isnan(ears.other_bone_db):
        return ears.other_bone_db, "as measured"
    if sound.age_group != "infant":
        return UNKNOWN_BONE_DB, "assumed: nothing is known of it"
    means = [
        (normal.at(sound.frequency_hz), normal)
        for normal in tables.normals
        if (normal.kind, normal.route) == ("mean", "bone") and normal.fits_age(sound.age_group, sound.age_months)
    ]
    published = [pair for pair in means if not math.isnan(pair[0])]
    if published:
        level, normal = min(published, key=lambda pair: pair[0])
        return level, f"assumed as the mean of normal ears: {normal.source} ({normal.status})"
    return UNKNOWN_BONE_INFANT_DB, "assumed: nothing is known for this sound and age, the lowest mean of newborns stands in"


def _enough(
    noise_by: str, tables: HearingTables, sound: Sound, ears: KnownEars, crossing: float, other_bone: float, notes: list[str]
) -> float:
    gap = max(0.0, ears.other_air_db - other_bone) if not math.isnan(ears.other_air_db) else 0.0
    if math.isnan(ears.other_air_db):
        notes.append(f"{sound.other} ear taken to have no air-bone gap: with one, the noise must be louder by as much")
    elif gap > 0.0:
        notes.append(f"{gap:g} dB more noise for the air-bone gap of the {sound.other} ear")
    closed = 0.0
    if sound.route == "bone" and sound.age_group != "infant" and gap < NO_OCCLUSION_GAP_DB:
        effect = next((entry for entry in tables.occlusion if noise_by in entry.transducer), None)
        closed = 0.0 if effect is None else effect.at(sound.frequency_hz)
        if effect is not None and closed > 0.0:
            notes.append(f"{closed:g} dB more noise for the ear that the earphone closes: {effect.source} ({effect.status})")
    louder = _bone_below_air_db(tables, sound)
    if louder > 0.0:
        notes.append(f"{louder:g} dB more noise, by as much as babies under three months answer to bone below air")
    return crossing + gap + closed + louder + MARGIN_DB


def _bone_below_air_db(tables: HearingTables, sound: Sound) -> float:
    """How much louder a level by bone is at a baby's cochlea than the same level by air; 0 where nothing is published.

    That of babies under three months for all infants: too much noise is safer to notice here than too little.
    """
    if sound.route != "bone" or sound.age_group != "infant":
        return 0.0
    hz = sound.frequency_hz
    rows = [row for row in tables.rows if row.relative_to == "air" and row.is_for("tone-burst", hz, "bone", sound.transducer)]
    return max((row.correction_db for row in rows), default=0.0)


def _too_much(noise_by: str, tables: HearingTables, sound: Sound, ears: KnownEars, notes: list[str]) -> float:
    """Up to the tested ear's threshold by bone, noise that crosses back changes nothing; it hides a sound that is known to be
    louder at that cochlea from `MARGIN_DB` below the sound on."""
    wanted = sound.attenuation_set
    knows = any(wanted == entry.set and noise_by in entry.transducer for entry in tables.interaural)
    back = _attenuation(tables, sound, noise_by, wanted if knows else None)
    harmless = UNKNOWN_BONE_DB if math.isnan(ears.tested_bone_db) else ears.tested_bone_db
    if sound.route == "bone":
        harmless = max(harmless, sound.level_db_nhl + _bone_below_air_db(tables, sound) - MARGIN_DB)
    elif not math.isnan(ears.tested_bone_db) and not math.isnan(ears.tested_air_db):
        harmless = max(harmless, sound.level_db_nhl - max(0.0, ears.tested_air_db - ears.tested_bone_db) - MARGIN_DB)
    else:
        notes.append(
            f"the {sound.ear} ear may have an air-bone gap, so that little reaches its cochlea: with its thresholds by air and "
            "by bone known, more noise may be safe"
        )
    attenuation = back.at(sound.frequency_hz)
    notes.append(f"noise comes back {attenuation:g} dB weaker, set {back.set}: {back.source} ({back.status})")
    if sound.age_group == "infant" and harmless + attenuation > INFANT_LIMIT_DB:
        notes.append(f"{INFANT_LIMIT_DB:g} dB at most for babies: British Society of Audiology, October 2025, note 4 (verified)")
        return INFANT_LIMIT_DB
    return min(harmless + attenuation, HIGHEST_DB_EM)


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
            f"{sound.where}: flagged, the {other} ear may hear this sound too. A run made only to see growth does not establish "
            "a threshold and does not need masking, but a part of its response may be the other ear's. For a threshold at this "
            "level, mask."
        )
    if sound.noise_by is None:
        return f"{sound.where}: mask the {other} ear, it may hear this sound too. For a level, name the earphone of the noise."
    if advice.dilemma:
        return (
            f"{sound.where}: the {other} ear may hear this sound too, but noise that is enough ({advice.lowest_db_em:.0f} dB EM) "
            f"is more than is known to be safe for the {sound.ear} ear ({advice.highest_db_em:.0f} dB EM). No level does both; "
            "more known thresholds, or inserts for the noise, leave more room. Otherwise the ears cannot be told apart here: for "
            "a licensed professional to weigh."
        )
    return (
        f"{sound.where}: mask the {other} ear, it may hear this sound too. Noise of {advice.range_words} by {sound.noise_by}: "
        f"with less, the {other} ear may still answer; with more, the noise may hide the {sound.ear} ear."
    )
