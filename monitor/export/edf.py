"""Export as BDF+ (24 bits) and EDF+ (16 bits, only if nothing is lost), written by edfio.

In both formats the time of a sample follows from its number, in whole records of fixed length. Therefore lost samples are
replaced (see ``timeline``), and the last record is padded. Annotations mark both, and every onset.
"""

from __future__ import annotations

import datetime
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from io import BufferedWriter
from typing import Any, Literal

import numpy as np

from quietfloor.monitor.export.material import ACCEPTED, CellLabel, Channel, ExportError, Happening, Material
from quietfloor.monitor.export.scale import Scale, ScaleError, scale_for
from quietfloor.monitor.export.tables import no_formula
from quietfloor.monitor.export.timeline import held

Kind = Literal["bdf", "edf"]
LONGEST_RECORD_S = 100
MOST_ANNOTATION_BYTES = 2**28  # own choice: every record has room for as many annotations as the fullest one
TICK_DIGITS = 7  # of a second: finest time that readers of annotations keep
CODES = ("trigger", "status")  # readers take channels of these names for whole numbers that are event codes
# What begins with BAD is left out by analyses that know annotations by name.
WORDS = {
    "sound_broken": "BAD sound: ",
    "gap": "BAD gap: ",
    "clock": "BAD clock: ",
    "not_finite": "BAD values: ",
    "note": "note: ",
    "marker": "",
}


@dataclass(frozen=True)
class Written:
    """Result of writing a run."""

    record_s: float
    records: int
    padding_samples: int
    filled_samples: int
    channels: tuple[dict[str, Any], ...]


def write_edf(material: Material, file: BufferedWriter, kind: Kind) -> Written:
    """Write a run as BDF+ or EDF+. Raises ExportError."""
    edfio = _edfio()
    rate_hz = material.stream.rate_hz
    record_s, per_record = record_length(rate_hz)
    records = math.ceil(material.timeline.length / per_record)
    length = records * per_record
    make = edfio.BdfSignal if kind == "bdf" else edfio.EdfSignal
    signals, told = [], []
    labels = short_labels(material.channels)
    for index, channel in enumerate(material.channels):
        raw = material.samples[index]
        finite = held(raw) if raw.dtype.kind == "f" else raw
        if kind == "edf" and finite is not raw:
            raise _no_edf(channel, "holds values that are no numbers, which EDF cannot say")
        try:
            scale = scale_for(finite, channel.factor, channel.unit, kind)
        except ScaleError as error:
            if kind == "edf":
                raise _no_edf(channel, str(error)) from error
            raise ExportError(f"channel {channel.label} {error}: use --to xdf or csv") from error
        digital = scale.digitised(finite.astype(np.float64) * channel.factor)
        whole = material.timeline.spread(digital, length)
        label = _not_for_codes(labels[index], channel, scale)
        signals.append(
            make.from_digital(
                whole if kind == "bdf" else whole.astype(np.int16), rate_hz, label=label,
                physical_dimension=_ascii(scale.unit, 8), physical_range=scale.physical, digital_range=scale.digital,
                prefiltering="none by quietfloor",
            )
        )  # fmt: skip
        told.append({"label": channel.label, "written_as": label, "unit": scale.unit, "step": scale.step, "exact": scale.exact})
    notes = list_annotations(material, length)
    _check_room(notes, record_s, records)
    try:
        whole_file = (edfio.Bdf if kind == "bdf" else edfio.Edf)(
            signals, patient=edfio.Patient(code=_word(material.subject.pseudonym if material.subject else "")),
            recording=edfio.Recording(startdate=_date(material), equipment_code="quietfloor"), starttime=_time(material),
            data_record_duration=record_s, annotations=[edfio.EdfAnnotation(*note) for note in notes],
        )  # fmt: skip
        whole_file.write(file)
    except ValueError as error:
        raise ExportError(f"{material.folder.path} does not fit into {kind.upper()} ({error}): use --to xdf or csv") from error
    return Written(float(record_s), records, length - material.timeline.length, material.timeline.filled, tuple(told))


def record_length(rate_hz: float) -> tuple[int, int]:
    """Number of whole seconds that contain a whole number of samples, and that number. Raises ExportError."""
    for seconds in range(1, LONGEST_RECORD_S + 1):
        samples = seconds * Decimal(repr(rate_hz))  # as it was written, not as it is held
        if samples == int(samples):
            return seconds, int(samples)
    raise ExportError(
        f"{rate_hz:g} Hz: no record of up to {LONGEST_RECORD_S} s holds a whole number of samples, as BDF and EDF need: use "
        "--to xdf or csv"
    )


def list_annotations(material: Material, length: int) -> list[tuple[float, float | None, str]]:
    """Annotations (onset in s, duration in s, text) of all events, by the samples of the file; its padding is the last one."""
    timeline, rate_hz = material.timeline, material.stream.rate_hz
    places = timeline.places(np.array([one.position for one in material.happenings], dtype=np.float64))
    found = []
    for one, place in zip(material.happenings, places, strict=True):
        lasts, words = one.lost or one.lasts, describe(one, material.cells)
        found.append((_tick((float(place) - one.lost) / rate_hz), _tick(lasts / rate_hz) if lasts else None, words))
    if length > timeline.length:
        padding = length - timeline.length
        found.append((_tick(timeline.length / rate_hz), _tick(padding / rate_hz), f"BAD end: {padding} samples of padding"))
    return found


def describe(one: Happening, cells: Sequence[CellLabel] = ()) -> str:
    """The text of an annotation; a sweep of a recording with several cells has the tag of its own."""
    if one.kind != "stimulus":
        return "".join(c if c.isprintable() else " " for c in WORDS[one.kind] + one.text).strip()
    name = "stimulus" if one.cell is None else cells[one.cell].tag
    if one.status == ACCEPTED:
        return name
    return f"{name}, {one.status}" + (f": {one.reason}" if one.reason else "")


def short_labels(channels: tuple[Channel, ...]) -> list[str]:
    """Unique labels of up to 16 ASCII letters."""
    found: list[str] = []
    for number, channel in enumerate(channels, 1):
        label = _ascii(no_formula(channel.label), 16) or f"channel {number}"
        if label in found or label in ("BDF Annotations", "EDF Annotations"):
            label = f"{label[:11]} #{number}"
        found.append(label)
    return found


def _not_for_codes(label: str, channel: Channel, scale: Scale) -> str:
    plain = scale.exact and channel.factor == 1.0 and scale.step == 1.0
    return label if plain or label.lower() not in CODES else f"{label} analogue"


def _no_edf(channel: Channel, why: str) -> ExportError:
    return ExportError(
        f"channel {channel.label} {why}, and EDF is written only where it loses nothing: use --to bdf, which has 24 bits"
    )


def _check_room(notes: list[tuple[float, float | None, str]], record_s: float, records: int) -> None:
    fullest = np.bincount([min(records - 1, int(at // record_s)) for at, _, _ in notes] or [0], minlength=1,
                          weights=[len(text.encode()) + 40 for _, _, text in notes] or [0]).max()  # fmt: skip
    if fullest * records > MOST_ANNOTATION_BYTES:
        raise ExportError(
            f"{fullest:,.0f} bytes of annotations fall into {record_s:g} s, and each of {records:,} records would need room for "
            "as many: use --to xdf or csv"
        )


def _tick(seconds: float) -> float:
    return round(max(0.0, seconds), TICK_DIGITS)


def _ascii(text: str, length: int) -> str:
    plain = unicodedata.normalize("NFKD", text.replace("µ", "u").replace("μ", "u")).encode("ascii", "replace").decode()
    return "".join(c if c.isprintable() else "?" for c in plain)[:length].strip()


def _word(text: str) -> str:
    return "_".join(_ascii(text, 60).split()) or "X"


def _date(material: Material) -> datetime.date | None:
    started = material.started
    return started.date() if started is not None and 1985 <= started.year <= 2084 else None


def _time(material: Material) -> datetime.time | None:
    return material.started.time().replace(microsecond=0) if material.started is not None else None


def _edfio() -> Any:
    try:
        import edfio
    except ImportError as error:
        raise ExportError("BDF and EDF need edfio, which is missing: python -m pip install edfio") from error
    return edfio
