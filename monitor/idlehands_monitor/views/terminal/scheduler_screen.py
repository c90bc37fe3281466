"""What the scheduler of a pool promises, and how it keeps it: over the dashboard, until closed."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from ..deques import deque_lines, parking_lines
from ..graph import graph_lines
from ..promises import COLOURS, moments_words, promise_line
from ..stealing import stealing_lines
from ..words import clean

if TYPE_CHECKING:
    from textual.app import ComposeResult

    from ...analysis.readings import PoolReading


class SchedulerScreen(ModalScreen[None]):
    """Promises, work, steals, deques and parking of one pool; escape or s closes."""

    DEFAULT_CSS = """
    SchedulerScreen { align: center middle; }
    SchedulerScreen > VerticalScroll {
        width: 95%; max-width: 120; height: 95%; border: round $primary;
        background: $surface; padding: 0 1;
    }
    SchedulerScreen Static { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,s,q,enter", "close", "close")]

    def compose(self) -> ComposeResult:
        """Lay out one text that scrolls."""
        with VerticalScroll():
            yield Static(id="scheduler")

    def show(self, pool: PoolReading) -> None:
        """Draw the scheduler of a pool."""
        self.query_one("#scheduler", Static).update(scheduler_text(pool))

    def action_close(self) -> None:
        """Go back to the dashboard."""
        self.dismiss()


def scheduler_text(pool: PoolReading) -> Text:
    """Return promises first, then the figures they stand on."""
    text = Text()
    text.append(f"What the scheduler of {clean(pool.name, 60)} promises\n", style="bold")
    for promise in pool.promises:
        line = promise_line(promise)
        text.append(f"{line.mark} {line.verdict:<8}", style=COLOURS[line.verdict])
        text.append(f"{line.what}\n", style="bold" if line.verdict == "broken" else "")
        text.append(f"          {line.said}\n", style="dim")
        if line.verdict == "broken":
            moments = moments_words(pool, promise)
            text.append(f"          {promise.purpose}\n")
            text.append(f"          {moments}\n" if moments else "", style="dim")
        if line.verdict != "unknown":
            text.append(f"          {promise.source}\n", style="dim")
    figures = [
        *graph_lines(pool.graph),
        *stealing_lines(pool.stealing),
        *deque_lines(pool),
        *parking_lines(pool),
    ]
    if figures:
        text.append("\nWork, steals, deques and parking in this window\n", style="bold")
        text.append("\n".join(line.strip() for line in figures))
    return text
