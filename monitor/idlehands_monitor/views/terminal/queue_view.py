"""The place of the matrix for a pool with one shared queue: the queue's length over time, how tasks
ended, and the kinds of task where nothing else shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import count, seconds
from ..palette import SPARK
from ..sections.queueing import known_lengths, length_phrase
from ..sections.tasks import calls_per_task, failed_phrase
from .drawing import fit
from .kinds import kind_rows
from .line_view import LineView
from .strips import Run, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.strip import Strip

    from ...model.reading import PoolReading

COLUMN_COLOUR = "#56B4E9"
FACT_LINES, LEAST_KINDS = 4, 3
LEAST_COLUMNS, MOST_COLUMNS = 2, 8
"""Lines of the columns that show the queue's length."""
LABEL_CELLS = 6


class QueueView(LineView):
    """The queue, outcomes and kinds of one pool; `with_kinds` where nothing else shows kinds."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.with_kinds = True
        self._rows: list[list[Run]] = []

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool, where it now says something else."""
        rows: list[list[Run]] = []
        if pool is not None and self.display:
            size = self.size
            rows = queue_rows(pool, size.width, size.height, with_kinds=self.with_kinds)
        if rows != self._rows:
            self._rows = rows
            self.refresh()

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y`."""
        return self.line(self._rows[y] if y < len(self._rows) else [], cells)


def queue_rows(
    pool: PoolReading, cells: int, lines: int, *, with_kinds: bool = True
) -> list[list[Run]]:
    """Return at most `lines` rows of `cells` cells."""
    kinds = min(1 + len(pool.tasks.kinds), max(LEAST_KINDS, lines // 3)) if with_kinds else 0
    columns = max(LEAST_COLUMNS, min(MOST_COLUMNS, lines - FACT_LINES - 2 - kinds))
    found: list[list[Run]] = [
        [(fit(text, cells), style(dim=True))] for text in (queue_title(pool, cells),)
    ]
    found += length_columns(pool.queue_lengths, cells, columns)
    found += [[(fit(text, cells), None)] for text in facts(pool, cells)]
    if with_kinds:
        found.append([])
        found += kind_rows(pool, cells, max(0, lines - len(found)))
    return found[:lines]


def queue_title(pool: PoolReading, cells: int) -> str:
    """Return what the columns show."""
    title = f"queue length, {seconds(pool.slice_s)} a column"
    return title if len(title) <= cells else "queue length over time"


def length_columns(lengths: Sequence[float], cells: int, lines: int) -> list[list[Run]]:
    """Return the latest lengths as columns of `lines` lines, newest right, with their scale.

    A length above 0 shows at least the lowest bar; one that is not known is blank.
    """
    room = max(1, cells - LABEL_CELLS)
    recent = list(lengths)[-room:]
    most = max(known_lengths(recent), default=0.0)
    eighths = [_eighths(length, most, lines) for length in recent]
    rows: list[list[Run]] = []
    for line in range(lines - 1, -1, -1):
        label = length_phrase(most) if line == lines - 1 else "0" if line == 0 else ""
        bars = "".join(SPARK[max(0, min(8, height - 8 * line))] for height in eighths)
        rows.append(
            [(f"{label:>{LABEL_CELLS - 1}} ", style(dim=True)), (bars, style(COLUMN_COLOUR))]
        )
    return rows


def _eighths(length: float, most: float, lines: int) -> int:
    known = length == length and length > 0 and most > 0
    return max(1, round(length / most * lines * 8)) if known else 0


def facts(pool: PoolReading, cells: int) -> list[str]:
    """Return how many tasks are queued, how tasks ended, and how many calls they were, in few
    lines."""
    tasks = pool.tasks
    found = [f"{count(tasks.queued)} queued, {count(tasks.running)} running now"]
    outcomes = [f"{count(tasks.finished)} finished", failed_phrase(tasks)]
    outcomes += [f"{count(tasks.cancelled)} cancelled"] if tasks.cancelled else []
    outcomes += [f"{count(tasks.lost)} lost"] if tasks.lost else []
    for outcome in outcomes:
        if len(found) > 1 and len(found[-1]) + len(outcome) + 2 <= cells:
            found[-1] += f", {outcome}"
        else:
            found.append(outcome)
    calls = calls_per_task(pool)
    return found if calls is None else [*found, f"{calls:.3g} calls per task"]
