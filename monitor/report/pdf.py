"""A report as a PDF of A4 pages, made with matplotlib: the same blocks as in the other formats, with page numbers."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.form import Block, Drawing, Heading, Pairs, Points, Table, Text
from quietfloor.monitor.report.front import front
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pictures import FONT, WIDTH_INCH

A4_INCH = (8.27, 11.69)
LEFT_INCH, TOP_INCH, BOTTOM_INCH = (A4_INCH[0] - WIDTH_INCH) / 2, 0.65, 0.75
SCALES = (1.0, 0.93, 0.86, 0.8)  # of letters on the first page
SIZES = {"h1": 15.0, "h2": 11.5, "h3": 9.5, "plain": 8.5, "caution": 8.5, "small": 7.5, "cell": 7.0}  # points
LEADING = 1.38
DARK, SOFT, CAUTION, LINE = "#1b2a38", "#4a5a67", "#fff4e0", "#d5dade"
GAP_INCH = 0.07
PAIR_INCH = 0.85  # width of a name before its value
MOST_INCH = A4_INCH[1] - TOP_INCH - BOTTOM_INCH
MOST_CELL_LINES = 60
POINT_INCH = 1.0 / 72.0
START_INCH, HEADING_INCH = 0.9, 0.4  # of a part at the foot of a page, at least; of a heading within it, about


def report_pdf(report: Report) -> bytes:
    """Bytes of the whole file; the same report gives the same bytes."""
    from matplotlib.backends.backend_pdf import PdfPages

    file = io.BytesIO()
    with _looks():
        about = {"Title": shown(report.title), "Creator": "quietfloor", "CreationDate": None, "ModDate": None}
        with PdfPages(file, metadata=about) as pdf:
            for figure in pages_of(report):
                pdf.savefig(figure)
    return file.getvalue()


def pages_of(report: Report) -> list[Any]:
    """The pages as matplotlib figures. All blocks of the front are on the first one: if these are many, in small letters."""
    blocks = blocks_of(report)
    end = len(tuple(front(report)))
    with _looks():
        for scale in SCALES:
            pages = Pages(report.title, scale)
            for place, block in enumerate(blocks[:end]):
                pages.put(block, blocks[place + 1 :])
            if pages.count == 1:
                break
        pages.scale = 1.0
        for place, block in enumerate(blocks[end:], end):
            pages.put(block, blocks[place + 1 :])
        return pages.finished()


@contextmanager
def _looks() -> Iterator[None]:
    from matplotlib import rc_context

    with rc_context(FONT | {"pdf.fonttype": 42}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # letters that no font at hand has are shown as boxes
        yield


def shown(text: str) -> str:
    """The text without characters that no page can show."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))


@lru_cache(maxsize=8192)
def _advance(letter: str, bold: bool) -> float:
    """Width of a letter at a size of 1 point, in inches, without kerning. A letter that the font lacks counts as wide."""
    font = _font(bold)
    if not font.get_char_index(ord(letter)):
        return POINT_INCH
    font.set_size(100.0, 72)
    return float(font.load_char(ord(letter)).linearHoriAdvance / 65536.0 / 100.0 * POINT_INCH)


def width_inch(text: str, size: float, bold: bool = False) -> float:
    return size * sum(_advance(letter, bold) for letter in text)


def folded(text: str, wide_inch: float, size: float, bold: bool = False) -> list[str]:
    """Lines that fit; a word that is longer than a line is cut."""
    lines: list[str] = []
    line = ""
    for word in shown(text).split():
        while width_inch(word, size, bold) > wide_inch:
            if line:
                lines.append(line)
                line = ""
            cut = max(1, next(n for n in range(1, len(word) + 1) if width_inch(word[:n], size, bold) > wide_inch) - 1)
            lines.append(word[:cut])
            word = word[cut:]
        longer = f"{line} {word}".strip()
        if line and width_inch(longer, size, bold) > wide_inch:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line or not lines else lines


class Pages:
    """Pages that are filled with blocks from the top; ``y`` is the position on the present page, in inches from the top."""

    def __init__(self, title: str, scale: float = 1.0) -> None:
        self.title, self.scale, self.y = title, scale, 0.0
        self._pages: list[Any] = []
        self._new()

    @property
    def count(self) -> int:
        return len(self._pages)

    def put(self, block: Block, following: Sequence[Block]) -> None:
        """``following``: the blocks after it, with the first of which a heading stays together."""
        if isinstance(block, Heading):
            self._heading(block, _least_below(following))
        elif isinstance(block, Text):
            self._lines(block.text, block.look, 0.0)
        elif isinstance(block, Points):
            for item in block.items:
                self._lines(item, block.look, 0.14)
        elif isinstance(block, Table):
            self._table(block)
        elif isinstance(block, Pairs):
            self._pairs(block)
        else:
            self._drawing(block)

    def finished(self) -> list[Any]:
        """The pages, with a line at the foot of each."""
        for number, figure in enumerate(self._pages, 1):
            width, height = figure.get_size_inches()
            size = 7.0
            foot = 0.4 / height
            most = folded(self.title, WIDTH_INCH - 2.6, size)[0]
            figure.text(LEFT_INCH / width, foot, f"{most} · not a medical device", fontsize=size, color=SOFT, va="bottom")
            page = f"{number} of {len(self._pages)}"
            figure.text(1 - LEFT_INCH / width, foot, page, fontsize=size, color=SOFT, ha="right", va="bottom")
        return self._pages

    # -- places -----------------------------------------------------------------------------------------------------

    def _new(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=A4_INCH)
        self._pages.append(self.figure)
        self.y = TOP_INCH

    def _room(self, height_inch: float) -> None:
        """Begin a new page if this height does not fit."""
        if self.y > TOP_INCH and self.y + height_inch > A4_INCH[1] - BOTTOM_INCH:
            self._new()

    def _write(self, text: str, x_inch: float, size: float, **look: Any) -> None:
        """One line with its top at the present place, which stays."""
        y = A4_INCH[1] - self.y - size * POINT_INCH
        self.figure.text((LEFT_INCH + x_inch) / A4_INCH[0], y / A4_INCH[1], text, fontsize=size, va="baseline", **look)

    def _box(self, x: float, height: float, width: float, colour: str) -> None:
        from matplotlib.patches import Rectangle

        corner = (LEFT_INCH + x) / A4_INCH[0], (A4_INCH[1] - self.y - height) / A4_INCH[1]
        size = width / A4_INCH[0], height / A4_INCH[1]
        box = Rectangle(corner, *size, color=colour, linewidth=0, transform=self.figure.transFigure, zorder=-1)
        self.figure.add_artist(box)

    # -- blocks -----------------------------------------------------------------------------------------------------

    def _heading(self, heading: Heading, with_inch: float) -> None:
        size = SIZES[f"h{heading.rank}"]
        lines = folded(heading.text, WIDTH_INCH, size, bold=True)
        above = {1: 0.0, 2: 0.22, 3: 0.12}[heading.rank]
        self._room(above + len(lines) * size * LEADING * POINT_INCH + with_inch)  # not alone at the foot of a page
        if self.y > TOP_INCH:
            self.y += above
        if heading.rank == 2:
            self._box(0.0, 0.012, WIDTH_INCH, DARK)
            self.y += 0.06
        for line in lines:
            self._write(line, 0.0, size, color=DARK, weight="bold")
            self.y += size * LEADING * POINT_INCH
        self.y += GAP_INCH * (2 if heading.rank == 1 else 0.5)

    def _lines(self, text: str, look: str, indent: float) -> None:
        size = self.scale * SIZES[look]
        inset = 0.1 if look == "caution" else 0.0
        bold = look == "caution" and not indent
        lines = folded(text, WIDTH_INCH - indent - 2 * inset, size, bold)
        each = size * LEADING * POINT_INCH
        self._room(min(len(lines), 3) * each)
        for number, line in enumerate(lines):
            self._room(each)
            if look == "caution":
                self._box(0.0, each + (GAP_INCH if number == len(lines) - 1 else 0.0), WIDTH_INCH, CAUTION)
            if indent and number == 0:
                self._write("•", inset, size, color=DARK)
            weight = "bold" if bold else "normal"
            self._write(line, inset + indent, size, color=SOFT if look == "small" else DARK, weight=weight)
            self.y += each
        self.y += GAP_INCH * (0.4 if indent else 1.0)  # items of a list belong together

    def _table(self, table: Table) -> None:
        size = self.scale * SIZES["cell"]
        widths = column_widths(table, size)
        if any(table.head):
            self._row(table.head, widths, table, size, head=True)
        for row in table.rows:
            before = len(self._pages)
            height = self._row_height(row, widths, size)
            self._room(height)
            if len(self._pages) > before and any(table.head):
                self._row(table.head, widths, table, size, head=True)  # again on the new page
            self._row(row, widths, table, size)
        self.y += 2 * GAP_INCH

    def _pairs(self, pairs: Pairs) -> None:
        """Two beside each other; a value that is too long is folded."""
        size, half = self.scale * SIZES["plain"], WIDTH_INCH / 2
        each = size * LEADING * POINT_INCH
        for place in range(0, len(pairs.items), 2):
            row = pairs.items[place : place + 2]
            values = [folded(value, half - PAIR_INCH - 0.1, size) for _, value in row]
            self._room(max(map(len, values)) * each)
            top = self.y
            for column, ((name, _), lines) in enumerate(zip(row, values, strict=True)):
                self.y = top
                self._write(name, column * half, size, color=SOFT)
                for line in lines:
                    self._write(line, column * half + PAIR_INCH, size, color=DARK)
                    self.y += each
            self.y = top + max(map(len, values)) * each
        self.y += GAP_INCH

    def _row_height(self, row: tuple[str, ...], widths: list[float], size: float, bold: bool = False) -> float:
        most = max(len(folded(text, wide, size, bold)) for text, wide in zip(row, widths, strict=True))
        return most * size * LEADING * POINT_INCH + 0.05

    def _row(self, row: tuple[str, ...], widths: list[float], table: Table, size: float, head: bool = False) -> None:
        height = self._row_height(row, widths, size, head)
        each = size * LEADING * POINT_INCH
        if head:
            self._room(height + 4 * each)
        x, top = 0.0, self.y
        for column, (text, wide) in enumerate(zip(row, widths, strict=True)):
            self.y = top + 0.02
            right = column in table.right
            for line in folded(text, wide, size, head)[:MOST_CELL_LINES]:
                look = {"ha": "right"} if right else {}
                self._write(line, x + (wide if right else 0.0), size, color=DARK, weight="bold" if head else "normal", **look)
                self.y += each
            x += wide + 0.1
        self.y = top + height
        self._box(0.0, 0.006, WIDTH_INCH, DARK if head else LINE)
        self.y += 0.02

    def _drawing(self, drawing: Drawing) -> None:
        height = drawing.picture.height_inch
        self._room(min(drawing.picture.least_inch, MOST_INCH - 0.5))  # of very many levels each gets less
        used = min(height, A4_INCH[1] - BOTTOM_INCH - self.y)
        drawing.picture.draw(self.figure, (LEFT_INCH, A4_INCH[1] - self.y - used, WIDTH_INCH, used))
        self.y += used + GAP_INCH


def _least_below(blocks: Sequence[Block]) -> float:
    """Height in inches without which a heading would stand alone: sentences and headings below it up to a picture, or a start."""
    height = 0.0
    for block in blocks:
        if isinstance(block, Drawing):
            return min(height + block.picture.least_inch, MOST_INCH - 1.0)
        if isinstance(block, Heading):
            height += HEADING_INCH
        elif isinstance(block, Text):
            height += len(folded(block.text, WIDTH_INCH, SIZES[block.look])) * SIZES[block.look] * LEADING * POINT_INCH + GAP_INCH
        else:
            break
    return START_INCH


def column_widths(table: Table, size: float) -> list[float]:
    """Width of each column in inches for its longest text; where that is too much, the widest columns shrink."""
    columns = list(zip(table.head, *table.rows, strict=True)) if table.rows else [(text,) for text in table.head]
    room = WIDTH_INCH - 0.1 * (len(columns) - 1)
    wanted = [0.02 + max(width_inch(shown(text), size, bold=row == 0) for row, text in enumerate(column)) for column in columns]
    words = [
        0.02 + max(width_inch(word, size, bold=True) for text in column for word in (shown(text).split() or [""]))
        for column in columns
    ]
    least = [min(one, 1.1) for one in words]
    if sum(wanted) <= room:
        return wanted
    widest = max(wanted)
    while sum(min(max(least[n], widest), one) for n, one in enumerate(wanted)) > room and widest > 0.2:
        widest *= 0.98
    widths = [min(max(least[n], widest), one) for n, one in enumerate(wanted)]
    return [one * min(1.0, room / sum(widths)) for one in widths]
