"""The workers, one row each: its time split, its deque, its idle history, what it does now.

Workers that share one queue have no deques; there the column counts the tasks that each finished.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar

from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView

from ..foreign_text import clean
from ..formatting import count, without_main
from .drawing import doing_now, fit, spark
from .keys import WORKERS, bindings
from .line_view import LineView
from .strips import Run, bar_runs, style

if TYPE_CHECKING:
    from textual.binding import BindingType
    from textual.strip import Strip

    from ...model.reading import PoolReading
    from ...model.workers import WorkerReading

INDEX_CELLS = 4
DEPTH_CELLS = 6
LEAST_DOING = 20
"""The least cells for what a worker does now: a short name and a duration."""

Widths = tuple[int, int, int]
"""The cells of a row's gauge, its idle history and its present doing."""


class WorkersView(LineView, ScrollView, can_focus=True):
    """All workers of a pool as one widget; up and down choose one, enter opens it."""

    BINDINGS: ClassVar[list[BindingType]] = bindings(WORKERS)

    class Opened(Message):
        """A worker was chosen with enter."""

        def __init__(self, index: int) -> None:
            super().__init__()
            self.index = index

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._pool: PoolReading | None = None
        self._rows: dict[tuple[int, Widths, bool], list[Run]] = {}
        self._histories: dict[int, tuple[tuple[float, ...], int, str]] = {}
        self._kinds: tuple[str, ...] = ()
        self._has_deques = True
        self.cursor = 0

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's workers."""
        self._pool = pool
        self._has_deques = pool is None or pool.has_steals
        kinds = pool.tasks.kinds if pool else ()
        self._kinds = tuple(without_main(clean(kind.kind)) for kind in kinds)
        rows = len(pool.workers) if pool else 0
        self.cursor = max(0, min(self.cursor, rows - 1))
        size = Size(self.size.width, rows + 1)
        if self.virtual_size != size:
            self.virtual_size = size
        self._refresh_what_changed()

    def _refresh_what_changed(self) -> None:
        """Have those lines drawn again whose content has changed."""
        drawn, self._rows = self._rows, {}
        region = self.scrollable_content_region
        places = self._places(range(1, region.height), region.width)
        changed = [y for y, place in enumerate(places, 1) if drawn.get(place) != self._row(*place)]
        if len(changed) == len(places):
            self.refresh()
        elif changed:
            self.refresh(*(Region(0, y, region.width, 1) for y in changed))

    def _places(self, lines: range, cells: int) -> list[tuple[int, Widths, bool]]:
        """Return what lines show: (worker, the widths of its parts, whether it is the chosen
        one)."""
        before, widths = self.scroll_offset.y - 1, column_widths(cells)
        chosen = self.cursor - before if self.has_focus else 0  # where the heads are
        return [(y + before, widths, y == chosen) for y in lines]

    def _row(self, index: int, widths: Widths, chosen: bool) -> list[Run]:
        """Return the runs of a worker's line, made once for all that ask."""
        place = index, widths, chosen
        if place not in self._rows:
            workers = self._pool.workers if self._pool is not None else ()
            if 0 <= index < len(workers):
                bars = self._idle_bars(workers[index], widths[1])
                self._rows[place] = worker_runs(
                    workers[index], bars, widths, self._kinds, chosen=chosen, deque=self._has_deques
                )
            else:
                self._rows[place] = []
        return self._rows[place]

    def _idle_bars(self, worker: WorkerReading, cells: int) -> str:
        """Return a worker's idle history as bars; it changes only once a second."""
        drawn = self._histories.get(worker.index)
        if drawn is None or drawn[0] is not worker.idle_history or drawn[1] != cells:
            drawn = worker.idle_history, cells, spark(worker.idle_history, cells)
            self._histories[worker.index] = drawn
        return drawn[2]

    def action_move(self, rows: int) -> None:
        """Move the cursor, keeping it in sight."""
        if self._pool is None:
            return
        self.cursor = max(0, min(len(self._pool.workers) - 1, self.cursor + rows))
        self.scroll_to_region(
            Region(0, self.cursor + 1, 1, 1), animate=False, force=True, immediate=True
        )
        self.refresh()

    def action_open(self) -> None:
        """Say which worker was chosen."""
        if self._pool is not None and self._pool.workers:
            self.post_message(self.Opened(self.cursor))

    def on_click(self, event: object) -> None:
        """Choose the worker clicked on."""
        y = getattr(event, "y", 0) + self.scroll_offset.y - 1
        if self._pool is not None and 0 <= y < len(self._pool.workers):
            self.cursor = y
            self.refresh()

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw visible line `y`: the heads stay on top."""
        if y == 0:
            text = heads(column_widths(cells), deque=self._has_deques)
            return self.line([(text, style(dim=True))], cells)
        (place,) = self._places(range(y, y + 1), cells)
        return self.line(self._row(*place), cells)


@lru_cache(maxsize=8)
def column_widths(cells: int) -> Widths:
    """Return the cells of gauge, idle history and present doing, for a row of `cells`."""
    room = max(20, cells - INDEX_CELLS - DEPTH_CELLS - 3)
    doing = min(44, max(LEAST_DOING, room * 2 // 5))
    gauge = max(8, (room - doing) * 3 // 5)
    return gauge, max(4, room - doing - gauge), doing


def heads(widths: Widths, *, deque: bool = True) -> str:
    """Return the line of column heads."""
    gauge, history, doing = widths
    title = f"idle share, last {history} s"
    title = next((text for text in (title, f"idle, {history} s") if len(text) <= history), "idle")
    where = "time split" if gauge > 9 else "time"
    return (
        f"{fit('', INDEX_CELLS)}{fit(where, gauge)}{'deque' if deque else 'tasks':>{DEPTH_CELLS}} "
        f"{fit(title, history)} {fit('doing now', doing)}"
    )


def worker_runs(
    worker: WorkerReading,
    idle_bars: str,
    widths: Widths,
    kinds: tuple[str, ...] = (),
    *,
    chosen: bool,
    deque: bool = True,
) -> list[Run]:
    """Return one worker's row; `idle_bars` is its idle history, `kinds` those of its pool.

    `deque`: show the tasks in its deque, else those that it finished.
    """
    gauge, _history, doing = widths
    number = worker.depth if deque else worker.tasks_finished
    depth = "–" if number < 0 else count(number)
    mark = style(bold=True, reverse=True) if chosen else None
    return [
        (f"{worker.index:>3}", mark),
        (" ", None),
        *bar_runs(worker.time, gauge),
        (f"{depth:>{DEPTH_CELLS}} ", None),
        (idle_bars, style("#56B4E9")),
        (" ", None),
        (fit(doing_now(worker, doing, kinds), doing), mark),
    ]
