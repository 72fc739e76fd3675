"""A search, read off its run folder: its answers, the averages of its cells, and the order in which levels were played.

Each file is read for itself: what one that is damaged or gone would have told is said, and the rest stays.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.search.fitted import Fitted
from quietfloor.monitor.search.record import COLUMNS
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.storage.record_schema import is_number
from quietfloor.monitor.storage.run_folder import LARGEST_UV, RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of, text_of
from quietfloor.monitor.waves.expected import default_window_ms
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.trace import Averages

# Own choice, wider than anything that a search writes: levels of a plan end at 120 dB nHL, its frequencies at 20 kHz.
LARGEST_DB, HZ, NOISE_NV = 200.0, (20.0, 100_000.0), (1e-3, 1e9)
MOST_BYTES = 64_000_000  # of cells.csv; own choice: 128 cells of 24 ms at 16 kHz have 6 MB

Beyond = Literal["above", "below"]


@dataclass(frozen=True)
class SearchedCell:
    """One level of a condition. ``number``: in the table of cells. nan: not known; ``masking_db_em`` None: no noise.

    ``columns``: those of cells.csv, (n_times,) each; None where there are none. ``marks``: placed by hand.
    """

    number: int
    level_db_nhl: float
    presented: int
    accepted: int
    evidence: float
    residual_noise_nv: float
    upper_limit_nv: float
    masking_db_em: float | None = None
    columns: Mapping[str, Floats] | None = None
    marks: Marks | None = None


@dataclass(frozen=True)
class SearchedCondition:
    """The answer of one condition, levels in dB nHL, nan where there is none; ``cells`` softest level first.

    ``beyond``: the threshold lies above or below all levels. ``finished``: the search had nothing left to ask here.
    """

    condition: Condition
    threshold_db_nhl: float
    low_db_nhl: float
    high_db_nhl: float
    beyond: Beyond | None
    found_db_nhl: float
    finished: bool
    seconds: float
    words: str
    hidden: str
    cells: tuple[SearchedCell, ...]

    @property
    def title(self) -> str:
        return str(self.condition)


@dataclass(frozen=True)
class Played:
    """One unit: seconds of stream at its end, index of its condition, its level in dB nHL; None and nan for a pause, and for a
    unit that could not be read."""

    seconds: float
    condition: int | None
    level_db_nhl: float


@dataclass(frozen=True)
class Chosen:
    """A choice: when, the cell (None: over), why, and what was known of each condition then: nan is nothing, infinite what lies
    outside all levels."""

    seconds: float
    cell: int | None
    why: str
    low_db: tuple[float, ...]
    threshold_db: tuple[float, ...]
    high_db: tuple[float, ...]


@dataclass(frozen=True)
class Ordered:
    """What the operator, or the dose, wanted; ``refused``: why it was not followed, empty where it was."""

    seconds: float
    order: str
    condition: int | None
    level_db_nhl: float
    why: str
    refused: str


@dataclass(frozen=True)
class Search:
    """``missing``: what the files of this search do not tell, and why, in words. ``fits``: see `search_fit`; empty for none."""

    alpha: float
    width_db: float
    conditions: tuple[SearchedCondition, ...]
    played: tuple[Played, ...] = ()
    chosen: tuple[Chosen, ...] = ()
    ordered: tuple[Ordered, ...] = ()
    missing: tuple[str, ...] = ()
    fits: tuple[Fitted | None, ...] = ()

    def fit_of(self, place: int) -> Fitted | None:
        """What the model believes of wave V in a condition; None where that was not asked for, or is not known."""
        return self.fits[place] if self.fits else None

    def cell(self, number: int) -> tuple[SearchedCondition, SearchedCell]:
        """A cell by its number, with its condition. Raises ValueError."""
        for condition in self.conditions:
            for cell in condition.cells:
                if cell.number == number:
                    return condition, cell
        raise ValueError(f"cell {number}: this search has the cells 0 to {sum(len(one.cells) for one in self.conditions) - 1}")

    @property
    def cells(self) -> tuple[SearchedCell, ...]:
        return tuple(cell for one in self.conditions for cell in one.cells)


def read_search(folder: RunFolder, record: Mapping[str, Any]) -> Search | None:
    """The search of a run with this run.json, None for a run of another kind. What cannot be read is in ``missing``."""
    content = record.get("search")
    if content is None:
        return None
    try:
        found = _answers(content, record["stimulus"]["route"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        said = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        return Search(math.nan, math.nan, (), missing=(f"its answers in {folder.run.name} cannot be read: {said}",))
    missing: list[str] = []

    def attempt(what: str, read: Callable[[], Search]) -> Search:
        try:
            return read()
        except FileNotFoundError as error:
            missing.append(f"{what}: it holds no {error.filename and str(error.filename).rsplit('/', 1)[-1]}")
        except KeyError as error:
            missing.append(f"{what}: {error} is missing, or is not of this search")
        except (OSError, TypeError, ValueError, AttributeError, RecursionError) as error:
            missing.append(f"{what}: {error}")
        return found

    found = attempt("averages of its levels are not known", lambda: _with_averages(found, folder))
    found = attempt("marks on its levels are not known", lambda: _with_marks(found, folder))
    found = attempt("the order of its levels is not known", lambda: _with_events(found, folder, _rate_hz(record)))
    return replace(found, missing=tuple(missing))


def marks_name(cell: int) -> str:
    """Of the file with marks on the average of a cell, in the folder of its run."""
    return f"marks-cell-{cell}.json"


def sound_of(record: Mapping[str, Any], plan: Mapping[str, Any], one: SearchedCondition, cell: SearchedCell) -> dict[str, Any]:
    """``stimulus`` of run.json as a run of this cell alone would have it, as far as it matters to waves and masking."""
    begun = dict(record.get("stimulus") or {})
    masking = None
    if cell.masking_db_em is not None:
        masking = {**(begun.get("masking") or {}), "level_db_em": cell.masking_db_em, "level_db_fs": None}
    same = begun.get("kind") == one.condition.stimulus and not (plan.get("sound") or {}).get("chirp_by_level")
    return begun | {
        "ear": one.condition.ear, "route": one.condition.route, "kind": one.condition.stimulus,
        "frequency_hz": one.condition.frequency_hz, "level_db_nhl": cell.level_db_nhl, "masking": masking,
        "chirp_span_ms": begun.get("chirp_span_ms") if same else None,
    }  # fmt: skip


def window_of(plan: Mapping[str, Any], sound: Mapping[str, Any]) -> tuple[float, float]:
    """The response window in ms: that of the plan, of a search for such a sound; else the usual one."""
    window = (plan.get("analysis") or {}).get("window_ms")
    wanted = [sound.get(key) for key in ("ear", "kind", "frequency_hz")]
    for one in (plan.get("search") or {}).get("condition") or ():
        if [one.get(key) for key in ("ear", "stimulus", "frequency_hz")] == wanted:
            window = one.get("window_ms") or window
    if window is None:
        window = default_window_ms(sound.get("kind"), sound.get("frequency_hz"), sound.get("age_group"))
    return float(window[0]), float(window[1])


def averages_of(cell: SearchedCell, record: Mapping[str, Any]) -> Averages:
    """The average of a cell for marking; a search keeps no plus-minus average. Raises ValueError where there is none."""
    if cell.columns is None:
        raise ValueError("it was not played, or left no average")
    columns = {**cell.columns, "plus_minus_uv": np.full(len(cell.columns["time_ms"]), np.nan)}
    noise = cell.residual_noise_nv if math.isfinite(cell.residual_noise_nv) else None
    return Averages.of_run(columns, {**record, "residual_noise_nv": noise})


def _answers(content: Mapping[str, Any], route: str) -> Search:
    """From ``search`` of run.json. Raises KeyError, TypeError, ValueError, AttributeError."""
    conditions: list[SearchedCondition] = []
    for row in content["conditions"]:
        cells = tuple(_cell(one) for one in row["cells"])
        levels = [cell.level_db_nhl for cell in cells]
        if not cells or not all(low < high for low, high in pairwise(levels)):
            raise ValueError(f"cells have the levels {levels}: each once is expected, the softest first")
        if row["beyond"] not in (None, "above", "below"):
            raise ValueError(f"beyond = {row['beyond']!r}")
        hz = row["frequency_hz"]
        if hz is not None and not HZ[0] <= hz <= HZ[1]:
            raise ValueError(f"frequency_hz = {hz:g}: should be {HZ[0]:g} to {HZ[1]:g}")
        condition = Condition(_text(row, "ear"), route, _text(row, "stimulus"), None if hz is None else float(hz))
        conditions.append(
            SearchedCondition(
                condition, _number(row, "threshold_db_nhl"), _number(row, "low_db_nhl"), _number(row, "high_db_nhl"),
                row["beyond"], _number(row, "found_db_nhl"), bool(row["finished"]), _number(row, "seconds"),
                _text(row, "words"), _text(row, "hidden"), cells,
            )
        )  # fmt: skip
    if not conditions:
        raise ValueError("it has no condition")
    return Search(_number(content, "alpha"), _number(content, "width_db"), tuple(conditions))


def _cell(row: Mapping[str, Any]) -> SearchedCell:
    level, masking = _number(row, "level_db_nhl"), row.get("masking_db_em")
    if not -LARGEST_DB <= level <= LARGEST_DB:
        raise ValueError(f"level_db_nhl = {level:g} of a cell: should be a number up to {LARGEST_DB:g}")
    noise_nv = _number(row, "residual_noise_nv")
    if math.isfinite(noise_nv) and not NOISE_NV[0] <= noise_nv <= NOISE_NV[1]:
        raise ValueError(f"residual_noise_nv = {noise_nv:g} of a cell: should be {NOISE_NV[0]:g} to {NOISE_NV[1]:g}")
    return SearchedCell(
        int(row["cell"]), level, int(row["presented"]), int(row["accepted"]), _number(row, "evidence"),
        noise_nv, _number(row, "upper_limit_nv"), None if masking is None else float(masking),
    )  # fmt: skip


def _number(row: Mapping[str, Any], key: str) -> float:
    value = row[key]
    if value is None:
        return math.nan
    if not is_number(value):
        raise ValueError(f"{key} = {value!r}: should be a number")
    return float(value)


def _text(row: Mapping[str, Any], key: str) -> str:
    if not isinstance(row[key], str):
        raise ValueError(f"{key} = {row[key]!r}: should be text")
    return str(row[key])


def _with_cells(search: Search, change: Callable[[SearchedCell], SearchedCell]) -> Search:
    return replace(
        search, conditions=tuple(replace(one, cells=tuple(change(cell) for cell in one.cells)) for one in search.conditions)
    )


def _with_averages(search: Search, folder: RunFolder) -> Search:
    """Raises OSError, ValueError."""
    path = folder.cell_averages
    lines = text_of(path, MOST_BYTES).splitlines()
    if not lines or tuple(lines[0].split(",")) != COLUMNS:
        raise ValueError(f"{path.name} has other columns than {', '.join(COLUMNS)}")
    values = np.array([[float(field or "nan") for field in line.split(",")] for line in lines[1:]]).reshape(-1, len(COLUMNS))
    values[np.abs(values) > LARGEST_UV] = np.nan
    for number in set(values[:, 0].tolist()) - {cell.number for cell in search.cells}:
        raise ValueError(f"{path.name} has a cell {number:g}, and {folder.run.name} has not")

    def filled(cell: SearchedCell) -> SearchedCell:
        own = values[values[:, 0] == cell.number]
        if not len(own):
            return cell
        if not (np.diff(own[:, 1]) > 0).all() or not np.isfinite(own[:, 1]).all():
            raise ValueError(f"{path.name} has times of cell {cell.number} that do not rise")
        return replace(cell, columns={name: own[:, place] for place, name in enumerate(COLUMNS) if place})

    return _with_cells(search, filled)


def _with_marks(search: Search, folder: RunFolder) -> Search:
    """Raises OSError, ValueError."""
    def marked(cell: SearchedCell) -> SearchedCell:
        path = folder.path / marks_name(cell.number)
        return replace(cell, marks=Marks.of_record(json_of(path))) if path.is_file() else cell

    return _with_cells(search, marked)


def _rate_hz(record: Mapping[str, Any]) -> float:
    return _number(record["stream"], "rate_hz")


def _with_events(search: Search, folder: RunFolder, rate_hz: float) -> Search:
    """Raises OSError, KeyError, TypeError, ValueError, AttributeError."""
    where = {cell.number: (place, cell.level_db_nhl) for place, one in enumerate(search.conditions) for cell in one.cells}
    silence = len(where)
    of_none = None, math.nan
    played, chosen, ordered = [], [], []
    for event in folder.read_events():
        kind = event["type"]
        if kind == "cell_unit":
            cell = event["cell"]
            played.append(Played(_number(event, "sample") / rate_hz, *(of_none if cell in (None, silence) else where[cell])))
        elif kind == "choice":
            known = _known(event, len(search.conditions))
            at_s, cell = _number(event, "sample") / rate_hz, event["cell"]
            chosen.append(Chosen(at_s, cell, _text(event, "why"), *zip(*known, strict=True)))
        elif kind == "order":
            condition = event["condition"]
            if condition is not None and not (isinstance(condition, int) and 0 <= condition < len(search.conditions)):
                raise ValueError(f"an order is of condition {condition!r}, and the search has {len(search.conditions)}")
            level, words = _number(event, "level_db_nhl"), (_text(event, "order"), _text(event, "why"))
            at_s, refused = _number(event, "sample") / rate_hz, str(event["refused"] or "")
            ordered.append(Ordered(at_s, words[0], condition, level, words[1], refused))
    if not played:
        raise ValueError(f"{folder.events.name} has no unit of it")
    return replace(search, played=tuple(played), chosen=tuple(chosen), ordered=tuple(ordered))


def _known(event: Mapping[str, Any], count: int) -> list[tuple[float, float, float]]:
    """Low, middle and high of the threshold of each condition."""
    lists = [event[name] for name in ("low_db", "threshold_db", "high_db", "above")]
    if any(len(values) != count for values in lists):
        raise ValueError(f"a choice knows {len(lists[0])} conditions, and the search has {count}")
    found = []
    for low, middle, high, above in zip(*lists, strict=True):
        nothing = middle is None and not above
        ends = (-math.inf if low is None else float(low)), (math.inf if high is None else float(high))
        found.append((math.nan,) * 3 if nothing else (ends[0], math.inf if middle is None else float(middle), ends[1]))
    return found


def spans(played: Sequence[Played], condition: int) -> Iterator[tuple[float, float, float]]:
    """Seconds from, seconds to, level: stretches of units of a condition at one level that follow each other."""
    begin = 0.0
    now: tuple[float, float, float] | None = None
    for unit in played:
        if unit.condition == condition:
            if now is not None and now[2] == unit.level_db_nhl and now[1] == begin:
                now = now[0], unit.seconds, now[2]
            else:
                if now is not None:
                    yield now
                now = begin, unit.seconds, unit.level_db_nhl
        begin = unit.seconds
    if now is not None:
        yield now
