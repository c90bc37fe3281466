"""One worker opened: its time, its past, its steals, and its present stack."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from ...analysis.entries import ENTRIES
from ...sources.stacks import Stack, StackError, dump_whole, stack_of
from ..palette import ENTRY_LOOKS
from ..words import ENTRY_NAMES, clean, seconds
from .drawing import doing_now, spark
from .sheet import Sheet

if TYPE_CHECKING:
    from ...analysis.readings import PoolReading, WorkerReading

BAR_CELLS = 30
HISTORY_CELLS = 60


class WorkerScreen(Sheet):
    """Details of one worker; escape closes, s reads its stack again."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "close", "close"),
        Binding("s", "stack", "read the stack again"),
    ]
    PARTS = ("figures", "stack")

    def __init__(self, index: int, pid: int) -> None:
        super().__init__()
        self.index = index
        self.pid = pid
        self._worker: WorkerReading | None = None
        self._reading_stack: asyncio.Task[None] | None = None

    def show(self, pool: PoolReading) -> None:
        """Draw the worker from a pool's reading; the first time, read its stack too."""
        if self.index >= len(pool.workers):
            return
        first = self._worker is None
        self._worker = pool.workers[self.index]
        self.part("figures").update(figures(pool, self._worker))
        if first:
            self.action_stack()

    def action_stack(self) -> None:
        """Read the worker's stack, unless that is under way."""
        if self._reading_stack is None or self._reading_stack.done():
            self._reading_stack = asyncio.create_task(self._read_stack())

    async def _read_stack(self) -> None:
        worker, shown = self._worker, self.part("stack")
        if worker is None:
            return
        if self.pid < 0:
            shown.update(Text("\nPresent stack: none, this is not a running process."))
            return
        try:
            stack = stack_of(await dump_whole(self.pid), worker.native_id, worker.ident)
            shown.update(stack_text(stack))
        except StackError as error:
            shown.update(Text(f"\nPresent stack: {clean(str(error), 400)}"))


def figures(pool: PoolReading, worker: WorkerReading) -> Text:
    """Return the worker's figures as text."""
    text = Text()
    text.append(f"Worker {worker.index} of {clean(pool.name, 60)}", style="bold")
    text.append(f"   {clean(worker.name, 60)}, thread {worker.native_id}\n")
    text.append(f"{doing_now(worker)}\n\n")
    total = max(1, worker.time.total)
    for entry in ENTRIES:
        value = getattr(worker.time, entry)
        look = ENTRY_LOOKS[entry]
        bar = look.glyph * round(value / total * BAR_CELLS)
        text.append(f"{ENTRY_NAMES[entry]:<15}{seconds(value / 1e9):>9}{value / total:>7.1%} ")
        text.append(f"{bar}\n", style=look.colour)
    text.append(f"\nidle share of each past second, oldest left\n{'':>2}")
    text.append(spark(worker.idle_history, HISTORY_CELLS).strip() or "nothing yet", "#56B4E9")
    depth = "unknown" if worker.depth < 0 else str(worker.depth)
    text.append(
        f"\n\n{worker.tasks_finished} tasks finished in {seconds(pool.window_s)}; deque {depth}; "
        f"stole {worker.stolen_by_it}, was stolen from {worker.stolen_from_it} times\n"
    )
    return text


def stack_text(stack: Stack) -> Text:
    """Return a stack as text, innermost frame first."""
    holds = ", holds the interpreter lock" if stack.owns_interpreter_lock else ""
    text = Text(f"\nPresent stack, innermost first{holds} (s reads it again)\n", style="bold")
    for frame in stack.frames:
        text.append(f"  {clean(frame.function, 80)}", style="#E69F00")
        text.append(f"  {clean(frame.file, 160)}:{frame.line}\n", style="dim")
    if not stack.frames:
        text.append("  no Python frame at that moment\n")
    return text
