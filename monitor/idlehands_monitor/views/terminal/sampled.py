"""A process without a probe: where its workers' time seems to go, and where they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.geometry import Size
from textual.scroll_view import ScrollView

from ..palette import SAMPLED_LOOKS
from ..sampled import (
    NAMES,
    NOT_RECORDED,
    PROBE_ADVICE,
    amount,
    missing_text,
    parts,
    place_text,
    stack_text,
    state_text,
    waits_text,
)
from ..words import clean
from .drawing import fit, split_cells
from .header import wrap
from .line_view import LineView
from .strips import Run, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...analysis.sampled_readings import (
        SampledPoolReading,
        SampledTime,
        SampledWorkerReading,
        StackReading,
    )

Row = list[Run]

LOW_SCREEN = 30
"""Under this many lines only the first few stacks are shown, so that workers are in sight."""
FEW_STACKS, MORE_STACKS = 2, 5
SIDE_BY_SIDE = 150
LEAST_FOR_NUMBERS = 130
NUMBER_CELLS = 15
NAME_CELLS = 18
NONE_YET = (
    "No worker thread has been seen yet, only main threads and the helpers of pools. Workers of "
    "thread and process pools appear here with their first sample."
)


class SampledView(LineView, ScrollView, can_focus=True):
    """One sampled pool, all of it as lines of one widget that scrolls."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._rows: list[Row] = []
        self._pool: SampledPoolReading | None = None

    def show(self, pool: SampledPoolReading | None) -> None:
        """Draw a pool."""
        self._pool = pool
        cells = self.scrollable_content_region.width
        self._rows = rows(pool, max(20, cells - 2), self.app.size.height)
        size = Size(self.size.width, len(self._rows))
        if self.virtual_size != size:
            self.virtual_size = size
        self.refresh()

    def on_resize(self) -> None:
        """Fit the rows to the new width, the first one included."""
        self.show(self._pool)

    def render_line(self, y: int) -> Strip:
        """Draw line `y` of what is in sight."""
        cells = self.scrollable_content_region.width
        place = y + self.scroll_offset.y
        runs = self._rows[place] if place < len(self._rows) else []
        return self.line([(" ", None), *runs], cells)


def rows(pool: SampledPoolReading | None, cells: int, height: int) -> list[Row]:
    """Return everything of a pool as rows of at most `cells` cells."""
    if pool is None:
        return [[(text, None)] for text in wrap(NONE_YET, cells)]
    found = [bar(pool.time, cells), *legend(pool.time, cells)]
    waits = waits_text(pool.time)
    if waits:
        what = "blocked in" if pool.time.blocked is not None else "off the core in"
        found.append([(fit(f"{what}: {waits}", cells), None)])
    if pool.missing:
        found += [[(text, style(bold=True))] for text in wrap(missing_text(pool), cells)]
    found.append([])
    found += _stacks(pool, cells, FEW_STACKS if height < LOW_SCREEN else MORE_STACKS)
    found += [*_workers(pool, cells), []]
    caution = wrap(f"{NOT_RECORDED} {PROBE_ADVICE}", cells)
    return found + [[(text, style(dim=True))] for text in caution]


def bar(time: SampledTime, cells: int) -> Row:
    """Return a stacked bar of `cells` cells; blank where no time is known."""
    found = parts(time)
    shares = split_cells([part.value for part in found], cells)
    runs: Row = [
        (SAMPLED_LOOKS[part.entry].glyph * share, style(SAMPLED_LOOKS[part.entry].colour))
        for part, share in zip(found, shares, strict=True)
        if share
    ]
    return runs or [(" " * cells, None)]


def legend(time: SampledTime, cells: int) -> list[Row]:
    """Return the parts with their intervals, on as many rows as they need."""
    legend_rows: list[Row] = []
    room = 0
    for part in parts(time):
        look = SAMPLED_LOOKS[part.entry]
        text = f" {NAMES[part.entry]} {amount(part)}   "
        if len(text) + 1 > room:
            legend_rows.append([])
            room = cells
        legend_rows[-1] += [(look.glyph, style(look.colour)), (text, None)]
        room -= len(text) + 1
    return legend_rows


def _stacks(pool: SampledPoolReading, cells: int, most: int) -> list[Row]:
    blocks = [
        (title, stacks[:most])
        for title, stacks in (
            ("most often blocked in, samples", pool.blocked_stacks),
            ("most often parked in, samples", pool.parked_stacks),
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
        found.append([(fit(f"{stack.samples:>5} × {stack_text(stack)}", cells), None)])
    return found


def _workers(pool: SampledPoolReading, cells: int) -> list[Row]:
    names = [part.entry for part in parts(pool.time)] if cells >= LEAST_FOR_NUMBERS else []
    numbers = "".join(fit(NAMES[name], NUMBER_CELLS) for name in names)
    gauge = max(10, (cells - 4 - NAME_CELLS - len(numbers)) // 3)
    heads = f"{'':<4}{fit('its time', gauge)} {numbers}{fit('worker', NAME_CELLS)}"
    found: list[Row] = [[(fit(heads + " at its last sample", cells), style(dim=True))]]
    return found + [_worker(worker, gauge, names, cells) for worker in pool.workers]


def _worker(worker: SampledWorkerReading, gauge: int, names: list[str], cells: int) -> Row:
    amounts = {part.entry: amount(part) for part in parts(worker.time)}
    numbers = "".join(fit(amounts.get(name, "–"), NUMBER_CELLS) for name in names)
    place = f", {place_text(worker.place)}" if worker.place is not None else ""
    room = max(0, cells - 6 - gauge - len(numbers) - NAME_CELLS)
    return [
        (f"{worker.index:>3} ", None),
        *bar(worker.time, gauge),
        (f" {numbers}{fit(clean(worker.name, 40), NAME_CELLS)} ", None),
        (fit(state_text(worker) + place, room), None),
    ]
