"""One worker opened: its time split, its history, its steals, and its present stack."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text

from ..foreign_text import clean
from ..formatting import category_name, exact_amount, number_of, seconds
from ..palette import TIME_STYLES
from ..sections.external import state_text
from ..sections.places import place_text
from ..sections.waits import off_core_name, waits_phrase
from .drawing import doing_now, spark
from .keys import WORKER_SHEET, bindings
from .sheet import Sheet

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from textual.binding import BindingType

    from ...model.external import ExternalPoolReading, ExternalWorkerReading
    from ...model.reading import PoolReading
    from ...model.shares import SharesOfTime
    from ...model.workers import WorkerReading
    from ...session.stacks import Stack

    ReadStack = Callable[[int, int, int], Awaitable[Stack]]
    """Reads the stack of a thread: of a process, by its kernel id and its `threading` ident."""

BAR_CELLS = 30
HISTORY_CELLS = 60


class StackSheet(Sheet):
    """A sheet of one worker: its figures, and its stack where its process runs.

    Escape closes, s reads the stack again. pid: the worker's process, -1 where none runs.
    read_stack: the session's.
    """

    BINDINGS: ClassVar[list[BindingType]] = bindings(WORKER_SHEET)
    PARTS = ("figures", "stack")

    def __init__(self, pid: int, read_stack: ReadStack) -> None:
        super().__init__()
        self.pid = pid
        self._read = read_stack
        self._thread: tuple[int, int] | None = None
        self._reading_stack: asyncio.Task[None] | None = None

    def show_figures(self, text: Text, native_id: int, ident: int) -> None:
        """Draw the figures. The first time, read the stack of the thread with these ids, too."""
        first, self._thread = self._thread is None, (native_id, ident)
        self.part("figures").update(text)
        if first:
            self.action_stack()

    def action_stack(self) -> None:
        """Read the worker's stack, unless that is under way."""
        if self._reading_stack is None or self._reading_stack.done():
            self._reading_stack = asyncio.create_task(self._read_stack())

    async def _read_stack(self) -> None:
        if self._thread is not None:
            stack = await self._read(self.pid, *self._thread)
            self.part("stack").update(stack_text(stack))


class WorkerScreen(StackSheet):
    """One recorded worker."""

    def __init__(self, index: int, pid: int, read_stack: ReadStack) -> None:
        super().__init__(pid, read_stack)
        self.index = index

    def show(self, pool: PoolReading) -> None:
        """Draw the worker from a pool's reading."""
        if self.index < len(pool.workers):
            worker = pool.workers[self.index]
            self.show_figures(figures(pool, worker), worker.native_id, worker.ident)


class ExternalWorkerScreen(StackSheet):
    """One worker of a process without a probe."""

    def __init__(self, native_id: int, pid: int, read_stack: ReadStack) -> None:
        super().__init__(pid, read_stack)
        self.native_id = native_id

    def show_external(self, pool: ExternalPoolReading) -> None:
        """Draw the worker from its pool's reading; a worker that has left stays as last drawn."""
        found = [worker for worker in pool.workers if worker.native_id == self.native_id]
        if found:
            self.show_figures(external_figures(pool, found[0]), found[0].native_id, found[0].ident)


def figures(pool: PoolReading, worker: WorkerReading) -> Text:
    """Return the worker's figures as text."""
    text = Text()
    text.append(f"Worker {worker.index} of {clean(pool.name, 60)}", style="bold")
    text.append(f"   {clean(worker.name, 60)}, thread {worker.native_id}\n")
    text.append(f"{doing_now(worker)}\n\n")
    text.append(split_text(worker.time))
    text.append(f"\nidle share of each past second, oldest left\n{'':>2}")
    text.append(spark(worker.idle_history, HISTORY_CELLS).strip() or "nothing yet", "#56B4E9")
    depth = "–" if worker.depth < 0 else number_of(worker.depth, "task")
    text.append(
        f"\n\n{number_of(worker.tasks_finished, 'task')} finished in {seconds(pool.window_s)}"
    )
    if pool.has_steals:
        text.append(
            f"; {depth} in its deque; it stole {number_of(worker.stolen_by_it, 'task')}, others "
            f"stole {number_of(worker.stolen_from_it, 'task')} from it"
        )
    return text.append("\n")


def external_figures(pool: ExternalPoolReading, worker: ExternalWorkerReading) -> Text:
    """Return what is known of an external worker as text."""
    text = Text(f"Worker {worker.index} of {clean(pool.name, 60)}", style="bold")
    text.append(f"   {clean(worker.name, 60)}, process {worker.pid}, thread {worker.native_id}\n")
    place = f", {place_text(worker.place)}" if worker.place is not None else ""
    at_last = clean(f"at its last sample: {state_text(worker)}{place}")
    text.append(f"{at_last}\n\n", style="not bold")
    text.append(split_text(worker.time))
    waits = clean(waits_phrase(worker.time))
    if waits:
        what = off_core_name(worker.time)
        text.append(f"\n{what}, in shares of its time: {waits}\n", style="not bold")
    return text


def split_text(time: SharesOfTime) -> Text:
    """Return a time split as text, a line with a bar for each category."""
    text = Text(style="not bold")
    for part in time.shares:
        spent = seconds(part.value * time.worker_seconds)
        category_style = TIME_STYLES[part.category]
        text.append(f"{category_name(part.category):<15}{spent:>9}{exact_amount(part):>14} ")
        text.append(
            f"{category_style.glyph * round(part.value * BAR_CELLS)}\n", category_style.colour
        )
    return text


def stack_text(stack: Stack) -> Text:
    """Return a stack as text, innermost frame first, or why there is none."""
    if stack.missing:
        return Text(f"\nStack: {clean(stack.missing, 400)}")
    holds = ", holds the interpreter lock" if stack.owns_interpreter_lock else ""
    text = Text(
        f"\nStack when it was read, innermost first{holds} (s reads it again)\n", style="bold"
    )
    for frame in stack.frames:
        text.append(f"  {clean(frame.function, 80)}", style="#E69F00")
        text.append(f"  {clean(frame.file, 160)}:{frame.line}\n", style="dim")
    if not stack.frames:
        text.append("  no Python frame at that moment\n")
    return text
