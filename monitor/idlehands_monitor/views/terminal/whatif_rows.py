"""What the what-if sheet shows, as rows of runs: the state, a pool, its answers and its curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.cells import cell_len

from ...session.whatif import State
from ..curve import Ink
from ..curve_text import curve_rows
from ..foreign_text import clean, safe_line
from ..formatting import share
from ..sections.facts import Curve, Section, Sentence, Table, Tone
from ..sections.sizing import sizing
from ..sections.whatif import (
    LONGEST_SENTENCE,
    STOPPED,
    answers,
    answers_table,
    curve,
    notes,
    pool_head,
)
from ..text import section_lines, table_rows
from .drawing import fit
from .header import wrap
from .strips import style

if TYPE_CHECKING:
    from ...model.whatif import WhatIfPool, WhatIfReading
    from ..sections.facts import Part
    from .strips import Run

Row = list["Run"]

TITLE = "What a change would gain"
INK_STYLES = {
    Ink.PREDICTED: style("#56B4E9"),
    Ink.INTERVAL: style("#56B4E9", dim=True),
    Ink.NOW: style("#E69F00", bold=True),
    Ink.BEST: style("#009E73", bold=True),
    Ink.WORK_LAW: style("#F0E442"),
    Ink.SPAN: style("#CC79A7"),
    Ink.GREEDY: style("#D55E00"),
}
EARLIER = "Below stand the answers of the time before"
BAR_CELLS = 30
DONE_BAR, OPEN_BAR = "█", "░"
BESIDE = 140
"""From so many cells on, the curve stands beside the answers."""
BETWEEN = 3
VALUE_CELLS = 44
"""Of the columns beside the changes."""
LEAST_CHANGE_CELLS, MOST_CHANGE_CELLS = 24, 64
WIDEST_CURVE, CURVE_LINES, TALL_CURVE_LINES = 90, 16, 24
TALL_SCREEN = 45
INDENT, ASSUMES_CELLS = 2, 9


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known of a question. refusal: why it has no answer, "" otherwise."""

    state: State
    progress: float = 0.0
    reading: WhatIfReading | None = None
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Room:
    """How many cells the sheet has, and how many lines the screen has."""

    cells: int
    lines: int


@dataclass(frozen=True, slots=True)
class SheetRows:
    """The rows, and which of them are those of the chosen answer."""

    rows: list[Row]
    chosen: range = range(0)


def sheet_rows(asked: Asked, place: int, cursor: int, room: Room) -> SheetRows:
    """Return all rows for the pool at `place`, with its answer at `cursor` chosen."""
    above: list[Row] = [[(TITLE, style(bold=True))], *state_rows(asked, room.cells)]
    reading = asked.reading
    if reading is None or not reading.pools or asked.state == State.REFUSED:
        return SheetRows(above)
    pool = reading.pools[place % len(reading.pools)]
    above += _pool_rows(pool, place % len(reading.pools), len(reading.pools), room.cells)
    if pool.refused:
        return SheetRows(above + part_rows(notes(pool), room))
    half = (room.cells - BETWEEN) // 2
    beside = room.cells >= BESIDE and pool.curve is not None
    listed, chosen = answer_rows(pool, cursor, half if beside else room.cells)
    chosen = range(chosen.start + len(above), chosen.stop + len(above))
    drawn = part_rows(curve(pool), Room(half if beside else room.cells, room.lines))
    rows = side_by_side(listed, drawn, half + BETWEEN) if beside else listed + drawn
    below = part_rows(sizing(pool), room) + part_rows(notes(pool), room)
    return SheetRows(above + rows + below, chosen)


def state_rows(asked: Asked, cells: int) -> list[Row]:
    """Return how far the answers are; nothing where all are there."""
    if asked.state == State.RUNNING:
        return _progress_rows(asked)
    if asked.state == State.REFUSED:
        refusal = clean(asked.refusal, LONGEST_SENTENCE) or "no answer to this question"
        return [[(line, style(bold=True))] for line in wrap(f"No answers: {refusal}", cells)]
    if asked.state == State.IDLE:
        return [[("Nothing is being simulated; r begins", None)]]
    stopped = asked.reading is not None and not asked.reading.whole
    return [[(line, style(bold=True))] for line in wrap(STOPPED, cells)] if stopped else []


def _progress_rows(asked: Asked) -> list[Row]:
    done = min(1.0, max(0.0, asked.progress))
    full = round(done * BAR_CELLS)
    bar: Row = [
        (DONE_BAR * full, INK_STYLES[Ink.PREDICTED]),
        (OPEN_BAR * (BAR_CELLS - full), style(dim=True)),
        (f" {share(done)} simulated; esc stops it", None),
    ]
    return [bar] if asked.reading is None else [bar, [(EARLIER, style(dim=True))]]


def _pool_rows(pool: WhatIfPool, place: int, pools: int, cells: int) -> list[Row]:
    """Return the head of a pool: which it is, how work comes, how well it is reproduced."""
    head = pool_head(pool)
    which = f" ({place + 1} of {pools})" if pools > 1 else ""
    named = Section(f"{head.title}{which}", head.lead, head.parts)
    return part_rows(named, Room(cells, 0))


def answer_rows(pool: WhatIfPool, cursor: int, cells: int) -> tuple[list[Row], range]:
    """Return the table of answers with one chosen and what it assumes, and the chosen rows."""
    section = answers(pool)
    if section is None:
        return [], range(0)
    change_cells = max(LEAST_CHANGE_CELLS, min(MOST_CHANGE_CELLS, cells - VALUE_CELLS))
    heads, *listed = table_rows(answers_table(pool, {}, change_cells))
    rows = part_rows(Section(section.title, section.lead), Room(cells, 0))[:-1]
    rows += [[(f"  {line}", style(bold=True))] for line in heads]
    chosen = range(0)
    for place, lines in enumerate(listed):
        own = _answer_rows(lines, cells, is_chosen=place == cursor)
        if place == cursor:
            chosen = range(len(rows), len(rows) + len(own))
        rows += own
    assumes = pool.answers[cursor].assumes if cursor < len(pool.answers) else ()
    return [*rows, [], *_assumed(assumes, cells), []], chosen


def _answer_rows(lines: list[str], cells: int, *, is_chosen: bool) -> list[Row]:
    """Return the lines of one answer as rows; a change with a line of its own may need several."""
    *above, values = lines
    texts = [text for line in above for text in wrap(line, cells - INDENT)] + [values]
    if not is_chosen:
        return [[(f"{'':<{INDENT}}{text}", None)] for text in texts]
    marks = ["› ", *[" " * INDENT] * (len(texts) - 1)]
    marked = [f"{mark}{text}" for mark, text in zip(marks, texts, strict=True)]
    return [[(fit(text, cells), style(reverse=True))] for text in marked]


def _assumed(assumes: tuple[str, ...], cells: int) -> list[Row]:
    texts = assumes or ("nothing beyond what is assumed of the run",)
    lines = [
        f"{'  ' if number else '- '}{line}"
        for text in texts
        for number, line in enumerate(wrap(safe_line(text), cells - ASSUMES_CELLS - 2))
    ]
    names = ["assumes", *[""] * (len(lines) - 1)]
    return [
        [(f"{name:<{ASSUMES_CELLS}}", style(dim=True)), (line, None)]
        for name, line in zip(names, lines, strict=True)
    ]


def part_rows(section: Section | None, room: Room) -> list[Row]:
    """Return a section as rows, sentences wrapped, with an empty row at the end."""
    if section is None:
        return []
    title = safe_line(section.title)
    lead = f"{title}: {safe_line(section.lead)}" if section.lead else title
    first, *others = wrap(lead, room.cells) or [""]
    bold = min(len(title), len(first))
    rows: list[Row] = [[(first[:bold], style(bold=True)), (first[bold:], None)]]
    rows += [[(line, None)] for line in others]
    for part in section.parts:
        rows += _rows_of(part, room)
    return [*rows, []]


def _rows_of(part: Part, room: Room) -> list[Row]:
    if isinstance(part, Curve):
        lines = TALL_CURVE_LINES if room.lines >= TALL_SCREEN else CURVE_LINES
        drawn = curve_rows(part.reading, part.unit, min(room.cells, WIDEST_CURVE), lines)
        return [[(text, INK_STYLES.get(ink)) for text, ink in row] for row in drawn]
    if isinstance(part, Table):
        return [[(f"  {line}", None)] for lines in table_rows(part) for line in lines]
    if isinstance(part, Sentence):
        weight = style(bold=True) if part.tone is Tone.STRONG else None
        lines_of_it = wrap(safe_line(part.text), room.cells - INDENT)
        return [[(f"{' ' * INDENT}{line}", weight)] for line in lines_of_it]
    return [[(line, None)] for line in section_lines(Section("", parts=(part,)))[1:]]


def side_by_side(left: list[Row], right: list[Row], at: int) -> list[Row]:
    """Return rows of both, those at the right beginning at cell `at`."""
    rows: list[Row] = []
    for place in range(max(len(left), len(right))):
        one = left[place] if place < len(left) else []
        other = right[place] if place < len(right) else []
        used = sum(cell_len(text) for text, _ in one)
        rows.append([*one, (" " * max(0, at - used), None), *other] if other else one)
    return rows
