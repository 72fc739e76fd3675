"""Export of runs as tables: samples, averages, and events."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from quietfloor.monitor.export.material import ExportError, Material
from quietfloor.monitor.storage.run_folder import AVERAGE_COLUMNS
from quietfloor.stimuli.levels import stated_level

ROWS = 65536  # at a time
EVENTS = (
    "onset", "duration", "trial_type", "sample", "stimulus", "ear", "frequency", "level", "level_unit", "polarity", "status",
    "reason", "unit", "cell", "text",
)  # fmt: skip
OF_CELLS = ("cell", "ear", "stimulus", "frequency_hz", "level", "level_unit", "time_ms", "average_uv", "a_uv", "b_uv")


def raw_csv(material: Material) -> Iterator[bytes]:
    """Yield every sample as recorded, in the units of the stream, with its stamp; lost samples are not replaced."""
    units = [f" [{unit}]" if unit else "" for unit in material.stream.units]
    labels = [channel.label + unit for channel, unit in zip(material.channels, units, strict=True)]
    yield _lines([["sample", "stamp_s", *(no_formula(_clean(label)) for label in labels)]], ",")
    for start in range(0, len(material.stamps_s), ROWS):
        piece = slice(start, start + ROWS)
        stamps = [repr(stamp) for stamp in material.stamps_s[piece].tolist()]
        columns = [material.samples[index, piece].astype(str).tolist() for index in range(len(material.channels))]
        yield _lines(zip(range(start, start + len(stamps)), stamps, *columns, strict=True), ",")


def averages_csv(material: Material) -> bytes:
    """Averages of all EEG channels, one below the other; columns as in average.csv. Of a recording with several cells those of
    its cells, of the deciding channel. Raises ExportError where there are none."""
    if material.cells:
        return _cells_csv(material)
    if material.engine is None:
        raise ExportError(f"{material.folder.path} has no averages: {'; '.join(material.cautions)}")
    now, layout = material.engine.average_now(), material.engine.settings.layout
    rows: list[list[Any]] = [["channel", *AVERAGE_COLUMNS]]
    for place, index in enumerate(layout.eeg):
        curves = (now.times_ms, *now.columns_uv(place))
        rows += [
            [no_formula(_clean(layout.labels[index])), *("" if math.isnan(value) else repr(value) for value in row)]
            for row in np.column_stack(curves).tolist()
        ]
    return _lines(rows, ",")


def _cells_csv(material: Material) -> bytes:
    kept = () if material.search is None else material.search.cells
    rows: list[list[Any]] = [list(OF_CELLS)]
    for cell in kept:
        if cell.columns is None or cell.number >= len(material.cells):
            continue
        label = material.cells[cell.number]
        said = [cell.number, label.ear, label.stimulus, *map(_cell, (label.frequency_hz, label.level, label.level_unit))]
        curves = np.column_stack(list(cell.columns.values())).tolist()
        rows += [[*said, *("" if math.isnan(value) else repr(value) for value in row)] for row in curves]
    if len(rows) == 1:
        raise ExportError(f"{material.folder.path} has no averages of its cells; of a killed run `quietfloor finish` makes them")
    return _lines(rows, ",")


def events_rows(material: Material) -> list[list[str]]:
    """All that happened, a row each; what is unknown is "n/a". ``sample`` counts from 0 in a file without gaps (see timeline)."""
    rate_hz = material.stream.rate_hz
    sound = material.record.get("stimulus")
    said = sound if isinstance(sound, dict) else {}
    level, unit = stated_level(said) or (None, None)
    places = material.timeline.places(np.array([one.position for one in material.happenings], dtype=np.float64))
    rows = []
    for one, place in zip(material.happenings, places.tolist(), strict=True):
        at = place - one.lost
        kind = one.kind
        shown: tuple[Any, ...] = (None,) * 5
        if one.cell is not None:
            label = material.cells[one.cell]
            kind, shown = label.tag, (label.stimulus, label.ear, label.frequency_hz, label.level, label.level_unit)
        elif kind == "stimulus" and not material.cells:
            shown = (said.get("stimulus"), said.get("ear"), said.get("frequency_hz"), level, unit)
        lasts = (one.lost or one.lasts) / rate_hz
        told = (one.polarity, one.status, one.reason, one.unit, one.cell, one.text or None)
        rows.append([f"{at / rate_hz:.7f}", f"{lasts:.7g}", kind, str(round(at)), *map(_cell, (*shown, *told))])
    return rows


def events_csv(material: Material) -> bytes:
    return _lines([list(EVENTS), *([no_formula(cell) for cell in row] for row in events_rows(material))], ",")


def tsv(rows: list[list[str]]) -> bytes:
    """Tab-separated text; no cell contains a tab, a line break or a formula."""
    return "".join("\t".join(no_formula(_clean(cell)) for cell in row) + "\n" for row in rows).encode()


def _cell(value: Any) -> str:
    return "n/a" if value is None else f"{value:g}" if isinstance(value, float) else _clean(str(value))


def _clean(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text).strip() or "n/a"


def no_formula(cell: str) -> str:
    """Protect a cell against use as a formula: text that begins with one of these signs, and is no number, gets an apostrophe in
    front."""
    if not cell.startswith(("=", "+", "-", "@")):
        return cell
    try:
        float(cell)
    except ValueError:
        return "'" + cell
    return cell


def _lines(rows: Any, delimiter: str) -> bytes:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()
