"""A pool of an external process: its workers' time split as samples show it, and their stacks."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView

from ..foreign_text import clean
from ..formatting import amount, category_name, shortened
from ..sections.external import (
    NOT_RECORDED,
    advice_text,
    missing_text,
    stack_text,
    state_text,
)
from ..sections.findings import finding_text
from ..sections.places import place_text
from ..sections.waits import off_core_name, waits_phrase
from .drawing import fit
from .header import legend_rows, wrap
from .keys import EXTERNAL_WORKERS, bindings
from .line_view import LineView
from .strips import Run, bar_runs, style

if TYPE_CHECKING:
    from textual.binding import BindingType
    from textual.strip import Strip

    from ...model.external import (
        ExternalPoolReading,
        ExternalWorkerReading,
        StackReading,
    )
    from ...model.shares import AnyCategory

Row = list[Run]

LOW_SCREEN = 30
"""With fewer lines than this only the first few stacks are shown, so that workers are visible."""
FEW_STACKS, MORE_STACKS = 2, 5
SIDE_BY_SIDE = 150
LEAST_FOR_NUMBERS = 130
NUMBER_CELLS = 15
NAME_CELLS = 18
NONE_YET = (
    "No worker thread has been seen yet, only main threads and the helpers of pools. Workers of "
    "thread and process pools appear here with their first sample."
)


class ExternalView(LineView, ScrollView, can_focus=True):
    """One sampled pool, all of it as lines of one widget that scrolls.

    Up and down choose a worker, enter opens it.
    """

    BINDINGS: ClassVar[list[BindingType]] = bindings(EXTERNAL_WORKERS)

    class Opened(Message):
        """A worker was chosen with enter."""

        def __init__(self, worker: ExternalWorkerReading) -> None:
            super().__init__()
            self.worker = worker

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._rows: list[Row] = []
        self._first_worker = 0
        self._pool: ExternalPoolReading | None = None
        self._program = ""
        self.cursor = 0

    def show(self, pool: ExternalPoolReading | None, program: str) -> None:
        """Draw a pool of a program."""
        self._pool, self._program = pool, program
        cells = self.scrollable_content_region.width
        workers = len(pool.workers) if pool is not None else 0
        self.cursor = max(0, min(self.cursor, workers - 1))
        chosen = self.cursor if workers and self.has_focus else -1
        self._rows, self._first_worker = rows(
            pool, max(20, cells - 2), self.app.size.height, chosen, program
        )
        size = Size(self.size.width, len(self._rows))
        if self.virtual_size != size:
            self.virtual_size = size
        self.refresh()

    def action_move(self, workers: int) -> None:
        """Choose another worker, keeping it in sight; past the first and the last, scroll."""
        count = len(self._pool.workers) if self._pool is not None else 0
        before, self.cursor = self.cursor, max(0, min(count - 1, self.cursor + workers))
        if self.cursor == before:
            self.scroll_relative(y=workers, animate=False)
            return
        self.show(self._pool, self._program)
        row = Region(0, self._first_worker + self.cursor, 1, 1)
        self.scroll_to_region(row, animate=False, force=True, immediate=True)

    def action_open(self) -> None:
        """Say which worker was chosen."""
        if self._pool is not None and self._pool.workers:
            self.post_message(self.Opened(self._pool.workers[self.cursor]))

    def on_resize(self) -> None:
        """Fit the rows to the new width, the first one included."""
        self.show(self._pool, self._program)

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y` of what is in sight."""
        place = y + self.scroll_offset.y
        runs = self._rows[place] if place < len(self._rows) else []
        return self.line([(" ", None), *runs], cells)


def rows(
    pool: ExternalPoolReading | None,
    cells: int,
    height: int,
    chosen: int = -1,
    program: str = "",
) -> tuple[list[Row], int]:
    """Return everything of a pool as rows of at most `cells` cells, and which row is worker 0's.

    chosen: the worker to mark, -1 for none.
    """
    if pool is None:
        return [[(text, None)] for text in wrap(NONE_YET, cells)], 0
    found = [bar_runs(pool.time, cells), *legend_rows(pool.time, cells)]
    waits = clean(waits_phrase(pool.time))
    if waits:
        what = off_core_name(pool.time)
        found.append([(fit(f"{what}, in shares of the worker time: {waits}", cells), None)])
    if pool.missing:
        found += [
            [(text, style(bold=True))] for text in wrap(clean(missing_text(pool), 600), cells)
        ]
    found += _headline(pool, cells)
    found.append([])
    found += _stacks(pool, cells, FEW_STACKS if height < LOW_SCREEN else MORE_STACKS)
    first = len(found) + 1
    found += [*_workers(pool, cells, chosen), []]
    caution = wrap(f"{NOT_RECORDED} {clean(advice_text(pool, program), 400)}", cells)
    return found + [[(text, style(dim=True))] for text in caution], first


def _headline(pool: ExternalPoolReading, cells: int) -> list[Row]:
    """Return the first finding and what to try; nothing where there is none."""
    if not pool.findings:
        return []
    first = pool.findings[0]
    found: list[Row] = [
        [(text, style(bold=True))] for text in wrap(clean(finding_text(first), 600), cells)
    ]
    return found + [[(text, None)] for text in wrap(clean(f"Try: {first.advice}", 600), cells)]


def _stacks(pool: ExternalPoolReading, cells: int, most: int) -> list[Row]:
    blocks = [
        (title, stacks[:most])
        for title, stacks in (
            ("where workers were most often blocked, in samples", pool.blocked_stacks),
            ("where workers were most often parked, in samples", pool.parked_stacks),
        )
        if stacks
    ]
    if len(blocks) == 2 and cells >= SIDE_BY_SIDE:
        half = cells // 2
        left, right = (_block(*block, half - 1) for block in blocks)
        longest = max(len(left), len(right))
        left += [[(" " * (half - 1), None)]] * (longest - len(left))
        right += [[]] * (longest - len(right))
        return [[*one, (" ", None), *other] for one, other in zip(left, right, strict=True)] + [[]]
    return [row for block in blocks for row in [*_block(*block, cells), []]]


def _block(title: str, stacks: tuple[StackReading, ...], cells: int) -> list[Row]:
    found: list[Row] = [[(fit(title, cells), style(dim=True))]]
    for stack in stacks:
        found.append([(fit(f"{stack.samples:>5} × {clean(stack_text(stack), 2000)}", cells), None)])
    return found


def _workers(pool: ExternalPoolReading, cells: int, chosen: int) -> list[Row]:
    names = [part.category for part in pool.time.shares] if cells >= LEAST_FOR_NUMBERS else []
    numbers = "".join(fit(category_name(name), NUMBER_CELLS) for name in names)
    gauge = max(10, (cells - 4 - NAME_CELLS - len(numbers)) // 3)
    heads = f"{'':<4}{fit('time split', gauge)} {numbers}{fit('worker', NAME_CELLS)}"
    found: list[Row] = [[(fit(heads + " at its last sample", cells), style(dim=True))]]
    for worker in pool.workers:
        row = _worker(worker, gauge, names, cells)
        if worker.index == chosen:
            mark = style(bold=True, reverse=True)
            row = [(row[0][0].rstrip(), mark), (" ", None), *row[1:-1], (row[-1][0], mark)]
        found.append(row)
    return found


def _worker(worker: ExternalWorkerReading, gauge: int, names: list[AnyCategory], cells: int) -> Row:
    amounts = {part.category: amount(part) for part in worker.time.shares}
    numbers = "".join(fit(amounts.get(name, "–"), NUMBER_CELLS) for name in names)
    place = f", {place_text(worker.place)}" if worker.place is not None else ""
    room = max(0, cells - 6 - gauge - len(numbers) - NAME_CELLS)
    return [
        (f"{worker.index:>3} ", None),
        *bar_runs(worker.time, gauge),
        (f" {numbers}{fit(shortened(clean(worker.name), NAME_CELLS), NAME_CELLS)} ", None),
        (fit(clean(state_text(worker) + place), room), None),
    ]
