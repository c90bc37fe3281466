"""The parts of the dashboard, and how a reading fills them.

A recorded pool has the worker time, the headline, the workers beside the matrix or the queue, and
the history beside the kinds. An external pool has a single part instead.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.geometry import Size
from textual.widgets import Static

from .external import ExternalView
from .header import Headline, TimeBar, WhoLine
from .history import HistoryView, KindsView
from .line_view import Row
from .matrix import MatrixView
from .queue_view import QueueView
from .room import HEADLINE, fit_parts
from .window_line import WindowLine
from .workers import WorkersView

if TYPE_CHECKING:
    from rich.text import Text
    from textual.widget import Widget

    from ...model.external import ExternalPoolReading
    from ...model.reading import PoolReading, Reading


class Parts:
    """Every part of the dashboard, top down."""

    CSS = """
    Screen { layout: vertical; }
    #middle { height: 1fr; }
    #workers { width: 1fr; scrollbar-size: 1 1; }
    #matrix { width: 24; margin: 0 0 0 1; scrollbar-size: 1 1; }
    #queue { width: 0; margin: 0 0 0 1; }
    #lower { height: 0; margin: 1 0 0 0; }
    #history { width: 1fr; }
    #kinds { width: 52; margin: 0 0 0 1; }
    #external { height: 1fr; scrollbar-size: 1 1; display: none; }
    #hints { height: 1; color: $text-muted; padding: 0 1; }
    """

    def __init__(self) -> None:
        self.who = WhoLine(id="who")
        self.time_bar = TimeBar(id="time")
        self.headline = Headline(id="headline")
        self.window = WindowLine(id="window")
        self.workers = WorkersView(id="workers")
        self.matrix = MatrixView(id="matrix")
        self.queue = QueueView(id="queue")
        self.history = HistoryView(id="history")
        self.kinds = KindsView(id="kinds")
        self.external = ExternalView(id="external")
        self.hints = Static(id="hints", markup=False)
        self._middle = Row(self.workers, self.matrix, self.queue, id="middle")
        self._lower = Row(self.history, self.kinds, id="lower")
        self._hinted: tuple[str, object] = ("", "")

    def top_down(self) -> tuple[Widget, ...]:
        """Return the parts as they stand on the screen."""
        above = (self.who, self.time_bar, self.headline, self.window)
        return (*above, self._middle, self._lower, self.external, self.hints)

    def show(
        self, reading: Reading, pool: PoolReading | None, screen: Size, *, paused: bool
    ) -> None:
        """Draw a recorded pool, in a screen of this size."""
        self._change(external=False)
        self.who.show(reading, pool, paused=paused)
        self.time_bar.show(pool)
        self.window.show(reading)
        is_running = reading.source.state.is_running
        self.headline.show(pool, reading.source.note, screen, is_running=is_running)
        left = Size(screen.width, screen.height - self.headline.lines + HEADLINE)
        fit_parts(left, pool, self.matrix, self.queue, self._lower)
        if self.matrix.has_focus and not self.matrix.display:
            self.workers.focus()
        self.history.show(pool)
        self.kinds.show(pool)
        self.workers.show(pool)
        self.matrix.follow(pool, paused=paused)
        self.queue.show(pool)

    def show_external(
        self, reading: Reading, pool: ExternalPoolReading | None, *, paused: bool
    ) -> None:
        """Draw a pool of a process without a probe."""
        self._change(external=True)
        self.who.show(reading, pool, paused=paused)
        self.window.show(reading)
        self.external.show(pool, reading.source.program)

    def _change(self, *, external: bool) -> None:
        """Show the parts of an external pool, or those of a recorded one."""
        if self.external.display == external:
            return
        for part in (self.time_bar, self.headline, self._middle, self._lower):
            part.display = not external
        self.external.display = external
        (self.external if external else self.workers).focus()

    def hint(self, text: Text) -> None:
        """Draw the lowest line, where it differs from the one that is shown."""
        if (text.plain, text.style) != self._hinted:
            self._hinted = text.plain, text.style
            self.hints.update(text, layout=False)
