"""A report as Markdown, for a bug report: CommonMark, with the tables of GitHub's flavour.

A foreign name cannot change the page. Punctuation that Markdown reads is escaped with a backslash.
A backslash does not help with addresses, mentions and issue numbers, which become links anywhere;
an empty comment inside the word prevents that.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from .curve_text import curve_text
from .foreign_text import safe, safe_line
from .sections.brief import brief
from .sections.facts import Bar, Commands, Curve, Matrix, Sentence, Table, Tone
from .text import BAR_CELLS, CURVE_CELLS, CURVE_LINES, STACKED_CELLS, bar_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..model.reading import Reading
    from .sections.facts import Part, Section

BREAK = "<!-- -->"
OBEYED = re.compile(r"[\\`*_{}\[\]<>|~#!&$^]")
LINKED = re.compile(r"@|(?<=\\#)(?=\d)|(?<=:/)(?=/)|(?<=www)(?=\.)", re.IGNORECASE)
BEGINNING = re.compile(r"^([-+=]|\d+(?=[.)](\s|$)))")
LEFT, RIGHT = ":--", "--:"


def render(reading: Reading) -> str:
    """Return a reading in short, for an issue: at most sixty lines, ending with a newline."""
    return page(brief(reading))


def page(sections: Iterable[Section]) -> str:
    """Return sections as Markdown, ending with a newline."""
    blocks = [block for section in sections for block in _section(section)]
    return safe("\n\n".join(blocks) + "\n")


def escaped(text: str) -> str:
    """Return a text that Markdown shows as it is, for the inside of a line."""
    line = OBEYED.sub(r"\\\g<0>", safe_line(text).strip())
    return LINKED.sub(lambda found: found[0] + BREAK, line)


def paragraph(text: str) -> str:
    """Return a text that Markdown shows as it is, for a line's beginning, where lists and rules
    begin."""
    return BEGINNING.sub(_beginning, escaped(text))


def _beginning(found: re.Match[str]) -> str:
    return f"{found[0]}{BREAK}" if found[0].isdigit() else f"\\{found[0]}"


def _section(section: Section) -> list[str]:
    blocks = [f"{'#' * section.level} {escaped(section.title)}"]
    if section.lead:
        blocks.append(paragraph(section.lead))
    return blocks + [block for part in section.parts if (block := _part(part))]


def _part(part: Part) -> str:
    if isinstance(part, Sentence):
        return _sentence(part)
    if isinstance(part, Bar):
        return _code(bar_text(part, STACKED_CELLS))
    if isinstance(part, Curve):
        return _curve(part)
    if isinstance(part, Commands):
        return _commands(part)
    if isinstance(part, Matrix):
        return _matrix(part)
    return _table(part) if isinstance(part, Table) else ""  # a picture has sentences beside it


def _sentence(sentence: Sentence) -> str:
    text = paragraph(sentence.text)
    marks = {Tone.STRONG: f"**{text}**", Tone.NOTE: f"*{text}*", Tone.DETAIL: f"- {text}"}
    return marks.get(sentence.tone, text)


def _code(glyphs: str) -> str:
    """Return the glyphs of a bar as code, in letters of one width; none of them is a backtick."""
    return f"`{glyphs}`" if glyphs.strip() else ""


def _curve(curve: Curve) -> str:
    """Return a curve in characters as a block of code; none of them is a backtick."""
    drawn = curve_text(curve.reading, curve.unit, CURVE_CELLS, CURVE_LINES)
    return "\n".join((paragraph(curve.title), "", "```text", *drawn, "```"))


def _commands(commands: Commands) -> str:
    """Return commands as a block of code; one that began with backticks would end the block."""
    lines = (safe_line(line).lstrip("` ") for line in commands.lines)
    return "\n".join(("```sh", *lines, "```"))


def _table(table: Table) -> str:
    heads = [column.name for column in table.columns]
    rules = [RIGHT if column.to_right else LEFT for column in table.columns]
    rows: Iterable[Sequence[str]] = [[escaped(text) for text in row] for row in table.rows]
    if table.bars:
        heads, rules = [*heads, ""], [*rules, LEFT]
        bars = [_code(bar_text(bar, BAR_CELLS)) for bar in table.bars]
        rows = [[*row, bar] for row, bar in zip(rows, bars, strict=True)]
    return _rows([[escaped(head) for head in heads], rules, *rows])


def _matrix(matrix: Matrix) -> str:
    heads = ["", *map(escaped, matrix.columns)]
    rows = [
        [f"**{escaped(name)}**", *map(escaped, cells)]
        for name, cells in zip(matrix.rows, matrix.cells, strict=True)
    ]
    return f"{paragraph(matrix.title)}\n\n{_rows([heads, [RIGHT] * len(heads), *rows])}"


def _rows(rows: Iterable[Sequence[str]]) -> str:
    return "\n".join(f"| {' | '.join(cells)} |" for cells in rows)
