"""A report as one self-contained HTML file: pictures are included as SVG, and all text is escaped."""

from __future__ import annotations

import html
import io
import re
import warnings
from collections.abc import Callable, Iterator
from typing import Any

from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.form import Block, Drawing, Heading, Points, Table, Text
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pictures import FONT, WIDTH_INCH

STYLE = """
body { font: 15px/1.5 "DejaVu Sans", Verdana, Arial, sans-serif; color: #1b2a38; background: #fff; margin: 2em auto;
  max-width: 62em; padding: 0 1.2em; }
h1 { font-size: 1.6em; line-height: 1.25; margin: 0 0 .6em; }
h2 { font-size: 1.2em; margin: 2em 0 .5em; border-top: 2px solid #1b2a38; padding-top: .4em; }
h3 { font-size: 1em; margin: 1.5em 0 .4em; }
p, ul { margin: .5em 0; } ul { padding-left: 1.3em; } li { margin: .2em 0; }
h1, h3, p, li { overflow-wrap: anywhere; } td { overflow-wrap: break-word; }
.caution { background: #fff4e0; border-left: 5px solid #b0662a; padding: .5em .9em; } ul.caution { padding-left: 2em; }
p.caution { font-weight: bold; margin-bottom: 0; } p.caution + ul.caution { margin-top: 0; }
.small { font-size: .87em; color: #4a5a67; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: .87em; margin: .6em 0; }
th, td { text-align: left; vertical-align: top; padding: .25em .7em .25em 0; border-bottom: 1px solid #d5dade; }
th { border-bottom: 1px solid #1b2a38; } td.right, th.right { text-align: right; font-variant-numeric: tabular-nums; }
td { min-width: 2.5em; }
svg { width: 100%; max-width: 52em; height: auto; display: block; margin: .6em 0; }
@media print { body { font-size: 10pt; margin: 0; max-width: none; }
  tr, svg { break-inside: avoid; } h2, h3 { break-after: avoid; } }
"""
# Not allowed in HTML, or not to be seen: controls, and what turns the direction of a line.
_UNSEEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff\ud800-\udfff]")
_ID = re.compile(r'(\bid="|xlink:href="#|url\(#)')


def report_html(report: Report) -> str:
    """Text of the whole file; the same report gives the same text."""
    blocks = blocks_of(report)
    body = "\n".join(_block(block, number) for number, block in enumerate(blocks))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{escaped(report.title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def escaped(text: str) -> str:
    """The text escaped for an element or an attribute; characters that HTML does not allow become spaces."""
    return html.escape(_UNSEEN.sub(" ", text), quote=True)


def _block(block: Block, number: int) -> str:
    if isinstance(block, Heading):
        return f"<h{block.rank}>{escaped(block.text)}</h{block.rank}>"
    if isinstance(block, Text):
        return f"<p{_class(block.look)}>{escaped(block.text)}</p>"
    if isinstance(block, Points):
        items = "".join(f"<li>{escaped(item)}</li>" for item in block.items)
        return f"<ul{_class(block.look)}>{items}</ul>" if items else ""
    return _table(block) if isinstance(block, Table) else _drawing(block, number)


def _class(look: str) -> str:
    return "" if look == "plain" else f' class="{look}"'


def _table(table: Table) -> str:
    def cells(row: tuple[str, ...], tag: str) -> Iterator[str]:
        for column, text in enumerate(row):
            yield f"<{tag}{_class('right') if column in table.right else ''}>{escaped(text)}</{tag}>"

    head = f"<thead><tr>{''.join(cells(table.head, 'th'))}</tr></thead>" if any(table.head) else ""
    rows = "\n".join(f"<tr>{''.join(cells(row, 'td'))}</tr>" for row in table.rows)
    return f'<div class="wide"><table>{head}<tbody>\n{rows}\n</tbody></table></div>'


def _drawing(drawing: Drawing, number: int) -> str:
    svg = svg_of(lambda: figure_of(drawing), f"p{number}")
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escaped(drawing.said)}" ', 1)


def figure_of(drawing: Drawing) -> Any:
    """A matplotlib figure of its own."""
    from matplotlib.figure import Figure

    if drawing.picture is None:
        assert drawing.figure is not None
        return drawing.figure()
    figure = Figure(figsize=(WIDTH_INCH, drawing.picture.height_inch))
    drawing.picture.draw(figure, (0.0, 0.0, WIDTH_INCH, drawing.picture.height_inch))
    return figure


def svg_of(make: Callable[[], Any], prefix: str) -> str:
    """An SVG element with unique ids and without a date, so that the same picture gives the same text."""
    from matplotlib import rc_context

    file = io.StringIO()
    with rc_context(FONT | {"svg.hashsalt": "quietfloor"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # letters that no font at hand has are shown as boxes
        make().savefig(file, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = file.getvalue()
    text = text[text.index("<svg "):].strip()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    return _ID.sub(rf"\g<1>{prefix}-", text)
