"""A report as one HTML file that opens offline: no script, no font, nothing fetched.

The headline comes first, then everything that the text has, and pictures beside it. Each picture
has a name, and a table with the same figures. A policy in the page forbids what a browser could
fetch or run, whatever a foreign name may hold.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from .foreign_text import safe
from .formatting import NONE_HERE
from .page_style import STYLE
from .palette import SPARK
from .sections.facts import (
    Bar,
    Columns,
    Commands,
    Course,
    Curve,
    Lanes,
    Picture,
    Sentence,
    Table,
    Tone,
)
from .sections.glossary import glossary
from .sections.report import report
from .svg.columns import columns_svg
from .svg.curve import STYLE as CURVE_STYLE
from .svg.curve import curve_svg
from .svg.marked import marked
from .svg.matrix import matrix_svg
from .svg.shares import bar_svg, course_svg, lanes_svg
from .svg.styles import definitions
from .svg.styles import style as picture_style

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..model.reading import Reading
    from .sections.facts import Column, Drawn, Matrix, Part, Section

MOST_GROUPS = 64
"""The workers of a larger pool are grouped in its matrix, so that the page stays readable."""
MOST_LISTED = 24
"""With more sections than this the contents have only those of the upper levels."""
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
CLASSES = {
    Tone.PLAIN: "",
    Tone.STRONG: ' class="strong"',
    Tone.NOTE: ' class="note"',
    Tone.DETAIL: ' class="detail"',
}
GLYPHS = re.compile(rf"(?<= ){NONE_HERE}*[{SPARK[1:]}][{SPARK[1:]}{NONE_HERE}]+(?= )")
UNREAD = r'<span class="glyphs" aria-hidden="true">\g<0></span>'
"""Bars in a sentence: nobody wants the names of their letters read out."""
AS_TABLE = "The same as a table"
COLUMN, ROW = ' scope="col"', ' scope="row"'
"""What the heads of a table are of."""
NUMBERS, WRAPS = "numbers", "wraps"
"""Classes of tables."""


def render(reading: Reading) -> str:
    """Return the whole document."""
    sections = (*report(reading, MOST_GROUPS), glossary(reading))
    return page(reading.source.target, sections)


def page(target: str, sections: Iterable[Section]) -> str:
    """Return sections as a whole document. target: what they are of."""
    lines = [
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
        f"<title>idlehands: {marked(target)}</title>",
        f"<style>{picture_style()}{CURVE_STYLE}{STYLE}</style></head><body>",
        f'<a class="skip" href="#report">To the report</a>{definitions()}',
    ]
    held = tuple(sections)
    top = [section for section in held if section.level == 1]
    rest = [section for section in held if section.level > 1]
    lines += ["<header>", *(line for section in top for line in _top(section)), "</header>"]
    lines += [*_contents(rest), '<main id="report">']
    for number, section in enumerate(rest, 1):
        lines += _section(section, f"s{number}")
    lines.append("</main></body></html>\n")
    return safe("\n".join(lines))


def _contents(sections: Sequence[Section]) -> Iterable[str]:
    """Yield links to the sections; none for a page that has hardly any."""
    deepest = 3 if len(sections) <= MOST_LISTED else 2
    links = "".join(
        f'<li><a href="#s{number}">{marked(section.title)}</a></li>'
        for number, section in enumerate(sections, 1)
        if section.level <= deepest
    )
    if links:
        yield f'<nav aria-label="Contents"><ul>{links}</ul></nav>'


def _top(section: Section) -> Iterable[str]:
    """Yield the title of the report, what it is of, and the headline in a frame of its own."""
    yield f"<h1>{marked(section.title)}</h1>"
    if section.lead:
        yield f'<p class="lead">{marked(section.lead)}</p>'
    if section.parts:
        yield '<div class="headline">'
        yield from (_part(part, section.title) for part in section.parts)
        yield "</div>"


def _section(section: Section, name: str) -> Iterable[str]:
    yield f'<section aria-labelledby="{name}">'
    yield f'<h{section.level} id="{name}">{marked(section.title)}</h{section.level}>'
    if section.lead:
        yield f'<p class="lead">{marked(section.lead)}</p>'
    yield from (_part(part, section.title) for part in section.parts)
    yield "</section>"


def _part(part: Part, title: str) -> str:
    """Return one part of the section of that title, which names its tables."""
    if isinstance(part, Sentence):
        return f"<p{CLASSES[part.tone]}>{GLYPHS.sub(UNREAD, marked(part.text))}</p>"
    if isinstance(part, Bar):
        return bar_svg(part)
    if isinstance(part, Curve):
        picture = curve_svg(part.reading, part.unit, part.title)
        return _figure(part.title, _scrolling(picture, part.title), "")
    if isinstance(part, Picture):
        return _figure(part.title, _drawn(part.drawn, part.title), _table(part.table, part.title))
    if isinstance(part, Commands):
        typed = "\n".join(map(marked, part.lines))
        return f"<pre><code>{typed}</code></pre>"
    if isinstance(part, Table):
        return _table(part, title)
    picture = _scrolling(matrix_svg(part), part.title)
    return _figure(part.title, picture, _matrix_table(part))


def _drawn(drawn: Drawn, name: str) -> str:
    if isinstance(drawn, Course):
        return course_svg(drawn, name)
    if isinstance(drawn, Lanes):
        return lanes_svg(drawn, name)
    if isinstance(drawn, Columns):
        return columns_svg(drawn, name)
    return _scrolling(curve_svg(drawn.reading, drawn.unit, drawn.title), name)


def _figure(title: str, picture: str, table: str) -> str:
    details = f"<details><summary>{AS_TABLE}</summary>{table}</details>" if table else ""
    return f"<figure><figcaption>{marked(title)}</figcaption>{picture}{details}</figure>"


def _scrolling(content: str, name: str) -> str:
    """Return what may be wider than the screen, so that keys can scroll it."""
    told = f'role="region" tabindex="0" aria-label="{marked(name)}"'
    return f'<div class="scroll" {told}>{content}</div>'


def _table(table: Table, name: str) -> str:
    # Where all columns but the first are of numbers, their cells need no class each.
    are_numbers = all(column.to_right for column in table.columns[1:])
    bars = [f"<td>{bar_svg(bar, is_named=False)}</td>" for bar in table.bars]
    beside = "<td></td>" if table.bars else ""
    heads = _row(table.columns, [one.name for one in table.columns], "th", classes=not are_numbers)
    rows = "".join(
        f"<tr>{_row(table.columns, row, 'td', classes=not are_numbers)}{bar}</tr>"
        for row, bar in zip(table.rows, bars or [""] * len(table.rows), strict=True)
    )
    return _whole_table(f"{heads}{beside}", rows, name, NUMBERS if are_numbers else WRAPS)


def _row(columns: Sequence[Column], row: Sequence[str], tag: str, *, classes: bool) -> str:
    """Return a row of cells. tag: th for the heads; the first cell of another row is its head."""
    first, *others = zip(columns, row, strict=True)
    scope = COLUMN if tag == "th" else ROW
    more = scope if tag == "th" else ""
    cells = [_cell("th", scope, first[1], to_right=first[0].to_right)]
    cells += [_cell(tag, more, text, to_right=classes and one.to_right) for one, text in others]
    return "".join(cells)


def _cell(tag: str, more: str, text: str, *, to_right: bool = False) -> str:
    side = ' class="right"' if to_right else ""
    return f"<{tag}{more}{side}>{marked(text)}</{tag}>"


def _whole_table(heads: str, rows: str, name: str, kind: str) -> str:
    head, body = f"<thead><tr>{heads}</tr></thead>", f"<tbody>{rows}</tbody>"
    return _scrolling(f'<table class="{kind}">{head}{body}</table>', name)


def _matrix_table(matrix: Matrix) -> str:
    """Return the values with the totals of rows and columns."""
    heads = "".join(_cell("th", COLUMN, column) for column in matrix.columns)
    rows = "".join(
        f"<tr>{_cell('th', ROW, name)}{''.join(_cell('td', '', cell) for cell in cells)}</tr>"
        for name, cells in zip(matrix.rows, matrix.cells, strict=True)
    )
    return _whole_table(f"<td></td>{heads}", rows, matrix.title, NUMBERS)
