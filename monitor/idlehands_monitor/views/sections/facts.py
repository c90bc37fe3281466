"""What a section of a report is made of: sentences, tables and picture data, all frozen.

Foreign text in it (names of pools, workers, kinds, files) is bounded and not changed otherwise:
each renderer makes it safe for its own medium, in one place.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ...model.shares import AnyCategory
    from ...model.whatif import CurveReading, Unit


class Tone(Enum):
    """How much weight a sentence has."""

    PLAIN = "plain"
    STRONG = "strong"
    NOTE = "note"
    DETAIL = "detail"


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence or line. A detail belongs to the sentence before it."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Slice:
    """One part of a bar: a category of worker time, its share (0 to 1), and both as text."""

    category: AnyCategory
    share: float
    label: str


@dataclass(frozen=True, slots=True)
class Bar:
    """Shares of time side by side; they add up to at most 1."""

    slices: tuple[Slice, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table. cells: plain text shortens a longer name to so many; 0: never.

    overhangs: plain text does not shorten a longer text, it gives such a text a line of its own.
    Only the first column may.
    """

    name: str
    to_right: bool = False
    cells: int = 0
    overhangs: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Named columns, rows of as many cells, and where there are bars one for each row."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    bars: tuple[Bar, ...] = ()


@dataclass(frozen=True, slots=True)
class Matrix:
    """Counts by row and column, with totals in the last of each.

    steps: the step of each count in the palette, `palette.BLANK` where a cell has no colour.
    between: what stands between the names of a row and a column: took from, or handed to. most: the
    largest count, as text.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    steps: tuple[tuple[int, ...], ...]
    between: str
    most: str


@dataclass(frozen=True, slots=True)
class Curve:
    """Values over numbers of workers, to be drawn. unit: of the values."""

    title: str
    reading: CurveReading
    unit: Unit


@dataclass(frozen=True, slots=True)
class Mark:
    """A place along the horizontal axis, from 0 to 1, with what it stands for."""

    place: float
    text: str


@dataclass(frozen=True, slots=True)
class Course:
    """A time split over time: a bar for each slice of the window, oldest first, and when it is."""

    bars: tuple[Bar, ...]
    times: tuple[str, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Lane:
    """A time split over time of one worker: the shares of the categories in each slice.

    shares: shape (slices, categories), in the order of `Lanes.categories`; empty for a slice in
    which the worker had no time. label: the worker and its time split, for who points at it.
    """

    name: str
    label: str
    shares: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Lanes:
    """The time splits of workers over the same time, one below the other.

    edges: where each slice begins, and where the last one ends, from 0 to 1.
    """

    categories: tuple[AnyCategory, ...]
    lanes: tuple[Lane, ...]
    edges: tuple[float, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Columns:
    """Values side by side, each with its label; None where one is not known.

    marks: along the axis below. most: the largest value as text.
    """

    values: tuple[float | None, ...]
    labels: tuple[str, ...]
    marks: tuple[Mark, ...]
    most: str


Drawn = Course | Lanes | Columns | Curve


@dataclass(frozen=True, slots=True)
class Picture:
    """What only a page with pictures draws: text has sentences and tables for it.

    table: the same in numbers, for readers who do not see the picture.
    """

    title: str
    drawn: Drawn
    table: Table


@dataclass(frozen=True, slots=True)
class Commands:
    """Lines to type into a shell."""

    lines: tuple[str, ...]


Part = Sentence | Bar | Table | Matrix | Curve | Picture | Commands


@dataclass(frozen=True, slots=True)
class Section:
    """One section of a report.

    lead: one line beside the title, may be empty. level: of the title, 1 for the report, 2 for a
    pool and for what concerns all pools, 3 for a part of a pool.
    """

    title: str
    lead: str = ""
    parts: tuple[Part, ...] = ()
    level: int = 3

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """The sentences alone, in order."""
        return tuple(part for part in self.parts if isinstance(part, Sentence))


def plain(*texts: str) -> tuple[Sentence, ...]:
    """Return sentences of no particular weight."""
    return tuple(map(Sentence, texts))
