"""The words on the screen, each explained in one sentence: tooltips and the list behind F1."""

from __future__ import annotations

import re
from collections.abc import Iterator

# Order matters: a longer term comes before one that it contains. The pattern finds the term in a text, whatever its case.
TERMS: tuple[tuple[str, str, str], ...] = (
    (
        "evidence",
        r"\bevidence\b",
        "How strongly the recording speaks for a response, as a power of ten: at 2 the odds that noise alone would ever "
        "get there are at most 1 in 100, however often one looks.",
    ),
    (
        "residual noise",
        r"\bnoise\b(?! (in the|due|of up to))",
        "What is left of the brain's and the room's own activity in the average, in billionths of a volt; it halves when "
        "four times as many sweeps are averaged.",
    ),
    (
        "nV, µV",
        r"\bnV\b|µV",
        "Nanovolt and microvolt, billionths and millionths of a volt: EEG has some µV, a response to a stimulus some hundred "
        "nV.",
    ),
    (
        "noise floor",
        r"\bfloor\b",
        "The residual noise at which the average is quiet enough to believe that a response is missing.",
    ),
    (
        "sweep",
        r"\bsweeps?\b",
        "The stretch of EEG around one stimulus; many are averaged, because a single one is mostly noise.",
    ),
    (
        "rejected",
        r"\brejected\b",
        "Sweeps that are not averaged because something disturbed them, with the reason.",
    ),
    (
        "decision expected",
        r"\bdecision (expected|in)\b",
        "The time in which 8 of 10 such runs end, from what is known now.",
    ),
    (
        "the sweeps run out",
        r"\bsweeps run out\b",
        "The largest number of sweeps comes before a decision: more sweeps, a quieter person, better electrodes or a higher "
        "level would help.",
    ),
    (
        "averaging on, quiet enough",
        r"\baveraging on\b|\bquiet enough\b",
        "A response is there already; the run goes on until the noise is low enough for its waves to be read.",
    ),
    (
        "look",
        r"\blook \d|\blooks?\b",
        "One glance at the average, after every 16 or 32 sweeps; the error rate holds for all looks together.",
    ),
    (
        "processing lag",
        r"\bprocessing lag\b",
        "How long samples wait before they are processed; some tens of milliseconds are usual.",
    ),
    (
        "timing not verified",
        r"\btiming not verified\b",
        "The delay between sound and EEG was not measured on this equipment by a loop, so times in ms may be off by a "
        "fixed amount.",
    ),
    (
        "dB nHL",
        r"\bdB nHL\b",
        "Level above the softest such stimulus that young people with normal hearing detect.",
    ),
    (
        "dB p-p.e. SPL",
        r"\bdB p-p\.e\. SPL\b",
        "Peak-to-peak equivalent level: the sound pressure level of a long tone with the same peak-to-peak value; it says "
        "how strong the sound is, not how well it is heard.",
    ),
    (
        "dB re full scale",
        r"\bdB re full scale\b",
        "Level below the loudest that the output can make: without a calibration nobody knows how loud that is at the "
        "ear.",
    ),
    (
        "muted",
        r"\bmuted\b",
        "A control run: the trigger comes, the stimulus does not.",
    ),
    (
        "click",
        r"\bclick\b",
        "A pulse of 0.1 ms that excites the whole cochlea at once.",
    ),
    (
        "stimuli a second",
        r"\d/s\b",
        "How often the stimulus is repeated; a rate that divides the mains frequency would keep hum in the average.",
    ),
    (
        "wave V",
        r"\bwave V\b",
        "The largest wave of the response, 5 to 10 ms after the stimulus by its level, followed by a trough.",
    ),
    (
        "noise band",
        r"\bnoise band\b",
        "The average plus and minus 1.96 times the residual noise: the pointwise 95 % confidence band of the true curve.",
    ),
    (
        "scale fixed",
        r"\bscale fixed\b",
        "One amplitude has the same height in every average, whatever the curves are; Y lets the scale fit the curves again.",
    ),
    (
        "odd and even half",
        r"\bhalves\b|\b(odd|even) half\b",
        "Averages of the odd and of the even groups of 16 sweeps: what both show is not chance.",
    ),
    (
        "r, correlation of the halves",
        r"\br [−-]?\d",
        "Correlation of the odd and the even half over the response window: 1 is the same shape, 0 is none in common.",
    ),
    (
        "plus-minus",
        r"\bplus-minus\b",
        "The average with every second group of sweeps turned upside down: the response cancels, the noise stays.",
    ),
    (
        "not judged",
        r"\bnot judged\b",
        "The first millisecond may hold electrical pick-up from the earphone, so no decision rests on it.",
    ),
    (
        "trigger",
        r"\btriggers?\b",
        "The electric pulse in a channel of its own that marks each stimulus in the EEG; ticks appear once their group of 16 "
        "sweeps was judged.",
    ),
    (
        "Hz band",
        r"\d to \d+ Hz\b",
        "The pass band: slower and faster activity is filtered out, without moving anything in time.",
    ),
    (
        "1/√N",
        r"1/√N",
        "Noise that is independent from sweep to sweep falls with the square root of their number; a track above the line "
        "means that something repeats.",
    ),
    (
        "something repeats with the stimulus",
        r"\brepeats with the stimulus\b",
        "Mains hum or a rhythm is time-locked to the stimulus, so averaging does not remove it.",
    ),
    (
        "spread between units",
        r"\bbetween units\b",
        "Groups of 16 sweeps differ more than the sweeps within them tell, so the noise is taken from that; one look in 1,000 "
        "does so by chance.",
    ),
    (
        "sweep limit",
        r"\bsweep limit\b",
        "The number of sweeps at which the run ends undecided.",
    ),
    (
        "no response larger than",
        r"\bno response larger than\b",
        "If there is a response, it is no larger than this from peak to trough: true in 95 of 100 runs, whenever they end.",
    ),
    (
        "false alarm",
        r"\bfalse alarms?\b",
        "A run without any response that ends with response present.",
    ),
    (
        "threshold",
        r"\bthresholds?\b",
        "The softest level at which a response is large enough to be told from none.",
    ),
    (
        "95 % interval",
        r"95 %:",
        "Where the threshold lies, made to be right in 95 of 100 searches.",
    ),
    (
        "which ear?",
        r"\bwhich ear\b",
        "A response that the other ear may have given, since the sound was loud enough to reach it and it had no masking noise.",
    ),
    (
        "masking",
        r"\bmasking\b|\bnoise (is )?(due|advised|given)\b",
        "Noise in the ear that is not tested, so that it does not answer for the other.",
    ),
    (
        "dB EM",
        r"\bdB EM\b",
        "Level of effective masking: noise of 40 dB EM raises the hearing threshold of that ear to 40 dB HL.",
    ),
    (
        "set aside",
        r"\bset aside\b",
        "A level, ear or sound that the search leaves out from now on; what was recorded of it is kept.",
    ),
    (
        "discarded",
        r"\bdiscarded\b",
        "A person decided that this run does not count; its recording is kept, and it can be made to count again.",
    ),
    (
        "replicate",
        r"\breplicates?\b|\btwice\b|\btimes\b",
        "The same level measured again: a result that comes twice is worth more.",
    ),
)


def explained(text: str) -> Iterator[tuple[str, str]]:
    """Each term in a text, with its sentence."""
    for term, pattern, meaning in TERMS:
        if re.search(pattern, text, flags=re.IGNORECASE):
            yield term, meaning


def tooltip(text: str, about: str = "") -> str:
    """Rich text for a tooltip: what the thing is ``about``, then the terms of its text."""
    parts = [f"<p>{about}</p>"] if about else []
    parts += [f"<p><b>{term}</b>: {meaning}</p>" for term, meaning in explained(f"{about} {text}")]
    return f"<qt>{''.join(parts)}</qt>" if parts else ""
