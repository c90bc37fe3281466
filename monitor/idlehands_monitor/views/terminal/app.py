"""The dashboard: one feed on one screen.

A tick takes in what has arrived, makes a reading and hands it to the widgets. The next tick is
set only when this one is on the terminal, and never so soon that ticks take more than a share of
the time: a slow terminal gets fewer frames, and keys still answer.
"""

from __future__ import annotations

import asyncio
import os
import time
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Static

from ...ingest.capture import CaptureError
from ...ingest.sources.replay import ReplaySource
from ..grid import grid_of
from .external import ExternalView
from .header import Headline, TimeBar, WhoLine
from .history import HistoryView, KindsView
from .jumps import Jumps
from .keys_sheet import KeysSheet
from .lower_line import HINTS, HINTS_MATRIX, HINTS_QUEUE, HINTS_STEALS, LowerLine
from .matrix import MatrixView
from .queue_view import QueueView
from .room import fit_parts
from .scheduler_screen import Jump, PromiseSheet, SchedulerScreen
from .sheet import Sheet
from .steals_screen import StealsScreen
from .strips import SafeText
from .worker_screen import ExternalWorkerScreen, WorkerScreen
from .workers import WorkersView

if TYPE_CHECKING:
    from rich.text import Text
    from textual.app import ComposeResult
    from textual.events import Resize

    from ...model.reading import PoolReading, Reading
    from ...session.feed import Feed

NOTHING_TO_TELL_APART = "nothing is stolen here, and every task was handed in from outside the pool"
TICK_SECONDS = 0.25
SLOWEST_TICK_SECONDS = 1.0
LEAST_REST = 6.0
"""A tick that took t seconds is followed by at least this many t of rest: what is drawn of a very
large pool takes a seventh of a core at most, in fewer frames."""


class Dashboard(App[None]):
    """The dashboard of one feed; ends by itself after `seconds`, if given."""

    TITLE = "idlehands"
    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { layout: vertical; }
    #middle { height: 1fr; margin: 1 0 0 0; }
    #workers { width: 1fr; scrollbar-size: 1 1; }
    #matrix { width: 24; margin: 0 0 0 1; scrollbar-size: 1 1; }
    #queue { width: 0; margin: 0 0 0 1; }
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
        Binding("t", "steals", "steals on the whole screen"),
        Binding("question_mark", "keys", "what each key does"),
        Binding("j", "jump(1)", "next broken moment"),
        Binding("b", "jump(-1)", "broken moment before"),
    ]

    def __init__(self, feed: Feed, seconds: float | None = None) -> None:
        super().__init__()
        self.feed = feed
        self._seconds = seconds
        self._paused = False
        self._pool_place = 0
        self._lower = LowerLine()
        self._last: Reading | None = None
        self._steals: StealsScreen | None = None
        self._filters.append(SafeText())
        self._jumps = Jumps(self)
        self._capturing: asyncio.Task[None] | None = None
        self._hinted: tuple[str, object] = ("", "")
        self._who_line = WhoLine(id="who")
        self._time_bar = TimeBar(id="time")
        self._headline_view = Headline(id="headline")
        self._workers_view = WorkersView(id="workers")
        self._matrix_view = MatrixView(id="matrix")
        self._queue_view = QueueView(id="queue")
        self._middle_part = Horizontal(id="middle")
        self._lower_part = Horizontal(id="lower")
        self._history_view = HistoryView(id="past")
        self._kinds_view = KindsView(id="kinds")
        self._external_view = ExternalView(id="sampled")
        self._hint_line = Static(id="hints", markup=False)

    def compose(self) -> ComposeResult:
        """Lay the screen out, top down."""
        yield self._who_line
        yield self._time_bar
        yield self._headline_view
        with self._middle_part:
            yield self._workers_view
            yield self._matrix_view
            yield self._queue_view
        with self._lower_part:
            yield self._history_view
            yield self._kinds_view
        yield self._external_view
        yield self._hint_line

    def on_mount(self) -> None:
        """Begin ticking."""
        self._workers_view.focus()
        few_colours = self.console.color_system in ("standard", None)
        self._matrix_view.dense = few_colours or bool(os.environ.get("NO_COLOR"))
        self._matrix_view.numbers = not self._matrix_view.dense
        if self._seconds is not None:
            self.set_timer(self._seconds, self.exit)
        self._tick()

    def on_unmount(self) -> None:
        """Have nobody wait for what is still being read."""
        self._jumps.stop()

    def on_resize(self, _event: Resize) -> None:
        """Fit the matrix to the new width."""
        self._draw_again()

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
        judged = (SchedulerScreen, PromiseSheet, StealsScreen)
        return self.feed.reading(fresh=any(isinstance(s, judged) for s in self.screen_stack))

    def _rest(self, began: float) -> None:
        took = time.monotonic() - began
        rest = max(TICK_SECONDS - took, LEAST_REST * took)
        self.set_timer(min(SLOWEST_TICK_SECONDS, rest), self._tick)

    def _draw(self, reading: Reading) -> None:
        self._last = reading
        if reading.source.sampled and not reading.pools:
            self._draw_external(reading)
            return
        pool = self._pool(reading)
        if self._steals is not None:  # it covers the dashboard, which is drawn when it closes
            with self.batch_update():
                hint = self._bottom(reading)
                self._steals.show(reading, pool, hint, paused=self._paused)
            self._draw_sheets(pool)
            return
        self._change_parts(sampled=False)
        with self.batch_update():
            self._who_line.show(reading, pool, paused=self._paused)
            self._time_bar.show(pool)
            self._headline_view.show(pool, reading.source.note, is_running=_is_running(reading))
            matrix, queue = self._matrix_view, self._queue_view
            fit_parts(self.size, pool, matrix, queue, self._lower_part)
            if matrix.has_focus and not matrix.display:
                self._workers_view.focus()
            self._history_view.show(pool)
            self._kinds_view.show(pool)
            self._workers_view.show(pool)
            self._matrix_view.show(pool)
            self._queue_view.show(pool)
            self._hint(reading)
        self._draw_sheets(pool)

    def _draw_sheets(self, pool: PoolReading | None) -> None:
        for screen in self.screen_stack:
            if isinstance(screen, Sheet) and pool is not None:
                screen.show(pool)

    def _draw_external(self, reading: Reading) -> None:
        pools = reading.sampled
        pool = pools[self._pool_place % len(pools)] if pools else None
        with self.batch_update():
            self._change_parts(sampled=True)
            self._who_line.show(reading, pool, paused=self._paused)
            self._external_view.show(pool, reading.source.program)
            self._hint(reading)
        for screen in self.screen_stack:
            if isinstance(screen, ExternalWorkerScreen) and pool is not None:
                screen.show_external(pool)

    def _change_parts(self, *, sampled: bool) -> None:
        """Show the parts for a recorded pool or for a sampled one."""
        if self._external_view.display == sampled:
            return
        for part in (self._time_bar, self._headline_view, self._middle_part, self._lower_part):
            part.display = not sampled
        self._external_view.display = sampled
        (self._external_view if sampled else self._workers_view).focus()

    @property
    def pool(self) -> PoolReading | None:
        """The pool that is shown."""
        return self._pool(self._last) if self._last is not None else None

    def _pool(self, reading: Reading) -> PoolReading | None:
        return reading.pools[self._pool_place % len(reading.pools)] if reading.pools else None

    def _hint(self, reading: Reading) -> None:
        """Draw the bottom line, where it says something else than before."""
        text = self._bottom(reading)
        if (text.plain, text.style) != self._hinted:
            self._hinted = text.plain, text.style
            self._hint_line.update(text, layout=False)

    def _bottom(self, reading: Reading) -> Text:
        hints = HINTS_STEALS if self._steals is not None else HINTS
        if self._steals is None and self._matrix_view.has_focus:
            hints = HINTS_MATRIX
        elif self._steals is None and self.pool is not None and not self.pool.has_steals:
            hints = HINTS_QUEUE
        return self._lower.text(reading, hints, time.monotonic(), self.size.width - 2)

    def say(self, message: str) -> None:
        """Say something on the lowest line for a few seconds."""
        self._lower.say(message, time.monotonic())
        self._draw_again()

    def _draw_again(self) -> None:
        if self._last is not None:
            self._draw(self._last)

    def action_pause(self) -> None:
        """Hold the screen still, or let it go on; a live stream is taken in all the same."""
        self._paused = not self._paused
        self.feed.source.pause(self._paused)
        self._lower.place = ""
        if self._last is not None:  # read once more and fresh, for every screen opened meanwhile
            self._draw(self.feed.reading())

    def action_next_pool(self) -> None:
        """Show the process's next pool."""
        self._pool_place += 1
        self._draw_again()

    def action_scheduler(self) -> None:
        """Show what the pool's scheduler promises and how it keeps it."""
        self._open(SchedulerScreen(replay=isinstance(self.feed.source, ReplaySource)))

    def action_keys(self) -> None:
        """Show what each key does."""
        if not isinstance(self.screen, KeysSheet):
            self.push_screen(KeysSheet())

    def _open(self, sheet: Sheet) -> None:
        pool = self.pool
        if pool is not None and not isinstance(self.screen, type(sheet)):
            self.push_screen(sheet)
            self.call_after_refresh(sheet.show, pool)

    def action_steals(self) -> None:
        """Show the steals on the whole screen."""
        if self._last is None or self.pool is None or self._steals is not None:
            return
        if not self.pool.has_steals and not grid_of(self.pool).tells:
            self.say(NOTHING_TO_TELL_APART)
            return
        self._steals = screen = StealsScreen(self._matrix_view)
        self.push_screen(screen, self._steals_closed)
        self.call_after_refresh(self._draw, self._last)

    def _steals_closed(self, _result: None) -> None:
        """Go on with the matrix as it was last looked at."""
        if self._steals is not None:
            self._matrix_view.style_as(self._steals.matrix)
        self._steals = None
        self._draw_again()

    def on_matrix_view_changed(self) -> None:
        """Say which keys are the matrix's, and give it the room that it now wants."""
        self._draw_again()

    def on_jump(self, event: Jump) -> None:
        """Go to a moment at which a promise was broken."""
        self._jumps.go(event.code, event.step)

    def action_jump(self, step: int) -> None:
        """Go to the next moment of the promise gone through last, or to the one before."""
        self._jumps.go("", step)

    def jumped_to(self, feed: Feed, said: str) -> None:
        """Show what a capture held at a moment, held still, and say where that is."""
        self.feed, self._paused, self._lower.place = feed, True, said
        self._lower.say("", 0.0)
        while isinstance(self.screen, Sheet):
            self.pop_screen()
        self._draw(feed.reading())

    def action_capture(self) -> None:
        """Begin a capture with the recent past in it, or end the one that is open."""
        if self._capturing is None or self._capturing.done():
            self._capturing = asyncio.create_task(self._capture())

    async def _capture(self) -> None:
        """Files are written on other threads, so that the screen and the keys go on meanwhile."""
        source, path = self.feed.source, self._lower.capture
        try:
            if not path:
                path = time.strftime("idlehands-%Y%m%d-%H%M%S.idlehands")
                await asyncio.to_thread(source.start_capture, path)
                self._lower.capture = path
                if source.status.state not in ("ended", "replay"):
                    return
            await asyncio.to_thread(source.stop_capture)
            self._lower.capture = ""
            self.say(f"wrote {path}")
        except CaptureError as error:
            self._lower.capture = ""
            self.say(str(error))

    def on_workers_view_opened(self, event: WorkersView.Opened) -> None:
        """Open the chosen worker."""
        reading = self._last
        if reading is None:
            return
        live = _is_running(reading)
        pool = self._pool(reading)
        own = pool.workers[event.index].pid if pool and event.index < len(pool.workers) else -1
        pid = own if own > 0 else reading.source.pid
        screen = WorkerScreen(event.index, pid if live else -1)
        self.push_screen(screen)
        if pool is not None:
            self.call_after_refresh(screen.show, pool)

    def on_external_view_opened(self, event: ExternalView.Opened) -> None:
        """Open the chosen worker of a process without a probe."""
        if self._last is None:
            return
        worker = event.worker
        screen = ExternalWorkerScreen(
            worker.native_id, worker.pid if _is_running(self._last) else -1
        )
        self.push_screen(screen)
        self.call_after_refresh(self._draw, self._last)


def _is_running(reading: Reading) -> bool:
    """Say whether the process that a reading is of still runs, so that its stacks can be read."""
    return reading.source.state in ("live", "stalled")
