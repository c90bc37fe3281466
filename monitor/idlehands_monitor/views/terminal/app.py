"""The dashboard: one feed on one screen.

A tick takes in what has arrived, makes a reading and hands it to the widgets. The next tick is
set only when this one is on the terminal, and never so soon that ticks take more than a share of
the time: a slow terminal gets fewer frames, and keys still answer.
"""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import App
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Static

from ...capture import CaptureError
from ..grid import grid_of
from ..words import clean
from .header import Headline, TimeBar, WhoLine
from .matrix import LABEL_CELLS, LINES_AROUND, MatrixView, cell_width
from .past import KindsView, PastView
from .sampled import SampledView
from .scheduler_screen import SchedulerScreen
from .worker_screen import WorkerScreen
from .workers import WorkersView

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.events import Resize
    from textual.widget import Widget

    from ...analysis.readings import PoolReading, Reading
    from ...feed import Feed

TICK_SECONDS = 0.25
SLOWEST_TICK_SECONDS = 1.0
LEAST_REST = 4.0
"""A tick that took t seconds is followed by at least this many t of rest."""
MESSAGE_SECONDS = 6.0
NARROW_MATRIX = 29
LEAST_WIDTH_FOR_MATRIX = 72
ABOVE_AND_BELOW = 13
LEAST_LOWER, MOST_LOWER = 7, 30
TALL_SCREEN = 45
HINTS = "q quit · space pause · c capture · s scheduler · arrows move · enter a worker"
HINTS_SAMPLED = "q quit · space pause · c capture · arrows scroll"


class Dashboard(App[None]):
    """The dashboard of one feed; ends by itself after `seconds`, if given."""

    TITLE = "idlehands"
    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { layout: vertical; }
    #middle { height: 1fr; margin: 1 0 0 0; }
    #workers { width: 1fr; scrollbar-size: 1 1; }
    #matrix { width: 24; margin: 0 0 0 1; scrollbar-size: 1 1; }
    #lower { height: 0; margin: 1 0 0 0; }
    #past { width: 1fr; }
    #kinds { width: 52; margin: 0 0 0 1; }
    #sampled { height: 1fr; margin: 1 0 0 0; scrollbar-size: 1 1; display: none; }
    #hints { height: 1; color: $text-muted; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c,ctrl+q", "quit", "quit", priority=True),
        Binding("q", "quit", "quit"),
        Binding("space", "pause", "pause"),
        Binding("c", "capture", "capture"),
        Binding("p", "next_pool", "next pool"),
        Binding("s", "scheduler", "what the scheduler promises"),
    ]

    def __init__(self, feed: Feed, seconds: float | None = None) -> None:
        super().__init__()
        self.feed = feed
        self._seconds = seconds
        self._paused = False
        self._capture_path = ""
        self._pool_place = 0
        self._message = ("", 0.0)
        self._last: Reading | None = None
        self._hinted: tuple[str, object] = ("", "")
        self._who_line = WhoLine(id="who")
        self._time_bar = TimeBar(id="time")
        self._headline_view = Headline(id="headline")
        self._workers_view = WorkersView(id="workers")
        self._matrix_view = MatrixView(id="matrix")
        self._middle_part = Horizontal(id="middle")
        self._lower_part = Horizontal(id="lower")
        self._past_view = PastView(id="past")
        self._kinds_view = KindsView(id="kinds")
        self._sampled_view = SampledView(id="sampled")
        self._hint_line = Static(id="hints", markup=False)

    def compose(self) -> ComposeResult:
        """Lay the screen out, top down."""
        yield self._who_line
        yield self._time_bar
        yield self._headline_view
        with self._middle_part:
            yield self._workers_view
            yield self._matrix_view
        with self._lower_part:
            yield self._past_view
            yield self._kinds_view
        yield self._sampled_view
        yield self._hint_line

    def on_mount(self) -> None:
        """Begin ticking."""
        self._workers_view.focus()
        few_colours = self.console.color_system in ("standard", None)
        self._matrix_view.dense = few_colours or bool(os.environ.get("NO_COLOR"))
        if self._seconds is not None:
            self.set_timer(self._seconds, self.exit)
        self._tick()

    def on_resize(self, _event: Resize) -> None:
        """Fit the matrix to the new width."""
        if self._last is not None:
            self._draw(self._last)

    def _tick(self) -> None:
        if not self._hint_line.is_attached:
            return  # the screen is being taken down
        began = time.monotonic()
        self.feed.update()
        if not self._paused:
            self._draw(self._read())
        self.call_after_refresh(self._rest, began)

    def _read(self) -> Reading:
        """Return what the screens that are open need of a reading."""
        return self.feed.reading(scheduler=isinstance(self.screen, SchedulerScreen))

    def _rest(self, began: float) -> None:
        took = time.monotonic() - began
        self.set_timer(min(SLOWEST_TICK_SECONDS, max(TICK_SECONDS, LEAST_REST * took)), self._tick)

    def _draw(self, reading: Reading) -> None:
        self._last = reading
        if reading.source.sampled and not reading.pools:
            self._draw_sampled(reading)
            return
        self._change_parts(sampled=False)
        pool = self._pool(reading)
        with self.batch_update():
            self._who_line.show(reading, pool, paused=self._paused)
            self._time_bar.show(pool)
            self._headline_view.show(pool, reading.source.note)
            self._fit(pool)
            self._past_view.show(pool)
            self._kinds_view.show(pool)
            self._workers_view.show(pool)
            self._matrix_view.show(pool)
            self._hint(reading)
        if isinstance(self.screen, (WorkerScreen, SchedulerScreen)) and pool is not None:
            self.screen.show(pool)

    def _draw_sampled(self, reading: Reading) -> None:
        pools = reading.sampled
        pool = pools[self._pool_place % len(pools)] if pools else None
        with self.batch_update():
            self._change_parts(sampled=True)
            self._who_line.show(reading, pool, paused=self._paused)
            self._sampled_view.show(pool)
            self._hint(reading)

    def _change_parts(self, *, sampled: bool) -> None:
        """Show the parts for a recorded pool or for a sampled one."""
        if self._sampled_view.display == sampled:
            return
        for part in (self._time_bar, self._headline_view, self._middle_part, self._lower_part):
            part.display = not sampled
        self._sampled_view.display = sampled
        (self._sampled_view if sampled else self._workers_view).focus()

    def _pool(self, reading: Reading) -> PoolReading | None:
        return reading.pools[self._pool_place % len(reading.pools)] if reading.pools else None

    def _fit(self, pool: PoolReading | None) -> None:
        """Share the room out: the matrix as wide as it needs, the lower part what is left."""
        workers = len(pool.workers) if pool is not None else 0
        columns = grid_of(pool).columns
        most = max(NARROW_MATRIX, self.size.width // 2 - 6)
        if self.size.width < 110:
            most = NARROW_MATRIX
        wanted = LABEL_CELLS + columns * cell_width(columns, most) + 1 if columns else 0
        fits = self.size.width >= LEAST_WIDTH_FOR_MATRIX
        _set_size(self._matrix_view, width=max(NARROW_MATRIX, min(most, wanted)) if fits else 0)
        lower = lower_height(self.size.height, workers)
        _set_size(self._lower_part, height=lower)

    def _hint(self, reading: Reading) -> None:
        """Draw the bottom line, where it says something else than before."""
        text = self._bottom(reading)
        if (text.plain, text.style) != self._hinted:
            self._hinted = text.plain, text.style
            self._hint_line.update(text, layout=False)

    def _bottom(self, reading: Reading) -> Text:
        message, until = self._message
        if message and time.monotonic() < until:
            return Text(message, style="bold")
        source = reading.source
        if source.warning:
            return Text(clean(source.warning), style="bold")
        if self._capture_path:
            return Text(f"capturing to {clean(self._capture_path)}, c ends it", style="bold")
        if source.note:
            return Text(f"{clean(source.note)} · q quit")
        more = " · p next pool" if len(reading.pools or reading.sampled) > 1 else ""
        return Text((HINTS_SAMPLED if source.sampled else HINTS) + more)

    def _say(self, message: str) -> None:
        self._message = (clean(message), time.monotonic() + MESSAGE_SECONDS)
        if self._last is not None:
            self._hint(self._last)

    def action_pause(self) -> None:
        """Hold the screen still, or let it go on; a live stream is taken in all the same."""
        self._paused = not self._paused
        self.feed.source.pause(self._paused)
        if self._last is not None:  # read once more and whole, for every screen opened meanwhile
            self._draw(self.feed.reading())

    def action_next_pool(self) -> None:
        """Show the process's next pool."""
        self._pool_place += 1
        if self._last is not None:
            self._draw(self._last)

    def action_scheduler(self) -> None:
        """Show what the pool's scheduler promises and how it keeps it."""
        if self._last is not None and not self._paused:
            self._last = self.feed.reading()
        pool = self._pool(self._last) if self._last is not None else None
        if pool is not None:
            screen = SchedulerScreen()
            self.push_screen(screen)
            self.call_after_refresh(screen.show, pool)

    def action_capture(self) -> None:
        """Begin a capture with the recent past in it, or end the one that is open."""
        source = self.feed.source
        try:
            if self._capture_path:
                source.stop_capture()
                self._say(f"wrote {self._capture_path}")
                self._capture_path = ""
                return
            path = time.strftime("idlehands-%Y%m%d-%H%M%S.idlehands")
            source.start_capture(path)
            if source.status.state in ("ended", "replay"):
                source.stop_capture()
                self._say(f"wrote {path}")
            else:
                self._capture_path = path
        except CaptureError as error:
            self._capture_path = ""
            self._say(str(error))

    def on_workers_view_opened(self, event: WorkersView.Opened) -> None:
        """Open the chosen worker."""
        reading = self._last
        if reading is None:
            return
        live = reading.source.state in ("live", "stalled")
        pool = self._pool(reading)
        own = pool.workers[event.index].pid if pool and event.index < len(pool.workers) else -1
        pid = own if own > 0 else reading.source.pid
        screen = WorkerScreen(event.index, pid if live else -1)
        self.push_screen(screen)
        if pool is not None:
            self.call_after_refresh(screen.show, pool)


def lower_height(height: int, workers: int) -> int:
    """Return the lines of the lower part: what the workers leave, 0 where that is too little."""
    middle = height - ABOVE_AND_BELOW
    left = middle - workers - LINES_AROUND
    if left >= LEAST_LOWER:
        return min(left, MOST_LOWER)
    return LEAST_LOWER + 2 if height >= TALL_SCREEN else 0


def _set_size(widget: Widget, width: int | None = None, height: int | None = None) -> None:
    """Set a size only where it changes: setting it lays the whole screen out again."""
    styles = widget.styles
    if width is not None and (styles.width is None or styles.width.value != width):
        styles.width = width
        widget.display = width > 0
    if height is not None and (styles.height is None or styles.height.value != height):
        styles.height = height
        widget.display = height > 0
