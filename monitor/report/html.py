"""A report as one self-contained HTML file: pictures are included as SVG, and all text is escaped."""

from __future__ import annotations

import html
import io
import re
import warnings
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.form import Block, Drawing, Heading, Pairs, Points, Table, Text
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pictures import FONT, NARROW_INCH, WIDTH_INCH

PHONE_EM = 40  # of the width of the window, in the browser's letters of 16 px: below it tables are stacked
MOST_STACKED = 6  # columns; tables with more are scrolled within their frame
# Sizes in px: nothing that is read is below 16, on a phone neither. Colours of text keep a contrast of 4.5 and more (a test).
TEXT, SOFT, PAPER, CAUTION = "#1b2a38", "#4a5a67", "#ffffff", "#fff4e0"
STYLE = f"""
body {{ font: 16px/1.5 "DejaVu Sans", Verdana, Arial, sans-serif; color: {TEXT}; background: {PAPER}; margin: 1.5em auto;
  max-width: 60em; padding: 0 1em; }}
h1 {{ font-size: 1.6em; line-height: 1.25; margin: 0 0 .6em; }}
h2 {{ font-size: 1.25em; margin: 2em 0 .5em; border-top: 2px solid {TEXT}; padding-top: .4em; }}
h3 {{ font-size: 1.05em; margin: 1.5em 0 .4em; }}
p, ul {{ margin: .5em 0; }} ul {{ padding-left: 1.3em; }} li {{ margin: .25em 0; }}
h1, h2, h3, p, li, dd, td {{ overflow-wrap: anywhere; }}
.caution {{ background: {CAUTION}; border-left: 5px solid #b0662a; padding: .5em .9em; }} ul.caution {{ padding-left: 2em; }}
p.caution {{ font-weight: bold; }}
.small {{ color: {SOFT}; }}
dl {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(18em, 1fr)); gap: .2em 1.5em; margin: .8em 0; }}
dl div {{ display: flex; gap: .8em; }} dt {{ color: {SOFT}; flex: 0 0 6em; }} dd {{ margin: 0; min-width: 0; }}
.wide {{ overflow-x: auto; }}
table {{ border-collapse: collapse; margin: .6em 0; }}
th, td {{ text-align: left; vertical-align: top; padding: .25em .9em .25em 0; border-bottom: 1px solid #d5dade; }}
th {{ border-bottom: 1px solid {TEXT}; }} td.right, th.right {{ text-align: right; font-variant-numeric: tabular-nums; }}
.wide th, .wide td {{ overflow-wrap: normal; min-width: 3em; }}
svg {{ width: 100%; max-width: 56em; height: auto; display: block; margin: .6em 0; }}
svg.narrow {{ display: none; }}
@media (max-width: {PHONE_EM}em) {{
  svg.broad {{ display: none; }} svg.narrow {{ display: block; max-width: 30em; }}
  .stack thead {{ display: block; position: absolute; left: 0; clip-path: inset(50%); width: 1px; height: 1px; }}
  .stack thead {{ overflow: hidden; }}
  .stack, .stack tbody, .stack tr {{ display: block; }}
  .stack tr {{ border-bottom: 1px solid {TEXT}; padding: .4em 0; }}
  .stack td, .stack td.right {{ display: grid; grid-template-columns: 8em 1fr; text-align: left; border: 0; padding: .1em 0; }}
  .stack td::before {{ content: attr(data-head); color: {SOFT}; padding-right: .5em; }}
}}
@media print {{ body {{ font-size: 10pt; margin: 0; max-width: none; }}
  tr, svg {{ break-inside: avoid; }} h2, h3 {{ break-after: avoid; }} }}
"""
# Not allowed in HTML, or not to be seen: controls, and what turns the direction of a line.
_UNSEEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff\ud800-\udfff]")
_ID = re.compile(r'(\bid="|xlink:href="#|url\(#)')


def report_html(report: Report) -> str:
    """Text of the whole file; the same report gives the same text."""
    return page_of(report.title, blocks_of(report))


def page_of(title: str, blocks: Iterable[Block]) -> str:
    """The same of these blocks."""
    body = "\n".join(_block(block, number) for number, block in enumerate(blocks))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{escaped(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
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
    if isinstance(block, Pairs):
        pairs = "\n".join(f"<div><dt>{escaped(name)}</dt><dd>{escaped(value)}</dd></div>" for name, value in block.items)
        return f"<dl>\n{pairs}\n</dl>"
    return _table(block) if isinstance(block, Table) else _drawing(block, number)


def _class(look: str) -> str:
    return "" if look == "plain" else f' class="{look}"'


def _table(table: Table) -> str:
    """Roles are said again, as a phone that stacks the cells would forget them."""
    stacked = len(table.head) <= MOST_STACKED

    def cells(row: tuple[str, ...], tag: str) -> Iterator[str]:
        role = ' role="columnheader" scope="col"' if tag == "th" else ' role="cell"'
        for column, text in enumerate(row):
            head = f' data-head="{escaped(table.head[column])}"' if stacked and tag == "td" else ""
            yield f"<{tag}{_class('right' if column in table.right else 'plain')}{role}{head}>{escaped(text)}</{tag}>"

    head = f'<thead role="rowgroup"><tr role="row">{"".join(cells(table.head, "th"))}</tr></thead>'
    rows = "\n".join(f'<tr role="row">{"".join(cells(row, "td"))}</tr>' for row in table.rows)
    body = f'{head}<tbody role="rowgroup">\n{rows}\n</tbody></table>'
    if stacked:
        return f'<table class="stack" role="table">{body}'
    label = escaped(f"table of {table.head[0]}, can be scrolled sideways")
    return f'<div class="wide" role="region" tabindex="0" aria-label="{label}"><table role="table">{body}</div>'


def _drawing(drawing: Drawing, number: int) -> str:
    """Twice: for a page, and narrow with its words above the curves for a phone; one of them is shown."""
    found = []
    for name, width in (("broad", WIDTH_INCH), ("narrow", NARROW_INCH)):
        svg = svg_of(lambda width=width: figure_of(drawing, width), f"p{number}{name[0]}")  # type: ignore[misc]
        found.append(svg.replace("<svg ", f'<svg class="{name}" role="img" aria-label="{escaped(drawing.said)}" ', 1))
    return "\n".join(found)


def figure_of(drawing: Drawing, width_inch: float = WIDTH_INCH) -> Any:
    """A matplotlib figure of its own."""
    from matplotlib.figure import Figure

    picture = drawing.picture
    height = picture.height_inch if width_inch == WIDTH_INCH else picture.narrow_inch
    figure = Figure(figsize=(width_inch, height))
    picture.draw(figure, (0.0, 0.0, width_inch, height))
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
