"""A report as plain text, for `explain`. All of its content comes from the sections."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len

from .foreign_text import safe, safe_line
from .formatting import shortened
from .palette import TIME_STYLES
from .sections.facts import Bar, Matrix, Sentence, Table, Tone
from .sections.report import report

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.reading import Reading
    from .sections.facts import Part, Section

BAR_CELLS, STACKED_CELLS = 30, 60
BETWEEN = "  "
LEAST_MATRIX_CELLS = 5
ROW_NAME_CELLS = 8


def explain(reading: Reading) -> str:
    """Return the whole reading as text for people, ending with a newline."""
    lines = [line for section in report(reading) for line in ("", *section_lines(section))]
    return safe("\n".join(lines[1:]) + "\n")


def section_lines(section: Section) -> list[str]:
    """Return one section as lines, each safe to print."""
    title = f"{section.title}: {section.lead}" if section.lead else section.title
    return [safe_line(title), *(line for part in section.parts for line in _part(part))]


def sentence_lines(section: Section) -> list[str]:
    """Return the sentences of a section, a line each, where there is no room for more."""
    lead = [safe_line(f"{section.title}: {section.lead}")] if section.lead else []
    return lead + [safe_line(sentence.text) for sentence in section.sentences]


def _part(part: Part) -> list[str]:
    if isinstance(part, Sentence):
        return [sentence_line(part)]
    if isinstance(part, Bar):
        return [f"  {bar_text(part, STACKED_CELLS)}"]
    if isinstance(part, Table):
        return [f"  {line}" for line in table_lines(part)]
    return _matrix(part)


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
    """Return a table as lines: its heads, then a line for each row, which ends in its bar."""
    columns = [
        [column.name, *_shortened([row[place] for row in table.rows], column.cells)]
        for place, column in enumerate(table.columns)
    ]
    fitted = [
        _fitted(texts, to_right=column.to_right)
        for column, texts in zip(table.columns, columns, strict=True)
    ]
    bars = ["", *(bar_text(bar, BAR_CELLS) for bar in table.bars)]
    bars += [""] * (len(table.rows) + 1 - len(bars))
    return [BETWEEN.join((*texts, bar)).rstrip() for *texts, bar in zip(*fitted, bars, strict=True)]


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
