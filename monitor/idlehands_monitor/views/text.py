"""A report as plain text. All of its content comes from the sections."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len

from .curve_text import curve_text
from .foreign_text import safe, safe_line
from .formatting import shortened
from .palette import TIME_STYLES
from .sections.facts import Bar, Commands, Curve, Matrix, Sentence, Table, Tone
from .sections.report import report

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..model.reading import Reading
    from .sections.facts import Column, Part, Section

BAR_CELLS, STACKED_CELLS = 30, 60
BETWEEN = "  "
LEAST_MATRIX_CELLS = 5
ROW_NAME_CELLS = 8
CURVE_CELLS, CURVE_LINES = 78, 18
"""Of a curve, in a terminal of 80 cells."""


def explain(reading: Reading) -> str:
    """Return the whole reading as text for people, ending with a newline."""
    return page(report(reading))


def page(sections: Iterable[Section]) -> str:
    """Return sections as text for people, ending with a newline."""
    lines = [line for section in sections for line in ("", *section_lines(section))]
    return safe("\n".join(lines[1:]) + "\n")


def section_lines(section: Section) -> list[str]:
    """Return one section as lines, each safe to print."""
    title = f"{section.title}: {section.lead}" if section.lead else section.title
    return [safe_line(title), *(line for part in section.parts for line in _part(part))]


def sentence_lines(section: Section, *, tables: bool = False) -> list[str]:
    """Return the sentences of a section, a line each, where there is no room for more.

    `tables`: with its tables between them.
    """
    lines = [safe_line(f"{section.title}: {section.lead}")] if section.lead else []
    for part in section.parts if tables else section.sentences:
        if isinstance(part, Sentence):
            lines.append(safe_line(part.text))
        elif isinstance(part, Table):
            lines += table_lines(part)
    return lines


def _part(part: Part) -> list[str]:
    if isinstance(part, Sentence):
        return [sentence_line(part)]
    if isinstance(part, Bar):
        return [f"  {bar_text(part, STACKED_CELLS)}"]
    if isinstance(part, Table):
        return [f"  {line}" for line in table_lines(part)]
    if isinstance(part, Curve):
        drawn = curve_text(part.reading, part.unit, CURVE_CELLS, CURVE_LINES)
        return [f"  {line}" for line in (safe_line(part.title), *drawn)]
    if isinstance(part, Commands):
        return [f"    {safe_line(line)}" for line in part.lines]
    # A picture has sentences and tables beside it.
    return _matrix(part) if isinstance(part, Matrix) else []


def sentence_line(sentence: Sentence) -> str:
    """Return a sentence as one line, safe to print."""
    text = safe_line(sentence.text)
    if sentence.tone is Tone.DETAIL:
        return f"    {text}"
    return f"  ({text})" if sentence.tone is Tone.NOTE else f"  {text}"


def bar_text(bar: Bar, cells: int) -> str:
    """Return a bar of at most `cells` cells, in the glyphs of its categories."""
    text, end = "", 0.0
    for one in bar.slices:
        end += one.share * cells
        text += TIME_STYLES[one.category].glyph * (round(end) - len(text))
    return text


def table_lines(table: Table) -> list[str]:
    """Return a table as lines: its heads, then those of each row, which end in its bar."""
    return [line for lines in table_rows(table) for line in lines]


def table_rows(table: Table) -> list[list[str]]:
    """Return the line of the heads, then the lines of each row: two where its first text
    overhangs."""
    columns = [
        [column.name, *_shown([row[place] for row in table.rows], column)]
        for place, column in enumerate(table.columns)
    ]
    above: Sequence[str] = [""] * (len(table.rows) + 1)
    if table.columns and table.columns[0].overhangs:
        above, columns[0] = _without_overhang(columns[0], table.columns[0].cells)
    fitted = [
        _fitted(texts, to_right=column.to_right)
        for column, texts in zip(table.columns, columns, strict=True)
    ]
    bars = ["", *(bar_text(bar, BAR_CELLS) for bar in table.bars)]
    bars += [""] * (len(table.rows) + 1 - len(bars))
    return [
        [*filter(None, (over,)), BETWEEN.join((*texts, bar)).rstrip()]
        for over, *texts, bar in zip(above, *fitted, bars, strict=True)
    ]


def _without_overhang(texts: Sequence[str], cells: int) -> tuple[list[str], list[str]]:
    """Return the texts that get a line of their own, and those that fit; "" for all others."""
    fits = [cell_len(text) <= cells for text in texts]
    above = ["" if fit else text for text, fit in zip(texts, fits, strict=True)]
    return above, [text if fit else "" for text, fit in zip(texts, fits, strict=True)]


def _shown(texts: Sequence[str], column: Column) -> list[str]:
    """Return the texts of a column safe to print, shortened where it says so."""
    return _shortened(texts, 0 if column.overhangs else column.cells)


def _shortened(texts: Sequence[str], cells: int) -> list[str]:
    shown = [safe_line(text) for text in texts]
    return [shortened(text, cells, shown) for text in shown] if cells else shown


def _fitted(texts: Sequence[str], *, to_right: bool) -> list[str]:
    """Return texts padded to the width of the widest."""
    width = max(map(cell_len, texts))
    blanks = [" " * (width - cell_len(text)) for text in texts]
    if to_right:
        return [blank + text for blank, text in zip(blanks, texts, strict=True)]
    return [text + blank for blank, text in zip(blanks, texts, strict=True)]


def _matrix(matrix: Matrix) -> list[str]:
    texts = (*matrix.columns, *(text for row in matrix.cells for text in row))
    width = max(LEAST_MATRIX_CELLS, *(len(text) + 1 for text in texts))
    rows = zip(("", *matrix.rows), (matrix.columns, *matrix.cells), strict=True)
    return [f"  {matrix.title}"] + [
        f"  {name:>{ROW_NAME_CELLS}}" + "".join(f"{text:>{width}}" for text in cells)
        for name, cells in rows
    ]
