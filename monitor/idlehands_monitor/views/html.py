"""A report as one HTML file that opens offline: no script, no font, nothing fetched."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from .foreign_text import safe, safe_line
from .palette import BLANK, CIVIDIS, TIME_STYLES, text_on
from .sections.facts import Bar, Curve, Sentence, Table, Tone
from .sections.report import report
from .svg import STYLE as CURVE_STYLE
from .svg import curve_svg

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..model.reading import Reading
    from .sections.facts import Column, Matrix, Part, Section

MOST_GROUPS = 64
"""The workers of a larger pool are grouped in its matrix, so that the page stays readable."""
CLASSES = {
    Tone.PLAIN: "",
    Tone.STRONG: ' class="strong"',
    Tone.NOTE: ' class="note"',
    Tone.DETAIL: ' class="detail"',
}
STYLE = """
:root { color-scheme: light dark; }
body { font: 15px/1.5 system-ui, sans-serif; max-width: 70rem; margin: 2rem auto; padding: 0 1rem }
h1 { font-size: 1.4rem } h2 { font-size: 1.2rem; margin-top: 2rem } h3 { font-size: 1rem }
p { margin: .3rem 0 } .strong { font-weight: 600 } .note { opacity: .75 }
.detail { margin-left: 2rem } table { border-collapse: collapse; margin: .5rem 0 }
th, td { padding: .15rem .6rem; text-align: left } .right { text-align: right }
.bar { display: flex; height: 1.6rem; min-width: 14rem; border: 1px solid #8888 }
.bar span { display: block } td .bar { height: 1rem }
.matrix td { min-width: 2rem; text-align: center } .scroll { overflow-x: auto }
figure { margin: .5rem 0 }
"""


def render(reading: Reading) -> str:
    """Return the whole document."""
    return page(reading.source.target, report(reading, MOST_GROUPS))


def page(target: str, sections: Iterable[Section]) -> str:
    """Return sections as a whole document. target: what they are of."""
    title = f"idlehands: {_text(target)}"
    lines = [
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title><style>{STYLE}{CURVE_STYLE}</style></head><body>",
    ]
    for section in sections:
        lines += _section(section)
    lines.append("</body></html>\n")
    return safe("\n".join(lines))


def _text(text: str) -> str:
    """Return a text as one line of which HTML obeys nothing."""
    return escape(safe_line(text))


def _section(section: Section) -> Iterable[str]:
    yield f"<h{section.level}>{_text(section.title)}</h{section.level}>"
    if section.lead:
        yield f"<p>{_text(section.lead)}</p>"
    for part in section.parts:
        yield _part(part)


def _part(part: Part) -> str:
    if isinstance(part, Sentence):
        return f"<p{CLASSES[part.tone]}>{_text(part.text)}</p>"
    if isinstance(part, Bar):
        return _bar(part)
    if isinstance(part, Curve):
        return _curve(part)
    return _table(part) if isinstance(part, Table) else _matrix(part)


def _bar(bar: Bar) -> str:
    spans = "".join(
        f'<span style="width:{one.share:.4%};background:{TIME_STYLES[one.category].colour}" '
        f'title="{_text(one.label)}"></span>'
        for one in bar.slices
    )
    return f'<div class="bar">{spans}</div>'


def _curve(curve: Curve) -> str:
    picture = curve_svg(curve.reading, curve.unit, curve.title)
    return f"<figure><figcaption>{_text(curve.title)}</figcaption>{picture}</figure>"


def _table(table: Table) -> str:
    heads = "".join(_cell("th", column, column.name) for column in table.columns)
    bars = [f"<td>{_bar(bar)}</td>" for bar in table.bars] or [""] * len(table.rows)
    rows = "".join(
        f"<tr>{''.join(_cell('td', *cell) for cell in zip(table.columns, row, strict=True))}"
        f"{bar}</tr>"
        for row, bar in zip(table.rows, bars, strict=True)
    )
    beside = "<th></th>" if table.bars else ""
    return f'<div class="scroll"><table><tr>{heads}{beside}</tr>{rows}</table></div>'


def _cell(tag: str, column: Column, text: str) -> str:
    side = ' class="right"' if column.to_right else ""
    return f"<{tag}{side}>{_text(text)}</{tag}>"


def _matrix(matrix: Matrix) -> str:
    heads = "".join(f"<th>{_text(column)}</th>" for column in matrix.columns)
    rows = "".join(
        f"<tr><th>{_text(name)}</th>{''.join(map(_count, cells, steps))}</tr>"
        for name, cells, steps in zip(matrix.rows, matrix.cells, matrix.steps, strict=True)
    )
    return (
        f'<p>{_text(matrix.title)}</p><div class="scroll"><table class="matrix">'
        f"<tr><th></th>{heads}</tr>{rows}</table></div>"
    )


def _count(text: str, step: int) -> str:
    if step == BLANK:
        return f"<td>{_text(text)}</td>"
    colour = CIVIDIS[step]
    return f'<td style="background:{colour};color:{text_on(colour)}">{_text(text)}</td>'
