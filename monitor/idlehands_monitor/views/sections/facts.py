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
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    steps: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """Values over numbers of workers, to be drawn. unit: of the values."""

    title: str
    reading: CurveReading
    unit: Unit


Part = Sentence | Bar | Table | Matrix | Curve


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
